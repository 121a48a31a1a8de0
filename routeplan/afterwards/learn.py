"""Learning from reports: a small hierarchical fit that stays at the defaults where the data is thin.

    error of a prediction = offset of the station + offset of the mount + that of the station on that ride
                            - what taller ground cover would cost more + the rest, normal with `residual_db`

Offsets are normal about 0 with the spreads of `Prior`, the scale of cover about 1, the rest's spread log-normal about
its default. The likelihood of a report integrates over the rest (`evidence.likelihood`), so censored and ordinal data
enter as what they say and no more. For each value of the residual spread on a grid, Newton's method finds the mode
and its curvature; the grid is then weighted by Laplace's approximation (Tierney and Kadane, J. Am. Stat. Assoc. 81,
1986). Intervals are those of the mixture, 80 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from routeplan.afterwards.evidence import ERRORS_DB, Evidence, likelihood, selection, weights

SCALES = np.array([0.5, 1.0, 1.5])  # of ground cover, at which losses are computed
RESIDUALS_DB = np.exp(np.linspace(np.log(2.2), np.log(16.0), 13))
STEPS = 40
Z80 = 1.2815515655446004


@dataclass(frozen=True)
class Prior:
    """What is believed before any report; standard deviations [dB]. Judgement but for the first two's origin.

    station_db is the part of the model's error that is constant for a station, residual_db the rest with location,
    body and noise, both as the plan has them by default.
    """

    station_db: float = 5.66
    residual_db: float = 6.4
    residual_spread: float = 0.40  # of its logarithm
    mount_db: float = 2.0
    ride_db: float = 1.5  # station on one ride: season, weather, batteries
    cover_spread: float = 0.25  # of the scale of cover heights about 1


@dataclass(frozen=True)
class Estimate:
    """A value with its 80 % interval, and the spread that the default alone would have."""

    value: float
    low: float
    high: float
    sd: float
    prior_sd: float
    reports: int
    rides: int

    @property
    def learnt(self) -> bool:
        """Whether the data narrowed it by a tenth at least."""
        return self.reports > 0 and self.sd < 0.9 * self.prior_sd


@dataclass(frozen=True)
class Fit:
    """The posterior: a mixture of normals, one for each residual spread."""

    stations: tuple[str, ...]
    mounts: tuple[str, ...]  # none where there is only one
    mount_within: str  # the only mount, whose offset is part of the stations'; "" where there are several
    pairs: tuple[tuple[str, str], ...]  # (ride, station)
    has_cover: bool
    prior: Prior
    weight: np.ndarray  # (g,)
    mean: np.ndarray  # (g, p): stations, mounts, pairs, cover
    cov: np.ndarray  # (g, p, p)
    counts: dict[str, tuple[int, int]]  # reports and rides by station, mount and "" for all

    def combined(self, row: np.ndarray, prior_sd: float, key: str, centre: float = 0.0) -> Estimate:
        """The estimate of a linear combination (p,) of the parameters, plus `centre`."""
        means = self.mean @ row + centre
        sds = np.sqrt(np.einsum("i,gij,j->g", row, self.cov, row))
        mean = float(self.weight @ means)
        sd = float(np.sqrt(self.weight @ (sds**2 + (means - mean) ** 2)))
        low, high = (_quantile(self.weight, means, sds, q) for q in (0.1, 0.9))
        return Estimate(mean, low, high, sd, prior_sd, *self.counts.get(key, (0, 0)))

    def _row(self, **ones: int) -> np.ndarray:
        row = np.zeros(self.mean.shape[1])
        for index in ones.values():
            row[index] = 1.0
        return row

    def station(self, name: str, mount: str | None = None) -> Estimate:
        """Offset of a station [dB], with that of a mount where one is given; the default for one never heard.

        Where all reports are of one mount, its offset is part of the station's: nothing tells the two apart.
        """
        with_mount = mount is not None and not (self.mount_within and mount == self.mount_within)
        station_db = self.station_sd
        prior_sd = float(np.hypot(station_db, self.prior.mount_db if with_mount else 0.0))
        ones, missing = {}, [0.0]
        if name in self.stations:
            ones["station"] = self.stations.index(name)
        else:
            missing.append(station_db)
        if mount is not None and mount in self.mounts:
            ones["mount"] = len(self.stations) + self.mounts.index(mount)
        elif with_mount:
            missing.append(self.prior.mount_db)
        return _widened(self.combined(self._row(**ones), prior_sd, name), float(np.linalg.norm(missing)))

    @property
    def station_sd(self) -> float:
        """Spread of a station's offset before any report."""
        return (
            float(np.hypot(self.prior.station_db, self.prior.mount_db)) if self.mount_within else self.prior.station_db
        )

    def mount(self, name: str) -> Estimate:
        """Offset of a mount [dB] over all stations, against the others."""
        if name not in self.mounts:
            sd = self.prior.mount_db
            return Estimate(0.0, -Z80 * sd, Z80 * sd, sd, sd, 0, 0)
        row = self._row(mount=len(self.stations) + self.mounts.index(name))
        return self.combined(row, self.prior.mount_db, f"mount {name}")

    @property
    def cover(self) -> Estimate:
        """Scale of the ground cover's height; 1 is as assumed."""
        spread = self.prior.cover_spread
        if not self.has_cover:
            return Estimate(1.0, 1 - Z80 * spread, 1 + Z80 * spread, spread, spread, 0, 0)
        return self.combined(self._row(cover=self.mean.shape[1] - 1), spread, "", centre=1.0)

    @property
    def residual(self) -> Estimate:
        """Spread of what is left, within a ride [dB]."""
        log = np.log(RESIDUALS_DB)
        mean = float(self.weight @ log)
        sd = float(np.sqrt(self.weight @ (log - mean) ** 2 + (log[1] - log[0]) ** 2 / 12))
        low, value, high = np.exp([mean - Z80 * sd, mean, mean + Z80 * sd]).tolist()
        return Estimate(
            value, low, high, value * sd, self.prior.residual_db * self.prior.residual_spread,
            *self.counts.get("", (0, 0)),
        )  # fmt: skip


def _widened(estimate: Estimate, missing_sd: float) -> Estimate:
    if not missing_sd:
        return estimate
    sd = float(np.hypot(estimate.sd, missing_sd))
    low, high = estimate.value - Z80 * sd, estimate.value + Z80 * sd
    return Estimate(estimate.value, low, high, sd, estimate.prior_sd, estimate.reports, estimate.rides)


def _quantile(weight: np.ndarray, mean: np.ndarray, sd: np.ndarray, q: float) -> float:
    low, high = float((mean - 8 * sd).min()), float((mean + 8 * sd).max())
    for _ in range(60):
        middle = (low + high) / 2
        if weight @ ndtr((middle - mean) / np.maximum(sd, 1e-9)) < q:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def fit(evidence: Evidence, prior: Prior = Prior()) -> Fit:
    """The posterior of offsets, cover scale and residual spread. Without a usable report: the prior itself."""
    evidence = evidence.take(evidence.known)
    design = _Design.of(evidence)
    chances, counted = (likelihood(evidence), selection(evidence)), weights(evidence)
    sds = design.prior_sd(prior)
    log_weight, means, covs = [], [], []
    theta = np.zeros(len(sds))
    for residual_db in RESIDUALS_DB:
        theta, precision, log_posterior = _mode(evidence, design, chances, counted, sds, float(residual_db), theta)
        log_sigma = np.log(residual_db / prior.residual_db) / prior.residual_spread
        _, log_det = np.linalg.slogdet(precision)
        log_weight.append(log_posterior - 0.5 * log_det - 0.5 * log_sigma**2)
        means.append(theta)
        covs.append(np.linalg.inv(precision))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    return Fit(
        design.stations, design.mounts, design.mount_within, design.pairs, design.has_cover, prior,
        weight / weight.sum(), np.array(means), np.array(covs), _counts(evidence),
    )  # fmt: skip


def _counts(evidence: Evidence) -> dict[str, tuple[int, int]]:
    out = {"": (len(evidence), len(set(evidence.ride)))}
    for prefix, column in (("", evidence.station), ("mount ", evidence.mount)):
        for name in dict.fromkeys(column):
            rows = column == name
            out[prefix + name] = (int(rows.sum()), len(set(evidence.ride[rows])))
    return out


@dataclass(frozen=True)
class _Design:
    """Which parameters act on which report."""

    stations: tuple[str, ...]
    mounts: tuple[str, ...]
    mount_within: str
    pairs: tuple[tuple[str, str], ...]
    has_cover: bool
    matrix: np.ndarray  # (n, stations + mounts + pairs)
    linear: np.ndarray  # (n,) and
    square: np.ndarray  # (n,) of the loss by cover: loss = linear * u + square * u^2, u = scale - 1

    @staticmethod
    def of(evidence: Evidence) -> _Design:
        stations = tuple(dict.fromkeys(evidence.station.tolist()))
        every_mount = tuple(dict.fromkeys(evidence.mount.tolist()))
        mounts, within = (every_mount, "") if len(every_mount) != 1 else ((), str(every_mount[0]))
        pairs = tuple(dict.fromkeys(zip(evidence.ride.tolist(), evidence.station.tolist())))
        matrix = np.zeros((len(evidence), len(stations) + len(mounts) + len(pairs)))
        for k, (ride, station, mount) in enumerate(zip(evidence.ride, evidence.station, evidence.mount)):
            matrix[k, stations.index(station)] = 1.0
            if mounts:
                matrix[k, len(stations) + mounts.index(mount)] = 1.0
            matrix[k, len(stations) + len(mounts) + pairs.index((ride, station))] = 1.0
        low, _, high = evidence.cover_db.T if len(evidence) else np.zeros((3, 0))
        # Only what differs between the reports of a station can tell cover from an offset.
        has_cover = len(evidence) > 0 and float(np.std(high - low)) > 0.3
        return _Design(stations, mounts, within, pairs, has_cover, matrix, high - low, 2 * (high + low))

    def prior_sd(self, prior: Prior) -> np.ndarray:
        station_db = np.hypot(prior.station_db, prior.mount_db) if self.mount_within else prior.station_db
        return np.array(
            [station_db] * len(self.stations) + [prior.mount_db] * len(self.mounts)
            + [prior.ride_db] * len(self.pairs) + [prior.cover_spread] * self.has_cover
        )  # fmt: skip

    def mean(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean error (n,) and its derivative (n, p)."""
        if not self.has_cover:
            return self.matrix @ theta, self.matrix
        u = float(np.clip(theta[-1], -0.9, 1.5))
        mean = self.matrix @ theta[:-1] - (self.linear * u + self.square * u * u)
        slope = -(self.linear + 2 * self.square * u)
        return mean, np.column_stack([self.matrix, slope])


def _mode(
    evidence: Evidence, design: _Design, chances: tuple[np.ndarray, np.ndarray], counted: np.ndarray, sds: np.ndarray,
    residual_db: float, theta: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, float]:  # fmt: skip
    """Mode, precision matrix there, and log posterior without the Gaussian's own constant."""
    precision0 = np.diag(1.0 / sds**2)
    value, gradient, curvature = _posterior(design, chances, counted, sds, residual_db, theta)
    for _ in range(STEPS):
        step = np.linalg.solve(curvature + precision0, gradient)
        size = 1.0
        while size > 1e-3:
            tried = _posterior(design, chances, counted, sds, residual_db, theta + size * step)
            if tried[0] >= value - 1e-12:
                break
            size /= 2
        else:
            break
        gained = tried[0] - value
        theta, (value, gradient, curvature) = theta + size * step, tried
        if gained < 1e-7:
            break
    return theta, curvature + precision0, value - float(np.sum(np.log(sds)))


def _posterior(
    design: _Design,
    chances: tuple[np.ndarray, np.ndarray],
    counted: np.ndarray,
    sds: np.ndarray,
    residual_db: float,
    theta: np.ndarray,
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log posterior, its gradient, and the likelihood's curvature (never negative) at theta."""
    mean, slope = design.mean(theta)
    off = (ERRORS_DB - mean[:, None]) / residual_db
    normal = np.exp(-0.5 * off**2) * ((ERRORS_DB[1] - ERRORS_DB[0]) / (residual_db * np.sqrt(2 * np.pi)))
    log_said, first, second = _moments(chances[0] * normal, off, residual_db)
    if (chances[1] < 1.0).any():
        log_kept, first_kept, second_kept = _moments(chances[1] * normal, off, residual_db)
        log_said, first, second = log_said - log_kept, first - first_kept, second - second_kept
    value = float(counted @ log_said) - 0.5 * float(np.sum((theta / sds) ** 2))
    gradient = slope.T @ (counted * first) - theta / sds**2
    bend = counted * np.maximum(-second, 0.0)
    return value, gradient, (slope * bend[:, None]).T @ slope


def _moments(density: np.ndarray, off: np.ndarray, residual_db: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log of the integral over the error (n,), and its first two derivatives by the mean."""
    total = density.sum(axis=1) + 1e-300
    first = (density * off).sum(axis=1) / total / residual_db
    second = (density * off**2).sum(axis=1) / total / residual_db**2 - 1 / residual_db**2 - first**2
    return np.log(total), first, second


# --- how good it is ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Validation:
    """Each ride predicted from the others: mean log score of a report, learnt and by default, and the rides."""

    learnt: float
    default: float
    rides: int

    @property
    def better(self) -> bool:
        return self.learnt > self.default


def cross_validated(evidence: Evidence, prior: Prior = Prior()) -> Validation | None:
    """Leave each ride out in turn; None with fewer than two rides."""
    evidence = evidence.take(evidence.known)
    rides = list(dict.fromkeys(evidence.ride.tolist()))
    if len(rides) < 2:
        return None
    none = evidence.take(np.zeros(len(evidence), dtype=bool))
    learnt = default = 0.0
    for ride in rides:
        out = evidence.ride == ride
        learnt += score(fit(evidence.take(~out), prior), evidence.take(out))
        default += score(fit(none, prior), evidence.take(out))
    return Validation(learnt / len(evidence), default / len(evidence), len(rides))


def score(fitted: Fit, evidence: Evidence) -> float:
    """Sum of log probabilities of the reports under a fit."""
    shift, sd = predicted_error(fitted, evidence)
    off = (ERRORS_DB - shift[:, None]) / sd[:, None]
    density = np.exp(-0.5 * off**2)
    density /= density.sum(axis=1, keepdims=True)
    said, kept = ((density * table).sum(axis=1) for table in (likelihood(evidence), selection(evidence)))
    return float(np.sum(np.log(said) - np.log(kept)))


def predicted_error(fitted: Fit, evidence: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation (n,) of the error that a fit expects for reports of a ride to come."""
    residual = fitted.residual.value
    u = fitted.cover.value - 1.0
    low, _, high = evidence.cover_db.T
    shift = -((high - low) * u + 2 * (high + low) * u * u)
    sd = np.empty(len(evidence))
    known: dict[tuple[str, str], Estimate] = {}
    for k, pair in enumerate(zip(evidence.station, evidence.mount)):
        if pair not in known:
            known[pair] = fitted.station(*pair)
        shift[k] += known[pair].value
        sd[k] = np.sqrt(residual**2 + known[pair].sd ** 2 + fitted.prior.ride_db**2)
    return shift, sd


def names(values: Sequence[str]) -> str:
    """ "A, B and C"."""
    return " and ".join(filter(None, [", ".join(values[:-1]), *values[-1:]]))
