"""Loops: what a walk may be, bad input, and the same answer again."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.errors import InputError, NoLoopError
from routeplan.search import best_loops, distinct, trade_off


def both_ways(streets):
    """tail, head, length, street of streets (a, b, length), each both ways."""
    a, b, length = (np.array(c) for c in zip(*streets, strict=True))
    return (
        np.stack([a, b], 1).ravel(), np.stack([b, a], 1).ravel(),
        np.repeat(length.astype(float), 2), np.repeat(np.arange(a.size), 2),
    )  # fmt: skip


def grid(side, step=500.0):
    node = np.arange(side * side).reshape(side, side)
    pairs = [*zip(node[:, :-1].ravel(), node[:, 1:].ravel()), *zip(node[:-1].ravel(), node[1:].ravel())]
    return both_ways([(int(a), int(b), step) for a, b in pairs])


def check_loop(loop, tail, head, length, street, start, shortest, longest, may_repeat=False):
    e = loop.edges
    assert tail[e[0]] == start and head[e[-1]] == start
    assert (head[e[:-1]] == tail[e[1:]]).all()
    back = (street[e[:-1]] == street[e[1:]]) & (head[e[:-1]] != start)
    assert not back.any()
    assert len(set(e.tolist())) == e.size
    if not may_repeat:
        assert len(set(street[e].tolist())) == e.size
    assert loop.length_m == pytest.approx(length[e].sum())
    assert shortest <= loop.length_m <= longest


def test_property_loop_on_grid_is_a_loop():
    tail, head, length, street = grid(8)
    gain = np.random.default_rng(0).random(street.max() + 1)[street] * length
    result = best_loops(tail, head, length, gain, 27, 7000, 9000, street=street, count=3, budget=3_000_000)
    for loop in result.loops:
        check_loop(loop, tail, head, length, street, 27, 7000, 9000)
        assert loop.gain == pytest.approx(gain[loop.edges].sum())
    assert [x.gain for x in result.loops] == sorted((x.gain for x in result.loops), reverse=True)
    assert result.gain_at_most >= result.loops[0].gain
    assert not result.stopped


def test_property_same_input_same_loop_on_any_number_of_threads():
    tail, head, length, street = grid(8)
    gain = np.random.default_rng(1).random(length.size) * length
    runs = [
        best_loops(tail, head, length, gain, 27, 7000, 9000, street=street, budget=3_000_000, threads=t) for t in (1, 2)
    ]
    assert runs[0].loops[0].edges.tolist() == runs[1].loops[0].edges.tolist()


def test_lollipop_needs_a_repeat():
    tail, head, length, street = both_ways([(0, 1, 1000), (1, 2, 1000), (2, 3, 1000), (3, 1, 1000)])
    with pytest.raises(NoLoopError):
        best_loops(tail, head, length, length, 0, 4500, 5500, street=street)
    result = best_loops(tail, head, length, length, 0, 4500, 5500, street=street, may_repeat=True)
    loop = result.loops[0]
    check_loop(loop, tail, head, length, street, 0, 4500, 5500, may_repeat=True)
    assert loop.gain == pytest.approx(4000) and loop.repeated_m == pytest.approx(1000)
    assert result.gain_at_most >= 4000


def test_no_loop_names_the_nearest_length():
    tail, head, length, street = both_ways([(0, 1, 1000), (1, 2, 1000), (2, 0, 1000), (5, 6, 10)])
    with pytest.raises(NoLoopError) as error:
        best_loops(tail, head, length, length, 0, 5000, 6000, street=street)
    assert error.value.nearest_length_m == pytest.approx(3000)


def test_bad_input_names_every_fault():
    with pytest.raises(InputError) as error:
        best_loops([0, 1], [1, 0], [1.0, np.nan], [np.inf, 0.0], 7, 10, 5)
    text = str(error.value)
    assert "edge 1" in text and "edge 0" in text and "start is 7" in text and "window" in text
    with pytest.raises(InputError, match="node 2"):
        best_loops([0, 1, 3], [1, 0, 3], np.ones(3), np.ones(3), 2, 1, 5)


def test_trade_off_pool_is_not_dominated_and_choices_differ():
    tail, head, length, street = grid(9)
    random = np.random.default_rng(3)
    effort, loss = random.random(length.size) * length, random.random(length.size) * length
    pool = trade_off(tail, head, length, effort, loss, 40, 7000, 9000, street=street, budget=6_000_000)
    front = pool.costs[pool.non_dominated]
    for i, row in enumerate(front):
        assert not np.delete((front <= row).all(axis=1), i).any()
    for costs, edges in zip(pool.costs, pool.edges, strict=True):
        assert costs == pytest.approx([effort[edges].sum(), loss[edges].sum()])
    chosen = distinct(pool, 4)
    assert len(chosen) >= 2
    for a in chosen:
        for b in chosen:
            if a != b:
                shared = np.intersect1d(street[pool.edges[a]], street[pool.edges[b]]).size * 500.0
                assert shared <= 0.7 * min(pool.length_m[a], pool.length_m[b]) + 1e-6
                assert not (pool.costs[a] <= pool.costs[b]).all()
