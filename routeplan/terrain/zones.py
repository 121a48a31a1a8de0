"""Sea, coastal land and inland as Rec. ITU-R P.1812 tells them apart.

1 sea, 3 coastal land (less than 100 m above the sea and within 50 km of it), 4 inland. Lakes are inland: only
water bodies of 7800 km2 or more would count as sea.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from routeplan.terrain.grid import Extent, Grid

SEA, COASTAL, INLAND = 1, 3, 4
COASTAL_BELOW_M, COASTAL_WITHIN_M = 100.0, 50_000.0
FLAT_SEA_M2 = 4e6  # judgement: so much ground at exactly 0 m is sea (SRTM and GLO-30 are flattened there)
NEVER_SEA_M = 30.0  # judgement: cells above this are land whatever the coastline says


class Sea(NamedTuple):
    """sea: bool (rows, cols). how: one line for the manifest."""

    sea: np.ndarray
    how: str


def find_sea(grid: Grid, coastline: Sequence[np.ndarray], known: Extent | None = None) -> Sea:
    """Cells of open sea.

    grid : raw heights [m], NaN where unknown.
    coastline : (k, 2) arrays of x, y [m], OpenStreetMap's way round: land on the left, sea on the right.
    known : where the coastline is complete (the extent of the road data); None: everywhere.

    Inside `known`, cells are parted by the coastline and each part goes to the side that most of its border
    says; this bears gaps where an extract was cut. Beyond `known` the sea goes on over neighbouring cells
    that are at or below 0 m or unknown. Without any coastline, only ground of FLAT_SEA_M2 at exactly 0 m is
    sea.
    """
    from scipy import ndimage

    heights = grid.values
    flat = heights == 0
    sea = np.zeros(heights.shape, bool)
    how = "no sea"
    label, count = ndimage.label(flat)
    if count:
        size = np.bincount(label.ravel()) * grid.step_m**2
        size[0] = 0
        sea = (size >= FLAT_SEA_M2)[label]
        if sea.any():
            how = f"ground at exactly 0 m over {FLAT_SEA_M2 / 1e6:.0f} km2 or more"
    lines = [line for line in coastline if len(line) >= 2]
    if not lines:
        return Sea(sea, how)
    domain = _mask(grid, known)
    side, barrier = _sides(grid, lines)
    parts, count = ndimage.label(domain & ~barrier)
    vote = np.bincount(parts.ravel(), weights=side.ravel(), minlength=count + 1)
    by_line = (vote < 0)[parts] & (parts > 0)
    on_line = barrier & domain
    # On the line itself the height decides where it is plain, else the side of the cell's centre.
    by_line |= on_line & (side < 0)
    low = ~(heights > 0)  # at or below 0, or unknown
    high = heights > NEVER_SEA_M
    by_line &= ~high
    beyond = low & ~domain
    joined, count = ndimage.label(by_line | sea | beyond, structure=np.ones((3, 3), int))
    seeds = np.unique(joined[by_line | sea])
    reached = np.isin(joined, seeds[seeds > 0]) & beyond
    undecided = domain & (parts > 0) & (vote == 0)[parts]  # no coastline in this part
    sea = by_line | reached | (sea & (~domain | undecided))
    return Sea(sea, "coastline of the road data, and beyond it joined cells at or below 0 m")


def _mask(grid: Grid, extent: Extent | None) -> np.ndarray:
    rows, cols = grid.values.shape
    if extent is None:
        return np.ones((rows, cols), bool)
    x = grid.west_m + np.arange(cols) * grid.step_m
    y = grid.north_m - np.arange(rows) * grid.step_m
    across = (x >= extent.west_m) & (x <= extent.east_m)
    down = (y >= extent.south_m) & (y <= extent.north_m)
    return down[:, None] & across[None, :]


def _sides(grid: Grid, lines: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """How often a cell near a line lies on its left (plus) or right (minus), and the cells on the line."""
    rows, cols = grid.values.shape
    side = np.zeros(rows * cols)
    barrier = np.zeros((rows, cols), bool)
    step = grid.step_m
    spacing = step / 4
    for line in lines:
        x, y = np.asarray(line, dtype=float).T
        length = np.hypot(np.diff(x), np.diff(y))
        keep = length > 0
        if not keep.any():
            continue
        parts = np.maximum(1, np.ceil(length[keep] / spacing)).astype(np.intp)
        piece = np.repeat(np.nonzero(keep)[0], parts)
        k = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
        share = (k + 0.5) / np.repeat(parts, parts)
        px = x[piece] + (x[piece + 1] - x[piece]) * share
        py = y[piece] + (y[piece + 1] - y[piece]) * share
        ex = (x[piece + 1] - x[piece]) / length[piece]
        ey = (y[piece + 1] - y[piece]) / length[piece]
        row, col = grid.cell(px, py)
        on = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        barrier[row[on], col[on]] = True
        # centres of the cells around: which side of the line are they on?
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                r, c = row + dr, col + dc
                on = (r >= 0) & (r < rows) & (c >= 0) & (c < cols)
                cx = grid.west_m + c * step - px
                cy = grid.north_m - r * step - py
                left = ex * cy - ey * cx
                near = on & (np.abs(left) > 1e-9)
                weight = np.sign(left) / (1.0 + (cx * cx + cy * cy) / step**2)
                np.add.at(side, r[near] * cols + c[near], weight[near])
    return side.reshape(rows, cols), barrier


def zones(grid: Grid, sea: np.ndarray) -> Grid:
    """Zone codes, uint8, on the cells of `grid` (heights [m])."""
    from scipy.ndimage import distance_transform_edt

    out = np.full(grid.values.shape, INLAND, np.uint8)
    if sea.any():
        near = distance_transform_edt(~sea, sampling=grid.step_m) <= COASTAL_WITHIN_M
        out[near & (grid.values < COASTAL_BELOW_M)] = COASTAL
        out[sea] = SEA
    return grid.like(out)
