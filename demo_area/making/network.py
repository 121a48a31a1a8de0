"""From lines to a street network: shared points where lines meet, no slivers, no doubles, no loose bits."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import dataclass, field, replace
from functools import cached_property

import networkx as nx
import numpy as np
import shapely
from scipy.spatial import cKDTree

from . import paths

Key = tuple[int, int]  # a point in decimetres
APART = {"tunnel", "bridge", "ferry"}  # meet other lines at their ends only


@dataclass(frozen=True)
class Street:
    """A piece of road between two junctions, in island metres."""

    points: np.ndarray
    kind: str
    facts: dict = field(default_factory=dict)

    @cached_property
    def ends(self) -> tuple[Key, Key]:
        return key(self.points[0]), key(self.points[-1])

    @cached_property
    def length_m(self) -> float:
        return float(paths.lengths(self.points)[-1])


def key(point) -> Key:
    return round(float(point[0]) * 10), round(float(point[1]) * 10)


def make_network(lines, rank) -> list[Street]:
    """Streets from built lines. `rank(kind)`: the lower goes first where two are the same road."""
    streets = [Street(np.round(line.points, 1), line.kind, line.facts) for line in lines]
    for within in (16.0, 16.0, 18.0):
        streets = split(cross(cross(streets)))
        streets = contract(streets, within)
        streets = without_doubles(streets, rank)
        streets = without_stubs(streets, 55.0)
        streets = ends_joined(streets, 110.0)
        streets = joined_through(streets)
    streets = split(cross(streets))
    return largest(streets)


def ends_snapped(lines: list[np.ndarray], within_m: float) -> list[np.ndarray]:
    """Lines whose ends, where another line's point is near, are moved onto it (earlier lines first)."""
    owner = np.concatenate([np.full(len(p), k) for k, p in enumerate(lines)])
    start = np.concatenate([[0], np.cumsum([len(p) for p in lines])])
    points = np.vstack(lines)
    tree = cKDTree(points.copy())
    for k in range(len(lines)):
        for end in (start[k], start[k + 1] - 1):
            near = [i for i in tree.query_ball_point(points[end], within_m) if owner[i] != k]
            if near:
                best = min(near, key=lambda i: (owner[i] > k, np.hypot(*(points[i] - points[end])), i))
                points[end] = points[best]
    return [points[a:b].copy() for a, b in itertools.pairwise(start)]


def cross(streets: list[Street]) -> list[Street]:
    """The same lines with a shared point wherever two of them cross."""
    first, second, owner, place = [], [], [], []
    for k, s in enumerate(streets):
        if s.kind in APART:
            continue
        n = len(s.points) - 1
        first.append(s.points[:-1])
        second.append(s.points[1:])
        owner.append(np.full(n, k))
        place.append(np.arange(n))
    a, b = np.vstack(first), np.vstack(second)
    owner, place = np.concatenate(owner), np.concatenate(place)
    segments = shapely.linestrings(np.stack([a, b], axis=1))
    i, j = shapely.STRtree(segments).query(segments, predicate="intersects")
    keep = (i < j) & ~((owner[i] == owner[j]) & (np.abs(place[i] - place[j]) <= 1))
    i, j = i[keep], j[keep]
    ka = (np.round(a * 10).astype(np.int64), np.round(b * 10).astype(np.int64))
    shared = np.zeros(len(i), bool)
    for u in ka:
        for v in ka:
            shared |= (u[i] == v[j]).all(axis=1)
    i, j = i[~shared], j[~shared]
    order = np.lexsort((j, i))
    inserts: dict[int, list] = defaultdict(list)
    for p, q in zip(i[order], j[order]):
        at = shapely.intersection(segments[p], segments[q])
        if at.is_empty:
            continue
        at = np.array(at.centroid.coords[0])
        ends = np.array([a[p], b[p], a[q], b[q]])
        gap = np.hypot(*(ends - at).T)
        at = ends[gap.argmin()] if gap.min() < 4.0 else np.round(at, 1)
        for s in (p, q):
            if min(np.hypot(*(a[s] - at)), np.hypot(*(b[s] - at))) > 0.05:
                inserts[int(owner[s])].append((int(place[s]), float(np.hypot(*(at - a[s]))), at))
    out = []
    for k, s in enumerate(streets):
        if k not in inserts:
            out.append(s)
            continue
        points, todo = [], sorted(inserts[k], key=lambda t: t[:2])
        for n, point in enumerate(s.points):
            points.append(point)
            points += [at for m, _, at in todo if m == n]
        out.append(replace(s, points=_without_repeats(np.array(points))))
    return out


def _without_repeats(points):
    keep = np.concatenate([[True], (np.round(np.diff(points, axis=0), 2) != 0).any(axis=1)])
    return points[keep]


def split(streets: list[Street]) -> list[Street]:
    """Lines cut at every point that another line, or the same line again, uses too."""
    count: dict[Key, int] = defaultdict(int)
    keys = [[(a, b) for a, b in np.rint(s.points * 10).astype(int).tolist()] for s in streets]
    for along in keys:
        for k in along:
            count[k] += 1
        count[along[0]] += 1
        count[along[-1]] += 1
    out = []
    for s, along in zip(streets, keys):
        cuts = [n for n, k in enumerate(along) if 0 < n < len(along) - 1 and count[k] > 1]
        for first, last in zip([0, *cuts], [*cuts, len(s.points) - 1]):
            piece = s.points[first : last + 1]
            if len(piece) > 1 and (len(piece) > 2 or key(piece[0]) != key(piece[-1])):
                out.append(replace(s, points=piece))
    return out


def contract(streets: list[Street], within: float) -> list[Street]:
    """Junctions joined by a street shorter than `within`, or merely that near, made one."""
    ends = sorted({e for s in streets for e in s.ends})
    number = {e: k for k, e in enumerate(ends)}
    degree = np.zeros(len(ends), int)
    fixed = np.zeros(len(ends), bool)
    for s in streets:
        for e in s.ends:
            degree[number[e]] += 1
            fixed[number[e]] |= s.kind in APART
    parent = list(range(len(ends)))

    def root(k):
        while parent[k] != k:
            k = parent[k]
        return k

    pairs = [(s.length_m, *sorted(number[e] for e in s.ends)) for s in streets if s.length_m < within]
    for u, v in cKDTree(np.array(ends) / 10).query_pairs(0.6 * within):
        pairs.append((float(np.hypot(*(np.subtract(ends[u], ends[v]) / 10))), min(u, v), max(u, v)))
    for _, u, v in sorted(pairs):
        ru, rv = root(u), root(v)
        if ru == rv or (fixed[ru] and fixed[rv]):
            continue
        keep, lose = (ru, rv) if (fixed[ru], degree[ru]) >= (fixed[rv], degree[rv]) else (rv, ru)
        if np.hypot(*(np.subtract(ends[keep], ends[lose]) / 10)) < 1.6 * within:
            parent[lose] = keep
    out = []
    for s in streets:
        p = s.points.copy()
        for end in (0, -1):
            k = number[key(p[end])]
            if root(k) != k:
                p[end] = np.array(ends[root(k)]) / 10
        if len(p) > 3:  # no hook at a moved end
            middle = p[1:-1]
            far = (np.hypot(*(middle - p[0]).T) > 9) & (np.hypot(*(middle - p[-1]).T) > 9)
            p = np.vstack([p[:1], middle[far], p[-1:]])
        p = _without_repeats(p)
        if len(p) > 1 and not (key(p[0]) == key(p[-1]) and paths.lengths(p)[-1] < 120):
            out.append(replace(s, points=p))
    return out


def without_doubles(streets: list[Street], rank, apart_m: float = 32.0) -> list[Street]:
    """Lower streets that run beside a higher one for nearly all their length left out."""
    order = sorted(range(len(streets)), key=lambda k: (rank(streets[k].kind), -streets[k].length_m, k))
    tree = shapely.STRtree([shapely.LineString(s.points) for s in streets])
    gone: set[int] = set()
    place = {k: n for n, k in enumerate(order)}
    for k in reversed(order):
        s = streets[k]
        if s.kind in APART or s.facts.get("keep"):
            continue
        dense = paths.resample(s.points, 15.0)
        beside = [
            o
            for o in tree.query(shapely.box(*(dense.min(0) - apart_m), *(dense.max(0) + apart_m)))
            if o not in gone and place[o] < place[k]
        ]
        beside = [o for o in beside if streets[o].kind not in APART]
        for o in beside:
            line = shapely.LineString(streets[o].points)
            d = shapely.distance(line, shapely.points(dense))
            shared = len(set(s.ends) & set(streets[o].ends))
            if (shared == 2 and (d < apart_m).mean() > 0.75) or (
                shared == 1 and s.length_m > 90 and (d < 24).mean() > 0.80
            ):
                gone.add(k)
                break
    return [s for k, s in enumerate(streets) if k not in gone]


def without_stubs(streets: list[Street], shortest_m: float) -> list[Street]:
    """Dead ends shorter than `shortest_m` left out, again and again."""
    while True:
        degree: dict[Key, int] = defaultdict(int)
        for s in streets:
            for e in s.ends:
                degree[e] += 1
        keep = [
            s
            for s in streets
            if s.length_m >= shortest_m or min(degree[e] for e in s.ends) > 1 or s.kind in APART
        ]
        if len(keep) == len(streets):
            return keep
        streets = keep


def ends_joined(streets: list[Street], within_m: float) -> list[Street]:
    """Dead ends led on to a point of another street that lies ahead and near."""
    degree: dict[Key, int] = defaultdict(int)
    for s in streets:
        for e in s.ends:
            degree[e] += 1
    usable = [k for k, s in enumerate(streets) if s.kind not in APART]
    points = np.vstack([streets[k].points for k in usable])
    owner = np.concatenate([np.full(len(streets[k].points), k) for k in usable])
    tree = cKDTree(points)
    out = []
    for k, s in enumerate(streets):
        p = s.points
        for end in (0, 1):
            if degree[key(p[0 if end == 0 else -1])] > 1 or s.kind in APART or s.facts.get("depth", 0) >= 5:
                continue
            q = p[::-1] if end == 0 else p
            heading = q[-1] - q[max(0, len(q) - 3)]
            best = None
            for i in sorted(tree.query_ball_point(q[-1], within_m)):
                ahead = points[i] - q[-1]
                gap = np.hypot(*ahead)
                if owner[i] == k or gap < 1 or ahead @ heading < -0.1 * gap * np.hypot(*heading):
                    continue
                if best is None or gap < best[0]:
                    best = (gap, i)
            if best is not None:
                q = np.vstack([q, points[best[1]]])
                p = q[::-1] if end == 0 else q
        out.append(replace(s, points=p))
    return out


def joined_through(streets: list[Street]) -> list[Street]:
    """Streets of the same kind that meet where nothing else does made one."""
    at: dict[Key, list[int]] = defaultdict(list)
    for k, s in enumerate(streets):
        for e in s.ends:
            at[e].append(k)
    alive: list[Street | None] = list(streets)
    for e in sorted(at):
        pair = at[e]
        if len(pair) != 2 or pair[0] == pair[1]:
            continue
        one, two = alive[pair[0]], alive[pair[1]]
        if one is None or two is None or one.kind != two.kind or one.facts != two.facts or one.kind in APART:
            continue
        if set(one.ends) == set(two.ends):
            continue
        p = one.points if one.ends[1] == e else one.points[::-1]
        q = two.points if two.ends[0] == e else two.points[::-1]
        alive[pair[0]] = replace(one, points=np.vstack([p, q[1:]]))
        alive[pair[1]] = None
        for end in alive[pair[0]].ends:
            at[end] = [pair[0] if k == pair[1] else k for k in at[end]]
    return [s for s in alive if s is not None]


def graph(streets: list[Street]) -> nx.MultiGraph:
    """Junctions and streets; edge attribute `street` is the number in the list."""
    g = nx.MultiGraph()
    for k, s in enumerate(streets):
        g.add_edge(*s.ends, key=k, street=k, length=s.length_m)
    return g


def largest(streets: list[Street]) -> list[Street]:
    """The connected part with most junctions."""
    best = max(nx.connected_components(graph(streets)), key=lambda c: (len(c), min(c)))
    return [s for s in streets if s.ends[0] in best]


def thinned(streets: list[Street], tolerance_m: float) -> list[Street]:
    """The same streets with only the points that their shape needs."""
    out = []
    for s in streets:
        p = (
            np.array(shapely.LineString(s.points).simplify(tolerance_m).coords)
            if len(s.points) > 2
            else s.points
        )
        if key(p[0]) == key(p[-1]) and len(p) < 4:
            p = s.points
        out.append(replace(s, points=p))
    return out
