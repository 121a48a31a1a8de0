"""Overs: where a rider may talk, on rows whose answer can be counted by hand."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from routeplan.plan.talk import inside_s, over_runs, runs, union_m


@given(st.lists(st.booleans(), max_size=60))
def test_runs_rebuild_the_mask_property(values):
    mask = np.array(values, dtype=bool)
    rebuilt = np.zeros(len(mask), dtype=bool)
    for a, b in runs(mask):
        assert a < b and not rebuilt[a:b].any()
        rebuilt[a:b] = True
    assert (rebuilt == mask).all()


def rows(**changed):
    """Thirty rows of 10 s and 50 m (18 km/h), level, in contact, nothing quiet."""
    values = {
        "time_s": np.arange(31) * 10.0,
        "distance_m": np.arange(31) * 50.0,
        "in_contact": np.ones(30, dtype=bool),
        "quiet": np.zeros(30, dtype=bool),
        "grade": np.zeros(30),
        "walking": np.zeros(30, dtype=bool),
    }
    return values | changed


def only(*places: int) -> np.ndarray:
    mask = np.zeros(30, dtype=bool)
    mask[list(places)] = True
    return mask


def test_one_over_on_a_quiet_lane():
    assert over_runs(**rows()) == [(0, 30)]


def test_a_quiet_zone_divides_and_short_remains_are_none():
    # rows 5 and 20 are quiet: 0-5 lasts 50 s and is too short, 6-20 lasts 140 s, 21-30 lasts 90 s
    assert over_runs(**rows(quiet=only(5, 20))) == [(6, 20), (21, 30)]


def test_a_hard_climb_and_a_fast_descent_are_none():
    grade = np.where(only(*range(10, 20)), 0.08, 0.0)
    assert over_runs(**rows(grade=grade)) == [(0, 10), (20, 30)]
    distance = np.concatenate([[0], np.cumsum(np.where(only(*range(10, 20)), 90.0, 50.0))])  # 32 km/h
    assert over_runs(**rows(distance_m=distance)) == [(0, 10), (20, 30)]


def test_pushing_uphill_leaves_breath_to_talk():
    grade = np.where(only(*range(10, 20)), 0.2, 0.0)
    assert over_runs(**rows(grade=grade, walking=only(*range(10, 20)))) == [(0, 30)]


def test_no_contact_no_over():
    assert over_runs(**rows(in_contact=np.zeros(30, dtype=bool))) == []


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=12))
def test_stretches_that_overlap_count_once_property(given_):
    stretches = [(begin, begin + length) for begin, length in given_]
    metres = np.zeros(100, dtype=bool)
    for begin, end in stretches:
        metres[begin:end] = True
    assert union_m(stretches) == metres.sum()


def test_seconds_inside_windows():
    assert inside_s(100.0, 400.0, ((0.0, 150.0), (300.0, 350.0), (500.0, 600.0))) == 100.0
    assert inside_s(100.0, 400.0, ()) == 0.0
