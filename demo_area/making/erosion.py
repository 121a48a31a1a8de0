"""Water at work: depression filling, drainage, stream-power incision. Compiled loops on plain arrays.

Sources: Barnes, Lehman & Mulla, Computers & Geosciences 62 (2014) 117 (priority flood);
Braun & Willett, Geomorphology 180-181 (2013) 170 (implicit stream power in O(n)).
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

_ROW = np.array([-1, -1, -1, 0, 0, 1, 1, 1])
_COLUMN = np.array([-1, 0, 1, -1, 1, -1, 0, 1])


@njit
def fill(height, land, gain):
    """Heights raised so that water runs off everywhere, each step `gain` [m] down or more; order of flooding.

    height (rows, columns) float64; land bool, the rest is sea (level 0). Returns (filled, receiver, order):
    receiver (n,) flat index of the neighbour from which a cell was flooded (itself for sea), order: land
    cells, outlets first.
    """
    rows, columns = height.shape
    filled = height.copy()
    receiver = np.arange(rows * columns)
    order = np.empty(rows * columns, np.int64)
    seen = np.zeros((rows, columns), np.bool_)
    heap = [(0.0, np.int64(0))]
    heap.pop()
    for r in range(rows):
        for c in range(columns):
            if not land[r, c]:
                seen[r, c] = True
                filled[r, c] = 0.0
                for k in range(8):
                    rr, cc = r + _ROW[k], c + _COLUMN[k]
                    if 0 <= rr < rows and 0 <= cc < columns and land[rr, cc]:
                        heapq.heappush(heap, (0.0, np.int64(r * columns + c)))
                        break
    count = 0
    while len(heap) > 0:
        level, at = heapq.heappop(heap)
        r, c = at // columns, at % columns
        for k in range(8):
            rr, cc = r + _ROW[k], c + _COLUMN[k]
            if rr < 0 or cc < 0 or rr >= rows or cc >= columns or seen[rr, cc]:
                continue
            seen[rr, cc] = True
            filled[rr, cc] = max(filled[rr, cc], level + gain)
            heapq.heappush(heap, (filled[rr, cc], np.int64(rr * columns + cc)))
            receiver[rr * columns + cc] = at
        if land[r, c]:
            order[count] = at
            count += 1
    return filled, receiver, order[:count]


@njit
def steepest(filled, land, receiver):
    """Receivers by steepest descent over the filled surface (ties: the first neighbour)."""
    rows, columns = filled.shape
    out = receiver.copy()
    for r in range(rows):
        for c in range(columns):
            if not land[r, c]:
                continue
            best = 0.0
            for k in range(8):
                rr, cc = r + _ROW[k], c + _COLUMN[k]
                if rr < 0 or cc < 0 or rr >= rows or cc >= columns:
                    continue
                length = 1.4142135623730951 if k in (0, 2, 5, 7) else 1.0
                fall = (filled[r, c] - filled[rr, cc]) / length
                if fall > best:
                    best = fall
                    out[r * columns + c] = rr * columns + cc
    return out


@njit
def drainage(receiver, order, cell_area):
    """Area [same unit as cell_area] drained through each cell, flat."""
    area = np.zeros(receiver.size)
    for k in range(order.size - 1, -1, -1):
        at = order[k]
        area[at] += cell_area
        if receiver[at] != at:
            area[receiver[at]] += area[at]
    return area


@njit
def incise(height, receiver, order, area, step, strength, exponent):
    """One implicit step of dh/dt = -strength A^exponent S; `height` flat, returns new heights."""
    new = height.copy()
    for k in range(order.size):
        at = order[k]
        to = receiver[at]
        if to == at:
            continue
        factor = strength * area[at] ** exponent / step
        new[at] = (height[at] + factor * new[to]) / (1.0 + factor)
        new[at] = min(new[at], height[at])
    return new


def erode(height, land, uplift, step_m, *, steps, strength, exponent=0.45, spread=0.0):
    """Heights after `steps` rounds of uplift [m], incision and creep (`spread`: Gaussian sigma [cells])."""
    from scipy.ndimage import gaussian_filter

    h = np.where(land, height, 0.0)
    for _ in range(steps):
        h = np.where(land, h + uplift, 0.0)
        filled, receiver, order = fill(h, land, 1e-3)
        receiver = steepest(filled, land, receiver)
        order = order[np.argsort(filled.ravel()[order], kind="stable")]
        area = drainage(receiver, order, step_m * step_m)
        h = incise(h.ravel(), receiver, order, area, step_m, strength, exponent).reshape(h.shape)
        if spread:
            h = np.where(land, gaussian_filter(h, spread), 0.0)
    return h
