"""Files for head units, maps and calendars, each held to its published rules by an independent reader."""

from __future__ import annotations

import csv
import io
import json
import os
import re
from dataclasses import replace
from datetime import UTC, datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import gpxpy
import numpy as np
import pyogrio
import pytest
from sample_plan import sample_plan

from routeplan.output import calendar, columns, features, gpx
from routeplan.output.share import shared
from routeplan.plan.value import PlannedNet

GPX = "{http://www.topografix.com/GPX/1/1}"
# Children in the order that the GPX 1.1 schema asks for (topografix.com/GPX/1/1), without what is rare.
ORDER = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "wpt": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "extensions"],
    "trkpt": [
        "ele",
        "time",
        "magvar",
        "geoidheight",
        "name",
        "cmt",
        "desc",
        "src",
        "link",
        "sym",
        "type",
        "extensions",
    ],
    "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
    "trkseg": ["trkpt", "extensions"],
}


@pytest.fixture(scope="module")
def plan():
    return sample_plan(no_data=True)


@pytest.fixture(scope="module")
def track(plan):
    return gpx.gpx(plan, plan.routes[1])


def test_gpx_published_order_types_and_ranges(track):
    root = ElementTree.fromstring(track)
    assert root.tag == f"{GPX}gpx"
    assert root.attrib["version"] == "1.1" and root.attrib["creator"]
    for element in root.iter():
        name = element.tag.removeprefix(GPX)
        assert not name.startswith("{")
        if name in ORDER:
            places = [ORDER[name].index(child.tag.removeprefix(GPX)) for child in element]
            assert places == sorted(places), name
        if name in ("wpt", "trkpt"):
            assert -90 <= float(element.attrib["lat"]) <= 90
            assert -180 <= float(element.attrib["lon"]) < 180
        if name == "ele":
            assert re.fullmatch(r"-?\d+\.\d", element.text)
        if name == "time":
            assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", element.text)


@pytest.mark.skipif("ROUTEPLAN_GPX_SCHEMA" not in os.environ, reason="ROUTEPLAN_GPX_SCHEMA names no gpx.xsd")
def test_gpx_published_schema_itself(plan, track):
    """http://www.topografix.com/GPX/1/1/gpx.xsd as published."""
    schema = pytest.importorskip("xmlschema").XMLSchema(os.environ["ROUTEPLAN_GPX_SCHEMA"])
    awkward = replace(plan.routes[0], why='<b> & "quotes" ]]>', headline="\u00e9\u4e2d")
    whole = replace(plan, routes=(awkward, *plan.routes[1:]))
    texts = [track, *(gpx.gpx(each, route) for each in (whole, shared(whole)) for route in each.routes)]
    for text in texts:
        assert [str(error) for error in schema.iter_errors(ElementTree.fromstring(text))] == []
    with_wrong_order = track.replace("<trkseg>", "<name>again</name><trkseg>", 1)
    assert list(schema.iter_errors(ElementTree.fromstring(with_wrong_order)))


def test_gpx_property_read_by_another_reader(plan, track, tmp_path):
    read = gpxpy.parse(track)
    samples = plan.routes[1].samples
    points = read.tracks[0].segments[0].points
    assert len(read.tracks) == len(read.tracks[0].segments) == 1
    assert [p.latitude for p in points] == pytest.approx(samples.latitude_deg, abs=1e-6)
    assert [p.longitude for p in points] == pytest.approx(samples.longitude_deg, abs=1e-6)
    assert read.length_2d() == pytest.approx(plan.routes[1].length_m, rel=0.005)
    assert points[0].time == plan.routes[1].departs.astimezone(UTC)
    seconds = (points[-1].time - points[0].time).total_seconds()
    assert seconds == pytest.approx(plan.routes[1].ride_time_s, abs=1)
    path = tmp_path / "ride.gpx"
    path.write_text(track)
    assert len(pyogrio.read_dataframe(path, layer="track_points")) == len(points)


def test_gpx_property_waypoints_are_few_short_and_ascii(plan):
    from test_output_pictures import PLANS

    for each in (plan, PLANS["crowded"]):
        for route in each.routes:
            marks = gpx.waypoints(each, route)
            assert len(marks) <= 50
            assert all(mark.name.isascii() and 0 < len(mark.name) <= 15 for mark in marks)
            assert [m.distance_m for m in marks] == sorted(m.distance_m for m in marks)
            names = {mark.name for mark in marks}
            assert "START" in names and any(name.startswith("NET ON") for name in names)


@pytest.mark.parametrize(
    "text, name",
    [
        ("Coll d'Ordino", "Coll dOrdino"),
        ("Łódź Ærø", "Lodz AEro"),
        ("Straße & Weg", "Strasse Weg"),
        ("Λόφος", ""),
        ("A very long name of a place", "A very long nam"),
    ],
)
def test_gpx_property_ascii_names(text, name):
    assert gpx.ascii_name(text) == name


def test_gpx_property_awkward_texts_are_escaped(plan):
    route = replace(plan.routes[0], why='<b> & "quotes" ]]>')
    assert gpxpy.parse(gpx.gpx(plan, route)).tracks[0].description == '<b> & "quotes" ]]>'


def test_geojson_published_rules(plan):
    """RFC 7946: longitude first, WGS 84, no crs member, positions of 2 or 3 numbers, lines of at least 2 positions."""
    text = features.geojson(plan)
    document = json.loads(text, parse_constant=lambda word: pytest.fail(word))
    assert document["type"] == "FeatureCollection"
    assert "crs" not in text
    for feature in document["features"]:
        assert feature["type"] == "Feature" and isinstance(feature["properties"], dict)
        geometry = feature["geometry"]
        line = geometry["coordinates"] if geometry["type"] == "LineString" else [geometry["coordinates"]] * 2
        assert len(line) >= 2
        assert len({len(position) for position in line}) == 1
        for east, north, *up in line:
            assert -34 < east < -32 and 37 < north < 39 and len(up) <= 1


def test_geojson_property_read_by_another_reader(plan, tmp_path):
    path = tmp_path / "rides.geojson"
    path.write_text(features.geojson(plan), encoding="utf-8")
    frame = pyogrio.read_dataframe(path)
    assert len(frame) == len(features.features(plan))
    assert frame.crs.to_epsg() == 4326 or "84" in frame.crs.name
    assert set(frame["layer"]) == {"routes", "contact", "stretches", "places", "stations"}


def test_contact_lines_property_cover_the_ride_once(plan):
    for route in plan.routes:
        lines = [f for f in features.features(plan) if f.layer == "contact" and f.properties["route"] == route.id]
        assert sum(f.properties["end_m"] - f.properties["begin_m"] for f in lines) == pytest.approx(
            route.length_m, abs=len(lines)
        )
        assert {f.properties["contact"] for f in lines} <= set(features.CLASSES.values())


def test_geopackage_property_read_by_another_reader(plan, tmp_path):
    path = tmp_path / "rides.gpkg"
    features.write_geopackage(plan, path)
    assert path.read_bytes()[:16] == b"SQLite format 3\0"
    layers = dict(pyogrio.list_layers(path).tolist())
    assert layers == {
        "routes": "LineString",
        "contact": "LineString",
        "stretches": "LineString",
        "places": "Point",
        "stations": "Point",
    }
    routes = pyogrio.read_dataframe(path, layer="routes")
    assert routes.crs.to_epsg() == 4326
    assert routes["length_m"].to_numpy() == pytest.approx([r.length_m for r in plan.routes])
    assert routes["headline"].tolist() == [r.headline for r in plan.routes]
    places = pyogrio.read_dataframe(path, layer="places")
    assert places["chance"].isna().sum() == sum(np.isnan(p.chance) for r in plan.routes for p in r.calling_places)


def test_kml_property_read_by_another_reader(plan, tmp_path):
    path = tmp_path / "rides.kml"
    path.write_text(features.kml(plan), encoding="utf-8")
    root = ElementTree.parse(path).getroot()
    assert root.tag == "{http://www.opengis.net/kml/2.2}kml"
    layers = pyogrio.list_layers(path)
    assert len(layers) == len(plan.routes) + 1
    assert "stations" in layers[:, 0]
    # OGC 07-147r2: a placemark's name comes before its description, style and geometry
    for mark in root.iter("{http://www.opengis.net/kml/2.2}Placemark"):
        names = [child.tag.split("}")[1] for child in mark]
        wanted = ["name", "description", "styleUrl", "LineString", "Point"]
        assert [wanted.index(n) for n in names] == sorted(wanted.index(n) for n in names)


def unfolded(text: str) -> list[str]:
    return text.replace("\r\n ", "").split("\r\n")[:-1]


def test_calendar_published_line_rules(plan):
    """RFC 5545, 3.1: CRLF, at most 75 octets; 3.6: the properties an event must have, once each."""
    text = calendar.calendar(plan, plan.routes[0])
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", "")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    lines = unfolded(text)
    assert lines[0] == "BEGIN:VCALENDAR" and lines[-1] == "END:VCALENDAR"
    assert "VERSION:2.0" in lines
    for part in text.split("BEGIN:VEVENT")[1:]:
        for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY"):
            assert len(re.findall(rf"^{name}[;:]", part, re.M)) == 1


def test_calendar_property_read_by_another_reader(plan):
    icalendar = pytest.importorskip("icalendar")
    route = plan.routes[0]
    read = icalendar.Calendar.from_ical(calendar.calendar(plan, route))
    ride, net = read.walk("VEVENT")
    assert ride["DTSTART"].dt == route.departs
    assert (ride["DTEND"].dt - ride["DTSTART"].dt).total_seconds() == pytest.approx(route.ride_time_s, abs=1)
    assert net["DTSTART"].dt == plan.nets[0].begins
    assert str(net["SUMMARY"]) == plan.nets[0].name
    assert str(ride["DESCRIPTION"]).splitlines()[0] == route.headline


@pytest.mark.parametrize(
    "day, utc_hour", [((2026, 3, 27), 18), ((2026, 4, 3), 17), ((2026, 10, 23), 17), ((2026, 10, 30), 18)]
)
def test_calendar_property_local_time_across_the_change_of_clocks(plan, day, utc_hour):
    """19:30 in Andorra is 18:30 UTC in winter and 17:30 in summer; the zone in the file must say so by itself."""
    zone = ZoneInfo("Europe/Andorra")
    begins, ends = (datetime(*day, hour, 30, tzinfo=zone) for hour in (19, 20))
    net = PlannedNet("évening; net, one", 145.5, "FM", begins, ends, None)
    route = replace(plan.routes[0], departs=datetime(*day, 19, 0, tzinfo=zone))
    text = calendar.calendar(replace(plan, nets=(net,), time_zone="Europe/Andorra"), route)
    lines = unfolded(text)
    assert f"DTSTART;TZID=Europe/Andorra:{begins:%Y%m%dT193000}" in lines
    assert r"SUMMARY:évening\; net\, one" in lines
    # the last onset before the event gives its offset, read by hand
    onsets = re.findall(r"DTSTART:(\d{8}T\d{6})\r\nTZOFFSETFROM:([+-]\d{4})\r\nTZOFFSETTO:([+-]\d{4})", text)
    offset = max((o for o in onsets if o[0] <= f"{begins:%Y%m%dT193000}"), key=lambda o: o[0])[2]
    assert 19 - int(offset[1:3]) == utc_hour
    icalendar = pytest.importorskip("icalendar")
    event = icalendar.Calendar.from_ical(text).walk("VEVENT")[1]
    assert event["DTSTART"].dt.astimezone(UTC).hour == utc_hour


def test_csv_property_columns(plan):
    route = plan.routes[1]
    text = columns.samples_csv(plan, route)
    assert "nan" not in text.lower()
    table = list(csv.DictReader(io.StringIO(text)))
    assert len(table) == len(route.samples.distance_m)
    assert [float(row["distance_m"]) for row in table] == pytest.approx(route.samples.distance_m, abs=0.05)
    known = [row for row in table if row["Fennick Hill chance"]]
    assert 0 < len(known) < len(table)
    assert table[0]["local_time"] == route.departs.strftime("%Y-%m-%dT%H:%M:%S")
