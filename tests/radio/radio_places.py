"""Made-up and real ground for the radio tests, and the readable loss of one link over rasters."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from routeplan.radio import batch, short_path, woodland
from routeplan.terrain.grid import Grid

STEP_M = 83.0  # the Jacksboro cells are 75 m by 92 m; as squares the hills are as steep as they are


@lru_cache
def jacksboro() -> np.ndarray:
    """Real elevation (344, 403) [m] of a fault in Tennessee, matplotlib's sample data, row 0 in the north.

    The file's ymin and ymax are swapped; its rows run from north to south all the same.
    """
    import matplotlib.cbook

    return matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"].astype(np.float32)


@lru_cache
def invented_cover() -> np.ndarray:
    """Woods of 15 m on a third of the Jacksboro cells, towns of 10 m on a tenth [m]."""
    from scipy.ndimage import gaussian_filter

    field = gaussian_filter(np.random.default_rng(11).standard_normal(jacksboro().shape), 3)
    cover = np.where(field > np.quantile(field, 2 / 3), 15, 0)
    return np.where(field < np.quantile(field, 0.1), 10, cover).astype(np.float32)


@lru_cache
def invented_zone() -> np.ndarray:
    """The lowest quarter of the Jacksboro cells as sea, the next tenth as coastal land."""
    low, coast = np.quantile(jacksboro(), (0.25, 0.35))
    return np.where(jacksboro() < low, 1, np.where(jacksboro() < coast, 3, 4)).astype(np.uint8)


def readable_loss_db(
    elevation_m: np.ndarray,
    cover_m: np.ndarray | None,
    zone: np.ndarray | None,
    tx: tuple[float, float],
    rx: tuple[float, float],
    **link: Any,
) -> float:
    """`short_path.link_loss_db` over rasters whose first cell is at (0, 0), STEP_M apart."""
    cover_m = np.zeros_like(elevation_m) if cover_m is None else cover_m
    zone = np.full(elevation_m.shape, 4, np.uint8) if zone is None else zone
    elevation, cover, zones = (Grid(v, 0.0, 0.0, STEP_M) for v in (elevation_m, cover_m, zone))
    (x0, y0), (x1, y1) = tx, rx
    length_m = math.hypot(x1 - x0, y1 - y0)
    n = batch.intervals(length_m, STEP_M)
    along = np.arange(n + 1) / n
    x, y = x0 + (x1 - x0) * along, y0 + (y1 - y0) * along
    share = woodland.near_distances_m(length_m) / length_m
    return short_path.link_loss_db(
        length_m * along,
        elevation.sample(x, y),
        cover.nearest(x, y),
        zones.nearest(x, y),
        cover.nearest(x0 + (x1 - x0) * share, y0 + (y1 - y0) * share),
        cover.nearest(x1 + (x0 - x1) * share, y1 + (y0 - y1) * share),
        **link,
    )
