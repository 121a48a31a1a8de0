"""The Plan: everything that a table, a picture, a file or the page may show, as one frozen value.

Outputs are pure functions of it. `plan/document.py` turns it into the JSON document and back.
Times of a route are seconds after its departure, distances are metres from its start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

FORMAT = "routeplan plan 1"


@dataclass(frozen=True)
class Assumption:
    """One value the plan rests on. `key` is as in the ride file: "rider.power_w"."""

    key: str
    value: Any
    origin: str  # "ride file", or "default: <source>"
    guess: bool = False


@dataclass(frozen=True)
class PlannedStation:
    """A station as the plan used it. `letter` and `marker` are its own on every picture."""

    name: str
    letter: str
    latitude_deg: float
    longitude_deg: float
    x_m: float
    y_m: float
    description: str  # plain words: "vertical on the chimney, 10 m, 5 W"
    frequency_mhz: float  # what the rider listens to
    repeater: bool = False
    transmit_mhz: float | None = None  # what the rider transmits on; None: the same
    access: str = ""  # what opens it: "tone 77.0 Hz"


@dataclass(frozen=True)
class PlannedNet:
    """A net and its window, local wall time."""

    name: str
    frequency_mhz: float
    mode: str
    begins: datetime  # aware
    ends: datetime
    control: str | None


@dataclass(frozen=True)
class StationSamples:
    """One station along a route; arrays of the length of Samples.distance_m; NaN where there is no data."""

    margin_to_db: np.ndarray
    margin_from_db: np.ndarray
    chance_to: np.ndarray
    chance_from: np.ndarray
    chance: np.ndarray


@dataclass(frozen=True)
class Samples:
    """Columns along a route, one row a place, distance ascending."""

    distance_m: np.ndarray
    time_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    latitude_deg: np.ndarray
    longitude_deg: np.ndarray
    elevation_m: np.ndarray
    chance: np.ndarray  # of the contact rule
    walking: np.ndarray  # bool
    repeated: np.ndarray  # bool: on a street ridden before
    stations: dict[str, StationSamples]


@dataclass(frozen=True)
class Stretch:
    """A piece of a route by distance and time. `label`: "1" for an over, "A" for a dead stretch, "" else."""

    begin_m: float
    end_m: float
    begin_s: float
    end_s: float
    label: str = ""
    note: str = ""  # what the rider should know: "below Fell Edge", "junction with a larger road"


@dataclass(frozen=True)
class CallingPlace:
    """Somewhere to stop and call: a lay-by, viewpoint, gate, green."""

    name: str
    kind: str
    distance_m: float
    time_s: float
    latitude_deg: float
    longitude_deg: float
    chance: float  # of the contact rule, standing still
    best_station: str


@dataclass(frozen=True)
class Landmark:
    """A named place that the route passes: village, junction of named roads, summit."""

    name: str
    kind: str
    distance_m: float
    time_s: float


@dataclass(frozen=True)
class WayHome:
    """A short cut from a place of a route back to its end."""

    distance_m: float  # where the route is left
    time_s: float
    home_m: float  # length of the way home from there
    home_s: float
    text: str  # roads to take: "left on Quay Road, then A12 to Ansel"


@dataclass(frozen=True)
class Route:
    """One choice. Field names and units as in the plan JSON; see docs/plan_json.md."""

    id: str  # "A", "B", ...
    why: str
    headline: str  # "32.4 km, 1 h 52, 410 m up, 49 of 60 net minutes in contact (41-55)"
    departs: datetime  # aware, local
    length_m: float
    ride_time_s: float
    ride_time_range_s: tuple[float, float]  # 10th and 90th percentile
    effort_kj: float
    climb_m: float
    climb_uncertainty_m: float
    hard_s: float
    walked_s: float
    turns_per_km: float
    contact_share: float
    contact_share_range: tuple[float, float]
    contact_s: float
    in_contact_s: float
    usable_contact_s: float
    dead_s: float
    longest_dead_s: float
    net_s: float  # length of the nets' windows; 0 without a net
    net_ridden_s: float
    late_contact_share: tuple[tuple[float, float], ...]  # (minutes late, contact share)
    chance_sentence: str  # "8 chances in 10 of at least 40 of the 60 minutes"
    repeated_m: float
    nearby_m: float
    stress_km: float  # kilometres weighted by traffic stress above "calm"
    battery_share: float
    unknown_m: float  # without elevation data: excluded from shares
    samples: Samples
    overs: tuple[Stretch, ...]
    dead_stretches: tuple[Stretch, ...]
    quiet_zones: tuple[Stretch, ...]
    calling_places: tuple[CallingPlace, ...]
    landmarks: tuple[Landmark, ...]
    road_names: tuple[Stretch, ...]  # label: the road's name or reference
    lights_from_s: float | None  # seconds after departure at which lights are wanted; None: not on this ride
    sunset_s: float | None
    warnings: tuple[str, ...] = ()
    ways_home: tuple[WayHome, ...] = ()
    food_kcal: float = float("nan")  # food energy that the effort takes, for scale
    quiet_m: float = float("nan")  # inside quiet zones, each metre once
    net_overs: tuple[tuple[str, float], ...] = ()  # (label of an over, seconds inside the nets' windows), longest first
    busy_m: float = float("nan")  # on roads of traffic stress 1.5 and more


@dataclass(frozen=True)
class Bound:
    """Proven figures that no ride inside the same window can pass."""

    contact_s_at_most: float
    how: str
    scope: str = ""  # the rides it holds for: "loop of 30.4 to 33.6 km from this start"
    out_s_at_least: float | None = None  # seconds out of contact; told where no net's window counts


@dataclass(frozen=True)
class Background:
    """What a map draws beneath the routes, in working coordinates; not part of the JSON document."""

    elevation_m: np.ndarray  # (rows, cols), row 0 north
    cover_m: np.ndarray
    sea: np.ndarray  # bool
    west_m: float  # centre of cell [0, 0]
    north_m: float
    step_m: float
    street_lines: tuple[np.ndarray, ...]  # each (k, 2) x, y
    street_class: np.ndarray  # 0 minor, 1 middle, 2 major
    chance: np.ndarray | None  # of the rule on a coarser grid over the same extent, or None
    place_names: tuple[tuple[str, str, float, float], ...]  # name, kind ("town", "village", "peak", ...), x, y


@dataclass(frozen=True)
class Plan:
    """The answer to one job."""

    job: str  # "loop", "between", "mend", "check"
    area: dict[str, Any]  # name, sources, licences, attribution, elevation_kind
    title: str
    assumptions: tuple[Assumption, ...]
    stations: tuple[PlannedStation, ...]
    nets: tuple[PlannedNet, ...]
    routes: tuple[Route, ...]
    bound: Bound | None
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    contact_chance: float  # the chance that counts as "in contact"
    time_zone: str
    what_if: tuple[tuple[str, float], ...] = ()  # (what is changed, change of contact_s of the first route)
    notes: tuple[str, ...] = ()  # plain sentences on how the routes were found
    background: Background | None = field(default=None, compare=False, repr=False)
