"""What no loop can pass: proven upper bounds on the gain, and a certificate that others can check.

Two relaxations of the loop problem, both on the streets that a loop of the longest length can reach:

- `quick`: each street at most once, at its better direction, turn and hour, filled into the longest length by gain per
  metre (a fractional knapsack). Milliseconds, always valid.
- `tighten`: a flow with the length ridden so far on every edge (linear programme). A walk sends one unit along its
  edges; the length at the tail of an edge lies between the distance from the start and what is left to come home;
  what flows into a node, with the edge's own length, flows out. So flow that does not hang on the start cannot be, and
  far streets must be paid for. With a clock, what edges take from its window is no more than the window has. Any row
  prices give a bound by weak duality (see `dual`): the figure is recomputed from them with its rounding added, or in
  exact fractions by `check_certificate.py` in the tests.

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
from routeplan.search.dual import Programme, Standing, descend

GRID_M = 1.0 / 1024.0
STEPS = 60_000  # of a tightening without a time limit; half a minute on 30,000 rows
CERTIFICATE = "routeplan bound 2"
FLOW = "flow with the length ridden so far on every edge, recomputed from its row prices with rounding added"
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


def most_of_edges(ball: Ball, objective: Any, *, clock: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """(gain, again): most that an edge of the joined net can earn at a first and at a later passage.

    The clock gives at most its share at any time after the earliest arrival (clock=False: left out); the turn into the
    edge at most the best of those that lead to it; the price of near streets is left out."""
    net, fine = ball.net, ball.fine
    extra = np.full(net.tail.size, -np.inf)
    np.maximum.at(extra, net.turn_edge, net.turn_gain)
    extra[net.tail == net.start] = np.maximum(extra[net.tail == net.start], 0.0)
    extra[~np.isfinite(extra)] = 0.0
    if objective.near_gain_per_m > 0:
        extra = extra + objective.near_gain_per_m * net.length * (np.diff(net.near_first)[net.street] > 0)
    if clock and fine.clock_sum.size > 1:
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


@dataclass(frozen=True, eq=False)
class Clock:
    """What a clock gives the edges of the fine net while its window lasts, for the flow."""

    worth: np.ndarray  # (f,) most that an edge earns on the clock, >= 0
    takes: np.ndarray  # (f,) the least of the window that this takes [s]
    window: float  # seconds that the clock counts in all
    halt: np.ndarray | None = None  # (f,) most that one halt of the whole ride earns where it is made on the edge
    halt_s: float = 0.0  # what such a halt takes of the window

    @staticmethod
    def of(ball: Ball) -> Clock | None:
        """That of a ball; None without a clock, or where one of its gains or weights is negative."""
        fine = ball.fine
        weight = np.diff(fine.clock_sum)
        if not weight.size or (weight < 0).any() or (fine.clock_gain < 0).any():
            return None
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(fine.clock_gain > 0, _clock_most(ball) / fine.clock_gain, 0.0)
        end = fine.clock_begin + fine.clock_step * np.arange(1, weight.size + 1)
        inside = np.clip(end / fine.clock_step, 0.0, 1.0)  # of each cell, what is not before the departure
        return Clock(fine.clock_gain * share, fine.time * share, float(weight @ inside) * (1 + 1e-12))


def _clock_most(ball: Ball) -> np.ndarray:
    """(e,) of the fine net: most that the clock can give an edge at any time that can be reached."""
    top, bottom = clock_weights(ball)
    return np.maximum(ball.fine.clock_gain * top, ball.fine.clock_gain * bottom)


def clock_weights(ball: Ball) -> tuple[np.ndarray, np.ndarray]:
    """(most and 0, least and 0) of the clock's weight while an edge of the fine net can be passed, (f,) each."""
    net = ball.fine
    weight = np.diff(net.clock_sum) / net.clock_step
    top = np.r_[np.maximum.accumulate(np.maximum(weight, 0)[::-1])[::-1], 0.0]
    bottom = np.r_[np.minimum.accumulate(np.minimum(weight, 0)[::-1])[::-1], 0.0]
    cell = np.floor((earliest_s(ball) - net.clock_begin) / net.clock_step)
    cell = np.clip(np.nan_to_num(cell, posinf=weight.size), 0, weight.size).astype(np.int64)
    return top[cell], bottom[cell]


def earliest_s(ball: Ball) -> np.ndarray:
    """(f,) seconds after departure before which no edge of the fine net can be begun, rounded down; inf: never."""
    from routeplan.search import kernels

    net = ball.fine
    n, e = net.out_first.size - 1, net.tail.size
    arrival = np.empty(n)
    kernels.shortest(
        net.out_first, net.out_edge, net.head, net.time, net.start, np.inf, 0.0, np.empty(0, bool), 0, arrival,
        np.empty(n, np.int32), np.empty(n, np.int32), np.empty(e + 1), np.empty(e + 1, np.int32),
    )  # fmt: skip
    return np.asarray(arrival[net.tail] * (1 - 1e-9))


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


def instance_of(ball: Ball, objective: Any, clock: Clock | None = None) -> dict[str, Any]:
    """The relaxed problem in plain numbers: edges with lengths on the grid, gains, window, what may follow what.

    clock : None takes the ball's own."""
    net = ball.net
    clock = clock or Clock.of(ball)
    gain, again = most_of_edges(ball, objective, clock=clock is None)
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
        "clock": None if clock is None else _on_clock(ball, clock),
    }  # fmt: skip


def _on_clock(ball: Ball, clock: Clock) -> dict[str, Any]:
    """The clock's part of an instance: items, each on an edge of the joined net."""
    of = np.repeat(np.arange(ball.net.tail.size), np.diff(ball.first))
    worth, takes = clock.worth[ball.part], clock.takes[ball.part]
    some = worth > 0
    halt = np.zeros(ball.net.tail.size)
    if clock.halt is not None:
        halt = np.maximum.reduceat(clock.halt[ball.part], ball.first[:-1])
    stops = np.flatnonzero(halt > 0)
    return {
        "of": [*of[some].tolist(), *stops.tolist()], "worth": [*worth[some].tolist(), *halt[stops].tolist()],
        "takes": [*takes[some].tolist(), *np.full(stops.size, clock.halt_s).tolist()],
        "halts": int(stops.size),  # the last of them, of which a ride makes one
        "window": clock.window,
    }  # fmt: skip


def programme(given: dict[str, Any]) -> Programme:
    """The flow with lengths for an `instance_of`.

    Variables: x (edge ridden), z (x times the length ridden before the edge, beyond the shortest way to it), w (further
    passages of a street), the loop's length, its distance from the target; with a clock, u (share of what an item can
    earn on it). Rows, in this order: balance of each node; lengths at each node; z within its room;
    streets; further passages where they gain; metres ridden again; what follows; leaving the start; target from above
    and below; u only where ridden; the clock's window; one halt."""
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
    clock = given["clock"] or {"of": [], "worth": [], "takes": []}
    of, worth, takes = (np.array(clock[k], kind) for k, kind in (("of", np.int64), ("worth", float), ("takes", float)))
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
        pays = np.flatnonzero(further > 0)
        a = block(np.zeros(pays.size))
        index = np.full(streets, -1)
        index[pays] = np.arange(pays.size)
        add(a + np.arange(pays.size), w[pays], number[pays])
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
    if given["clock"] is not None:
        a = block(np.zeros(of.size))
        add(a + np.arange(of.size), columns + np.arange(of.size), 1.0)
        add(a + np.arange(of.size), x[of], -1.0)
        a = block(clock["window"])
        add(a, columns + np.arange(of.size), takes)
        columns += of.size
        add(block(1.0), np.arange(columns - clock["halts"], columns), 1.0)
    row, column, value = (np.concatenate(part) for part in zip(*entries))
    low = np.zeros(columns)
    low[total] = given["shortest"]
    passages = np.maximum(number - 1.0, 0.0) if given["may_repeat"] else np.zeros(streets)
    values = [gain, np.zeros(edges), further, 0.0, given["pull"]]
    high = [fits.astype(float), room, passages, longest, longest + given["target"] + given["slack"]]
    if given["clock"] is not None:
        values += [worth]
        high += [np.ones(of.size)]
    return Programme(
        np.concatenate([np.atleast_1d(v) for v in values]),
        sparse.csr_matrix((value, (row, column)), shape=(rows, columns)), np.concatenate(most), equal, low,
        np.concatenate([np.atleast_1d(v) for v in high]),
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


def tighten(ball: Ball, objective: Any, bound: Bound, found: float, time_limit_s: float | None = None) -> Bound:
    """The smaller of `bound` and the figure of the flow with lengths.

    found : gain of the best loop known, for the gap in the proof. time_limit_s : None takes up to STEPS steps, and
    repeats exactly."""
    began = time.perf_counter()
    if time_limit_s is not None and time_limit_s <= 0:
        return bound
    given = instance_of(ball, objective)
    at = None
    for at in descend(programme(given)):
        over = at.steps >= STEPS if time_limit_s is None else time.perf_counter() - began > time_limit_s
        if over or at.figure <= found:
            break
    assert at is not None
    figure = with_rounding(given, at.figure)
    if not figure < bound.gain_at_most:
        return bound
    gap = (figure - found) / max(abs(found), 1e-12)
    proof = f"{FLOW}, {100 * gap:.1f} % above the best loop found; holds for {_scope(objective)}"
    return Bound(figure, proof, certificate_of(given, at, figure))


def with_rounding(given: dict[str, Any], figure: float) -> float:
    """A figure of an instance's programme, raised by what the loops' own gains, sums too, may be rounded by."""
    return float(np.nextafter(figure + 1e-12 * math.fsum(np.abs(given["gain"])), np.inf))


def certificate_of(given: dict[str, Any], at: Standing, figure: float) -> dict[str, Any]:
    """What `check_certificate.py` of the tests reads: the problem, one price for each row, the figure they prove."""
    return {"format": CERTIFICATE, "gain_at_most": figure, "price": at.price.tolist()} | given
