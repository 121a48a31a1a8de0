"""What a map draws beneath the routes: relief, cover, water, streets, names, the coverage of the contact rule."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from routeplan.plan.area import Area
from routeplan.plan.value import Background
from routeplan.roads.tags import KINDS
from routeplan.terrain.grid import Grid

MARGIN_M = 1_500.0
TALLEST, FLATTEST = 1.25, 0.55  # heights of a map of rides over its width
CELLS_AT_MOST = 900  # along the longer side of the relief
COVERAGE_CELLS = 110  # along the longer side of the coverage: fine enough for contours, a tenth of a second to reckon
MAJOR = {"trunk", "primary", "secondary"}
MIDDLE = {"tertiary", "unclassified", "residential", "living_street"}


def background(
    area: Area,
    x_m: np.ndarray,
    y_m: np.ndarray,
    chance_at: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
) -> Background:
    """The map's ground round the places (x, y).

    chance_at : chance of the contact rule at places x, y (n,), for the coverage; None leaves it out.
    """
    elevation = area.elevation
    west, south, east, north = elevation.extent
    window = (
        max(west, x_m.min() - MARGIN_M),
        max(south, y_m.min() - MARGIN_M),
        min(east, x_m.max() + MARGIN_M),
        min(north, y_m.max() + MARGIN_M),
    )
    clipped, first_row, first_col, every = _clip(elevation, window)
    rows = slice(first_row, first_row + clipped.values.shape[0] * every, every)
    cols = slice(first_col, first_col + clipped.values.shape[1] * every, every)
    return Background(
        elevation_m=clipped.values,
        cover_m=area.cover.values[rows, cols],
        sea=area.zone.values[rows, cols] == 1,
        west_m=clipped.west_m,
        north_m=clipped.north_m,
        step_m=clipped.step_m,
        street_lines=(lines := _street_lines(area, window))[0],
        street_class=lines[1],
        chance=None if chance_at is None else _coverage(clipped, chance_at),
        place_names=tuple(
            (name, kind, float(x), float(y))
            for name, kind, x, y in zip(area.places.name, area.places.kind, area.places.x_m, area.places.y_m)
            if name and kind in {"city", "town", "village", "hamlet", "peak"}
            and window[0] < x < window[2] and window[1] < y < window[3]
        ),
    )  # fmt: skip


def map_corners(x_m: np.ndarray, y_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two corners round the places (x, y) that make a long narrow ride's map as wide, or as tall, as it is drawn."""
    across, down = (float(np.ptp(v)) + 2 * MARGIN_M for v in (x_m, y_m))
    more_x, more_y = max(0.0, down / TALLEST - across) / 2, max(0.0, across * FLATTEST - down) / 2
    return (np.array([x_m.min() - more_x, x_m.max() + more_x]), np.array([y_m.min() - more_y, y_m.max() + more_y]))


def _clip(grid: Grid, window: tuple[float, float, float, float]) -> tuple[Grid, int, int, int]:
    west, south, east, north = window
    top, left = (int(v) for v in grid.cell(west, north))
    bottom, right = (int(v) for v in grid.cell(east, south))
    every = max(1, round(max(bottom - top, right - left) / CELLS_AT_MOST))
    values = grid.values[top : bottom + 1 : every, left : right + 1 : every]
    clipped = Grid(values, grid.west_m + left * grid.step_m, grid.north_m - top * grid.step_m, grid.step_m * every)
    return clipped, top, left, every


def _street_lines(area: Area, window: tuple[float, float, float, float]) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
    network = area.network
    west, south, east, north = window
    first, x, y = network.point_first, network.point_x_m, network.point_y_m
    start_x, start_y = x[first[:-1]], y[first[:-1]]
    inside = (start_x > west) & (start_x < east) & (start_y > south) & (start_y < north)
    kind = network.ways.kind[network.piece_way[first[:-1]]]
    rank = np.array([2 if word in MAJOR else 1 if word in MIDDLE else 0 for word in KINDS])[kind]
    chosen = np.flatnonzero(inside)
    return tuple(np.column_stack([x[first[k] : first[k + 1]], y[first[k] : first[k + 1]]]) for k in chosen), rank[
        chosen
    ]


def _coverage(grid: Grid, chance_at: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> np.ndarray:
    """Chance at the centres of coarser cells over the same outer edges, (rows, cols) with row 0 north."""
    west, south, east, north = grid.extent.grown(grid.step_m / 2)
    cell = max(east - west, north - south) / COVERAGE_CELLS
    cols, rows = max(2, round((east - west) / cell)), max(2, round((north - south) / cell))
    x = west + (np.arange(cols) + 0.5) * (east - west) / cols
    y = north - (np.arange(rows) + 0.5) * (north - south) / rows
    inside_x = np.clip(x, grid.extent.west_m, grid.extent.east_m)
    inside_y = np.clip(y, grid.extent.south_m, grid.extent.north_m)
    east_m, north_m = np.meshgrid(inside_x, inside_y)
    return chance_at(east_m.ravel(), north_m.ravel()).reshape(rows, cols)
