"""Areas that several tests share; made once for a run, in a cache folder of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fault_place import EAST, NORTH, SOUTH, WEST, lanes_text
from hypothesis import HealthCheck, settings

from routeplan.plan.area import Area, make_area

# how long an example takes to draw or to run tells of the machine, and of what else it does, not of the project
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


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
