"""Crank power and speed of a bicycle on a road, with wind.

Symbols and terms as in
    Martin, Milliken, Cobb, McFadden and Coggan, "Validation of a Mathematical Model for Road Cycling Power",
    J. Appl. Biomech. 14 (1998) 276-291. Published fit: R^2 = 0.97, standard error 2.7 W.

    P = (P_AT + P_RR + P_WB + P_PE + P_KE) / Ec

Speeds are along the road, grades are rise over run (0.05 is 5 %), a headwind is positive. Everything
broadcasts; scalars give numpy scalars. NaN in gives NaN out.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from routeplan.errors import InputError

GRAVITY_M_S2 = 9.80665  # standard gravity, ISO 80000-3
BEARING_N = 0.091  # Martin et al.: 91e-3 W per m/s
BEARING_N_PER_M_S = 0.0087  # Martin et al.: 8.7e-3 W per (m/s)^2
WHEEL_INERTIA_KG_M2 = 0.14  # Martin et al.: both wheels
WHEEL_RADIUS_M = 0.311  # Martin et al.


_BLOCK = 8192  # speeds solved together: their arrays stay in the processor's cache


def aero_w(speed_m_s: Any, air_speed_m_s: Any, *, drag_area_m2: Any, air_density_kg_m3: Any, wheel_drag_area_m2: Any):
    """P_AT [W]: drag of air that comes at `air_speed_m_s`; a tailwind faster than the rider pushes."""
    air = np.asarray(air_speed_m_s, float)
    area = np.add(drag_area_m2, wheel_drag_area_m2)
    return 0.5 * np.asarray(air_density_kg_m3) * area * air * np.abs(air) * speed_m_s


def rolling_w(
    speed_m_s: Any, grade: Any, *, mass_kg: Any, rolling_coefficient: Any, gravity_m_s2: float = GRAVITY_M_S2
):
    """P_RR [W]: rolling resistance."""
    cosine = 1 / np.hypot(1.0, grade)
    return np.asarray(speed_m_s) * cosine * rolling_coefficient * mass_kg * gravity_m_s2


def bearing_w(speed_m_s: Any):
    """P_WB [W]: friction of the wheel bearings."""
    speed = np.asarray(speed_m_s, float)
    return speed * (BEARING_N + BEARING_N_PER_M_S * speed)


def climbing_w(speed_m_s: Any, grade: Any, *, mass_kg: Any, gravity_m_s2: float = GRAVITY_M_S2):
    """P_PE [W]: potential energy; negative downhill."""
    sine = np.asarray(grade) / np.hypot(1.0, grade)
    return np.asarray(speed_m_s) * mass_kg * gravity_m_s2 * sine


def kinetic_w(
    begin_m_s: Any,
    end_m_s: Any,
    seconds: Any,
    *,
    mass_kg: Any,
    wheel_inertia_kg_m2: float = WHEEL_INERTIA_KG_M2,
    wheel_radius_m: float = WHEEL_RADIUS_M,
):
    """P_KE [W]: power that changes the speed from `begin_m_s` to `end_m_s` in so many seconds."""
    inertia = np.asarray(mass_kg) + wheel_inertia_kg_m2 / wheel_radius_m**2
    return 0.5 * inertia * (np.square(end_m_s) - np.square(begin_m_s)) / seconds


def power_w(
    speed_m_s: Any,
    *,
    grade: Any = 0.0,
    headwind_m_s: Any = 0.0,
    mass_kg: Any,
    rolling_coefficient: Any,
    drag_area_m2: Any,
    air_density_kg_m3: Any = 1.2,
    wheel_drag_area_m2: Any = 0.0044,
    drivetrain: Any = 0.97698,
) -> Any:
    """Crank power [W] that holds a steady speed; negative where the bicycle has to be braked.

    speed_m_s            speed along the road [m/s]
    grade                rise over run [-]
    headwind_m_s         component of the wind against the rider [m/s]; negative: tailwind
    mass_kg              rider, bicycle and load [kg]
    rolling_coefficient  Crr [-]
    drag_area_m2         CdA of rider, bicycle and load [m2]
    air_density_kg_m3    rho [kg/m3]
    wheel_drag_area_m2   Fw, drag of the spokes' rotation as an area [m2]
    drivetrain           Ec, share of crank power that reaches the wheel [-]

    Steady state: no change of speed (see `kinetic_w`), no braking. Raises InputError for a mass, drag,
    density or drivetrain that no bicycle has. Source: Martin et al. 1998.
    """
    _check(mass_kg, rolling_coefficient, drag_area_m2, air_density_kg_m3, wheel_drag_area_m2, drivetrain)
    speed = np.asarray(speed_m_s, float)
    wheel = (
        aero_w(
            speed,
            np.add(speed, headwind_m_s),
            drag_area_m2=drag_area_m2,
            air_density_kg_m3=air_density_kg_m3,
            wheel_drag_area_m2=wheel_drag_area_m2,
        )
        + rolling_w(speed, grade, mass_kg=mass_kg, rolling_coefficient=rolling_coefficient)
        + bearing_w(speed)
        + climbing_w(speed, grade, mass_kg=mass_kg)
    )
    return wheel / drivetrain


def speed_m_s(
    power_w: Any,
    *,
    grade: Any = 0.0,
    headwind_m_s: Any = 0.0,
    mass_kg: Any,
    rolling_coefficient: Any,
    drag_area_m2: Any,
    air_density_kg_m3: Any = 1.2,
    wheel_drag_area_m2: Any = 0.0044,
    drivetrain: Any = 0.97698,
) -> Any:
    """Steady speed [m/s], 0 or more, at which that crank power is used; parameters as in `power_w`.

    The largest speed where there are several. Power 0 gives the coasting speed (0 where the road does not
    fall enough). Below 0, brakes held at that power, NaN where no speed uses up so little.

    With u = v + w, the power at the wheel is v q(v), q(v) = A u |u| + B v + C, and q rises with v. So q has
    one root v0, had in closed form (the coasting speed, where it is positive), and v q(v) = P Ec > 0 has one
    root above max(v0, 0): Newton's method inside a bracket. P < 0 is rare (no rider brakes at a steady power)
    and is left to the roots of the two cubics.
    """
    _check(mass_kg, rolling_coefficient, drag_area_m2, air_density_kg_m3, wheel_drag_area_m2, drivetrain)
    slope = np.asarray(grade, float)
    cosine = 1 / np.hypot(1.0, slope)
    a = 0.5 * np.asarray(air_density_kg_m3) * np.add(drag_area_m2, wheel_drag_area_m2)
    c = np.multiply(mass_kg, GRAVITY_M_S2) * cosine * (rolling_coefficient + slope) + BEARING_N
    wheel_w = np.multiply(power_w, drivetrain)
    shape = np.broadcast_shapes(a.shape, c.shape, wheel_w.shape, np.shape(headwind_m_s))
    a, c, w, e = (np.broadcast_to(np.asarray(term, float), shape).ravel() for term in (a, c, headwind_m_s, wheel_w))
    speed = np.empty(a.shape)
    for begin in range(0, len(speed), _BLOCK):
        block = slice(begin, begin + _BLOCK)
        speed[block] = _largest_root(a[block], c[block], w[block], e[block])
    for index in np.flatnonzero(e < 0):
        speed[index] = _root_of_cubics(a[index], c[index], w[index], e[index])
    return speed.reshape(shape)[()]


def _largest_root(a: np.ndarray, c: np.ndarray, w: np.ndarray, e: np.ndarray) -> np.ndarray:
    """Largest v >= 0 with v (A (v + w) |v + w| + B v + C) = e, for e >= 0; arrays (n,)."""
    b = BEARING_N_PER_M_S
    d = c - b * w
    u0 = -2 * d / (b + np.sqrt(b * b + 4 * a * np.abs(d)))  # q = A u |u| + B u + D = 0
    low = np.maximum(u0 - w, 0.0)
    # Any one term of q bounds the root from above: v q >= A (v - from)^3, >= B (v - from)^2.
    start = np.maximum(low, -w)
    with np.errstate(divide="ignore", invalid="ignore"):
        high = start + np.minimum(np.cbrt(e / a), np.sqrt(e / b))
        still = np.where(low == 0, a * w * np.abs(w) + c, 0.0)  # q(0), where the bracket begins at rest
        high = np.where(still > 0, np.minimum(high, e / still), high)
        v = high.copy()
        for _ in range(100):
            u = v + w
            q = a * u * np.abs(u) + b * v + c
            f = v * q - e
            low = np.where(f < 0, v, low)
            high = np.where(f > 0, v, high)
            step = v - f / (q + v * (2 * a * np.abs(u) + b))
            inside = (step >= low) & (step <= high)
            step = np.where(inside, step, 0.5 * (low + high))
            done = ~(np.abs(step - v) > 1e-13 * (1 + v))  # NaN is done
            v = np.where(np.isnan(f), np.nan, step)
            if done.all():
                break
    return v


def _root_of_cubics(a: float, c: float, w: float, e: float) -> float:
    """Largest v >= 0 of the same equation for any e, NaN where there is none: air from ahead or behind."""
    b = BEARING_N_PER_M_S
    ahead = [a, 2 * a * w + b, a * w * w + c, -e]
    behind = [-a, b - 2 * a * w, c - a * w * w, -e]
    found = [
        root.real
        for cubic, sign in ((ahead, 1.0), (behind, -1.0))
        for root in np.roots(cubic)
        if abs(root.imag) < 1e-6 * (1 + abs(root)) and root.real >= 0 and sign * (root.real + w) >= -1e-9
    ]
    return max(found, default=float("nan"))


def _check(mass: Any, rolling: Any, drag: Any, density: Any, wheel_drag: Any, drivetrain: Any) -> None:
    for value, name, low_open, high in (
        (mass, "mass_kg", 0.0, np.inf),
        (density, "air_density_kg_m3", 0.0, np.inf),
        (drivetrain, "drivetrain", 0.0, 1.0),
    ):
        if np.any(np.less_equal(value, low_open)) or np.any(np.greater(value, high)):
            limit = f"above {low_open:g}" + (f" and at most {high:g}" if np.isfinite(high) else "")
            raise InputError(f"{name} must be {limit}", name, "check its unit")
    for value, name in (
        (rolling, "rolling_coefficient"),
        (drag, "drag_area_m2"),
        (wheel_drag, "wheel_drag_area_m2"),
    ):
        if np.any(np.less(value, 0)):
            raise InputError(f"{name} must not be negative", name, "check its sign")
    if np.any(np.equal(np.add(drag, wheel_drag), 0)):
        raise InputError("a rider without drag has no steady speed", "drag_area_m2", "0.3 to 0.8 m2 is usual")
