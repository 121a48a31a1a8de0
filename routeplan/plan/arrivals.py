"""Arrival on a ride as a range: the ride file's own spreads, on the pieces that are ridden."""

from __future__ import annotations

import numpy as np

from routeplan.plan.ridefile import Ride
from routeplan.plan.weights import Pieces, RideWeights
from routeplan.ride.arrival import Arrival, Spread, arrival_times
from routeplan.ride.pacing import wind_at_rider_m_s

SPREAD_AT_MOST = 0.15  # of the time ridden; beyond it the slowest and quickest days that are tried are none
SPREAD_PIECES = 3000  # as many pieces tell a region's spread of pace as well as all do


def wind_at_rider(ride: Ride) -> float:
    """Wind [m/s] at the rider's height."""
    height = ride.wind.at_height_m
    return float(wind_at_rider_m_s(ride.wind.speed_m_s, measured_at_m=height)) if height > 1.2 else ride.wind.speed_m_s


def arrival_along(
    ride: Ride, pieces: Pieces, riding: RideWeights, way: np.ndarray, piece: np.ndarray, *, halt_s: float = 0.0
) -> Arrival:
    """Arrival at the end of each directed piece (n,), in the order ridden; `halt_s` of stops is certain.

    way : 0 along the street's own direction, 1 against it.
    """
    grade = pieces.grade[way, piece]
    ferry = riding.ferry[piece]
    certain_s = np.where(ferry, riding.time_s[way, piece], 0.0)
    if len(certain_s):
        certain_s[-1] += halt_s
    return arrival_times(
        np.where(ferry, 0.0, pieces.length_m[piece]),
        np.where(np.isfinite(grade), grade, 0.0),
        rolling_coefficient=riding.rolling_coefficient[piece],
        speed_cap_m_s=riding.speed_cap_m_s[piece],
        walk=riding.on_foot[piece],
        bearing_deg=pieces.heading_deg[way, piece],
        wind_m_s=wind_at_rider(ride),
        wind_from_deg=ride.wind.from_deg,
        air_density_kg_m3=riding.air_density_kg_m3,
        stop_s=riding.stop_s[way, piece],
        other_s=certain_s,
        rider=ride.pacing_rider,
        spread=Spread(power=ride.rider.power_spread),
    )


def pace_spread(ride: Ride, pieces: Pieces, riding: RideWeights) -> float:
    """Standard deviation of the time of passing as a share of the time ridden [-], for rides among these pieces.

    That of a ride out along an even sample of them and back again: what wind gives one way it takes the other, as on
    a loop, and one stop more or less does not matter.
    """
    some = np.arange(0, len(pieces.length_m), max(1, len(pieces.length_m) // SPREAD_PIECES))
    some = some[~riding.ferry[some]]
    if not len(some):
        return 0.0
    way = np.repeat([0, 1], len(some))
    arrival = arrival_along(ride, pieces, riding, way, np.concatenate([some, some[::-1]]))
    return min(float(arrival.sigma_s[-1] / arrival.time_s[-1]), SPREAD_AT_MOST)
