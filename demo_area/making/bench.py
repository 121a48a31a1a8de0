"""Cut and fill: road heights smooth along the road, and the ground beside the road brought to them."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import spsolve
from scipy.spatial import cKDTree

from . import paths
from .frame import FINE
from .network import APART, key

SMOOTH_M = {
    "fast": 130.0,
    "spur": 110.0,
    "railway": 130.0,
    "coast": 85.0,
    "road": 75.0,
    "pass": 75.0,
    "lane": 65.0,
    "street": 45.0,
    "farm": 50.0,
    "track": 32.0,
}
SPACING_M = 10.0


def road_heights(height_m, streets):
    """Points along all streets every ten metres, and heights: near the ground, little curved along the road.

    Least squares over the whole network, one unknown for each point, junctions shared. Returns xy
    (n, 2), the heights and the raw heights of the raster (n,).
    """
    number: dict = {}
    xy, rows = [], []
    for s in streets:
        if s.kind in APART:
            continue
        dense = paths.resample(s.points, SPACING_M)
        inner = range(len(xy), len(xy) + len(dense) - 2)
        index = []
        for _end, point in ((0, dense[0]), (-1, dense[-1])):
            k = key(point)
            if k not in number:
                number[k] = None
            index.append(k)
        xy += list(dense[1:-1])
        rows.append((index[0], inner, index[1], s.kind))
    base = len(xy)
    for k in number:
        number[k] = len(xy)
        xy.append((k[0] / 10, k[1] / 10))
    xy = np.array(xy)
    assert base + len(number) == len(xy)
    raw = FINE.sample(height_m, xy[:, 0], xy[:, 1])
    a, b, c, weight = [], [], [], []
    for first, inner, last, kind in rows:
        chain = np.array([number[first], *inner, number[last]])
        a.append(chain[:-2])
        b.append(chain[1:-1])
        c.append(chain[2:])
        weight.append(np.full(len(chain) - 2, (SMOOTH_M[kind] / SPACING_M) ** 2))
    a, b, c, w = map(np.concatenate, (a, b, c, weight))
    m = len(a)
    bend = sp.csr_matrix(
        (np.concatenate([w, -2 * w, w]), (np.tile(np.arange(m), 3), np.concatenate([a, b, c]))),
        shape=(m, len(xy)),
    )
    system = (sp.identity(len(xy)) + bend.T @ bend).tocsc()
    return xy, spsolve(system, raw), raw


def benched(ground_height_m, land, streets, most_m: float = 6.0):
    """Ground with roads cut into it (and filled under them), never by more than `most_m`."""
    h = ground_height_m.copy()
    for _ in range(2):
        xy, fitted, _ = road_heights(h, streets)
        tree = cKDTree(xy)
        gx, gy = FINE.mesh()
        d, k = tree.query(np.column_stack([gx.ravel(), gy.ravel()]), distance_upper_bound=55.0)
        near = np.isfinite(d)
        flat = h.ravel()
        target = np.clip(fitted[k[near]], flat[near] - most_m, flat[near] + most_m)
        share = np.clip((55.0 - d[near]) / 30.0, 0, 1)
        flat[near] += share * (target - flat[near])
        h = np.where(land, np.maximum(flat.reshape(h.shape), 0.5), 0.0)
    return np.round(h * 8) / 8


def grades(height_m, street, window_m: float = 60.0):
    """Grade [-] of each ten-metre piece of a street, from heights averaged along `window_m`."""
    dense = paths.resample(street.points, SPACING_M)
    h = FINE.sample(height_m, dense[:, 0], dense[:, 1])
    n = round(window_m / SPACING_M)
    padded = np.concatenate([np.full(n // 2, h[0]), h, np.full(n - 1 - n // 2, h[-1])])
    smooth = np.convolve(padded, np.ones(n) / n, mode="valid")
    length = np.hypot(*np.diff(dense, axis=0).T)
    return np.diff(smooth) / np.maximum(length, 1e-6), length
