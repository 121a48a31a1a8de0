"""The raster value, profiles along it, and the filling of small voids."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.terrain import Extent, Grid, profile, smooth
from routeplan.terrain.voids import fill_voids


def plane(rows: int = 40, cols: int = 50, step_m: float = 30.0, tilt: tuple[float, float] = (0.1, -0.05)) -> Grid:
    """h = 100 + 0.1 x - 0.05 y, which bilinear sampling gives back exactly."""
    x = -600.0 + step_m * np.arange(cols)
    y = 900.0 - step_m * np.arange(rows)
    return Grid((100 + tilt[0] * x[None, :] + tilt[1] * y[:, None]).astype(np.float32), -600.0, 900.0, step_m)


def test_sample_property_plane() -> None:
    grid = plane()
    random = np.random.default_rng(1)
    west, south, east, north = grid.extent
    x, y = random.uniform(west, east, 500), random.uniform(south, north, 500)
    assert grid.sample(x, y) == pytest.approx(100 + 0.1 * x - 0.05 * y, abs=2e-4)


def test_sample_at_corners_and_outside() -> None:
    grid = plane()
    west, south, east, north = grid.extent
    assert grid.sample(west, north) == pytest.approx(grid.values[0, 0])
    assert grid.sample(east, south) == pytest.approx(grid.values[-1, -1])
    assert np.isnan(grid.sample([west - 0.1, east + 0.1], [north, north])).all()
    assert not grid.contains(west - 0.1, north)
    assert grid.sample(np.zeros((3, 4)), 0.0).shape == (3, 4)


def test_sample_is_nan_beside_missing_data() -> None:
    grid = plane()
    values = grid.values.copy()
    values[10, 10] = np.nan
    holed = grid.like(values)
    x, y = grid.west_m + 10 * 30.0, grid.north_m - 10 * 30.0
    assert np.isnan(holed.sample([x, x + 29, x - 29, x], [y, y, y, y + 29])).all()
    assert np.isfinite(holed.sample([x + 31, x - 31], [y, y])).all()


def test_nearest_takes_the_cell_that_holds_the_point() -> None:
    grid = Grid(np.arange(12, dtype=np.uint8).reshape(3, 4), 0.0, 20.0, 10.0)
    assert grid.nearest([0, 4.9, 5.1, 30], [20, 20, 20, 0]).tolist() == [0, 0, 1, 11]
    assert grid.nearest([-1.0], [20.0]).tolist() == [0]
    assert grid.nearest([0.0], [20.0]).dtype == np.uint8
    heights = grid.like(grid.values.astype(np.float32))
    assert np.isnan(heights.nearest(-1.0, 20.0))


def test_sample_property_within_the_four_cells() -> None:
    random = np.random.default_rng(2)
    grid = Grid(random.normal(size=(20, 20)).astype(np.float32), 0.0, 190.0, 10.0)
    x, y = random.uniform(0, 190, 300), random.uniform(0, 190, 300)
    value = grid.sample(x, y)
    c, r = np.minimum(x // 10, 18).astype(int), np.minimum((190 - y) // 10, 18).astype(int)
    around = np.stack([grid.values[r + i, c + j] for i in (0, 1) for j in (0, 1)])
    assert (value <= around.max(axis=0) + 1e-6).all()
    assert (value >= around.min(axis=0) - 1e-6).all()


def test_extent_overlap() -> None:
    a = Extent(0, 0, 10, 10)
    assert a.overlap(Extent(5, 5, 20, 20)) == Extent(5, 5, 10, 10)
    assert a.overlap(Extent(11, 0, 20, 10)) is None
    assert a.grown(1) == Extent(-1, -1, 11, 11)


@pytest.mark.parametrize(("length_m", "points"), [(10.0, 17), (480.0, 17), (481.0, 18), (600.0, 21)])
def test_profile_property_spacing(length_m: float, points: int) -> None:
    distance, height = profile(plane(), 0.0, 0.0, length_m * 0.6, length_m * 0.8)
    assert len(distance) == points
    assert np.diff(distance) == pytest.approx(np.full(points - 1, length_m / (points - 1)))
    assert height == pytest.approx(100 + 0.1 * 0.6 * distance - 0.05 * 0.8 * distance, abs=1e-3)


def test_profile_by_nearest_cell_keeps_codes() -> None:
    grid = plane().like(np.where(np.arange(50)[None, :] < 25, np.uint8(4), np.uint8(1)) * np.ones((40, 1), np.uint8))
    _, zone = profile(grid, -300.0, 0.0, 600.0, 0.0, nearest=True)
    assert set(zone.tolist()) == {1, 4}


def test_smooth_keeps_a_plane_and_missing_data() -> None:
    grid = plane()
    values = grid.values.copy()
    values[5, 5] = np.nan
    soft = smooth(grid.like(values), 45.0)
    assert np.isnan(soft.values[5, 5])
    assert np.isnan(soft.values).sum() == 1
    assert soft.values[15:25, 15:25] == pytest.approx(grid.values[15:25, 15:25], abs=0.01)
    assert smooth(grid, 45.0).values[15:25, 15:25] == pytest.approx(grid.values[15:25, 15:25], abs=0.01)


def test_voids_property_a_plane_is_restored() -> None:
    grid = plane()
    values = grid.values.copy()
    values[5:15, 8:20] = np.nan  # 120 cells
    values[30, 30] = np.nan
    filled = fill_voids(grid.like(values))
    assert filled.grid.values == pytest.approx(grid.values, abs=1e-3)
    assert (filled.filled_cells, filled.filled_patches, filled.left_cells) == (121, 2, 0)
    assert filled.mask.sum() == 121
    assert filled.mask[5, 8]
    assert np.isnan(values[5, 8])  # the input is left alone


def test_voids_larger_than_the_limit_stay() -> None:
    grid = plane()
    values = grid.values.copy()
    values[5:15, 5:21] = np.nan  # 160 cells
    values[20, 20] = np.nan
    filled = fill_voids(grid.like(values))
    assert np.isnan(filled.grid.values).sum() == 160
    assert (filled.filled_cells, filled.left_cells, filled.left_patches) == (1, 160, 1)
    assert fill_voids(grid.like(values), cells_at_most=160).left_cells == 0


def test_voids_property_between_their_border() -> None:
    random = np.random.default_rng(3)
    values = random.normal(100, 30, (30, 30)).astype(np.float32)
    values[10:15, 10:15] = np.nan
    border = np.concatenate([values[9, 10:15], values[15, 10:15], values[10:15, 9], values[10:15, 15]])
    inside = fill_voids(Grid(values, 0, 0, 30)).grid.values[10:15, 10:15]
    assert inside.min() >= border.min()
    assert inside.max() <= border.max()


def test_voids_outside_what_the_file_covers_are_no_voids() -> None:
    grid = plane()
    values, inside = grid.values.copy(), np.ones(grid.values.shape, bool)
    values[:, :2] = np.nan
    inside[:, :2] = False
    values[20:22, 20] = np.nan
    filled = fill_voids(grid.like(values), inside=inside)
    assert (filled.filled_cells, filled.left_cells) == (2, 0)
    assert np.isnan(filled.grid.values[:, :2]).all()


def test_voids_at_the_border_of_the_raster() -> None:
    grid = plane(tilt=(0.0, 0.0))
    values = grid.values.copy()
    values[0, 3:6] = np.nan
    assert fill_voids(grid.like(values)).grid.values == pytest.approx(grid.values)
