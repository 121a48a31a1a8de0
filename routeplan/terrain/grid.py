"""A raster of square cells in working coordinates."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np


class Extent(NamedTuple):
    """A rectangle in working coordinates [m]."""

    west_m: float
    south_m: float
    east_m: float
    north_m: float

    def grown(self, margin_m: float) -> Extent:
        """The rectangle with `margin_m` added on every side."""
        return Extent(self.west_m - margin_m, self.south_m - margin_m, self.east_m + margin_m, self.north_m + margin_m)

    def overlap(self, other: Extent) -> Extent | None:
        """What both rectangles share, or None."""
        shared = Extent(
            max(self.west_m, other.west_m),
            max(self.south_m, other.south_m),
            min(self.east_m, other.east_m),
            min(self.north_m, other.north_m),
        )
        return shared if shared.west_m < shared.east_m and shared.south_m < shared.north_m else None


@dataclass(frozen=True)
class Grid:
    """Square cells, row 0 the northmost. Values belong to the cells' centres.

    values : (rows, cols), at least 2 x 2; float32 heights [m] with NaN for no data, or uint8 codes.
    west_m, north_m : x and y [m] of the CENTRE of values[0, 0].
    step_m : distance between neighbouring centres [m].
    """

    values: np.ndarray
    west_m: float
    north_m: float
    step_m: float

    @property
    def extent(self) -> Extent:
        """The rectangle through the outermost centres: inside it `sample` has four cells to go by."""
        rows, cols = self.values.shape
        return Extent(
            self.west_m,
            self.north_m - (rows - 1) * self.step_m,
            self.west_m + (cols - 1) * self.step_m,
            self.north_m,
        )

    def contains(self, x_m: Any, y_m: Any) -> Any:
        """True where (x, y) lies inside `extent`, border included; broadcasts."""
        west, south, east, north = self.extent
        return (np.asarray(x_m) >= west) & (x_m <= east) & (np.asarray(y_m) >= south) & (y_m <= north)

    def sample(self, x_m: Any, y_m: Any) -> np.ndarray:
        """Bilinear value at (x, y), float64, same shape as the inputs.

        NaN outside `extent` and where any of the four cells around is NaN. On the last row or column the four
        cells are those of the last full square, as in the radio kernel.
        """
        x, y = np.broadcast_arrays(np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
        rows, cols = self.values.shape
        inside = self.contains(x, y)
        column = np.where(inside, (x - self.west_m) / self.step_m, 0.0)
        row = np.where(inside, (self.north_m - y) / self.step_m, 0.0)
        c = np.clip(column.astype(np.intp), 0, cols - 2)
        r = np.clip(row.astype(np.intp), 0, rows - 2)
        u, v = column - c, row - r
        flat = self.values.ravel()
        at = r * cols + c
        a, b = flat[at].astype(float), flat[at + 1].astype(float)
        d, e = flat[at + cols].astype(float), flat[at + cols + 1].astype(float)
        top = a + (b - a) * u
        value = top + (d + (e - d) * u - top) * v
        return np.where(inside, value, np.nan)

    def cell(self, x_m: Any, y_m: Any) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of the cell that holds (x, y), halves up; may lie outside the raster."""
        column = np.floor((np.asarray(x_m, dtype=float) - self.west_m) / self.step_m + 0.5).astype(np.intp)
        row = np.floor((self.north_m - np.asarray(y_m, dtype=float)) / self.step_m + 0.5).astype(np.intp)
        return row, column

    def nearest(self, x_m: Any, y_m: Any) -> np.ndarray:
        """Value of the cell that holds (x, y), dtype of `values`; outside `extent` NaN (codes: 0)."""
        x, y = np.broadcast_arrays(np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
        rows, cols = self.values.shape
        inside = self.contains(x, y)
        row, column = self.cell(np.where(inside, x, self.west_m), np.where(inside, y, self.north_m))
        value = self.values[np.clip(row, 0, rows - 1), np.clip(column, 0, cols - 1)]
        outside = np.nan if np.issubdtype(self.values.dtype, np.floating) else 0
        return np.where(inside, value, np.array(outside, self.values.dtype))

    def like(self, values: np.ndarray) -> Grid:
        """A raster of other values on the same cells."""
        if values.shape != self.values.shape:
            raise ValueError(f"shape {values.shape} is not {self.values.shape}")
        return replace(self, values=values)

    def affine(self) -> Any:
        """rasterio's transform of the cells (from the outer corner of values[0, 0])."""
        from rasterio.transform import Affine

        half = self.step_m / 2
        return Affine(self.step_m, 0.0, self.west_m - half, 0.0, -self.step_m, self.north_m + half)


def smooth(grid: Grid, sigma_m: float) -> Grid:
    """Gaussian mean of standard deviation `sigma_m` [m] over the cells that hold data; NaN stays NaN."""
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(grid.values)
    sigma = sigma_m / grid.step_m
    total = gaussian_filter(np.where(known, grid.values, np.float32(0)), sigma, mode="nearest")
    if known.all():
        return grid.like(total.astype(np.float32))
    weight = gaussian_filter(known.astype(np.float32), sigma, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        return grid.like(np.where(known, total / weight, np.float32(np.nan)).astype(np.float32))
