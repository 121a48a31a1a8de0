"""The demo island: what it must hold, that it is sound as a map, and that its script still makes it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
import shapely

FOLDER = Path(__file__).parents[2] / "demo_area"
PAVED = {"asphalt", "chipseal", "paved", "concrete", "sett", "paving_stones", None}
LANES = {"trunk", "primary", "secondary", "tertiary", "unclassified", "residential", "service", "living_street"}


@dataclass(frozen=True)
class Raster:
    height_m: np.ndarray
    transform: tuple
    crs: object
    nodata: float | None
    band_tags: dict

    def at(self, x, y):
        """Bilinear heights at UTM metres."""
        from scipy.ndimage import map_coordinates

        a, _, west, _, e, north = self.transform[:6]
        row, column = (np.asarray(y) - north) / e - 0.5, (np.asarray(x) - west) / a - 0.5
        return map_coordinates(self.height_m, [row, column], order=1, mode="nearest")


@dataclass(frozen=True)
class Map:
    """What roads.osm.pbf holds; places in UTM metres."""

    xy: dict[int, np.ndarray]
    node_tags: dict[int, dict[str, str]]
    ways: list[tuple[list[int], dict[str, str]]]
    relations: list[tuple[list[tuple[str, int, str]], dict[str, str]]]

    def line(self, refs):
        return np.array([self.xy[r] for r in refs])

    @property
    def roads(self):
        return [(refs, tags) for refs, tags in self.ways if "highway" in tags]

    def places(self, kind):
        return {t["name"]: self.xy[n] for n, t in self.node_tags.items() if t.get("place") == kind}


def read_map(path: Path, to_xy) -> Map:
    import osmium

    lonlat, node_tags, ways, relations = {}, {}, [], []
    for o in osmium.FileProcessor(str(path)):
        tags = {t.k: t.v for t in o.tags}
        if o.is_node():
            lonlat[o.id] = (o.location.lon, o.location.lat)
            if tags:
                node_tags[o.id] = tags
        elif o.is_way():
            ways.append(([n.ref for n in o.nodes], tags))
        else:
            relations.append(([(m.type, m.ref, m.role) for m in o.members], tags))
    x, y = to_xy.transform(*np.array(list(lonlat.values())).T)
    return Map(dict(zip(lonlat, np.column_stack([x, y]))), node_tags, ways, relations)


@pytest.fixture(scope="module")
def to_xy():
    from pyproj import Transformer

    return Transformer.from_crs(4326, 32625, always_xy=True)


@pytest.fixture(scope="module")
def demo_map(to_xy) -> Map:
    return read_map(FOLDER / "roads.osm.pbf", to_xy)


@pytest.fixture(scope="module")
def raster() -> Raster:
    return read_raster(FOLDER / "elevation.tif")


def read_raster(path: Path) -> Raster:
    import rasterio

    with rasterio.open(path) as file:
        return Raster(file.read(1), tuple(file.transform), file.crs, file.nodata, file.tags())


def length_m(line) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def one_way_for_bicycles(tags) -> bool:
    if tags.get("oneway") != "yes" and tags.get("junction") != "roundabout":
        return False
    return tags.get("oneway:bicycle") != "no" and not tags.get("cycleway", "").startswith("opposite")


# --- size and content --------------------------------------------------------------------------------------


def test_property_the_folder_is_small():
    files = [p for p in FOLDER.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 4e6


def test_property_junctions_and_kilometres(demo_map):
    uses: Counter = Counter()
    for refs, _ in demo_map.roads:
        for n, r in enumerate(refs):
            uses[r] += 1 if n in (0, len(refs) - 1) else 2
    assert sum(v >= 3 for v in uses.values()) >= 1500
    assert sum(length_m(demo_map.line(refs)) for refs, _ in demo_map.roads) >= 600e3


WAY_TAGS = """
highway: trunk primary secondary tertiary unclassified residential track path bridleway cycleway footway steps
highway: pedestrian living_street service
oneway: yes;  oneway:bicycle: no;  cycleway: opposite_lane;  cycleway:left:oneway: -1;  junction: roundabout
bridge: yes;  tunnel: yes;  route: ferry;  bicycle: yes dismount designated permissive no;  access: private
natural: coastline water wood heath;  landuse: residential industrial forest village_green;  leisure: park
waterway: stream river;  power: line;  maxspeed: 30 50 80 90;  tracktype: grade1 grade2 grade3 grade4 grade5
surface: asphalt chipseal compacted fine_gravel gravel ground grass sett paving_stones;  smoothness: bad very_bad
"""
POINT_TAGS = """
highway: traffic_signals crossing stop give_way bus_stop mini_roundabout passing_place;  traffic_calming: table hump
barrier: gate cattle_grid stile bollard cycle_barrier;  ford: yes;  parking: layby;  tourism: viewpoint picnic_site
amenity: parking shelter drinking_water;  natural: peak;  place: town village hamlet;  man_made: mast
"""


def tags_of(text):
    groups = [g.strip().rpartition(": ") for line in text.split("\n") for g in line.split(";") if g.strip()]
    return [(key, value) for key, _, values in groups for value in values.split()]


@pytest.mark.parametrize("key, value", tags_of(WAY_TAGS))
def test_property_ways_of_each_kind(demo_map, key, value):
    assert any(t.get(key) == value for _, t in [*demo_map.ways, *demo_map.relations])


@pytest.mark.parametrize("key, value", tags_of(POINT_TAGS))
def test_property_points_of_each_kind(demo_map, key, value):
    assert any(t.get(key) == value for t in demo_map.node_tags.values())


def test_property_enough_of_what_a_plan_rests_on(demo_map):
    ways = Counter(f"{k}={v}" for _, tags in demo_map.ways for k, v in tags.items())
    points = Counter(f"{k}={v}" for tags in demo_map.node_tags.values() for k, v in tags.items())
    assert ways["oneway:bicycle=no"] >= 40 and ways["junction=roundabout"] >= 6 and ways["bridge=yes"] >= 20
    assert points["highway=traffic_signals"] >= 10 and points["barrier=gate"] >= 20
    assert points["place=town"] == 2 and points["place=village"] >= 12 and points["place=hamlet"] >= 20
    names = {t["name"] for _, t in demo_map.roads if "name" in t}
    assert len(names) > 200


def test_property_turn_bans_name_ways_that_meet(demo_map):
    bans = [(m, t) for m, t in demo_map.relations if t.get("type") == "restriction"]
    assert len(bans) >= 4 and any(t.get("except") == "bicycle" for _, t in bans)
    for members, _ in bans:
        by_role = {role: ref for _, ref, role in members}
        for role in ("from", "to"):
            refs = demo_map.ways[by_role[role] - 1][0]
            assert by_role["via"] in (refs[0], refs[-1])


def test_property_peaks_stand_on_the_raster(demo_map, raster):
    peaks = [(demo_map.xy[n], float(t["ele"])) for n, t in demo_map.node_tags.items() if t.get("natural") == "peak"]
    xy = np.array([p for p, _ in peaks])
    assert np.abs(raster.at(*xy.T) - [e for _, e in peaks]).max() < 1.0


# --- a sound map -------------------------------------------------------------------------------------------


def test_property_roads_that_cross_share_a_point(demo_map):
    ends, pairs = [], []
    for refs, tags in demo_map.roads:
        if "tunnel" in tags or tags.get("bridge") == "yes":
            continue
        line = demo_map.line(refs)
        pairs += list(pairwise(line))
        ends += list(pairwise(refs))
    segments = shapely.linestrings(np.array(pairs))
    i, j = shapely.STRtree(segments).query(segments, predicate="crosses")
    loose = [(a, b) for a, b in zip(i, j) if a < b and not set(ends[a]) & set(ends[b])]
    assert loose == []


def road_graph(demo_map):
    g = nx.DiGraph()
    for refs, tags in demo_map.roads:
        line = demo_map.line(refs)
        for a, b, p, q in zip(refs, refs[1:], line, line[1:]):
            g.add_edge(a, b, length=float(np.hypot(*(q - p))))
            if not one_way_for_bicycles(tags):
                g.add_edge(b, a, length=float(np.hypot(*(q - p))))
    return g


def test_property_one_network_full_of_loops(demo_map):
    g = road_graph(demo_map)
    whole = g.to_undirected()
    assert nx.is_connected(whole)
    total = sum(d["length"] for *_, d in whole.edges(data=True))
    alone = sum(whole.edges[e]["length"] for e in nx.bridges(whole))
    assert alone < 0.12 * total  # the rest lies on some loop
    strong = max(nx.strongly_connected_components(g), key=len)
    assert len(strong) > 0.99 * len(g)


def test_property_roads_keep_to_rideable_grades(demo_map, raster):
    """Grades over 60 m. Paved roads: under 3 % of the length above 15 %; all roads and tracks: under 5 %."""
    steep, whole = Counter(), Counter()
    for refs, tags in demo_map.roads:
        if tags["highway"] == "steps" or {"bridge", "tunnel"} & tags.keys():
            continue
        line = demo_map.line(refs)
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        if along[-1] < 60:
            continue
        at = np.linspace(0, along[-1], max(2, round(along[-1] / 10)) + 1)
        height = raster.at(np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1]))
        middle = np.linspace(30, along[-1] - 30, len(at))
        rise = np.interp(middle + 30, at, height) - np.interp(middle - 30, at, height)
        paved = tags["highway"] in LANES and tags.get("surface") in PAVED
        for name in ("all", "paved") if paved else ("all",):
            whole[name] += along[-1]
            steep[name] += along[-1] * float((np.abs(rise) / 60 > 0.15).mean())
    assert steep["paved"] < 0.03 * whole["paved"]
    assert steep["all"] < 0.05 * whole["all"]


def test_property_coast_closed_with_land_on_the_left(demo_map, raster):
    rings = [refs for refs, tags in demo_map.ways if tags.get("natural") == "coastline"]
    assert rings and all(refs[0] == refs[-1] for refs in rings)
    shapes = [shapely.LinearRing(demo_map.line(refs)) for refs in rings]
    assert all(ring.is_ccw and ring.is_simple for ring in shapes)
    land = shapely.union_all([shapely.Polygon(ring) for ring in shapes])
    west, south, east, north = land.bounds
    assert 20e3 < east - west < 28e3 and 15e3 < north - south < 22e3
    x, y = np.meshgrid(np.arange(west - 1500, east + 1500, 97.0), np.arange(south - 1500, north + 1500, 97.0))
    inside = shapely.contains_xy(land.buffer(-60), x, y)
    outside = ~shapely.contains_xy(land.buffer(60), x, y)
    height = raster.at(x, y)
    assert (height[inside] > 0).all() and (height[outside] == 0).all()


def test_property_elevation_states_what_it_is(raster):
    assert raster.crs.to_epsg() is None or raster.crs.to_epsg() > 0
    assert "EGM2008" in raster.crs.to_wkt() and "UTM zone 25N" in raster.crs.to_wkt()
    assert raster.transform[0] == 30.0 and raster.transform[4] == -30.0
    assert np.isfinite(raster.height_m).all() and raster.height_m.min() == 0
    assert 500 < raster.height_m.max() <= 700
    assert raster.band_tags["ELEVATION_KIND"] == "terrain" and "MIT" in raster.band_tags["LICENCE"]


# --- radio -------------------------------------------------------------------------------------------------


def test_property_the_towns_lie_in_each_others_shadow(demo_map, raster):
    """A 10 m mast in one town, a rider in the other, 145 MHz: the ridge costs over 30 dB on top of free space."""
    from routeplan.radio import p1812

    one, two = (np.array(p) for p in demo_map.places("town").values())
    distance = float(np.hypot(*(two - one)))
    n = round(distance / 30)
    at = np.linspace(0, 1, n + 1)
    x, y = one[0] + at * (two[0] - one[0]), one[1] + at * (two[1] - one[1])
    height = raster.at(x, y)
    ray = (height[0] + 10) + at * (height[-1] + 1.5 - height[0] - 10)
    assert (height - ray).max() > 200
    zone = np.where(height > 0, 4, 1)
    loss = p1812.basic_loss_db(
        at * distance, height, np.zeros(n + 1), zone, frequency_hz=145e6, tx_height_m=10.0, rx_height_m=1.5,
        latitude_deg=41.2,
    )  # fmt: skip
    free_space = 20 * np.log10(4 * np.pi * distance * 145e6 / 299_792_458)
    assert loss - free_space > 30


# --- rides -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["net_evening", "far_side", "weekly"])
def test_property_ride_files_load(name, to_xy, demo_map):
    from routeplan.plan.ridefile import read_ride

    ride = read_ride(FOLDER / "rides" / f"{name}.toml")
    roads = shapely.STRtree([shapely.LineString(demo_map.line(refs)) for refs, _ in demo_map.roads])
    latitude, longitude = ride.start.position
    start = shapely.Point(to_xy.transform(longitude, latitude))
    assert len(roads.query(start, predicate="dwithin", distance=60.0))
    assert ride.start.departs is not None and ride.start.departs.utcoffset() is not None
    assert all(s.name.startswith("Q") for s in ride.stations)


def test_property_stations_stand_on_a_hill_and_in_both_towns(to_xy, demo_map, raster):
    from routeplan.plan.ridefile import read_ride

    stations = {
        s.name: s
        for name in ("net_evening", "far_side", "weekly")
        for s in read_ride(FOLDER / "rides" / f"{name}.toml").stations
    }
    where = {name: np.array(to_xy.transform(s.position[1], s.position[0])) for name, s in stations.items()}
    for town in demo_map.places("town").values():
        assert any(np.hypot(*(p - town)) < 900 for p in where.values())
    heights = {name: float(raster.at([p[0]], [p[1]])[0]) for name, p in where.items()}
    assert any(h > 120 and stations[name].hears_mhz is None for name, h in heights.items())
    assert any(s.hears_mhz is not None and s.talks_mhz is not None for s in stations.values())


def test_property_the_usual_ride_follows_streets(to_xy, demo_map, raster):
    import gpxpy

    track = gpxpy.parse((FOLDER / "rides" / "weekly.gpx").read_text(encoding="utf-8"))
    points = [p for part in track.tracks for segment in part.segments for p in segment.points]
    xy = np.column_stack(to_xy.transform([p.longitude for p in points], [p.latitude for p in points]))
    assert 25e3 < length_m(xy) < 35e3
    roads = shapely.union_all([shapely.LineString(demo_map.line(refs)) for refs, _ in demo_map.roads])
    shapely.prepare(roads)
    off = shapely.distance(roads, shapely.points(xy))
    assert np.quantile(off, 0.95) < 6 and off.max() < 15
    assert all(a.time < b.time for a, b in pairwise(points))
    assert np.abs(raster.at(*xy.T) - [p.elevation for p in points]).max() < 12


# --- the script --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def remade(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("island")
    script = FOLDER / "make_island.py"
    subprocess.run([sys.executable, str(script), str(folder)], check=True, timeout=300, env=dict(os.environ))
    return folder


def test_pin_the_script_still_makes_the_island(remade, to_xy, demo_map, raster):
    """The same content to the last bit where the libraries and processor are those of the files, else much the same."""
    again, roads = read_raster(remade / "elevation.tif"), read_map(remade / "roads.osm.pbf", to_xy)
    if (remade / "made_with.txt").read_text() == (FOLDER / "made_with.txt").read_text():
        assert np.array_equal(again.height_m, raster.height_m)
        assert roads.ways == demo_map.ways and roads.relations == demo_map.relations
        assert roads.node_tags == demo_map.node_tags
        assert all(np.array_equal(p, roads.xy[n]) for n, p in demo_map.xy.items())
        track = Path("rides") / "weekly.gpx"
        assert (remade / track).read_bytes() == (FOLDER / track).read_bytes()
    else:
        assert ((again.height_m > 0) == (raster.height_m > 0)).mean() > 0.99
        assert np.abs(again.height_m - raster.height_m).mean() < 8
        lengths = [sum(length_m(m.line(refs)) for refs, _ in m.roads) for m in (roads, demo_map)]
        assert lengths[0] == pytest.approx(lengths[1], rel=0.1)
