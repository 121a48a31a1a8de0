"""Arrival ranges against a seeded simulation of the same unknowns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from routeplan.ride.arrival import Spread, arrival_times
from routeplan.ride.pacing import Rider, headwind_m_s, ride_pieces

RIDER = Rider()
SPREAD = Spread()


@pytest.fixture(scope="module")
def hilly_loop():
    n = 800
    along = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return {
        "length_m": np.full(n, 40.0),
        "grade": 0.06 * np.sin(5 * along),
        "rolling_coefficient": np.where(np.arange(n) % 5 == 0, 0.010, 0.005),
        "speed_cap_m_s": 9.7,
        "bearing_deg": np.degrees(along),
        "stop_s": np.where(np.arange(n) % 40 == 39, 15.0, 0.0),
        "wind_m_s": 3.0,
        "wind_from_deg": 240.0,
    }


def simulate(loop, runs, seed):
    """Arrival times (runs, p) of rides whose unknowns are drawn from the same spreads."""
    rng = np.random.default_rng(seed)
    times = []
    for _ in range(runs):
        power, rolling, drag, east, north, walking, traffic = rng.normal(size=7)
        rider = replace(
            RIDER,
            power_w=RIDER.power_w * (1 + SPREAD.power * power),
            climb_power_w=RIDER.full_climb_power_w * (1 + SPREAD.power * power),
            drag_area_m2=RIDER.drag_area_m2 * (1 + SPREAD.drag * drag),
            walking_speed_factor=RIDER.walking_speed_factor * (1 + SPREAD.walking * walking),
        )
        to = np.radians(loop["bearing_deg"])
        wind = headwind_m_s(loop["bearing_deg"], wind_m_s=loop["wind_m_s"], from_deg=loop["wind_from_deg"])
        wind = wind + SPREAD.wind_m_s * (east * np.sin(to) + north * np.cos(to))
        ridden = ride_pieces(
            loop["length_m"],
            loop["grade"],
            rolling_coefficient=loop["rolling_coefficient"] * max(1 + SPREAD.rolling * rolling, 0.1),
            speed_cap_m_s=loop["speed_cap_m_s"],
            headwind_m_s=wind,
            rider=rider,
        )
        stops = rng.exponential(np.maximum(loop["stop_s"], 1e-12)) + SPREAD.all_stops * traffic * loop["stop_s"]
        times.append(np.cumsum(ridden.time_s + stops))
    return np.array(times)


def test_property_range_agrees_with_simulation(hilly_loop):
    ours = arrival_times(**hilly_loop, rider=RIDER)
    drawn = simulate(hilly_loop, 600, seed=11)
    for point in (199, 399, 799):
        low, high = np.percentile(drawn[:, point], [10, 90])
        width = high - low
        assert ours.early_s[point] == pytest.approx(low, abs=0.1 * width)
        assert ours.late_s[point] == pytest.approx(high, abs=0.1 * width)


def test_property_range_widens_and_holds_the_timetable(hilly_loop):
    ours = arrival_times(**hilly_loop, rider=RIDER)
    assert (ours.early_s <= ours.time_s).all() and (ours.time_s <= ours.late_s).all()
    width = ours.late_s - ours.early_s
    assert width[-1] > width[100] > width[10] > 0
    assert 0.10 < width[-1] / ours.time_s[-1] < 0.35
    assert np.array_equal(ours.late_s, arrival_times(**hilly_loop, rider=RIDER).late_s)


def test_property_nothing_unknown_nothing_spread(hilly_loop):
    known = Spread(power=0, rolling=0, drag=0, wind_m_s=0, walking=0, stops=0, all_stops=0)
    ours = arrival_times(**hilly_loop, rider=RIDER, spread=known)
    assert ours.early_s == pytest.approx(ours.time_s) and ours.late_s == pytest.approx(ours.time_s)


def test_property_walking_and_certain_time():
    ours = arrival_times(
        np.array([100.0, 100.0]),
        np.array([0.25, 0.0]),
        rolling_coefficient=np.array([0.006, 0.06]),
        other_s=np.array([0.0, 600.0]),
        rider=RIDER,
    )
    still = arrival_times(
        np.array([100.0, 100.0]),
        np.array([0.25, 0.0]),
        rolling_coefficient=np.array([0.006, 0.06]),
        rider=RIDER,
    )
    assert ours.time_s[1] - still.time_s[1] == pytest.approx(600)
    assert ours.sigma_s == pytest.approx(still.sigma_s)
    # On foot only the walking speed is unknown: 10 % of the time.
    assert ours.sigma_s[0] == pytest.approx(0.10 * ours.time_s[0], rel=0.03)


def test_property_missing_heights_make_later_times_unknown():
    ours = arrival_times(np.full(3, 100.0), np.array([0.0, np.nan, 0.0]), rolling_coefficient=0.006, rider=RIDER)
    assert np.isfinite(ours.late_s[0]) and np.isnan(ours.late_s[1:]).all()
