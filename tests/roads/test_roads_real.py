"""A real place: what OSMnx's bicycle filter keeps and what is kept here, every difference named by a row.

The filter of OSMnx 2.1.1 (`network_type="bike"`, module _overpass) is written out below as tag tests. Set
ROUTEPLAN_REAL_AREA to a folder with one .osm.pbf.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from routeplan.roads import tags
from routeplan.roads.along import along
from routeplan.roads.build import fuse
from routeplan.roads.match import match_track
from routeplan.roads.parallel import near_streets
from routeplan.roads.reader import read_osm
from routeplan.roads.roundabouts import as_places

FOLDER = os.environ.get("ROUTEPLAN_REAL_AREA", "")
pytestmark = pytest.mark.skipif(not FOLDER, reason="ROUTEPLAN_REAL_AREA names no real place")

OSMNX_BIKE = {  # a way is kept when it has highway=* and none of these finds a match in its value
    "area": "yes",
    "access": "private",
    "highway": "abandoned|bus_guideway|construction|corridor|elevator|escalator|footway|motor|no|planned|platform|"
               "proposed|raceway|razed|rest_area|services|steps",
    "bicycle": "no",
    "service": "private",
}  # fmt: skip
# Rows by which something that OSMnx keeps is not ridden here by default, and the other way round.
THEY_KEEP = {"path-unsaid", "trunk", "access-no", "access-destination", "bicycle-destination", "bicycle-private",
             "driveway",
             "vehicle-no", "vehicle-destination", "motorroad", "fast", "moving-steps", "bicycle-sidepath", "unbuilt",
             "unknown-class", "no-bicycles", "long-tunnel"}  # fmt: skip
WE_KEEP = {"bicycle-yes", "steps", "steps-bicycle", "bicycle-dismount", "ferry"}


def osmnx_keeps(words: dict[str, str]) -> bool:
    return "highway" in words and not any(re.search(bad, words.get(key, "")) for key, bad in OSMNX_BIKE.items())


@pytest.fixture(scope="module")
def pbf() -> Path:
    return next(Path(FOLDER).glob("*.osm.pbf"))


@pytest.fixture(scope="module")
def data(pbf):
    return read_osm(pbf)


def differences(pbf: Path) -> tuple[Counter, Counter]:
    import osmium

    theirs_only, ours_only = Counter[str](), Counter[str]()
    for way in osmium.FileProcessor(str(pbf), osmium.osm.WAY).with_filter(osmium.filter.KeyFilter("highway", "route")):
        words = dict(way.tags)
        said = tags.legality(words)
        ours = said.ride and said.choice in tags.DEFAULT_CHOICES
        if osmnx_keeps(words) and not ours:
            theirs_only[said.rule] += 1
        elif ours and not osmnx_keeps(words):
            ours_only[said.rule] += 1
    return theirs_only, ours_only


def test_every_difference_from_osmnx_has_a_row(pbf):
    theirs_only, ours_only = differences(pbf)
    assert set(theirs_only) <= THEY_KEEP and set(ours_only) <= WE_KEEP
    assert sum(theirs_only.values()) and sum(ours_only.values())


def test_network_is_sound_and_hangs_together(data):
    network = data.network
    assert network.piece_length_m.max() <= 30.0 + 1e-6
    allowed = fuse(network.subset(network.allowed_streets()))
    core = allowed.components()[allowed.street_start] == 0
    assert allowed.street_length_m[core].sum() > 0.85 * allowed.street_length_m.sum()
    assert allowed.street_length_m.sum() == pytest.approx(network.street_length_m[network.allowed_streets()].sum())
    assert len(allowed.banned_turns) > 0
    assert as_places(allowed).edge.size < allowed.edge_count
    assert 0 < len(near_streets(allowed).streets) < allowed.street_count


def test_noisy_ride_is_found_again(data):
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    network = data.network.subset(data.network.allowed_streets())
    core = np.flatnonzero(network.components() == 0)
    stops = np.random.default_rng(4).choice(core, 7)
    pairs = (network.edge_tail, network.edge_head)
    shape = (network.node_count, network.node_count)
    shortest = {}
    for e in np.argsort(-network.edge_length_m, kind="stable").tolist():  # the shortest of parallel edges wins
        shortest[int(pairs[0][e]), int(pairs[1][e])] = e
    key = np.array(list(shortest))
    graph = csr_array((network.edge_length_m[list(shortest.values())], key.T), shape=shape)
    _, before = dijkstra(graph, indices=stops[:-1], return_predecessors=True)
    edges: list[int] = []
    for leg, end in enumerate(stops[1:].tolist()):
        way = []
        while end != stops[leg]:
            way.append(shortest[int(before[leg, end]), end])
            end = int(before[leg, end])
        edges += way[::-1]
    route = along(network, np.array(edges))
    distance = np.arange(0, route.distance_m[-1], 7.0)
    noise = np.random.default_rng(5).normal(0, 8, (2, len(distance)))
    x = np.interp(distance, route.distance_m, route.x_m) + noise[0]
    y = np.interp(distance, route.distance_m, route.y_m) + noise[1]
    match = match_track(network, x, y)
    length, street = network.street_length_m, network.edge_street
    ridden, found = set(street[edges].tolist()), set(street[match.edges].tolist())
    # A cycleway a few metres beside its road cannot be told from it at this noise.
    assert length[list(ridden & found)].sum() > 0.95 * length[list(ridden)].sum()
    assert length[list(found - ridden)].sum() < 0.05 * length[list(ridden)].sum()
    assert match.length_m == pytest.approx(distance[-1], rel=0.02)
