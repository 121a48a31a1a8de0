"""Areas that several tests share; made once for a run, in a cache folder of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from routeplan.plan.area import Area, make_area

# matplotlib's sample elevation of the Jacksboro fault, Tennessee: its file names these bounds, ymin and ymax swapped.
WEST, EAST, SOUTH, NORTH = -84.4150, -84.0803, 36.4450, 36.7317


@pytest.fixture(scope="session")
def fault_elevation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Real elevation that a package carries, as a GeoTIFF in degrees."""
    import matplotlib.cbook
    import rasterio
    from rasterio.transform import from_bounds

    height = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"].astype(np.float32)
    rows, cols = height.shape
    path = tmp_path_factory.mktemp("fault") / "elevation.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs="EPSG:4326",
        transform=from_bounds(WEST, SOUTH, EAST, NORTH, cols, rows),
    ) as file:  # fmt: skip
        file.write(height, 1)
        file.update_tags(1, elevation_kind="terrain")
    return path


def lanes_text(spacing_m: float = 900.0, across: int = 15) -> str:
    """OpenStreetMap XML of a net of winding lanes across the fault: invented roads on real ground."""
    middle_lat, middle_lon = (SOUTH + NORTH) / 2, (WEST + EAST) / 2
    metres_lat, metres_lon = 110_950.0, 111_320.0 * np.cos(np.radians(middle_lat))
    rng = np.random.default_rng(7)
    shift = rng.uniform(-0.25, 0.25, (2, across, across)) * spacing_m
    nodes, ways = [], []

    def node(x: float, y: float) -> int:
        nodes.append(
            f'<node id="{len(nodes) + 1}" version="1" lat="{middle_lat + y / metres_lat:.7f}" '
            f'lon="{middle_lon + x / metres_lon:.7f}"/>'
        )
        return len(nodes)

    at = np.arange(across) - (across - 1) / 2
    corner = [
        [node(at[i] * spacing_m + shift[0, i, j], at[j] * spacing_m + shift[1, i, j]) for j in range(across)]
        for i in range(across)
    ]
    for line in (*corner, *zip(*corner)):
        refs = "".join(f'<nd ref="{ref}"/>' for ref in line)
        kind = "tertiary" if len(ways) % 5 == 0 else "unclassified"
        ways.append(
            f'<way id="{len(ways) + 1}" version="1">{refs}<tag k="highway" v="{kind}"/>'
            f'<tag k="name" v="Lane {len(ways) + 1}"/><tag k="surface" v="asphalt"/></way>'
        )
    return f'<?xml version="1.0"?><osm version="0.6">{"".join(nodes)}{"".join(ways)}</osm>'


@pytest.fixture(scope="session")
def fault_area(fault_elevation: Path, tmp_path_factory: pytest.TempPathFactory) -> Area:
    """Invented lanes on the real ground of the Jacksboro fault, made by the code that serves any place."""
    folder = tmp_path_factory.mktemp("fault_area")
    roads = folder / "lanes.osm"
    roads.write_text(lanes_text())
    return make_area(folder / "area", roads=[roads], terrain=[fault_elevation], elevation_kind="terrain")


@pytest.fixture(scope="session")
def demo_area() -> Area:
    """The demo island, from the files in the tree."""
    from routeplan.plan import demo

    return demo.area()
