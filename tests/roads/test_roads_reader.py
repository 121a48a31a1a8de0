"""Reading files: forms, several files, ground, coast, and everything that is no OpenStreetMap file."""

from __future__ import annotations

import bz2
import gzip

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.geo import Projection
from routeplan.roads.reader import read_osm

ROAD = {"highway": "residential"}
NODES = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100)}
WAYS = [(1, [1, 2], ROAD), (2, [2, 3], ROAD), (3, [2, 4], ROAD)]


def to_pbf(path, target):
    import osmium

    with osmium.SimpleWriter(str(target)) as writer:
        for thing in osmium.FileProcessor(str(path)):
            writer.add(thing)
    return target


def same(one, two):
    a, b = one.network.to_columns(), two.network.to_columns()
    return all(np.array_equal(a[k], b[k], equal_nan=np.asarray(a[k]).dtype.kind == "f") for k in a)


def test_all_forms_give_the_same(osm_file, tmp_path):
    plain = osm_file(NODES, WAYS)
    packed, bzipped = tmp_path / "map.osm.gz", tmp_path / "map.osm.bz2"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    bzipped.write_bytes(bz2.compress(plain.read_bytes()))
    expected = read_osm(plain)
    assert expected.network.street_count == 3
    for path in (packed, bzipped, to_pbf(plain, tmp_path / "map.osm.pbf")):
        assert same(read_osm(path), expected), path


def test_several_files_are_joined_and_shared_ways_count_once(osm_file):
    west = osm_file({k: NODES[k] for k in (1, 2, 4)}, [WAYS[0], WAYS[2]], name="west.osm")
    east = osm_file({k: NODES[k] for k in (2, 3, 4)}, [WAYS[1], WAYS[2]], name="east.osm")
    whole = read_osm(osm_file(NODES, WAYS))
    both = read_osm([west, east], whole.projection)
    assert both.counts["ways"] == 3 and sorted(both.network.node_id) == sorted(whole.network.node_id)
    assert both.network.street_length_m.sum() == pytest.approx(whole.network.street_length_m.sum())


def test_ways_before_nodes_is_still_read(map_text, tmp_path):
    lines = map_text(NODES, WAYS).splitlines()
    ways = [line for line in lines if line.startswith("<way")]
    nodes = [line for line in lines if line.startswith("<node")]
    path = tmp_path / "upside_down.osm"
    path.write_text("\n".join([*lines[:2], *ways, *nodes, "</osm>"]))
    assert read_osm(path).network.street_count == 3


def test_negative_ids_of_an_editor(osm_file):
    nodes = {-k: xy for k, xy in NODES.items()}
    ways = [(-i, [-n for n in refs], words) for i, refs, words in WAYS]
    assert read_osm(osm_file(nodes, ways)).network.street_length_m.sum() == pytest.approx(300, abs=0.5)


def test_extent_and_projection(osm_file):
    path = osm_file(NODES, WAYS)
    data = read_osm(path, Projection(0.0, 10.0))
    assert data.network.node_x_m.max() == pytest.approx(200, abs=0.1) and data.network.node_y_m.max() == pytest.approx(
        100, abs=0.1
    )
    assert data.extent_m == pytest.approx((0, 0, 200, 100), abs=0.1)
    south, west, _, _ = data.extent_deg
    assert (south, west) == (0, 10)
    part = read_osm(path, extent=(-1, 9, 1, 10 + 150 / 111_320))
    assert part.network.node_count == 2 and part.network.street_length_m.sum() == pytest.approx(200, abs=0.5)
    with pytest.raises(InputError, match="no road lies inside the extent"):
        read_osm(path, extent=(40, 9, 41, 10))


def test_ground_polygons(osm_file):
    square = {i + 10: xy for i, xy in enumerate([(0, 0), (100, 0), (100, 100), (0, 100)])}
    hole = {i + 20: xy for i, xy in enumerate([(40, 40), (60, 40), (60, 60), (40, 60)])}
    other = {i + 30: xy for i, xy in enumerate([(200, 0), (300, 0), (300, 100)])}
    ways = [*WAYS, (10, [10, 11, 12], {}), (11, [10, 13, 12], {}), (12, [20, 21, 22, 23, 20], {}),
            (13, [30, 31, 32, 30], {"landuse": "residential"}), (14, [30, 31, 32], {"natural": "water"})]  # fmt: skip
    members = [("way", 10, "outer"), ("way", 11, "outer"), ("way", 12, "inner"), ("way", 99, "outer")]
    relation = (1, members, {"type": "multipolygon", "landuse": "forest"})
    ground = read_osm(osm_file(NODES | square | hole | other, ways, [relation])).ground
    assert [(p.kind, [len(r) for r in p.rings]) for p in ground] == [
        ("landuse=residential", [4]),
        ("landuse=forest", [5, 5]),
    ]
    for polygon in ground:
        for ring in polygon.rings:
            assert (ring[0] == ring[-1]).all()


def test_two_outer_rings_share_out_the_holes(osm_file):
    def square(first, x, size):
        return {first: (x, 0), first + 1: (x + size, 0), first + 2: (x + size, size), first + 3: (x, size)}

    nodes = NODES | square(10, 0, 100) | square(20, 500, 100) | square(30, 520, 20)
    rings = [(10 * k, [10 * k, 10 * k + 1, 10 * k + 2, 10 * k + 3, 10 * k], {}) for k in (1, 2, 3)]
    members = [("way", 10, "outer"), ("way", 20, "outer"), ("way", 30, "inner")]
    ground = read_osm(
        osm_file(nodes, [*WAYS, *rings], [(1, members, {"type": "multipolygon", "natural": "wood"})])
    ).ground
    assert [len(p.rings) for p in ground] == [1, 2]


def test_coastline_is_joined_in_its_direction(osm_file):
    nodes = NODES | {i: (50 * i, -500) for i in range(10, 16)}
    coast = {"natural": "coastline"}
    ways = [*WAYS, (20, [12, 13], coast), (21, [10, 11, 12], coast), (22, [14, 15], coast)]
    lines = read_osm(osm_file(nodes, ways)).coastline
    assert sorted(len(line) for line in lines) == [2, 4]
    longest = max(lines, key=len)
    assert (np.diff(longest[:, 1]) > 0).all()


def test_dropped_ways_are_counted_by_their_row(osm_file):
    ways = [
        *WAYS,
        (8, [1, 4], {"highway": "motorway"}),
        (9, [3, 4], {"highway": "footway"}),
        (7, [1, 3], {"highway": "path"}),
    ]
    data = read_osm(osm_file(NODES, ways))
    assert data.dropped == {"footway": 1, "no-bicycles": 1} and data.kept == {"path-unsaid": 1, "road": 3}


def test_missing_nodes_are_counted(osm_file):
    data = read_osm(osm_file({k: NODES[k] for k in (1, 2, 4)}, WAYS))
    assert data.counts["node_locations_missing"] == 1 and data.network.street_length_m.sum() == pytest.approx(
        200, abs=0.5
    )


def test_two_nodes_at_one_place(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (100, 0), 4: (200, 0)}
    network = read_osm(osm_file(nodes, [(1, [1, 2], ROAD), (2, [2, 3], ROAD), (3, [3, 4], ROAD)])).network
    assert network.street_count == 1 and network.piece_length_m[network.piece_way >= 0].min() > 1


# --- bad input ---
def refused(path, match):
    with pytest.raises(InputError, match=match) as caught:
        read_osm(path)
    if path:  # a list of no files has no name
        assert path.name in str(caught.value)


def test_no_such_file(tmp_path):
    refused(tmp_path / "nowhere.osm.pbf", "no such file")
    refused([], "no file of roads")


def test_all_faults_at_once(osm_file, tmp_path):
    (tmp_path / "empty.osm").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        read_osm([tmp_path / "nowhere.osm", tmp_path / "empty.osm", osm_file(NODES, WAYS)])
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_pbf_cut_off(osm_file, tmp_path, share):
    rng = np.random.default_rng(0)
    nodes = {i: tuple(rng.uniform(0, 1000, 2)) for i in range(1, 2000)}
    whole = to_pbf(
        osm_file(nodes, [(i, [i, i + 1], ROAD) for i in range(1, 1999)]), tmp_path / "whole.osm.pbf"
    ).read_bytes()
    path = tmp_path / "cut.osm.pbf"
    path.write_bytes(whole[: int(len(whole) * share)])
    refused(path, "damaged or cut off")


def test_xml_and_gz_cut_off(osm_file, tmp_path):
    text = osm_file(NODES, WAYS).read_bytes()
    path = tmp_path / "cut.osm"
    path.write_bytes(text[: len(text) // 2])
    refused(path, "damaged or cut off")
    path = tmp_path / "cut.osm.gz"
    path.write_bytes(gzip.compress(text * 50)[:-200])
    refused(path, "cannot be unpacked")
    path.write_bytes(b"no gzip at all")
    refused(path, "cannot be unpacked")


@pytest.mark.parametrize(
    "text, match",
    [
        ('<?xml version="1.0"?><gpx version="1.1"><trk/></gpx>', "GPX track, not roads"),
        ("<!-- <osm> --><gpx/>", "GPX track"),
        ("<html><body>429 Too Many Requests</body></html>", "web page"),
        ("<kml></kml>", "begins with <kml>"),
        ("just words", "no OpenStreetMap file"),
        ('<?xml version="1.0"?><!DOCTYPE osm [<!ENTITY a "aaaa">]><osm>&a;</osm>', "document type or entities"),
        ('<!DOCTYPE osm SYSTEM "http://localhost/x.dtd"><osm/>', "document type"),
        ('<osm version="0.6"></osm>', "holds no roads"),
    ],
)
def test_not_a_map(tmp_path, text, match):
    path = tmp_path / "thing.osm"
    path.write_text(text)
    refused(path, match)


def test_web_page_named_pbf(tmp_path):
    path = tmp_path / "page.osm.pbf"
    path.write_text("<html>not found</html>")
    refused(path, "this is an XML file")
    path.write_bytes(bytes(range(256)) * 2)
    refused(path, "no OpenStreetMap file in PBF form")
    path = tmp_path / "roads.shp"
    path.write_bytes(b"x")
    refused(path, "ends in .shp")


def test_no_road_for_a_bicycle(osm_file):
    refused(
        osm_file(NODES, [(1, [1, 2], {"highway": "motorway"}), (2, [2, 3], {"building": "yes"})]),
        r"bicycle may ride \(1 others\)",
    )
    refused(osm_file({}, WAYS), "not the places of their nodes")


def test_bomb_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "bomb.osm.gz"
    with gzip.open(path, "wb", compresslevel=9) as stream:
        stream.write(b"<osm>")
        for _ in range(60):
            stream.write(b" " * 1_000_000)
    assert path.stat().st_size < 100_000
    refused(path, "unpacks to more than 5[0-9] MB")


def test_both_sides_of_the_antimeridian(map_text, tmp_path):
    text = (
        map_text(NODES, WAYS)
        .replace('lon="10.0000000"', 'lon="-179.9990000"')
        .replace('lon="10.0017966"', 'lon="179.9990000"')
    )
    path = tmp_path / "date_line.osm"
    path.write_text(text)
    refused(path, "antimeridian")
