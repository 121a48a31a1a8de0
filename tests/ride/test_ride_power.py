"""Power and speed on the road, against the paper's worked example and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routeplan.errors import InputError
from routeplan.ride import power, power_w, speed_m_s

# Martin et al. 1998, worked example: 471.8 m in 56.42 s, wind 2.94 m/s from 310 deg, road towards 340 deg.
Vg = 471.8 / 56.42
Va = Vg + 2.94 * np.cos(np.radians(310 - 340))
PAPER = {"mass_kg": 90.0, "gravity_m_s2": 9.81}

# Bicycle T: 100 kg, Crr 0.006, CdA 0.60 m2, air 1.2 kg/m3, Fw 0.0044 m2, Ec 0.97698.
T = {"mass_kg": 100.0, "rolling_coefficient": 0.006, "drag_area_m2": 0.60}


def test_published_air_speed():
    assert (Vg, Va) == (pytest.approx(8.3623, abs=5e-5), pytest.approx(10.9084, abs=5e-5))


def test_published_aero():  # M1; the paper prints 158.8 W
    value = power.aero_w(Vg, Va, drag_area_m2=0.2565, air_density_kg_m3=1.2234, wheel_drag_area_m2=0.0044)
    assert value == pytest.approx(158.803, rel=0.005)


def test_published_rolling():  # M2; the paper prints 23.6 W
    assert power.rolling_w(Vg, 0.003, rolling_coefficient=0.0032, **PAPER) == pytest.approx(23.6257, rel=0.005)


def test_published_bearings():  # M3; the paper prints 1.37 W
    assert power.bearing_w(Vg) == pytest.approx(1.36934, rel=0.005)


def test_published_potential():  # M4; the paper prints 22.1 W
    assert power.climbing_w(Vg, 0.003, **PAPER) == pytest.approx(22.1491, rel=0.005)


def test_published_kinetic():  # M5; the paper prints 2.3 W
    assert power.kinetic_w(8.28, 8.45, 56.42, mass_kg=90.0) == pytest.approx(2.30491, rel=0.01)


def test_published_total():  # M6; the paper prints 213.3 W
    steady = power_w(
        Vg,
        grade=0.003,
        headwind_m_s=Va - Vg,
        mass_kg=90,
        rolling_coefficient=0.0032,
        drag_area_m2=0.2565,
        air_density_kg_m3=1.2234,
    )
    assert steady + power.kinetic_w(8.28, 8.45, 56.42, mass_kg=90.0) / 0.97698 == pytest.approx(213.159, rel=0.005)


# C1-C5: the model's own formula, computed by hand with two independent solvers (agree to 1e-6).
@pytest.mark.parametrize(
    "speed, grade, headwind, expected",
    [
        (5.0, 0.0, 0.0, 77.1996),
        (7.0, 0.0, 0.0, 170.563),
        (3.0, 0.05, 0.0, 178.805),
        (5.0, 0.0, 4.0, 181.131),
        (5.0, 0.0, -4.0, 32.6574),
        (0.8333, 0.15, 0.0, 129.345),  # C26: holding 3 km/h at 15 %
    ],
)
def test_published_power(speed, grade, headwind, expected):
    assert power_w(speed, grade=grade, headwind_m_s=headwind, **T) == pytest.approx(expected, rel=1e-3)


# C6-C15: cubic (no wind) and bisection (wind) on the same formula.
@pytest.mark.parametrize(
    "watts, grade, headwind, rolling, expected, rel",
    [
        (100, 0.0, 0.0, 0.006, 5.60696, 5e-4),
        (150, 0.0, 0.0, 0.006, 6.646, 5e-4),
        (100, 0.05, 0.0, 0.006, 1.74285, 5e-4),
        (150, 0.10, 0.0, 0.006, 1.40567, 5e-4),
        (100, -0.02, 0.0, 0.006, 8.3472, 5e-4),
        (0, -0.05, 0.0, 0.006, 10.8778, 1e-3),
        (100, 0.0, 4.0, 0.006, 3.61426, 1e-3),
        (100, 0.0, -4.0, 0.006, 8.08211, 1e-3),
        (100, 0.0, 0.0, 0.012, 4.81266, 5e-4),
        (100, 0.0, 0.0, 0.03, 2.98207, 5e-4),
    ],
)
def test_published_speed(watts, grade, headwind, rolling, expected, rel):
    bicycle = {**T, "rolling_coefficient": rolling}
    assert speed_m_s(watts, grade=grade, headwind_m_s=headwind, **bicycle) == pytest.approx(expected, rel=rel)


def test_published_energy_of_a_climb():  # C16: 100 m up at 2 m/s on 8 %
    path_m = 100 * np.hypot(1, 0.08) / 0.08
    assert path_m == pytest.approx(1253.994, abs=5e-4)
    assert power_w(2.0, grade=0.08, **T) * path_m / 2.0 / 1000 == pytest.approx(109.906, rel=2e-3)


def test_property_speed_uses_that_power_everywhere():
    rng = np.random.default_rng(7)
    n = 20_000
    watts = rng.choice([0.0, 1e-6, 20, 110, 150, 400], n)
    grade = rng.uniform(-0.3, 0.3, n)
    wind = rng.uniform(-20, 20, n)
    speed = speed_m_s(watts, grade=grade, headwind_m_s=wind, **T)
    assert np.isfinite(speed).all() and (speed >= 0).all()
    used = power_w(speed, grade=grade, headwind_m_s=wind, **T)
    assert np.abs(used - watts).max() < 1e-6
    above = power_w(speed * (1 + 1e-6) + 1e-6, grade=grade, headwind_m_s=wind, **T)
    assert (above > used).all()  # the largest root: more speed takes more power


def test_property_largest_root_against_dense_search():
    speeds = np.linspace(0, 40, 400_001)
    for watts, grade, wind in [
        (0, -0.06, 0),
        (100, 0.0, -12),
        (60, 0.03, -15),
        (10, -0.01, 9),
        (-40, -0.05, 0),
    ]:
        used = power_w(speeds, grade=grade, headwind_m_s=wind, **T)
        crossing = speeds[1:][(used[:-1] < watts) & (used[1:] >= watts)]
        assert speed_m_s(watts, grade=grade, headwind_m_s=wind, **T) == pytest.approx(crossing[-1], abs=2e-4)


def test_property_braking_harder_than_the_hill_has_no_speed():
    assert np.isnan(speed_m_s(-1.0, grade=0.02, **T))


@settings(max_examples=100)
@given(st.floats(0.5, 20), st.floats(-0.2, 0.3), st.floats(-15, 15))
def test_property_power_rises_with_everything_that_resists(speed, grade, wind):
    def used(*, speed=speed, grade=grade, wind=wind, **changes):
        return power_w(speed, grade=grade, headwind_m_s=wind, **{**T, **changes})

    assert used(grade=grade + 0.01) > used()
    assert used(rolling_coefficient=0.01) > used()
    assert used(wind=wind + 0.5) > used()
    if speed + wind > 0:
        assert used(drag_area_m2=0.7) >= used()


@settings(max_examples=100)
@given(st.floats(0.5, 15), st.floats(0.0, 0.2), st.floats(0, 12))
def test_property_speed_of_power_is_speed(speed, grade, wind):
    watts = power_w(speed, grade=grade, headwind_m_s=wind, **T)
    assert speed_m_s(watts, grade=grade, headwind_m_s=wind, **T) == pytest.approx(speed, rel=1e-9)


def test_property_tailwind_faster_than_the_rider_pushes():
    assert power.aero_w(3.0, 3.0 - 5.0, drag_area_m2=0.6, air_density_kg_m3=1.2, wheel_drag_area_m2=0.0044) < 0


def test_property_shapes_and_missing_values():
    assert np.ndim(speed_m_s(100, **T)) == 0
    grid = speed_m_s(np.array([[100.0], [150.0]]), grade=np.array([0.0, np.nan, 0.05]), **T)
    assert grid.shape == (2, 3)
    assert np.isnan(grid[:, 1]).all() and np.isfinite(grid[:, [0, 2]]).all()
    assert speed_m_s([], **T).shape == (0,)


@pytest.mark.parametrize(
    "wrong", [{"mass_kg": 0}, {"drag_area_m2": -0.1}, {"drivetrain": 97.7}, {"air_density_kg_m3": 0}]
)
def test_property_impossible_bicycles_are_refused(wrong):
    with pytest.raises(InputError, match=next(iter(wrong))):
        power_w(5.0, **{**T, **wrong})
