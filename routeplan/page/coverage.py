"""Where the stations can be worked, as a raster for the page's map: coarse enough to follow a dragged station."""

from __future__ import annotations

import base64
from dataclasses import replace
from typing import Any

import numpy as np

from routeplan.plan.area import Area
from routeplan.plan.ridefile import Ride, require
from routeplan.plan.setting import make_contacts, raise_off_the_raster

MARGIN_M = 1_500.0
CELLS = (16, 200)  # along the longer side
NO_DATA = 255


def coverage(area: Area, ride: Ride, cells: int, only: str | None = None) -> dict[str, Any]:
    """Chance of the contact rule in passing, over the roads of an area; `only`: of one station alone.

    Gives {"west_m", "north_m", "step_x_m", "step_y_m", "rows", "cols", "chance"}: west_m and north_m are the CENTRE of
    the first cell, `chance` is base64 of (rows, cols) uint8, 0 to 200 for 0 to 1, and 255 for no data and for the sea.
    """
    require(ride, "coverage")
    raise_off_the_raster(area, ride, {})
    cells = int(np.clip(cells, *CELLS))
    network = area.network
    west, south, east, north = area.elevation.extent
    west, east = max(west, network.point_x_m.min() - MARGIN_M), min(east, network.point_x_m.max() + MARGIN_M)
    south, north = max(south, network.point_y_m.min() - MARGIN_M), min(north, network.point_y_m.max() + MARGIN_M)
    step = max(east - west, north - south) / cells
    cols, rows = max(2, round((east - west) / step)), max(2, round((north - south) / step))
    x = west + (np.arange(cols) + 0.5) * (east - west) / cols
    y = north - (np.arange(rows) + 0.5) * (north - south) / rows
    across, down = (a.ravel() for a in np.meshgrid(x, y))
    if only is not None:
        ride = _only(ride, only)
    chance = make_contacts(area, ride, across, down).chance_in_passing(across, down)
    chance = np.where(area.zone.nearest(across, down) == 1, np.nan, chance)  # nobody rides on water
    coded = np.where(np.isnan(chance), NO_DATA, np.round(np.nan_to_num(chance) * 200)).astype(np.uint8)
    return {
        "west_m": float(x[0]),
        "north_m": float(y[0]),
        "step_x_m": float((east - west) / cols),
        "step_y_m": float((north - south) / rows),
        "rows": rows,
        "cols": cols,
        "chance": base64.b64encode(coded.tobytes()).decode(),
    }


def _only(ride: Ride, name: str) -> Ride:
    """The ride as if one station were all that is wanted."""
    keep = tuple(s for s in ride.stations if s.name == name)
    alone = tuple(replace(s, reaches=()) for s in keep)
    return replace(ride, stations=alone or ride.stations, contact=replace(ride.contact, rule="any"))
