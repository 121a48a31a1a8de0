"""After the ride: area, ride file, track and reports become a Debrief.

    debrief(area, ride, track, heard, ...) -> Debrief

The track is put on the streets and predicted like a planned ride, on the clock of the ride; reports are put on it by
time or place; what they say is compared with the prediction and learnt from, together with the evidence of earlier
rides that the ride's learnt file names.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from routeplan.afterwards import adif, compare, learn
from routeplan.afterwards.evidence import Evidence, evidence_csv, joined, no_evidence, read_evidence
from routeplan.afterwards.learn import Estimate, Prior
from routeplan.afterwards.reports import Reception, read_bytes, read_heard
from routeplan.afterwards.riding import RiderFit
from routeplan.afterwards.tracks import Track, read_track
from routeplan.errors import InputError
from routeplan.plan import debriefing, jobs
from routeplan.plan.area import Area
from routeplan.plan.background import background
from routeplan.plan.debriefed import Debrief, Heard, HeardSource, RideCompared, RiderValue, Surprise
from routeplan.plan.followed import Followed, follow
from routeplan.plan.learnt import Learnt, Offset, learnt_of, learnt_text, stands
from routeplan.plan.on_the_ride import Placed, Predicted, card_overs, placed_reports, predicted_for
from routeplan.plan.reasons import cautions
from routeplan.plan.ridden_track import (
    along_of,
    as_ridden,
    began_at,
    climb_of,
    middle_s,
    on_that_day,
    on_the_ground,
    ride_name,
    rider_of,
    zone_of,
)
from routeplan.plan.ridefile import Ride, require
from routeplan.plan.setting import Progress, Setting
from routeplan.plan.timetable import Timed, make_route, time_route
from routeplan.plan.value import Plan, PlannedNet, Route
from routeplan.plan.words import counted as number_of
from routeplan.ride.surfaces import rolling_coefficients
from routeplan.roads.tags import SURFACES

BEACON_EVERY_M = 250.0  # closer together along a ride beacons say nothing new
SURPRISE_M = 2500.0  # reports of one station this close along the ride are one surprise
SURPRISE_DB = 3.0
SURPRISES = 6


def debrief(
    area: Area,
    ride: Ride,
    track_file: str | Path,
    heard_files: Sequence[str | Path],
    *,
    progress: Progress,
    clock_offset_s: float = 0.0,
    plan_file: str | Path | None = None,
    choice: str = "",
    now_s: float | None = None,
) -> Debrief:
    """Compare a ride with its prediction and learn from it.

    clock_offset_s : what to add to the times of reports.   plan_file, choice : plan JSON and letter of the choice whose
    card was ticked; without them the overs of a card are those of the ridden way.   now_s : tests.
    Raises InputError for a track or a file that is no such thing, or of another place.
    """
    require(ride, "debrief")
    track = read_track(track_file)
    clean, track, warnings = on_the_ground(area, track, str(track_file), now_s)
    ride, more = on_that_day(ride, float(clean.time_s[0]))
    files = [read_heard(f, zone=zone_of(ride), around_s=middle_s(clean)) for f in heard_files]
    followed = follow(area, ride, track, room_m=0.0, progress=progress)
    timed = as_ridden(followed, track, clean, ride)
    began = began_at(ride, clean)
    progress("the ride as it was predicted")
    route = make_route(followed.setting, timed, letter="R", why=debriefing.followed_in_words(followed))
    overs = card_overs(plan_file, choice, began, route)
    progress(number_of(sum(len(f.reports) for f in files), "report"))
    placed, sources = placed_reports(area, ride, clean, files, clock_offset_s, overs)
    along = along_of(followed, track, timed)
    predicted = predicted_for(area, ride, followed.setting, placed, ride_name(began), along)
    case = _Case(area, ride, followed, timed, route, began, track, placed, sources, predicted)
    return _compared(case, [*warnings, *more, *predicted.warnings], progress)


@dataclass(frozen=True)
class _Case:
    """What a debrief has to compare."""

    area: Area
    ride: Ride
    followed: Followed
    timed: Timed
    route: Route
    began: datetime
    track: Track
    placed: list[Placed]
    sources: list[HeardSource]
    predicted: Predicted

    @property
    def setting(self) -> Setting:
        return self.followed.setting

    @property
    def name(self) -> str:
        return ride_name(self.began)


def _compared(case: _Case, warnings: list[str], progress: Progress) -> Debrief:
    """The comparison, what is learnt from it, and the words for both."""
    before = learnt_of(case.ride)
    seen = case.predicted
    chance = compare.chance_of(seen.evidence, seen.shift_db, seen.sigma_db)
    heard = _heard(case, chance)
    own = _thinned(seen.evidence.take(seen.evidence.known))
    earlier, more = _earlier(before, case.name, case.ride)
    evidence = joined([earlier, own])
    progress(f"learning from {number_of(len(evidence), 'report')} of {number_of(len(set(evidence.ride)), 'ride')}")
    fitted = learn.fit(evidence, seen.prior)
    validation = learn.cross_validated(evidence, seen.prior)
    learnt = _learnt(case.ride, before, fitted, evidence)
    riding, rows = _riding(case)
    shown = _thinned_rows(seen.evidence)
    counted = seen.evidence.counted & shown
    surprises = _surprises(case, fitted, own)
    estimates = tuple((name, fitted.station(name)) for name in fitted.stations)
    model_error_db = (
        math.hypot(fitted.prior.station_db, fitted.residual.value, fitted.prior.ride_db)
        if fitted.residual.learnt
        else None
    )
    text = learnt_text(
        learnt,
        rider=_rider_keys(case, riding),
        model_error_db=model_error_db,
        ridden=rows,
        validation={}
        if validation is None
        else {"score_learnt": round(validation.learnt, 3), "score_default": round(validation.default, 3)},
    )
    found = Debrief(
        plan=_plan(case),
        began=case.began,
        heard=heard,
        sources=tuple(case.sources),
        groups=compare.groups(own, _chance_rows(seen, own, chance)),
        reliability=compare.reliability(chance[counted], seen.evidence.worked[counted]),
        surprises=surprises,
        ride=riding,
        learnt=learnt,
        station_estimates=estimates,
        residual=fitted.residual,
        cover=fitted.cover,
        validation=validation,
        sentences=(),
        changes=debriefing.changes(before, learnt),
        warnings=tuple(dict.fromkeys([*case.ride.warnings, *warnings, *more])),
        learnt_toml=text,
        evidence_csv=evidence_csv(evidence),
    )
    return replace(found, sentences=debriefing.sentences(found))


def _chance_rows(seen: Predicted, own: Evidence, chance: np.ndarray) -> np.ndarray:
    """The chances of the thinned, known reports."""
    return chance[np.flatnonzero(seen.evidence.known & _thinned_rows(seen.evidence))]


def _heard(case: _Case, chance: np.ndarray) -> tuple[Heard, ...]:
    seen = case.predicted
    zero = case.began.timestamp()
    along = along_of(case.followed, case.track, case.timed)
    surprise = compare.surprise(seen.evidence, np.nan_to_num(seen.shift_db), seen.sigma_db)
    x, y = np.array([p.place.x_m for p in case.placed]), np.array([p.place.y_m for p in case.placed])
    latitude, longitude = case.area.projection.to_latlon(x, y) if len(x) else (x, y)
    worked, counted = seen.evidence.worked, seen.evidence.counted
    out = []
    for k, item in enumerate(case.placed):
        report = item.report
        out.append(
            Heard(
                station=item.station,
                time_s=item.place.time_s - zero,
                distance_m=float(along.metres(item.place.time_s)),
                x_m=float(x[k]),
                y_m=float(y[k]),
                latitude_deg=float(latitude[k]),
                longitude_deg=float(longitude[k]),
                words=report.words,
                worked=bool(worked[k]),
                chance=float(chance[k]),
                margin_to_db=float(seen.planned_db[k, 0]),
                margin_from_db=float(seen.planned_db[k, 1]),
                surprise=float(surprise[k]),
                beacon=report.beacon,
                counted=bool(counted[k]),
                they_said=_rst(report.they),
                i_said=_rst(report.i),
                mount=str(seen.evidence.mount[k]),
                frequency_mhz=float(seen.evidence.frequency_mhz[k]),
                where=report.where,
            )
        )
    return tuple(out)


def _rst(said: Reception | None) -> str:
    """A report as a log holds it; "" where it was not given in figures."""
    if said is None or not said.heard or said.least != said.most:
        return ""
    return f"{said.least}{said.strength or ''}"


def _plan(case: _Case) -> Plan:
    """A plan of the one ride, for the pictures."""
    route, ride, setting = case.route, case.ride, case.setting
    return Plan(
        job="debrief",
        area=jobs.area_facts(case.area),
        title=f"After the ride, {debriefing.day_of(case.began)}",
        assumptions=jobs.told_assumptions(setting),
        stations=jobs.planned_stations(setting),
        nets=tuple(
            PlannedNet(n.name, n.frequency_mhz, n.mode, n.begins, n.ends, n.control)
            for n in ride.nets
            if n.begins is not None
        ),
        routes=(route,),
        bound=None,
        warnings=(),
        cautions=cautions(ride),
        contact_chance=ride.contact.chance,
        time_zone=ride.time_zone or "UTC",
        background=background(case.area, *jobs.map_places(setting, [route])),
    )


# --- surprises ---------------------------------------------------------------------------------------------------


def _surprises(case: _Case, fitted: learn.Fit, own: Evidence) -> tuple[Surprise, ...]:
    """Parts of the ride on which a station was heard otherwise than its own offset explains, the largest first."""
    found = []
    samples = case.route.samples
    for station in fitted.stations:
        rows = np.flatnonzero(own.station == station)
        if not len(rows):
            continue
        rows = rows[np.argsort(own.distance_m[rows], kind="stable")]
        offset = fitted.station(station).value
        for part in np.split(rows, np.flatnonzero(np.diff(own.distance_m[rows]) > SURPRISE_M) + 1):
            for piece in _long_cut(part, own.distance_m):
                error = _local_error(own.take(piece), offset, fitted)
                if abs(error.value) < SURPRISE_DB or error.low < 0 < error.high:
                    continue
                at = float(np.median(own.distance_m[piece]))
                seconds = np.interp(
                    [own.distance_m[piece].min(), own.distance_m[piece].max()], samples.distance_m, samples.time_s
                )
                x, y = (float(np.interp(at, samples.distance_m, c)) for c in (samples.x_m, samples.y_m))
                cover = float(np.mean(own.cover_db[piece, 2] - own.cover_db[piece, 0]))
                words = debriefing.surprise_in_words(case.area, station, at, x, y, error, cover, len(piece))
                found.append(Surprise(station, float(seconds[0]), float(seconds[1]), x, y, error, words))
    return tuple(sorted(found, key=lambda s: -abs(s.error.value))[:SURPRISES])


def _long_cut(rows: np.ndarray, distance_m: np.ndarray) -> list[np.ndarray]:
    """Rows in parts that are no longer than twice SURPRISE_M along the ride."""
    if not len(rows):
        return []
    part = ((distance_m[rows] - distance_m[rows[0]]) // (2 * SURPRISE_M)).astype(int)
    return [rows[part == k] for k in np.unique(part)]


def _local_error(part: Evidence, offset_db: float, fitted: learn.Fit) -> Estimate:
    """What a few reports say beyond the station's offset; the mean of the changing error on their stretch."""
    moved = replace(
        part,
        to_db=part.to_db + offset_db,
        from_db=part.from_db + offset_db,
        station=np.full(len(part), "here", dtype=object),
        cover_db=part.cover_db * 0,
    )
    residual = fitted.residual.value
    prior = Prior(
        station_db=0.85 * residual, residual_db=0.55 * residual, residual_spread=0.05, mount_db=1e-3, ride_db=1e-3
    )
    return learn.fit(moved, prior).station("here")


# --- learning ------------------------------------------------------------------------------------------------------


def _earlier(before: Learnt, name: str, ride: Ride) -> tuple[Evidence, list[str]]:
    """Evidence of earlier rides that still counts: other rides, and stations that stand as they stood."""
    if before.evidence is None:
        return no_evidence(), []
    try:
        text = read_bytes(before.evidence).decode("utf-8", "replace")
    except InputError as error:
        told = error.faults[0]
        return no_evidence(), [
            f"the evidence of earlier rides is missing ({told.where}: {told.what}); learning from this ride alone"
        ]
    kept = read_evidence(text, str(before.evidence))
    now = {s.name: stands(s) for s in ride.stations}
    other = np.array([r != name for r in kept.ride], dtype=bool)
    same = np.array([now.get(s, old) == old for s, old in zip(kept.station, kept.stands)], dtype=bool)
    notes = []
    if (other & ~same).any():
        changed = dict.fromkeys(kept.station[other & ~same].tolist())
        notes.append(f"earlier reports of {learn.names(list(changed))} are left out: the station has changed")
    return kept.take(other & same), notes


def _thinned(evidence: Evidence) -> Evidence:
    """Without beacons that lie closer than BEACON_EVERY_M behind the one before, by station and whether received."""
    return evidence.take(_thinned_rows(evidence))


def _thinned_rows(evidence: Evidence) -> np.ndarray:
    keep = np.ones(len(evidence), dtype=bool)
    last: dict[tuple[str, str], float] = {}
    for k in np.argsort(evidence.distance_m, kind="stable"):
        if not np.isfinite(evidence.beacon_db[k]):
            continue
        key = (evidence.ride[k], evidence.station[k])  # whether received or not must not matter here
        if evidence.distance_m[k] - last.get(key, -1e9) < BEACON_EVERY_M:
            keep[k] = False
        else:
            last[key] = float(evidence.distance_m[k])
    return keep


def _learnt(ride: Ride, before: Learnt, fitted: learn.Fit, evidence: Evidence) -> Learnt:
    """What of the fit a plan is to use: only what the data narrowed."""
    described = {s.name: stands(s) for s in ride.stations}
    described |= {name: old for name, old in zip(evidence.station, evidence.stands) if name not in described}
    stations = []
    for name in fitted.stations:
        found = fitted.station(name)
        if found.learnt:
            old = before.station(name)
            stations.append(_offset(name, found, described[name], old.offset_db if old else math.nan))
    # Where there are several mounts their offsets go with the stations', narrow or not: only the sums are known well.
    mounts = [_offset(name, fitted.mount(name), "", math.nan) for name in fitted.mounts]
    cover, residual = fitted.cover, fitted.residual
    days = sorted(filter(None, map(_day_of, set(evidence.ride))))
    unanswered = sum(a is False for a in evidence.answered)
    return Learnt(
        stations=tuple(stations),
        mounts=tuple(mounts),
        cover_scale=cover.value if cover.learnt else math.nan,
        cover_low=cover.low if cover.learnt else math.nan,
        cover_high=cover.high if cover.learnt else math.nan,
        residual_db=residual.value if residual.learnt else math.nan,
        ride_db=fitted.prior.ride_db,
        station_db=fitted.prior.station_db,
        rides=len(set(evidence.ride)),
        reports=len(evidence),
        no_answer=unanswered,
        first=days[0] if days else None,
        last=days[-1] if days else None,
        on_mounts=tuple(dict.fromkeys(evidence.mount.tolist())),
        evidence=Path("evidence.csv"),
        name="learnt.toml",
    )


def _day_of(ride: str) -> date | None:
    """The day in a ride's name, "2026-08-27 19:05"; None where evidence holds another name."""
    try:
        return datetime.strptime(ride, "%Y-%m-%d %H:%M").date()
    except ValueError:
        return None


def _offset(name: str, found: Estimate, described: str, before_db: float) -> Offset:
    return Offset(name, found.value, found.low, found.high, found.sd, found.reports, found.rides, described, before_db)


# --- the rider ---------------------------------------------------------------------------------------------------


def _riding(case: _Case) -> tuple[RideCompared, list[dict[str, Any]]]:
    """Time, climb and the rider's values against the model, and the rows of the learnt file that keep them."""
    ride, route = case.ride, case.route
    kept = [row for row in ride.learnt.get("ridden", []) if isinstance(row, dict)]
    again = any(case.name in str(row.get("rides", "")) for row in kept)
    before = {
        str(row.get("name")): float(row["sd"])
        for row in kept
        if isinstance(row.get("sd"), float | int) and 0 < row["sd"] < 1
    }
    fitted, standing_s = rider_of(case.setting, case.timed, case.followed, case.track, before)
    model = time_route(case.setting, case.timed.ridden.edges, case.began)
    values = _values(ride, fitted)
    compared = RideCompared(
        ridden_s=route.ride_time_s,
        standing_s=standing_s,
        model_s=model.ridden.ride_time_s,
        model_range_s=route.ride_time_range_s,
        climb_model_m=route.climb_m,
        climb_uncertainty_m=route.climb_uncertainty_m,
        climb_track_m=climb_of(case.track, case.followed),
        values=values,
        stretches=fitted.stretches,
        off_street_share=1.0 - case.followed.match.matched_share,
    )
    if again:
        return compared, kept
    past = {str(row.get("name")): str(row.get("rides", "")) for row in kept}
    rows = []
    for name, value in fitted.factors.items():
        if value.reports:
            rides = ", ".join(filter(None, [past.get(name, ""), case.name]))
            rows.append(
                {
                    "name": name,
                    "factor": round(value.value, 4),
                    "low": round(value.low, 4),
                    "high": round(value.high, 4),
                    "sd": round(value.sd, 4),
                    "rides": rides,
                }
            )
    return compared, rows


def _values(ride: Ride, fitted: RiderFit) -> tuple[RiderValue, ...]:
    """The rider's values in the units of the ride file."""
    used = ride.pacing_rider
    stated = ride.document.get("rider", {})
    climb = fitted.factors["climb_factor"]
    power = fitted.factors["power_w"]
    spread = math.hypot(power.sd, climb.sd)
    size = power.value * climb.value
    both = replace(
        power,
        value=size,
        low=size * math.exp(-learn.Z80 * spread),
        high=size * math.exp(learn.Z80 * spread),
        sd=spread,
    )
    rows = [
        ("power_w", used.power_w, power),
        ("climb_power_w", used.full_climb_power_w, both),
        ("drag_area_m2", used.drag_area_m2, fitted.factors["drag_area_m2"]),
        ("rolling", 1.0, fitted.factors["rolling"]),
    ]
    return tuple(
        RiderValue(
            f"rider.{key}",
            value,
            replace(e, value=e.value * value, low=e.low * value, high=e.high * value),
            key in stated,
        )
        for key, value, e in rows
    )


def _rider_keys(case: _Case, compared: RideCompared) -> dict[str, Any]:
    """Keys of [rider] for the learnt file: what the clock narrowed, and what was learnt before and still holds."""
    stated = case.ride.document.get("rider", {})
    keys: dict[str, Any] = {}
    used = case.ride.pacing_rider
    for value in compared.values:
        key = value.key.removeprefix("rider.")
        if not value.estimate.learnt or key in stated:
            continue
        if key == "rolling":
            table = rolling_coefficients(SURFACES, case.ride.rider.rolling) * value.estimate.value
            keys[key] = {name: round(float(c), 4) for name, c in zip(SURFACES, table) if c < 0.04}
        else:
            keys[key] = round(value.estimate.value, 3 if key == "drag_area_m2" else 0)
    if "climb_power_w" in keys and "power_w" not in keys:
        keys["climb_power_w"] = max(keys["climb_power_w"], used.power_w)
    return keys


# --- the log -----------------------------------------------------------------------------------------------------


def log_text(contacts: Sequence[dict[str, Any]], version: str, written: datetime) -> str:
    """Contacts as an ADIF log.

    Keys of a contact: station, when (aware), frequency_mhz, mode, they_said, i_said, latitude, longitude, locator,
    transmit_w, margin_to_db, margin_from_db, chance.
    """

    def number(value: float, digits: int) -> str:
        return f"{value:.{digits}f}" if math.isfinite(value) else ""

    records = []
    for c in contacts:
        utc = c["when"].astimezone(UTC)
        records.append(
            {
                "CALL": c["station"].upper(),
                "QSO_DATE": f"{utc:%Y%m%d}",
                "TIME_ON": f"{utc:%H%M%S}",
                "BAND": adif.band_name(c["frequency_mhz"]),
                "FREQ": number(c["frequency_mhz"], 4),
                "MODE": c["mode"],
                "RST_RCVD": c["they_said"],
                "RST_SENT": c["i_said"],
                "MY_GRIDSQUARE": c["locator"],
                "MY_LAT": adif.location(c["latitude"], "NS"),
                "MY_LON": adif.location(c["longitude"], "EW"),
                "TX_PWR": c["transmit_w"],
                "APP_ROUTEPLAN_MARGIN_TO_DB": number(c["margin_to_db"], 1),
                "APP_ROUTEPLAN_MARGIN_FROM_DB": number(c["margin_from_db"], 1),
                "APP_ROUTEPLAN_CHANCE": number(c["chance"], 2),
            }
        )
    return adif.adif_text(records, version, written)
