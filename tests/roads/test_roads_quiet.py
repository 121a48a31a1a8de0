"""Quiet zones along a ride, traffic stress, places beside the road."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.roads import tags
from routeplan.roads.along import along
from routeplan.roads.network import Ways
from routeplan.roads.quiet import QuietZone, place_rank, quiet_mask, quiet_zones
from routeplan.roads.reader import read_osm

LANE = {"highway": "unclassified"}


def ride(network) -> np.ndarray:
    """Edges along the streets from west to east, at y = 0."""
    edges, at = [], int(np.argmin(network.node_x_m + 1e3 * np.abs(network.node_y_m - network.node_y_m[0])))
    first, head = network.csr()
    while True:
        onward = [e for e in range(first[at], first[at + 1])
                  if network.node_x_m[head[e]] > network.node_x_m[at] + 1
                  and abs(network.node_y_m[head[e]] - network.node_y_m[at]) < 30]  # fmt: skip
        if not onward:
            return np.array(edges)
        edges.append(onward[0])
        at = int(head[onward[0]])


def zones(path, **more):
    network = read_osm(path).network
    return {z.why: (round(z.begin_m), round(z.end_m)) for z in quiet_zones(network, ride(network), **more)}


def line(*tags_at, length=1000, step=100):
    """Nodes along y = 0; tags_at: (x, tags)."""
    at = dict(tags_at)
    return {i + 1: (i * step, 0, at.get(i * step, {})) for i in range(length // step + 1)}


def test_plain_lane_has_none(osm_file):
    assert zones(osm_file(line(), [(1, list(range(1, 12)), LANE)])) == {}


@pytest.mark.parametrize(
    "words, why",
    [({"highway": "traffic_signals"}, "signal"), ({"highway": "crossing", "crossing": "zebra"}, "crossing"),
     ({"railway": "level_crossing"}, "level crossing"), ({"highway": "give_way"}, "stop or give way")],
)  # fmt: skip
def test_spots(osm_file, words, why):
    assert zones(osm_file(line((500, words)), [(1, list(range(1, 12)), LANE)])) == {why: (450, 520)}


def test_larger_road_across(osm_file):
    nodes = line() | {20: (500, 300), 21: (500, -300)}
    for kind, expected in (
        ("secondary", {"junction with a larger road": (450, 520)}),
        ("service", {}),
        ("residential", {}),
    ):
        ways = [(1, list(range(1, 12)), LANE), (2, [20, 6, 21], {"highway": kind})]
        assert zones(osm_file(nodes, ways)) == expected
    # Riding along the larger road, a lane that joins is none.
    ways = [(1, list(range(1, 12)), {"highway": "secondary"}), (2, [20, 6, 21], LANE)]
    assert zones(osm_file(nodes, ways)) == {}


def test_turning_onto_a_larger_road(osm_file):
    ways = [(1, [1, 2, 3, 4, 5, 6], LANE), (2, [6, 7, 8, 9, 10, 11], {"highway": "tertiary"}), (3, [6, 20], LANE)]
    assert zones(osm_file(line() | {20: (500, 400)}, ways)) == {"junction with a larger road": (450, 520)}


def test_roundabout_with_lead(osm_file):
    nodes = {1: (0, 0), 2: (480, 0), 3: (500, 20), 4: (520, 0), 5: (500, -20), 6: (1000, 0)}
    ways = [(1, [1, 2], LANE), (2, [2, 5, 4, 3, 2], LANE | {"junction": "roundabout"}), (3, [4, 6], LANE)]
    got = zones(osm_file(nodes, ways))
    assert got == {"roundabout": (430, round(480 + 2 * np.hypot(20, 20) + 50))}


def test_fast_road_and_tunnel(osm_file):
    def with_middle(words):
        ways = [(1, [1, 2, 3, 4], LANE), (2, [4, 5, 6, 7], words), (3, [7, 8, 9, 10, 11], LANE)]
        return zones(osm_file(line(), ways))

    assert with_middle(LANE | {"maxspeed": "80"}) == {"fast road without a lane": (250, 620)}
    assert with_middle(LANE | {"maxspeed": "80", "cycleway": "lane"}) == {}
    assert with_middle(LANE | {"maxspeed": "70"}) == {}
    assert with_middle(LANE | {"tunnel": "yes"}) == {"tunnel": (250, 620)}


def test_slopes_and_speed(osm_file):
    network = read_osm(osm_file(line(), [(1, list(range(1, 12)), LANE)])).network
    edges = ride(network)
    route = along(network, edges)
    middle = (route.distance_m[1:] + route.distance_m[:-1]) / 2
    grade = np.where((middle > 200) & (middle < 400), -0.08, np.where((middle > 600) & (middle < 800), 0.09, -0.02))
    got = {z.why: (round(z.begin_m), round(z.end_m)) for z in quiet_zones(network, edges, grade=grade)}
    assert got == {"steep descent": (180, 420), "climb": (600, 800)}
    speed = np.where(middle > 900, 10.0, 5.0)
    got = {z.why for z in quiet_zones(network, edges, grade=grade, speed_m_s=speed)}
    assert got == {"steep descent", "climb", "fast descent"}
    # Without grades they come from the fitted heights; NaN heights say nothing.
    assert quiet_zones(network, edges) == ()
    hill = network.with_heights(np.abs(network.point_x_m) * -0.1)
    assert {z.why for z in quiet_zones(hill, edges)} == {"steep descent", "climb"}


def test_mask_touches_whole_pieces():
    distance = np.array([0.0, 10, 20, 30, 40])
    zones = (QuietZone(12, 25, "signal"), QuietZone(38, 40, "climb"))
    assert quiet_mask(zones, distance).tolist() == [False, True, True, True]
    assert quiet_mask(zones, distance, frozenset({"climb"})).tolist() == [False, True, True, False]


def test_place_rank(osm_file):
    ways = [(1, [1, 2, 3], {"highway": "primary"}), (2, [2, 4], {"highway": "service"})]
    network = read_osm(osm_file({1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100)}, ways)).network
    rank = dict(zip(network.node_id.tolist(), place_rank(network).tolist()))
    assert rank == {1: 5, 2: 5, 3: 5, 4: 1}


# --- stress ---
def stress_of(**words: str) -> float:
    return float(Ways.of([tags.attributes({k.replace("__", ":"): v for k, v in words.items()})]).stress[0])


def test_property_stress_order():
    calm = stress_of(highway="living_street")
    lane = stress_of(highway="unclassified")
    tertiary, secondary, primary, trunk = (stress_of(highway=k) for k in ("tertiary", "secondary", "primary", "trunk"))
    assert calm == stress_of(highway="cycleway") == stress_of(highway="track") == 0
    assert 0 < lane < tertiary < secondary < primary < trunk <= 3
    assert lane < 1 and 1.5 < primary < 3
    assert stress_of(highway="primary", maxspeed="50") < primary < stress_of(highway="primary", maxspeed="90")
    assert stress_of(highway="primary", cycleway="lane") < primary < stress_of(highway="primary", lanes="4")
    assert stress_of(highway="secondary", cyclestreet="yes") == 0


# --- places ---
def test_places_beside_the_road(osm_file):
    nodes = line((300, {"barrier": "gate"})) | {
        30: (500, 20, {"tourism": "viewpoint", "name": "Sea View"}),
        31: (500, 400, {"natural": "peak", "name": "High Top", "ele": "412"}),
        32: (500, 401, {"natural": "peak"}),
        33: (200, 10, {"amenity": "parking", "access": "private"}),
        34: (700, 300, {"highway": "bus_stop"}),
        **{40 + i: (800 + 20 * (i in (1, 2)), 10 + 20 * (i > 1)) for i in range(4)},
    }
    ways = [(1, list(range(1, 12)), LANE), (2, [40, 41, 42, 43, 40], {"leisure": "park", "name": "Green"})]
    data = read_osm(osm_file(nodes, ways))
    places, network = data.places, data.network
    rows = {(k, n): i for i, (k, n) in enumerate(zip(places.kind, places.name))}
    assert set(rows) == {
        ("gate", ""),
        ("viewpoint", "Sea View"),
        ("peak", "High Top"),
        ("bus stop", ""),
        ("green", "Green"),
    }
    view = rows["viewpoint", "Sea View"]
    assert places.distance_m[view] == pytest.approx(20, abs=0.2) and places.offset_m[view] == pytest.approx(500, abs=1)
    assert places.calling[view] and not places.calling[rows["peak", "High Top"]]
    assert places.ele_m[rows["peak", "High Top"]] == 412 and places.street[rows["peak", "High Top"]] == 0
    assert places.street[rows["bus stop", ""]] == -1  # 300 m off: no place to stop on this ride
    assert places.distance_m[rows["green", "Green"]] == pytest.approx(20, abs=1)
    some = places.take(places.calling)
    assert len(some) == 4 and some.beside(network).street.tolist() == some.street.tolist()
