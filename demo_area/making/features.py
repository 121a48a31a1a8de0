"""What stands on and beside the roads: crossings, gates, bridges, woods, water, villages, stopping places."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt, gaussian_filter, gaussian_filter1d, maximum_filter

from . import paths
from .dress import CLASSES, Way
from .frame import FINE, random
from .layout import coast, polygons
from .network import key
from .terrain import noise

MAIN = ("trunk", "primary", "secondary")
Marks = dict[tuple[int, int], dict[str, str]]  # tags of points (decimetres)


def insert(way: Way, from_end: int, offset_m: float):
    """A point put into a way, `offset_m` from its first (0) or last (1) point; None: no room."""
    along = paths.lengths(way.points)
    at = offset_m if from_end == 0 else along[-1] - offset_m
    if not 4.0 < at < along[-1] - 4.0:
        return None
    k = int(np.searchsorted(along, at))
    for near in (k - 1, k):
        if 0 < near < len(along) - 1 and abs(along[near] - at) < 1.5:
            return way.points[near]
    t = (at - along[k - 1]) / (along[k] - along[k - 1])
    point = np.round(way.points[k - 1] + t * (way.points[k] - way.points[k - 1]), 1)
    way.points = np.insert(way.points, k, point, axis=0)
    return point


def _arms(ways):
    arms = defaultdict(list)
    for k, w in enumerate(ways):
        for end, e in enumerate(w.ends):
            arms[e].append((k, end))
    return arms


# --- on the road ------------------------------------------------------------------------------


def river_bridges(ways: list[Way], rivers) -> list[Way]:
    """Short bridges where roads and tracks cross a river."""
    tree = shapely.STRtree([r for r, _ in rivers])
    out = []
    for w in ways:
        line = shapely.LineString(w.points)
        hits = (
            []
            if {"bridge", "tunnel"} & w.tags.keys()
            else [k for k in tree.query(line, predicate="intersects") if rivers[k][1] == "river"]
        )
        at = sorted(line.project(p) for k in hits for p in _points(line.intersection(rivers[k][0])))
        at = [a for n, a in enumerate(at) if 30 < a < line.length - 30 and (n == 0 or a - at[n - 1] > 60)]
        if not at or w.tags["highway"] in ("steps", "footway"):
            out.append(w)
            continue
        todo, rest = [], w
        for a in reversed(at):
            for cut in (a + 9, a - 9):
                insert(rest, 0, cut)
            along = paths.lengths(rest.points)
            i, j = (int(np.abs(along - c).argmin()) for c in (a - 9, a + 9))
            if i == 0 or j == len(along) - 1 or i >= j:
                continue
            todo.append(Way(rest.points[j:], dict(rest.tags), w.place, w.facts))
            todo.append(
                Way(rest.points[i : j + 1], dict(rest.tags, bridge="yes", layer="1"), w.place, w.facts)
            )
            rest = Way(rest.points[: i + 1], rest.tags, w.place, w.facts)
        out += [rest, *reversed(todo)]
    return out


def _points(shape):
    return [g.centroid for g in getattr(shape, "geoms", [shape]) if not g.is_empty]


def junction_marks(ways: list[Way], places) -> Marks:
    """Signals, crossings, mini roundabouts, stop and give-way lines, humps."""
    rng = random("junction marks")
    marks: Marks = {}
    towns = [p for p in places if p.kind == "town"]
    arms = _arms(ways)
    for e in sorted(arms):
        here = arms[e]
        classes = sorted(CLASSES.index(ways[k].tags["highway"]) for k, _ in here)
        ring = any("junction" in ways[k].tags for k, _ in here)
        x, y = e[0] / 10, e[1] / 10
        in_town = any(np.hypot(x - p.x_m, y - p.y_m) < p.radius_m for p in towns)
        in_place = any(np.hypot(x - p.x_m, y - p.y_m) < p.radius_m for p in places)
        top = sum(c <= CLASSES.index("tertiary") for c in classes)
        if in_town and not ring and (top >= 3 or (top == 2 and len(here) >= 4 and rng.random() < 0.6)):
            marks[e] = {"highway": "traffic_signals"}
            for k, end in here:
                if (
                    ways[k].tags["highway"] in (*MAIN, "tertiary")
                    and (p := insert(ways[k], end, 14.0)) is not None
                ):
                    marks[key(p)] = {"highway": "crossing", "crossing": "traffic_signals"}
        elif in_place and not in_town and not ring and len(here) >= 4 and rng.random() < 0.2:
            marks[e] = {"highway": "mini_roundabout", "direction": "anticlockwise"}
        elif in_place and not ring and top >= 2 and rng.random() < 0.22:
            k, end = here[0]
            if (p := insert(ways[k], end, 25.0)) is not None:
                marks[key(p)] = {
                    "highway": "crossing",
                    "crossing": str(rng.choice(["zebra", "uncontrolled"])),
                }
        if e not in marks and classes[0] <= CLASSES.index("secondary") and len(here) >= 3:
            for k, end in here:
                t = ways[k].tags
                if CLASSES.index(t["highway"]) >= 3 and "junction" not in t and t["highway"] != "cycleway":
                    p = insert(ways[k], end, 8.0) if rng.random() < (0.9 if not in_place else 0.35) else None
                    if p is not None:
                        marks[key(p)] = {
                            "highway": "stop" if rng.random() < 0.3 else "give_way",
                            "direction": "backward" if end == 0 else "forward",
                        }
    for w in ways:
        if (
            w.place
            and w.tags["highway"] in ("residential", "tertiary")
            and w.length_m > 120
            and rng.random() < 0.08
        ):
            if (p := insert(w, 0, 0.5 * w.length_m)) is not None:
                marks[key(p)] = {"traffic_calming": str(rng.choice(["hump", "table", "bump"]))}
        elif (
            w.tags["highway"] == "unclassified"
            and w.length_m > 400
            and rng.random() < 0.3
            and (p := insert(w, 0, 0.45 * w.length_m)) is not None
        ):
            marks[key(p)] = {"highway": "passing_place"}
    return marks


def barriers(ways: list[Way], ground) -> Marks:
    """Gates and their kin."""
    rng = random("barriers")
    marks: Marks = {}
    for w in ways:
        c = w.tags["highway"]
        roll, end = rng.random(), int(rng.integers(0, 2))
        x, y = w.points[0]
        high = float(FINE.sample(ground.height_m, [x], [y])[0])
        kind: dict[str, str] | None = None
        offset = 14.0
        if c in ("track", "service") and w.length_m > 150 and roll < 0.22:
            kind = {"barrier": "gate"}
            if roll < 0.02:
                kind |= {"access": "private", "bicycle": "no"}
            elif roll < 0.08:
                kind |= {"bicycle": "yes"}
        elif c == "unclassified" and high > 140 and w.length_m > 300 and roll < 0.25:
            kind = {"barrier": "cattle_grid"}
        elif c == "cycleway" and w.length_m > 120 and roll < 0.5:
            kind = {"barrier": str(rng.choice(["cycle_barrier", "bollard"]))}
        elif c in ("footway", "pedestrian") and w.length_m > 30 and roll < 0.35:
            kind, offset = {"barrier": "bollard"}, 6.0
        elif c in ("path", "bridleway") and w.length_m > 150 and roll < 0.4:
            kind = (
                {"barrier": "stile", "bicycle": "no"}
                if roll < 0.16
                else {"barrier": "kissing_gate"}
                if roll < 0.24
                else {"barrier": "gate"}
            )
        if kind and (p := insert(w, end, offset)) is not None:
            marks[key(p)] = kind
    return marks


def restrictions(ways: list[Way], count: int = 8):
    """Turn bans: (from way, via point, to way, tags), at junctions of main roads."""
    rng = random("restrictions")
    out = []
    arms = _arms(ways)
    for e in sorted(arms, key=lambda e: (rng.random(), e)):
        here = arms[e]
        if len(here) not in (3, 4) or any("junction" in ways[k].tags for k, _ in here):
            continue
        top = [k for k, _ in here if ways[k].tags["highway"] in (*MAIN, "tertiary")]
        low = [k for k, _ in here if ways[k].tags["highway"] in ("residential", "unclassified")]
        if len(top) < 2 or not low or any(ways[k].tags.get("oneway") for k in (top[0], low[0])):
            continue
        a, b = (top[0], low[0]) if rng.random() < 0.5 else (low[0], top[0])
        turn = _turn(ways[a], ways[b], e)
        if abs(turn) < 50 or abs(turn) > 150:
            continue
        tags = {"type": "restriction", "restriction": "no_left_turn" if turn > 0 else "no_right_turn"}
        if len(out) % 2:
            tags["except"] = "bicycle"
        out.append((a, e, b, tags))
        if len(out) == count:
            break
    return out


def _turn(one, two, e):
    """Degrees turned (> 0: to the left) from one way into another through the point they share."""
    p = one.points if one.ends[1] == e else one.points[::-1]
    q = two.points if two.ends[0] == e else two.points[::-1]
    a, b = p[-1] - p[-2], q[1] - q[0]
    return float(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)))


def ferry(ways: list[Way], ground) -> list[Way]:
    """A ferry across the mouth of the inlet, from Hestermouth to the far point, a pier at either end."""
    ends = [
        (e, w)
        for w in ways
        for e in w.ends
        if w.tags["highway"] in ("residential", "unclassified", "secondary", "tertiary")
    ]
    sea = shapely.union_all(coast(ground))
    shore = sea.exterior if sea.geom_type == "Polygon" else max(sea.geoms, key=lambda g: g.area).exterior
    docks, piers = [], []
    for x, y in ((3_900, -7_500), (-500, -9_000)):
        e = min(ends, key=lambda t: (np.hypot(t[0][0] / 10 - x, t[0][1] / 10 - y), t[0]))[0]
        land = shapely.Point(e[0] / 10, e[1] / 10)
        edge = np.array(shore.interpolate(shore.project(land)).coords[0])
        out = edge - np.array(land.coords[0])
        dock = np.round(edge + 25 * out / np.hypot(*out), 1)
        docks.append(dock)
        pier = {"highway": "footway", "man_made": "pier", "bicycle": "yes", "surface": "wood"}
        piers.append(Way(np.array([np.array(land.coords[0]), dock]), pier, facts={"kind": "pier"}))
    line = np.array(
        [docks[0], (3_300, -8_600), (1_900, -9_850), (200, -10_050), (-900, -9_750), docks[1]], float
    )
    line = np.vstack([line[:1], paths.smooth(line, 3, 250.0)[1:-1], line[-1:]])
    tags = {
        "route": "ferry",
        "name": "Lode Ferry",
        "bicycle": "yes",
        "foot": "yes",
        "motor_vehicle": "no",
        "duration": "00:35",
        "highway": "ferry",
    }
    return [*piers, Way(np.round(line, 1), tags, facts={"kind": "ferry"})]


# --- beside the road --------------------------------------------------------------------------


def rivers(ground) -> list[tuple[shapely.LineString, str]]:
    """Streams (1.2 km2 of land above them) and rivers (7 km2), from source or confluence to the next."""
    area, receiver = ground.drained_m2.ravel(), ground.receiver
    wet = (area > 1.2e6) & ground.land.ravel()
    feeders = np.bincount(receiver[wet], minlength=area.size)
    out = []
    for at in np.flatnonzero(wet):
        if feeders[at] == 1 and receiver[at] != at:
            continue
        cells = [at]
        while True:
            to = receiver[cells[-1]]
            if to == cells[-1]:
                break
            cells.append(to)
            if not ground.land.ravel()[to] or feeders[to] != 1:
                break
        if len(cells) < 3:
            continue
        x, y = FINE.centre(np.array(cells) // FINE.columns, np.array(cells) % FINE.columns)
        line = np.column_stack([x, y]).astype(float)
        line[1:-1] = gaussian_filter1d(line, 2.5, axis=0, mode="nearest")[1:-1]
        line = paths.smooth(line, 2, 20.0)
        line = np.round(np.array(shapely.LineString(line).simplify(3.0).coords), 1)
        out.append((shapely.LineString(line), "river" if area[cells[len(cells) // 2]] > 7e6 else "stream"))
    return out


def woods(ground, ways, places):
    """Woods on the slopes: polygons in island metres, each with its tags."""
    x, y = FINE.mesh()
    slope = gaussian_filter(ground.slope, 3)
    field = noise(FINE, 1_100, 2.0, "woods") + 2.4 * np.clip(slope - 0.13, -0.15, 0.22) / 0.22
    field -= np.clip((ground.height_m - 330) / 90, 0, 4)
    for p in places:
        field -= 3 * np.exp(-((np.hypot(x - p.x_m, y - p.y_m) / (1.25 * p.radius_m + 150)) ** 4))
    clear = distance_transform_edt(ground.land & ~ground.lake) * FINE.step_m
    field = np.where(clear > 60, field, -3)
    rng = random("wood names")
    out = []
    for shape in polygons(gaussian_filter(field, 1.6), 0.95, 4e4, 7.0):
        tags = {"natural": "wood"} if rng.random() < 0.6 else {"landuse": "forest"}
        tags["leaf_type"] = str(rng.choice(["broadleaved", "needleleaved", "mixed"]))
        if shape.area > 6e5:
            tags["name"] = (
                f"{rng.choice(WOOD_STEMS)} {rng.choice(['Wood', 'Forest', 'Hanger', 'Plantation'])}"
            )
        out.append((shape, tags))
    return out


def heath(ground, woodland):
    """Heath on the high ground that is not wood: (polygon, tags)."""
    field = gaussian_filter((ground.height_m - 300) / 60 + 0.8 * noise(FINE, 900, 2.0, "heath"), 1.6)
    trees = shapely.union_all([shape for shape, _ in woodland])
    open_ = [shape.difference(trees).simplify(5.0) for shape in polygons(field, 0.6, 6e4, 8.0)]
    parts = [part for shape in open_ for part in getattr(shape, "geoms", [shape])]
    return [(part, {"natural": "heath"}) for part in parts if part.geom_type == "Polygon" and part.area > 3e4]


WOOD_STEMS = [
    "Cassock",
    "Hallow",
    "Grey",
    "Ruddy",
    "Owl",
    "Hindley",
    "Marl",
    "Sarrow",
    "Vesper",
    "Thistle",
    "Ember",
    "Carrow",
    "Pinnock",
    "Hollin",
    "Wether",
    "Brackwell",
    "Skerrow",
    "Ludden",
]


def built_land(ways, places):
    """Residential land round the streets, an industrial corner in each town, parks and greens."""
    out = []
    for p in places:
        own = [shapely.LineString(w.points) for w in ways if w.place == p.name]
        if not own:
            continue
        whole = shapely.union_all(own).buffer(75).buffer(-40).simplify(6.0)
        whole = max(getattr(whole, "geoms", [whole]), key=lambda g: g.area)
        whole = shapely.Polygon(whole.exterior)
        if p.kind == "town":
            side = shapely.Point(p.x_m - 0.75 * p.radius_m, p.y_m + 0.35 * p.radius_m).buffer(
                0.42 * p.radius_m
            )
            works = whole.intersection(side)
            whole = whole.difference(side)
            out.append((works, {"landuse": "industrial"}))
        out.append(
            (
                max(getattr(whole, "geoms", [whole]), key=lambda g: g.area),
                {"landuse": "residential", "name": p.name},
            )
        )
        blocks = sorted(
            shapely.polygonize(own).geoms, key=lambda b: shapely.Point(p.x_m, p.y_m).distance(b.centroid)
        )
        blocks = [b.buffer(-9).simplify(2.0) for b in blocks]
        blocks = [b for b in blocks if b.geom_type == "Polygon" and b.area > 1_500]
        if p.kind == "town":
            for n, b in enumerate(blocks[4:60:14]):
                out.append((b, {"leisure": "park", "name": f"{PARKS[n % len(PARKS)]}"}))
        elif blocks:
            out.append(
                (
                    blocks[0],
                    {"leisure": "village_green", "landuse": "village_green"}
                    if len(p.name) % 2
                    else {"landuse": "village_green"},
                )
            )
    return out


PARKS = ["Signal Gardens", "Admiral's Green", "Ropewalk Park", "Bowling Field"]


def stopping_places(ways, ground, places):
    """Lay-bys, viewpoints, picnic sites, bus stops, car parks and the like: (point, tags)."""
    rng = random("stops")
    out = []
    for w in ways:
        c = w.tags["highway"]
        if (
            c not in (*MAIN, "tertiary", "unclassified")
            or "junction" in w.tags
            or {"bridge", "tunnel"} & w.tags.keys()
        ):
            continue
        n = rng.poisson(
            w.length_m / {"trunk": 3e3, "primary": 2.5e3, "secondary": 1.1e3, "tertiary": 1.5e3}.get(c, 3.2e3)
        )
        for _ in range(n):
            at = float(rng.uniform(0.1, 0.9)) * w.length_m
            p = _beside(w, at, 9.0)
            high = float(FINE.sample(ground.height_m, [p[0]], [p[1]])[0])
            roll = rng.random()
            if w.place:
                tags = (
                    {"highway": "bus_stop", "name": w.tags.get("name", w.place)}
                    if roll < 0.7
                    else {"amenity": "bench"}
                )
            elif c in ("trunk", "primary"):
                tags = {"amenity": "parking", "parking": "layby"}
            elif roll < 0.45:
                tags = {"highway": "bus_stop"}
            elif roll < 0.62:
                tags = {"amenity": "parking", "parking": "layby" if rng.random() < 0.6 else "surface"}
            elif roll < 0.74:
                tags = {"tourism": "picnic_site"} if rng.random() < 0.7 else {"leisure": "picnic_table"}
            elif roll < 0.86 and high > 90:
                tags = {"tourism": "viewpoint"}
            elif roll < 0.90:
                tags = {"amenity": "shelter", "shelter_type": "public_transport"}
            else:
                tags = {"amenity": "drinking_water"}
            out.append((p, tags))
    for p in places:
        if p.kind == "town":
            for k in range(4):
                angle = rng.uniform(0, 6.28)
                at = np.array([p.x_m, p.y_m]) + 0.55 * p.radius_m * np.array([np.cos(angle), np.sin(angle)])
                out.append((np.round(at, 1), {"amenity": ["parking", "cafe", "toilets", "parking"][k]}))
        elif p.kind == "village":
            out.append(
                (
                    np.round([p.x_m + 31.3, p.y_m - 22.7], 1),
                    {"amenity": str(rng.choice(["pub", "cafe", "place_of_worship"]))},
                )
            )
    return out


def _beside(way, at, off):
    along = paths.lengths(way.points)
    k = min(max(int(np.searchsorted(along, at)), 1), len(along) - 1)
    t = (at - along[k - 1]) / (along[k] - along[k - 1])
    p = way.points[k - 1] + t * (way.points[k] - way.points[k - 1])
    d = way.points[k] - way.points[k - 1]
    right = np.array([d[1], -d[0]]) / np.hypot(*d)
    return np.round(p + off * right, 1)


def peaks(ground):
    """Tops that stand over the ground for 900 m about: (point, tags), highest first."""
    h = ground.height_m
    top = (h == maximum_filter(h, 61)) & (h > 60) & ~ground.lake
    out = []
    tops: list[tuple[int, int]] = []
    for r, c in sorted(zip(*np.nonzero(top)), key=lambda t: (-h[t], t)):
        if all(np.hypot(r - a, c - b) > 20 for a, b in tops):
            tops.append((r, c))
    for n, (r, c) in enumerate(tops[:26]):
        x, y = FINE.centre(r, c)
        tags = {"natural": "peak", "ele": f"{h[r, c]:.0f}"}
        if n < len(PEAKS):
            tags["name"] = PEAKS[n]
        out.append((np.round([x, y], 1), tags))
    return out


PEAKS = [
    "Great Cassock",
    "Sarrow Top",
    "Windle Scar",
    "Corbie Head",
    "The Anvil",
    "Long Scar",
    "Brackwell Beacon",
    "Hindle Fell",
    "Gannet Stone",
    "Marl Hill",
    "Wether Knoll",
    "Ravensk Tor",
    "Old Signal Hill",
    "Ludden Hill",
    "Thistle Top",
    "Pike of Ness",
    "Tolland Barrow",
    "Hob's Seat",
    "Carrow Down",
    "Lark Hill",
]


def place_nodes(places):
    """One node for each place: (point, tags)."""
    return [((p.x_m, p.y_m), {"place": p.kind, "name": p.name, "population": str(p.people)}) for p in places]


def coastlines(ground):
    """Closed lines with the land on their left."""
    out = []
    for shape in coast(ground):
        ring = shapely.geometry.polygon.orient(shapely.Polygon(shape.exterior), 1.0)
        out.append(np.round(np.array(ring.exterior.coords), 1))
    return out


# Masts: x, y and name
MASTS = [
    (5_205, 2_655, "Corbie Head mast"),
    (-6_600, 4_300, "Marl Hill mast"),
    (-6_075, -3_240, "Long Scar mast"),
    (8_130, -1_500, "Gannet Stone mast"),
]


def masts():
    """(point, tags)"""
    tags = {"man_made": "mast", "tower:type": "communication", "height": "24"}
    return [(np.array([x, y], float), dict(tags, name=name)) for x, y, name in MASTS]


def fords(ways, streams) -> Marks:
    """Fords where tracks cross streams: a point shared by both (put into the way and the stream)."""
    rng = random("fords")
    marks: Marks = {}
    for w in ways:
        if w.tags["highway"] != "track" or "bridge" in w.tags or rng.random() < 0.6:
            continue
        line = shapely.LineString(w.points)
        for n, (stream, kind) in enumerate(streams):
            hit = stream.intersection(line) if kind == "stream" else shapely.Point()
            if hit.geom_type != "Point" or hit.is_empty or not 20 < line.project(hit) < line.length - 20:
                continue
            point = insert(w, 0, float(line.project(hit)))
            bed = np.array(stream.coords)
            k = int(np.searchsorted(paths.lengths(bed), stream.project(hit)))
            streams[n] = (shapely.LineString(np.insert(bed, k, point, axis=0)), kind)
            marks[key(point)] = {"ford": "yes"}
            break
    return marks


def power_line():
    """A line of pylons from coast to coast: points."""
    corners = np.array(
        [(2_050, 5_600), (1_500, 3_300), (1_750, 900), (2_300, -2_300), (3_050, -5_000)], float
    )
    return np.round(paths.resample(corners, 320.0), 1)
