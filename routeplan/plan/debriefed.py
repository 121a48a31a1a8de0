"""The Debrief: a ride beside what was predicted for it, as one frozen value. Outputs are pure functions of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from routeplan.afterwards.compare import Group, Reliability
from routeplan.afterwards.learn import Estimate, Validation
from routeplan.plan.learnt import Learnt
from routeplan.plan.value import Plan


@dataclass(frozen=True)
class Heard:
    """One report put on the ride, beside the prediction it met."""

    station: str
    time_s: float  # after the ride's begin
    distance_m: float
    x_m: float
    y_m: float
    latitude_deg: float
    longitude_deg: float
    words: str  # "they heard me R5 S9"
    worked: bool  # what was tried succeeded, R3 or better
    chance: float  # predicted, of that
    margin_to_db: float  # predicted over the speech quality asked for
    margin_from_db: float
    surprise: float  # spreads by which the truth was better (+) or worse (-), its mean given the report
    beacon: bool
    counted: bool  # it tells how often the chances held
    they_said: str  # RST as a log holds it, "" where nothing was said
    i_said: str
    mount: str
    frequency_mhz: float  # the rider transmits on
    where: str  # "heard.csv, line 4"; "" for beacons that nobody received


@dataclass(frozen=True)
class Surprise:
    """A part of the ride on which one station was heard otherwise than predicted."""

    station: str
    begin_s: float
    end_s: float
    x_m: float
    y_m: float
    error: Estimate  # [dB], truth less prediction, beyond what holds for the station everywhere
    sentence: str


@dataclass(frozen=True)
class RiderValue:
    """One value of the rider or the bicycle as the clock tells it."""

    key: str  # "rider.power_w"
    used: float  # by the prediction
    estimate: Estimate
    stated: bool  # the ride file states it, so the learnt file cannot change it


@dataclass(frozen=True)
class RideCompared:
    """Time and climb against the model."""

    ridden_s: float
    standing_s: float
    model_s: float
    model_range_s: tuple[float, float]
    climb_model_m: float
    climb_uncertainty_m: float
    climb_track_m: float  # NaN where the track has no heights
    values: tuple[RiderValue, ...]
    stretches: int
    off_street_share: float


@dataclass(frozen=True)
class HeardSource:
    """One file of reports and what became of it."""

    name: str
    kind: str
    used: int
    wrong: tuple[str, ...]  # lines that could not be read, and reports that have no place, each with its reason
    left_out: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Debrief:
    """The answer to "where was the plan wrong". `plan` holds one route, the one ridden, on the clock of the ride."""

    plan: Plan
    began: datetime
    heard: tuple[Heard, ...]
    sources: tuple[HeardSource, ...]
    groups: tuple[Group, ...]
    reliability: Reliability
    surprises: tuple[Surprise, ...]
    ride: RideCompared
    learnt: Learnt
    station_estimates: tuple[tuple[str, Estimate], ...]
    residual: Estimate
    cover: Estimate
    validation: Validation | None
    sentences: tuple[str, ...]
    changes: tuple[str, ...]  # against what was learnt before
    warnings: tuple[str, ...]
    learnt_toml: str
    evidence_csv: str
