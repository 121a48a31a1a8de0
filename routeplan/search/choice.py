"""Rows of costs that no other passes, and the choice of a few loops that differ."""

from __future__ import annotations

import numpy as np

from routeplan.search.values import TradeOff, shared_share


def not_dominated(costs: np.ndarray) -> np.ndarray:
    """(m,) bool: rows of (m, k) costs that no other row passes; of equal rows the first stays."""
    keep = np.ones(costs.shape[0], bool)
    order = np.lexsort(costs.T[::-1])
    if costs.shape[1] == 2 and order.size:  # in order of the first cost the second must fall
        second = costs[order, 1]
        keep[order[1:]] = second[1:] < np.minimum.accumulate(second)[:-1]
        return keep
    best: list[np.ndarray] = []
    for i in order:
        c = costs[i]
        if best and (np.stack(best) <= c).all(axis=1).any():
            keep[i] = False
        else:
            best.append(c)
    return keep


def behind(costs: np.ndarray) -> np.ndarray:
    """(m,) how far all costs of a row would have to fall until no other row passes it; 0 or less: none does."""
    front = costs[not_dominated(costs)]
    out = np.empty(costs.shape[0])
    for i, c in enumerate(costs):
        out[i] = (c - front).min(axis=1).max()
    return out


def distinct(loops: TradeOff, count: int, shared_at_most: float = 0.7) -> list[int]:
    """Indices of at most `count` loops that spread over the trade-off, the most telling first.

    None is passed in all costs by another chosen one, and no two share more than `shared_at_most` of their streets
    (length of shared streets / that of the shorter loop's streets). Loops of the reserve fill in where needed."""
    costs = loops.costs
    good = costs[loops.non_dominated]
    span = np.maximum(good.max(axis=0) - good.min(axis=0), 1e-9 * (1 + np.abs(good).max(axis=0)))
    z = (costs - good.min(axis=0)) / span
    points = np.random.default_rng(0).random((4096, costs.shape[1])) * 1.25
    covers = np.zeros((costs.shape[0], points.shape[0]), bool)
    for i, row in enumerate(z):
        covers[i] = (points >= row).all(axis=1)
    open_to_choice = np.ones(costs.shape[0], bool)
    covered = np.zeros(points.shape[0], bool)
    chosen: list[int] = []
    while len(chosen) < count:
        candidates = np.flatnonzero(open_to_choice & (loops.non_dominated if not chosen else True))
        if not candidates.size:
            break
        gained = (covers[candidates] & ~covered).sum(axis=1) - 1e-3 * z[candidates].sum(axis=1)
        pick = int(candidates[np.argmax(gained)])
        chosen.append(pick)
        covered |= covers[pick]
        open_to_choice[pick] = False
        passed = (costs >= costs[pick]).all(axis=1) | (costs <= costs[pick]).all(axis=1)
        open_to_choice &= ~passed
        for i in np.flatnonzero(open_to_choice).tolist():
            if shared_share(loops.street[i], loops.street[pick], loops.street_length_m) > shared_at_most:
                open_to_choice[i] = False
    return chosen
