"""Stations and nets on bands whose paths terrain does not tell: 10 m, 40 m, 80 m.

They never enter the contact share, and the plan never calls them dead: 10 m is given as an upper limit by ground wave
over smooth earth, 40 m and 80 m as not predicted.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from routeplan.errors import InputError
from routeplan.geo import bearing_deg
from routeplan.plan.ridefile import Net, Ride
from routeplan.plan.words import hours, km
from routeplan.radio import ground_wave
from routeplan.radio.bands import band_of
from routeplan.radio.link import RiderSet, Station, margins_db
from routeplan.radio.quality import Mode

PLACES = 200  # of a ride at which the ground wave is reckoned


def by_terrain(frequency_mhz: float) -> bool:
    """Whether links on this frequency are predicted from the ground between the ends."""
    return band_of(frequency_mhz).predicted == "terrain"


def counting_nets(ride: Ride) -> tuple[Net, ...]:
    """Nets whose windows count for the contact share: those on bands that are predicted by terrain."""
    return tuple(net for net in ride.nets if net.begins is not None and by_terrain(net.frequency_mhz))


def net_lines(ride: Ride) -> Iterable[str]:
    """What to know of each net that does not count."""
    for net in ride.nets:
        if not by_terrain(net.frequency_mhz):
            yield f"net {net.name!r} {_on(net.frequency_mhz)}; its window does not count for the contact share"


def station_line(name: str, frequency_mhz: float) -> str:
    """What to know of a station on such a band."""
    return f"{name} {_on(frequency_mhz)}; left out of the contact share"


def _on(frequency_mhz: float) -> str:
    how = ground_wave.how_predicted(frequency_mhz)
    told = "by ground wave only" if how == ground_wave.UPPER_LIMIT else how
    return f"on {band_of(frequency_mhz).name}: {told}"


def ground_wave_line(
    name: str,
    *,
    frequency_mhz: float,
    station: Station,
    rider: RiderSet,
    mode: Mode,
    station_xy_m: tuple[float, float],
    x_m: Any,
    y_m: Any,
    time_s: Any,
    n0: float = 325.0,
) -> str:
    """What ground wave over smooth earth gives on 10 m along a ride (n,), as an upper limit.

    Without the optional library, or for antennas that it does not hold for, the line says so instead.
    """
    begins = station_line(name, frequency_mhz)
    row = np.unique(np.linspace(0, len(time_s) - 1, PLACES).astype(int))
    x, y = np.asarray(x_m)[row], np.asarray(y_m)[row]
    away_m = np.hypot(x - station_xy_m[0], y - station_xy_m[1])
    try:
        loss = ground_wave.ground_wave_loss_db(
            np.maximum(away_m, 100.0), frequency_mhz=frequency_mhz, tx_height_m=station.antenna_height_m,
            rx_height_m=rider.antenna_height_m, n0=float(np.clip(n0, 250.0, 400.0)),
        )  # fmt: skip
    except InputError as error:
        return f"{begins}. {error.faults[0].what}: {error.faults[0].mend}"
    heading = bearing_deg(x[:-1], y[:-1], x[1:], y[1:])
    off = np.abs((bearing_deg(x, y, *station_xy_m) - np.append(heading, heading[-1]) + 180.0) % 360.0 - 180.0)
    both = margins_db(
        loss, station=station, rider=rider, frequency_mhz=frequency_mhz, mode=mode, off_heading_deg=off
    )  # fmt: skip
    good = np.minimum(both.to_db, both.from_db) >= 0
    step_s = np.diff(np.asarray(time_s)[row], append=time_s[-1])
    if not good.any():
        return f"{begins}. {_limit()}: too far off, {km(away_m.min())} at the nearest; the sky wave is not reckoned"
    return f"{begins}. {_limit()}: at most {hours(step_s[good].sum())}, up to {km(away_m[good].max())} away"


def _limit() -> str:
    return ground_wave.UPPER_LIMIT[:1].upper() + ground_wave.UPPER_LIMIT[1:]
