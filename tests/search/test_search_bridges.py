"""Bridges, and what they keep a loop from."""

from __future__ import annotations

import sys
from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from routeplan.errors import NoLoopError
from routeplan.search import best_loops
from routeplan.search.ball import make_ball
from routeplan.search.bridges import bridge_metres
from routeplan.search.nearest import ball_of_loops

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from road_like import road_like


def both_ways(streets: list[tuple[int, int, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    a, b, length = (np.array(c) for c in zip(*streets, strict=True))
    return np.stack([a, b], 1).ravel(), np.stack([b, a], 1).ravel(), np.repeat(length.astype(float), 2)


@pytest.mark.parametrize("seed", range(6))
def test_property_bridges_are_those_of_another_method(seed: int) -> None:
    random = np.random.default_rng(seed)
    net = road_like(int(random.integers(30, 200)), seed)
    ball, _ = make_ball(net.tail, net.head, net.length_m, int(random.choice(net.tail)), 1.0, 20_000.0,
                        street=net.street)  # fmt: skip
    net = ball.net
    metres, on_a_ring = bridge_metres(net.tail, net.head, net.street, net.length, net.start)
    graph = nx.MultiGraph()
    for street in np.unique(ball.net.street).tolist():
        e = int(np.flatnonzero(ball.net.street == street)[0])
        graph.add_edge(int(ball.net.tail[e]), int(ball.net.head[e]), key=street, weight=0.0)
    rings = graph.copy()
    for a, b in nx.bridges(nx.Graph(graph)):
        if graph.number_of_edges(a, b) == 1:
            key = next(iter(graph[a][b]))
            graph[a][b][key]["weight"] = float(ball.net.length[ball.net.street == key][0])
            rings.remove_edge(a, b)
    far = nx.single_source_dijkstra_path_length(graph, ball.net.start)
    assert metres == pytest.approx([far.get(v, np.inf) for v in range(metres.size)], abs=1e-6)
    assert on_a_ring.tolist() == [rings.degree(v) > 0 for v in range(metres.size)]


def test_what_hangs_on_a_street_is_left_out_where_that_may_not_be_ridden_twice() -> None:
    """A triangle of 3,000 m at the start, another behind 500 m, a third behind 2,000 m more."""
    triangles = [(0, 1, 1000), (1, 2, 1000), (2, 0, 1000), (3, 4, 1000), (4, 5, 1000), (5, 3, 1000)]
    last = [(6, 7, 1000), (7, 8, 1000), (8, 6, 1000)]
    tail, head, length = both_ways([*triangles, *last, (1, 3, 500), (5, 6, 2000)])

    def nodes(start: int, share: float | None) -> set[int]:
        more = {} if share is None else {"may_repeat": True, "repeat_share_at_most": share}
        ball, _ = ball_of_loops(tail, head, length, start, 1.0, 20_000.0, **more)
        return set(tail[ball.edge].tolist())

    assert nodes(0, None) == {0, 1, 2} and nodes(4, None) == {3, 4, 5}
    assert nodes(0, 0.02) == {0, 1, 2} and nodes(0, 0.1) == {0, 1, 2, 3, 4, 5}
    assert nodes(0, 0.2) == set(range(9))


def test_a_start_on_a_stem_is_told_at_once() -> None:
    tail, head, length = both_ways([(0, 1, 700), (1, 2, 300), (2, 3, 1000), (3, 4, 1000), (4, 2, 1000), (1, 5, 90)])
    with pytest.raises(NoLoopError, match=r"every loop from node 0 within 9000 m rides 1000 m or more a second time$"):
        best_loops(tail, head, length, length, 0, 1000, 9000)
    found = best_loops(tail, head, length, length, 0, 1000, 9000, may_repeat=True, repeat_share_at_most=0.2)
    assert found.loops[0].length_m == 5000.0 and found.loops[0].repeated_m == 1000.0
    with pytest.raises(NoLoopError, match=r"1000 m or more a second time$"):
        best_loops(tail, head, length, length, 0, 1000, 9000, may_repeat=True, repeat_share_at_most=0.1)


def test_turns_and_times_keep_their_edges_in_a_cut_ball() -> None:
    """The same loop, its turns priced and banned, with and without a far ring on a stem."""
    ring = [(0, 1, 1000), (1, 2, 1000), (2, 3, 1000), (3, 0, 1000), (0, 2, 1400)]
    far = [(7, 8, 100), (8, 9, 100), (9, 7, 100), (7, 1, 50)]
    for streets, shift in ((ring, 0), ([*far, *ring], 2 * len(far))):
        tail, head, length = both_ways(streets)
        time = length / 5.0
        result = best_loops(
            tail, head, length, np.zeros(tail.size), 0, 3900.0, 4100.0, time_s=time, clock_gain=time,
            clock=(0.0, 100.0, np.ones(4)), banned_turns=np.array([(7, 5)]) + shift,
            turns=np.array([(0, 2), (2, 4)]) + shift, turn_gain=[3.0, 4.0],
        )  # fmt: skip
        assert (result.loops[0].edges - shift).tolist() == [0, 2, 4, 6]
        assert result.loops[0].gain == pytest.approx(407.0)
    cut, whole = (make_ball(tail, head, length, 0, 3900.0, 4100.0, again_m=again_m)[0] for again_m in (0.0, np.inf))
    assert cut.edge.size == whole.edge.size - 2 * len(far) == 2 * len(ring)
