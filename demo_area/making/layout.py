"""What is built, in which order: town streets, fast road, coast road, passes, lanes, farm roads, tracks."""

from __future__ import annotations

from itertools import pairwise

import contourpy
import numpy as np
import shapely
from scipy.ndimage import gaussian_filter
from scipy.spatial import Delaunay

from .frame import COARSE, FINE, random
from .network import ends_snapped
from .settle import Place, scatter, streets
from .terrain import Ground
from .works import FARM, FAST, LANE, MAIN, PASS, RAIL, TRACK, Works

# Places in turn along the coast road
COAST_ROAD = [
    *("Port Sallow", "Skarvik", "Ambrel", "Saint Orlo", "Coombe Ferrin", "Wendrick", "Tollanmoor"),
    *("Pell Head", "Hestermouth", "Quarrel Bay", "Eastness", "Larkhaven", "Port Sallow"),
]
# Ways that pass over or under: end points in island metres
INLET_BRIDGE = [(-420, -7330), (420, -7330)]
TUNNEL = [(3700, 1050), (3450, 2840)]  # south portal, north portal
RAIL_TUNNEL = [(3650, 5900), (4350, 5900)]


def polygons(
    field: np.ndarray, level: float, least_m2: float = 0.0, spacing_m: float = 0.0
) -> list[shapely.Polygon]:
    """Where `field` (fine raster) is above `level`, as polygons in island metres, largest first."""
    x = FINE.west_m + np.arange(FINE.columns) * FINE.step_m
    y = FINE.north_m - np.arange(FINE.rows) * FINE.step_m
    maker = contourpy.contour_generator(x, y, field, fill_type=contourpy.FillType.OuterOffset)
    out = []
    for points, offsets in zip(*maker.filled(level, np.inf)):
        rings = [points[a:b] for a, b in pairwise(offsets)]
        polygon = shapely.Polygon(rings[0], [r for r in rings[1:] if len(r) > 6])
        if spacing_m:
            polygon = polygon.simplify(spacing_m)
        if polygon.is_valid and polygon.area > least_m2:
            out.append(polygon)
    return sorted(out, key=lambda p: -p.area)


def coast(ground: Ground) -> list[shapely.Polygon]:
    """The island and its islets."""
    return polygons(gaussian_filter(ground.land.astype(float), 0.8), 0.5, 1.5e4, 5.0)


def build(ground: Ground, places: list[Place], farms) -> Works:
    """Every line of the network, in the order in which a real island would have got them, more or less."""
    works = Works(ground)
    dry = shapely.union_all([p.buffer(-70) for p in coast(ground)])
    minor = _streets(works, places, dry)
    at = {p.name: (p.x_m, p.y_m) for p in places}
    _crossings(works)
    _fast(works, places, at)
    _coast_road(works, at)
    _passes(works, at)
    _links(works, places)
    for k in minor:
        works.join(k)
    _railway(works)
    _farm_roads(works, farms)
    _tracks(works, ground)
    return works


def _streets(works, places, dry):
    """Streets of all places; only main streets may be joined at first. Returns the numbers of the others."""
    minor = []
    x, y = COARSE.mesh()
    for place in places:
        if not place.radius_m:
            continue
        ground, drawn = streets(place, dry, 1.0 if place.kind == "town" else 1.5)
        works.open &= ~shapely.contains_xy(ground.buffer(20), x, y)
        snapped = ends_snapped([np.round(points, 1) for points, _ in drawn], 13.0)
        for points, (_, depth) in zip(snapped, drawn):
            works.add(points, "street", usable=False, depth=depth, place=place.name)
            (minor.append if depth else works.join)(len(works.lines) - 1)
    return minor


def _crossings(works):
    works.add(np.array(INLET_BRIDGE), "bridge", name="Lode Bridge")
    works.add(np.array(TUNNEL), "tunnel", usable=False, name="Mossgate Tunnel")
    works.add(np.array(RAIL_TUNNEL), "tunnel", usable=False, name="Larkhaven Line Tunnel", railway=True)


def _fast(works, places, at):
    south, north = TUNNEL
    x, y = COARSE.mesh()
    shun = np.zeros(x.shape, bool)
    for p in places:
        if p.kind != "town" or p.name == "Hestermouth":
            shun |= np.hypot(x - p.x_m, y - p.y_m) < p.radius_m + 260 * (p.kind == "village")
    works.route(at["Port Sallow"], north, FAST, "fast", shun=shun)
    works.route(south, (3250, -4950), FAST, "fast", shun=shun)
    works.route((3250, -4950), at["Hestermouth"], FAST, "fast")
    works.route(tuple(works.snap(3_000, -4_700)[0]), (1_500, -6_900), FAST, "spur", shun=shun)


def _railway(works):
    """A line that is now a cycleway: from the edge of Port Sallow through its tunnel to that of Larkhaven."""
    west, east = RAIL_TUNNEL
    works.route(tuple(works.snap(1_480, 5_880)[0]), west, RAIL, "railway", alone=True, keep=True)
    works.route(east, tuple(works.snap(7_720, 4_690)[0]), RAIL, "railway", alone=True, keep=True)


def _coast_road(works, at):
    for a, b in pairwise(COAST_ROAD):
        works.route(at[a], at[b], MAIN, "coast")
    works.route(at["Inverlode"], at["Hestermouth"], MAIN, "coast")
    works.route(at["Larkhaven"], at["Northing"], MAIN, "lane")


# Saddles of the ridge, about, and what each joins: places north and south
SADDLES = [
    ((-3000, 2400), ["Port Sallow"], ["High Cassock"]),
    ((3300, 2800), ["Underscar"], ["Osterley Bridge", "Mossgate"]),
    ((-7300, 800), ["Saint Orlo", "Vellow"], ["High Cassock", "Coombe Ferrin"]),
    ((7900, 2600), ["Larkhaven"], ["Mossgate"]),
]


def _passes(works, at):
    for (x, y), norths, souths in SADDLES:
        saddle = _saddle(works.height, x, y)
        for name in norths + souths:
            works.route(at[name], saddle, PASS, "pass")


def _saddle(height, x, y):
    """Lowest point of the crest near x, y: in the best column, the top of the column that is lowest."""
    r, c = COARSE.cell(x, y)
    window = height[r - 14 : r + 15, c - 10 : c + 11]
    column = int(window.max(axis=0).argmin())
    row = int(window[:, column].argmax())
    return tuple(float(v) for v in COARSE.centre(r - 14 + row, c - 10 + column))


def gabriel(points: np.ndarray, longest_m: float) -> list[tuple[int, int]]:
    """Pairs with no third point in the circle between them, shortest first."""
    triangles = Delaunay(points).simplices
    pairs = {tuple(sorted((int(t[i]), int(t[j])))) for t in triangles for i, j in ((0, 1), (1, 2), (0, 2))}
    out = []
    for a, b in pairs:
        middle, radius = (points[a] + points[b]) / 2, np.hypot(*(points[a] - points[b])) / 2
        others = np.hypot(*(points - middle).T)
        others[[a, b]] = np.inf
        if others.min() >= radius and 2 * radius < longest_m:
            out.append((2 * radius, a, b))
    return [(a, b) for _, a, b in sorted(out)]


def _links(works, places):
    big = [p for p in places if p.kind != "hamlet"]
    for group, longest, kind in ((big, 9_000, "road"), (places, 4_600, "lane")):
        points = np.array([(p.x_m, p.y_m) for p in group])
        for a, b in gabriel(points, longest):
            works.route(tuple(points[a]), tuple(points[b]), LANE, kind, longest_m=9_000)


def _farm_roads(works, farms):
    rng = random("farm roads")
    points = np.array(farms)
    for k, p in enumerate(points):
        if not works.built[COARSE.cell(*p)]:
            works.route(tuple(p), None, FARM, "farm", longest_m=2_500, farm=k)
    for a, b in gabriel(points, 1_500):
        kind = "track" if rng.random() < 0.45 else "farm"
        if rng.random() < 0.8:
            works.route(
                tuple(points[a]), tuple(points[b]), TRACK if kind == "track" else FARM, kind, longest_m=2_300
            )


def _tracks(works, ground):
    """Tracks over the moor and through the woods, from road to road."""
    rng = random("tracks")
    high = ground.land & (ground.height_m > 130) & (ground.slope < 0.35)
    chosen = scatter(high.astype(float), 0.5, 1_050, rng, avoid=[(0.0, 0.0, -1.0)], count=200)
    points = np.array(chosen)
    for a, b in gabriel(points, 2_600):
        if rng.random() < 0.55:
            works.route(tuple(points[a]), tuple(points[b]), TRACK, "track", longest_m=3_500)
