"""The streets that a loop can reach: checks of the input, pairing of directions, arrays for the kernels.

A loop of length L passes only edges with (distance out to the tail) + length + (distance back from the head) <= L.
Everything after this module costs by the size of that ball, not of the map.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError, NoLoopError
from routeplan.search.chains import chains_of

_NONE = np.empty(0, bool)


@dataclass(frozen=True, eq=False)
class Ball:
    """Streets within reach, as they are (`fine`) and with chains joined to single edges (`net`, what is searched)."""

    net: Any  # kernels.Net
    fine: Any  # kernels.Net
    edge: np.ndarray  # the caller's index of each edge of `fine`
    first: np.ndarray  # edge i of `net` is part[first[i]:first[i + 1]] of `fine`
    part: np.ndarray
    out_m: np.ndarray  # (n,) distance from the start to the nodes of `net`
    back_m: np.ndarray  # (n,) distance to the start
    turns_inside: np.ndarray  # gain of the turns within each edge of `net`
    may_repeat: bool
    has_bans: bool

    def room_m(self, longest_m: float) -> np.ndarray:
        """(e,) how much longer than the shortest loop through it a loop with this edge of the joined net may be."""
        net = self.net
        return np.maximum(longest_m - self.out_m[net.tail] - net.length - self.back_m[net.head], 0.0)

    def summed(self, values: np.ndarray) -> np.ndarray:
        """Sums of values on the edges of `fine` over the edges of `net`."""
        return np.add.reduceat(values[self.part], self.first[:-1])

    def joined(self, walk: np.ndarray) -> np.ndarray:
        """A walk on `fine`, between nodes of `net`, as edges of `net`."""
        begins = np.full(self.fine.tail.size, -1, np.int32)
        begins[self.part[self.first[:-1]]] = np.arange(self.first.size - 1)
        chains = begins[walk]
        return chains[chains >= 0]

    def expanded(self, walk: np.ndarray) -> np.ndarray:
        """A walk on `net` as edges of `fine`."""
        begins, count = self.first[walk], self.first[walk + 1] - self.first[walk]
        before = np.cumsum(count) - count
        return self.part[np.repeat(begins - before, count) + np.arange(count.sum())].astype(np.int32)


def edge_array(name: str, values: Any, count: int | None, faults: list[Fault], *, negative: bool) -> np.ndarray:
    """`values` as float64 (count,), faults noted for shape, NaN, infinity and (unless `negative`) values below 0."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim != 1 or (count is not None and array.size != count):
        faults.append(Fault(f"{name} has shape {array.shape}", name, f"give one number for each of {count} edges"))
        return np.zeros(count or 0)
    bad = ~np.isfinite(array) if negative else ~(array >= 0) | np.isinf(array)
    for e in np.flatnonzero(bad)[:5]:
        must = "a finite number" if negative else "a finite number of at least 0"
        faults.append(Fault(f"{name} is {array[e]}", f"edge {e}", f"must be {must}"))
    if bad.sum() > 5:
        faults.append(Fault(f"{name} is wrong on {int(bad.sum())} edges in all", name))
    return array


def node_array(name: str, values: Any, faults: list[Fault]) -> np.ndarray:
    """Node indices as int32 (e,)."""
    array = np.asarray(values)
    if array.ndim != 1 or (array.size and not np.issubdtype(array.dtype, np.integer)):
        faults.append(Fault(f"{name} is no list of whole numbers", name, "give the node index of each edge"))
        return np.zeros(0, np.int32)
    if array.size and array.min() < 0:
        e = int(np.argmin(array))
        faults.append(Fault(f"{name} is {array[e]}", f"edge {e}", "nodes count from 0"))
    return np.ascontiguousarray(array, dtype=np.int32)


def streets_of(tail: np.ndarray, head: np.ndarray) -> np.ndarray:
    """Street of each edge where none is given: the k-th edge a->b pairs with the k-th edge b->a.

    An edge from a node to itself is a street of its own."""
    count = tail.size
    if count == 0:
        return np.empty(0, np.int64)
    low = np.minimum(tail, head).astype(np.int64)
    high = np.maximum(tail, head).astype(np.int64)
    order = np.lexsort((np.arange(count), tail > head, high, low))
    low, high, back = low[order], high[order], (tail > head)[order]
    new_pair = np.r_[True, (low[1:] != low[:-1]) | (high[1:] != high[:-1])]
    new_run = new_pair | np.r_[True, back[1:] != back[:-1]]
    at = np.arange(count)
    rank = at - np.maximum.accumulate(np.where(new_run, at, 0))
    pair = np.cumsum(new_pair) - 1
    street = np.empty(count, np.int64)
    _, street[order] = np.unique(np.stack([pair, rank]), axis=1, return_inverse=True)
    return street


def check_pairs(name: str, pairs: Any, count: int, faults: list[Fault]) -> np.ndarray:
    """(m, 2) int64 of indices below `count`."""
    array = np.asarray(pairs, dtype=np.int64).reshape(-1, 2) if np.size(pairs) else np.zeros((0, 2), np.int64)
    bad = np.flatnonzero((array < 0).any(axis=1) | (array >= count).any(axis=1))
    if bad.size:
        faults.append(Fault(f"{name}[{bad[0]}] is {array[bad[0]].tolist()}", name, f"indices are 0 to {count - 1}"))
        return np.zeros((0, 2), np.int64)
    return array


def make_ball(
    tail: Any,
    head: Any,
    length_m: Any,
    start: int,
    shortest_m: float,
    longest_m: float,
    *,
    street: Any = None,
    may_repeat: bool = False,
    banned_turns: Any = None,
    turns: Any = None,
    turn_gain: Any = None,
    near: Any = None,
    time_s: Any = None,
    clock_gain: Any = None,
    clock: tuple[float, float, Any] | None = None,
    per_edge: dict[str, Any] | None = None,
    at_least_zero: bool = False,
    again_m: float = np.inf,
) -> tuple[Ball, dict[str, np.ndarray]]:
    """Check the arguments of a loop search and cut out the streets within reach.

    per_edge : further arrays (e,) of finite numbers (>= 0 with at_least_zero); their cuts are returned by name
    again_m  : metres that may be ridden twice: what lies beyond more bridges is left out (see bridges)
    Raises InputError with every fault, NoLoopError where nothing leads away from the start and back, or not without
    riding more twice."""
    from routeplan.search import kernels
    from routeplan.search.bridges import passable

    faults: list[Fault] = []
    tail = node_array("tail", tail, faults)
    head = node_array("head", head, faults)
    count = tail.size
    if head.size != count:
        faults.append(Fault(f"{count} tails, {head.size} heads", "tail, head", "give both for each edge"))
        raise InputError(faults)
    length = edge_array("length_m", length_m, count, faults, negative=False)
    extra = {k: edge_array(k, v, count, faults, negative=not at_least_zero) for k, v in (per_edge or {}).items()}
    nodes = int(max(tail.max(initial=-1), head.max(initial=-1))) + 1
    if not isinstance(start, (int, np.integer)) or not 0 <= start < nodes:
        faults.append(Fault(f"start is {start}", "start", f"nodes are 0 to {nodes - 1}"))
    if not 0 <= shortest_m <= longest_m or not 0 < longest_m < np.inf:
        faults.append(Fault(f"the window is {shortest_m} to {longest_m} m", "shortest_m, longest_m",
                            "0 <= shortest_m <= longest_m, finite and not 0"))  # fmt: skip
    if street is not None:
        street = np.asarray(street)
        if street.shape != (count,):
            faults.append(Fault(f"street has shape {street.shape}", "street", f"give one number for {count} edges"))
    near_pairs = np.asarray(near if near is not None else [], dtype=np.int64).reshape(-1, 2)
    if near_pairs.size and street is None:
        faults.append(Fault("near streets need the street of each edge", "near", "give street"))
    banned = check_pairs("banned_turns", banned_turns if banned_turns is not None else [], count, faults)
    priced = check_pairs("turns", turns if turns is not None else [], count, faults)
    prices = np.asarray(turn_gain if turn_gain is not None else [], dtype=np.float64).ravel()
    if priced.shape[0] != prices.size or not np.isfinite(prices).all():
        faults.append(Fault(f"{priced.shape[0]} turns, {prices.size} gains", "turns, turn_gain",
                            "give one finite gain for each turn"))  # fmt: skip
    time = edge_array("time_s", time_s, count, faults, negative=False) if time_s is not None else np.zeros(count)
    on_clock = np.zeros(count)
    weight = np.zeros(0)
    begin, step = 0.0, 1.0
    if clock is not None or clock_gain is not None:
        if clock is None or clock_gain is None or time_s is None:
            faults.append(Fault("a clock needs time_s, clock_gain and clock", "clock", "give all three"))
        else:
            on_clock = edge_array("clock_gain", clock_gain, count, faults, negative=True)
            begin, step = float(clock[0]), float(clock[1])
            weight = np.asarray(clock[2], dtype=np.float64).ravel()
            if not step > 0 or not np.isfinite(begin) or not np.isfinite(weight).all():
                faults.append(Fault("the clock is (begin_s, step_s > 0, finite weights)", "clock"))
    if faults:
        raise InputError(faults)
    if not (tail == start).any() or not (head == start).any():
        raise InputError("no street leaves and reaches the start", f"node {start}", "choose a start on a street")

    out_first, out_edge = kernels.adjacency(tail, nodes)
    in_first, in_edge = kernels.adjacency(head, nodes)
    out = np.empty(nodes)
    back = np.empty(nodes)
    parent = np.empty(nodes, np.int32)
    settled = np.empty(nodes, np.int32)
    key = np.empty(count + 1)
    heap = np.empty(count + 1, np.int32)

    def run(outward: bool, limit: float, wanted: np.ndarray) -> None:
        first, adjacent, other, dist = (
            (out_first, out_edge, head, out) if outward else (in_first, in_edge, tail, back)
        )
        kernels.shortest(first, adjacent, other, length, int(start), float(limit), longest_m / 2, wanted, int(wanted.sum()),  # noqa: E501
                         dist, parent, settled, key, heap)  # fmt: skip

    run(False, longest_m / 2, _NONE)
    near_back = np.isfinite(back)
    run(True, longest_m, near_back)
    run(False, longest_m, near_back | (out <= longest_m / 2))

    if street is None:  # pairs are made among all edges between nodes of the ball, short or long
        edge = np.flatnonzero((out + back <= longest_m)[tail] & (out + back <= longest_m)[head])
        given = streets_of(tail[edge], head[edge])
    else:
        edge = np.arange(count)
        given = street
    inside = out[tail[edge]] + length[edge] + back[head[edge]] <= longest_m
    edge, given = edge[inside], given[inside]
    least_m = 0.0
    while edge.size:  # all within reach, then without dead ends, then without what hangs on too many bridges
        node, ends = np.unique(np.r_[tail[edge], head[edge], start], return_inverse=True)
        b_tail = ends[: edge.size].astype(np.int32)
        b_head = ends[edge.size : -1].astype(np.int32)
        b_start = int(ends[-1])
        names, b_street = np.unique(given, return_inverse=True)
        b_street = b_street.astype(np.int32)
        out_first, out_edge = kernels.adjacency(b_tail, node.size)
        in_first, in_edge = kernels.adjacency(b_head, node.size)
        keep = kernels.peeled(b_tail, b_head, b_street, out_first, out_edge, in_first, in_edge, b_start)
        if keep.all() and again_m < np.inf:
            keep, least_m = passable(b_tail, b_head, b_street, length[edge], b_start, again_m)
        if keep.all():
            break
        edge, given = edge[keep], given[keep]
    if not edge.size and least_m > again_m:
        raise NoLoopError(f"every loop from node {start} within {longest_m:.0f} m rides {least_m:.0f} m or more a "
                          "second time", None)  # fmt: skip
    if not edge.size:
        raise NoLoopError(f"no way leads from node {start} on and back to it within {longest_m:.0f} m "
                          "without turning back", None)  # fmt: skip
    turn_first, turn_edge = kernels.turns(b_tail, b_head, b_street, out_first, out_edge, b_start, may_repeat)
    turn_first, turn_edge, gain_of_turn = _price_turns(turn_first, turn_edge, edge, count, banned, priced, prices)
    near_first, near_street = _near(names, near_pairs)
    clock_sum = np.r_[0.0, np.cumsum(weight * step)]
    fine = kernels.Net(
        b_tail, b_head, length[edge], b_street, out_first, out_edge, in_first, in_edge,
        turn_first, turn_edge, gain_of_turn, near_first, near_street,
        time[edge], on_clock[edge], clock_sum, begin, step, b_start,
    )  # fmt: skip
    return _joined(fine, edge, may_repeat, bool(banned.size)), {k: v[edge] for k, v in extra.items()}


def _joined(fine: Any, edge: np.ndarray, may_repeat: bool, has_bans: bool) -> Ball:
    """The ball with its chains joined to single edges."""
    from routeplan.search import kernels

    first, part = chains_of(
        fine.head, fine.street, fine.turn_first, fine.turn_edge, fine.start, np.diff(fine.near_first) > 0)  # fmt: skip
    begin, last = part[first[:-1]], part[first[1:] - 1]
    node, ends = np.unique(np.r_[fine.tail[begin], fine.head[last], fine.start], return_inverse=True)
    tail = ends[: begin.size].astype(np.int32)
    head = ends[begin.size : -1].astype(np.int32)
    start = int(ends[-1])
    # both directions of a chain hold the same streets: the smallest one names it
    names, street = np.unique(np.minimum.reduceat(fine.street[part], first[:-1]), return_inverse=True)
    street = street.astype(np.int32)
    out_first, out_edge = kernels.adjacency(tail, node.size)
    in_first, in_edge = kernels.adjacency(head, node.size)
    number = np.full(fine.tail.size, -1, np.int64)
    number[begin] = np.arange(begin.size)
    follows = [fine.turn_edge[fine.turn_first[e] : fine.turn_first[e + 1]] for e in last.tolist()]
    turn_first = np.r_[0, np.cumsum([f.size for f in follows])].astype(np.int32)
    turn_edge = number[np.concatenate(follows)] if follows else np.empty(0, np.int64)
    gains = [fine.turn_gain[fine.turn_first[e] : fine.turn_first[e + 1]] for e in last.tolist()]
    inner = np.zeros(fine.tail.size)  # gain of the turn into an edge from the one before it in its chain
    inside = np.ones(part.size, bool)
    inside[first[:-1]] = False
    before = part[np.flatnonzero(inside) - 1]
    inner[part[inside]] = fine.turn_gain[fine.turn_first[before]]
    new_of_old = np.full(fine.near_first.size - 1, -1, np.int64)
    new_of_old[names] = np.arange(names.size)
    owner = np.repeat(np.arange(fine.near_first.size - 1), np.diff(fine.near_first))
    pairs = new_of_old[np.stack([owner, fine.near_street], 1)] if owner.size else np.zeros((0, 2), np.int64)
    near_first, near_street = _near(np.arange(names.size), pairs[(pairs >= 0).all(axis=1)])

    def summed(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values[part], first[:-1])

    net = kernels.Net(
        tail, head, summed(fine.length), street, out_first, out_edge, in_first, in_edge,
        turn_first, turn_edge.astype(np.int32), np.concatenate(gains), near_first, near_street,
        summed(fine.time), summed(fine.clock_gain), fine.clock_sum, fine.clock_begin, fine.clock_step, start,
    )  # fmt: skip
    out, back = distances(net)
    return Ball(net, fine, edge, first, part, out, back, summed(inner), may_repeat, has_bans)


def only_on(ball: Ball, edges: np.ndarray) -> Ball:
    """The ball of some edges (e,) bool of the joined net alone, which is its `fine` one; what has become a chain is
    joined."""
    from routeplan.search import kernels

    net = ball.net
    edge = np.flatnonzero(edges)
    number = np.full(edges.size, -1, np.int64)
    number[edge] = np.arange(edge.size)
    node, ends = np.unique(np.r_[net.tail[edge], net.head[edge], net.start], return_inverse=True)
    tail, head = ends[: edge.size].astype(np.int32), ends[edge.size : -1].astype(np.int32)
    names, street = np.unique(net.street[edge], return_inverse=True)
    out_first, out_edge = kernels.adjacency(tail, node.size)
    in_first, in_edge = kernels.adjacency(head, node.size)
    came = np.repeat(np.arange(edges.size), np.diff(net.turn_first))
    kept = edges[came] & edges[net.turn_edge]
    follows = np.bincount(number[came[kept]], minlength=edge.size)
    owner = np.repeat(np.arange(net.near_first.size - 1), np.diff(net.near_first))
    near_first, near_street = _near(names, np.stack([owner, net.near_street], 1).astype(np.int64))
    fine = net._replace(
        tail=tail, head=head, length=net.length[edge], street=street.astype(np.int32), out_first=out_first,
        out_edge=out_edge, in_first=in_first, in_edge=in_edge,
        turn_first=np.r_[0, np.cumsum(follows)].astype(np.int32),
        turn_edge=number[net.turn_edge[kept]].astype(np.int32), turn_gain=net.turn_gain[kept],
        near_first=near_first, near_street=near_street, time=net.time[edge], clock_gain=net.clock_gain[edge],
        start=int(ends[-1]),
    )  # fmt: skip
    return _joined(fine, edge, ball.may_repeat, ball.has_bans)


def distances(net: Any) -> tuple[np.ndarray, np.ndarray]:
    """Distance of each node from the start and to it, inf where there is no way."""
    from routeplan.search import kernels

    n, e = net.out_first.size - 1, net.tail.size
    out, back = np.empty(n), np.empty(n)
    parent, settled = np.empty(n, np.int32), np.empty(n, np.int32)
    key, heap = np.empty(e + 1), np.empty(e + 1, np.int32)
    for first, adjacent, other, dist in (
        (net.out_first, net.out_edge, net.head, out), (net.in_first, net.in_edge, net.tail, back)
    ):  # fmt: skip
        kernels.shortest(first, adjacent, other, net.length, net.start, np.inf, 0.0, _NONE, 0,
                         dist, parent, settled, key, heap)  # fmt: skip
    return out, back


def _price_turns(first, follow, edge, count, banned, priced, prices):
    """Drop banned turns and look up the gains of the priced ones; arguments as in make_ball."""
    gain = np.zeros(follow.size)
    if not banned.size and not priced.size:
        return first, follow, gain
    came = np.repeat(edge, np.diff(first))
    key = came * count + edge[follow]
    if priced.size:
        wanted = priced[:, 0] * count + priced[:, 1]
        order = np.argsort(wanted, kind="stable")
        at = np.minimum(np.searchsorted(wanted[order], key), wanted.size - 1)
        found = wanted[order][at] == key
        gain[found] = prices[order][at[found]]
    keep = ~np.isin(key, banned[:, 0] * count + banned[:, 1])
    number = np.add.reduceat(np.r_[keep, False].astype(np.int64), first[:-1]) * (np.diff(first) > 0)
    return np.r_[0, np.cumsum(number)].astype(np.int32), follow[keep], gain[keep]


def _near(names: np.ndarray, pairs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """CSR of near streets, both ways, among the streets of the ball."""
    at = np.minimum(np.searchsorted(names, pairs), max(names.size - 1, 0))
    at = at[(names[at] == pairs).all(axis=1) & (pairs[:, 0] != pairs[:, 1])]
    both = np.unique(np.r_[at, at[:, ::-1]], axis=0)
    first = np.r_[0, np.cumsum(np.bincount(both[:, 0], minlength=names.size))].astype(np.int32)
    return first, both[:, 1].astype(np.int32)


def turned(ball: Ball, duration_s: float) -> Ball:
    """The ball with every edge of `net` the other way, for walks read from their end.

    duration_s : of a ride, reckoned; the clock runs backward from there"""
    net = ball.net
    count = net.tail.size
    came = np.repeat(np.arange(count, dtype=np.int32), np.diff(net.turn_first))
    order = np.argsort(net.turn_edge, kind="stable")
    first = np.r_[0, np.cumsum(np.bincount(net.turn_edge, minlength=count))].astype(np.int32)
    last = net.clock_begin + net.clock_step * (net.clock_sum.size - 1)
    back = net._replace(
        tail=net.head, head=net.tail, out_first=net.in_first, out_edge=net.in_edge, in_first=net.out_first,
        in_edge=net.out_edge, turn_first=first, turn_edge=came[order], turn_gain=net.turn_gain[order],
        clock_sum=np.ascontiguousarray(net.clock_sum[-1] - net.clock_sum[::-1]), clock_begin=duration_s - last,
    )  # fmt: skip
    return replace(ball, net=back, out_m=ball.back_m, back_m=ball.out_m)


def make_work(ball: Ball, labels: int, slots: int | None = None) -> Any:
    """Space for one thread: `labels` bounds the labels of one sweep, `slots` (as many) the edges and buckets."""
    from routeplan.search import kernels

    e, s, n = ball.fine.tail.size, ball.fine.near_first.size - 1, ball.net.out_first.size - 1
    return kernels.Work(
        np.empty(labels), np.empty(labels), np.empty(labels, np.float32), np.empty(labels, np.float32),
        np.empty(labels, np.float32),
        np.empty((labels, 2), np.int32), np.empty(labels, np.int32), np.empty(labels, np.uint8),
        np.empty((labels, kernels.ROW + 2), np.int32), np.empty(slots or labels, np.int32), np.zeros(2, np.int64),
        np.full(e, kernels.OUTSIDE, np.int64), np.empty(e, np.int32), np.empty(e), np.zeros(e), np.zeros(e, np.int64),
        np.zeros(s, np.int64), np.zeros(e, np.uint8), np.zeros(s, np.int32), np.zeros(s, np.int32),
        np.empty(n), np.empty(n), np.empty(e + 1), np.empty(e + 1, np.int32), np.empty(n, np.int32),
        np.empty(n, np.int32), np.empty(n), np.empty(n, np.int32), np.zeros(1, np.int64), np.empty((1, 1), np.float32),
        np.empty((1, 1), np.float32),
    )  # fmt: skip
