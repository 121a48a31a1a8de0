"""Plan of position beacons."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routeplan.errors import InputError
from routeplan.radio.beacons import INTERVALS_S, beacon_plan, expected_wait_s

T = np.arange(0.0, 7200.0, 10.0)
D = T * 5.0


def test_expected_wait_by_hand():
    """Chance 1/2 each, 60 s apart: 0, then 60 * (1/2 + 1/4 + ...), cut off at the end of the ride."""
    wait = expected_wait_s([0.0, 180.0], [0.5, 0.5], 60.0)
    assert wait == pytest.approx([56.25, 52.5, 45.0, 30.0])


def test_expected_wait_by_simulation():
    rng = np.random.default_rng(2)
    p = 0.3 + 0.3 * np.sin(T / 900)
    at = np.arange(0.0, T[-1] + 1e-6, 120.0)
    heard = rng.random((20_000, len(at))) < np.interp(at, T, p)
    first = np.where(heard.any(axis=1), heard.argmax(axis=1), len(at)) * 120.0
    assert expected_wait_s(T, p, 120.0)[0] == pytest.approx(first.mean(), rel=0.03)


def test_plan_for_a_valley_without_a_path():
    margin = np.where((T > 3000) & (T < 5400), -30.0, 35.0)
    plan = beacon_plan(margin, time_s=T, distance_m=D, sigma_db=6.0)
    (gap,) = plan.gaps
    assert 2800 <= gap.begin_s <= 3300 and gap.begin_m == pytest.approx(gap.begin_s * 5)
    assert plan.longest_wait_s > 1800 and plan.longest_wait_worse_s >= plan.longest_wait_s
    assert f"{gap.begin_m / 1000:.1f} to" in plan.lines()[2]
    assert plan.interval_s in INTERVALS_S


def test_a_good_path_does_not_fill_the_channel():
    good = beacon_plan(np.full(T.shape, 45.0), time_s=T, distance_m=D, sigma_db=6.0)
    poor = beacon_plan(np.full(T.shape, 8.0), time_s=T, distance_m=D, sigma_db=6.0)
    assert good.interval_s == 300.0 and poor.interval_s < 300.0
    assert "nowhere" in good.lines()[2]


@settings(max_examples=20)
@given(st.floats(-20, 40), st.floats(0.5, 15))
def test_property_a_better_margin_is_heard_more(margin, more):
    worse, better = (
        beacon_plan(np.full(T.shape, m), time_s=T, distance_m=D, sigma_db=8.0, interval_s=120.0)
        for m in (margin, margin + more)
    )
    assert better.expected_heard >= worse.expected_heard and better.longest_wait_s <= worse.longest_wait_s
    assert 0 <= worse.expected_heard <= worse.sent


def test_no_data_is_not_heard():
    plan = beacon_plan(np.full(T.shape, np.nan), time_s=T, distance_m=D, sigma_db=8.0)
    assert plan.expected_heard == 0 and len(plan.gaps) == 1


def test_standing_still_is_allowed_and_wrong_input_is_not():
    beacon_plan(np.full(4, 20.0), time_s=[0, 60, 60, 120], distance_m=[0, 0, 0, 0], sigma_db=8.0)
    for change in ({"time_s": T[::-1]}, {"distance_m": D[:5]}, {"interval_s": 1.0}):
        with pytest.raises(InputError):
            beacon_plan(np.zeros(T.shape), **({"time_s": T, "distance_m": D, "sigma_db": 8.0} | change))
