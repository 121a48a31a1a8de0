"""The best loops of a network, wherever these may lie in it.

The network is carved up into sets of nodes, the smaller within the larger, with few edges across. What a loop does
within a set is told by the few edges by which it crosses and how they hang together. So all loops can be looked at,
most of them many at a time, for any length (carvings: Seymour and Thomas 1994, Combinatorica 14; loops on the branches
of such a tree: Cook and Seymour 2003, INFORMS Journal on Computing 15).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from routeplan.search.engine import LONGEST_WALK, Aside, Objective

PASSINGS, ARCS, LABELS = 100_000, 3_000_000, 600_000  # at most, of arcs and states each
FEWEST, PER_ARC = 10_000, 30  # labels of a small network, at most
TRIES, GROWTH, NOISE, BESIDE = 20, 4.0, 0.3, 0.25  # carvings drawn; see kernels.carve; weight of streets side by side
PIECES, NARROW = 4, 12  # of a loop in a set; edges across beyond which one less in a whole ball
PRICES, CLOSE = 12, 2e-4  # of a metre, tried at most; how near to the least bound one is fair, in its size
SIDES = (-0.1, 0.1, -0.3, 0.3)  # prices beside it that bound labels too, in the mean gain of a metre
NARROWEST, WIDER = 6e-5, 1.5  # behind the bound, in the spread of all arcs: looked through first; then
STEPS_M = (400.0, 80.0, 20.0)  # one label for each, by turns
SHORT = 0.15  # of such a step's mean gain: how far what its labels come to may fall short
ROUNDING = 1e-9  # of the bound
NEVER = -1e9  # gain of a metre that must not be ridden
OFFERS_MADE, OFFERS_PER_ARC, OFFERS_PER_LABEL, OFFERS_A_LOOK = 20, 4, 2, 3_000  # of a sweep that take as long


@dataclass(frozen=True, eq=False)
class Ways:
    """Every loop of a network, of any length, as the ways to make the last state (see carving_kernels)."""

    net: Any  # without edges from a node to itself
    edge: np.ndarray  # of the network asked for, -1: the second half of an edge from a node to itself
    passings: tuple[np.ndarray, ...]  # pair, turn, number: the first states
    beside: np.ndarray  # (passings,) gain where streets near each other are ridden
    arcs: Arcs


def ways_of(
    net: Any,
    repeats: bool,
    near_per_m: float = 0.0,
    again_per_m: float = 0.0,
    *,
    pieces: int = PIECES,
    narrow: int | None = None,
    most_arcs: int = ARCS,
) -> Ways | None:
    """Every loop of a network; None where it has too many ways across.

    near_per_m : gain of a metre beside streets ridden; again_per_m : of one on another part of a street ridden, where
    streets may be ridden again: twins that are one street lie apart; pieces : that a loop falls into in any set, at
    most, one less where more than `narrow` edges lead across"""
    from routeplan.search import carving_kernels as kernels

    net, near_gain = _parts_apart(net, near_per_m, again_per_m if repeats else NEVER)
    net, edge = _without_rings(net)
    one = np.repeat(np.arange(net.near_first.size - 1), np.diff(net.near_first))
    once = one < net.near_street
    one, other, near_gain = one[once], net.near_street[once].astype(np.int64), near_gain[once]
    ends = np.zeros((int(net.street.max()) + 1, 2), np.int64)
    ends[net.street] = np.stack([net.tail, net.head], axis=1)
    part = _carving(net, one, other, ends)
    if part is None:
        return None
    parent, at = np.empty(2 * part.shape[0] + 1, np.int64), np.empty(one.size, np.int64)
    left, right, top = np.empty_like(one), np.empty_like(one), np.empty(ends.shape[0], np.int64)
    kernels.charges(part, one, other, ends, parent, at, left, right, top)
    key, known = np.empty(most_arcs, np.uint64), np.empty(most_arcs, np.uint64)
    pair, turn = np.empty((PASSINGS, kernels.PIECES, 2), np.int32), np.empty((PASSINGS, kernels.PIECES), np.int32)
    number, beside = np.empty(PASSINGS, np.int32), np.empty(PASSINGS)
    arc, arc_gain, used = np.empty((most_arcs, 3), np.int32), np.empty(most_arcs, np.float32), np.empty(3, np.int64)
    full = kernels.states(
        part, net.start, net.tail, net.head, net.street, net.out_first, net.out_edge, net.in_first, net.in_edge,
        net.turn_first, net.turn_edge, one, other, near_gain, 0.5 * NEVER, int(repeats), pieces,
        kernels.SLOTS if narrow is None else narrow, parent, at, np.argsort(at, kind="stable"), left, right, top, ends,
        key, known, beside, pair, turn, number, arc, arc_gain, used,
    )  # fmt: skip
    if full:
        return None
    states, first, arcs = used.tolist()
    every = Arcs(arc[:arcs], arc_gain[:arcs], states)
    lead = every.through(np.zeros(first), 0.0)[0] == 0.0
    passings = (pair[:first].copy(), turn[:first].copy(), number[:first].copy())
    return Ways(net, edge, passings, beside[:first].copy(), every.only(np.flatnonzero(lead)))


@dataclass(frozen=True, eq=False)
class Arcs:
    """Some arcs, by which the last of `states` is made."""

    arc: np.ndarray  # (arcs, 3) states of both parts and of the whole
    gain: np.ndarray  # (arcs,) where streets near each other are ridden
    states: int

    def through(self, of_passing: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray]:
        """(arcs,) the most that a loop by each comes to, (states,) the most that all the rest of a loop does."""
        from routeplan.search import carving_kernels as kernels

        value, rest = np.full(self.states, -np.inf), np.full(self.states, -np.inf)
        value[: of_passing.size], rest[-1] = of_passing, 0.0
        through = np.empty(self.gain.size)
        kernels.inside(self.arc, self.gain, scale, value, np.empty(self.states, np.int32))
        kernels.outside(self.arc, self.gain, scale, value, rest, through)
        return through, rest

    def only(self, some: np.ndarray) -> Arcs:
        return Arcs(self.arc[some], self.gain[some], self.states)


def best_of(
    ways: Ways,
    objective: Objective,
    *,
    aside: Aside,
    least: float,
    slack: float,
    band_width: float,
    most: int,
    scale: float = 1.0,
) -> tuple[list[np.ndarray] | None, int]:
    """The best loops of a network, best first: (loops, None where there are too many labels; label offers).

    The best for each band of `aside`, a cost with a limit, `band_width` wide, `most` at most, none more than `slack`
    behind the best of all or behind `least`. scale : of the network's own gains, those of turns and of streets near
    each other. Exact but for labels that share a step of length (one that sums up less aside gives way to a better
    one), metres beside streets ridden (the shorter of both is counted), those ridden again on the other part of a
    street (priced, but not counted against the limit) and the clock, which is not read.

    Labels that cannot come near the best are left out by three bounds: what all the rest comes to at a fair price of
    a metre and at some beside it, how long it can be, and, in shorter steps, what labels of longer ones come to."""
    from routeplan.search import carving_kernels as kernels

    o, count = objective, ways.beside.size
    own = tuple(np.empty(count) for _ in range(4))
    gain, length, _, beside = own

    def split(values: np.ndarray) -> np.ndarray:
        return np.where(ways.edge >= 0, values[ways.edge], 0.0)

    kernels.weigh(
        *ways.passings, split(o.gain), split(o.again), ways.net.length, ways.net.street, scale * ways.net.turn_gain,
        scale * ways.beside, split(aside.edge), aside.per_gain, *own,
    )  # fmt: skip
    arcs, aside_scale = ways.arcs, scale * aside.per_gain
    if aside.most < np.inf:
        arcs = arcs.only(np.flatnonzero(arcs.through(-beside, aside_scale)[0] >= -aside.most))
    spent = OFFERS_PER_ARC * arcs.gain.size
    fair = _fair_price(arcs, gain, length, scale, o)
    if fair is None:
        return [], spent
    price, bound = fair
    usual_per_m = float(np.abs(gain).sum() / max(length.sum(), 1.0))
    prices = price + np.r_[0.0, SIDES] * usual_per_m
    through, first_rest = arcs.through(gain - price * length, scale)
    top = least
    rules = (o.shortest_m, o.longest_m, o.repeat_m if o.repeats else 0.0, o.target_m, o.pull_per_m)
    spread = float(np.ptp(through[through > -np.inf])) + ROUNDING * abs(bound)
    behind = NARROWEST * spread + ROUNDING * abs(bound)
    found: list[np.ndarray] = []
    while True:
        cutoff = max(bound - behind, top - slack)
        few = arcs.only(np.flatnonzero(through >= cutoff - _worth(price, o).max()))
        rests = np.empty((prices.size, arcs.states))
        rests[0] = first_rest
        for k in range(1, prices.size):
            by_arc, rests[k] = few.through(gain - prices[k] * length, scale)
            few = few.only(np.flatnonzero(by_arc >= cutoff - _worth(prices[k], o).max()))
        fewest_m, most_m = -few.through(-length, 0.0)[1], few.through(length, 0.0)[1]
        least_aside = -few.through(-beside, aside_scale)[1] if aside.most < np.inf else np.full(arcs.states, -np.inf)
        labels = _Labels(arcs.states, min(LABELS, FEWEST + PER_ARC * few.gain.size))
        hint, hint_cutoff, made = _no_hint(), -np.inf, 0
        spent += OFFERS_A_LOOK
        for step_m in STEPS_M if few.gain.size else ():
            made, closed = kernels.labels(
                few.arc, few.gain, scale, count, *own, aside.per_gain, prices, rests, fewest_m, most_m, least_aside,
                aside.most, *rules, max(cutoff, top - slack), *hint, hint_cutoff, step_m, *labels.cleared(),
            )  # fmt: skip
            spent += OFFERS_PER_LABEL * (labels.room if made < 0 else made)
            if made < 0 or not closed:
                break
            top = max(top, float(labels.value[labels.ends[:closed]].max()))
            found = labels.walks(ways, closed, band_width, most)
            onward, loop = np.empty(made), np.empty(few.gain.size)
            kernels.onward(few.arc, few.gain, scale, *rules, step_m, *labels.known(), onward, loop)
            hint, hint_cutoff = labels.hint(made, onward, step_m), top - slack - SHORT * usual_per_m * step_m
            few = few.only(np.flatnonzero(loop >= hint_cutoff))
        enough = bound - top + slack
        if made < 0 or behind >= enough or behind == np.inf:
            return None if made < 0 and not found else found, spent
        behind = enough if found else min(WIDER * behind if behind < spread else np.inf, enough)


def _worth(price: float, o: Objective) -> np.ndarray:
    """What is given back at a price of a metre, for the lengths that may suit best: a line between them, at most."""
    metres = np.array([o.shortest_m, o.longest_m, np.clip(o.target_m, o.shortest_m, o.longest_m)])
    return price * metres + o.pull_per_m * np.abs(metres - o.target_m)


def _fair_price(
    arcs: Arcs, gain: np.ndarray, length: np.ndarray, scale: float, o: Objective
) -> tuple[float, float] | None:
    """The price of a metre at which the bound of all loops is least, and the bound; None where there are no loops.

    The bound is convex in the price: each price gives a line below it, and the next one is where two of them meet."""
    from routeplan.search import carving_kernels as kernels

    metres = np.array([o.shortest_m, o.longest_m, np.clip(o.target_m, o.shortest_m, o.longest_m)])
    value, by, stack = np.empty(arcs.states), np.empty(arcs.states, np.int32), np.empty(arcs.states, np.int32)

    def at(price: float) -> tuple[float, float, float]:
        """(price, bound, its slope)"""
        value[: gain.size], value[gain.size :] = gain - price * length, -np.inf
        kernels.inside(arcs.arc, arcs.gain, scale, value, by)
        if value[-1] == -np.inf:
            return price, -np.inf, 0.0
        worth = _worth(price, o)
        ridden_m = kernels.summed(arcs.arc, by, gain.size, length, arcs.states - 1, stack)
        return price, float(value[-1] + worth.max()), float(metres[np.argmax(worth)] - ridden_m)

    low = high = at(0.0)
    if low[1] == -np.inf:
        return None
    step = float(np.abs(gain).sum() / max(length.sum(), 1.0))
    for _ in range(PRICES):  # until the least lies between two prices
        if low[2] <= 0.0 <= high[2]:
            break
        if low[2] > 0.0:
            high, low = low, at(low[0] - step)
        else:
            low, high = high, at(high[0] + step)
        step *= 2.0
    for _ in range(PRICES):
        if low[2] >= 0.0 or high[2] <= 0.0:
            break
        width = high[0] - low[0]
        meet = (low[1] - high[1] + high[2] * high[0] - low[2] * low[0]) / (high[2] - low[2])
        if min(low[1], high[1]) - (low[1] + low[2] * (meet - low[0])) < CLOSE * abs(low[1]):
            break
        middle = at(min(max(meet, low[0] + 0.1 * width), high[0] - 0.1 * width))
        low, high = (middle, high) if middle[2] < 0.0 else (low, middle)
    return min(low, high, key=lambda p: p[1])[:2]


@dataclass(eq=False)
class _Labels:
    """What kernels.labels writes into."""

    states: int
    room: int

    def __post_init__(self) -> None:
        self.value, self.metres, self.twice, self.beside = (np.empty(self.room) for _ in range(4))
        self.one, self.two, self.state, self.bucket, self.older, self.ends = (
            np.empty(self.room, np.int32) for _ in range(6)
        )
        self.newest = np.empty(self.states, np.int32)
        self.table = np.empty(0, np.int32)

    def cleared(self) -> tuple[np.ndarray, ...]:
        """All of it, for new labels; the table is a new one, for the old one may be a hint."""
        self.newest[:] = -1
        self.table = np.full(1 << (2 * self.room).bit_length(), -1, np.int32)
        return (
            self.newest, self.value, self.metres, self.twice, self.beside, self.one, self.two, self.state,
            self.bucket, self.older, self.table, self.ends,
        )  # fmt: skip

    def known(self) -> tuple[np.ndarray, ...]:
        return self.newest, self.value, self.metres, self.twice, self.state, self.bucket, self.older, self.table

    def hint(self, count: int, onward: np.ndarray, step_m: float) -> tuple[Any, ...]:
        return self.table, self.state[:count].copy(), self.bucket[:count].copy(), onward, step_m

    def walks(self, ways: Ways, closed: int, band_width: float, most: int) -> list[np.ndarray]:
        """The best closed loop for each band of the cost aside, best first, `most` at most."""
        from routeplan.search import carving_kernels as kernels

        order = self.ends[:closed][np.argsort(-self.value[self.ends[:closed]], kind="stable")]
        _, one_of_each = np.unique((self.beside[order] / band_width).astype(np.int64), return_index=True)
        follows, walk = np.empty(ways.net.tail.size, np.int32), np.empty(LONGEST_WALK, np.int32)
        stack = np.empty(ways.net.out_first.size, np.int32)
        walks = []
        for label in order[np.sort(one_of_each)[:most]].tolist():
            count = kernels.ridden(label, self.one, self.two, *ways.passings, follows, stack, walk)
            edges = ways.edge[walk[:count]]
            walks.append(edges[edges >= 0].astype(np.int32))
        return walks


def _no_hint() -> tuple[Any, ...]:
    none = np.empty(1, np.int32)
    return none, none, none, np.empty(1), 1.0


def _carving(net: Any, one: np.ndarray, other: np.ndarray, ends: np.ndarray) -> np.ndarray | None:
    """The two parts of each set that nodes are joined to; streets near each other should meet early."""
    from routeplan.search import carving_kernels as kernels

    n = net.out_first.size - 1
    a, b = np.r_[net.tail, ends[one, 0]], np.r_[net.head, ends[other, 0]]
    weight = np.r_[np.full(net.tail.size, 0.5), np.full(one.size, BESIDE)]
    node, neighbour, weight = np.r_[a, b], np.r_[b, a], np.r_[weight, weight]
    apart = node != neighbour
    pairs, which = np.unique(np.stack([node, neighbour])[:, apart], axis=1, return_inverse=True)
    weight = np.bincount(which.reshape(-1), weights=weight[apart], minlength=pairs.shape[1])
    first = np.r_[0, np.cumsum(np.bincount(pairs[0], minlength=n))]
    part = np.empty((n - 1, 2), np.int64)
    cost = kernels.carve(int(net.start), first, pairs[1], weight, GROWTH, NOISE, TRIES, part)
    return part if cost < np.inf else None


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
