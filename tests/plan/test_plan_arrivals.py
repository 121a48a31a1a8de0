"""Arrival as a range: the spreads of the ride file reach the route's range and the net's clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from routeplan.plan import ridefile
from routeplan.plan.area import Area
from routeplan.plan.arrivals import SPREAD_AT_MOST, arrival_along, pace_spread
from routeplan.plan.setting import Setting, round_a_start

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
[[net]]
frequency_mhz = 145.5
begins = "19:00"
[wind]
speed_m_s = 4
from_deg = 200
"""


@pytest.fixture(scope="module")
def setting(fault_area: Area) -> Setting:
    return round_a_start(fault_area, ridefile.read_ride_text(RIDE), reach_m=4000, progress=lambda text: None)


def spread_with(setting: Setting, power_spread: float) -> float:
    ride = ridefile.with_changes(setting.ride, {"rider.power_spread": power_spread})
    return pace_spread(ride, setting.pieces, setting.riding)


def test_property_a_rider_less_sure_of_the_day_is_less_sure_of_the_time(setting: Setting):
    sure, usual, unsure = (spread_with(setting, value) for value in (0.0, 0.1, 0.2))
    assert 0.01 < sure < usual < unsure
    assert spread_with(setting, 0.5) == SPREAD_AT_MOST
    assert setting.pace_spread == usual
    assert setting.clock(setting.ride.start.departs).spread == usual


def test_property_the_regions_spread_is_that_of_a_ride_in_it(setting: Setting):
    piece = np.arange(len(setting.pieces.length_m))
    way = np.repeat([0, 1], len(piece))
    along = np.concatenate([piece, piece[::-1]])
    whole = arrival_along(setting.ride, setting.pieces, setting.riding, way, along)
    assert setting.pace_spread == pytest.approx(whole.sigma_s[-1] / whole.time_s[-1], rel=0.03)
    assert whole.time_s[-1] == pytest.approx(setting.riding.time_s.sum())


def test_property_a_halt_of_stated_length_widens_nothing(setting: Setting):
    piece = np.arange(40)
    way = np.zeros(40, dtype=int)
    plain, halted = (
        arrival_along(setting.ride, setting.pieces, setting.riding, way, piece, halt_s=halt) for halt in (0.0, 600.0)
    )
    assert halted.time_s[-1] - plain.time_s[-1] == pytest.approx(600.0)
    assert halted.sigma_s[-1] == plain.sigma_s[-1]


def test_property_no_ferry_is_quicker_on_a_good_day(setting: Setting):
    ferry = np.zeros_like(setting.riding.ferry)
    ferry[:40] = True
    riding = replace(setting.riding, ferry=ferry)
    arrival = arrival_along(setting.ride, setting.pieces, riding, np.zeros(40, dtype=int), np.arange(40))
    assert arrival.time_s[-1] == pytest.approx(setting.riding.time_s[0, :40].sum())
    assert arrival.late_s[-1] - arrival.early_s[-1] < 60  # what its ends' stops may differ
