"""Reports of simulated rides with a known truth, drawn from another model than the one that is fitted.

The truth: station offsets of 4 dB by the ground and up to 5 dB either way by what was stated wrongly; the error along
the road an autoregressive series of 600 m and heavy-tailed noise on top; every operator with thresholds of their own
and logistic doubts about them; R5 given out of habit; meters that read wrong by 9 dB; one call in twelve unanswered
although it could be heard. The fit is told none of these numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.afterwards.evidence import Evidence
from routeplan.afterwards.reports import NOT_HEARD, Reception

GROUND_DB, STATED_DB = 4.0, 5.0
ROAD_DB, ROAD_M, LOCAL_DB = 4.8, 600.0, 3.6
RIDE_DB = 1.5
RESIDUAL_DB = float(np.hypot(ROAD_DB, LOCAL_DB))
UNANSWERED = 1 / 12
THRESHOLDS_DB = (-12.0, -9.0, -6.0, 0.0, 10.0)


@dataclass(frozen=True)
class Line:
    """What is predicted along one ride: n places, k stations."""

    distance_m: np.ndarray  # (n,)
    margins_db: np.ndarray  # (k, 2, n)


@dataclass(frozen=True)
class Truth:
    """What the reports were drawn from."""

    offset_db: np.ndarray  # (k,)
    margins_db: list[np.ndarray]  # for each ride (k, 2, n)


def errors_along(distance_m: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The changing error (n,) along a ride."""
    keep = np.exp(-np.diff(distance_m) / ROAD_M)
    noise = rng.standard_normal(len(distance_m))
    road = np.empty(len(distance_m))
    road[0] = noise[0]
    for k, a in enumerate(keep):
        road[k + 1] = a * road[k] + np.sqrt(1 - a * a) * noise[k + 1]
    return ROAD_DB * road + LOCAL_DB * rng.standard_t(5, len(distance_m)) / np.sqrt(5 / 3)


def simulate(lines: list[Line], seed: int, *, reports: int = 15) -> tuple[Evidence, Truth]:
    """Evidence of one ride on each of `lines`, and the truth behind it."""
    rng = np.random.default_rng(seed)
    stations = lines[0].margins_db.shape[0]
    offset = rng.normal(0, GROUND_DB, stations) + rng.uniform(-STATED_DB, STATED_DB, stations)
    habits = rng.normal(0, 1.0, stations)
    rows, truths = [], []
    for number, line in enumerate(lines):
        error = np.stack(
            [errors_along(line.distance_m, rng) + rng.normal(0, RIDE_DB) + offset[k] for k in range(stations)]
        )
        truth = line.margins_db + error[:, None, :]
        truths.append(truth)
        for at in np.sort(rng.choice(len(line.distance_m), reports, replace=False)):
            k = int(rng.integers(stations))
            they, i = (_said(truth[k, way, at], habits[k], rng) for way in (0, 1))
            failed = min(they.least, i.least) < 3 or rng.random() < UNANSWERED
            said = (None, None, False) if failed else (they, i, True)
            rows.append((f"ride {number}", f"Q{k}", *line.margins_db[k, :, at], line.distance_m[at], *said))
    return _evidence(rows), Truth(offset, truths)


def _said(margin_db: float, habit_db: float, rng: np.random.Generator) -> Reception:
    felt = margin_db + rng.logistic(0, 1.3) + habit_db
    r = sum(felt >= t for t in THRESHOLDS_DB)
    s = int(np.clip(round(9 + (margin_db - 13) / 6 + rng.normal(0, 1.5)), 1, 9))
    if r == 4 and rng.random() < 0.3:
        r = 5
    return Reception(r, r, s) if r else NOT_HEARD


def _evidence(rows: list[tuple]) -> Evidence:
    ride, station, to, back, distance, they, i, answered = zip(*rows)
    n = len(rows)
    return Evidence(
        ride=np.array(ride, dtype=object),
        station=np.array(station, dtype=object),
        mount=np.full(n, "rack", dtype=object),
        stands=np.full(n, "", dtype=object),
        to_db=np.array(to),
        from_db=np.array(back),
        cover_db=np.zeros((n, 3)),
        distance_m=np.array(distance),
        path_m=np.full(n, 5000.0),
        frequency_mhz=np.full(n, 145.0),
        they=they,
        i=i,
        answered=answered,
        selected=np.zeros(n, dtype=bool),
        beacon_db=np.full(n, np.nan),
        needed_to_dbm=np.full(n, -106.0),
        needed_from_dbm=np.full(n, -106.0),
    )


def lines_of(setting, seeds: range, *, time_s: float = 5400.0) -> list[Line]:
    """Predictions along wandering rides on a setting, a place each 100 m."""
    from simulated_ride import wander

    from routeplan.plan.ridden import ride_along

    lines = []
    for seed in seeds:
        way = ride_along(wander(setting, seed, time_s), setting.pieces, setting.riding, setting.contact)
        rows = np.unique(np.searchsorted(way.distance_m, np.arange(0, way.distance_m[-1], 100.0)))
        rows = rows[rows < way.margin_db.shape[2]]
        rows = rows[np.isfinite(way.margin_db[:, :, rows]).all(axis=(0, 1))]
        lines.append(Line(way.distance_m[rows], way.margin_db[:, :, rows]))
    return lines
