"""Upper bounds of a linear programme, better with every step: a first-order method, and the figure of any row prices.

The method is the primal-dual hybrid gradient of Chambolle and Pock ("A first-order primal-dual algorithm for convex
problems with applications to imaging", J. Math. Imaging Vis. 40 (2011) 120), with the average of its iterates,
restarts, scaling and balance of steps as Applegate et al. ("Practical large-scale linear programming using primal-dual
hybrid gradient", 2021) found them to serve linear programmes. A step costs two products with the matrix. It is not
trusted: whatever its prices are, `dual_figure` makes a bound of them. So it can stop at any step, and go on from there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

STEPS_A_LOOK = 100  # between two looks at the figure; some 50 ms on a programme of 30,000 rows
CLOSE = 1e-5  # rows broken and gap to the programme's optimum, as shares: no more is to be had
RUIZ_PASSES = 10  # Applegate et al., section 4
RESTART_AT_ONCE, RESTART_WHEN_STUCK, RESTART_LATE = 0.2, 0.8, 0.36  # the same


@dataclass(frozen=True, eq=False)
class Programme:
    """max gain @ v under rows @ v <= most, the first `equal` rows with =, low <= v <= high; exact floats."""

    gain: np.ndarray
    rows: Any  # scipy CSR
    most: np.ndarray
    equal: int
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True, eq=False)
class Standing:
    """Where the method stands: what it has proven, and what it goes on from."""

    figure: float  # the least so far
    price: np.ndarray  # (rows,) that prove it
    at: np.ndarray  # (columns,) share of each variable's interval
    at_price: np.ndarray  # (rows,)
    weight: float  # balance of the two kinds of steps
    steps: int = 0
    done: bool = False  # the programme's optimum is reached


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


def descend(p: Programme, begin: Standing | None = None) -> Iterator[Standing]:
    """Standings without end, or until `done`; each figure is a bound, and none is above the one before.

    begin : a standing of the same programme to go on from. The first standing is there after one look."""
    scaled = _Scaled(p)
    equal, rows, columns, high = p.equal, scaled.rows, scaled.columns, scaled.high
    if begin is None:
        zero = np.zeros(p.most.size)
        begin = Standing(dual_figure(p, zero), zero, np.zeros(p.gain.size), zero, scaled.weight)
    v, y, weight, steps = scaled.inwards(begin.at), begin.at_price / scaled.row_scale, begin.weight, begin.steps
    figure, price = begin.figure, begin.price
    left = columns @ y
    sum_v, sum_y, count, since = np.zeros_like(v), np.zeros_like(y), 0, 0
    from_v, from_y, error_then, error_before = v, y, math.inf, math.inf
    while True:
        for _ in range(STEPS_A_LOOK):
            new = np.clip(v + scaled.step / weight * (scaled.gain - left), 0.0, high)
            y = y + scaled.step * weight * (rows @ (2.0 * new - v) - scaled.most)
            np.maximum(y[equal:], 0.0, out=y[equal:])
            v, left = new, columns @ y
            sum_v += v
            sum_y += y
        count += STEPS_A_LOOK
        steps += STEPS_A_LOOK
        since += STEPS_A_LOOK
        looks = [(*scaled.error(a, b, weight, equal), a, b) for a, b in ((v, y), (sum_v / count, sum_y / count))]
        for _, at_most, _, _, b in looks:
            if at_most < figure:
                proven = dual_figure(p, b * scaled.row_scale)
                if proven < figure:
                    figure, price = proven, b * scaled.row_scale
        error, _, close, best_v, best_y = min(looks, key=lambda look: look[0])
        yield Standing(figure, price, scaled.outwards(best_v), best_y * scaled.row_scale, weight, steps, close)
        if close:
            return
        if (
            error < RESTART_AT_ONCE * error_then
            or (error < RESTART_WHEN_STUCK * error_then and error > error_before)
            or since > RESTART_LATE * steps
        ):
            moved_v, moved_y = np.linalg.norm(best_v - from_v), np.linalg.norm(best_y - from_y)
            if moved_v > 0 and moved_y > 0:
                weight = math.sqrt(weight * float(moved_y / moved_v))
            v, y = best_v, best_y
            left = columns @ y
            from_v, from_y, sum_v, sum_y, count, since = v, y, np.zeros_like(v), np.zeros_like(y), 0, 0
            error_then, error_before = scaled.error(v, y, weight, equal)[0], math.inf
        else:
            error_before = error


class _Scaled:
    """The programme in variables from 0 on, rows and columns of like size: Ruiz's passes, then by sums."""

    def __init__(self, p: Programme) -> None:
        from scipy import sparse

        self.width = p.high - p.low
        rows = (p.rows @ sparse.diags(self.width)).tocsr()
        row_scale, column_scale = np.ones(p.most.size), np.ones(p.gain.size)
        for k in range(RUIZ_PASSES + 1):
            size = abs(rows)
            if k < RUIZ_PASSES:
                by_row, by_column = (size.max(axis=axis).toarray().ravel() for axis in (1, 0))
            else:
                by_row, by_column = (np.asarray(size.sum(axis=axis)).ravel() for axis in (1, 0))
            by_row, by_column = (1.0 / np.sqrt(np.where(by > 0, by, 1.0)) for by in (by_row, by_column))
            rows = (sparse.diags(by_row) @ rows @ sparse.diags(by_column)).tocsr()
            row_scale, column_scale = row_scale * by_row, column_scale * by_column
        self.rows, self.columns = rows, rows.T.tocsr()
        self.row_scale, self.column_scale = row_scale, column_scale
        self.gain = p.gain * self.width * column_scale
        self.most = (p.most - p.rows @ p.low) * row_scale
        self.high = np.where(self.width > 0, 1.0 / column_scale, 0.0)
        self.base = float(p.gain @ p.low)
        self.step = 1.0 / _norm(rows, self.columns)
        sizes = np.linalg.norm(self.gain), np.linalg.norm(self.most)
        self.weight = float(sizes[0] / sizes[1]) if min(sizes) > 0 else 1.0

    def inwards(self, share: np.ndarray) -> np.ndarray:
        return np.clip(share / self.column_scale, 0.0, self.high)

    def outwards(self, v: np.ndarray) -> np.ndarray:
        return v * self.column_scale

    def error(self, v: np.ndarray, y: np.ndarray, weight: float, equal: int) -> tuple[float, float, bool]:
        """How far a pair is from solving the programme, the bound of its prices, and whether it is close."""
        broken = self.rows @ v - self.most
        np.maximum(broken[equal:], 0.0, out=broken[equal:])
        bound = float(self.most @ y + np.maximum(self.gain - self.columns @ y, 0.0) @ self.high)
        gap = bound - float(self.gain @ v)
        by = float(np.linalg.norm(broken))
        small = by <= CLOSE * (1.0 + float(np.linalg.norm(self.most)))
        close = small and abs(gap) <= CLOSE * max(abs(bound + self.base), 1e-12)
        return math.hypot(weight * by, gap), bound + self.base, close


def _norm(rows: Any, columns: Any) -> float:
    """Largest singular value, a little more: power iteration from a fixed beginning."""
    v = np.random.default_rng(0).random(rows.shape[1])
    size = 1.0
    for _ in range(40):
        v = columns @ (rows @ v)
        size = float(np.linalg.norm(v))
        if size == 0.0:
            return 1.0
        v /= size
    return 1.01 * math.sqrt(size)
