"""From margins to chances: of one station, of the contact rule, and of minutes along a ride.

A margin is a median; the truth differs from it by an error taken as normal, with the spread
`Spread.sigma_db`. The errors of both directions of one path are the same error. Errors of different stations
are correlated, since the rider, the ground round about and the model are the same: by 0.5, and more for
stations in nearly the same direction (`bearing_correlation`). Both figures are judgement, as is the share of
the model's error that stays the same for a station all the ride long.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from routeplan.compiled import in_slices
from routeplan.errors import InputError

Array = NDArray[np.float64]

MODEL_ERROR_DB = 8.0  # terrain-specific models against measurements at VHF and UHF: 6 to 10 dB, from memory
CORRELATION = 0.5  # between the errors of two stations; judgement
NEAR_CORRELATION = 0.9  # of two stations in the same direction; judgement
CONSTANT_SHARE = 0.5  # of the model error's variance that is constant for a station and ride; judgement
DECORRELATION_M = 500.0  # along the road, for the rest: exp(-distance / 500 m); judgement
UNKNOWN_MATTERS = 0.005  # a station without data matters if it could change the rule's chance by more


def location_spread_db(
    frequency_mhz: float, *, height_m: float = 1.5, side_m: float = 100.0, cover_m: float = 0.0
) -> float:
    """Spread of the loss from place to place inside a square of `side_m` [dB]. Rec. ITU-R P.1812, section
    4.8.

    sigma_L = (0.52 + 0.024 f_GHz) side^0.28, lessened from the cover's height to 10 m above it.
    """
    lessened = min(1.0, max(0.0, 1 - (height_m - cover_m) / 10))
    return lessened * (0.52 + 0.024 * frequency_mhz / 1000) * side_m**0.28


@dataclass(frozen=True)
class Spread:
    """What makes the true margin differ from the computed one; standard deviations [dB], independent of each
    other.
    """

    location_db: float = 1.9  # P.1812, 100 m, 2 m band; see location_spread_db
    model_db: float = MODEL_ERROR_DB
    body_db: float = 2.0  # rider's body and mount; see antennas.MOUNTS
    noise_db: float = 0.0  # see link.noise_spread_db
    constant_share: float = CONSTANT_SHARE  # of the model error's variance

    def __post_init__(self) -> None:
        for name in ("location_db", "model_db", "body_db", "noise_db"):
            value = getattr(self, name)
            if not 0 <= value <= 40:
                raise InputError("a spread is between 0 and 40 dB", f"{name} = {value}", "the model error is about 8")
        if not 0 <= self.constant_share <= 1:
            raise InputError("a share is between 0 and 1", f"constant_share = {self.constant_share}")
        if self.sigma_db == 0:
            raise InputError("all spreads are 0", "Spread", "nothing is that certain; the model error is about 8 dB")

    @property
    def sigma_db(self) -> float:
        return math.sqrt(self.location_db**2 + self.model_db**2 + self.body_db**2 + self.noise_db**2)

    @property
    def constant_db(self) -> float:
        """The part that is the same for a station along the whole ride."""
        return math.sqrt(self.constant_share) * self.model_db

    @property
    def changing_db(self) -> float:
        """The part that changes along the road."""
        return math.sqrt(max(0.0, self.sigma_db**2 - self.constant_db**2))


def contact_chance(to_db: ArrayLike, from_db: ArrayLike, sigma_db: ArrayLike) -> Array:
    """Chance that both directions hold: Phi(min(to, from) / sigma); shapes broadcast; NaN stays NaN."""
    return np.asarray(ndtr(np.minimum(to_db, from_db) / np.asarray(sigma_db, dtype=float)))


def margin_needed_db(chance: ArrayLike, sigma_db: ArrayLike) -> Array:
    """Margin [dB] that gives a chance: sigma Phi^-1(chance). For 0.9 and sigma = sqrt(3^2 + 8^2): 10.95
    dB.
    """
    return np.asarray(ndtri(np.asarray(chance, dtype=float)) * np.asarray(sigma_db, dtype=float))


def bearing_correlation(bearing_deg: ArrayLike, *, far: float = CORRELATION, near: float = NEAR_CORRELATION) -> Array:
    """Correlation (k, k) of the errors of k stations from their bearings as the rider sees them [deg].

    bearing_deg : (k,), or (k, n) along a ride, then the mean over the n places.

    rho = far + (near - far) cos(delta / 2)^20, delta the angle between two stations: 0.9 in one direction,
    half way down to 0.5 when 30 degrees apart, 0.5 beyond 90. A stated choice (judgement) that is a valid
    correlation for any set of bearings, since cos^2 has no negative Fourier coefficient, nor have its powers.
    """
    bearing = np.radians(np.atleast_2d(np.asarray(bearing_deg, dtype=float).T).T)
    delta = bearing[:, None, :] - bearing[None, :, :]
    rho = np.nanmean(far + (near - far) * np.cos(delta / 2) ** 20, axis=-1)
    np.fill_diagonal(rho, 1.0)
    return np.asarray(rho)


# --- the contact rule
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rule:
    """A contact rule on k stations: at least `at_least` of the people in `ways` can be worked.

    ways : per person, the stations (indices) through any of which they are worked; for an ordinary station
    only itself, for someone whom repeaters reach, those as well.
    """

    ways: tuple[tuple[int, ...], ...]
    at_least: int

    @property
    def stations(self) -> tuple[int, ...]:
        """Indices of the stations that the rule reads, ascending."""
        return tuple(sorted({i for way in self.ways for i in way}))

    @property
    def simple(self) -> bool:
        """Every person has exactly one station, and no station serves two."""
        return all(len(way) == 1 for way in self.ways) and len(self.stations) == len(self.ways)

    def holds(self, up: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Whether the rule holds for stations up or not (k, ...) -> (...)."""
        count = sum(np.any(up[list(way)], axis=0).astype(np.int16) for way in self.ways)
        return np.asarray(count >= self.at_least)


def resolve_rule(rule: Any, names: Sequence[str] | int, reaches: Mapping[str, Sequence[str]] | None = None) -> Rule:
    """A Rule from "any", "all", at least k (int or {"at_least": k}), or names that must all be worked.

    names : of the stations, in order; or only how many there are.
    reaches : per repeater, whom one works through it. They count as people, the repeater itself then does
    not; a repeater that names nobody counts as one. A named repeater counts as itself.
    """
    if isinstance(rule, Rule):
        return rule
    names = [str(i) for i in range(names)] if isinstance(names, int) else list(names)
    reaches = {name: tuple(whom) for name, whom in (reaches or {}).items() if whom}
    ways: dict[str, list[int]] = {}
    for i, name in enumerate(names):
        for person in reaches.get(name, (name,)):
            ways.setdefault(person, []).append(i)
    mend = '"any", "all", ["NAME", ...] or { at_least = 2 }'
    people = [tuple(ways[p]) for p in ways]
    if isinstance(rule, str) and rule not in ways:
        if rule in ("any", "all"):
            return Rule(tuple(people), 1 if rule == "any" else len(people))
        near = difflib.get_close_matches(rule, ["any", "all", *ways], 1)
        raise InputError("unknown contact rule", f"rule = {rule!r}", f'did you mean "{near[0]}"?' if near else mend)
    if isinstance(rule, Mapping):
        if set(rule) != {"at_least"}:
            raise InputError("unknown contact rule", f"rule = {dict(rule)!r}", mend)
        rule = rule["at_least"]
    if isinstance(rule, int) and not isinstance(rule, bool):
        if not 1 <= rule <= len(people):
            text = f"{len(people)} can be worked at all ({', '.join(ways)})"
            raise InputError(f"at least {rule} is asked for, but {text}", "rule", f"use 1 to {len(people)}")
        return Rule(tuple(people), rule)
    wanted = [rule] if isinstance(rule, str) else rule
    if not isinstance(wanted, Sequence) or not wanted:
        raise InputError("unknown contact rule", f"rule = {rule!r}", mend)
    chosen = []
    for name in dict.fromkeys(str(n) for n in wanted):
        through = ways.get(name, []) + ([names.index(name)] if name in names and name in reaches else [])
        if not through:
            near = difflib.get_close_matches(name, [*ways, *names], 1)
            hint = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(dict.fromkeys([*names, *ways]))}"
            raise InputError("the contact rule names an unknown station", f"rule: {name!r}", hint)
        chosen.append(tuple(through))
    return Rule(tuple(chosen), len(chosen))


def _correlation_matrix(correlation: ArrayLike, k: int) -> Array:
    """Checked (k, k) matrix from a scalar or a matrix."""
    given = np.asarray(correlation, dtype=float)
    where = f"correlation of {k} stations"
    if given.ndim == 0:
        if not 0 <= given <= 1:
            raise InputError(f"{given} is outside 0 to 1", where)
        matrix = np.full((k, k), float(given))
        np.fill_diagonal(matrix, 1.0)
        return matrix
    if given.shape != (k, k):
        raise InputError(f"shape {given.shape} instead of ({k}, {k})", where)
    if not (np.allclose(given, given.T, atol=1e-9) and np.allclose(np.diag(given), 1, atol=1e-9)):
        raise InputError("not symmetric with ones on its diagonal", where)
    if np.linalg.eigvalsh(given).min() < -1e-8:
        raise InputError("no errors can be correlated like that (a negative eigenvalue)", where)
    return given


@lru_cache(maxsize=64)
def _factors(matrix_bytes: bytes, k: int) -> tuple[Array, Array]:
    """Loadings (k, q) and own share (k,) such that loadings loadings' + diag(own) is the correlation.

    As few common factors as give every entry within 0.005 (0.02 with more than four stations), found by principal
    factors (the textbook iteration on the communalities); with q = k - 1 there is always an answer, the least
    eigenvalue being everyone's own. Nobody's own share is below 0.02: fully common errors are not believed.
    """
    matrix = np.frombuffer(matrix_bytes).reshape(k, k)
    off = ~np.eye(k, dtype=bool)
    if k == 1 or np.abs(matrix[off]).max() < 1e-12:
        return np.zeros((k, 0)), np.ones(k)
    if k == 2:
        rho = matrix[0, 1]
        return _own_floor(np.sqrt(abs(rho)) * np.array([[1.0], [np.sign(rho)]]))
    close = 0.005 if k <= 4 else 0.02
    for q in range(1, k - 1):
        communality = np.abs(np.where(off, matrix, 0)).max(axis=1)
        for _ in range(2000):
            values, vectors = np.linalg.eigh(np.where(off, matrix, np.diag(communality)))
            loadings = vectors[:, -q:] * np.sqrt(np.maximum(values[-q:], 0))
            update = np.minimum((loadings**2).sum(axis=1), 1.0)
            settled = np.abs(update - communality).max() < 1e-7
            communality = update
            if settled:
                break
        if np.abs((loadings @ loadings.T - matrix)[off]).max() < close:
            return _own_floor(loadings)
    values, vectors = np.linalg.eigh(matrix)
    return _own_floor(vectors[:, 1:] * np.sqrt(np.maximum(values[1:] - max(values[0], 0.0), 0)))


def _own_floor(loadings: Array) -> tuple[Array, Array]:
    """Loadings, shrunk where needed so that everyone keeps a share of their own of 0.02 or more, and that share."""
    common = (loadings**2).sum(axis=1)
    loadings = loadings * np.sqrt(np.minimum(1.0, 0.98 / np.maximum(common, 1e-12)))[:, None]
    return loadings, 1 - (loadings**2).sum(axis=1)


MOST_NODES = 256


def _nodes(loadings: Array, own: Array) -> tuple[Array, Array]:
    """Nodes (m, q) and weights (m,) for the mean over the common factors, m at most 256.

    Gauss-Hermite in each factor, more nodes where the curves are steep; where the product of all would pass that,
    an even sequence instead (Kronecker's, by powers of the generalised golden ratio), each point with its mirror.
    """
    q = loadings.shape[1]
    if q == 0:
        return np.zeros((1, 0)), np.ones(1)
    steep = (loadings**2 / own[:, None]).max(axis=0)
    counts = [min(100, int(7 + 4 * s)) for s in steep]
    if math.prod(counts) <= 8 * MOST_NODES:
        axes = [np.polynomial.hermite_e.hermegauss(count) for count in counts]
        weights = np.ones(1)
        for _, w in axes:
            weights = np.multiply.outer(weights, w / w.sum())
        nodes = np.stack([g.ravel() for g in np.meshgrid(*[z for z, _ in axes], indexing="ij")], axis=1)
        weights = weights.ravel()
        kept = weights > 3e-5
        if kept.sum() <= MOST_NODES:
            return nodes[kept], weights[kept] / weights[kept].sum()
    golden = 2.0
    for _ in range(60):  # the root of x^(q+1) = x + 1
        golden = (1 + golden) ** (1 / (q + 1))
    half = MOST_NODES // 2
    even = ndtri((0.5 + np.arange(1, half + 1)[:, None] * golden ** -np.arange(1.0, q + 1)) % 1)
    return np.concatenate([even, -even]), np.full(2 * half, 0.5 / half)


def rule_chance(
    chances: ArrayLike,
    rule: Any,
    correlation: ArrayLike = CORRELATION,
    *,
    names: Sequence[str] | None = None,
    reaches: Mapping[str, Sequence[str]] | None = None,
) -> Array:
    """Chance that the contact rule holds: (k, ...) chances of k stations -> (...).

    rule : as in `resolve_rule`.   correlation : of the stations' errors, one figure 0 to 1 or a (k, k)
    matrix.

    Each station holds when its normal error stays above a threshold; given the common factors of the errors
    the stations are independent, and the mean over the factors is a Gauss-Hermite sum (deterministic; within
    0.002 of the exact multivariate normal up to a correlation of 0.9, and 1e-4 for two stations). A station
    without data (NaN) makes the answer NaN, except where it cannot change it by more than 0.005.
    """
    p = np.asarray(chances, dtype=float)
    if p.ndim == 0 or p.shape[0] == 0:
        raise InputError("no stations", "chances", "give an array (stations, places)")
    chosen = resolve_rule(rule, list(names) if names is not None else p.shape[0], reaches)
    read = list(chosen.stations)
    if read[-1] >= p.shape[0]:
        raise InputError(f"{p.shape[0]} rows for {read[-1] + 1} stations", "chances")
    matrix = _correlation_matrix(correlation, p.shape[0])[np.ix_(read, read)]
    local = Rule(tuple(tuple(read.index(i) for i in way) for way in chosen.ways), chosen.at_least)
    flat = p[read].reshape(len(read), -1)
    unknown = np.isnan(flat)
    gaps = unknown.any(axis=0)
    if not gaps.any():
        return _rule_chance(flat, local, matrix).reshape(p.shape[1:])
    answer = _rule_chance(np.where(unknown, 0.0, flat), local, matrix)
    at_best = _rule_chance(np.where(unknown[:, gaps], 1.0, flat[:, gaps]), local, matrix)
    answer[gaps] = np.where(at_best - answer[gaps] <= UNKNOWN_MATTERS, answer[gaps], np.nan)
    return answer.reshape(p.shape[1:])


def _rule_chance(p: Array, rule: Rule, matrix: Array) -> Array:
    """The sum over the factors, on slices of the places that stay in the processor's cache."""
    if np.any((p < 0) | (p > 1)):
        raise InputError("a chance must lie between 0 and 1", "chances")
    k, n = p.shape
    if k == 1:
        return p[0].copy()
    loadings, own = _factors(np.ascontiguousarray(matrix).tobytes(), k)
    table = _truth(rule, k)

    def holds(up: Any) -> Any:
        return _count_chance(up, rule) if rule.simple else _table_chance(up, table)

    if loadings.shape[1] == 0:
        return np.asarray(holds(p))
    nodes, weights = _nodes(loadings, own)
    shifts = (nodes @ (loadings / np.sqrt(own)[:, None]).T * _PHI_STEPS).astype(np.float32)  # (m, k)
    scale = (_PHI_STEPS / np.sqrt(own))[:, None]
    phi = _phi_table()
    answer = np.zeros(n)

    def run(first: int, past_last: int) -> None:
        for begin in range(first, past_last, 8192):
            part = slice(begin, min(begin + 8192, past_last))
            # a place in the table: nearest entry, far ends clipped; the loop's arrays are made once
            place = np.clip(ndtri(p[:, part]) * scale, -1e7, 1e7) + (len(phi) // 2 + 0.5)
            place = place.astype(np.float32)
            moved, up = np.empty_like(place), np.empty_like(place)
            index = np.empty(place.shape, dtype=np.intp)
            total = np.zeros(place.shape[1], dtype=np.float32)
            for shift, weight in zip(shifts, weights.astype(np.float32)):
                np.add(place, shift[:, None], out=moved)
                np.copyto(index, moved, casting="unsafe")
                phi.take(index, out=up, mode="clip")
                total += weight * holds(up)
            answer[part] = total

    in_slices(run, n, None if n > 20_000 else 1)
    return np.clip(answer, 0.0, 1.0)


_PHI_STEPS = 2048.0  # entries of the table of the normal distribution per unit: off by less than 1e-4


@lru_cache(maxsize=1)
def _phi_table() -> NDArray[np.float32]:
    """Normal distribution from -8 to 8. Looking it up takes a tenth of the time of computing it."""
    return np.asarray(ndtr(np.arange(-8 * _PHI_STEPS, 8 * _PHI_STEPS + 1) / _PHI_STEPS), dtype=np.float32)


def _count_chance(up: Any, rule: Rule) -> Any:
    """Chance that at least k0 of independent stations hold: count by count, the textbook recursion."""
    k, least = len(up), rule.at_least
    if least == 1:
        none = 1 - up[0]
        for p in up[1:]:
            none *= 1 - p
        return 1 - none
    if least == k:
        every = up[0] * up[1]
        for p in up[2:]:
            every *= p
        return every
    fewer = [np.ones_like(up[0])] + [np.zeros_like(up[0])] * (least - 1)  # chances of exactly 0, 1, ... least - 1
    for p in up:
        for j in range(least - 1, 0, -1):
            fewer[j] = fewer[j] + (fewer[j - 1] - fewer[j]) * p
        fewer[0] = fewer[0] * (1 - p)
    return 1 - sum(fewer)


def _truth(rule: Rule, k: int) -> NDArray[np.bool_]:
    """Whether the rule holds for each of the 2^k states (2, 2, ..., 2), axis i being station i."""
    if rule.simple:
        return np.zeros(0, dtype=bool)
    if k > 12:
        raise InputError(f"{k} stations with repeaters in one contact rule", "rule", "12 at most; name fewer stations")
    states = np.indices((2,) * k).astype(bool)
    return rule.holds(states)


def _table_chance(up: Any, table: NDArray[np.bool_]) -> Any:
    """Chance of a truth table for independent stations, folding one station after the other."""
    value: Any = table.astype(np.float32)[..., None]
    for p in up:
        value = value[0] * (1 - p) + value[1] * p
    return value


# --- along a ride
# ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ContactMinutes:
    """Minutes in contact in each of the drawn rides, ascending, out of `window_min`."""

    minutes: Array
    window_min: float

    @property
    def mean_min(self) -> float:
        return float(self.minutes.mean())

    def at_least_min(self, chance: float = 0.8) -> float:
        """The minutes that are reached with this chance: in that share of the drawn rides."""
        return float(self.minutes[min(len(self.minutes) - 1, int((1 - chance) * len(self.minutes) + 1e-9))])

    def sentence(self, chance: float = 0.8) -> str:
        """ "8 chances in 10 of at least 40 of the 60 minutes"; minutes rounded down."""
        least = int(self.at_least_min(chance) + 1e-6)
        return f"{chance * 10:.0f} chances in 10 of at least {least} of the {self.window_min:.0f} minutes"


def contact_minutes(
    margin_db: ArrayLike,
    *,
    distance_m: ArrayLike,
    seconds: ArrayLike,
    rule: Any = "any",
    constant_db: ArrayLike,
    changing_db: ArrayLike,
    correlation: ArrayLike = CORRELATION,
    decorrelation_m: float = DECORRELATION_M,
    draws: int = 400,
    seed: int = 0,
    window_s: float | None = None,
    names: Sequence[str] | None = None,
    reaches: Mapping[str, Sequence[str]] | None = None,
) -> ContactMinutes:
    """Draw the errors along a ride many times and count the minutes in contact; same seed, same answer.

    margin_db (k, n) : the lesser margin of both directions; NaN counts as no contact (it is reported
    elsewhere). distance_m (n,) : place along the ride.   seconds (n,) : time that each sample stands for (0
    outside the window).
    constant_db, changing_db : scalar or (k,), see Spread: the error of a station is one draw for the ride
    plus a part that decorrelates along the road as exp(-distance / decorrelation_m) (first-order
    autoregression).
    window_s : what the sentence counts against, by default the sum of seconds.
    """
    margin = np.atleast_2d(np.asarray(margin_db, dtype=float))
    k, n = margin.shape
    chosen = resolve_rule(rule, list(names) if names is not None else k, reaches)
    time_s, along = np.asarray(seconds, dtype=float), np.asarray(distance_m, dtype=float)
    if time_s.shape != (n,) or along.shape != (n,):
        raise InputError(f"{n} margins, {along.size} distances and {time_s.size} times", "contact_minutes")
    if n and (np.any(np.diff(along) < 0) or np.any(time_s < 0)):
        raise InputError("distance and time must not go backwards", "contact_minutes")
    values, vectors = np.linalg.eigh(_correlation_matrix(correlation, k))
    mix = (vectors * np.sqrt(np.maximum(values, 0))).astype(np.float32)
    constant = np.broadcast_to(np.asarray(constant_db, dtype=np.float32), (k,))[:, None]
    changing = np.broadcast_to(np.asarray(changing_db, dtype=np.float32), (k,))[:, None]
    keep = np.exp(-np.diff(along, prepend=along[:1]) / decorrelation_m).astype(np.float32)
    fresh = np.sqrt(np.maximum(0, 1 - keep**2))

    rng = np.random.default_rng(seed)
    fixed = constant * (mix @ rng.standard_normal((k, draws), dtype=np.float32))
    state = mix @ rng.standard_normal((k, draws), dtype=np.float32)
    total_s = np.zeros(draws)
    for begin in range(0, n, 256):
        part = range(begin, min(begin + 256, n))
        error = np.matmul(mix, rng.standard_normal((len(part), k, draws), dtype=np.float32))
        for row, i in zip(error, part):
            row *= fresh[i]
            state *= keep[i]
            row += state
            state = row.copy()
        error *= changing
        error += fixed
        up = error > -margin[:, begin : part.stop].T[:, :, None].astype(np.float32)  # NaN compares as False
        total_s += np.einsum("n,nd->d", time_s[begin : part.stop], chosen.holds(up.swapaxes(0, 1)).astype(float))
    window = float(time_s.sum() if window_s is None else window_s)
    return ContactMinutes(np.sort(total_s) / 60, window / 60)


def contact_share(chance: ArrayLike, seconds: ArrayLike, window_s: float | None = None) -> float:
    """Expected contact over time: sum(seconds x chance) / time; places without data (NaN) are left out of
    both.

    window_s : of a net: what is counted against, minutes not on the ride being 0. NaN when nothing is known.
    """
    p, t = np.asarray(chance, dtype=float), np.asarray(seconds, dtype=float)
    known = ~np.isnan(p)
    time_s = float(t[known].sum()) if window_s is None else window_s
    if not known.any() or time_s <= 0:
        return math.nan
    return float(np.sum(p[known] * t[known])) / time_s


class ShareRange(NamedTuple):
    """Contact share when every link is worse by the common error, as computed, and better by it."""

    low: float
    middle: float
    high: float


def contact_share_range(
    margin_db: ArrayLike,
    seconds: ArrayLike,
    sigma_db: ArrayLike,
    *,
    rule: Any = "any",
    correlation: ArrayLike = CORRELATION,
    shift_db: float = 5.0,
    window_s: float | None = None,
    names: Sequence[str] | None = None,
    reaches: Mapping[str, Sequence[str]] | None = None,
) -> ShareRange:
    """Contact share for a common error of -shift, 0 and +shift [dB] on all links.

    margin_db (k, n) : the lesser of both directions.   seconds (n,).   sigma_db : scalar, (k,) or (k, n).
    """
    margin = np.atleast_2d(np.asarray(margin_db, dtype=float))
    sigma = np.asarray(sigma_db, dtype=float)
    sigma = sigma[:, None] if sigma.ndim == 1 else sigma
    shares = [
        contact_share(
            rule_chance(ndtr((margin + shift) / sigma), rule, correlation, names=names, reaches=reaches),
            seconds, window_s,
        )
        for shift in (-shift_db, 0.0, shift_db)
    ]  # fmt: skip
    return ShareRange(*shares)
