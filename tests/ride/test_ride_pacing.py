"""Pacing, walking, bends, stops, and time and effort of pieces of road."""

from __future__ import annotations

import time

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.ride.pacing import (
    STOPS,
    Rider,
    bend_radius_m,
    bend_speed_m_s,
    headwind_m_s,
    lean_deg,
    pacing_power_w,
    ride_pieces,
    stop_cost,
    stopping_distance_m,
    tobler_m_s,
    wind_at_rider_m_s,
)
from routeplan.ride.power import GRAVITY_M_S2, power_w, speed_m_s
from routeplan.ride.surfaces import SURFACES, rolling_coefficients, speed_caps_m_s

RIDER = Rider()


def pieces(length_m=100.0, grade=0.0, *, rolling_coefficient=0.006, rider=RIDER, **road):
    return ride_pieces(length_m, grade, rolling_coefficient=rolling_coefficient, rider=rider, **road)


def test_published_bend():  # C23, C24: v = sqrt(a r), lean atan(a / g)
    assert bend_speed_m_s(20.0) == pytest.approx(7.00237, rel=1e-3)
    assert lean_deg(20.0, 7.00237) == pytest.approx(14.0362, rel=1e-3)


def test_published_stopping_distance():  # C25: 40 km/h, 1.5 s, 0.35 g, 8 % down
    assert stopping_distance_m(11.111, grade=-0.08) == pytest.approx(40.0536, rel=2e-3)


def test_published_stopping_distance_of_the_guide():
    # AASHTO 1999: S = V^2 / (254 (f + G)) + V / 1.4 with V in km/h, f 0.25: a reaction of 2.6 s.
    speed_km_h = 30.0
    guide_m = speed_km_h**2 / (254 * 0.25) + speed_km_h / 1.4
    ours_m = stopping_distance_m(speed_km_h / 3.6, reaction_s=3.6 / 1.4, braking_g=0.25)
    assert ours_m == pytest.approx(guide_m, rel=1e-3)


def test_published_walking():  # C27: Tobler 1993 at +15 %
    assert 3.6 * tobler_m_s(0.15) == pytest.approx(2.97951, rel=1e-3)


def test_published_tobler_is_fastest_slightly_downhill():
    assert 3.6 * tobler_m_s(-0.05) == pytest.approx(6.0)


def test_property_brakes_that_do_not_hold():
    assert stopping_distance_m(5.0, grade=-0.4) == np.inf


def test_property_effort_is_the_closed_formula_on_the_flat():
    ridden = pieces(1000.0)
    speed = speed_m_s(110, mass_kg=102, rolling_coefficient=0.006, drag_area_m2=0.6, drivetrain=0.95)
    assert ridden.speed_m_s == pytest.approx(speed)
    assert ridden.time_s == pytest.approx(1000 / speed)
    assert ridden.effort_j == pytest.approx(110 * 1000 / speed)
    assert ridden.hard_s == 0 and not ridden.walking


def test_property_more_power_uphill_none_downhill():
    grade = np.array([-0.10, -0.04, -0.02, 0.0, 0.02, 0.035, 0.05, 0.08])
    watts = pacing_power_w(grade=grade, headwind_m_s=0.0, rolling_coefficient=0.006, rider=RIDER)
    assert watts == pytest.approx([0, 0, 55, 110, 110, 129.25, 148.5, 148.5])
    ridden = pieces(100.0, grade)
    assert ridden.effort_j[:2] == pytest.approx([0, 0])
    assert (ridden.hard_s > 0).tolist() == [False] * 5 + [True] * 3


def test_property_steeper_is_never_faster():
    for bicycle in (RIDER, Rider(mass_kg=60, bicycle_mass_kg=10, power_w=200), Rider(power_w=80)):
        speed = pieces(1.0, np.linspace(-0.2, 0.12, 400), rider=bicycle).speed_m_s
        assert (np.diff(speed) <= 1e-9).all()


def test_property_wind_slows_and_a_coasting_rider_pedals_against_it():
    grade = np.full(3, -0.04)
    ridden = pieces(100.0, grade, headwind_m_s=np.array([0.0, 6.0, 12.0]))
    assert (np.diff(ridden.speed_m_s) < 0).all()
    assert ridden.power_w[0] == 0 and 0 < ridden.power_w[1] <= 110 and ridden.power_w[2] == pytest.approx(110)
    assert not ridden.walking.any()


def test_property_braking_recovers_nothing():
    capped, free = pieces(100.0, -0.06, speed_cap_m_s=6.0), pieces(100.0, -0.06)
    assert capped.speed_m_s == 6.0 < free.speed_m_s
    assert capped.effort_j == 0 == free.effort_j
    slow = pieces(100.0, 0.0, speed_cap_m_s=3.0)
    held = power_w(3.0, mass_kg=102, rolling_coefficient=0.006, drag_area_m2=0.6, drivetrain=0.95)
    assert slow.power_w == pytest.approx(held) and held < 110


@pytest.mark.parametrize(
    "road, why",
    [
        ({"grade": 0.19}, "steeper than 18 %"),
        ({"grade": 0.14}, "slower than 1.1 m/s"),
        ({"grade": 0.0, "rolling_coefficient": 0.04}, "soft"),
        ({"grade": 0.0, "walk": True}, "dismount"),
    ],
)
def test_property_on_foot(road, why):
    ridden = pieces(100.0, **road)
    assert ridden.walking, why
    assert ridden.speed_m_s == pytest.approx(0.8 * tobler_m_s(road["grade"]))
    lifting_j = 102 * GRAVITY_M_S2 * 100 * np.sin(np.arctan(road["grade"]))
    assert ridden.effort_j == pytest.approx(lifting_j + 50 * ridden.time_s)
    assert ridden.hard_s == ridden.time_s


def test_property_a_strong_rider_pushes_at_18_percent_only():
    strong = Rider(power_w=300)
    assert not pieces(10.0, 0.179, rider=strong).walking
    assert pieces(10.0, 0.181, rider=strong).walking


def test_pin_where_pushing_begins():  # about 10 % at 120 W and 13 % at 150 W on the climb
    def steepest(watts):
        grades = np.arange(0.05, 0.18, 0.001)
        rider = Rider(power_w=watts, climb_power_w=watts, drivetrain=0.97698, mass_kg=78)
        return grades[pieces(1.0, grades, rider=rider).walking].min()

    assert steepest(120) == pytest.approx(0.10, abs=0.007)
    assert steepest(150) == pytest.approx(0.13, abs=0.007)


def test_property_steps_are_carried_and_slow():
    ridden = pieces(10.0, np.array([0.0, 0.3]), walk=np.array([2, 2]))
    assert ridden.walking.all() and 3.6 * ridden.speed_m_s == pytest.approx(1.2)


def test_property_walking_the_flat_is_never_faster_than_riding_it():
    for rolling in rolling_coefficients(w for w in SURFACES if w != "soft"):
        assert pieces(1.0, 0.0, rolling_coefficient=rolling).speed_m_s >= tobler_m_s(0.0)


def test_property_missing_heights_stay_missing():
    ridden = pieces(100.0, np.array([0.0, np.nan]))
    assert np.isnan([ridden.time_s[1], ridden.effort_j[1], ridden.hard_s[1]]).all()
    assert np.isfinite(ridden.time_s[0]) and not ridden.walking[1]


def test_property_direction_matters_and_lifting_is_paid_once():
    up, down = pieces(1000.0, 0.05), pieces(1000.0, -0.05)
    assert up.effort_j > 102 * GRAVITY_M_S2 * 1000 * np.sin(np.arctan(0.05))
    assert down.effort_j == 0


@pytest.mark.parametrize("climb_grade", [0.03, 0.05, 0.07])
def test_published_common_practice_of_a_long_ride(climb_grade):
    # Common practice: a loaded recreational rider (110 W) takes 4 to 5 hours for 70 km with 800 m of climb.
    at_m = np.arange(0, 70_000, 25.0)
    into_hill_m, hill_m = at_m % 7000, 80 / climb_grade
    up, down = into_hill_m < hill_m, (into_hill_m >= hill_m) & (into_hill_m < 2 * hill_m)
    grade = climb_grade * (up.astype(float) - down)
    ridden = pieces(
        25.0,
        grade,
        rolling_coefficient=np.where(at_m % 1000 < 300, 0.008, 0.005),
        speed_cap_m_s=SURFACES["smooth"].speed_cap_m_s,
    )
    stops_s = 30 * stop_cost("stop_or_give_way", 5.5, rider=RIDER)[0]
    assert 4.0 <= (ridden.time_s.sum() + stops_s) / 3600 <= 5.0
    assert np.sum(25 * np.clip(grade, 0, None)) == pytest.approx(800, rel=0.01)


def test_published_wind_component():  # Martin et al.: wind from 310 deg, road towards 340 deg
    assert headwind_m_s(340, wind_m_s=2.94, from_deg=310) == pytest.approx(10.9084 - 8.3623, abs=2e-4)
    assert headwind_m_s([310, 130, 40], wind_m_s=5, from_deg=310) == pytest.approx([5, -5, 0], abs=1e-9)


def test_property_wind_near_the_ground_is_weaker():
    assert wind_at_rider_m_s(6.0, measured_at_m=10.0) == pytest.approx(6.0 * np.log(24) / np.log(200))
    assert wind_at_rider_m_s(6.0, measured_at_m=1.2) == pytest.approx(6.0)


def test_property_radius_of_a_polygon_about_a_circle():
    angle = np.linspace(0, np.pi, 25)
    radius = bend_radius_m(40 * np.cos(angle), 40 * np.sin(angle))
    assert radius[1:-1] == pytest.approx(40, rel=0.01)
    assert np.isinf(radius[[0, -1]]).all()
    assert np.isinf(bend_radius_m([0, 1, 2, 3], [0, 0, 0, 0])).all()
    assert bend_radius_m([0, 20, 20], [0, 0, 20])[1] == pytest.approx(10)


def test_property_restart_costs_its_motion():
    # Martin et al. leave restarts out: 0.5 m v^2 / Ec each; 102 kg from 5.5 m/s, one passage in two stops.
    seconds, joules = stop_cost("signal", 5.5, rider=RIDER)
    assert joules == pytest.approx(0.5 * 0.5 * 102 * 5.5**2 / 0.95)
    assert seconds == pytest.approx(0.5 * (25 + 5.5 / 3.0 + 5.5 / 0.9))
    for kind in STOPS:
        slow, fast = stop_cost(kind, 3.0, rider=RIDER), stop_cost(kind, 6.0, rider=RIDER)
        assert fast[0] > slow[0] and fast[1] == pytest.approx(4 * slow[1])


def test_property_unknown_words_are_named():
    with pytest.raises(InputError, match="roundabout"):
        stop_cost("roundabout", 5.0, rider=RIDER)
    with pytest.raises(InputError, match="tarmac"):
        rolling_coefficients(["tarmac"])
    assert rolling_coefficients(["smooth", "rough"], {"rough": 0.011}).tolist() == [0.005, 0.011]
    assert speed_caps_m_s(["smooth"])[0] == pytest.approx(35 / 3.6)


def test_property_impossible_riders_name_all_faults():
    with pytest.raises(InputError) as caught:
        Rider(mass_kg=-1, power_w=0, climb_power_w=-5)
    assert len(caught.value.faults) == 3


def test_property_many_pieces_are_quick():
    rng = np.random.default_rng(3)
    n = 100_000
    length, grade = rng.uniform(5, 30, n), rng.normal(0, 0.05, n)
    road = {
        "rolling_coefficient": rng.choice([0.005, 0.008, 0.010, 0.015, 0.06], n),
        "speed_cap_m_s": rng.choice([9.7, 8.0, 5.0], n),
    }
    wind = rng.uniform(-5, 5, n)

    def both_ways():
        begun = time.process_time()
        pieces(length, grade, headwind_m_s=wind, **road)
        pieces(length, -grade, headwind_m_s=-wind, **road)
        return time.process_time() - begun

    assert min(both_ways() for _ in range(2)) < 1.0  # 0.1 s on an idle core
