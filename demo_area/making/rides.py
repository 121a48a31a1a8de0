"""The usual ride: a track as a head unit records it, along streets of the island."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path

import networkx as nx
import numpy as np

from . import paths
from .dress import may_ride, one_way
from .frame import FINE, latlon, random
from .network import key

# Where the usual ride goes: places to pass in turn, island metres
VIA = [
    (4_185, -6_165),
    (7_000, -5_500),
    (9_045, -3_435),
    (6_585, -1_095),
    (3_900, -1_300),
    (975, -2_985),
    (-345, -4_815),
    (1_300, -6_900),
    (4_185, -6_165),
]
BEGINS = datetime(2026, 7, 26, 8, 30, 5, tzinfo=UTC)
PACE = {
    "trunk": 6.0,
    "primary": 1.3,
    "secondary": 1.0,
    "tertiary": 0.9,
    "unclassified": 0.9,
    "residential": 1.1,
    "living_street": 1.2,
    "cycleway": 1.0,
    "service": 1.6,
    "track": 4.0,
}


def usual_way(ways) -> np.ndarray:
    """Points of the usual ride along the streets, island metres."""
    g = nx.DiGraph()
    for w in ways:
        if not may_ride(w.tags) or w.tags["highway"] not in PACE or "tunnel" in w.tags:
            continue
        lengths = np.diff(paths.lengths(w.points)) * PACE[w.tags["highway"]]
        keys = [key(p) for p in w.points]
        for a, b, cost in zip(keys, keys[1:], lengths):
            g.add_edge(a, b, cost=cost)
            if not one_way(w.tags):
                g.add_edge(b, a, cost=cost)
    core = max(nx.strongly_connected_components(g), key=len)
    main = {key(p) for w in ways if w.tags["highway"] in ("secondary", "tertiary") for p in w.points}
    nodes = sorted(core & main)
    where = np.array(nodes) / 10
    stops = [nodes[int(np.hypot(*(where - via).T).argmin())] for via in VIA]
    chain = stops[:1]
    for a, b in itertools.pairwise(stops):
        leg = nx.shortest_path(g, a, b, weight="cost")[1:]
        for u, v in zip([a, *leg], leg):  # dear to ride again
            for x, y in ((u, v), (v, u)):
                if g.has_edge(x, y):
                    g[x][y]["cost"] *= 3
        chain += leg
    return np.array(chain) / 10


def write_weekly(path: Path, ground, ways) -> None:
    """weekly.gpx: a point every five seconds, with the wander of a receiver (3 m) and of a barometer."""
    rng = random("weekly")
    line = usual_way(ways)
    along = paths.lengths(line)
    step = 10.0
    at = np.arange(0, along[-1], step)
    x, y = np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])
    height = FINE.sample(ground.height_m, x, y)
    grade = np.convolve(np.gradient(height, step), np.ones(9) / 9, mode="same")
    speed = np.clip(5.6 - 55 * grade, 1.7, 9.5)
    clock = np.concatenate([[0], np.cumsum(step / speed[:-1])])
    t = np.arange(0, clock[-1], 5.0)
    x, y, height = (np.interp(t, clock, values) for values in (x, y, height))
    east, north, up = (_wander(rng, len(t), sigma) for sigma in (2.2, 2.2, 1.2))
    latitude, longitude = latlon(x + east, y + north)
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="demo_area/make_island.py" xmlns="http://www.topografix.com/GPX/1/1">',
        "<metadata><name>The usual ride</name></metadata>",
        "<trk><name>The usual ride</name><trkseg>",
    ]
    for lat, lon, ele, s in zip(latitude, longitude, height + up, t):
        when = (BEGINS + timedelta(seconds=float(s))).strftime("%Y-%m-%dT%H:%M:%SZ")
        rows.append(f'<trkpt lat="{lat:.6f}" lon="{lon:.6f}"><ele>{ele:.1f}</ele><time>{when}</time></trkpt>')
    rows += ["</trkseg></trk>", "</gpx>", ""]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes("\n".join(rows).encode())


def _wander(rng, n, sigma):
    """Error that drifts: first-order, correlated over about a minute."""
    keep = np.exp(-5.0 / 60.0)
    noise = rng.standard_normal(n) * sigma * np.sqrt(1 - keep**2)
    out = np.empty(n)
    out[0] = rng.standard_normal() * sigma
    for k in range(1, n):
        out[k] = keep * out[k - 1] + noise[k]
    return out
