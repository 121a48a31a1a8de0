"""Holes in an elevation raster: small ones are filled smoothly, large ones stay unknown."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.terrain.grid import Grid

FILLED_CELLS_AT_MOST = 150  # judgement: about 1 km across at 3 arc-seconds, 350 m at 1 arc-second


class Filled(NamedTuple):
    """A raster without its small holes.

    mask : bool (rows, cols), cells whose height is interpolated.
    """

    grid: Grid
    mask: np.ndarray
    filled_cells: int
    filled_patches: int
    left_cells: int
    left_patches: int


def fill_voids(grid: Grid, cells_at_most: int = FILLED_CELLS_AT_MOST, inside: np.ndarray | None = None) -> Filled:
    """Fill patches of up to `cells_at_most` NaN cells (joined by sides) with a smooth surface.

    Inside a patch the height solves Laplace's equation with the cells around as its border: it never leaves
    the range of its border, and a tilted plane is restored exactly. Larger patches stay NaN. Small patches
    at the border of the raster are filled too; the missing side does not pull.

    inside : bool (rows, cols), cells that the source covers; a patch that reaches beyond it is not filled,
        and NaN cells outside it are not counted. Default: all.
    """
    from scipy import ndimage, sparse
    from scipy.sparse.linalg import spsolve

    values = grid.values
    missing = ~np.isfinite(values)
    label, patches = ndimage.label(missing)
    if patches == 0:
        return Filled(grid, missing, 0, 0, 0, 0)
    size = np.bincount(label.ravel(), minlength=patches + 1)
    size[0] = 0
    counted = size if inside is None else np.bincount(label[inside], minlength=patches + 1)
    small = (size > 0) & (size <= cells_at_most) & (size < values.size) & (counted == size)
    mask = small[label]
    left = ~small & (counted > 0)
    left[0] = False
    out = values.astype(np.float32, copy=True)
    if mask.any():
        rows, cols = np.nonzero(mask)
        index = np.full(values.shape, -1, dtype=np.int64)
        index[rows, cols] = np.arange(len(rows))
        degree = np.zeros(len(rows))
        right = np.zeros(len(rows))
        from_cell, to_cell = [], []
        for dr, dc in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            r, c = rows + dr, cols + dc
            on = (r >= 0) & (r < values.shape[0]) & (c >= 0) & (c < values.shape[1])
            at = np.nonzero(on)[0]
            degree[at] += 1
            neighbour = index[r[at], c[at]]
            unknown = neighbour >= 0
            from_cell.append(at[unknown])
            to_cell.append(neighbour[unknown])
            known = at[~unknown]
            right[known] += values[r[known], c[known]]
        i, j = np.concatenate(from_cell), np.concatenate(to_cell)
        matrix = sparse.csc_matrix((-np.ones(len(i)), (i, j)), shape=(len(rows), len(rows)))
        matrix = matrix + sparse.diags(degree, format="csc")
        out[rows, cols] = spsolve(matrix, right)
    return Filled(
        grid.like(out),
        mask,
        int(mask.sum()),
        int(small.sum()),
        int(counted[left].sum()),
        int(left.sum()),
    )
