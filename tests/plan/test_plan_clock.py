"""The net's windows on the clock of a ride."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routeplan.plan.clock import NetClock, merged

DURATIONS = st.lists(st.floats(0.5, 900), min_size=1, max_size=40)


@given(DURATIONS, st.floats(-3000, 9000), st.floats(60, 7200), st.floats(0, 0.08))
def test_no_ride_counts_more_than_the_window_or_itself_property(durations, begin, length, spread):
    clock = NetClock(((begin, begin + length),), spread)
    rows = np.array(durations)
    counted = clock.seconds(rows, np.zeros(len(rows), dtype=bool))
    assert (counted >= 0).all()
    assert counted.sum() <= length * (1 + 1e-12)
    assert counted.sum() <= rows.sum() * (1 + 1e-9)  # the paces' mean is 1


@given(st.floats(0, 3000), st.floats(300, 3000))
def test_exact_overlap_when_the_pace_is_sure(begin, length):
    clock = NetClock(((begin, begin + length),), spread=0.0)
    rows = np.full(100, 50.0)
    counted = clock.seconds(rows, np.zeros(100, dtype=bool))
    assert counted.sum() == pytest.approx(max(0.0, min(5000.0, begin + length) - begin))


def test_a_ride_through_the_whole_window_counts_all_of_it():
    clock = NetClock(((1800.0, 5400.0),))
    counted = clock.seconds(np.full(2000, 5.0), np.zeros(2000, dtype=bool))
    assert counted.sum() == pytest.approx(3600.0)


def test_weight_is_the_density_of_seconds():
    clock = NetClock(((1800.0, 5400.0),))
    time = np.arange(0, 9000, 1.0)
    counted = clock.seconds(np.ones(9000), np.zeros(9000, dtype=bool))
    # a row of one second at t counts what the weight says at t, but for rows cut by an edge at one of the paces
    assert np.abs(np.cumsum(clock.weight(time + 0.5)) - np.cumsum(counted)).max() < 2.0


def test_a_halt_lasts_as_long_at_any_pace():
    clock = NetClock(((0.0, 1e6),), spread=0.2)
    assert clock.seconds(np.array([600.0]), np.array([True])).sum() == pytest.approx(600.0)


def test_the_upper_table_is_never_below_what_a_rider_meets():
    clock = NetClock(((1800.0, 5400.0),))
    _, step, weight = clock.table(9000.0)
    _, _, upper = clock.upper_table(9000.0, 600.0)
    assert (upper[: len(weight)] >= weight - 1e-12).all()
    for late in (0.0, 300.0, 600.0):
        shifted = clock.weight((np.arange(len(weight)) + 0.5) * step + late)
        assert (upper[: len(weight)] >= shifted - 1e-12).all()


def test_without_a_net_every_second_counts():
    clock = NetClock()
    assert clock.length_s == 0
    assert clock.seconds(np.array([3.0, 4.0]), np.array([False, False])).tolist() == [3.0, 4.0]
    assert clock.weight(np.array([0.0, 1e5])).tolist() == [1.0, 1.0]


def test_leaving_late_moves_the_window_towards_the_start():
    assert NetClock(((1800.0, 5400.0),)).late(600).windows_s == ((1200.0, 4800.0),)


def test_overlapping_nets_count_once():
    assert merged([(100, 200), (0, 50), (150, 300)]) == ((0, 50), (100, 300))
