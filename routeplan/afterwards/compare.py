"""Predicted against heard: bias and spread by group, hits and misses of the contact chance."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from routeplan.afterwards.evidence import Evidence
from routeplan.afterwards.learn import Estimate, Prior, fit

FEWEST = 4  # reports of a group of which anything is said
BANDS_KM = (2.0, 5.0, 10.0, 20.0, 40.0)


@dataclass(frozen=True)
class Group:
    """One group of reports: how far the prediction was out, and how the chances fared."""

    kind: str  # "station", "band", "mount", "distance", "cover"
    name: str
    reports: int
    worked: int
    expected: float  # sum of the predicted chances
    bias: Estimate  # truth less prediction [dB]
    spread: Estimate  # [dB]


@dataclass(frozen=True)
class Tenth:
    """Reports whose predicted chance fell into one tenth."""

    low: float
    high: float
    reports: int
    predicted: float  # mean chance
    worked: float  # share that succeeded
    low_share: float  # of what would be in tune with the prediction: two binomial standard errors about it
    high_share: float


@dataclass(frozen=True)
class Reliability:
    """How the chances fared: by tenths, and as Brier scores (mean squared error of the chance; 0 is perfect)."""

    tenths: tuple[Tenth, ...]
    brier: float
    brier_of_the_mean: float  # of always saying the mean
    reports: int


def groups(evidence: Evidence, chance: np.ndarray) -> tuple[Group, ...]:
    """Every group with FEWEST reports or more, in the order station, band, mount, distance, cover.

    chance : (n,) predicted chance of what was tried.
    """
    known = evidence.known
    evidence, chance = evidence.take(known), chance[known]
    counted = evidence.counted
    free = Prior(station_db=12.0, mount_db=1e-3, ride_db=1e-3, cover_spread=1e-4, residual_db=8.0, residual_spread=0.35)
    worked = evidence.worked
    found = []
    for kind, name, rows in _parts(evidence):
        if rows.sum() < FEWEST:
            continue
        part = evidence.take(rows)
        fitted = fit(replace(part, station=np.full(len(part), "group", dtype=object)), free)
        found.append(
            Group(
                kind, name, int(rows.sum()), int(worked[rows & counted].sum()), float(chance[rows & counted].sum()),
                fitted.station("group"), fitted.residual,
            )
        )  # fmt: skip
    return tuple(found)


def _parts(evidence: Evidence) -> Iterator[tuple[str, str, np.ndarray]]:
    for name in dict.fromkeys(evidence.station):
        yield "station", name, evidence.station == name
    bands = np.array([_band(f) for f in evidence.frequency_mhz], dtype=object)
    mounts = evidence.mount
    for kind, column in (("band", bands), ("mount", mounts)):
        for name in dict.fromkeys(column):
            yield kind, name, column == name
    edges = np.array([0.0, *BANDS_KM, np.inf]) * 1000
    for low, high in itertools.pairwise(edges):
        words = f"{low / 1000:g} to {high / 1000:g} km" if np.isfinite(high) else f"over {low / 1000:g} km"
        yield "distance", words, (evidence.path_m >= low) & (evidence.path_m < high)
    reaching = evidence.cover_db[:, 2] - evidence.cover_db[:, 0] > 1.0
    yield "cover", "woods or houses matter", reaching
    yield "cover", "open", ~reaching


def _band(frequency_mhz: float) -> str:
    return (
        "4 m" if frequency_mhz < 100 else "2 m" if frequency_mhz < 200 else "70 cm" if frequency_mhz < 600 else "23 cm"
    )


def reliability(chance: np.ndarray, worked: np.ndarray) -> Reliability:
    """Chances (n,) against what came of them (n,) 0 or 1, by tenths of the chance."""
    good = np.isfinite(chance)
    chance, worked = chance[good], worked[good]
    tenth = np.minimum((chance * 10).astype(int), 9)
    rows = []
    for k in range(10):
        inside = tenth == k
        n = int(inside.sum())
        if n:
            mean = float(chance[inside].mean())
            error = 2 * float(np.sqrt(mean * (1 - mean) / n))
            rows.append(Tenth(k / 10, (k + 1) / 10, n, mean, float(worked[inside].mean()),
                              max(0.0, mean - error), min(1.0, mean + error)))  # fmt: skip
    if not len(chance):
        return Reliability((), float("nan"), float("nan"), 0)
    mean = worked.mean()
    return Reliability(
        tuple(rows), float(np.mean((chance - worked) ** 2)), float(np.mean((mean - worked) ** 2)), len(chance)
    )


def chance_of(evidence: Evidence, shift_db: np.ndarray, sigma_db: np.ndarray) -> np.ndarray:
    """(n,) chance of what was tried, the margins shifted by `shift_db` and uncertain by `sigma_db`."""
    return np.asarray(ndtr((evidence.tried_db + shift_db) / sigma_db))


def surprise(evidence: Evidence, shift_db: np.ndarray, sigma_db: np.ndarray) -> np.ndarray:
    """(n,) how many spreads the truth was better (+) or worse (-) than predicted: mean of the error given the report.

    shift_db, sigma_db : (n,) what the prediction expects of its own error.
    """
    from routeplan.afterwards.evidence import ERRORS_DB, likelihood

    off = (ERRORS_DB - shift_db[:, None]) / sigma_db[:, None]
    density = np.exp(-0.5 * off**2) * likelihood(evidence)
    return np.asarray((density * off).sum(axis=1) / density.sum(axis=1))
