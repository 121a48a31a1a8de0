"""Legality row by row, surfaces, limits, inclines, barriers."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from routeplan.roads import tags

# (tags, row, verdict): "ride", "walk", "out" or a choice.
ACCESS_CASES = [
    ("highway=residential", "road", "ride"),
    ("highway=primary", "road", "ride"),
    ("highway=secondary_link", "road", "ride"),
    ("highway=cycleway", "cycleway", "ride"),
    ("highway=track", "track", "ride"),
    ("highway=road", "road", "ride"),
    ("highway=motorway", "no-bicycles", "out"),
    ("highway=motorway_link", "no-bicycles", "out"),
    ("highway=trunk", "trunk", "trunk"),
    ("highway=trunk bicycle=yes", "bicycle-yes", "ride"),
    ("highway=trunk motorroad=yes", "motorroad", "out"),
    ("highway=primary maxspeed=100", "fast", "fast"),
    ("highway=primary maxspeed=100 cycleway=lane", "road", "ride"),
    ("highway=primary maxspeed=90", "road", "ride"),
    ("highway=path", "path-unsaid", "path"),
    ("highway=path bicycle=yes", "bicycle-yes", "ride"),
    ("highway=path bicycle=designated", "bicycle-yes", "ride"),
    ("highway=bridleway bicycle=permissive", "bicycle-yes", "ride"),
    ("highway=bridleway", "path-unsaid", "path"),
    ("highway=path bicycle=no", "bicycle-no", "out"),
    ("highway=footway", "footway", "out"),
    ("highway=footway bicycle=yes", "bicycle-yes", "ride"),
    ("highway=footway bicycle=dismount", "bicycle-dismount", "walk"),
    ("highway=pedestrian", "pedestrian", "walk"),
    ("highway=pedestrian bicycle=yes", "bicycle-yes", "ride"),
    ("highway=steps", "steps", "steps"),
    ("highway=steps bicycle=yes", "steps-bicycle", "walk"),
    ("highway=steps ramp:bicycle=yes", "steps-bicycle", "walk"),
    ("highway=steps conveying=yes", "moving-steps", "out"),
    ("highway=residential access=no", "access-no", "out"),
    ("highway=residential access=private", "access-no", "out"),
    ("highway=residential access=private bicycle=yes", "bicycle-yes", "ride"),
    ("highway=residential access=no vehicle=yes", "road", "ride"),
    ("highway=residential access=yes vehicle=no", "vehicle-no", "out"),
    ("highway=residential vehicle=no bicycle=yes", "bicycle-yes", "ride"),
    ("highway=residential vehicle=yes bicycle=no", "bicycle-no", "out"),
    ("highway=residential access=destination", "access-destination", "destination"),
    ("highway=residential motor_vehicle=no", "road", "ride"),
    ("highway=secondary bicycle=use_sidepath", "bicycle-sidepath", "sidepath"),
    ("highway=service service=driveway", "driveway", "out"),
    ("highway=service service=parking_aisle", "road", "ride"),
    ("highway=pedestrian area=yes", "area", "out"),
    ("highway=construction", "unbuilt", "out"),
    ("highway=proposed", "unbuilt", "out"),
    ("highway=raceway", "raceway", "out"),
    ("highway=busway", "no-bicycles", "out"),
    ("highway=busway bicycle=yes", "bicycle-yes", "ride"),
    ("highway=something_new", "unknown-class", "out"),
    ("route=ferry", "ferry", "ferry"),
    ("route=ferry bicycle=no", "ferry-no-bicycles", "out"),
    ("route=ferry access=no bicycle=yes", "ferry", "ferry"),
    ("waterway=stream", "not-a-road", "out"),
    ("highway=track bicycle=private", "bicycle-private", "out"),
    ("highway=path bicycle=destination", "bicycle-destination", "destination"),
    ("highway=residential bicycle_road=yes vehicle=destination", "cycle-street", "ride"),
    ("highway=residential vehicle=destination", "vehicle-destination", "destination"),
]  # fmt: skip


def words(text: str) -> dict[str, str]:
    return dict(pair.split("=", 1) for pair in text.split())


@pytest.mark.parametrize("text, rule, verdict", ACCESS_CASES)
def test_access_row(text, rule, verdict):
    said = tags.legality(words(text))
    assert said.rule == rule
    got = "out" if not said.ride else said.choice or ("walk" if said.walk else "ride")
    assert got == verdict


def test_every_access_row_is_tried():
    assert {row.name for row in tags.ACCESS} == {rule for _, rule, _ in ACCESS_CASES}


@pytest.mark.parametrize(
    "text, rule, forward, backward",
    [
        ("", "twoway-unsaid", True, True),
        ("oneway=yes", "oneway", True, False),
        ("oneway=1", "oneway", True, False),
        ("oneway=-1", "oneway-reverse", False, True),
        ("oneway=no", "twoway", True, True),
        ("oneway=yes oneway:bicycle=no", "contraflow", True, True),
        ("oneway=-1 oneway:bicycle=no", "contraflow", True, True),
        ("oneway:bicycle=yes", "bicycle-oneway", True, False),
        ("oneway:bicycle=-1", "bicycle-oneway-reverse", False, True),
        ("oneway=yes cycleway=opposite", "contraflow-opposite", True, True),
        ("oneway=yes cycleway:left=opposite_lane", "contraflow-opposite", True, True),
        ("oneway=yes cycleway:left=lane cycleway:left:oneway=-1", "contraflow-lane", True, True),
        ("oneway=yes cycleway:right=track cycleway:right:oneway=no", "contraflow-lane", True, True),
        ("oneway=yes cycleway:right=lane", "oneway", True, False),
        ("oneway=yes bicycle:backward=yes", "contraflow-tagged", True, True),
        ("bicycle:backward=no", "backward-barred", True, False),
        ("bicycle:forward=no", "forward-barred", False, True),
        ("junction=roundabout", "roundabout", True, False),
        ("junction=circular", "roundabout", True, False),
        ("junction=roundabout oneway=no", "twoway", True, True),
        ("oneway=reversible", "reversible", False, False),
    ],
)
def test_direction_row(text, rule, forward, backward):
    said = tags.legality({"highway": "residential", **words(text)})
    assert (said.direction_rule, said.forward, said.backward) == (rule, forward, backward)
    assert said.ride == (forward or backward)


def test_on_foot_one_way_does_not_bind():
    said = tags.legality(words("highway=pedestrian oneway=yes"))
    assert said.walk and said.forward and said.backward


@pytest.mark.parametrize(
    "text, surface",
    [
        ("highway=residential", "smooth"),
        ("highway=residential surface=asphalt smoothness=bad", "rough"),
        ("highway=residential surface=paving_stones", "rough"),
        ("highway=residential surface=sett", "cobbles"),
        ("highway=track", "gravel"),
        ("highway=track tracktype=grade1", "rough"),
        ("highway=track tracktype=grade2", "fine_gravel"),
        ("highway=track tracktype=grade5", "soft"),
        ("highway=track tracktype=grade3 surface=asphalt", "smooth"),
        ("highway=path surface=compacted", "fine_gravel"),
        ("highway=path mtb:scale=0+", "gravel"),
        ("highway=path mtb:scale=3", "soft"),
        ("highway=track smoothness=very_bad", "soft"),
        ("highway=path surface=asphalt;sand", "soft"),
        ("highway=path surface=never_heard_of", "gravel"),
    ],
)
def test_surface(text, surface):
    assert tags.surface_of(words(text)) == surface


@pytest.mark.parametrize(
    "text, km_h",
    [("50", 50), ("30 mph", 48.28), ("60mph", 96.56), ("50;70", 70), ("XX:urban", 50), ("DE:zone30", 30), ("none", 130),
     ("20 knots", 37.04), ("walk", 7), ("signals", math.nan), ("", math.nan), (None, math.nan), ("1e9", math.nan)],
)  # fmt: skip
def test_speed_limit(text, km_h):
    assert tags.speed_limit_km_h(text) == pytest.approx(km_h, abs=0.01, nan_ok=True)


@pytest.mark.parametrize(
    "text, grade, sign",
    [("10%", 0.1, 1), ("-5 %", -0.05, -1), ("up", math.nan, 1), ("down", math.nan, -1), ("5°", 0.0875, 1), ("0", 0, 0),
     ("0.08", 0.08, 1), ("12", 0.12, 1), ("900%", math.nan, 0), ("steep", math.nan, 0), (None, math.nan, 0)],
)  # fmt: skip
def test_incline(text, grade, sign):
    got, got_sign = tags.incline_of(text)
    assert got == pytest.approx(grade, abs=1e-4, nan_ok=True) and got_sign == sign


@pytest.mark.parametrize(
    "text, seconds",
    [
        ("25", 1500),
        ("1:30", 5400),
        ("00:20:30", 1230),
        ("PT1H5M", 3900),
        ("soon", math.nan),
        ("PT", math.nan),
    ],
)
def test_duration(text, seconds):
    assert tags.duration_s(text) == pytest.approx(seconds, nan_ok=True)


@pytest.mark.parametrize(
    "text, seconds",
    [
        ("", 0), ("barrier=gate", 15), ("barrier=bollard", 2), ("barrier=stile", math.inf),
        ("barrier=stile bicycle=yes", 30),
        ("barrier=gate access=private", math.inf), ("barrier=gate access=private bicycle=yes", 15),
        ("barrier=gate access=no vehicle=yes", 15), ("barrier=gate locked=yes", math.inf),
        ("barrier=bollard bicycle=no", math.inf),
        ("barrier=never_heard_of", 10), ("bicycle=no", math.inf), ("barrier=wall", math.inf),
    ],
)  # fmt: skip
def test_barrier(text, seconds):
    assert tags.barrier_s(words(text)) == seconds


def test_marks():
    assert tags.node_mark({"highway": "traffic_signals"}) == tags.SIGNAL
    assert tags.node_mark({"highway": "crossing", "crossing": "traffic_signals"}) == tags.SIGNAL | tags.CROSSING
    assert tags.node_mark({"barrier": "gate"}) == tags.BARRIER
    assert tags.node_mark({"railway": "level_crossing", "traffic_calming": "hump"}) == 16 | 32
    assert tags.node_mark({"highway": "street_lamp"}) == 0


def test_reversed_way_twice_is_the_way():
    row = tags.attributes(words("highway=residential oneway=yes incline=8%"))
    turned = row.reversed()
    assert (turned.forward, turned.backward, turned.incline, turned.incline_sign) == (False, True, -0.08, -1)
    assert turned.reversed()._replace(ferry_s=0, speed_limit_km_h=0, lanes=0) == row._replace(
        ferry_s=0, speed_limit_km_h=0, lanes=0
    )


def test_documentation_has_every_row():
    text = (Path(__file__).parents[2] / "docs" / "roads.md").read_text(encoding="utf-8")
    for row in (*tags.ACCESS, *tags.DIRECTION):
        assert f"| `{row.name}` | {row.verdict} | {row.why} |" in text
    assert all(barrier in text for barrier in tags.BARRIER_S)
