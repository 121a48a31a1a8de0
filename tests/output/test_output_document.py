"""The plan as JSON: names, strictness, exact round trip, errors."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_plan import same, sample_plan

from routeplan.errors import InputError
from routeplan.plan.document import from_document, from_text, to_document, to_text
from routeplan.plan.value import Assumption, Route

ROUTE_KEYS = {
    "id",
    "why",
    "length_m",
    "ride_time_s",
    "effort_kj",
    "climb_m",
    "hard_s",
    "turns_per_km",
    "contact_share",
    "contact_share_range",
    "contact_s",
    "in_contact_s",
    "usable_contact_s",
    "dead_s",
    "longest_dead_s",
    "net_ridden_s",
    "repeated_m",
    "nearby_m",
    "battery_share",
    "geometry",
    "samples",
    "overs",
    "dead_stretches",
    "quiet_zones",
}


@pytest.fixture(scope="module")
def plan():
    return sample_plan(no_data=True)


def test_document_property_has_the_documented_names(plan):
    document = to_document(plan)
    assert {"format", "area", "ride", "routes", "bound", "warnings"} <= set(document)
    assert document["bound"].keys() == {"contact_s_at_most", "out_s_at_least", "scope", "how"}
    for route in document["routes"]:
        assert set(route) >= ROUTE_KEYS
        assert {"distance_m", "time_s", "elevation_m", "chance", "stations"} <= set(route["samples"])
        for station in route["samples"]["stations"].values():
            assert {"margin_to_db", "margin_from_db", "chance"} <= set(station)
            assert len(station["chance"]) == len(route["samples"]["distance_m"])
    assert document["ride"]["rider"]["power_w"] == {
        "value": 110.0,
        "origin": "default: a practised rider all day (judgement)",
        "guess": True,
    }


def test_document_property_round_trip_is_exact(plan):
    again = from_text(to_text(plan))
    for field in fields(plan):
        if field.name != "background":
            assert same(getattr(plan, field.name), getattr(again, field.name)), field.name
    assert to_text(again) == to_text(plan)


def test_document_property_is_strict_json(plan):
    def refuse(text):
        raise AssertionError(text)

    document = json.loads(to_text(plan), parse_constant=refuse)
    column = next(iter(document["routes"][1]["samples"]["stations"].values()))["chance"]
    assert None in column


def test_document_property_geometry_is_a_geojson_line(plan):
    line = to_document(plan)["routes"][0]["geometry"]
    samples = plan.routes[0].samples
    assert line["type"] == "LineString"
    assert len(line["coordinates"]) == len(samples.distance_m)
    east, north, up = line["coordinates"][0]
    assert (east, north, up) == pytest.approx(
        (samples.longitude_deg[0], samples.latitude_deg[0], samples.elevation_m[0]), abs=0.06
    )


@settings(max_examples=60)
@given(
    st.lists(st.floats(allow_nan=True, allow_infinity=False, width=64), min_size=3, max_size=3),
    st.dictionaries(
        st.from_regex(r"[a-z]{1,8}(\.[a-zA-Z ]{1,8}){0,2}", fullmatch=True),
        st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=8), st.booleans(), st.integers()),
        max_size=6,
    ),
)
def test_document_property_any_number_survives(numbers, values):
    plan = sample_plan("A")
    samples = replace(plan.routes[0].samples, elevation_m=np.resize(numbers, len(plan.routes[0].samples.distance_m)))
    route = replace(plan.routes[0], samples=samples, effort_kj=numbers[0], ride_time_range_s=(numbers[1], numbers[2]))
    by_section = sorted(values.items(), key=lambda item: item[0].split(".")[0])
    assumptions = tuple(Assumption(key, value, "ride file") for key, value in by_section)
    changed = replace(plan, routes=(route,), assumptions=assumptions)
    again = from_text(to_text(changed))
    assert same(again.routes, changed.routes)
    if len({key.partition(".")[2] + key.partition(".")[0] for key in values}) == len(values):
        assert {a.key: a.value for a in again.assumptions} == values


def test_document_property_times_keep_the_zone(plan):
    again = from_text(to_text(plan))
    assert again.routes[0].departs == plan.routes[0].departs
    assert again.routes[0].departs.tzinfo == ZoneInfo("Atlantic/Azores")
    local = replace(plan.routes[0], departs=datetime(2026, 10, 25, 0, 30, tzinfo=ZoneInfo("Atlantic/Azores"), fold=1))
    back = from_text(to_text(replace(plan, routes=(local,)))).routes[0].departs
    assert back == local.departs
    assert back.utcoffset() == local.departs.utcoffset()


def test_document_property_a_plan_without_bound_or_routes():
    plan = replace(sample_plan("A"), bound=None, routes=())
    assert same(from_text(to_text(plan)).bound, None)
    assert from_text(to_text(plan)).routes == ()


def test_document_property_faults_are_told_at_once(plan):
    document = to_document(plan)
    del document["title"]
    del document["routes"][0]["effort_kj"]
    with pytest.raises(InputError) as caught:
        from_document(document, "old.json")
    assert len(caught.value.faults) == 2
    assert "`title` is missing" in str(caught.value)
    assert "old.json, route 1" in str(caught.value)


@pytest.mark.parametrize(
    "text, says", [("{", "line 1"), ("[]", "not a plan"), ('{"format": "routeplan plan 99"}', "plan 99")]
)
def test_document_property_what_is_no_plan(text, says):
    with pytest.raises(InputError, match=says):
        from_text(text, "x.json")


def test_document_property_damage_inside_is_an_input_error(plan):
    document = to_document(plan)
    document["routes"][0]["overs"] = [{"begin_m": "x"}]
    with pytest.raises(InputError, match="damaged"):
        from_document(document)


def test_document_property_every_field_of_a_route_is_written(plan):
    document = to_document(plan)["routes"][0]
    assert {field.name for field in fields(Route)} <= set(document)
    assert not any(isinstance(value, float) and math.isnan(value) for value in document.values())
