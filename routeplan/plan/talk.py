"""Where to talk: runs along a route, overs between the quiet zones, dead stretches."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

OVER_AT_LEAST_S = 60.0
OVER_GRADE_AT_MOST = 0.06  # steeper uphill, a rider has no breath to spare
OVER_SPEED_AT_MOST_M_S = 30 / 3.6


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and past-last index of each longest run of True in `mask` (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist()))


def over_runs(
    *,
    time_s: np.ndarray,
    distance_m: np.ndarray,
    in_contact: np.ndarray,
    quiet: np.ndarray,
    grade: np.ndarray,
    walking: np.ndarray,
) -> list[tuple[int, int]]:
    """Runs of pieces in which the rider may talk for OVER_AT_LEAST_S or more.

    time_s, distance_m : (n + 1,) at the ends of n pieces. in_contact, quiet, grade [-], walking : (n,).
    """
    duration = np.diff(time_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.where(duration > 0, np.diff(distance_m) / duration, 0.0)
    hard = (grade > OVER_GRADE_AT_MOST) & ~walking
    free = in_contact & ~quiet & ~hard & (speed <= OVER_SPEED_AT_MOST_M_S)
    return [(a, b) for a, b in runs(free) if time_s[b] - time_s[a] >= OVER_AT_LEAST_S]


def inside_s(begin_s: float, end_s: float, windows_s: Sequence[tuple[float, float]]) -> float:
    """Seconds of a stretch of time that lie inside windows, which are apart."""
    return sum(max(0.0, min(end_s, end) - max(begin_s, begin)) for begin, end in windows_s)


def union_m(stretches_m: Sequence[tuple[float, float]]) -> float:
    """Length that stretches cover together: where they overlap it counts once."""
    total, reached = 0.0, -np.inf
    for begin, end in sorted(stretches_m):
        total += max(0.0, end - max(begin, reached))
        reached = max(reached, end)
    return total
