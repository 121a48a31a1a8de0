"""Finding the line of a road over the ground: cheapest path by length, grade, bends and existing road."""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

# Moves to cells that can be reached without passing over another cell centre, within four columns or rows
MOVES = np.array([(r, c) for r in range(-4, 5) for c in range(-4, 5) if np.gcd(r, c) == 1], np.int64)


@njit
def cheapest(
    height, open_, dear, built, start, goals, step_m, grade_soft, grade_hard, bend_m, built_factor, moves, aim
):
    """Cells of the cheapest path from `start` to the first of `goals` (bool raster), both ends included.

    A move costs its length times `dear` times 1 + (grade / grade_soft)^2 + 400 (grade above grade_hard); on
    built road its length times `built_factor`. Bends cost up to `bend_m` for a full turn back: judged by the
    best way into the cell so far, so the path is not exactly the cheapest, which no one notices. `aim`: the
    flat index of the goal, or -1 when there are several (no A* then). Empty when there is no way.
    """
    rows, columns = height.shape
    size = rows * columns
    least = min(1.0, built_factor) * step_m  # A*: no metre costs less
    cost = np.full(size, np.inf)
    came = np.full(size, -1, np.int64)
    way = np.full(size, -1, np.int64)
    done = np.zeros(size, np.bool_)
    heap = [(0.0, start)]
    cost[start] = 0.0
    end = -1
    unit = np.empty((moves.shape[0], 2))
    length = np.empty(moves.shape[0])
    for k in range(moves.shape[0]):
        n = np.sqrt(moves[k, 0] ** 2 + moves[k, 1] ** 2)
        unit[k, 0], unit[k, 1] = moves[k, 0] / n, moves[k, 1] / n
        length[k] = n * step_m
    while len(heap) > 0:
        _, at = heapq.heappop(heap)
        if done[at]:
            continue
        done[at] = True
        so_far = cost[at]
        r, c = at // columns, at % columns
        if goals[r, c] and at != start:
            end = at
            break
        for k in range(moves.shape[0]):
            rr, cc = r + moves[k, 0], c + moves[k, 1]
            if rr < 0 or cc < 0 or rr >= rows or cc >= columns or not open_[rr, cc]:
                continue
            to = rr * columns + cc
            if done[to]:
                continue
            road = built[r, c] and built[rr, cc]
            n = max(abs(moves[k, 0]), abs(moves[k, 1]))
            if road and n > 1:
                continue
            bump = 0.0
            shut = False
            for i in range(1, n):
                mr = r + int(np.rint(moves[k, 0] * i / n))
                mc = c + int(np.rint(moves[k, 1] * i / n))
                if not open_[mr, mc]:
                    shut = True
                bump += abs(height[mr, mc] - (height[r, c] + (height[rr, cc] - height[r, c]) * i / n))
            if shut:
                continue
            grade = abs(height[rr, cc] - height[r, c]) / length[k]
            if road:
                move = length[k] * built_factor
            else:
                move = (
                    length[k]
                    * 0.5
                    * (dear[r, c] + dear[rr, cc])
                    * (1.0 + (grade / grade_soft) ** 2 + 400.0 * max(0.0, grade - grade_hard))
                    + 3.0 * bump
                )
                if way[at] >= 0:
                    turn = 1.0 - (unit[k, 0] * unit[way[at], 0] + unit[k, 1] * unit[way[at], 1])
                    move += bend_m * (0.5 * turn) ** 1.5
            if so_far + move < cost[to]:
                cost[to] = so_far + move
                came[to] = at
                way[to] = k
                ahead = 0.0
                if aim >= 0:
                    ahead = least * np.sqrt((rr - aim // columns) ** 2 + (cc - aim % columns) ** 2)
                heapq.heappush(heap, (cost[to] + ahead, to))
    if end < 0:
        return np.empty(0, np.int64)
    count = 1
    at = end
    while at != start:
        at = came[at]
        count += 1
    path = np.empty(count, np.int64)
    at = end
    for i in range(count - 1, -1, -1):
        path[i] = at
        at = came[at]
    return path


def smooth(points: np.ndarray, rounds: int = 3, spacing_m: float = 20.0) -> np.ndarray:
    """Corners cut (Chaikin), ends kept, then evenly spaced points."""
    p = np.asarray(points, float)
    for _ in range(rounds):
        if len(p) < 3:
            break
        q = np.empty((2 * len(p) - 2, 2))
        q[0::2] = 0.75 * p[:-1] + 0.25 * p[1:]
        q[1::2] = 0.25 * p[:-1] + 0.75 * p[1:]
        p = np.vstack([p[:1], q[1:-1], p[-1:]])
    return resample(p, spacing_m)


def resample(points: np.ndarray, spacing_m: float) -> np.ndarray:
    """Evenly spaced points along a polyline, ends kept."""
    along = lengths(points)
    n = max(1, round(along[-1] / spacing_m))
    at = np.linspace(0, along[-1], n + 1)
    out = np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])
    out[0], out[-1] = points[0], points[-1]
    return out


def lengths(points: np.ndarray) -> np.ndarray:
    """Distance [m] from the first point along the line, at each point."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
