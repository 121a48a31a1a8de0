"""Small balls settled exactly: depth first through every loop, leaving out what can lead to nothing better.

A step rides one edge on. It is taken back where the way home no longer fits, where the streets that are left within
reach are too short for the window, or where the best loop known cannot be passed (branch and bound): neither by those
streets, filled into the longest length by gain per metre (a fractional knapsack; Dantzig 1957), nor by the best way
home that may ride streets over and over (a dynamic programme over length, as the state-space relaxation of
Christofides, Mingozzi and Toth 1981). The number of loops doubles every few hundred metres, so steps are counted and
balls are small.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from routeplan.search.ball import Ball, distances
from routeplan.search.exact_kernels import Left, Standing, deepen, ways_home

EDGES = 600  # of the joined net; larger balls are left alone
STEPS = 20_000_000  # some 0.4 s
SLICE = 2_000_000  # steps between two looks at the clock
LOOK_AHEAD = 0.2  # of the longest length: where less is left, going on is cheaper than looking ahead
BUCKETS = 1200  # of the longest length, for the best ways home
CLOSE = 1e-10  # gains that differ by less, as a share, are equal


@dataclass(frozen=True, eq=False)
class Settled:
    """What was found above the value that was given."""

    walk: np.ndarray | None  # edges of the joined net
    complete: bool  # nothing better is there
    steps: int


@dataclass(frozen=True, eq=False)
class Listed:
    """Loops of a window."""

    walks: list[np.ndarray]  # edges of the joined net, in the order of their first edges that differ
    complete: bool  # there are no others
    steps: int


def settle(
    ball: Ball, objective: Any, above: float = -np.inf, *, deadline: Any = None, steps: int = STEPS
) -> Settled:
    """The best loop of a small ball whose gain is above `above`, if there is one; as far as so many steps tell.

    deadline : engine.Deadline that stops the search. Without one the answer repeats exactly."""
    if ball.net.tail.size > EDGES:
        return Settled(None, False, 0)
    whole = ball
    if ball.fine.clock_sum.size > 1:  # a joined edge does not know when its parts are passed
        ball, objective = _not_joined(ball, objective)
        if ball.net.tail.size > 2 * EDGES:
            return Settled(None, False, 0)
    at, done = _deepened(ball, objective, above, 0, deadline, steps)
    walk = at.best[: at.best_count[0]] if at.best_count[0] else None
    if walk is not None and ball is not whole:
        walk = _joined_again(whole, walk)
    return Settled(walk, bool(at.depth[0] < 0), done)


def list_loops(ball: Ball, objective: Any, most: int, *, deadline: Any = None, steps: int = STEPS) -> Listed:
    """Loops of a small ball that the objective's rules allow, whatever they earn: at most `most`, as far as so many
    steps tell."""
    if ball.net.tail.size > EDGES:
        return Listed([], False, 0)
    none = np.zeros(ball.net.tail.size)
    objective = replace(objective, gain=none, again=none, near_gain_per_m=0.0, pull_per_m=0.0)
    at, done = _deepened(without_prices(ball), objective, -np.inf, most, deadline, steps)
    rows = at.listed[: at.listed_count[0]]
    return Listed([row[1 : 1 + row[0]].copy() for row in rows], bool(at.depth[0] < 0), done)


def _deepened(
    ball: Ball, objective: Any, above: float, most: int, deadline: Any, steps: int
) -> tuple[Standing, int]:
    """How far so many steps get, and the steps taken."""
    net = ball.net
    way = _ways(net)
    left = _left(ball, objective, way[:, net.start].copy(), 1 if most else BUCKETS)
    edges = net.tail.size
    floor = above + CLOSE * abs(above) if np.isfinite(above) else above
    at = Standing(
        np.zeros(1, np.int64), np.zeros(edges + 1, np.int64), np.zeros(edges + 1, np.int64), np.zeros((edges + 1, 4)),
        np.zeros(edges, np.uint8), np.zeros(net.near_first.size - 1, np.int64), np.zeros(edges, np.int64),
        np.zeros(edges + 1, np.int32), np.zeros(1, np.int64), np.array([floor]),
        np.zeros((most, edges + 2 if most else 0), np.int32), np.zeros(1, np.int64),
    )  # fmt: skip
    at.turn[0] = net.out_first[net.start]
    share = float(objective.repeat_m / objective.longest_m)
    done = 0
    while done < steps and at.depth[0] >= 0 and not (deadline is not None and deadline.passed()):
        done += deepen(
            net, objective.gain, objective.again, objective.rules(), share, way, left, at, LOOK_AHEAD,
            min(SLICE, steps - done),
        )  # fmt: skip
        if most and at.listed_count[0] == most:
            break
    return at, done


def without_prices(ball: Ball) -> Ball:
    """The ball without gains of turns and clock."""
    net, fine = (n._replace(turn_gain=np.zeros(n.turn_gain.size), clock_sum=np.zeros(1)) for n in (ball.net, ball.fine))
    return replace(ball, net=net, fine=fine, turns_inside=np.zeros(ball.turns_inside.size))


def _not_joined(ball: Ball, objective: Any) -> tuple[Ball, Any]:
    """The ball and the objective on the fine net."""
    edges = ball.fine.tail.size
    out, back = distances(ball.fine)
    split = replace(
        ball, net=ball.fine, first=np.arange(edges + 1), part=np.arange(edges), out_m=out, back_m=back,
        turns_inside=np.zeros(edges),
    )  # fmt: skip
    return split, replace(objective, gain=objective.fine_gain, again=objective.fine_again)


def _joined_again(ball: Ball, walk: np.ndarray) -> np.ndarray:
    """A walk on the fine net as edges of the joined net."""
    number = np.full(ball.fine.tail.size, -1, np.int64)
    number[ball.part[ball.first[:-1]]] = np.arange(ball.first.size - 1)
    joined = number[walk]
    return joined[joined >= 0]


def _ways(net: Any) -> np.ndarray:
    """(n, n) shortest distance of each node to each other, a hair less, inf where there is no way."""
    from routeplan.search import kernels

    nodes, edges = net.out_first.size - 1, net.tail.size
    way = np.empty((nodes, nodes))
    parent, settled = np.empty(nodes, np.int32), np.empty(nodes, np.int32)
    key, heap, none = np.empty(edges + 1), np.empty(edges + 1, np.int32), np.empty(0, bool)
    for node in range(nodes):
        kernels.shortest(net.out_first, net.out_edge, net.head, net.length, node, np.inf, 0.0, none, 0,
                         way[node], parent, settled, key, heap)  # fmt: skip
    return way * (1.0 - 1e-12)


def _left(ball: Ball, objective: Any, home: np.ndarray, buckets: int) -> Left:
    """Passages by gain per metre. Where streets may not be ridden again a slot is a street, and has one passage for
    each pair of ends; else it is the edges of a street between the same ends, and has as many passages as edges."""
    from routeplan.search import bounds

    net = ball.net
    gain, again = bounds.most_of_edges(ball, objective)
    ends = np.stack([net.street, np.minimum(net.tail, net.head), np.maximum(net.tail, net.head)], 1)
    key = np.column_stack([ends, net.length])
    _, group = np.unique(key, axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    first, second = np.full(count.size, -np.inf), np.full(count.size, -np.inf)
    np.maximum.at(first, group, np.maximum(gain, again) if objective.repeats else gain)
    np.maximum.at(second, group, again)
    some = np.zeros(count.size, np.int64)
    some[group] = np.arange(group.size)  # an edge of each
    number = np.zeros(count.size, np.int64)
    value, of = first, np.arange(count.size)
    if objective.repeats:
        more = np.repeat(of, count - 1)
        rank = np.arange(more.size) - np.searchsorted(more, more) + 1
        number, value, of = np.r_[number, rank], np.r_[first, second[more]], np.r_[of, more]
    edge = some[of]
    slot_of = group if objective.repeats else net.street.astype(np.int64)
    order = np.argsort(-value / np.maximum(net.length[edge], 1e-9), kind="stable")
    edge = edge[order]
    most = np.maximum(gain, again) if objective.repeats else gain
    step = float(objective.longest_m) / buckets
    back = np.floor((1.0 - 1e-9) * net.length / step).astype(np.int64)  # buckets an edge takes, at least
    short = back == 0
    return Left(
        value[order], net.length[edge], net.tail[edge].astype(np.int64), net.head[edge].astype(np.int64),
        slot_of[edge].astype(np.int64), number[order], slot_of.astype(np.int64),
        ways_home(net, np.where(short, np.minimum(most, 0.0), most), home, back, step, buckets + 1), step,
        float(np.maximum(most[short], 0.0).sum()),
    )  # fmt: skip
