"""A track put on the streets: noise, gaps, turns, parallel streets."""

from __future__ import annotations

import time

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.roads.along import along
from routeplan.roads.match import match_track
from routeplan.roads.reader import read_osm

ROAD = {"highway": "residential"}
SIDE, STEP = 12, 150


@pytest.fixture(scope="module")
def grid_network(tmp_path_factory, map_text):
    """Twelve by twelve crossings, 150 m apart."""
    nodes = {i * SIDE + j + 1: (j * STEP, i * STEP) for i in range(SIDE) for j in range(SIDE)}
    ways = [(100 + i, [i * SIDE + j + 1 for j in range(SIDE)], ROAD) for i in range(SIDE)]
    ways += [(200 + j, [i * SIDE + j + 1 for i in range(SIDE)], ROAD) for j in range(SIDE)]
    path = tmp_path_factory.mktemp("grid") / "grid.osm"
    path.write_text(map_text(nodes, ways))
    return read_osm(path).network


def walk(network, count: int, seed: int) -> np.ndarray:
    """Edges of a ride that never turns back at once."""
    rng = np.random.default_rng(seed)
    first, _ = network.csr()
    edges = [int(rng.integers(network.edge_count))]
    while len(edges) < count:
        at = network.edge_head[edges[-1]]
        onward = [e for e in range(first[at], first[at + 1]) if e != network.edge_reverse[edges[-1]]]
        edges.append(int(rng.choice(onward)) if onward else int(network.edge_reverse[edges[-1]]))
    return np.array(edges)


def track(network, edges, *, every_m: float, noise_m: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """x, y with noise correlated over some 5 fixes, as receivers have it, and the true distance."""
    route = along(network, edges)
    distance = np.arange(0, route.distance_m[-1], every_m)
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1, (2, len(distance) + 8))
    noise = (
        np.array([np.convolve(row, np.ones(5) / np.sqrt(5), mode="valid")[: len(distance)] for row in noise]) * noise_m
    )
    x = np.interp(distance, route.distance_m, route.x_m) + noise[0]
    y = np.interp(distance, route.distance_m, route.y_m) + noise[1]
    return x, y, distance


@pytest.mark.parametrize("noise_m, seed", [(0.0, 0), (5.0, 1), (10.0, 2), (10.0, 3)])
def test_property_ridden_edges_are_found(grid_network, noise_m, seed):
    edges = walk(grid_network, 60, seed)
    x, y, distance = track(grid_network, edges, every_m=6.0, noise_m=noise_m, seed=seed)
    match = match_track(grid_network, x, y)
    assert match.part.max() == 0
    got = match.edges.tolist()
    # The very ends may fall on a neighbour at a crossing; what lies between is exact.
    inner = edges[1:-1].tolist()
    assert any(got[i : i + len(inner)] == inner for i in range(len(got)))
    assert match.matched_share == 1.0
    assert np.nanmax(np.abs(match.distance_m - distance)) < 5 * max(noise_m, 1) + 30
    assert np.nanmedian(np.abs(np.diff(match.distance_m - distance))) < 6
    assert (np.diff(match.distance_m) >= -1e-9).all()


def test_gap_is_bridged(grid_network):
    edges = walk(grid_network, 40, 5)
    x, y, distance = track(grid_network, edges, every_m=6.0, noise_m=5.0, seed=5)
    hole = (distance > 2000) & (distance < 2280)
    match = match_track(grid_network, x[~hole], y[~hole])
    assert match.part.max() == 0 and match.length_m == pytest.approx(distance[-1], abs=60)
    lost = np.where(hole, np.nan, x), np.where(hole, np.nan, y)
    again = match_track(grid_network, *lost)
    assert (again.edges == match.edges).all() and np.isnan(again.distance_m[hole]).all()


def test_turning_back_in_the_middle_of_a_street(grid_network):
    edge = int(np.flatnonzero(grid_network.edge_forward)[5])
    street = int(grid_network.edge_street[edge])
    there = np.concatenate((np.arange(5, 140, 5.0), np.arange(140, 5, -5.0)))
    x, y, _ = grid_network.at(street, there)
    match = match_track(grid_network, x, y)
    assert match.edges.tolist() == [edge, int(grid_network.edge_reverse[edge])]
    # The thinning may take away up to 25 m at the turn, there and back.
    assert match.length_m == pytest.approx(265, abs=50)
    assert match.enters_m[1] == pytest.approx(135, abs=25)


def test_standstill_makes_no_turns(grid_network):
    rng = np.random.default_rng(0)
    edges = walk(grid_network, 6, 8)
    x, y, _ = track(grid_network, edges, every_m=6.0, noise_m=2.0, seed=0)
    stop = len(x) // 2
    x = np.concatenate((x[:stop], x[stop] + rng.normal(0, 4, 300), x[stop:]))
    y = np.concatenate((y[:stop], y[stop] + rng.normal(0, 4, 300), y[stop:]))
    match = match_track(grid_network, x, y)
    inner = edges[1:-1].tolist()
    assert any(match.edges.tolist()[i : i + len(inner)] == inner for i in range(len(match.edges)))


def test_track_off_the_network_is_cut(grid_network):
    x0, y0 = grid_network.node_x_m.min(), grid_network.node_y_m.min()
    x = np.concatenate((np.arange(0, 600, 10.0), np.full(300, 600.0), np.arange(600, 1200, 10.0))) + x0
    y = (
        np.concatenate((np.zeros(60), -np.concatenate((np.arange(150), np.arange(150)[::-1])) * 20.0, np.zeros(60)))
        + y0
    )
    match = match_track(grid_network, x, y)
    assert np.isnan(match.distance_m[80:340]).all() and np.isfinite(match.distance_m[:60]).all()


def test_nothing_near_is_an_error(grid_network):
    with pytest.raises(InputError, match="no point of the track lies within 50 m"):
        match_track(grid_network, np.array([1e6, 1e6 + 10]), np.array([0.0, 0.0]))
    with pytest.raises(InputError, match="no point of the track"):
        match_track(grid_network, np.array([np.nan]), np.array([np.nan]))


def test_one_point(grid_network):
    match = match_track(grid_network, grid_network.point_x_m[5:6], grid_network.point_y_m[5:6])
    assert match.distance_m.tolist() == [0.0] and len(match.edges) == 1


def test_five_hours_in_a_few_seconds(grid_network):
    edges = walk(grid_network, 660, 9)  # 99 km
    x, y, distance = track(grid_network, edges, every_m=5.0, noise_m=6.0, seed=9)
    begin = time.perf_counter()
    match = match_track(grid_network, x, y)
    assert time.perf_counter() - begin < 30  # measured 0.7 s; the machine may be busy
    assert match.length_m == pytest.approx(distance[-1], rel=0.01)
