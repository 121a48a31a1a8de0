"""Ground cover, its corridor along roads, its rule on surface models, and zones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from routeplan.errors import InputError
from routeplan.geo import Projection
from routeplan.radio.p1812 import basic_loss_db
from routeplan.terrain import Extent, Grid, cover, profile, zones

CENTRE = Projection(42.5, 1.5)


def flat(rows: int = 100, cols: int = 120, step_m: float = 30.0, height_m: float = 0.0) -> Grid:
    values = np.full((rows, cols), height_m, np.float32)
    return Grid(values, -(cols // 2) * step_m, (rows // 2) * step_m, step_m)


def test_polygons_paint_the_cells_under_their_centres() -> None:
    grid = flat()
    wood = shapely.box(-315, -315, 315, 315)
    hole = shapely.box(-75, -75, 75, 75)
    painted = grid.like(cover.cover_from_polygons(grid, [wood.difference(hole)], [15.0]))
    assert painted.nearest([0.0, 200.0, 320.0], [0.0, 200.0, 0.0]).tolist() == [0.0, 15.0, 0.0]
    assert (painted.values > 0).sum() * 900 == 630**2 - 150**2
    assert not cover.cover_from_polygons(grid, [], []).any()


def test_the_tallest_wins_and_water_wins_over_all() -> None:
    grid = flat()
    town, wood, lake = (shapely.box(-r, -r, r, r) for r in (900, 600, 300))
    for order in ([0, 1, 2], [2, 1, 0], [1, 2, 0]):
        shapes, heights = [town, wood, lake], [10.0, 15.0, 0.0]
        painted = grid.like(
            cover.cover_from_polygons(grid, [shapes[i] for i in order], [heights[i] for i in order])
        )
        assert painted.nearest([0.0, 450.0, 750.0], [0.0, 0.0, 0.0]).tolist() == [0.0, 15.0, 10.0]


@pytest.mark.parametrize("step_m", [10.0, 30.0, 68.0])
def test_corridor_property_nothing_stands_within_15_m(step_m: float) -> None:
    grid = flat(80, 80, step_m)
    x = np.array([-600.0, 0.0, 250.0]) * step_m / 30
    y = np.array([-400.0, 30.0, 700.0]) * step_m / 30
    px, py = cover.along(x, y, np.array([0, 1]), np.array([1, 2]))
    assert np.hypot(np.diff(px[:-2]), np.diff(py[:-2])).max() <= 10.0 + 1e-9
    cleared = grid.like(cover.clear_corridor(np.full(grid.values.shape, 15.0, np.float32), grid, px, py))
    random = np.random.default_rng(4)
    k = random.integers(0, 2, 400)
    t, off = random.uniform(0, 1, 400), random.uniform(-15, 15, 400)
    dx, dy = x[k + 1] - x[k], y[k + 1] - y[k]
    norm = np.hypot(dx, dy)
    at_x, at_y = x[k] + t * dx - off * dy / norm, y[k] + t * dy + off * dx / norm
    assert np.mean(cleared.nearest(at_x, at_y) == 0) > 0.99
    assert (cleared.nearest(x[k] + t * dx, y[k] + t * dy) == 0).all()
    line = shapely.LineString(np.column_stack([x, y]))
    col, row = np.meshgrid(np.arange(80), np.arange(80))
    far = shapely.distance(line, shapely.points(grid.west_m + col * step_m, grid.north_m - row * step_m))
    assert (cleared.values[far > 15 + step_m] == 15).all()


def write_classes(path: Path, values: np.ndarray, dtype: str = "uint8", unit: str = "", **options: object) -> Path:
    import rasterio
    from rasterio.transform import Affine

    rows, cols = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=cols, count=1, dtype=dtype, crs="EPSG:4326",
        transform=Affine(0.0005, 0, 1.48, 0, -0.0005, 42.52), **options,
    ) as out:  # fmt: skip
        out.write(values.astype(dtype), 1)
        if unit:
            out.units = (unit,)
    return path


@pytest.mark.parametrize(
    ("codes", "dtype", "heights", "table"),
    [
        ((10, 50), "uint8", (15.0, 10.0), "ESA WorldCover"),
        ((312, 211), "int16", (15.0, 0.0), "CORINE Land Cover"),
        ((23.5, 0.0), "float32", (23.5, 0.0), "heights in metres"),
    ],
)
def test_land_cover_rasters(
    tmp_path: Path, codes: tuple[float, float], dtype: str, heights: tuple[float, float], table: str
) -> None:
    values = np.where(np.arange(80)[None, :] < 40, codes[0], codes[1]) * np.ones((80, 1))
    path = write_classes(tmp_path / "cover.tif", values, dtype)
    read = cover.cover_from_raster([path], flat(), CENTRE)
    grid = flat().like(read.heights_m)
    assert read.table == table
    assert grid.nearest([-300.0, 300.0], [0.0, 0.0]).tolist() == list(heights)
    assert np.isnan(grid.nearest([-1790.0], [0.0])).all()  # beyond the file


def test_land_cover_without_data_is_unknown(tmp_path: Path) -> None:
    path = write_classes(tmp_path / "cover.tif", np.full((80, 80), 0), nodata=0)
    assert np.isnan(cover.cover_from_raster([path], flat(), CENTRE).heights_m).all()


def test_wrong_land_cover_is_named_with_all_faults(tmp_path: Path) -> None:
    strange = write_classes(tmp_path / "strange.tif", np.full((80, 80), 7))
    (tmp_path / "page.tif").write_bytes(b"<html></html>")
    tall = write_classes(tmp_path / "tall.tif", np.full((80, 80), 900.0), "float32")
    with pytest.raises(InputError) as caught:
        cover.cover_from_raster([strange, tmp_path / "page.tif", tall], flat(), CENTRE)
    assert len(caught.value.faults) == 3
    assert "values 7 are no land-cover classes" in str(caught.value)
    assert "900" in str(caught.value)


# --- surface models ---


def hills(step_m: float = 30.0) -> Grid:
    random = np.random.default_rng(5)
    from scipy.ndimage import gaussian_filter

    values = gaussian_filter(random.normal(size=(260, 260)), 25) * 1500 + 300
    return Grid(values.astype(np.float32), -130 * step_m, 130 * step_m, step_m)


def loss_db(ground: Grid, standing: np.ndarray, ends: tuple[float, ...], mast_m: float) -> float:
    distance, height = profile(ground, *ends)
    _, clutter = profile(ground.like(standing), *ends, nearest=True)
    return basic_loss_db(
        distance, height, clutter, np.full(len(distance), 4), frequency_hz=145.5e6, tx_height_m=mast_m,
        rx_height_m=1.5, latitude_deg=46.0,
    )  # fmt: skip


@pytest.mark.parametrize("mast_m", [3.0, 10.0, 30.0])
def test_surface_or_terrain_plus_cover_property_same_loss(mast_m: float) -> None:
    """A 20 m wood: the terrain with cover, and the surface with the rule of `bare_ground`, agree within 2 dB."""
    terrain = hills()
    wood = cover.cover_from_polygons(terrain, [shapely.box(-900, -1500, 600, 1200)], [20.0])
    surface = terrain.like(terrain.values + wood)
    ground = cover.bare_ground(surface, wood)
    without = []
    for y in range(-1200, 1200, 300):
        ends = (-3000.0, y - 200.0, 2500.0, y + 100.0)
        plain = loss_db(terrain, wood, ends, mast_m)
        assert loss_db(ground, wood, ends, mast_m) == pytest.approx(plain, abs=2.0)
        without.append(loss_db(terrain, 0 * wood, ends, mast_m) - plain)
        twice = loss_db(surface, wood, ends, mast_m)
        assert np.isfinite(twice)
    assert max(np.abs(without)) > 3  # the wood does matter on some of these paths


def test_surface_with_a_blurred_wood_edge_stays_near() -> None:
    """A radar sees the edge of a wood over some cells. What it measured there stays the obstacle's height, so
    only paths that graze the very edge differ."""
    from scipy.ndimage import gaussian_filter

    terrain = hills()
    wood = cover.cover_from_polygons(terrain, [shapely.box(-900, -1500, 600, 1200)], [20.0])
    surface = terrain.like(terrain.values + gaussian_filter(wood, 1.0))
    ground = cover.bare_ground(surface, wood)
    differences = []
    for y in range(-1200, 1200, 150):
        ends = (-3000.0, y - 200.0, 2500.0, y + 100.0)
        differences.append(abs(loss_db(ground, wood, ends, 10.0) - loss_db(terrain, wood, ends, 10.0)))
    assert np.median(differences) < 2.0
    assert max(differences) < 6.0


def test_a_terminal_in_the_wood_stands_on_the_ground() -> None:
    """On a road through the wood: cover cleared there, the antenna below the trees in both kinds of model."""
    terrain = hills()
    wood = cover.cover_from_polygons(terrain, [shapely.box(-900, -1500, 600, 1200)], [20.0])
    surface = terrain.like(terrain.values + wood)
    x, y = cover.along(np.array([-900.0, 600.0]), np.array([30.0, 30.0]), np.array([0]), np.array([1]))
    cleared = cover.clear_corridor(wood, terrain, x, y)
    ends = (-3000.0, -200.0, 0.0, 30.0)
    plain = loss_db(terrain, cleared, ends, 10.0)
    assert loss_db(cover.bare_ground(surface, wood), cleared, ends, 10.0) == pytest.approx(plain, abs=2.0)
    assert loss_db(surface, 0 * wood, ends, 10.0) < plain - 2  # on the roof of the wood: what the rule prevents


# --- zones ---


def island(rows: int = 160, cols: int = 200, step_m: float = 50.0) -> tuple[Grid, np.ndarray]:
    """A round island of 2 km radius, 0 m at sea, and its coastline, land on the left."""
    grid = flat(rows, cols, step_m)
    y = grid.north_m - step_m * np.arange(rows)
    x = grid.west_m + step_m * np.arange(cols)
    r = np.hypot(x[None, :], y[:, None])
    heights = np.maximum(0, (2000 - r) * 0.1)
    angle = np.linspace(0, 2 * np.pi, 73)  # counter-clockwise: the land lies on the left
    return grid.like(heights.astype(np.float32)), np.column_stack([2000 * np.cos(angle), 2000 * np.sin(angle)])


def distance_from_middle(grid: Grid) -> np.ndarray:
    rows, cols = grid.values.shape
    x = grid.west_m + grid.step_m * np.arange(cols)
    y = grid.north_m - grid.step_m * np.arange(rows)
    return np.hypot(x[None, :], y[:, None])


def test_island_in_the_sea() -> None:
    grid, coast = island()
    sea = zones.find_sea(grid, [coast]).sea
    r = distance_from_middle(grid)
    assert sea[r > 2050].all()
    assert not sea[r < 1950].any()
    zone = zones.zones(grid, sea)
    assert zone.values.dtype == np.uint8
    assert set(np.unique(zone.values)) == {1, 3, 4}
    assert (zone.values[r < 950] == 4).all()  # above 100 m
    assert (zone.values[(r > 1050) & (r < 1950)] == 3).all()


def test_sea_goes_on_beyond_the_road_data() -> None:
    grid, coast = island()
    sea = zones.find_sea(grid, [coast], Extent(-2000, -2000, 2000, 2000)).sea
    r = distance_from_middle(grid)
    assert sea[r > 2050].all()
    assert not sea[r < 1950].any()


def test_lagoon_and_polder_are_told_by_the_line_not_by_height() -> None:
    grid, coast = island()
    r = distance_from_middle(grid)
    values = np.where(r < 500, -3.0, grid.values).astype(np.float32)  # a polder amid the island
    sea = zones.find_sea(grid.like(values), [coast]).sea
    assert not sea[r < 1950].any()


def test_coast_cut_at_the_border_of_the_extract() -> None:
    """A straight coast running north, land on its left (west), drawn only inside the road data."""
    grid = flat(120, 120, 50.0)
    x = grid.west_m + 50.0 * np.arange(120)
    heights = np.where(x[None, :] < 0, 20.0, 0.0) * np.ones((120, 1))
    line = np.array([[0.0, -1500.0], [5.0, 0.0], [0.0, 1500.0]])
    sea = zones.find_sea(grid.like(heights.astype(np.float32)), [line], Extent(-1500, -1500, 1500, 1500)).sea
    assert sea[:, x > 60].all()
    assert not sea[:, x < -60].any()


def test_voids_at_sea_are_sea() -> None:
    grid, coast = island()
    values = np.where(grid.values <= 0, np.nan, grid.values).astype(np.float32)
    sea = zones.find_sea(grid.like(values), [coast], Extent(-2000, -2000, 2000, 2000)).sea
    assert sea[distance_from_middle(grid) > 2050].all()


def test_without_coastline_only_wide_flat_ground_at_zero_is_sea() -> None:
    grid, _ = island()
    assert zones.find_sea(grid, []).sea[distance_from_middle(grid) > 2100].all()
    small = grid.like(np.where(distance_from_middle(grid) < 500, 0, 50).astype(np.float32))
    found = zones.find_sea(small, [])
    assert not found.sea.any()
    assert found.how == "no sea"
    assert (zones.zones(small, found.sea).values == 4).all()
