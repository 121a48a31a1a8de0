"""What OpenStreetMap tags say to a cyclist: may I ride here, which way, on what, beside which traffic?

Legality is the two tables ACCESS and DIRECTION. Each is read from the top; the first row that applies
decides, and its name stays with the street, so that every kept or dropped street can be explained.
Precedence of the keys: access < vehicle < bicycle (OpenStreetMap wiki, "Key:access"). What no law forbids
but few riders want (trunk roads, untagged mountain paths, ferries ...) is kept under a *choice* that the
rider may allow; DEFAULT_CHOICES names those that are allowed when nothing is said.

Rules of thumb without a named source are judgement, stated here once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from typing import NamedTuple

Tags = Mapping[str, str]

KINDS = (
    "trunk", "primary", "secondary", "tertiary", "unclassified", "residential", "living_street", "service",
    "cycleway", "track", "path", "bridleway", "footway", "pedestrian", "steps", "ferry",
)  # fmt: skip
SURFACES = ("smooth", "rough", "fine_gravel", "gravel", "cobbles", "soft")
CHOICES = ("", "trunk", "fast", "path", "steps", "ferry", "tunnel", "sidepath", "destination")
DEFAULT_CHOICES = frozenset({"", "steps"})

FAST_ROAD_KM_H = 100.0  # posted limit from which a road without a cycle lane is ridden by choice only
LONG_TUNNEL_M = 300.0  # tunnels longer than this, without bicycle=yes or designated, by choice only

# --- words of the tag list -------------------------------------------------------------------------------
YES = frozenset({"yes", "designated", "permissive", "official", "allowed"})
NO = frozenset({"no", "private", "customers", "delivery", "agricultural", "forestry", "military", "residents",
                "permit", "emergency", "employees", "students", "restricted", "psv", "bus", "discouraged"})  # fmt: skip
NOT_ROADS = frozenset({"proposed", "planned", "construction", "razed", "abandoned", "disused", "dismantled", "no",
                       "platform", "corridor", "elevator", "escalator", "via_ferrata", "services", "rest_area",
                       "bus_stop", "ladder", "traffic_island", "historic", "demolished"})  # fmt: skip
NO_BICYCLES = frozenset({"motorway", "raceway", "bus_guideway", "busway", "escape", "emergency_bay",
                         "emergency_access_point"})  # fmt: skip
OPPOSITE = frozenset({"opposite", "opposite_lane", "opposite_track", "opposite_share_busway"})
LANES = frozenset({"lane", "track", "opposite_lane", "opposite_track", "share_busway", "opposite_share_busway",
                   "buffered_lane", "advisory", "exclusive"})  # fmt: skip
SIDES = ("cycleway", "cycleway:left", "cycleway:right", "cycleway:both")

KEYS = frozenset({
    "highway", "route", "access", "vehicle", "bicycle", "motorroad", "motor_vehicle", "area", "service", "oneway",
    "oneway:bicycle", "bicycle:forward", "bicycle:backward", "cycleway:left:oneway", "cycleway:right:oneway",
    *SIDES, "cyclestreet", "bicycle_road", "junction", "surface", "smoothness", "tracktype", "mtb:scale",
    "incline", "bridge", "tunnel", "covered", "lanes", "maxspeed", "maxspeed:forward", "maxspeed:backward",
    "shoulder", "lit", "hgv", "duration", "name", "ref", "layer", "ramp:bicycle", "conveying", "width",
})  # fmt: skip


def kind_of(tags: Tags) -> str:
    """The word of KINDS for a way, "" for what is not a road at all. Links count as the road they join."""
    highway = tags.get("highway", "")
    if not highway:
        return "ferry" if tags.get("route") == "ferry" else ""
    highway = highway.removesuffix("_link")
    if highway in KINDS:
        return highway
    return {"motorway": "trunk", "road": "unclassified", "busway": "service", "bus_guideway": "service"}.get(
        highway, ""
    )


class Row(NamedTuple):
    """One row of a legality table: its name, when it applies, what follows, and why."""

    name: str
    applies: Callable[[Tags], bool]
    verdict: str
    why: str


def _is(key: str, *values: str) -> Callable[[Tags], bool]:
    return lambda tags: tags.get(key) in values


def _one_of(key: str, values: frozenset[str]) -> Callable[[Tags], bool]:
    return lambda tags: tags.get(key) in values


def _kind(*kinds: str) -> Callable[[Tags], bool]:
    return lambda tags: kind_of(tags) in kinds


def _limit_km_h(tags: Tags) -> float:
    limits = [speed_limit_km_h(tags.get(key)) for key in ("maxspeed", "maxspeed:forward", "maxspeed:backward")]
    return max((limit for limit in limits if not math.isnan(limit)), default=math.nan)


def has_cycle_lane(tags: Tags) -> bool:
    """A lane, track or paved shoulder of one's own on this road, on any side."""
    return any(tags.get(side) in LANES for side in SIDES) or tags.get("shoulder") in (
        "yes",
        "both",
        "left",
        "right",
    )


# Verdicts: "ride", "walk", "out", or "choose X": rideable when the rider allows the choice X.
ACCESS: tuple[Row, ...] = (
    Row("not-a-road", lambda t: not t.get("highway") and t.get("route") != "ferry", "out", "neither road nor ferry"),
    Row("ferry-no-bicycles", lambda t: not t.get("highway") and (t.get("bicycle") in NO or ("bicycle" not in t and (
        t.get("vehicle") in NO or ("vehicle" not in t and t.get("access") in NO)))), 
        "out", "the ferry takes no bicycles"),
    Row("ferry", lambda t: not t.get("highway"), "choose ferry", "a ferry: own timetable, no riding, no transmitting"),
    Row("unbuilt", lambda t: t["highway"].removesuffix("_link") in NOT_ROADS, "out",
        "not built, gone, or nothing to ride on"),
    Row("area", _is("area", "yes"), "out", "the outline of a square, not a line to ride along"),
    Row("moving-steps", lambda t: t.get("conveying") in ("yes", "forward", "backward", "reversible"), "out",
        "escalators take no bicycles"),
    Row("bicycle-no", _is("bicycle", "no", "never"), "out", "bicycle=no"),
    Row("bicycle-private", _one_of("bicycle", NO - {"no"}), "out", "bicycles of some people only"),
    Row("bicycle-dismount", _is("bicycle", "dismount"), "walk", "bicycle=dismount: pushed"),
    Row("bicycle-sidepath", _is("bicycle", "use_sidepath"), "choose sidepath", "the path beside it is compulsory"),
    Row("bicycle-destination", _is("bicycle", "destination"), "choose destination", "not open to through traffic"),
    Row("raceway", _is("highway", "raceway"), "out", "a track for races"),
    Row("steps-bicycle", lambda t: kind_of(t) == "steps" and (
        t.get("bicycle") in YES or t.get("ramp:bicycle") == "yes"), "walk",
        "steps with a ramp or allowed for bicycles: carried or pushed"),
    Row("bicycle-yes", _one_of("bicycle", YES), "ride",
        "bicycle=yes, designated or permissive overrides class and access"),
    Row("cycle-street", lambda t: t.get("cyclestreet") == "yes" or t.get("bicycle_road") == "yes", "ride",
        "a street for bicycles"),
    Row("no-bicycles", lambda t: t["highway"].removesuffix("_link") in NO_BICYCLES, "out",
        "motorways, busways and the like"),
    Row("motorroad", _is("motorroad", "yes"), "out", "motorroad=yes bars bicycles"),
    Row("vehicle-no", _one_of("vehicle", NO), "out", "closed to vehicles, and a bicycle is one"),
    Row("vehicle-destination", _is("vehicle", "destination"), "choose destination", "not open to through traffic"),
    Row("access-no", lambda t: t.get("access") in NO and t.get("vehicle") not in YES, "out",
        "access=no, private or the like"),
    Row("access-destination", lambda t: t.get("access") == "destination" and t.get("vehicle") not in YES,
        "choose destination", "not open to through traffic"),
    Row("driveway", _is("service", "driveway", "drive-through", "emergency_access"), "out",
        "leads to a house or through a counter"),
    Row("cycleway", _kind("cycleway"), "ride", "a way for bicycles"),
    Row("path-unsaid", _kind("path", "bridleway"), "choose path",
        "paths and bridleways only where bicycles are mentioned"),
    Row("footway", _kind("footway"), "out", "a footway without bicycle=yes"),
    Row("pedestrian", _kind("pedestrian"), "walk", "pedestrian streets: pushed unless bicycle=yes"),
    Row("steps", _kind("steps"), "choose steps", "steps: carried"),
    Row("trunk", _kind("trunk"), "choose trunk", "trunk roads by choice"),
    Row("fast", lambda t: _limit_km_h(t) >= FAST_ROAD_KM_H - 1 and not has_cycle_lane(t), "choose fast",
        "posted 100 km/h or more and no cycle lane: by choice"),
    Row("track", _kind("track"), "ride", "farm and forest tracks are open unless tagged otherwise"),
    Row("road", lambda t: kind_of(t) != "", "ride", "an ordinary road"),
    Row("unknown-class", lambda t: True, "out", "a value of highway=* that is not known here"),
)  # fmt: skip


def _contraflow_side(tags: Tags) -> bool:
    """A cycle lane beside a one-way street whose own direction is against the street's (or both)."""
    for side in ("left", "right"):
        lane = tags.get(f"cycleway:{side}", tags.get("cycleway:both"))
        if lane in LANES and tags.get(f"cycleway:{side}:oneway") in ("-1", "no"):
            return True
    return False


ONEWAY = frozenset({"yes", "true", "1"})
REVERSE = frozenset({"-1", "reverse"})

# Verdicts: which directions of the way may be ridden.
DIRECTION: tuple[Row, ...] = (
    Row("bicycle-oneway", _one_of("oneway:bicycle", ONEWAY), "forward", "oneway:bicycle=yes"),
    Row("bicycle-oneway-reverse", _one_of("oneway:bicycle", REVERSE), "backward", "oneway:bicycle=-1"),
    Row("contraflow", _is("oneway:bicycle", "no"), "both", "oneway:bicycle=no"),
    Row("contraflow-opposite", lambda t: any(t.get(side) in OPPOSITE for side in SIDES), "both",
        "cycleway=opposite..."),
    Row("contraflow-lane", _contraflow_side, "both", "a lane against the one-way street"),
    Row("contraflow-tagged", lambda t: t.get("bicycle:backward") in YES and t.get("oneway") in ONEWAY, "both",
        "bicycle:backward=yes"),
    Row("backward-barred", _is("bicycle:backward", "no"), "forward", "bicycle:backward=no"),
    Row("forward-barred", _is("bicycle:forward", "no"), "backward", "bicycle:forward=no"),
    Row("oneway", _one_of("oneway", ONEWAY), "forward", "oneway=yes"),
    Row("oneway-reverse", _one_of("oneway", REVERSE), "backward", "oneway=-1"),
    Row("reversible", _is("oneway", "reversible"), "neither", "changes its direction by the hour"),
    Row("twoway", _is("oneway", "no", "false", "0"), "both", "oneway=no"),
    Row("roundabout", _is("junction", "roundabout", "circular"), "forward", "round in the direction it is drawn"),
    Row("motorway-oneway", lambda t: t.get("highway", "") in ("motorway", "motorway_link"), "forward",
        "motorways are one-way"),
    Row("twoway-unsaid", lambda t: True, "both", "nothing said"),
)  # fmt: skip


class Legality(NamedTuple):
    """What the tables say of one way."""

    rule: str  # name of the row of ACCESS
    direction_rule: str  # name of the row of DIRECTION, or "on-foot"
    ride: bool  # False: not to be used at all
    walk: bool  # pushed or carried
    choice: str  # of CHOICES, "" needs no choice
    forward: bool
    backward: bool


def legality(tags: Tags) -> Legality:
    """Read the two tables for one way. On foot one-way streets do not bind."""
    row = next(row for row in ACCESS if row.applies(tags))
    choice = row.verdict.removeprefix("choose ") if row.verdict.startswith("choose ") else ""
    walk = row.verdict == "walk" or choice == "steps"
    if walk:
        return Legality(row.name, "on-foot", True, True, choice, True, True)
    way = next(way for way in DIRECTION if way.applies(tags))
    forward, backward = way.verdict in ("forward", "both"), way.verdict in ("backward", "both")
    ride = row.verdict != "out" and (forward or backward)
    rule = row.name if ride or row.verdict == "out" else way.name
    return Legality(rule, way.name, ride, False, choice, forward and ride, backward and ride)


# --- surface ---------------------------------------------------------------------------------------------
_SURFACE_WORDS: dict[str, str] = {
    word: surface
    for surface, words in {
        "smooth": "asphalt concrete paved chipseal tartan acrylic rubber",
        "rough": "paving_stones concrete:plates concrete:lanes bricks brick wood metal metal_grid interlock plastic "
                 "stone tiles",
        "fine_gravel": "compacted fine_gravel",
        "gravel": "gravel unpaved dirt earth ground pebblestone clay shells rock stones dirt/sand",
        "cobbles": "cobblestone sett unhewn_cobblestone cobblestone:flattened grass_paver grass",
        "soft": "sand mud snow ice woodchips salt soil",
    }.items()
    for word in words.split()
}  # fmt: skip
_TRACKTYPE = {
    "grade1": "rough",
    "grade2": "fine_gravel",
    "grade3": "gravel",
    "grade4": "cobbles",
    "grade5": "soft",
}
_KIND_SURFACE = {"track": "gravel", "path": "gravel", "bridleway": "gravel", "footway": "rough", "pedestrian": "rough",
                 "steps": "rough"}  # fmt: skip


def surface_of(tags: Tags) -> str:
    """Surface word of SURFACES, from surface, else tracktype, else the kind; made worse by smoothness and mtb:scale.

    Of a list ("asphalt;gravel") the worst counts. smoothness=very_bad or worse and mtb:scale >= 2 are "soft",
    which is walked.
    """
    words = [_SURFACE_WORDS[word] for word in re.split(r"[;,]\s*", tags.get("surface", "")) if word in _SURFACE_WORDS]
    if words:
        surface = max(words, key=SURFACES.index)
        if tags.get("tracktype") == "grade5" and SURFACES.index(surface) >= 2:
            surface = "soft"
    elif tags.get("tracktype") in _TRACKTYPE:
        surface = _TRACKTYPE[tags["tracktype"]]
    else:
        surface = _KIND_SURFACE.get(kind_of(tags), "smooth")
    smoothness = tags.get("smoothness")
    if smoothness in ("intermediate", "bad") and surface == "smooth":
        surface = "rough"
    elif smoothness == "bad" and surface == "fine_gravel":
        surface = "gravel"
    elif smoothness in ("very_bad", "horrible", "very_horrible", "impassable"):
        surface = "soft"
    if tags.get("mtb:scale", "0")[:1] in "23456":
        surface = "soft"
    return surface


# --- numbers ---------------------------------------------------------------------------------------------
_ZONES_KM_H = {"walk": 7.0, "living_street": 15.0, "urban": 50.0, "rural": 80.0, "nsl_single": 96.6, "nsl_dual": 112.7,
               "trunk": 100.0, "motorway": 120.0, "none": 130.0}  # fmt: skip


def speed_limit_km_h(text: str | None) -> float:
    """Posted limit [km/h] from "50", "30 mph", "50;70" (the highest), "XX:urban"; NaN where it says nothing."""
    best = math.nan
    for part in re.split(r"[;|,]", text or ""):
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(mph|km/?h|kmh|kph|knots)?\s*", part)
        if match:
            value = float(match[1]) * {"mph": 1.609344, "knots": 1.852}.get(match[2] or "", 1.0)
        else:
            word = part.strip().rsplit(":", 1)[-1]
            value = float(word[4:]) if re.fullmatch(r"zone\d+", word) else _ZONES_KM_H.get(word, math.nan)
        if 0 < value <= 160 and not best >= value:
            best = value
    return best


TRAFFIC_KM_H = {
    "trunk": 90.0,
    "primary": 70.0,
    "secondary": 65.0,
    "tertiary": 55.0,
    "unclassified": 50.0,
    "residential": 35.0,
    "living_street": 15.0,
    "service": 20.0,
    "track": 20.0,
}  # untagged: judgement
SPEED_CLASSES_KM_H = (30.0, 50.0, 70.0, 90.0)  # class 0 up to 30, ... class 4 above 90


def speed_class(traffic_km_h: float) -> int:
    """0 (up to 30 km/h), 1 (50), 2 (70), 3 (90), 4 (faster)."""
    return sum(traffic_km_h > limit + 0.5 for limit in SPEED_CLASSES_KM_H)


def incline_of(text: str | None) -> tuple[float, int]:
    """Grade along the drawn direction (fraction, NaN where only a word or nothing is given) and its sign (-1, 0, 1)."""
    text = (text or "").strip().replace(",", ".").replace("−", "-")
    if text in ("up", "down"):
        return math.nan, 1 if text == "up" else -1
    match = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(%|°)?", text)
    if not match:
        return math.nan, 0
    value = float(match[1])
    grade = math.tan(math.radians(value)) if match[2] == "°" and abs(value) < 45 else value / 100
    if match[2] is None and abs(value) < 1:
        grade = value  # a bare fraction
    if not abs(grade) <= 0.5:
        return math.nan, 0
    return grade, (grade > 0) - (grade < 0)


def duration_s(text: str | None) -> float:
    """Seconds of "mm", "hh:mm", "hh:mm:ss" or "PT1H30M"; NaN where unreadable."""
    text = (text or "").strip()
    if re.fullmatch(r"\d+", text):
        return 60.0 * int(text)
    if re.fullmatch(r"\d+:\d\d(:\d\d)?", text):
        parts = [int(part) for part in text.split(":")]
        return float(parts[0] * 3600 + parts[1] * 60 + (parts[2] if len(parts) > 2 else 0))
    match = re.fullmatch(r"PT(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)S)?", text)
    if match and any(match.groups()):
        return float(int(match[1] or 0) * 3600 + int(match[2] or 0) * 60 + int(match[3] or 0))
    return math.nan


def _number(text: str | None) -> float:
    match = re.match(r"\s*(\d+(?:\.\d+)?)", text or "")
    return float(match[1]) if match else math.nan


class Attributes(NamedTuple):
    """What the network keeps of one way, along its drawn direction. One row of `network.Ways`."""

    kind: str
    surface: str
    surface_tagged: bool
    speed_limit_km_h: float  # NaN: not posted
    traffic_km_h: float  # the limit, or what is usual on the kind
    lanes: float  # NaN: not tagged
    name: str
    ref: str
    forward: bool
    backward: bool
    walk: bool  # pushed or carried
    steps: bool
    dismount: bool
    bridge: bool
    tunnel: bool
    tunnel_bicycle: bool  # bicycle=yes or designated in a tunnel
    long_tunnel_counts: bool  # a real tube: the 300 m rule applies
    roundabout: bool
    link: bool
    cycle_lane: bool
    calm: bool  # cycle street, living street
    lit: bool
    incline: float
    incline_sign: int
    ferry: bool
    ferry_s: float  # the whole crossing; NaN: not tagged
    choice: str
    rule: str

    def reversed(self) -> Attributes:
        """The same way drawn the other way round."""
        return self._replace(forward=self.backward, backward=self.forward, incline=-self.incline,
                             incline_sign=-self.incline_sign)  # fmt: skip


def attributes(tags: Tags) -> Attributes:
    """Everything the network keeps of a way; `forward` and `backward` both False: not to be used."""
    said, kind = legality(tags), kind_of(tags)
    limit = _limit_km_h(tags)
    incline, sign = incline_of(tags.get("incline"))
    tunnel = tags.get("tunnel", "no")
    ferry = kind == "ferry"
    return Attributes(
        kind=kind, surface=surface_of(tags), surface_tagged="surface" in tags or "tracktype" in tags,
        speed_limit_km_h=limit,
        traffic_km_h=limit if not math.isnan(limit) else TRAFFIC_KM_H.get(kind, 0.0),
        lanes=_number(tags.get("lanes")), name=tags.get("name", ""), ref=tags.get("ref", ""),
        forward=said.forward, backward=said.backward, walk=said.walk, steps=kind == "steps",
        dismount=said.walk and kind != "steps",
        bridge=tags.get("bridge", "no") != "no",
        tunnel=tunnel not in ("no", "culvert"),
        tunnel_bicycle=tags.get("bicycle") in ("yes", "designated"),
        long_tunnel_counts=tunnel not in ("no", "culvert", "building_passage", "avalanche_protector", "gallery"),
        roundabout=tags.get("junction") in ("roundabout", "circular"),
        link=tags.get("highway", "").endswith("_link"), cycle_lane=has_cycle_lane(tags),
        calm=tags.get("cyclestreet") == "yes" or tags.get("bicycle_road") == "yes" or kind == "living_street",
        lit=tags.get("lit") == "yes", incline=incline, incline_sign=sign, ferry=ferry,
        ferry_s=duration_s(tags.get("duration")) if ferry else math.nan, choice=said.choice, rule=said.rule,
    )  # fmt: skip


@lru_cache(maxsize=100_000)
def attributes_of_items(items: tuple[tuple[str, str], ...]) -> Attributes:
    """`attributes` of sorted (key, value) pairs, remembered: most ways share their tags with others."""
    return attributes(dict(items))


# --- nodes -----------------------------------------------------------------------------------------------
SIGNAL, CROSSING, STOP_OR_GIVE_WAY, BARRIER = 1, 2, 4, 8
LEVEL_CROSSING, TRAFFIC_CALMING, MINI_ROUNDABOUT = 16, 32, 64
MARKS = {"signal": SIGNAL, "crossing": CROSSING, "stop or give way": STOP_OR_GIVE_WAY, "barrier": BARRIER,
         "level crossing": LEVEL_CROSSING, "traffic calming": TRAFFIC_CALMING,
         "mini roundabout": MINI_ROUNDABOUT}  # fmt: skip

BLOCKED = math.inf
BARRIER_S: dict[str, float] = {
    "bollard": 2, "block": 3, "cattle_grid": 2, "entrance": 0, "kerb": 2, "height_restrictor": 0, "toll_booth": 5,
    "border_control": 10, "sally_port": 0, "lift_gate": 5, "swing_gate": 15, "gate": 15, "wicket_gate": 15,
    "hampshire_gate": 20, "cycle_barrier": 8, "motorcycle_barrier": 8, "chain": 5, "rope": 5, "log": 10, "debris": 10,
    "rock": 5, "boulder": 3, "jersey_barrier": 5, "planter": 3, "bump_gate": 15, "kissing_gate": 30, "spikes": 5,
    "sump_buster": 2, "bus_trap": 2, "horse_stile": 15, "coupure": 0, "step": 10, "yes": 10,
    "stile": BLOCKED, "turnstile": BLOCKED, "full-height_turnstile": BLOCKED, "wall": BLOCKED, "fence": BLOCKED,
    "hedge": BLOCKED, "city_wall": BLOCKED, "retaining_wall": BLOCKED, "ditch": BLOCKED, "guard_rail": BLOCKED,
    "handrail": BLOCKED,
}  # fmt: skip
# Seconds to pass, judgement within 5-20 s for what must be opened; a loaded bicycle is not lifted over stiles.
# "kissing_gate": 30, the bags come off. Values not listed count as 10 s.


def barrier_s(tags: Tags) -> float:
    """Seconds to pass the barrier of a node (0: none), BLOCKED where a bicycle cannot or may not pass."""
    barrier = tags.get("barrier")
    if barrier is None:
        return BLOCKED if tags.get("bicycle") in NO and tags.get("highway") != "crossing" else 0.0
    seconds = BARRIER_S.get(barrier, 10.0)
    for key in ("bicycle", "vehicle", "access"):
        if tags.get(key) in NO:
            return BLOCKED
        if tags.get(key) in YES or tags.get(key) == "dismount":
            return seconds if seconds != BLOCKED else 30.0
    return BLOCKED if tags.get("locked") == "yes" and barrier.endswith("gate") else seconds


def node_mark(tags: Tags) -> int:
    """Bit flags of MARKS for a node on a road."""
    highway = tags.get("highway", "")
    mark = 0
    if highway == "traffic_signals" or (highway == "crossing" and tags.get("crossing") == "traffic_signals"):
        mark |= SIGNAL
    if highway == "crossing" and tags.get("crossing") not in ("no", "informal"):
        mark |= CROSSING
    if highway in ("stop", "give_way"):
        mark |= STOP_OR_GIVE_WAY
    if highway == "mini_roundabout":
        mark |= MINI_ROUNDABOUT
    if tags.get("railway") in ("level_crossing", "tram_level_crossing"):
        mark |= LEVEL_CROSSING
    if tags.get("traffic_calming", "no") not in ("no", "island"):
        mark |= TRAFFIC_CALMING
    if 0 < barrier_s(tags) < BLOCKED:
        mark |= BARRIER
    return mark


def explain(rule: str) -> str:
    """The reason that stands beside a row's name."""
    return next((row.why for row in (*ACCESS, *DIRECTION) if row.name == rule), rule)


def choices_from(words: Iterable[str]) -> frozenset[str]:
    """DEFAULT_CHOICES and the named ones; ValueError of an unknown word is the caller's to dress."""
    unknown = sorted(set(words) - set(CHOICES))
    if unknown:
        raise ValueError(f"unknown choice {unknown[0]!r}; there are {', '.join(CHOICES[1:])}")
    return DEFAULT_CHOICES | frozenset(words)
