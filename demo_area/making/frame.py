"""Where the island lies: map frame, raster geometry, seeded random numbers.

All parts work in metres east (x) and north (y) of the island's centre; rasters have row 0 in the north.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

EPSG = 32625  # WGS 84 / UTM zone 25N, central meridian 33 W
CENTRE_EAST_M = 494_010.0  # about 41.24 N 33.07 W: open Atlantic, no land within 200 km
CENTRE_NORTH_M = 4_565_010.0
STEP_M = 30.0
ROWS, COLUMNS = 740, 960  # 22.2 x 28.8 km: the island and some sea around it
SEED = 20_260


@dataclass(frozen=True)
class Raster:
    """Cell centres of a north-up raster in island metres."""

    step_m: float
    rows: int
    columns: int

    @property
    def west_m(self) -> float:
        return -(self.columns - 1) / 2 * self.step_m

    @property
    def north_m(self) -> float:
        return (self.rows - 1) / 2 * self.step_m

    def mesh(self) -> tuple[np.ndarray, np.ndarray]:
        """x, y [m] of every cell centre, (rows, columns)."""
        x = self.west_m + np.arange(self.columns) * self.step_m
        y = self.north_m - np.arange(self.rows) * self.step_m
        return np.meshgrid(x, y)

    def cell(self, x_m: Any, y_m: Any) -> tuple[Any, Any]:
        """Row and column of the cell that holds each point (clipped to the raster)."""
        row = np.rint((self.north_m - np.asarray(y_m)) / self.step_m).astype(np.int64)
        column = np.rint((np.asarray(x_m) - self.west_m) / self.step_m).astype(np.int64)
        return np.clip(row, 0, self.rows - 1), np.clip(column, 0, self.columns - 1)

    def centre(self, row: Any, column: Any) -> tuple[Any, Any]:
        """x, y [m] of cell centres."""
        return self.west_m + np.asarray(column) * self.step_m, self.north_m - np.asarray(row) * self.step_m

    def sample(self, values: np.ndarray, x_m: Any, y_m: Any) -> np.ndarray:
        """Bilinear value at each point."""
        from scipy.ndimage import map_coordinates

        row = (self.north_m - np.asarray(y_m, float)) / self.step_m
        column = (np.asarray(x_m, float) - self.west_m) / self.step_m
        return map_coordinates(values, [row, column], order=1, mode="nearest")


FINE = Raster(STEP_M, ROWS, COLUMNS)
COARSE = Raster(2 * STEP_M, ROWS // 2, COLUMNS // 2)  # for erosion and for finding roads


def random(name: str) -> np.random.Generator:
    """Random numbers of one part of the work; parts do not disturb one another."""
    return np.random.default_rng([SEED, *name.encode()])


@cache
def _to_degrees() -> Any:
    from pyproj import Transformer

    return Transformer.from_crs(EPSG, 4326, always_xy=True)


def latlon(x_m: Any, y_m: Any) -> tuple[Any, Any]:
    """Latitude and longitude [deg] of island metres."""
    longitude, latitude = _to_degrees().transform(
        np.asarray(x_m) + CENTRE_EAST_M, np.asarray(y_m) + CENTRE_NORTH_M
    )
    return latitude, longitude
