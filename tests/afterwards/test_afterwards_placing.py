"""Reports put on a track: clocks, zones, gaps, beacons in between."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.afterwards import placing
from routeplan.afterwards.placing import Ridden
from routeplan.afterwards.reports import Reception, Report
from routeplan.afterwards.tracks import Track

BEGINS_S = 1_787_857_500.0


def straight(seconds: int = 3600, speed_m_s: float = 5.0) -> Ridden:
    """East at an even speed, a fix each five seconds."""
    time = np.arange(0.0, seconds, 5.0)
    return Ridden(BEGINS_S + time, time * speed_m_s, np.zeros(len(time)), ())


def test_by_time():
    nan = np.array([np.nan])
    place = placing.placed(straight(), np.array([BEGINS_S + 1000.0]), nan, nan, np.zeros(1))[0]
    assert place.x_m == pytest.approx(5000.0) and place.heading_deg == pytest.approx(90.0)
    assert place.speed_m_s == pytest.approx(5.0) and place.why_not == ""


@pytest.mark.parametrize("after_s, said", [(-1200.0, "20 min before"), (3600 + 3 * 86400.0, "3 days after")])
def test_outside_the_ride(after_s, said):
    nan = np.array([np.nan])
    place = placing.placed(straight(), np.array([BEGINS_S + after_s]), nan, nan, np.zeros(1))[0]
    assert said in place.why_not


def test_by_place_where_there_is_no_time():
    time, x, y = np.array([np.nan] * 3), np.array([5000.0, 5000.0, np.nan]), np.array([20.0, 900.0, np.nan])
    first, off, none = placing.placed(straight(), time, x, y, np.zeros(3))
    assert first.time_s == BEGINS_S + 1000.0
    assert "off the track" in off.why_not and "neither" in none.why_not


def test_a_gap_of_the_track_has_no_places():
    whole = straight()
    keep = (whole.time_s < BEGINS_S + 600) | (whole.time_s > BEGINS_S + 1800)
    track = Track("", whole.y_m[keep], whole.x_m[keep], whole.x_m[keep] * np.nan, whole.time_s[keep], 0)
    ridden = placing.cleaned(track, whole.x_m[keep], whole.y_m[keep])
    assert "a gap, the longest of 20 min" in ridden.notes[0]
    assert "gap" in placing.place_at(ridden, BEGINS_S + 1200).why_not
    assert placing.place_at(ridden, BEGINS_S + 300).why_not == ""


def test_a_track_is_mended():
    whole = straight(600)
    time, x, y = whole.time_s.copy(), whole.x_m.copy(), whole.y_m.copy()
    time[[10, 11]] = time[[11, 10]]
    time[20] = np.nan
    time[31] = time[30]
    y[40] = 9000.0
    time[50] = 0.0  # 1970
    ridden = placing.cleaned(Track("", y, x, y, time, 2), x, y)
    assert (np.diff(ridden.time_s) > 0).all() and abs(ridden.y_m).max() < 1
    assert len(ridden.notes) == 4 and ridden.time_s[0] == BEGINS_S
    assert "a day or more off" in ridden.notes[1] and "3 track points without place or time" in ridden.notes[0]


@pytest.mark.parametrize("offset_s", [0.0, 45.0, -310.0, 7200.0])
def test_clock_offset_from_places(offset_s):
    ridden = straight()
    rng = np.random.default_rng(2)
    true = rng.uniform(100, 3400, 20)
    x, y = true * 5 + rng.normal(0, 15, 20), rng.normal(0, 15, 20)
    found, agree = placing.clock_offset_s(ridden, BEGINS_S + true - offset_s, x, y)
    assert found == pytest.approx(offset_s, abs=6.0) and agree >= 18


def test_hour_slip():
    inside = BEGINS_S + np.linspace(100, 3500, 10)
    end = BEGINS_S + 3600
    assert placing.hour_slip_s(inside, BEGINS_S, end) == 0.0
    assert placing.hour_slip_s(inside - 7200, BEGINS_S, end) == 7200.0
    assert placing.hour_slip_s(inside + 40 * 86400, BEGINS_S, end) == 0.0


def test_own_beacons_among_others():
    ridden = straight()
    own = Report("QI2WK", Reception(5, 5), None, None, source="QX1ABC-7", beacon=True)
    other = Report("QI2WK", Reception(5, 5), None, None, source="QX9ZZZ", beacon=True)
    x, y = np.array([1000.0, 2000.0, 900.0, 30000.0, 40000.0]), np.array([10.0, -20.0, 0.0, 5000.0, 100.0])
    assert placing.own_beacons(ridden, [own, own, other, other, other], x, y) == [True, True, False, False, False]


def test_rhythm_finds_what_was_missed():
    rng = np.random.default_rng(5)
    sent = BEGINS_S + np.arange(0, 3600, 60.0)
    got = rng.random(len(sent)) < 0.6
    found = placing.rhythm(sent[got] + rng.uniform(0, 2, got.sum()), BEGINS_S, BEGINS_S + 3600)
    assert found.interval_s == pytest.approx(60.0, abs=0.5)
    assert abs(len(found.missed_s) - (~got).sum()) <= 2
    nearest = np.abs(found.missed_s[:, None] - sent[~got]).min(axis=1)
    assert np.median(nearest) < 4


def test_no_rhythm_in_beacons_by_turns():
    rng = np.random.default_rng(6)
    assert placing.rhythm(BEGINS_S + np.cumsum(rng.uniform(10, 120, 60)), BEGINS_S, BEGINS_S + 3600) is None
