"""Seeded networks that look like country roads on hilly ground, with radio shadows: for the search benchmarks and tests.

Places lie denser round villages; streets join near places (a planar graph, see `_joined`) and wind by 5 to 40 %. Ground is a sum of random waves. Some stations stand on the highest ground near the middle;
the contact chance of a street falls with distance and where the ground between (sampled) stands above the line.
Figures are made up to look right, none is measured.
"""  # noqa: E501

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay


@dataclass(frozen=True)
class RoadLike:
    """Directed edges: the two directions of a street follow each other, apart from one-way streets."""

    x_m: np.ndarray
    y_m: np.ndarray
    height_m: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    length_m: np.ndarray
    street: np.ndarray
    chance: np.ndarray  # (e,) of contact, equal for both directions
    time_s: np.ndarray
    effort_j: np.ndarray

    def starts(self, count: int, seed: int = 0, margin: float = 0.2) -> np.ndarray:
        """Nodes away from the rim, for benchmarks."""
        side = self.x_m.max()
        middle = (np.abs(self.x_m / side - 0.5) < 0.5 - margin) & (np.abs(self.y_m / side - 0.5) < 0.5 - margin)
        return np.random.default_rng(seed).choice(np.flatnonzero(middle & self._on_a_loop()), count, replace=False)

    def _on_a_loop(self) -> np.ndarray:
        """Nodes of the largest part that hangs together without bridges."""
        import networkx as nx

        graph = nx.Graph(zip(self.tail.tolist(), self.head.tolist(), strict=True))
        graph.remove_edges_from(list(nx.bridges(graph)))
        part = max(nx.connected_components(graph), key=len)
        return np.isin(np.arange(self.x_m.size), list(part))


def road_like(junctions: int, seed: int = 0, *, per_km2: float = 9.0, one_way: float = 0.04) -> RoadLike:
    """A network of so many junctions on a square of the matching size."""
    random = np.random.default_rng(seed)
    side = 1000.0 * np.sqrt(junctions / per_km2)
    villages = random.uniform(0, side, (max(2, int((side / 4000) ** 2)), 2))
    in_village = int(0.45 * junctions)
    xy = np.concatenate([
        villages[random.integers(0, len(villages), in_village)] + random.normal(0, 450.0, (in_village, 2)),
        random.uniform(0, side, (junctions - in_village, 2)),
    ])  # fmt: skip
    xy = np.clip(xy, 0, side) + random.uniform(0, 1, xy.shape)
    waves = random.normal(0, 1, (40, 2)) * (2 * np.pi / random.choice([25e3, 12e3, 6e3, 3e3], 40))[:, None]
    phase = random.uniform(0, 2 * np.pi, 40)
    size = 1.0 / np.linalg.norm(waves, axis=1) ** 0.9
    size *= 90.0 / np.sqrt((size**2).sum() / 2)

    def ground(p: np.ndarray) -> np.ndarray:
        out = np.zeros(p.shape[:-1])
        for w, f, s in zip(waves, phase, size, strict=True):
            out += s * np.sin(p @ w + f)
        return 300.0 + out

    height = ground(xy)
    pairs = _joined(xy, height, random)
    a, b = pairs[:, 0], pairs[:, 1]
    straight = np.linalg.norm(xy[a] - xy[b], axis=1)
    length = np.maximum(straight * (1.05 + 0.35 * random.random(a.size) ** 2), 5.0)
    middle = 0.5 * (xy[a] + xy[b])
    hills = np.argsort(-height)[: max(junctions // 50, 2)]
    count = max(1, round(junctions / 15000))
    masts = [hills[np.argmin(np.linalg.norm(xy[hills] - random.uniform(0.3, 0.7, 2) * side, axis=1))]]
    masts += list(random.choice(hills, count, replace=False))
    chance = np.zeros(a.size)
    for mast in masts:
        chance = np.maximum(chance, _chance(xy[mast], height[mast] + 20.0, middle, ground))
    twice = random.random(a.size) >= one_way
    tail = np.stack([a, b], 1).ravel()
    head = np.stack([b, a], 1).ravel()
    keep = np.stack([np.ones(a.size, bool), twice], 1).ravel()
    street = np.repeat(np.arange(a.size), 2)[keep]
    tail, head = tail[keep], head[keep]
    both = length[street]
    grade = np.clip((height[head] - height[tail]) / both, -0.15, 0.15)
    speed = np.clip(6.5 - 45.0 * grade - 60.0 * grade**2 * np.sign(grade), 1.3, 12.0)
    time = both / speed
    effort = np.maximum(both * (9.0 + 100.0 * 9.81 * grade), 0.0) + 2.0 * both
    return RoadLike(xy[:, 0], xy[:, 1], height, tail.astype(np.int32), head.astype(np.int32), both, street,
                    chance[street], time, effort)  # fmt: skip


def _joined(xy: np.ndarray, height: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Pairs of places: near-relative-neighbourhood graph, a fifth of the other Gabriel edges, few on steep ground, and a
    spanning tree so that all hangs together."""  # noqa: E501
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import minimum_spanning_tree

    n = xy.shape[0]
    corner = Delaunay(xy).simplices
    a, b, c = (np.concatenate([corner[:, k], corner[:, (k + 1) % 3], corner[:, (k + 2) % 3]]) for k in range(3))
    far = np.hypot(*(xy[a] - xy[b]).T)
    ac, bc = np.hypot(*(xy[a] - xy[c]).T), np.hypot(*(xy[b] - xy[c]).T)
    key, at = np.unique(np.minimum(a, b).astype(np.int64) * n + np.maximum(a, b), return_inverse=True)
    gabriel = np.ones(key.size, bool)
    relative = np.ones(key.size, bool)
    np.logical_and.at(gabriel, at, ac**2 + bc**2 >= far**2)
    np.logical_and.at(relative, at, np.maximum(ac, bc) >= far)
    pairs = np.stack([key // n, key % n], 1)
    length = np.hypot(*(xy[pairs[:, 0]] - xy[pairs[:, 1]]).T) + 1.0
    grade = np.abs(height[pairs[:, 0]] - height[pairs[:, 1]]) / length
    chance = np.where(relative, 0.93, np.where(gabriel, 0.2, 0.0))
    chance *= np.where(length > np.quantile(length, 0.985), 0.1, 1.0) * np.where(grade > 0.15, 0.2, 1.0)
    cost = length * (1 + (grade / 0.08) ** 2) * random.uniform(0.7, 1.3, length.size)
    tree = minimum_spanning_tree(coo_matrix((cost, (pairs[:, 0], pairs[:, 1])), shape=(n, n))).tocoo()
    low, high = np.minimum(tree.row, tree.col).astype(np.int64), np.maximum(tree.row, tree.col)
    return pairs[np.isin(key, low * n + high) | (random.random(key.size) < chance)]


def _chance(mast: np.ndarray, mast_m: float, points: np.ndarray, ground) -> np.ndarray:
    """Made-up contact chance of a mast at points: free-space-like fall, and 1 dB for each 3 m the ground stands in the way."""  # noqa: E501
    distance = np.linalg.norm(points - mast, axis=1) + 50.0
    rx = ground(points) + 2.0
    worst = np.full(distance.size, -np.inf)
    for share in np.linspace(0.06, 0.94, 15):
        at = mast + share * (points - mast)
        line = mast_m + share * (rx - mast_m) - share * (1 - share) * distance**2 / (2 * 8.5e6)
        worst = np.maximum(worst, ground(at) - line)
    margin = 38.0 - 20 * np.log10(distance / 1000.0) * 1.3 - np.maximum(worst, 0) / 3.0
    return 1.0 / (1.0 + np.exp(-(margin - 12.0) / 4.0))
