"""Values along a straight path: the readable twin of what the radio kernel samples."""

from __future__ import annotations

import math

import numpy as np

from routeplan.terrain.grid import Grid

FEWEST_INTERVALS = 16  # as in the radio kernel: fewer make the loss of a short path jump with each metre


def profile(
    grid: Grid, x0_m: float, y0_m: float, x1_m: float, y1_m: float, *, nearest: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Distances from (x0, y0) [m] and values at n + 1 points of the straight path to (x1, y1).

    The path is cut into n = max(16, ceil(D / step)) equal intervals, D its length, straight in working
    coordinates. Heights are bilinear on the raw raster; `nearest` takes the cell that holds the point, as for
    ground cover and zones. NaN (codes: 0) outside the raster.
    """
    length_m = math.hypot(x1_m - x0_m, y1_m - y0_m)
    n = max(FEWEST_INTERVALS, math.ceil(length_m / grid.step_m))
    share = np.arange(n + 1) / n
    x = x0_m + (x1_m - x0_m) * share
    y = y0_m + (y1_m - y0_m) * share
    return length_m * share, grid.nearest(x, y) if nearest else grid.sample(x, y)
