"""What is given away: no home, no call sign, in any byte of any file."""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import replace

import numpy as np
import pytest
from sample_plan import HOME, PROJECTION, sample_plan

from routeplan.errors import InputError
from routeplan.geo import distance_m, latlon_to_locator
from routeplan.output.share import shared
from routeplan.output.write import json_text, write_all

HOME_AT = PROJECTION.to_latlon(*HOME)


@pytest.fixture(scope="module")
def private():
    plan = sample_plan("AD", private=True)
    home = f"{HOME_AT[0]:.5f}, {HOME_AT[1]:.5f}"
    routes = tuple(replace(r, why=f"{r.why} Q1ABC hears you; from {home}.") for r in plan.routes)
    return replace(plan, title="Evening with Q9XYZ/P", routes=routes, notes=(f"Home is {home}, HM38kd73.",))


@pytest.fixture(scope="module")
def written(private, tmp_path_factory):
    folder = tmp_path_factory.mktemp("shared")
    return write_all(private, folder, share=True)


def test_share_property_cuts_both_ends(private):
    copy = shared(private)
    for before, after in zip(private.routes, copy.routes):
        far = distance_m(after.samples.latitude_deg, after.samples.longitude_deg, *HOME_AT)
        assert far[0] >= 500 and far[-1] >= 500
        assert after.samples.distance_m[0] == 0.0 and after.samples.time_s[0] == 0.0
        assert after.samples.distance_m[-1] <= before.length_m - 1000
        assert np.all(np.diff(after.samples.distance_m) > 0)
        assert after.length_m == before.length_m  # totals stay those of the whole ride
        for stretch in (*after.overs, *after.dead_stretches, *after.quiet_zones, *after.road_names):
            assert 0 <= stretch.begin_m <= stretch.end_m <= after.samples.distance_m[-1] + 1e-6
        assert after.ways_home == ()


def test_share_property_wall_times_stay_true(private):
    copy = shared(private)
    before, after = private.routes[1], copy.routes[1]
    cut = (after.departs - before.departs).total_seconds()
    assert cut > 60
    k = len(after.overs) // 2
    same = next(o for o in before.overs if o.label == after.overs[k].label)
    assert after.overs[k].end_s + cut == pytest.approx(same.end_s)


def test_share_property_takes_no_side_effects(private):
    before = json_text(private)
    shared(private)
    assert json_text(private) == before
    assert "Q1ABC" in before


def test_share_property_a_short_ride_is_refused():
    plan = sample_plan("A")
    route = plan.routes[0]
    keep = route.samples.distance_m < 900
    columns = {k: getattr(route.samples, k)[keep] for k in route.samples.__dataclass_fields__ if k != "stations"}
    stations = {
        name: replace(s, **{k: getattr(s, k)[keep] for k in s.__dataclass_fields__})
        for name, s in route.samples.stations.items()
    }
    short = replace(route, samples=replace(route.samples, **columns, stations=stations))
    with pytest.raises(InputError, match="too short"):
        shared(replace(plan, routes=(short,)))


@pytest.mark.parametrize(
    "text, kept",
    [
        ("Q1ABC", False),
        ("q9xyz/p", False),
        ("QP12ABC-7", False),
        ("1Q2AB", False),
        ("the B7 road", True),
        ("145.450 MHz", True),
        ("2 m", True),
        ("JN02sm", True),
        ("km 12.5", True),
        ("HM38kd", False),
    ],
)
def test_share_property_what_counts_as_private(text, kept):
    plan = sample_plan("A")
    home = latlon_to_locator(*HOME_AT, characters=6)
    text = text.replace("HM38kd", home)
    copy = shared(replace(plan, notes=(f"hear {text} here",)))
    assert (f"hear {text} here" in copy.notes) == kept
    assert kept or text not in copy.notes[0]


def readable(path) -> bytes:
    """A file's bytes, with the compressed parts of a PDF or PNG appended as plain bytes."""
    data = path.read_bytes()
    plain = [data]
    if data.startswith(b"%PDF"):
        for match in re.finditer(rb"stream\r?\n", data):
            try:
                plain.append(zlib.decompressobj().decompress(data[match.end() :]))
            except zlib.error:
                continue
    if data.startswith(b"\x89PNG"):
        at = 8
        while at < len(data):
            length, kind = struct.unpack(">I4s", data[at : at + 8])
            assert kind in (b"IHDR", b"IDAT", b"IEND", b"pHYs", b"sRGB", b"gAMA"), kind  # no text, no time
            at += 12 + length
    return b"\n".join(plain)


def test_share_property_no_call_sign_in_any_byte(written):
    assert len(written) > 12
    for path in written:
        data = readable(path).upper()
        for call in (b"Q1ABC", b"Q9XYZ"):
            assert call not in data, path.name
            assert call not in data.replace(b"\0", b""), path.name  # UTF-16
        joined = b"".join(re.findall(rb"\(([^()]*)\)", data))  # PDF shows text in pieces
        assert b"Q1ABC" not in joined and b"Q9XYZ" not in joined


def test_share_property_no_home_coordinates_in_any_byte(written):
    """Neither as decimal text within 500 m, nor as doubles or floats in binary files, nor as a locator."""
    locators = [latlon_to_locator(*HOME_AT, characters=n).encode().upper() for n in (6, 8)]
    for path in written:
        data = readable(path)
        for locator in locators:
            assert not re.search(rb"(?<![A-Z0-9])" + locator + rb"(?![A-Z0-9])", data.upper()), path.name
        numbers = [(m.start(), abs(float(m.group()))) for m in re.finditer(rb"\d{1,3}\.\d{3,}", data)]
        near_latitude = [at for at, value in numbers if abs(value - abs(HOME_AT[0])) < 0.0045]
        near_longitude = np.array([at for at, value in numbers if abs(value - abs(HOME_AT[1])) < 0.0057])
        for at in near_latitude:  # a pair of numbers that lie side by side is a position
            pair = len(near_longitude) and np.abs(near_longitude - at).min() < 40
            assert not pair, (path.name, data[max(0, at - 60) : at + 60])


def test_share_property_no_home_in_the_geopackage(written):
    path = next(path for path in written if path.suffix == ".gpkg")
    data = path.read_bytes()
    for offset in range(8):
        whole = len(data[offset:]) // 8 * 8
        with np.errstate(all="ignore"):
            doubles = np.frombuffer(data[offset : offset + whole], dtype="<f8")
            east, north = np.abs(doubles[:-1] - HOME_AT[1]), np.abs(doubles[1:] - HOME_AT[0])
            assert not ((east < 0.0057) & (north < 0.0045)).any()


def test_share_property_the_search_finds_what_is_there(private, tmp_path):
    """The same searches do find call sign and home in the private files: they are not blind."""
    paths = {path.name: path for path in write_all(private, tmp_path, share=False)}
    assert b"Q1ABC" in readable(paths["report.html"])
    shown = readable(paths["card_A.pdf"])
    assert b"Q1ABC" in shown or b"Q1ABC" in b"".join(re.findall(rb"\(([^()]*)\)", shown))
    assert f"{HOME_AT[0]:.5f}".encode()[:6] in readable(paths["ride_A.gpx"])
    doubles_found = False
    data = paths["rides.gpkg"].read_bytes()
    for offset in range(8):
        whole = len(data[offset:]) // 8 * 8
        doubles = np.frombuffer(data[offset : offset + whole], dtype="<f8")
        with np.errstate(all="ignore"):
            near = (np.abs(doubles[:-1] - HOME_AT[1]) < 1e-4) & (np.abs(doubles[1:] - HOME_AT[0]) < 1e-4)
        doubles_found |= bool(near.any())
    assert doubles_found
