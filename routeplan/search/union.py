"""The best loops on the streets of a few loops, wherever these may lie in them.

The streets of good loops make a small network of few ways across: taken up node after node, what a loop does among the
nodes behind is told by the few streets that lead across and how they hang together. So all its loops can be looked at,
most of them many at a time, for any length (the idea is that of tour merging on a branch decomposition: Cook and
Seymour 2003, INFORMS Journal on Computing 15).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from routeplan.search.ball import Ball
from routeplan.search.engine import LONGEST_WALK, Aside, Objective, on_streets

STATES, ARCS, PASSINGS, LABELS = 40_000, 200_000, 60_000, 300_000  # at most
ORDERS = 40  # of nodes, that the best is taken of
PRICES = 12  # of a metre, by halves, that the best bound is taken of
STEP_M, STEPS_TO_COME = 10.0, 100  # one label for each; of the longest loop, in what is still to come
NEVER = -1e9  # gain of a metre that must not be ridden
OFFERS_PER_ARC, OFFERS_PER_LABEL = 8, 4  # label offers of a sweep that take as long, about


@dataclass(frozen=True, eq=False)
class Ways:
    """Every loop of a network, of any length: the paths of arcs from state 1 to state 0 (see union_kernels)."""

    net: Any  # without edges from a node to itself
    edge: np.ndarray  # of the network asked for, -1: the second half of an edge from a node to itself
    order: np.ndarray  # of the nodes
    arcs: tuple[np.ndarray, ...]  # arc_first, arc_to, arc_way, arc_gain
    passings: tuple[np.ndarray, ...]  # pair, turn, number
    way_first: np.ndarray
    states: int


def ways_of(net: Any, repeats: bool, near_per_m: float = 0.0, again_per_m: float = 0.0) -> Ways | None:
    """Every loop of a small network; None where it has too many ways across.

    near_per_m : gain of a metre beside streets ridden; again_per_m : of one on another part of a street ridden, where
    streets may be ridden again: twins that are one street lie apart"""
    from routeplan.search import union_kernels as kernels

    net, near_gain = _parts_apart(net, near_per_m, again_per_m if repeats else NEVER)
    net, edge = _without_rings(net)
    n = net.out_first.size - 1
    order = np.empty(n, np.int64)
    adjacent = (net.out_first, net.out_edge, net.in_first, net.in_edge)
    kernels.node_order(net.tail, net.head, *adjacent, ORDERS, order)
    key, beside = np.empty(STATES, np.uint64), np.empty(STATES, np.uint64)
    arc_first, arc_to, arc_way = np.empty(STATES + 1, np.int32), np.empty(ARCS, np.int32), np.empty(ARCS, np.int32)
    arc_gain = np.empty(ARCS)
    pair, turn = np.empty((PASSINGS, kernels.PAIRS, 2), np.int32), np.empty((PASSINGS, kernels.PAIRS), np.int32)
    number, way_first, used = np.empty(PASSINGS, np.int32), np.empty(n + 1, np.int64), np.empty(3, np.int64)
    full = kernels.states(
        order, net.start, net.tail, net.head, net.street, *adjacent, net.turn_first, net.turn_edge, net.near_first,
        net.near_street, near_gain, int(repeats), key, beside, arc_first, arc_to, arc_way, arc_gain, pair, turn, number,
        way_first, used,
    )  # fmt: skip
    if full:
        return None
    states, arcs, ways = used.tolist()
    return Ways(
        net, edge, order, (arc_first[: states + 1], arc_to[:arcs], arc_way[:arcs], arc_gain[:arcs]),
        (pair[:ways], turn[:ways], number[:ways]), way_first, states,
    )  # fmt: skip


def loops_on(
    ball: Ball,
    objective: Objective,
    walks: Sequence[np.ndarray],
    *,
    aside: Aside,
    least: float,
    slack: float,
    band_width: float,
    most: int,
) -> tuple[list[np.ndarray], int]:
    """The best loops on the streets of some walks of a ball's joined net, ridden as in one of them: (loops, offers).

    The best for each band of `aside`, a cost with a limit, `band_width` wide, `most` at most, none more than `slack`
    behind the best of all, or behind `least` where there is a limit. Where the walks are too many for one network, the
    last are left out. Exact but for labels that share STEP_M of length (one that sums up less aside gives way to a
    better one), metres beside streets ridden (the shorter of both is counted), those ridden again on the other part of
    a street (priced, but not counted against the limit), a clock, which is read at the mean time that the walks pass a
    street, and loops that anywhere fall into more pieces than union_kernels.PIECES."""
    timed = _by_the_clock(ball.net, walks)
    objective = replace(objective, gain=objective.gain + timed, again=objective.again + timed)
    again_per_m = float((objective.again - objective.gain).sum() / max(ball.net.length.sum(), 1.0))
    some, spent = list(walks), 0
    while some:
        part, few, beside = on_streets(ball, objective, aside, some)
        ways = ways_of(part.net, objective.repeats, objective.near_gain_per_m, again_per_m)
        if ways is not None:
            found, done = best_of(ways, few, beside, least, slack, band_width, most)
            spent += done
            if found is not None:
                return [part.edge[part.expanded(walk)].astype(np.int32) for walk in found], spent
        else:
            spent += OFFERS_PER_ARC * ARCS
        some = some[: len(some) * 2 // 3]
    return [], spent


def best_of(
    ways: Ways, objective: Objective, aside: Aside, least: float, slack: float, band_width: float, most: int
) -> tuple[list[np.ndarray] | None, int]:
    """As loops_on, of all loops of a network whose gains are given; None where there are too many labels."""
    from routeplan.search import union_kernels as kernels

    net, o = ways.net, objective
    gain, length, repeat, beside = (np.empty(ways.passings[2].size) for _ in range(4))

    def split(values: np.ndarray) -> np.ndarray:
        return np.where(ways.edge >= 0, values[ways.edge], 0.0)

    kernels.weigh(
        ways.order, ways.way_first, *ways.passings, net.tail, net.head, net.street, split(o.gain), split(o.again),
        net.length, net.turn_gain, split(aside.edge), aside.per_gain, gain, length, repeat, beside,
    )  # fmt: skip
    best, best_m, fewest_m, most_m, least_aside = (np.empty(ways.states) for _ in range(5))
    worth_m = np.array([o.shortest_m, o.longest_m, np.clip(o.target_m, o.shortest_m, o.longest_m)])
    pull = o.pull_per_m * np.abs(worth_m - o.target_m)

    def homeward(price: float) -> float:
        """A bound of every loop's value, at a price of a metre."""
        kernels.homeward(
            *ways.arcs, ways.states, gain, length, beside, aside.per_gain, price, best, best_m, fewest_m, most_m,
            least_aside,
        )  # fmt: skip
        return float(best[1] + (price * worth_m + pull).max())

    bound, price = homeward(0.0), 0.0
    if bound == -np.inf:
        return [], OFFERS_PER_ARC * ways.arcs[1].size
    steepest = float(np.abs(gain).sum() / max(length.sum(), 1.0)) * 4
    low, high = -steepest, steepest
    for _ in range(PRICES):  # where the best loop at a price has the length that suits best, the bound is least
        middle = 0.5 * (low + high)
        found = homeward(middle)
        if found < bound:
            bound, price = found, middle
        if best_m[1] > worth_m[np.argmax(middle * worth_m + pull)]:
            low = middle
        else:
            high = middle
    homeward(price)
    coming, coming_m = (np.empty((ways.states, STEPS_TO_COME + 1), np.float32) for _ in range(2))
    coming_step = o.longest_m / STEPS_TO_COME
    kernels.still_to_come(*ways.arcs, ways.states, gain, length, best, price, coming_step, coming, coming_m)
    closed = coming[1] + o.pull_per_m * np.abs(coming_m[1] - o.target_m)
    closed = closed[(coming_m[1] >= o.shortest_m) & (coming_m[1] <= o.longest_m)]
    spent = OFFERS_PER_ARC * ways.arcs[1].size
    if not closed.size or closed.max() == -np.inf:
        return [], spent
    top = float(closed.max()) if aside.most == np.inf else least
    value, metres, twice, summed = (np.empty(LABELS) for _ in range(4))
    parent, by, state, ends = (np.empty(LABELS, np.int32) for _ in range(4))
    for behind in (slack, 0.0) if slack > 0 else (slack,):
        count, end = kernels.labels(
            ways.order.size, *ways.arcs, gain, length, repeat, beside, aside.per_gain, price, best, fewest_m,
            most_m, least_aside, aside.most, o.shortest_m, o.longest_m, o.repeat_m if o.repeats else 0.0, o.target_m,
            o.pull_per_m, top - behind, STEP_M, coming, coming_m, coming_step, value, metres, twice,
            summed, parent, by, state, ends,
        )  # fmt: skip
        spent += OFFERS_PER_LABEL * (LABELS if count < 0 else count)
        if count >= 0:
            break
    else:
        return None, spent
    order = ends[:end][np.argsort(-value[ends[:end]], kind="stable")]
    _, one_of_each = np.unique((summed[order] / band_width).astype(np.int64), return_index=True)
    follows, walk = np.empty(net.tail.size, np.int32), np.empty(LONGEST_WALK, np.int32)
    walks = []
    for label in order[np.sort(one_of_each)[:most]].tolist():
        edges = ways.edge[walk[: kernels.ridden(label, parent, by, *ways.passings, follows, walk)]]
        walks.append(edges[edges >= 0].astype(np.int32))
    return walks, spent


def _by_the_clock(net: Any, walks: Sequence[np.ndarray]) -> np.ndarray:
    """(e,) gain by the clock at the mean time that some walks pass each edge; 0 on the others."""
    passed, since = np.zeros(net.tail.size), np.zeros(net.tail.size)
    if net.clock_sum.size == 1:
        return since
    for walk in walks:
        np.add.at(passed, walk, 1)
        np.add.at(since, walk, np.cumsum(net.time[walk]) - net.time[walk])
    since /= np.maximum(passed, 1)
    lasts = np.maximum(net.time, 1e-6)
    at = net.clock_begin + net.clock_step * np.arange(net.clock_sum.size)
    weight = (np.interp(since + lasts, at, net.clock_sum) - np.interp(since, at, net.clock_sum)) / lasts
    return np.where(passed > 0, net.clock_gain * weight, 0.0)


def _parts_apart(net: Any, near_per_m: float, again_per_m: float) -> tuple[Any, np.ndarray]:
    """The net with a street of its own between any two nodes, near to those it was one with; (near,) gains.

    near_per_m, again_per_m : of a metre beside a street ridden, and on another part of it"""
    ends = np.stack([net.street, np.minimum(net.tail, net.head), np.maximum(net.tail, net.head)], axis=1)
    parts, street = np.unique(ends, axis=0, return_inverse=True)
    street, streets = street.reshape(-1).astype(np.int32), net.near_first.size - 1
    number = np.bincount(parts[:, 0], minlength=streets)
    first = np.cumsum(number) - number
    several = np.flatnonzero(number > 1)
    one = np.r_[np.repeat(np.arange(streets), np.diff(net.near_first)), several]
    other = np.r_[net.near_street, several]
    per_m = np.r_[np.full(net.near_street.size, near_per_m), np.full(several.size, again_per_m)]
    each = number[one] * number[other]  # every part of the one with every part of the other
    pair = np.repeat(np.arange(one.size), each)
    count = np.arange(pair.size) - np.repeat(np.cumsum(each) - each, each)
    a, b = first[one[pair]] + count // number[other[pair]], first[other[pair]] + count % number[other[pair]]
    kept = np.flatnonzero(a != b)
    kept = kept[np.argsort(a[kept], kind="stable")]
    length = np.zeros(parts.shape[0])
    length[street] = net.length
    near_first = np.r_[0, np.cumsum(np.bincount(a[kept], minlength=parts.shape[0]))].astype(np.int32)
    apart = net._replace(street=street, near_first=near_first, near_street=b[kept].astype(np.int32))
    return apart, per_m[pair[kept]] * np.minimum(length[a[kept]], length[b[kept]])


def _without_rings(net: Any) -> tuple[Any, np.ndarray]:
    """The net with a node in the middle of each edge from a node to itself; edges, -1 for the second halves."""
    from routeplan.search.kernels import adjacency

    count, n, streets = net.tail.size, net.out_first.size - 1, net.near_first.size - 1
    ring = np.flatnonzero(net.tail == net.head)
    if not ring.size:
        return net, np.arange(count)
    middle, second = n + np.arange(ring.size), count + np.arange(ring.size)
    tail, head = np.r_[net.tail, middle].astype(np.int32), np.r_[net.head, net.head[ring]].astype(np.int32)
    head[ring] = middle
    came = np.repeat(np.arange(count), np.diff(net.turn_first))
    half = np.arange(count)
    half[ring] = second  # what followed the edge follows its second half
    order = np.argsort(np.r_[half[came], ring], kind="stable")
    follows = np.bincount(np.r_[half[came], ring], minlength=count + ring.size)
    out_first, out_edge = adjacency(tail, n + ring.size)
    in_first, in_edge = adjacency(head, n + ring.size)
    split = net._replace(
        tail=tail, head=head, length=np.r_[net.length, np.zeros(ring.size)],
        street=np.r_[net.street, streets + np.arange(ring.size)].astype(np.int32), out_first=out_first,
        out_edge=out_edge, in_first=in_first, in_edge=in_edge,
        turn_first=np.r_[0, np.cumsum(follows)].astype(np.int32),
        turn_edge=np.r_[net.turn_edge, second][order].astype(np.int32),
        turn_gain=np.r_[net.turn_gain, np.zeros(ring.size)][order],
    )  # fmt: skip
    return split, np.r_[np.arange(count), np.full(ring.size, -1)]
