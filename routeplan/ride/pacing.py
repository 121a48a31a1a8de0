"""How a rider spends power: steady on the flat, more on climbs, coasting down, on foot where it is too steep.

`ride_pieces` turns pieces of road into time and effort. A piece is ridden at its own steady speed: the energy
of motion is not carried from piece to piece (a dip of 20 m is slower here than on the road), and what braking
and restarting cost is counted at junctions (`stop_cost`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.ride.power import GRAVITY_M_S2, power_w, speed_m_s
from routeplan.ride.surfaces import PUSHED_FROM


@dataclass(frozen=True)
class Rider:
    """Rider, bicycle and the way the two are ridden. The origin of each default is in docs/ride_model.md."""

    mass_kg: float = 80.0
    bicycle_mass_kg: float = 22.0  # with load: bicycle, bags, set, whip, water
    power_w: float = 110.0  # at the cranks, on the flat
    climb_power_w: float | None = None  # None: 1.35 times power_w
    drag_area_m2: float = 0.60
    wheel_drag_area_m2: float = 0.0044
    drivetrain: float = 0.95
    climb_from_grade: float = 0.02  # up to here steady power ...
    climb_full_grade: float = 0.05  # ... from here climbing power, in between in proportion
    coast_from_grade: float = -0.04  # from here down no power; between level and here in proportion ...
    coast_at_least_m_s: float = 5.0  # ... but the rider pedals, at steady power at most, to keep this speed
    walk_below_m_s: float = 1.1  # slower than this a bicycle is pushed
    walk_above_grade: float = 0.18
    walking_power_w: float = 50.0  # beside lifting work: about 250 W of metabolic power times 0.20
    walking_speed_factor: float = 0.8  # of Tobler's speed, with a bicycle to push
    steps_m_s: float = 1.2 / 3.6  # along steps, carrying
    bend_g: float = 0.25  # sideways acceleration in bends, in g

    def __post_init__(self) -> None:
        faults = [
            Fault(f"{name} is {value:g}, not above 0", "rider", "check its sign and unit")
            for name in (
                "mass_kg",
                "power_w",
                "drag_area_m2",
                "drivetrain",
                "walk_below_m_s",
                "walking_speed_factor",
                "steps_m_s",
                "bend_g",
            )
            if not (value := getattr(self, name)) > 0
        ]
        if self.climb_power_w is not None and self.climb_power_w < self.power_w:
            faults.append(Fault("climb_power_w is below power_w", "rider", "climb at least as hard as on the flat"))
        if not self.coast_from_grade < 0 <= self.climb_from_grade < self.climb_full_grade:
            faults.append(Fault("coast_from_grade < 0 <= climb_from_grade < climb_full_grade fails", "rider"))
        if faults:
            raise InputError(faults)

    @property
    def total_mass_kg(self) -> float:
        return self.mass_kg + self.bicycle_mass_kg

    @property
    def full_climb_power_w(self) -> float:
        return CLIMB_FACTOR * self.power_w if self.climb_power_w is None else self.climb_power_w


CLIMB_FACTOR = 1.35  # climbing power over steady power, where none is given (judgement)


class Pieces(NamedTuple):
    """What pieces of road cost in the direction given; arrays of the pieces' shape, NaN where unknown."""

    time_s: np.ndarray
    effort_j: np.ndarray  # crank work; on foot lifting work and walking power
    hard_s: np.ndarray  # above steady power, or on foot
    walking: np.ndarray  # bool
    speed_m_s: np.ndarray
    power_w: np.ndarray  # mean over the piece: effort / time


def ride_pieces(
    length_m: Any,
    grade: Any,
    *,
    rolling_coefficient: Any,
    speed_cap_m_s: Any = np.inf,
    walk: Any = False,
    headwind_m_s: Any = 0.0,
    air_density_kg_m3: Any = 1.2,
    rider: Rider,
) -> Pieces:
    """Time [s] and effort [J] of pieces of road ridden in one direction; broadcasts to (p,).

    length_m, grade        length along the road [m] and rise over run [-] in the direction of travel
    rolling_coefficient    Crr [-]
    speed_cap_m_s          kept below by braking: surface, bends, limits [m/s]
    walk                   0 or False: ridden; 1 or True: on foot (dismount); 2: steps, carried
    headwind_m_s           wind against the rider [m/s], see `headwind_m_s`

    Power: `pacing_power_w`, never less than 0; where the cap binds, only what holds the cap. On foot where
    `walk` says so, where the bicycle would be slower than `rider.walk_below_m_s`, steeper than
    `rider.walk_above_grade`, or Crr is 0.04 or more. A grade of NaN gives NaN.
    """
    length, slope, rolling, cap, on_foot, wind, density = np.broadcast_arrays(
        np.asarray(length_m, float),
        np.asarray(grade, float),
        np.asarray(rolling_coefficient, float),
        np.asarray(speed_cap_m_s, float),
        np.asarray(walk).astype(np.uint8),
        np.asarray(headwind_m_s, float),
        np.asarray(air_density_kg_m3, float),
    )
    road = {
        "grade": slope,
        "headwind_m_s": wind,
        "mass_kg": rider.total_mass_kg,
        "rolling_coefficient": rolling,
        "drag_area_m2": rider.drag_area_m2,
        "air_density_kg_m3": density,
        "wheel_drag_area_m2": rider.wheel_drag_area_m2,
        "drivetrain": rider.drivetrain,
    }
    target_w = pacing_power_w(
        rider=rider, **_without(road, "mass_kg", "drag_area_m2", "wheel_drag_area_m2", "drivetrain")
    )
    free_m_s = speed_m_s(target_w, **road)
    speed = np.minimum(free_m_s, cap)
    capped = cap < free_m_s
    spent_w = target_w
    if capped.any():
        spent_w = np.where(capped, np.clip(power_w(speed, **road), 0.0, target_w), target_w)
    walking = (
        (on_foot > 0) | (free_m_s < rider.walk_below_m_s) | (slope > rider.walk_above_grade) | (rolling >= PUSHED_FROM)
    ) & ~np.isnan(slope)
    if walking.any():
        foot_m_s = np.where(on_foot == 2, rider.steps_m_s, rider.walking_speed_factor * tobler_m_s(slope))
        lifting_w = rider.total_mass_kg * GRAVITY_M_S2 * foot_m_s * np.maximum(slope, 0) / np.hypot(1.0, slope)
        speed = np.where(walking, foot_m_s, speed)
        spent_w = np.where(walking, rider.walking_power_w + lifting_w, spent_w)
    time = length / speed
    hard = walking | (spent_w > rider.power_w * (1 + 1e-9))
    return Pieces(time, spent_w * time, np.where(hard, time, 0 * time), walking, speed, spent_w)


def pacing_power_w(
    *, grade: Any, headwind_m_s: Any, rolling_coefficient: Any, air_density_kg_m3: Any = 1.2, rider: Rider
) -> Any:
    """Crank power [W] the rider puts in at that grade and wind.

    Steady power up to `climb_from_grade`, climbing power from `climb_full_grade`, in proportion between.
    Downhill it falls in proportion to nothing at `coast_from_grade`; where wind or ground would stop the
    bicycle the rider pedals, at steady power at most, to keep `coast_at_least_m_s`. Judgement; NaN grade
    gives NaN.
    """
    slope = np.asarray(grade, float)
    climb = np.clip((slope - rider.climb_from_grade) / (rider.climb_full_grade - rider.climb_from_grade), 0, 1)
    uphill_w = rider.power_w + climb * (rider.full_climb_power_w - rider.power_w)
    held_w = power_w(
        rider.coast_at_least_m_s,
        grade=slope,
        headwind_m_s=headwind_m_s,
        mass_kg=rider.total_mass_kg,
        rolling_coefficient=rolling_coefficient,
        drag_area_m2=rider.drag_area_m2,
        air_density_kg_m3=air_density_kg_m3,
        wheel_drag_area_m2=rider.wheel_drag_area_m2,
        drivetrain=rider.drivetrain,
    )
    easing_w = rider.power_w * np.clip(1 - slope / rider.coast_from_grade, 0, 1)
    return np.where(slope < 0, np.maximum(easing_w, np.clip(held_w, 0, rider.power_w)), uphill_w)


def _without(terms: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in terms.items() if name not in names}


def tobler_m_s(grade: Any) -> Any:
    """Walking speed [m/s] without load: 6 exp(-3.5 |G + 0.05|) km/h. Tobler 1993, NCGIA report 93-1."""
    return 6 / 3.6 * np.exp(-3.5 * np.abs(np.add(grade, 0.05)))


def headwind_m_s(bearing_deg: Any, *, wind_m_s: Any, from_deg: Any) -> Any:
    """Wind against a rider who goes towards `bearing_deg` [m/s]; negative from behind.

    Vw cos(Dw - Db), Martin et al. 1998; `from_deg` is where the wind comes from.
    """
    return np.multiply(wind_m_s, np.cos(np.radians(np.subtract(from_deg, bearing_deg))))


def wind_at_rider_m_s(
    wind_m_s: Any, *, measured_at_m: float, rider_at_m: float = 1.2, roughness_m: float = 0.05
) -> Any:
    """Wind [m/s] at the rider's height from one measured higher up, logarithmic profile over open farmland.

    ln(z / z0) law; forecasts give 10 m. Roughness 0.05 m: open country with low hedges (common practice).
    """
    return np.multiply(wind_m_s, np.log(rider_at_m / roughness_m) / np.log(measured_at_m / roughness_m))


# Bends


def bend_speed_m_s(radius_m: Any, *, bend_g: float = 0.25) -> Any:
    """Speed [m/s] in a bend of that radius: v = sqrt(a r).

    Riders measured use 0.18 to 0.61 g (85th percentile, FHWA-HRT-04-103, table 19); 0.25 g is judgement.
    """
    return np.sqrt(bend_g * GRAVITY_M_S2 * np.asarray(radius_m, float))


def lean_deg(radius_m: Any, speed_m_s: Any) -> Any:
    """Angle from upright [deg] in a bend: atan(v^2 / (g r))."""
    return np.degrees(np.arctan(np.square(speed_m_s) / (GRAVITY_M_S2 * np.asarray(radius_m, float))))


def bend_radius_m(x_m: Any, y_m: Any) -> np.ndarray:
    """Radius [m] of the bend at each point of a line, shape (n,), inf at its ends and where it is straight.

    The arc that touches both neighbouring pieces within half the shorter one: r = (d / 2) / tan(turn / 2). A
    digitised bend is a polygon about its arc, so this is right on average; a sharp corner of a long straight
    becomes a wide one, which errs to the fast side.
    """
    x, y = np.asarray(x_m, float), np.asarray(y_m, float)
    radius = np.full(len(x), np.inf)
    if len(x) < 3:
        return radius
    dx, dy = np.diff(x), np.diff(y)
    length = np.hypot(dx, dy)
    turn = np.abs(np.arctan2(dx[:-1] * dy[1:] - dy[:-1] * dx[1:], dx[:-1] * dx[1:] + dy[:-1] * dy[1:]))
    half = np.minimum(length[:-1], length[1:]) / 2
    bent = (turn > 1e-6) & (half > 0)
    radius[1:-1][bent] = half[bent] / np.tan(turn[bent] / 2)
    return radius


def stopping_distance_m(speed_m_s: Any, *, grade: Any = 0.0, reaction_s: float = 1.5, braking_g: float = 0.35) -> Any:
    """Distance [m] to a stop: v t + v^2 / (2 g (mu cos + sin)); inf where brakes do not hold.

    AASHTO 1999 (guide for bicycle facilities): 2.5 s, and mu 0.25, half that in the wet.
    """
    slope = np.asarray(grade, float)
    hold = (braking_g + slope) / np.hypot(1.0, slope)
    with np.errstate(divide="ignore"):
        braking = np.square(speed_m_s) / (2 * GRAVITY_M_S2 * np.where(hold > 0, hold, 0.0))
    return np.multiply(speed_m_s, reaction_s) + braking


# Stops


class Stop(NamedTuple):
    """What a place on the road does to a ride, on average (judgement)."""

    share: float  # of passages at which one has to stop or start anew
    wait_s: float  # standing, when stopped


STOPS: dict[str, Stop] = {
    "signal": Stop(0.5, 25.0),
    "crossing": Stop(0.10, 5.0),
    "stop_or_give_way": Stop(0.5, 4.0),
    "barrier": Stop(1.0, 8.0),
    "level_crossing": Stop(0.10, 60.0),
    "traffic_calming": Stop(0.1, 0.0),
    "mini_roundabout": Stop(0.3, 3.0),
}
BRAKING_M_S2 = 1.5  # ordinary braking (judgement)
STARTING_M_S2 = 0.45  # 100 kg brought to 5.5 m/s at about 110 W takes some 12 s (judgement)


def stop_cost(kind: str, speed_m_s: Any, *, rider: Rider) -> tuple[Any, Any]:
    """Expected seconds lost and crank work [J] of passing one place of that kind at `speed_m_s`; broadcasts.

    Standing, and v / 2a lost each for slowing down and for gathering speed; the work is that of the new
    start, 0.5 m v^2 / Ec, for Martin et al. leave restarts out.
    """
    stop = STOPS.get(kind)
    if stop is None:
        raise InputError(f"no stop is called {kind!r}", "stop", f"one of {', '.join(STOPS)}")
    speed = np.asarray(speed_m_s, float)
    seconds = stop.share * (stop.wait_s + speed / 2 * (1 / BRAKING_M_S2 + 1 / STARTING_M_S2))
    return seconds, stop.share * 0.5 * rider.total_mass_kg * speed**2 / rider.drivetrain
