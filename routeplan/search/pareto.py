"""Routes from one node to another: all that no other passes in two or three costs.

A label-setting search in order of lower bounds (Hernandez Ulloa, Yeoh, Baier, Zhang, Suazo and Koenig, "A simple and
fast bi-objective search algorithm", ICAPS 2020, for two costs; the staircase of Pulido, Mandow and Perez de la Cruz,
"Dimensionality reduction in multiobjective shortest path search", Computers & Operations Research 64 (2015) 60, for
three; both from memory). What differs here is the arithmetic: costs are float64 sums from left to right, and a label is
dropped only where another's own sums pass it, or where a lower bound shrunk by more than its rounding does.
"""

from __future__ import annotations

import time
from bisect import bisect_right
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError, UnreachableError
from routeplan.search.ball import check_pairs, edge_array, node_array
from routeplan.search.values import ParetoResult

STEPS = 20_000  # labels expanded between two looks at the clock


def pareto_routes(
    tail: Any,
    head: Any,
    costs: Any,
    start: int,
    end: int,
    *,
    limit: float | None = None,
    epsilon: float = 0.0,
    time_limit_s: float | None = None,
    banned_turns: Any = None,
) -> ParetoResult:
    """Every cost vector of a route from `start` to `end` that no other passes, each once with one of its routes.

    tail, head : (e,) nodes of the directed edges, 0..n-1
    costs : (e, k) with k = 2 or 3, all >= 0; a route's costs are their float64 sums from left to right
    limit : bound on the first cost of a route
    epsilon : above 0, for every such vector one is found that is at most (1 + epsilon) times as large in each cost
    time_limit_s : ends the search early (`complete` is False), but never before one route is found
    banned_turns : (m, 2) edges of which the second may not follow the first

    One vector passes another if it is nowhere larger; of routes with equal costs the one found first is kept, edges in
    order of index. start == end gives the empty route. Raises InputError with every fault, and UnreachableError where
    no way leads to the end or none within the limit.
    """
    from routeplan.search import route_kernels as kernels

    began = time.monotonic()
    tail, head, costs, banned = _checked(tail, head, costs, start, end, limit, epsilon, time_limit_s, banned_turns)
    width = costs.shape[1]
    if start == end:
        return ParetoResult(np.zeros((1, width)), (np.empty(0, np.int64),), True, float(epsilon))
    nodes = int(max(tail.max(initial=-1), head.max(initial=-1))) + 1
    tail, head, edge = _with_bans(tail, head, nodes, end, banned)
    nodes = max(nodes, int(max(tail.max(), head.max())) + 1)
    order = np.argsort(tail, kind="stable")
    cost = np.zeros((len(order), 3))
    cost[:, :width] = costs[edge[order]]
    arcs = kernels.Arcs(_first(tail, nodes), head[order], cost)
    shrink = np.array([_shrink(cost[:, k], nodes) for k in range(3)])
    most = np.inf if limit is None else float(limit)
    bound = _bounds(arcs, tail[order], start, end, most, float(shrink[0]), width)

    labels = kernels.Labels(np.empty((4096, 3)), np.empty(4096, np.int32), np.empty((4096, 2), np.int32),
                            np.empty((4096, 2)), np.empty(4096, np.int32))  # fmt: skip
    stairs = kernels.Stairs(np.zeros(nodes, np.int64), np.zeros(nodes, np.int32), np.zeros(nodes, np.int32),
                            np.empty((4096, 3)))  # fmt: skip
    found = np.empty(64, np.int32)
    fan = int(np.diff(arcs.first).max())
    labels.cost[0] = 0.0
    labels.node[0] = start
    labels.link[0] = -1
    state = np.array([1, kernels.push(labels.key, labels.item, 0, bound[start, 0], bound[start, 1], 0), 0, 0, 2, fan])
    complete = True
    while True:
        ended = kernels.search(arcs, bound, shrink, end, most, 1.0 + epsilon, labels, stairs, found, state, STEPS)
        if ended == kernels.WHOLE:
            break
        if ended == kernels.MORE_ROOM:
            labels = kernels.Labels(*(_room(a, int(state[0] + fan)) for a in labels))
            stairs = stairs._replace(step=_room(stairs.step, int(state[3] + 2 * state[4] + 2)))
            found = _room(found, int(state[2]) + 1)
        elif time_limit_s is not None and time.monotonic() - began > time_limit_s and state[2]:
            complete = False
            break
    found = found[: state[2]]
    vectors = labels.cost[found, :width]
    kept = non_dominated(vectors)
    if not len(kept):
        raise _none_within(start, end, most, float(bound[start, 0]))
    first, arc = kernels.read_back(labels.link, found[kept])
    ridden = edge[order][arc]
    edges = tuple(ridden[a:b] for a, b in zip(first[:-1].tolist(), first[1:].tolist()))
    return ParetoResult(vectors[kept], edges, complete, float(epsilon))


def non_dominated(costs: np.ndarray) -> np.ndarray:
    """Rows of costs (m, 2 or 3) that no other passes, equal ones once (the first), sorted by their costs."""
    third = costs[:, 2] if costs.shape[1] == 3 else np.zeros(len(costs))
    order = np.lexsort((np.arange(len(costs)), third, costs[:, 1], costs[:, 0]))
    second_steps: list[float] = []  # staircase of what was kept: second cost rising, third falling
    third_steps: list[float] = []
    kept = []
    for row, b, c in zip(order.tolist(), costs[order, 1].tolist(), third[order].tolist()):
        at = bisect_right(second_steps, b)
        if at and third_steps[at - 1] <= c:
            continue
        kept.append(row)
        past = at
        while past < len(third_steps) and third_steps[past] >= c:
            past += 1
        while at and second_steps[at - 1] == b:
            at -= 1
        second_steps[at:past] = [b]
        third_steps[at:past] = [c]
    return np.array(kept, dtype=np.int64)


def _checked(
    tail: Any, head: Any, costs: Any, start: Any, end: Any, limit: Any, epsilon: Any, time_limit_s: Any, banned: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The arrays as the search takes them. Raises InputError with every fault."""
    faults: list[Fault] = []
    tail = node_array("tail", tail, faults)
    head = node_array("head", head, faults)
    count = tail.size
    if head.size != count:
        faults.append(Fault(f"{count} tails, {head.size} heads", "tail, head", "give both for each edge"))
    costs = np.asarray(costs, dtype=np.float64)
    if costs.ndim != 2 or costs.shape[1] not in (2, 3):
        faults.append(Fault(f"costs have shape {costs.shape}", "costs", "give two or three costs for each edge"))
    else:
        named = {f"costs[:, {k}]": column for k, column in enumerate(costs.T)}
        costs = np.stack([edge_array(k, c, count, faults, negative=False) for k, c in named.items()], axis=1)
    nodes = int(max(tail.max(initial=-1), head.max(initial=-1))) + 1
    for name, node in (("start", start), ("end", end)):
        if not isinstance(node, (int, np.integer)) or not 0 <= node < nodes:
            faults.append(Fault(f"{name} is {node}", name, f"nodes are 0 to {nodes - 1}"))
    for name, value in (("limit", limit), ("epsilon", epsilon), ("time_limit_s", time_limit_s)):
        if value is not None and not value >= 0:
            faults.append(Fault(f"{name} is {value}", name, "must be a number of at least 0"))
    banned = check_pairs("banned_turns", [] if banned is None else banned, count, faults)
    if faults:
        raise InputError(faults)
    return tail, head, costs, banned


def _with_bans(
    tail: np.ndarray, head: np.ndarray, nodes: int, end: int, banned: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(tail, head, edge) of arcs in which no banned turn can be made.

    An edge that begins a banned turn leads to a node of its own, from which all edges leave but the banned ones.
    """
    every = np.arange(tail.size)
    if not len(banned):
        return tail, head, every
    into = np.unique(banned[:, 0])
    into = into[head[into] != end]
    own = np.full(tail.size, -1, np.int64)
    own[into] = nodes + np.arange(into.size)
    new_head = np.where(own >= 0, own, head)
    by_tail = np.argsort(tail, kind="stable")
    first = _first(tail, nodes)
    bans = set(map(tuple, banned.tolist()))
    copies = [
        (int(own[e]), int(f))
        for e in into.tolist()
        for f in by_tail[first[head[e]] : first[head[e] + 1]].tolist()
        if (e, f) not in bans
    ]
    extra = np.array(copies, dtype=np.int64).reshape(-1, 2)
    edge = np.concatenate([every, extra[:, 1]])
    return (np.concatenate([tail, extra[:, 0]]).astype(np.int32), new_head[edge].astype(np.int32), edge)


def _first(node: np.ndarray, nodes: int) -> np.ndarray:
    """(nodes + 1,) int32: where each node's rows begin once sorted by node."""
    return np.concatenate([[0], np.cumsum(np.bincount(node, minlength=nodes))]).astype(np.int32)


def _shrink(cost: np.ndarray, nodes: int) -> float:
    """Factor that makes (sum so far + least sum to come) a lower bound of the sum from left to right.

    Either sum has fewer than `nodes` terms >= 0, so its rounding is below nodes * 2**-53 of it (Higham, "Accuracy and
    Stability of Numerical Algorithms", 2nd ed., eq. 4.4); four of them cover both and the factor itself. Whole numbers
    below 2**53 are summed without rounding.
    """
    if np.array_equal(cost, np.rint(cost)) and float(cost.sum()) < 2.0**52:
        return 1.0
    return 1.0 - 4.0 * (nodes + 8) * 2.0**-53


def _bounds(arcs: Any, tail: np.ndarray, start: int, end: int, most: float, shrink: float, width: int) -> np.ndarray:
    """(n, 3) least costs to the end. Raises UnreachableError where there is no way, or none within `most`."""
    from routeplan.search import route_kernels as kernels

    nodes = arcs.first.size - 1
    back = np.argsort(arcs.head, kind="stable")
    first, other, cost = _first(arcs.head, nodes), tail[back], arcs.cost[back]
    inside = np.ones(nodes, bool)
    bound = np.zeros((nodes, 3))
    bound[:, 0] = kernels.least(first, other, cost, 0, end, most / shrink, inside)
    if not np.isfinite(bound[start, 0]):
        free = kernels.least(first, other, cost, 0, end, np.inf, inside)
        raise _none_within(start, end, most, float(free[start]))
    if np.isfinite(most):
        out = kernels.least(arcs.first, arcs.head, arcs.cost, 0, start, most / shrink, inside)
        inside = (out + bound[:, 0]) * shrink <= most
        bound[~inside, 0] = np.inf
    else:
        inside = np.isfinite(bound[:, 0])
    for k in range(1, width):
        bound[:, k] = kernels.least(first, other, cost, k, end, np.inf, inside)
    return bound


def _none_within(start: int, end: int, most: float, least: float) -> UnreachableError:
    if np.isinf(least):
        return UnreachableError(f"no way leads from node {start} to node {end}")
    return UnreachableError(
        f"no way from node {start} to node {end} within {most:g} of the first cost; the least is {least:g}: allow that"
    )


def _room(array: np.ndarray, least: int) -> np.ndarray:
    """The array with at least twice the room, its rows kept."""
    if len(array) >= 2 * least:
        return array
    larger = np.empty((max(2 * len(array), 2 * least), *array.shape[1:]), array.dtype)
    larger[: len(array)] = array
    return larger
