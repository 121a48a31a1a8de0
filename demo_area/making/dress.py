"""From bare streets to tagged ways: class, speed, surface, one-way, names, roundabouts, dual carriageway."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import pairwise

import networkx as nx
import numpy as np
import shapely

from . import bench, network, paths
from .frame import FINE, random
from .layout import COAST_ROAD, gabriel
from .names import LANE_ENDS, LANE_STEMS, STREET_ENDS, STREET_STEMS
from .network import Street, key

CLASSES = [
    "trunk",
    "primary",
    "secondary",
    "tertiary",
    "unclassified",
    "residential",
    "living_street",
    "cycleway",
    "service",
    "track",
    "bridleway",
    "path",
    "pedestrian",
    "footway",
    "steps",
    "ferry",
]
DIRECTED = {
    "oneway",
    "incline",
    "cycleway:left",
    "cycleway:right",
}  # tags that say something about a way's direction


@dataclass
class Way:
    """A piece of way with its OSM tags; points in island metres, in the direction of the way."""

    points: np.ndarray
    tags: dict[str, str]
    place: str = ""
    facts: dict = field(default_factory=dict)

    @property
    def ends(self):
        return key(self.points[0]), key(self.points[-1])

    @property
    def length_m(self):
        return float(paths.lengths(self.points)[-1])


def rank(kind: str) -> int:
    """Which of two kinds of line wins where they are the same road (the lower)."""
    order = [
        "fast",
        "bridge",
        "tunnel",
        "spur",
        "coast",
        "pass",
        "road",
        "lane",
        "railway",
        "street",
        "farm",
        "track",
    ]
    return order.index(kind)


def dress(streets: list[Street], ground, places) -> list[Way]:
    """Ways with all tags but those of names."""
    classes = _classes(streets, places)
    ways = [
        Way(s.points, {"highway": c}, s.facts.get("place", ""), dict(s.facts, kind=s.kind))
        for s, c in zip(streets, classes)
    ]
    _special(ways)
    _slopes(ways, streets, ground)
    _surfaces(ways, ground)
    _speeds(ways, places)
    _cycle_facilities(ways)
    return ways


# --- class ------------------------------------------------------------------------------------


def _classes(streets, places):
    """highway= of each street, main roads led through towns and villages by the quickest way."""
    start = {
        "fast": "trunk",
        "spur": "primary",
        "coast": "secondary",
        "pass": "tertiary",
        "road": "tertiary",
        "lane": "unclassified",
        "street": "residential",
        "farm": "unclassified",
        "track": "track",
        "railway": "cycleway",
        "bridge": "secondary",
        "tunnel": "trunk",
    }
    classes = [start[s.kind] for s in streets]
    for k, s in enumerate(streets):
        if s.kind == "tunnel" and s.facts.get("railway"):
            classes[k] = "cycleway"
    g = network.graph(streets)
    pace = {
        "fast": 0.5,
        "spur": 0.5,
        "coast": 0.6,
        "pass": 0.9,
        "road": 0.8,
        "lane": 1.2,
        "farm": 2.0,
        "track": 6,
        "railway": 30,
        "bridge": 0.6,
        "tunnel": 0.5,
    }
    for _, _, data in g.edges(data=True):
        s = streets[data["street"]]
        data["cost"] = s.length_m * pace.get(s.kind, 0.75 + 0.2 * min(s.facts.get("depth", 0), 6)) + 12
    nodes = sorted(g.nodes)
    where = np.array(nodes) / 10
    at = {p.name: nodes[np.hypot(*(where - (p.x_m, p.y_m)).T).argmin()] for p in places}
    for a, b, grade in _through_roads(places):
        way = nx.shortest_path(g, at[a], at[b], weight="cost")
        for u, v in pairwise(way):
            k = min(g[u][v].values(), key=lambda d: (d["cost"], d["street"]))["street"]
            if streets[k].kind != "railway" and CLASSES.index(grade) < CLASSES.index(classes[k]):
                classes[k] = "primary" if grade == "trunk" and streets[k].kind == "street" else grade
    degree = dict(g.degree())
    for k, s in enumerate(streets):
        if s.kind == "farm" and classes[k] == "unclassified" and min(degree[e] for e in s.ends) == 1:
            classes[k] = "service" if s.length_m < 500 else "track"
    return classes


def _through_roads(places):
    """Pairs of places that a road of a class joins: (from, to, class), the highest class first."""
    big = [p for p in places if p.kind != "hamlet"]
    towns = [p.name for p in big if p.kind == "town"]
    yield towns[0], towns[1], "trunk"
    for a, b in [*pairwise(COAST_ROAD), ("Inverlode", "Hestermouth")]:
        yield a, b, "secondary"
    for group, longest_m, grade in ((big, 9_000, "tertiary"), (places, 4_600, "unclassified")):
        for a, b in gabriel(np.array([(p.x_m, p.y_m) for p in group]), longest_m):
            yield group[a].name, group[b].name, grade


def _special(ways):
    rng = random("special")
    for w in ways:
        kind, t = w.facts["kind"], w.tags
        if kind == "bridge":
            t |= {"bridge": "yes", "layer": "1", "name": w.facts["name"]}
        elif kind == "tunnel":
            t |= {"tunnel": "yes", "layer": "-1", "name": w.facts["name"], "lit": "yes"}
            if w.facts.get("railway"):
                t |= {"bicycle": "designated", "foot": "yes"}
            else:
                t |= {"bicycle": "no", "foot": "no"}
        elif t["highway"] == "track":
            roll = rng.random()
            if roll < 0.08:
                w.tags = {"highway": "bridleway", "bicycle": "yes" if rng.random() < 0.7 else "no"}
            elif roll < 0.20:
                w.tags = {"highway": "path"}
                if rng.random() < 0.75:
                    w.tags["bicycle"] = str(
                        rng.choice(["yes", "designated", "permissive", "no"], p=[0.6, 0.15, 0.15, 0.1])
                    )
            elif roll < 0.25:
                w.tags["access"] = "private"
                if rng.random() < 0.5:
                    w.tags["bicycle"] = "permissive"
        elif t["highway"] == "service" and rng.random() < 0.25:
            t["access"] = "private"


def _slopes(ways, streets, ground):
    """Town streets too steep for a cart become steps, or footways; steep roads get an incline."""
    for w, s in zip(ways, streets):
        if s.kind in network.APART:
            continue
        grade, length = bench.grades(ground.height_m, s)
        steep = np.quantile(np.abs(grade), 0.8)
        if s.kind == "street" and w.tags["highway"] == "residential" and steep > 0.12:
            if w.length_m < 130:
                w.tags = {
                    "highway": "steps",
                    "step_count": str(int(w.length_m * steep / 0.17)),
                    "handrail": "yes",
                }
                if steep < 0.15:
                    w.tags["ramp:bicycle"] = "yes"
            else:
                w.tags = {"highway": "footway"}
        mean = float((grade * length).sum() / length.sum())
        if w.tags["highway"] in ("tertiary", "unclassified", "track") and abs(mean) > 0.08:
            w.tags["incline"] = f"{100 * mean:.0f}%"


# --- surface, speed, lanes, cycle lanes -------------------------------------------------------


def _surfaces(ways, ground):
    rng = random("surfaces")
    for w in ways:
        t, c = w.tags, w.tags["highway"]
        x, y = w.points.mean(axis=0)
        high = float(FINE.sample(ground.height_m, [x], [y])[0])
        if c in ("trunk", "primary", "secondary"):
            t["surface"] = "asphalt"
        elif c == "tertiary":
            t["surface"] = "asphalt" if rng.random() < 0.9 else "chipseal"
        elif c == "unclassified":
            kind = rng.choice(
                ["asphalt", "chipseal", "paved", "compacted", ""], p=[0.52, 0.16, 0.06, 0.08, 0.18]
            )
            if kind:
                t["surface"] = str(kind)
            if kind == "asphalt" and rng.random() < 0.15:
                t["smoothness"] = str(rng.choice(["bad", "intermediate"]))
            if rng.random() < 0.3:
                t["width"] = str(rng.choice(["2.5", "3", "3.5"]))
        elif c == "cycleway":
            t["surface"] = "asphalt" if x < 3_000 or "tunnel" in t else "fine_gravel"
        elif c in ("residential", "living_street", "service", "pedestrian"):
            roll = rng.random()
            t["surface"] = (
                "asphalt"
                if roll < 0.80
                else "sett"
                if roll < 0.88
                else "paving_stones"
                if roll < 0.94
                else "concrete"
            )
        elif c in ("track", "bridleway", "path"):
            wild = 0.35 * (high > 220) + rng.random()
            grade = 1 if wild < 0.12 else 2 if wild < 0.45 else 3 if wild < 0.78 else 4 if wild < 1.08 else 5
            if c == "track":
                t["tracktype"] = f"grade{grade}"
            surface = {1: "concrete", 2: "gravel", 3: "compacted", 4: "ground", 5: "grass"}[grade]
            if rng.random() < 0.75:
                t["surface"] = surface
            if grade >= 4 and rng.random() < 0.3:
                t["smoothness"] = str(rng.choice(["very_bad", "horrible"], p=[0.8, 0.2]))
            if c == "path" and rng.random() < 0.4:
                t["mtb:scale"] = str(int(rng.integers(0, 4)))


def _speeds(ways, places):
    for w in ways:
        t, c = w.tags, w.tags["highway"]
        x, y = w.points[len(w.points) // 2]
        built_up = any(np.hypot(x - p.x_m, y - p.y_m) < p.radius_m * 1.12 for p in places)
        if c == "trunk":
            t |= {"maxspeed": "90", "ref": "A1", "lanes": "2"}
        elif c == "primary":
            t |= {"maxspeed": "50" if built_up else "80", "ref": "A2" if not built_up else "A1", "lanes": "2"}
        elif c == "secondary":
            t |= {"maxspeed": "50" if built_up else "80", "ref": "B1", "lanes": "2"}
        elif c == "tertiary":
            t["maxspeed"] = "50" if built_up else "60"
        elif c == "unclassified":
            t["maxspeed"] = "30" if built_up else "50"
        elif c == "residential":
            t["maxspeed"] = "30"


def _cycle_facilities(ways):
    rng = random("cycle lanes")
    for w in ways:
        t = w.tags
        if t["highway"] in ("primary", "secondary", "tertiary") and "bridge" not in t:
            roll = rng.random()
            if w.place and roll < 0.25:
                t["cycleway:both"] = "lane"
            elif not w.place and roll < 0.10:
                t["shoulder"] = "both"
            elif not w.place and t["highway"] == "secondary" and roll < 0.15:
                t["cycleway:right"] = "track"
        if t.get("bridge") == "yes":
            t["cycleway:both"] = "lane"


# --- town life --------------------------------------------------------------------------------


def town_streets(ways: list[Way], places) -> None:
    """One-way streets, pedestrian streets, passages, living streets: in place, the network kept rideable."""
    rng = random("town streets")
    at = {p.name: p for p in places}
    for w in ways:
        t = w.tags
        if t["highway"] not in ("residential", "tertiary") or w.facts["kind"] != "street" or not w.place:
            continue
        p = at[w.place]
        far = np.hypot(*(w.points.mean(axis=0) - (p.x_m, p.y_m))) / max(p.radius_m, 1)
        if p.kind != "town":
            if t["highway"] == "residential" and rng.random() < 0.10:
                w.tags = {"highway": "living_street", "surface": t.get("surface", "asphalt")}
            continue
        roll = rng.random()
        if t["highway"] == "residential" and far < 0.20 and roll < 0.25 and w.facts.get("depth", 0) >= 5:
            w.tags = {"highway": "pedestrian", "surface": "paving_stones"}
            if rng.random() < 0.7:
                w.tags["bicycle"] = str(rng.choice(["yes", "dismount"]))
        elif t["highway"] == "residential" and w.length_m < 95 and 0.25 < roll < 0.27:
            w.tags = {"highway": "footway", "surface": "paved", "bicycle": "dismount", "covered": "yes"}
            w.facts["passage"] = True
        elif t["highway"] == "residential" and 0.27 < roll < 0.30:
            w.tags = {"highway": "footway", "surface": "asphalt", "bicycle": "yes"}
        elif t["highway"] == "residential" and 0.30 < roll < 0.32:
            w.tags = {"highway": "cycleway", "surface": "asphalt", "segregated": "no", "foot": "designated"}
        elif far < 0.75 and 0.32 < roll < 0.58:
            t["oneway"] = "yes"
            if rng.random() < 0.5:
                w.points = w.points[::-1]
            contra = rng.random()
            if contra < 0.40:
                t["oneway:bicycle"] = "no"
            elif contra < 0.52:
                t |= {"cycleway:left": "lane", "cycleway:left:oneway": "-1", "oneway:bicycle": "no"}
            elif contra < 0.60:
                t["cycleway"] = "opposite_lane"
        elif t["highway"] == "residential" and 0.58 < roll < 0.62:
            w.tags = {"highway": "living_street", "surface": t.get("surface", "asphalt")}
    _reachable(ways)


def _reachable(ways):
    """One-way rules taken off where they would cut a place off for a rider."""
    while True:
        g = nx.DiGraph()
        for w in ways:
            if not may_ride(w.tags):
                continue
            u, v = w.ends
            g.add_edge(u, v)
            if not one_way(w.tags):
                g.add_edge(v, u)
        core = max(nx.strongly_connected_components(g), key=lambda c: (len(c), min(c)))
        bad = [
            w
            for w in ways
            if one_way(w.tags)
            and may_ride(w.tags)
            and not (w.ends[0] in core and w.ends[1] in core)
            and "junction" not in w.tags
            and not w.facts.get("dual")
        ]
        if not bad:
            return
        for w in bad:
            w.tags["oneway:bicycle"] = "no"


def may_ride(tags) -> bool:
    """Whether a bicycle may be ridden or pushed there (as this script understands its own tags)."""
    if tags.get("bicycle") in ("yes", "designated", "permissive", "dismount"):
        return True
    if tags.get("bicycle") == "no" or tags.get("access") in ("private", "no"):
        return False
    return tags.get("highway") not in ("footway", "steps", "pedestrian", "bridleway", "path", None)


def one_way(tags) -> bool:
    """Whether that holds in one direction only."""
    if tags.get("oneway") != "yes" and tags.get("junction") != "roundabout":
        return False
    return tags.get("oneway:bicycle") != "no" and not tags.get("cycleway", "").startswith("opposite")


# --- roundabouts and dual carriageway ---------------------------------------------------------


def roundabouts(ways: list[Way], places, count: int = 9) -> list[Way]:
    """The busiest junctions (700 m apart) turned into rings of 17 m radius, driven counter-clockwise."""
    at = defaultdict(list)
    for k, w in enumerate(ways):
        for e in w.ends:
            at[e].append(k)
    weight = {"trunk": 5, "primary": 4, "secondary": 3, "tertiary": 1.6}
    scores = []
    for e, ks in at.items():
        if not 3 <= len(ks) <= 5 or any(ways[k].tags.get(t) for k in ks for t in ("bridge", "tunnel")):
            continue
        if any(ways[k].length_m < 45 or ways[k].ends[0] == ways[k].ends[1] for k in ks):
            continue
        if sum(CLASSES.index(ways[k].tags["highway"]) <= CLASSES.index("tertiary") for k in ks) < 3:
            continue
        score = sum(weight.get(ways[k].tags["highway"], 0) for k in ks)
        scores.append((-score, e))
    chosen: list = []
    for score, e in sorted(scores):
        if score > -6 or len(chosen) == count:
            break
        if all(np.hypot(e[0] - c[0], e[1] - c[1]) > 7_000 for c in chosen):
            chosen.append(e)
    out = list(ways)
    for e in chosen:
        out += _ring(out, [k for k, w in enumerate(out) if e in w.ends], np.array(e) / 10)
    return out


def _ring(ways, arms, centre, radius=17.0):
    """Cut the arms back to a ring; returns the ring's ways (one)."""
    best = min((CLASSES.index(ways[k].tags["highway"]), k) for k in arms)[1]
    angles = []
    for k in arms:
        w = ways[k]
        p = w.points if key(w.points[0]) == key(centre) else w.points[::-1]
        rest = shapely.LineString(p).difference(shapely.Point(centre).buffer(radius, 32))
        rest = np.array(max(getattr(rest, "geoms", [rest]), key=lambda g: g.length).coords)
        angle = np.arctan2(*(rest[0] - centre)[::-1])
        while any(abs(np.angle(np.exp(1j * (angle - a)))) < 0.35 for a in angles):
            angle += 0.35
        angles.append(angle)
        rest[0] = np.round(centre + radius * np.array([np.cos(angle), np.sin(angle)]), 1)
        w.points = rest if key(w.points[0]) == key(centre) else rest[::-1]
    every = list(angles) + [
        a
        for a in np.arange(0, 2 * np.pi, np.pi / 6)
        if min(abs(np.angle(np.exp(1j * (a - b)))) for b in angles) > 0.25
    ]
    every = sorted(a % (2 * np.pi) for a in every)
    ring = np.round(centre + radius * np.column_stack([np.cos(every), np.sin(every)]), 1)
    tags = {t: ways[best].tags[t] for t in ("highway", "surface", "ref") if t in ways[best].tags}
    tags |= {"junction": "roundabout", "maxspeed": "40", "lanes": "1"}
    return [Way(np.vstack([ring, ring[:1]]), tags, ways[best].place, {"kind": "ring"})]


def dual(ways: list[Way]) -> list[Way]:
    """The longest trunk piece between two junctions as a dual carriageway 15 m apart."""
    trunk = [
        w
        for w in ways
        if w.tags["highway"] == "trunk" and "tunnel" not in w.tags and "junction" not in w.tags
    ]
    whole = max(trunk, key=lambda w: w.length_m)
    dense = paths.resample(whole.points, 20.0)
    step = np.gradient(dense, axis=0)
    right = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(*step.T)[:, None]
    d = np.minimum(np.arange(len(dense)), np.arange(len(dense))[::-1]) * 20.0
    offset = 7.5 * np.clip(d / 60, 0, 1)[:, None] * right
    tags = dict(whole.tags, oneway="yes", lanes="2", maxspeed="90")
    there, back = np.round(dense + offset, 1), np.round((dense - offset)[::-1], 1)
    return [w for w in ways if w is not whole] + [
        Way(there, dict(tags), facts=dict(whole.facts, dual=True)),
        Way(back, dict(tags), facts=dict(whole.facts, dual=True)),
    ]


# --- names ------------------------------------------------------------------------------------


def give_names(ways: list[Way], places) -> None:
    """Names along strokes: the straightest way on through each junction keeps its name."""
    rng = random("names")
    used: set[str] = set()
    groups = {
        "street": ("residential", "living_street", "pedestrian", "primary", "secondary", "tertiary"),
        "country": ("tertiary", "unclassified", "secondary"),
        "track": ("track",),
    }
    for w in ways:
        if w.facts["kind"] in ("railway", "tunnel") and w.tags["highway"] == "cycleway":
            w.tags.setdefault("name", "Old Larkhaven Line")
        if w.tags["highway"] == "trunk" and "name" not in w.tags:
            w.tags["name"] = "Cross Island Road"
    for group, classes in groups.items():
        members = [
            k
            for k, w in enumerate(ways)
            if w.tags["highway"] in classes
            and "name" not in w.tags
            and "junction" not in w.tags
            and (bool(w.place) == (group == "street"))
        ]
        for stroke in _strokes(ways, members):
            length = sum(ways[k].length_m for k in stroke)
            if group == "track" and (length < 900 or rng.random() < 0.6):
                continue
            if group == "country" and length < 250:
                continue
            name = _name(group, ways[stroke[0]], places, rng, used)
            for k in stroke:
                ways[k].tags["name"] = name


def _name(group, way, places, rng, used):
    for _ in range(60):
        if group == "street":
            name = f"{rng.choice(STREET_STEMS)} {rng.choice(STREET_ENDS)}"
            mark = f"{way.place}: {name}"
        elif way.tags["highway"] in ("secondary", "tertiary"):
            x, y = way.points[len(way.points) // 2]
            near = sorted((np.hypot(p.x_m - x, p.y_m - y), p.name) for p in places if p.kind != "hamlet")[:3]
            name = f"{near[int(rng.integers(0, 2))][1]} Road"
            mark = name if rng.random() < 0.7 else name + str(rng.random())
        else:
            if rng.random() < 0.3:
                x, y = way.points[len(way.points) // 2]
                stem = min((np.hypot(p.x_m - x, p.y_m - y), p.name) for p in places)[1]
            else:
                stem = str(rng.choice(LANE_STEMS))
            name = (
                f"{stem} {rng.choice(LANE_ENDS if group == 'country' else ['Track', 'Drove', 'Way', 'Ride'])}"
            )
            mark = name
        if mark not in used:
            used.add(mark)
            return name
    return name


def _strokes(ways, members):
    """Chains of ways that go straightest through junctions, longest total first."""
    at = defaultdict(list)
    for k in members:
        for end, e in enumerate(ways[k].ends):
            at[e].append((k, end))
    partner = {}
    for e in sorted(at):
        here = at[e]
        options = []
        for i, (a, ea) in enumerate(here):
            for b, eb in here[i + 1 :]:
                if a == b:
                    continue
                turn = abs(
                    np.pi - abs(np.angle(np.exp(1j * (_heading(ways[a], ea) - _heading(ways[b], eb)))))
                )
                if turn < np.radians(50):
                    options.append((turn, a, ea, b, eb))
        taken = set()
        for _, a, ea, b, eb in sorted(options):
            if (a, ea) not in taken and (b, eb) not in taken:
                taken |= {(a, ea), (b, eb)}
                partner[a, ea], partner[b, eb] = (b, eb), (a, ea)
    left, strokes = set(members), []
    for k in members:
        if k not in left:
            continue
        chain = [k]
        left.discard(k)
        for end in (0, 1):
            now = (k, end)
            while now in partner and partner[now][0] in left:
                nxt, came = partner[now]
                left.discard(nxt)
                chain = [*chain, nxt] if end else [nxt, *chain]
                now = (nxt, 1 - came)
        strokes.append(chain)
    return sorted(strokes, key=lambda c: (-sum(ways[k].length_m for k in c), c))


def _heading(way, end):
    p = way.points if end == 0 else way.points[::-1]
    q = p[min(len(p) - 1, 2)] - p[0]
    return np.arctan2(q[1], q[0])


# --- longer ways ------------------------------------------------------------------------------


def merged(ways: list[Way], keep_split: set) -> list[Way]:
    """Ways of equal tags that follow one another made one OSM way, as mappers do; not at `keep_split`."""
    at = defaultdict(list)
    for k, w in enumerate(ways):
        at[w.ends[0]].append((k, 0))
        at[w.ends[1]].append((k, 1))
    alive: list[Way | None] = list(ways)
    where = list(range(len(ways)))

    def now(k):
        while where[k] != k:
            k = where[k]
        return k

    for e in sorted(at):
        if e in keep_split:
            continue
        options = []
        ends = [(now(k), end) for k, end in at[e]]
        for i, (a, _) in enumerate(ends):
            for b, _ in ends[i + 1 :]:
                if (
                    a == b
                    or alive[a].tags != alive[b].tags
                    or "name" not in alive[a].tags
                    or "junction" in alive[a].tags
                ):
                    continue
                one, two = alive[a], alive[b]
                if e not in one.ends or e not in two.ends or len(one.points) + len(two.points) > 400:
                    continue
                fixed = bool(DIRECTED & one.tags.keys())
                ea, eb = (1 if one.ends[1] == e else 0), (1 if two.ends[1] == e else 0)
                if fixed and ea == eb:
                    continue
                if (
                    one.ends[1 - ea] == two.ends[1 - eb]
                    or one.ends[0] == one.ends[1]
                    or two.ends[0] == two.ends[1]
                ):
                    continue
                turn = abs(np.pi - abs(np.angle(np.exp(1j * (_heading(one, ea) - _heading(two, eb))))))
                options.append((turn, a, b))
        if not options:
            continue
        _, a, b = min(options)
        one, two = alive[a], alive[b]
        if one.ends[1] != e and (two.ends[1] == e):
            one, two = two, one
        p = one.points if one.ends[1] == e else one.points[::-1]
        q = two.points if two.ends[0] == e else two.points[::-1]
        alive[a] = Way(np.vstack([p, q[1:]]), dict(one.tags), one.place, one.facts)
        alive[b] = None
        where[b] = a
    return [w for w in alive if w is not None]
