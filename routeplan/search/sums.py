"""Which weighted sum of the costs is searched next, and how."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from routeplan.search.front import Front

AHEAD = 3  # sums begun before the first of them is looked at
BUCKETS, GUIDED = (50, 100, 200), (200, 400)  # of a loop's length, in the sweeps of one sum; guided from the first on
FINER, FINER_GUIDED, FINER_FROM = (100, 200, 400), (133, 267, 400), 16  # and from this sum on
ROUGH = (10, 20, 40)  # and in a small ball, of which there are more by engine.finer
ANEW = 8  # of so many finer sums two begin unguided
FIRST, FIRST_SLACK, SLACK = 4, 0.1, 0.02  # of a sum: how far behind the best loop the first so many look, and others
BAND = 0.02  # of the first cost's range: one loop for each where sweeps meet
SWEPT = 2  # of so many sums after the first ones of a small ball that is not carved up one is swept over everything
DEEP = 0.1  # of the costs' ranges: how far behind the best loop of its sum a gap of the front is bent inwards
LIMITS, STEEPER = (0.05, 0.6), 10.0  # there: of the gap, below its end; how much more the second cost counts
REPEAT_PRICES = (0.0, 0.3, 0.6)  # by turns, of a metre ridden again, in a good loop's; small balls: swept, merged only
FROM_LIMIT = 0.8  # from so much of the limit on
END, END_WEIGHT = 0.005, 0.08  # search beyond an end of the front: as wide as a gap of so much, with weights up to this
FIRST_WHOLE_SLACK, WHOLE_SLACK = 0.001, (0.01, 0.06)  # there: in the first sums; in others, as deep as a gap is bent
LIKELY = 0.01  # there: how far loops may be behind those known, of which each sum but the first ones knows
LEANING = 2.0  # there: of weights beside those of a side, where it is being searched already
PAINS, FADING = 3, 2.0  # there: at most, one for each time that a gap was tried; how fast that makes a gap matter less
LATER, MERGED = 8, 2  # there: from this sum on good loops are merged, in so many sums once and where a gap was tried


@dataclass(frozen=True, eq=False)
class Sum:
    """One weighted sum to search, and from which loops."""

    w: np.ndarray  # of each unit of cost
    away: np.ndarray | None
    aside: Any  # the first cost, and its limit
    band: float  # of the first cost, where sweeps meet
    seeds: list[np.ndarray]  # best first
    repeat_price_m: float  # of a metre ridden again, so that the limit is not used up early
    buckets: Sequence[float]  # of the longest length, in its sweeps; none: it does without
    merged: bool  # good loops are merged
    slack: float
    known: np.ndarray | None  # loops that none passes, and what they come to: see carving.best_of
    pains: int  # see there
    gap: tuple[bytes, bytes]  # of the front, for which its weights were chosen
    before: Sequence[Any]  # labels that guide its first sweep
    worth_per_m: float  # of a good loop
    first: int  # 1: the first sweep begins at the end
    number: int


def next_sum(front: Front, random: np.random.Generator, number: int, seed: int) -> Sum:
    """Corners and middle first, then across the gaps of the front; two sums begin at the start, two at the end.

    What a sweep misses because its buckets are taken, one from the other end often finds."""
    costed, k = front.costed, front.costed.edge_costs.shape[1]
    corner = np.full((k, k), 0.04 / max(k - 1, 1)) + np.eye(k) * (0.96 - 0.04 / max(k - 1, 1))
    whole = front.ways is not None
    away, most, deep, pains, known, gap = None, np.inf, 0.0, 0, None, (b"", b"")
    if number < k:
        weights = corner[number]
    elif whole and k == 2 and len(front.unpassed()) > 1:
        weights, deep, gap = _next_side(front, random, number)
        pains = min(front.looked[gap], PAINS)
        known = np.stack([f.priced for f in front.unpassed()])
    elif number == k:
        weights = np.full(k, 1.0 / k)
    else:
        weights, away, most = _next_weights(front, random, number)
    scale = front.scale()
    w = weights / scale
    if known is not None:
        known = np.stack([known[:, 0], -known @ w - LIKELY], axis=1)
    seeds = front.best(w, away, most)
    worth_per_m = front.worth_per_m(w, front.within(most))
    first = number // 2 % 2
    merged = costed.small and (not whole or (number >= LATER and (pains > 0 or number % MERGED == 0)))
    buckets, before, repeat_price = (
        _in_small_ball(front, number) if costed.small else _in_large_ball(front, w, number, 1 - first)
    )
    refused = number >= AHEAD or not costed.plain.again.any()  # found by now, most likely, but ridden too much again
    unknown_m = costed.plain.repeat_m if whole and refused else 0.0
    repeated_m = max((f.repeated_m for f in seeds[:2]), default=unknown_m)
    near_limit = repeated_m > FROM_LIMIT * costed.plain.repeat_m
    repeat_price_m = -worth_per_m * repeat_price if near_limit else 0.0
    if whole:
        slack = FIRST_WHOLE_SLACK if known is None else float(np.clip(deep, *WHOLE_SLACK))
    else:
        slack = FIRST_SLACK if number < FIRST else SLACK
    return Sum(
        w, away, front.aside(w, most), BAND * scale[0], [f.joined for f in seeds], repeat_price_m, buckets,
        merged, slack, known, pains, gap, before, worth_per_m, first, seed * 1000 + number,
    )  # fmt: skip


def _in_large_ball(
    front: Front, w: np.ndarray, number: int, side: int
) -> tuple[Sequence[float], Sequence[Any], float]:
    """Of a sum's sweeps: buckets, labels that guide the first one, which begins at the other side; and the price of a
    metre ridden again, in a good loop's."""
    fine = number >= FINER_FROM
    anew = number <= front.costed.edge_costs.shape[1] or (fine and number % ANEW < 2)
    before = [] if anew else front.labels_near(w, side)
    buckets = (FINER_GUIDED if fine else GUIDED) if before else (FINER if fine else BUCKETS)
    return buckets, before, REPEAT_PRICES[number % len(REPEAT_PRICES)]


def _in_small_ball(front: Front, number: int) -> tuple[Sequence[float], Sequence[Any], float]:
    """As in a large one: sweeps are rough and begin unguided, and other sums do without, all where it is carved up."""
    rough = [number * front.costed.finer for number in ROUGH]
    if front.ways is not None:  # sweeps are left where labels that share a bucket lost every loop
        return () if front.kept else rough, (), REPEAT_PRICES[number % 2 if front.kept else 1]
    if number < FIRST or number % SWEPT == 0:
        return rough, (), REPEAT_PRICES[0]
    return (), (), REPEAT_PRICES[1]


def _gaps(front: Front, turn: int) -> tuple[np.ndarray, list[tuple[bytes, bytes]], np.ndarray, np.ndarray]:
    """Gaps between loops that none passes, and beyond the first and the last of them: (loops, k) their costs in the
    scale of the front; (gaps,) the names of both ends, sizes, and how often each was tried."""
    best = front.unpassed()
    z = np.stack([f.priced for f in best]) / front.scale()
    step = np.abs(np.diff(z, axis=0))
    end = END if turn >= FINER_FROM or front.ways is not None else 0.0
    size = np.r_[end, step[:, 0] * step[:, 1] + 0.02 * step.sum(axis=1), end]
    gaps = list(pairwise([b"", *(f.joined.tobytes() for f in best), b""]))
    return z, gaps, size, np.array([front.tried[gap] for gap in gaps])


def _beyond(gap: int, random: np.random.Generator) -> np.ndarray:
    """Weights beyond the first or the last loop."""
    small = END_WEIGHT * random.random()
    weights = np.array([1.0 - small, small] if gap == 0 else [small, 1.0 - small]) + 0.02
    return weights / weights.sum()


def _next_side(
    front: Front, random: np.random.Generator, turn: int
) -> tuple[np.ndarray, float, tuple[bytes, bytes]]:
    """Weights at which both ends of the hull's side over the largest gap are best, how deep the gap is bent inwards
    from there, and the gap; weights to either hand of these where that side is being searched."""
    z, gaps, size, tried = _gaps(front, turn)
    at = int(np.argmax(size / (1.0 + tried) ** FADING))
    gap = gaps[at]
    front.tried[gap] += 1
    if at in (0, len(z)):
        return _beyond(at, random), 0.0, gap
    hull = [0]
    for i in range(1, len(z)):
        while len(hull) > 1 and np.linalg.det(np.stack([z[hull[-1]] - z[hull[-2]], z[i] - z[hull[-2]]])) <= 0.0:
            hull.pop()
        hull.append(i)
    side = int(np.searchsorted(hull, at))
    weights = np.abs(z[hull[side]] - z[hull[side - 1]])[::-1] + 0.02
    others = sum(front.tried[g] - front.looked[g] for g in gaps[hull[side - 1] + 1 : hull[side] + 1]) - 1
    if others > 0:
        weights[others % 2] *= LEANING
    weights = weights / weights.sum()
    return weights, float(np.array([z[at, 0], z[at - 1, 1]]) @ weights - (z @ weights).min()), gap


def _next_weights(
    front: Front, random: np.random.Generator, turn: int
) -> tuple[np.ndarray, np.ndarray | None, float]:
    """Weights across a gap of the front, or random ones; streets to keep away from, for a gap that was tried before; a
    limit of the first cost.

    Where the front is bent inwards a sum has its best loops elsewhere; those in the gap are the best within a limit."""
    best = front.unpassed()
    k = front.costed.edge_costs.shape[1]
    away, most = None, np.inf
    if k == 2 and len(best) >= 2 and turn % 4:
        z, gaps, size, tried = _gaps(front, turn)
        size = size / (1.0 + tried)
        gap = int(random.choice(size.size, p=size / size.sum())) if size.sum() > 0 else 1
        front.tried[gaps[gap]] += 1
        if 0 < gap < len(best):
            weights = np.abs(z[gap] - z[gap - 1])[::-1] + 0.02
            value = z @ weights / weights.sum()
            if front.costed.small and value[gap - 1 : gap + 1].min() - value.min() > DEEP:
                low, high = best[gap - 1].priced[0], best[gap].priced[0]
                most = high - random.uniform(*LIMITS) * (high - low)
                weights[1] *= STEEPER
        else:
            weights = _beyond(gap, random)
        if tried[gap] % 2 and not front.costed.small:
            away = best[int(np.clip(gap - random.integers(2), 0, len(best) - 1))]
    else:
        weights = random.dirichlet(np.full(k, 0.8)) + 0.02
    weights = weights / weights.sum()
    if away is None:
        return weights, None, most
    streets = np.zeros(front.costed.street_length.size)
    streets[away.streets] = 1.0
    return weights, streets, most
