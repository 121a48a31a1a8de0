"""An invented plan: five loops round two stations on an invented island, a net, relief. Deterministic, nothing planned.

`sample_plan()` is drawn from formulas: loops are smooth closed curves, heights come from a few hills, the chance of
contact from sight over those hills. It looks like a plan and is internally consistent; it is not a prediction.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
from scipy.special import ndtr

from routeplan.geo import Projection
from routeplan.plan.value import (
    Assumption,
    Background,
    Bound,
    CallingPlace,
    Landmark,
    Plan,
    PlannedNet,
    PlannedStation,
    Route,
    Samples,
    StationSamples,
    Stretch,
    WayHome,
)
from routeplan.plan.words import headline

ZONE = ZoneInfo("Atlantic/Azores")
PROJECTION = Projection(38.2, -33.1)  # open ocean
HOME = (-2600.0, -2200.0)
DEPARTS = datetime(2026, 6, 11, 18, 55, tzinfo=ZONE)
NET = (datetime(2026, 6, 11, 19, 30, tzinfo=ZONE), datetime(2026, 6, 11, 20, 30, tzinfo=ZONE))
HILLS = [  # x, y, height [m], width east, width north [m]
    (2500, 2400, 420, 2600, 1100),
    (-1500, 3400, 260, 1700, 1500),
    (5200, -1800, 180, 1500, 1500),
    (-5200, 600, 210, 1300, 2200),
    (800, -900, 150, 2400, 500),
]


def ground(x, y):
    """Invented height above sea [m]; below zero is sea."""
    island = 60 - 75 * (np.hypot(np.asarray(x) / 8600, np.asarray(y) / 6000)) ** 6
    for east, north, height, wide, tall in HILLS:
        island = island + height * np.exp(-(((x - east) / wide) ** 2) - ((y - north) / tall) ** 2)
    return island + 8 * np.sin(x / 310.0) * np.cos(y / 270.0) + 4 * np.sin(x / 120.0 + y / 90.0)


STATIONS = [("Fennick Hill", "F", 2500.0, 2400.0, 12.0), ("Port Ansel", "P", -3300.0, -3000.0, 15.0)]


def sight_chance(x, y, east, north, height, shift_db):
    """Chance of contact from the deepest obstacle between a place and a station, and from distance."""
    part = np.linspace(0, 1, 60)
    xs = x[:, None] + (east - x[:, None]) * part
    ys = y[:, None] + (north - y[:, None]) * part
    ends = ground(x, y) + 1.5, ground(east, north) + height
    line = ends[0][:, None] + (ends[1] - ends[0][:, None]) * part
    block = np.max((np.maximum(ground(xs, ys), 0) - line)[:, 1:-1], axis=1)
    distance_km = np.hypot(x - east, y - north) / 1000
    margin = 24 - 1.9 * distance_km - 0.5 * np.maximum(block + 14, 0) + shift_db
    return margin, ndtr(margin / 9.0)


def loop_points(size_x, size_y, turn, wiggle, lobes, centre):
    """A closed smooth curve through HOME."""
    angle = np.linspace(0, 2 * np.pi, 2400)
    radius = 1 + wiggle * np.sin(lobes * angle + turn) + 0.5 * wiggle * np.sin((2 * lobes + 1) * angle)
    x, y = size_x * radius * np.cos(angle), size_y * radius * np.sin(angle)
    x, y = x + centre[0], y + centre[1]
    first = int(np.argmin(np.hypot(x - HOME[0], y - HOME[1])))
    x, y = np.roll(x[:-1], -first), np.roll(y[:-1], -first)
    fade = np.exp(-np.minimum(np.arange(len(x)), len(x) - np.arange(len(x))) / 150)
    x, y = x + (HOME[0] - x[0]) * fade, y + (HOME[1] - y[0]) * fade
    x, y = np.append(x, x[0]), np.append(y, y[0])
    return x, y


def runs(mask):
    """First and past-last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2], edges[1::2]))


def make_route(letter, why, shape, spur=False, departs=DEPARTS, no_data=False, net=True):
    x, y = loop_points(*shape)
    if spur:  # an out-and-back of 900 m up a dead-end valley
        at = 900
        out = np.linspace(0, 1, 40)[:, None] * np.array([[450.0, 780.0]]) + np.array([x[at], y[at]])
        there = np.concatenate([out, out[::-1]])
        x, y = np.insert(x, at + 1, there[:, 0]), np.insert(y, at + 1, there[:, 1])
    z = np.maximum(ground(x, y), 2.0)
    step = np.hypot(np.diff(x), np.diff(y))
    along = np.concatenate([[0], np.cumsum(step)])
    even = np.arange(0, along[-1], 45.0)
    even = np.append(even, along[-1])
    x, y, z = (np.interp(even, along, column) for column in (x, y, z))
    rise = np.diff(z)
    grade = rise / np.maximum(np.diff(even), 1)
    speed = np.clip(5.6 - 32 * grade, 1.4, 9.0)
    time_s = np.concatenate([[0], np.cumsum(np.diff(even) / speed)])
    latitude, longitude = PROJECTION.to_latlon(x, y)
    stations = {}
    for name, _, east, north, height in STATIONS:
        to, chance_to = sight_chance(x, y, east, north, height, SHIFT_DB[letter])
        back, chance_from = sight_chance(x, y, east, north, height, SHIFT_DB[letter] + 4.0)
        columns = [to, back, chance_to, chance_from, np.minimum(chance_to, chance_from)]
        if no_data:
            hole = (even > 9000) & (even < 10200)
            columns = [np.where(hole, np.nan, column) for column in columns]
        stations[name] = StationSamples(*columns)
    f, p = (station.chance for station in stations.values())
    chance = 1 - (1 - f) * (1 - p)
    walking = np.concatenate([[False], grade > 0.115])
    apart = np.hypot(x[:, None] - x, y[:, None] - y)
    repeated = ((apart < 25) & (even[:, None] - even > 100)).any(axis=1) & (even < even[-1] - 100)
    samples = Samples(even, time_s, x, y, latitude, longitude, z, chance, walking, repeated, stations)

    def at(first, last, label="", note=""):
        return Stretch(even[first], even[last], time_s[first], time_s[last], label, note)

    dead = [run for run in runs(chance < 0.5) if even[run[1] - 1] - even[run[0]] > 60]
    last = len(even) - 1
    dead = tuple(
        at(a, min(b, last), "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[i % 26], "below Fennick Hill") for i, (a, b) in enumerate(dead)
    )
    rng = np.random.default_rng(ord(letter))
    begins = np.sort(rng.uniform(300, even[-1] - 500, 9))
    quiet = tuple(
        Stretch(b, b + w, float(np.interp(b, even, time_s)), float(np.interp(b + w, even, time_s)), "", note)
        for b, w, note in zip(
            begins, rng.uniform(60, 420, 9), ["junction with a larger road", "steep descent", "roundabout"] * 3
        )
    )
    good = chance >= 0.9
    for zone in quiet:
        good &= ~((even >= zone.begin_m) & (even <= zone.end_m))
    overs = [run for run in runs(good) if time_s[run[1] - 1] - time_s[run[0]] >= 60]
    overs = tuple(at(a, b - 1, str(i + 1), "") for i, (a, b) in enumerate(overs))
    spent = np.diff(time_s)
    mid = (chance[1:] + chance[:-1]) / 2
    known = np.isfinite(mid)
    net_s = (NET[1] - NET[0]).total_seconds() if net else 0.0
    begin_s = (NET[0].astimezone(UTC) - departs.astimezone(UTC)).total_seconds()
    inside = (time_s[1:] > begin_s) & (time_s[1:] <= begin_s + 3600)
    ridden = float(spent[inside].sum()) if net else 0.0
    if net:
        share = float(np.sum((spent * mid)[inside & known]) / net_s)
    else:
        share = float(np.sum((spent * mid)[known]) / spent[known].sum())
    effort = EFFORT_KJ[letter]
    climb = float(rise.clip(0).sum())
    places = tuple(
        CallingPlace(
            name,
            kind,
            m,
            float(np.interp(m, even, time_s)),
            *PROJECTION.to_latlon(float(np.interp(m, even, x)), float(np.interp(m, even, y))),
            float(np.interp(m, even, chance)),
            best,
        )
        for name, kind, m, best in [
            ("Quern Gate", "gate", 0.18 * even[-1], "Fennick Hill"),
            ("Ansel View", "viewpoint", 0.41 * even[-1], "Fennick Hill"),
            ("Lay-by on the Coast Road", "lay-by", 0.63 * even[-1], "Port Ansel"),
            ("Tarn Green", "green", 0.86 * even[-1], "Port Ansel"),
        ]
    )
    names = [
        ("Port Ansel", "town"),
        ("Lower Quern", "hamlet"),
        ("Quern", "village"),
        ("Fennick Pass", "pass"),
        ("Ostrey", "village"),
        ("Brae Tarn", "hamlet"),
        ("Saltwick", "village"),
        ("Ness", "hamlet"),
        ("Port Ansel", "town"),
    ]
    marks = np.linspace(0, 1, len(names)) * even[-1]
    landmarks = tuple(Landmark(n, k, m, float(np.interp(m, even, time_s))) for (n, k), m in zip(names, marks))
    cuts = np.linspace(0, last, 8).astype(int)
    roads = ["Harbour Street", "Quern Lane", "B7", "Fennick Road", "Old Drove", "Coast Road", "Ansel Road"]
    road_names = tuple(at(a, b, name) for a, b, name in zip(cuts[:-1], cuts[1:], roads))
    ways_home = tuple(
        WayHome(m, float(np.interp(m, even, time_s)), 4200.0 + 900 * i, 1000.0 + 190 * i, text)
        for i, (m, text) in enumerate(
            [
                (0.28 * even[-1], "left on B7 to Port Ansel"),
                (0.5 * even[-1], "Old Drove, then Harbour Street"),
                (0.74 * even[-1], "straight on along Coast Road"),
            ]
        )
    )
    sunset = datetime(2026, 6, 11, 20, 41, tzinfo=ZONE)
    sunset_s = (sunset - departs).total_seconds()
    sunset_s = sunset_s if 0 < sunset_s < time_s[-1] else None
    route = Route(
        id=letter,
        why=why,
        headline="",
        departs=departs,
        length_m=float(even[-1]),
        ride_time_s=float(time_s[-1]),
        ride_time_range_s=(float(time_s[-1]) * 0.93, float(time_s[-1]) * 1.12),
        effort_kj=effort,
        climb_m=climb,
        climb_uncertainty_m=0.06 * climb,
        hard_s=412.0,
        walked_s=float(spent[walking[1:]].sum()),
        turns_per_km=1.2,
        contact_share=share,
        contact_share_range=(share * 0.84, min(1.0, share * 1.09)),
        contact_s=float(np.sum((spent * mid)[known])),
        in_contact_s=float(spent[mid >= 0.9].sum()),
        usable_contact_s=sum(o.end_s - o.begin_s for o in overs),
        dead_s=float(spent[mid < 0.5].sum()),
        longest_dead_s=max((d.end_s - d.begin_s for d in dead), default=0.0),
        net_s=net_s,
        net_ridden_s=ridden,
        late_contact_share=((15.0, share * 0.93), (30.0, share * 0.8)),
        chance_sentence="8 chances in 10 of at least 40 of the 60 minutes" if net else "",
        repeated_m=1800.0 if spur else 0.0,
        nearby_m=140.0,
        stress_km=2.3,
        battery_share=0.41,
        unknown_m=1200.0 if no_data else 0.0,
        samples=samples,
        overs=overs,
        dead_stretches=dead,
        quiet_zones=quiet,
        calling_places=places,
        landmarks=landmarks,
        road_names=road_names,
        lights_from_s=None if sunset_s is None else sunset_s + 900,
        sunset_s=sunset_s,
        warnings=("1.2 km of this ride have no elevation data.",) if no_data else (),
        ways_home=ways_home,
        food_kcal=effort / 0.2 / 4.184,
        quiet_m=2350.0,
        net_overs=tuple((o.label, o.end_s - o.begin_s) for o in overs[:2]) if net else (),
    )
    return replace(route, headline=headline(route))


SHAPES = {
    "A": (4900, 2800, 0.3, 0.16, 3, (900, -900)),
    "B": (5100, 3500, 1.9, 0.13, 3, (1200, -300)),
    "C": (5300, 3600, 0.9, 0.17, 2, (1500, 250)),
    "D": (4400, 3500, 2.6, 0.12, 4, (1700, 700)),
    "E": (5300, 4000, 4.0, 0.10, 3, (1600, 700)),
}
EFFORT_KJ = {"A": 721.4, "B": 779.6, "C": 850.2, "D": 931.0, "E": 1043.9}
SHIFT_DB = {"A": -5.0, "B": -1.0, "C": 7.0, "D": 7.5, "E": 9.0}  # makes the invented choices a trade-off
WHY = {
    "A": "The least effort that fills the length; half the net is in the lee of Fennick Hill.",
    "B": "A little more effort than A: it leaves the valley before the net begins.",
    "C": "Over Fennick Pass while the net runs.",
    "D": "Stays on the north side; a short out-and-back at Brae Tarn.",
    "E": "The most contact that a loop of this length was found to give, and the most climbing.",
}


def make_background(chance=True):
    step = 60.0
    x = np.arange(-8400, 8401, step)
    y = np.arange(6000, -6001, -step)
    grid_x, grid_y = np.meshgrid(x, y)
    height = ground(grid_x, grid_y)
    sea = height < 0
    woods = (np.sin(grid_x / 900.0 + 1) * np.cos(grid_y / 700.0) > 0.45) & ~sea
    town = np.hypot(grid_x - HOME[0], grid_y - HOME[1]) < 700
    cover = np.where(town & ~sea, 10.0, np.where(woods, 15.0, 0.0)).astype(np.float32)
    lines, classes = [], []
    rng = np.random.default_rng(5)
    for _ in range(260):
        a = rng.uniform([-7000, -4700], [7000, 4700])
        heading, length = rng.uniform(0, 2 * np.pi), rng.uniform(500, 3500)
        t = np.linspace(0, length, 25)
        bend = heading + rng.normal(0, 0.4) * t / length + 0.3 * np.sin(t / 400)
        line = a + np.stack([np.cumsum(np.cos(bend)), np.cumsum(np.sin(bend))], axis=1) * (length / 25)
        line = line[ground(line[:, 0], line[:, 1]) > 3]
        if len(line) > 3:
            lines.append(line)
            classes.append(int(rng.choice([0, 0, 0, 0, 1, 1, 2])))
    for shape in SHAPES.values():
        lines.append(np.stack(loop_points(*shape), axis=1)[::8])
        classes.append(1)
    rule = None
    if chance:
        coarse_x, coarse_y = grid_x[::4, ::4].ravel(), grid_y[::4, ::4].ravel()
        each = [sight_chance(coarse_x, coarse_y, e, n, h, 0.0)[1] for _, _, e, n, h in STATIONS]
        rule = (1 - (1 - each[0]) * (1 - each[1])).reshape(grid_x[::4, ::4].shape)
    names = (
        ("Port Ansel", "town", -2600.0, -2200.0),
        ("Quern", "village", 400.0, -2700.0),
        ("Ostrey", "village", 5600.0, 400.0),
        ("Saltwick", "village", -300.0, 3900.0),
        ("Fennick Hill", "peak", 2500.0, 2400.0),
        ("Ness", "hamlet", -4200.0, 900.0),
    )
    return Background(
        height.astype(np.float32),
        cover,
        sea,
        float(x[0]),
        float(y[0]),
        step,
        tuple(lines),
        np.array(classes),
        rule,
        names,
    )


@cache
def sample_plan(letters="ABCDE", net=True, no_data=False, private=False) -> Plan:
    """The invented plan with those of the five routes; `private` gives stations and nets Q call signs."""
    stations = []
    for i, (name, letter, east, north, height) in enumerate(STATIONS):
        latitude, longitude = PROJECTION.to_latlon(east, north)
        stations.append(
            PlannedStation(
                name,
                letter,
                latitude,
                longitude,
                east,
                north,
                f"vertical on the chimney, {height:.0f} m, 5 W",
                145.450,
                False,
                *((144.85, "tone 77.0 Hz") if i == 0 else (None, "")),
            )
        )
    routes = tuple(
        make_route(
            letter,
            WHY[letter],
            SHAPES[letter],
            spur=letter == "D",
            no_data=no_data and letter == "B",
            departs=DEPARTS + timedelta(minutes=3 * i),
            net=net,
        )
        for i, letter in enumerate(letters)
    )
    latitude, longitude = PROJECTION.to_latlon(*HOME)
    if private:
        rename = {"Fennick Hill": "Q1ABC", "Port Ansel": "Q9XYZ/P"}
        stations = [replace(s, name=rename[s.name]) for s in stations]
        routes = tuple(
            replace(
                r,
                samples=replace(r.samples, stations={rename[k]: v for k, v in r.samples.stations.items()}),
                calling_places=tuple(replace(c, best_station=rename[c.best_station]) for c in r.calling_places),
            )
            for r in routes
        )
    names = [station.name for station in stations]
    assumptions = (
        Assumption("start.position", (latitude, longitude), "ride file"),
        Assumption("start.locator", "HM38kd", "ride file"),
        Assumption("ride.length_km", 32.0, "ride file"),
        Assumption("ride.tolerance", 0.05, "default: judgement"),
        Assumption("rider.power_w", 110.0, "default: a practised rider all day (judgement)", True),
        Assumption("rider.mass_kg", 75.0, "ride file"),
        Assumption("set.transmit_w", 5.0, "ride file"),
        Assumption("set.mount", "rack", "default: whip on the rack", False),
        Assumption("set.antenna", "quarter wave", "default: common practice", True),
        Assumption("contact.rule", "any", "default"),
        Assumption("contact.chance", 0.9, "default: judgement"),
        Assumption("wind.speed_m_s", 0.0, "default: calm", True),
    )
    nets = (PlannedNet("Ansel evening net", 145.450, "FM", *NET, names[1]),) if net else ()
    return Plan(
        job="loop",
        title="Net evening from Port Ansel",
        area={
            "name": "Invented island",
            "attribution": ["Streets: invented", "Elevation: invented"],
            "sources": ["formulas"],
            "licences": ["CC0-1.0"],
            "elevation_kind": "terrain",
        },
        assumptions=assumptions,
        stations=tuple(stations),
        nets=nets,
        routes=routes,
        bound=Bound(57 * 60.0 if net else 118 * 60.0, "bound by relaxation: no loop of this length can pass it"),
        warnings=("Two stations stand on guessed heights.",),
        cautions=("RF exposure screening: keep the whip at least 0.6 m from people while transmitting at 5 W.",),
        contact_chance=0.9,
        time_zone="Atlantic/Azores",
        what_if=(("set.transmit_w = 10", 210.0), ("set.mount = chest", -340.0), ("station heights + 5 m", 400.0)),
        notes=("Routes are on the trade-off between effort and time out of contact.",),
        background=make_background(),
    )


def same(a, b) -> bool:
    """Equality of two values of a plan, arrays and NaN included; backgrounds are left aside."""
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        return a.dtype.kind == b.dtype.kind and np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(
            same(getattr(a, n), getattr(b, n)) for n in a.__dataclass_fields__ if n != "background"
        )
    if isinstance(a, dict):
        return isinstance(b, dict) and list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, float) and isinstance(b, float) and math.isnan(a):
        return math.isnan(b)
    return a == b
