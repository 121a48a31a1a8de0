"""docs/ride_model.md states the numbers that the code uses."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from routeplan.ride.arrival import Spread
from routeplan.ride.pacing import STOPS, Rider
from routeplan.ride.surfaces import SURFACES

PAGE = (Path(__file__).parents[2] / "docs" / "ride_model.md").read_text(encoding="utf-8")
ROWS = {
    row[0].strip("` "): [cell.strip() for cell in row[1:]]
    for row in (line.strip("| ").split("|") for line in PAGE.split("\n") if re.match(r"\| `?[a-z]", line))
}


@pytest.mark.parametrize("value", [Rider(), Spread()])
def test_property_defaults_are_as_documented(value):
    for field in dataclasses.fields(value):
        default = getattr(value, field.name)
        shown = ROWS[field.name][0]
        assert shown == ("None" if default is None else f"{default:.3g}"), field.name


def test_property_surfaces_are_as_documented():
    for word, surface in SURFACES.items():
        cap_km_h = 3.6 * surface.speed_cap_m_s
        assert ROWS[word] == [f"{surface.rolling_coefficient:g}", f"{cap_km_h:.0f}", surface.meaning]


def test_property_stops_are_as_documented():
    for kind, stop in STOPS.items():
        assert ROWS[kind] == [f"{stop.share:g}", f"{stop.wait_s:g}"]
