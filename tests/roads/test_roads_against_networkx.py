"""Contraction, choices, splitting: distances stay those of the map as drawn, held to a plain networkx graph."""

from __future__ import annotations

import itertools

import networkx
import numpy as np
import pytest

from routeplan.roads import tags
from routeplan.roads.build import fuse
from routeplan.roads.reader import read_osm
from routeplan.roads.roundabouts import as_places

WORDS = [
    {"highway": "residential"}, {"highway": "residential"}, {"highway": "tertiary", "name": "Main"},
    {"highway": "residential", "oneway": "yes"}, {"highway": "residential", "oneway": "-1", "incline": "5%"},
    {"highway": "residential", "oneway": "yes", "cycleway": "opposite"}, {"highway": "path"}, {"highway": "footway"},
    {"highway": "steps"}, {"highway": "trunk"}, {"highway": "pedestrian", "oneway": "yes"}, {"highway": "track"},
]  # fmt: skip


def random_map(seed: int) -> tuple[dict, list]:
    """A grid with random streets left out, ways of several nodes, random tags, some gates and stiles."""
    rng = np.random.default_rng(seed)
    side = 6
    nodes = {}
    for i in range(side * side):
        words = {"barrier": "stile"} if rng.random() < 0.04 else {"barrier": "gate"} if rng.random() < 0.05 else {}
        nodes[i + 1] = (100 * (i % side) + rng.uniform(-20, 20), 100 * (i // side) + rng.uniform(-20, 20), words)
    ways = []
    for line in range(side):
        for along in (1, side):  # rows, then columns
            run = [line * (side if along == 1 else 1) + k * along + 1 for k in range(side)]
            while len(run) > 1:
                take = int(rng.integers(2, 5))
                if rng.random() < 0.85:
                    ways.append((len(ways) + 1, run[:take], WORDS[rng.integers(len(WORDS))]))
                run = run[take - 1 :]
    ways.append((len(ways) + 1, [1, 100, 101, 1], {"highway": "residential"}))  # a loop at a corner
    return nodes | {100: (-50, -80), 101: (30, -90)}, ways


def drawn(nodes: dict, ways: list, positions: dict, choices: frozenset[str]) -> networkx.DiGraph:
    """Every piece of every way an edge of its own, as the tags say; stiles have no place."""
    graph = networkx.DiGraph()
    for _, refs, words in ways:
        said = tags.legality(words)
        if not said.ride or said.choice not in choices:
            continue
        for a, b in itertools.pairwise(refs):
            if any(nodes[n][2:] and nodes[n][2].get("barrier") == "stile" for n in (a, b)):
                continue
            length = float(np.hypot(*np.subtract(positions[a], positions[b])))
            for tail, head, allowed in ((a, b, said.forward), (b, a, said.backward)):
                if allowed and not graph.get_edge_data(tail, head, {"length": np.inf})["length"] <= length:
                    graph.add_edge(tail, head, length=length)
    return graph


def distances(network) -> dict[int, dict[int, float]]:
    graph = networkx.DiGraph()
    for e in range(network.edge_count):
        ends = (int(network.node_id[network.edge_tail[e]]), int(network.node_id[network.edge_head[e]]))
        length = float(network.edge_length_m[e])
        if not graph.get_edge_data(*ends, {"length": np.inf})["length"] <= length:
            graph.add_edge(*ends, length=length)
    return dict(networkx.all_pairs_dijkstra_path_length(graph, weight="length"))


@pytest.mark.parametrize("seed", range(12))
def test_property_distances_are_those_of_the_map(osm_file, seed):
    nodes, ways = random_map(seed)
    data = read_osm(osm_file(nodes, ways))
    lat = {i: xy[1] / 110_574.3 for i, xy in nodes.items()}
    lon = {i: 10 + xy[0] / 111_319.5 for i, xy in nodes.items()}
    positions = {i: data.projection.to_xy(round(lat[i], 7), round(lon[i], 7)) for i in nodes}
    every = frozenset(tags.CHOICES)
    whole = data.network
    default = fuse(whole.subset(whole.allowed_streets()))
    split, _ = default.with_place_on(0, default.street_length_m[0] / 2)
    for network, choices in ((whole, every), (default, tags.DEFAULT_CHOICES), (split, tags.DEFAULT_CHOICES)):
        expected = dict(
            networkx.all_pairs_dijkstra_path_length(drawn(nodes, ways, positions, choices), weight="length")
        )
        got = distances(network)
        named = [int(i) for i in network.node_id if i > 0]
        assert named
        for a in named:
            reached = {b: d for b, d in got.get(a, {a: 0.0}).items() if b > 0}
            wanted = {b: d for b, d in expected.get(a, {a: 0.0}).items() if b in named}
            assert reached.keys() == wanted.keys()
            assert all(reached[b] == pytest.approx(wanted[b], abs=0.05) for b in reached)


@pytest.mark.parametrize("seed", range(4))
def test_property_roundabout_routes_come_back_whole(osm_file, seed):
    """A ring with arms drawn together and put back: the way is ridden round in the ring's direction."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 9))
    angle = 2 * np.pi * np.arange(count) / count
    ring = {i + 1: (25 * np.cos(t), 25 * np.sin(t)) for i, t in enumerate(angle)}
    arms = sorted(rng.choice(np.arange(1, count + 1), size=min(3, count), replace=False).tolist())
    far = {100 + i: (300 * np.cos(angle[i - 1]), 300 * np.sin(angle[i - 1])) for i in arms}
    ways = [(1, [*ring, 1], {"highway": "tertiary", "junction": "roundabout"})]
    ways += [(100 + i, [100 + i, i], {"highway": "tertiary"}) for i in arms]
    network = read_osm(osm_file(ring | far, ways)).network
    view = as_places(network)
    edge = {(int(network.node_id[network.edge_tail[e]]), int(network.node_id[network.edge_head[e]])): k
            for k, e in enumerate(view.edge.tolist())}  # fmt: skip
    for a in arms:
        for b in arms:
            if a != b:
                full = view.expand(np.array([edge[100 + a, a], edge[b, 100 + b]]))
                ids = [int(network.node_id[n]) for n in network.edge_tail[full]]
                passed = [i for i in range(a, a + count) if (i - 1) % count + 1 in arms]
                expected = [100 + a] + [(i - 1) % count + 1 for i in passed if (i - a) % count <= (b - a) % count]
                assert ids == expected
