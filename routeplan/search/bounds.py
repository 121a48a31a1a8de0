"""What no loop can pass: proven upper bounds on the gain, and a certificate that others can check.

Two relaxations of the loop problem, both on the streets that a loop of the longest length can reach:

- `quick`: each street at most once, at its better direction, turn and hour, filled into the longest length by gain per
  metre (a fractional knapsack). Milliseconds, always valid.
- `tighten`: a flow with the length ridden so far on every edge (linear programme, HiGHS). A walk sends one unit along
  its edges; the length at the tail of an edge lies between the distance from the start and what is left to come home;
  what flows into a node, with the edge's own length, flows out. So flow that does not hang on the start cannot be, and
  far streets must be paid for. The figure does not rest on the solver: any row prices give a bound by weak duality,
  and it is recomputed from them with its rounding added, or in exact fractions by `check_certificate.py` in the tests.

Lengths are rounded down to 1/1024 m for it, so that their sums are exact; the window is widened by as much.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from routeplan.search.ball import Ball

GRID_M = 1.0 / 1024.0
SCOPE = "closed walks from the start inside the length window, {street}, no turning back on the street just ridden"


@dataclass(frozen=True)
class Bound:
    """`gain_at_most` holds for every loop of the objective; `proof` says how it was had."""

    gain_at_most: float
    proof: str
    certificate: dict[str, Any] | None = field(default=None, compare=False, repr=False)


def quick(ball: Ball, objective: Any) -> Bound:
    """Bound by the streets within reach and the length alone, in milliseconds."""
    gain, again = most_of_edges(ball, objective)
    value = _filled(ball, objective, gain, again)
    how = "each street within reach at its better direction"
    if ball.fine.clock_sum.size > 1:
        how += " and hour"
        ride = clock_of_ride(ball)
        if math.isfinite(ride):
            clock = ball.summed(_clock_most(ball))
            apart = _filled(ball, objective, gain - clock, again - clock) + ride
            if apart < value:
                value, how = apart, "each street within reach at its better direction, the clock's gain apart"
    return Bound(
        value,
        f"{how}, filled into the longest length by gain per metre (fractional knapsack); prices of near streets and of "
        f"length left out; holds for {_scope(objective)}",
    )


def _scope(objective: Any) -> str:
    street = "each edge at most once, a street's gain once" if objective.repeats else "each street at most once"
    return SCOPE.format(street=street)


def most_of_edges(ball: Ball, objective: Any) -> tuple[np.ndarray, np.ndarray]:
    """(gain, again): most that an edge of the joined net can earn at a first and at a later passage.

    The clock gives at most its share at any time after the earliest arrival; the turn into the edge at most the best
    of those that lead to it; the price of near streets is left out."""
    net, fine = ball.net, ball.fine
    extra = np.full(net.tail.size, -np.inf)
    np.maximum.at(extra, net.turn_edge, net.turn_gain)
    extra[net.tail == net.start] = np.maximum(extra[net.tail == net.start], 0.0)
    extra[~np.isfinite(extra)] = 0.0
    if objective.near_gain_per_m > 0:
        extra = extra + objective.near_gain_per_m * net.length * (np.diff(net.near_first)[net.street] > 0)
    if fine.clock_sum.size > 1:
        extra = extra + ball.summed(_clock_most(ball))
    return objective.gain + extra, objective.again + extra


def clock_of_ride(ball: Ball) -> float:
    """Most that the clock can give a whole ride: the largest gain per second times the weight's integral."""
    fine = ball.fine
    weight = np.diff(fine.clock_sum) / fine.clock_step
    end = fine.clock_begin + fine.clock_step * np.arange(1, weight.size + 1)
    inside = np.clip(end, 0.0, None) - np.clip(end - fine.clock_step, 0.0, None)
    total = 0.0
    for some, part in ((fine.clock_gain > 0, np.maximum(weight, 0)), (fine.clock_gain < 0, np.minimum(weight, 0))):
        share = abs(float((part * inside).sum()))
        if some.any() and share > 0.0:
            with np.errstate(divide="ignore"):
                total += share * float((np.abs(fine.clock_gain[some]) / fine.time[some]).max())
    return total


def _clock_most(ball: Ball) -> np.ndarray:
    """(e,) of the fine net: most that the clock can give an edge at any time that can be reached."""
    from routeplan.search import kernels

    net = ball.fine
    weight = np.diff(net.clock_sum) / net.clock_step
    n, e = net.out_first.size - 1, net.tail.size
    arrival = np.empty(n)
    kernels.shortest(
        net.out_first, net.out_edge, net.head, net.time, net.start, np.inf, 0.0, np.empty(0, bool), 0, arrival,
        np.empty(n, np.int32), np.empty(n, np.int32), np.empty(e + 1), np.empty(e + 1, np.int32),
    )  # fmt: skip
    top = np.r_[np.maximum.accumulate(np.maximum(weight, 0)[::-1])[::-1], 0.0]
    bottom = np.r_[np.minimum.accumulate(np.minimum(weight, 0)[::-1])[::-1], 0.0]
    cell = np.floor((arrival[net.tail] * (1 - 1e-9) - net.clock_begin) / net.clock_step)
    cell = np.clip(np.nan_to_num(cell, posinf=weight.size), 0, weight.size).astype(np.int64)
    return np.maximum(net.clock_gain * top[cell], net.clock_gain * bottom[cell])


def _filled(ball: Ball, objective: Any, gain: np.ndarray, again: np.ndarray) -> float:
    """The knapsack's figure, its rounding added."""
    net = ball.net
    streets = net.near_first.size - 1
    first = np.full(streets, -np.inf)
    np.maximum.at(first, net.street, gain)
    low = np.full(streets, np.inf)
    np.minimum.at(low, net.street, net.length)
    high = np.zeros(streets)
    np.maximum.at(high, net.street, net.length)
    if objective.repeats:
        first, low, high = np.r_[first, again], np.r_[low, net.length], np.r_[high, net.length]
    value = _knapsack(first, low, high, objective.shortest_m, objective.longest_m)
    return float(value + 1e-9 * (abs(value) + np.abs(first).max(initial=0.0)) + 1e-12)


def _knapsack(gain: np.ndarray, low: np.ndarray, high: np.ndarray, shortest: float, longest: float) -> float:
    """Most that sum(x gain) can be with 0 <= x <= 1, sum(x low) <= longest and sum(x high) >= shortest, or more."""
    good = gain > 0
    value = _taken(gain[good], low[good], longest, free=True)
    missing = shortest - float(high[good].sum())
    return value + (_taken(gain[~good], high[~good], missing, free=False) if missing > 0 else 0.0)


def _taken(gain: np.ndarray, weight: np.ndarray, most: float, *, free: bool) -> float:
    """Gain of the best items by gain per weight that fill `most`, the last in part; weightless ones only if `free`."""
    some = weight > 0
    value = float(gain[~some].sum()) if free else 0.0
    gain, weight = gain[some], weight[some]
    order = np.argsort(-gain / weight, kind="stable")
    before = np.cumsum(weight[order]) - weight[order]
    return value + float((gain[order] * np.clip((most - before) / weight[order], 0.0, 1.0)).sum())


@dataclass(frozen=True, eq=False)
class Programme:
    """max gain @ v under rows @ v <= most, the first `equal` rows with =, low <= v <= high; exact floats."""

    gain: np.ndarray
    rows: Any  # scipy CSR
    most: np.ndarray
    equal: int
    low: np.ndarray
    high: np.ndarray


def instance_of(ball: Ball, objective: Any) -> dict[str, Any]:
    """The relaxed problem in plain numbers: edges with lengths on the grid, gains, window, what may follow what."""
    net = ball.net
    gain, again = most_of_edges(ball, objective)
    slack = ball.fine.tail.size * GRID_M
    shortest = math.floor((objective.shortest_m - slack) / GRID_M) * GRID_M
    first = net.turn_first.tolist()
    return {
        "tail": net.tail.tolist(), "head": net.head.tolist(), "street": net.street.tolist(), "start": int(net.start),
        "length": (np.floor(net.length / GRID_M) * GRID_M).tolist(),
        "gain": gain.tolist(), "again": again.tolist(),
        "shortest": max(shortest, 0.0), "leaves": bool(objective.shortest_m > 0),
        "longest": math.ceil(objective.longest_m / GRID_M) * GRID_M,
        "may_repeat": bool(objective.repeats), "repeat_at_most": float(min(objective.repeat_m, objective.longest_m)),
        "target": float(objective.target_m), "pull": float(objective.pull_per_m), "slack": slack,
        "follow": [net.turn_edge[a:b].tolist() for a, b in pairwise(first)]
        if objective.repeats or ball.has_bans else None,  # else it adds nothing: a street is ridden once
    }  # fmt: skip


def programme(given: dict[str, Any]) -> Programme:
    """The flow with lengths for an `instance_of`.

    Variables: x (edge ridden), z (x times the length ridden before the edge, beyond the shortest way to it), w (further
    passages of a street), the loop's length, its distance from the target. Rows, in this order: balance of each node;
    lengths at each node; z within its room; streets; further passages where they gain; metres ridden again; what
    follows; leaving the start; target from above and below."""
    from scipy import sparse

    tail, head, street = (np.array(given[k], np.int64) for k in ("tail", "head", "street"))
    length, gain, again = (np.array(given[k], np.float64) for k in ("length", "gain", "again"))
    start, longest = given["start"], given["longest"]
    edges, nodes, streets = tail.size, int(max(tail.max(), head.max())) + 1, int(street.max()) + 1
    out, back = _distances(tail, head, length, nodes, start), _distances(head, tail, length, nodes, start)
    room = longest - length - back[head] - out[tail]
    fits = np.isfinite(room) & (room >= 0)
    room = np.where(fits, room, 0.0)
    near = np.where(np.isfinite(out[tail]), out[tail], 0.0)
    x, z, w = np.arange(edges), edges + np.arange(edges), 2 * edges + np.arange(streets)
    total = 2 * edges + streets
    away, columns = total + 1, total + 2
    entries: list[tuple[np.ndarray, ...]] = []
    most: list[np.ndarray] = []
    rows = 0

    def block(right: Any) -> int:
        nonlocal rows
        most.append(np.atleast_1d(np.asarray(right, np.float64)))
        rows += most[-1].size
        return rows - most[-1].size

    def add(row: Any, column: Any, value: Any) -> None:
        entries.append(tuple(a.ravel() for a in np.broadcast_arrays(row, column, np.asarray(value, np.float64))))

    a = block(np.zeros(nodes))
    add(a + head, x, 1.0)
    add(a + tail, x, -1.0)
    a = block(np.zeros(nodes))
    add(a + tail, x, near)
    add(a + tail, z, 1.0)
    add(a + head, x, -(near + length))
    add(a + head, z, -1.0)
    add(a + start, total, 1.0)
    equal = rows
    a = block(np.zeros(edges))
    add(a + x, z, 1.0)
    add(a + x, x, -room)
    number = np.bincount(street, minlength=streets)
    a = block(np.ones(streets))
    add(a + street, x, 1.0)
    further = np.zeros(streets)
    if given["may_repeat"]:
        add(a + np.arange(streets), w, -1.0)
        further = np.full(streets, -np.inf)
        np.maximum.at(further, street, again - gain)
        further = np.where(number > 1, further, 0.0)
        worth = np.flatnonzero(further > 0)
        a = block(np.zeros(worth.size))
        index = np.full(streets, -1)
        index[worth] = np.arange(worth.size)
        add(a + np.arange(worth.size), w[worth], number[worth])
        e = np.flatnonzero(index[street] >= 0)
        add(a + index[street[e]], x[e], -(number[street[e]] - 1.0))
        least = np.full(streets, np.inf)
        np.minimum.at(least, street, length)
        add(block(given["repeat_at_most"]), w, least)
    if given["follow"] is not None:
        before = np.flatnonzero(head != start)
        after = [given["follow"][e] for e in before.tolist()]
        a = block(np.zeros(before.size))
        add(a + np.arange(before.size), x[before], 1.0)
        add(a + np.repeat(np.arange(before.size), [len(f) for f in after]),
            np.array([f for some in after for f in some], np.int64), -1.0)  # fmt: skip
    add(block(-1.0 if given["leaves"] else 0.0), np.flatnonzero(tail == start), -1.0)
    a = block([given["target"] + given["slack"], given["slack"] - given["target"]])
    add(a + np.arange(2), total, np.array([1.0, -1.0]))
    add(a + np.arange(2), away, -1.0)
    row, column, value = (np.concatenate(part) for part in zip(*entries))
    low = np.zeros(columns)
    low[total] = given["shortest"]
    passages = np.maximum(number - 1.0, 0.0) if given["may_repeat"] else np.zeros(streets)
    return Programme(
        np.r_[gain, np.zeros(edges), further, 0.0, given["pull"]],
        sparse.csr_matrix((value, (row, column)), shape=(rows, columns)), np.concatenate(most), equal, low,
        np.r_[fits.astype(float), room, passages, longest, longest + given["target"] + given["slack"]],
    )  # fmt: skip


def _distances(tail: np.ndarray, head: np.ndarray, length: np.ndarray, nodes: int, start: int) -> np.ndarray:
    """Shortest distances from the start, inf where there is no way; exact, for lengths lie on a grid."""
    from routeplan.search import kernels

    first, edge = kernels.adjacency(tail.astype(np.int32), nodes)
    dist = np.empty(nodes)
    kernels.shortest(
        first, edge, head.astype(np.int32), length, start, np.inf, 0.0, np.empty(0, bool), 0, dist,
        np.empty(nodes, np.int32), np.empty(nodes, np.int32),
        np.empty(tail.size + 1), np.empty(tail.size + 1, np.int32),
    )  # fmt: skip
    return dist


def dual_figure(p: Programme, price: np.ndarray) -> float:
    """The bound that row prices give by weak duality, its rounding added; prices of <= rows are not below 0.

    sum(price most) + sum over variables of the better end of its interval times what is left of its gain. Each
    left-over is a sum of k products, off by less than (k + 2) 2**-53 times the sum of their sizes (Higham, "Accuracy
    and Stability of Numerical Algorithms", 2nd ed., eq. 3.5); twice that is added."""
    left = p.gain - p.rows.T @ price
    size = np.abs(p.gain) + abs(p.rows).T @ np.abs(price)
    terms = np.bincount(p.rows.indices, minlength=left.size) + 4
    ends = np.maximum(left * p.low, left * p.high)
    rounding = math.fsum(terms * 2.0**-52 * size * np.maximum(np.abs(p.low), np.abs(p.high)))
    rounding += 2.0**-51 * (math.fsum(np.abs(price * p.most)) + math.fsum(np.abs(ends)))
    return float(np.nextafter(math.fsum(price * p.most) + math.fsum(ends) + 2.0 * rounding, np.inf))


def tighten(ball: Ball, objective: Any, bound: Bound, found: float, time_limit_s: float | None = None) -> Bound:
    """The smaller of `bound` and the figure of the flow with lengths; the solver is stopped after `time_limit_s`.

    found : gain of the best loop known, for the gap in the proof. With a clock, each edge counts its best hour."""
    from scipy.optimize import linprog

    began = time.perf_counter()
    given = instance_of(ball, objective)
    p = programme(given)
    options = {} if time_limit_s is None else {"time_limit": max(time_limit_s, 0.01)}
    answer = linprog(
        -p.gain, A_eq=p.rows[: p.equal], b_eq=p.most[: p.equal], A_ub=p.rows[p.equal :], b_ub=p.most[p.equal :],
        bounds=np.stack([p.low, p.high], 1), method="highs-ipm", options=options,
    )  # fmt: skip
    if answer.get("x") is None or answer.status not in (0, 1):
        return bound
    price = -np.r_[answer.eqlin.marginals, answer.ineqlin.marginals]
    if price.size != p.most.size or not np.isfinite(price).all():
        return bound
    price[p.equal :] = np.maximum(price[p.equal :], 0.0)
    # the loops' own gains are sums with rounding too
    figure = dual_figure(p, price) + 1e-12 * float(np.abs(p.gain[: len(given["gain"])]).sum())
    if not figure < bound.gain_at_most:
        return bound
    gap = (figure - found) / max(abs(found), 1e-12)
    proof = (
        f"flow with the length ridden so far on every edge, {p.rows.shape[0]} rows, recomputed from its row prices "
        f"with rounding added, {100 * gap:.1f} % above the best loop found, {time.perf_counter() - began:.0f} s; "
        f"holds for {_scope(objective)}"
    )
    certificate = {"format": "routeplan bound 1", "gain_at_most": figure, "price": price.tolist()} | given
    return Bound(figure, proof, certificate)
