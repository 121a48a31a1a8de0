"""Arrival times as a range: what is not known about the day, carried through to every point of a route.

Each unknown (the rider's power that day, rolling, drag, wind, walking, stops) is moved up and down by its
spread and the whole route ridden again. From the three times at each point follow mean, spread and skew of
the arrival there, and from these the 10th and 90th percentile by the first terms of the Cornish-Fisher
expansion (Abramowitz and Stegun 26.2.49). No random numbers: the same ride gives the same range.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from routeplan.ride.pacing import Pieces, Rider, headwind_m_s, ride_pieces

_Z90 = 1.2815515655446004  # 90th percentile of the normal distribution


@dataclass(frozen=True)
class Spread:
    """Standard deviations of what one does not know before the ride (judgement, but for the notes)."""

    power: float = 0.10  # of itself: form of the day; Millet et al. 2014 found 6-10 % random error uphill
    rolling: float = 0.25  # of itself: tyres, tubes, weather on the surface
    drag: float = 0.10  # of itself: clothes, posture, bags
    wind_m_s: float = 1.2  # each of the two components, at the rider's height
    walking: float = 0.10  # of itself
    stops: float = 1.0  # of each stop's own seconds, one stop independent of the next
    all_stops: float = 0.3  # of the seconds of all stops together: traffic of the day


class Arrival(NamedTuple):
    """Seconds after departure at the end of each piece, arrays (p,)."""

    early_s: np.ndarray  # 10th percentile
    time_s: np.ndarray  # the timetable's own figure
    late_s: np.ndarray  # 90th percentile
    sigma_s: np.ndarray


def arrival_times(
    length_m: Any,
    grade: Any,
    *,
    rolling_coefficient: Any,
    speed_cap_m_s: Any = np.inf,
    walk: Any = False,
    bearing_deg: Any = 0.0,
    wind_m_s: float = 0.0,
    wind_from_deg: float = 0.0,
    air_density_kg_m3: Any = 1.2,
    stop_s: Any = 0.0,
    other_s: Any = 0.0,
    rider: Rider,
    spread: Spread = Spread(),
) -> Arrival:
    """10th and 90th percentile of the arrival at the end of each piece of a route, in riding order.

    stop_s      expected seconds lost at stops at the end of each piece
    other_s     seconds that are certain: a ferry's passage, a halt of stated length
    Other arguments as in `ride_pieces`. A piece without data (NaN) makes every later time NaN.
    """
    stops = np.broadcast_to(np.asarray(stop_s, float), np.shape(length_m))
    other = np.broadcast_to(np.asarray(other_s, float), np.shape(length_m))
    to = np.radians(np.asarray(bearing_deg, float))
    still = headwind_m_s(bearing_deg, wind_m_s=wind_m_s, from_deg=wind_from_deg)

    def ridden(*, wind: Any = 0.0, rolling: float = 1.0, **changed: float) -> np.ndarray:
        pieces: Pieces = ride_pieces(
            length_m,
            grade,
            rolling_coefficient=np.multiply(rolling_coefficient, rolling),
            speed_cap_m_s=speed_cap_m_s,
            walk=np.where(walking, np.maximum(walk, 1), walk) if rolling != 1 else walk,
            headwind_m_s=still + wind,
            air_density_kg_m3=air_density_kg_m3,
            rider=replace(rider, **changed),
        )
        return pieces.time_s

    walking = np.greater_equal(rolling_coefficient, 0.04)
    time = ridden()

    def power(step: float) -> np.ndarray:
        return ridden(
            power_w=rider.power_w * (1 + step * spread.power),
            climb_power_w=rider.full_climb_power_w * (1 + step * spread.power),
        )

    unknowns = [
        power,
        lambda step: ridden(rolling=1 + step * spread.rolling),
        lambda step: ridden(drag_area_m2=rider.drag_area_m2 * (1 + step * spread.drag)),
        lambda step: ridden(wind=step * spread.wind_m_s * np.sin(to)),
        lambda step: ridden(wind=step * spread.wind_m_s * np.cos(to)),
        lambda step: ridden(walking_speed_factor=rider.walking_speed_factor * (1 + step * spread.walking)),
    ]
    middle = np.cumsum(time + stops + other)
    mean, variance, third = np.zeros_like(middle), np.zeros_like(middle), np.zeros_like(middle)
    for unknown in unknowns:
        up, down = np.cumsum(unknown(_Z90) - time), np.cumsum(unknown(-_Z90) - time)
        slope, curve = (up - down) / (2 * _Z90), (up + down) / (2 * _Z90**2)  # T = T0 + a x + b x^2, x normal
        mean += curve
        variance += slope**2 + 2 * curve**2
        third += 6 * slope**2 * curve + 8 * curve**3
    each = spread.stops**2 * np.cumsum(stops**2)
    variance += each + (spread.all_stops * np.cumsum(stops)) ** 2
    third += 2 * spread.stops**3 * np.cumsum(stops**3)  # exponential waits
    sigma = np.sqrt(variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        skew = np.where(sigma > 0, third / sigma**3, 0.0)
    bend = np.clip(skew, -1.5, 1.5) / 6 * (_Z90**2 - 1)
    early = middle + mean + sigma * (bend - _Z90)
    late = middle + mean + sigma * (bend + _Z90)
    return Arrival(np.minimum(early, middle), middle, np.maximum(late, middle), sigma)
