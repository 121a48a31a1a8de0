"""Every allowed loop of a small network, and the true trade-off among them: for tests and benchmarks, made for reading.

A depth-first search from the start. It goes on along an edge only while the shortest way home from its head still fits
into the longest length. The number of walks doubles every few hundred metres, so networks and windows must be small;
`most_steps` gives up in time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from sys import path

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import Delaunay

path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from road_like import road_like

KINDS = (
    "road-like", "planar", "lollipop", "through the start", "banned turns", "one-way pairs", "side by side", "clock",
)  # fmt: skip
NO_BANS = np.zeros((0, 2), dtype=int)


@dataclass(frozen=True)
class Case:
    """A small network and what is asked of it; arrays (e,) by directed edge, lengths in whole metres."""

    kind: str
    tail: np.ndarray
    head: np.ndarray
    length_m: np.ndarray
    street: np.ndarray
    effort: np.ndarray
    loss: np.ndarray
    start: int
    may_repeat: bool = False
    banned: np.ndarray = field(default_factory=lambda: NO_BANS)
    time_s: np.ndarray | None = None
    clock_gain: np.ndarray | None = None
    clock: tuple[float, float, np.ndarray] | None = None

    def rules(self) -> dict:
        """The keywords of `trade_off` that tell it all this."""
        return {
            "street": self.street, "may_repeat": self.may_repeat, "banned_turns": self.banned,
            "repeat_share_at_most": REPEAT_SHARE, "time_s": self.time_s, "clock_gain": self.clock_gain,
            "clock": self.clock,
        }  # fmt: skip


REPEAT_SHARE = 0.25


def case(kind: str, junctions: int, seed: int) -> Case:
    """A seeded network of one of KINDS. Its start lies on a loop, but for the lollipop's, which lies on a stem."""
    random = np.random.default_rng([seed, junctions, KINDS.index(kind)])
    if kind == "planar":
        return _planar(junctions, random)
    net = road_like(junctions, seed, one_way=0.3 if kind == "one-way pairs" else 0.04)
    tail, head, street = net.tail.astype(int), net.head.astype(int), net.street.astype(int)
    effort, time_s, length = net.effort_j / 1000.0, net.time_s, np.ceil(net.length_m)
    # masts stand too close to small places for shadows: each street has some chance of its own
    chance = random.beta(0.6, 0.6, street.max() + 1)[street]
    start = int(net.starts(1, seed, margin=0.0)[0])
    more: dict = {}
    loss = time_s * (1 - chance)
    if kind == "lollipop":
        tail, head, street = _with_streets(tail, head, street, [(tail.max() + 1, start)])
        length, effort, loss = np.r_[length, 300, 300], np.r_[effort, 4.0, 9.0], np.r_[loss, 40.0, 60.0]
        start, more["may_repeat"] = int(tail.max()), True
    if kind == "through the start":  # two petals: its neighbours hang together through the start only
        twin = tail.max() + 1
        tail2, head2 = (np.where(end == start, start, end + twin) for end in (tail, head))
        tail, head, street = np.r_[tail, tail2], np.r_[head, head2], np.r_[street, street + street.max() + 1]
        length, effort = np.r_[length, length], np.r_[effort, effort * random.uniform(0.7, 1.3, effort.size)]
        loss = np.r_[loss, loss * random.uniform(0.7, 1.3, loss.size)]
    if kind == "banned turns":
        turns = [(e, f) for e in range(len(tail)) for f in np.flatnonzero(tail == head[e]) if street[f] != street[e]]
        more["banned"] = np.array(turns)[random.choice(len(turns), len(turns) // 10, replace=False)]
    if kind == "side by side":  # a third of the streets have a second one between the same ends
        some = random.choice(street.max() + 1, (street.max() + 1) // 3, replace=False)
        ends = [(int(tail[e]), int(head[e])) for e in (int(np.flatnonzero(street == s)[0]) for s in some)]
        first = np.array([int(np.flatnonzero(street == s)[0]) for s in some])
        tail, head, street = _with_streets(tail, head, street, ends)
        length = np.r_[length, np.repeat(np.ceil(length[first] * 1.1), 2)]
        effort = np.r_[effort, np.repeat(effort[first], 2) * random.uniform(0.6, 1.4, 2 * first.size)]
        loss = np.r_[loss, np.repeat(loss[first], 2) * random.uniform(0.6, 1.4, 2 * first.size)]
    if kind == "clock":  # a net from 300 s to 900 s after departure
        loss = 0.1 * loss + 0.9 * time_s
        more |= {"time_s": time_s, "clock_gain": 0.9 * time_s * chance}
        more["clock"] = (240.0, 60.0, np.r_[0.5, np.ones(10), 0.5])
    return Case(kind, tail, head, length, street, effort, loss, start, **more)


def _with_streets(tail, head, street, ends):
    """The arrays with a street for each pair of ends added, both ways."""
    a, b = np.array(ends).T
    new = np.repeat(np.arange(a.size) + street.max() + 1, 2)
    return (
        np.r_[tail, np.stack([a, b], 1).ravel()], np.r_[head, np.stack([b, a], 1).ravel()], np.r_[street, new],
    )  # fmt: skip


def _planar(junctions: int, random: np.random.Generator) -> Case:
    """A random planar network whose costs follow nothing: each edge draws its own."""
    xy = random.uniform(0, 300.0 * np.sqrt(junctions), (junctions, 2))
    corner = Delaunay(xy).simplices
    pairs = np.unique(np.sort(np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]], corner[:, [2, 0]]])), axis=0)
    pairs = pairs[random.random(len(pairs)) < 0.6]
    far = np.hypot(*(xy[pairs[:, 0]] - xy[pairs[:, 1]]).T)
    tail, head = pairs.ravel(), pairs[:, ::-1].ravel()
    street = np.repeat(np.arange(len(pairs)), 2)
    length = np.ceil(far * random.uniform(1.0, 1.4, far.size))[street] + 1.0
    effort, loss = (random.uniform(0.1, 1.0, tail.size) * length for _ in range(2))
    start = int(np.argmin(np.hypot(*(xy - xy.mean(axis=0)).T)))
    return Case("planar", tail, head, length, street, effort, loss, start)


class TooMany(Exception):
    """More steps than were allowed."""


def every_loop(asked: Case, shortest_m: float, longest_m: float, most_steps: int = 10**7) -> list[list[int]]:
    """Every closed walk from the start that the rules allow, as lists of edges."""
    tail, head, length, street = (a.tolist() for a in (asked.tail, asked.head, asked.length_m, asked.street))
    nodes = max(max(tail), max(head)) + 1
    leaving: list[list[int]] = [[] for _ in range(nodes)]
    for e, v in enumerate(tail):
        leaving[v].append(e)
    home_m = _distances_to(asked, nodes).tolist()
    banned = {tuple(pair) for pair in asked.banned.tolist()}
    loops: list[list[int]] = []
    walk: list[int] = []
    steps = 0

    def go_on(at: int, ridden_m: float, again_m: float) -> None:
        nonlocal steps
        for e in leaving[at]:
            steps += 1
            if steps > most_steps:
                raise TooMany
            there_m = ridden_m + length[e]
            if there_m + home_m[head[e]] > longest_m or e in walk:
                continue
            again = any(street[e] == street[f] for f in walk)
            if walk:
                back = street[e] == street[walk[-1]] and not (asked.may_repeat and at == asked.start)
                if back or (walk[-1], e) in banned:
                    continue
            if again and not asked.may_repeat:
                continue
            twice_m = again_m + (length[e] if again else 0.0)
            if twice_m > REPEAT_SHARE * longest_m:
                continue
            walk.append(e)
            if head[e] == asked.start and there_m >= shortest_m and twice_m <= REPEAT_SHARE * there_m:
                loops.append(walk.copy())
            go_on(head[e], there_m, twice_m)
            walk.pop()

    go_on(asked.start, 0.0, 0.0)
    return loops


def _distances_to(asked: Case, nodes: int) -> np.ndarray:
    """(n,) length of the shortest way from each node to the start."""
    order = np.argsort(-asked.length_m, kind="stable")  # of several edges between two nodes the shortest stays
    matrix = np.full((nodes, nodes), np.inf)
    matrix[asked.head[order], asked.tail[order]] = asked.length_m[order]
    row, col = np.nonzero(np.isfinite(matrix))
    return dijkstra(coo_matrix((matrix[row, col], (row, col)), shape=(nodes, nodes)).tocsr(), indices=asked.start)


def costs_of(asked: Case, walk: list[int]) -> tuple[float, float]:
    """(effort, loss) of a walk, the second one less what its hour earns."""
    effort, loss = float(asked.effort[walk].sum()), float(asked.loss[walk].sum())
    if asked.clock is None:
        return effort, loss
    assert asked.time_s is not None and asked.clock_gain is not None
    begin, step, weight = asked.clock
    so_far = np.r_[0.0, np.cumsum(weight * step)]
    passed = np.r_[0.0, np.cumsum(asked.time_s[walk])]
    integral = np.interp(passed, begin + step * np.arange(so_far.size), so_far)
    return effort, loss - float((asked.clock_gain[walk] / asked.time_s[walk] * np.diff(integral)).sum())


def front_of(costs: np.ndarray) -> np.ndarray:
    """Rows of (m, 2) costs that no other row passes, by the first cost; equal ones once."""
    costs = costs[np.lexsort(costs.T[::-1])]
    before = np.r_[np.inf, np.minimum.accumulate(costs[:, 1])[:-1]]
    return costs[costs[:, 1] < before]


@dataclass(frozen=True)
class Truth:
    """A case with a window whose loops were all listed."""

    asked: Case
    shortest_m: float
    longest_m: float
    loops: int
    front: np.ndarray  # (m, 2), by effort


def truth(kind: str, junctions: int, seed: int, most_steps: int) -> Truth | None:
    """The case in the longest window (a fifth wide) whose loops can be listed in so many steps, if there are any."""
    asked = case(kind, junctions, seed)
    known = None
    longest = 3.0 * float(np.median(asked.length_m))
    while True:
        longest = np.ceil(1.15 * longest)
        shortest = np.floor(0.8 * longest)
        try:
            loops = every_loop(asked, shortest, longest, most_steps)
        except TooMany:
            return known
        if loops:
            front = front_of(np.array([costs_of(asked, walk) for walk in loops]))
            known = Truth(asked, shortest, longest, len(loops), front)
        if longest > 1.1 * asked.length_m.sum():
            return known


def found_share(known: Truth, costs: np.ndarray) -> float:
    """Share of the true front's cost vectors that are among (m, 2) costs."""
    near = np.isclose(known.front[:, None], costs[None], rtol=1e-9, atol=1e-9).all(axis=2)
    return float(near.any(axis=1).mean())


def volume_share(known: Truth, costs: np.ndarray) -> float:
    """Hypervolume of (m, 2) costs over that of the true front; the corner lies a tenth of its span outside."""
    high, low = known.front.max(axis=0), known.front.min(axis=0)
    corner = high + np.maximum(0.1 * (high - low), 0.01 * high)
    return _volume(costs, corner) / _volume(known.front, corner)


def _volume(costs: np.ndarray, corner: np.ndarray) -> float:
    front = front_of(costs[(costs < corner).all(axis=1)]) if (costs < corner).all(axis=1).any() else np.zeros((0, 2))
    above = np.r_[corner[1], front[:-1, 1]] - front[:, 1]
    return float(((corner[0] - front[:, 0]) * above).sum())
