"""Routes from here to there: complete against plain enumeration, exact sums, limits, bans, faults."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.errors import InputError, UnreachableError
from routeplan.search import pareto_routes
from routeplan.search.pareto import non_dominated


def every_route(tail, head, start, end, banned=()):
    """All walks from start to end that ride no edge twice: the plain twin of the search, without costs."""
    out = [np.flatnonzero(tail == node).tolist() for node in range(int(max(tail.max(), head.max())) + 1)]
    bans = set(map(tuple, np.asarray(banned).tolist()))
    waiting = [[e] for e in out[start]]
    while waiting:
        walk = waiting.pop()
        if head[walk[-1]] == end:
            yield walk
            continue  # going on from the end and back costs no less
        waiting += [[*walk, e] for e in out[head[walk[-1]]] if e not in walk and (walk[-1], e) not in bans]


def summed(costs, walk):
    total = np.zeros(costs.shape[1])
    for e in walk:
        total = total + costs[e]
    return total


def front(vectors):
    """Vectors that no other passes, each once: compared pair by pair."""
    unique = sorted(set(map(tuple, vectors)))
    return [v for v in unique if not any(all(a <= b for a, b in zip(w, v)) for w in unique if w != v)]


def small_network(rng, nodes, edges, width, kind):
    tail = rng.integers(0, nodes, edges)
    head = (tail + rng.integers(1, nodes, edges)) % nodes
    if kind == "whole":
        costs = rng.integers(0, 6, (edges, width)).astype(float)
    elif kind == "ties":
        costs = rng.integers(0, 3, (edges, width)).astype(float)
    else:
        costs = rng.random((edges, width)) * (rng.random((edges, width)) < 0.85)
    return tail, head, costs


@pytest.mark.parametrize("kind", ["whole", "ties", "fractions"])
@pytest.mark.parametrize("width", [2, 3])
def test_property_complete_against_every_route(width, kind):
    rng = np.random.default_rng([width, len(kind)])
    reached = 0
    for case in range(70):
        nodes = int(rng.integers(3, 8))
        tail, head, costs = small_network(rng, nodes, int(rng.integers(4, 14)), width, kind)
        start, end = 0, int(max(tail.max(), head.max()))
        banned = rng.integers(0, len(tail), (4, 2)) if case % 3 == 1 else np.zeros((0, 2), int)
        limit = float(np.quantile(costs[:, 0], 0.6) * 3) if case % 4 == 2 else None
        vectors = [summed(costs, walk) for walk in every_route(tail, head, start, end, banned)]
        vectors = [v for v in vectors if limit is None or v[0] <= limit]
        if not vectors:
            with pytest.raises(UnreachableError):
                pareto_routes(tail, head, costs, start, end, limit=limit, banned_turns=banned)
            continue
        reached += 1
        result = pareto_routes(tail, head, costs, start, end, limit=limit, banned_turns=banned)
        assert result.complete and result.epsilon == 0
        assert list(map(tuple, result.costs)) == front(vectors)
        for vector, walk in zip(result.costs, result.edges):
            assert tail[walk[0]] == start and head[walk[-1]] == end
            np.testing.assert_array_equal(head[walk[:-1]], tail[walk[1:]])
            np.testing.assert_array_equal(summed(costs, walk), vector)
            assert not {*zip(walk[:-1].tolist(), walk[1:].tolist())} & set(map(tuple, banned.tolist()))
    assert reached > 35


def grid(rng, side):
    """Both directions of a square grid's streets."""
    at = np.arange(side * side).reshape(side, side)
    pairs = np.concatenate([np.stack([at[:, :-1].ravel(), at[:, 1:].ravel()], 1),
                            np.stack([at[:-1].ravel(), at[1:].ravel()], 1)])  # fmt: skip
    tail, head = np.concatenate([pairs, pairs[:, ::-1]]).T
    return tail, head, rng.random((len(tail), 3))


def plain_front(tail, head, costs, start, end):
    """Label correcting without bounds or order: slow, short and exact."""
    labels = {start: [tuple(np.zeros(costs.shape[1]))]}
    waiting = [(start, labels[start][0])]
    while waiting:
        node, vector = waiting.pop(0)
        if vector not in labels[node]:
            continue
        for e in np.flatnonzero(tail == node):
            new = tuple(np.add(vector, costs[e]))
            here = labels.setdefault(int(head[e]), [])
            if any(all(a <= b for a, b in zip(old, new)) for old in here):
                continue
            here[:] = [old for old in here if not all(a <= b for a, b in zip(new, old))] + [new]
            waiting.append((int(head[e]), new))
    return sorted(labels[end])


@pytest.mark.parametrize("width", [2, 3])
def test_property_grid_with_rounding_against_label_correcting(width):
    """Costs of one decimal place: sums differ by their order, and each such vector is found."""
    rng = np.random.default_rng(5)
    tail, head, costs = grid(rng, 5)
    costs = np.round(costs[:, :width] * 3) / 10
    result = pareto_routes(tail, head, costs, 0, 24)
    assert list(map(tuple, result.costs)) == plain_front(tail, head, costs, 0, 24)


def test_property_epsilon_covers_the_whole_set():
    tail, head, costs = grid(np.random.default_rng(1), 8)
    whole = pareto_routes(tail, head, costs, 0, 63)
    few = pareto_routes(tail, head, costs, 0, 63, epsilon=0.05)
    assert few.epsilon == 0.05 and few.complete
    assert len(few.costs) < len(whole.costs) / 2
    good = (few.costs[None] <= whole.costs[:, None] * 1.05).all(axis=2).any(axis=1)
    assert good.all()


def test_start_is_end():
    result = pareto_routes([0, 1], [1, 0], [[1.0, 0.0], [0.0, 1.0]], 1, 1)
    assert result.costs.tolist() == [[0.0, 0.0]] and [e.tolist() for e in result.edges] == [[]] and result.complete


def test_equal_vectors_count_once_and_the_lower_edge_wins():
    result = pareto_routes([0, 0, 0], [1, 1, 1], [[1.0, 2.0], [1.0, 2.0], [2.0, 1.0]], 0, 1)
    assert [e.tolist() for e in result.edges] == [[0], [2]]


def test_limit_is_met_exactly():
    tail, head, costs = [0, 1, 0], [1, 2, 2], [[0.1, 1.0], [0.2, 1.0], [0.25, 9.0]]
    assert len(pareto_routes(tail, head, costs, 0, 2, limit=0.1 + 0.2).edges) == 2
    assert len(pareto_routes(tail, head, costs, 0, 2, limit=0.3).edges) == 1  # 0.1 + 0.2 is above it


def test_unreachable_and_too_far_say_so():
    with pytest.raises(UnreachableError, match="no way leads from node 1 to node 0"):
        pareto_routes([0], [1], [[1.0, 1.0]], 1, 0)
    with pytest.raises(UnreachableError, match="the least is 3"):
        pareto_routes([0, 1], [1, 2], [[1.0, 1.0], [2.0, 1.0]], 0, 2, limit=2.5)


def test_every_fault_at_once():
    costs = [[1.0, 1.0], [np.nan, 1.0], [1.0, -2.0]]
    with pytest.raises(InputError) as caught:
        pareto_routes([0, 1, 2], [1, 2, 0], costs, 0, 7, limit=-1.0)
    text = str(caught.value)
    assert len(caught.value.faults) == 4
    for part in ("edge 1: costs[:, 0] is nan", "edge 2: costs[:, 1] is -2.0", "end is 7", "limit is -1.0"):
        assert part in text


def test_time_limit_keeps_one_route_and_says_so():
    tail, head, costs = grid(np.random.default_rng(2), 30)
    result = pareto_routes(tail, head, costs, 0, 899, time_limit_s=0.0)
    assert not result.complete and len(result.edges) >= 1
    assert len(non_dominated(result.costs)) == len(result.costs)


def test_same_input_same_routes():
    tail, head, costs = grid(np.random.default_rng(3), 9)
    one, two = (pareto_routes(tail, head, costs, 0, 80) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(one.edges, two.edges))
