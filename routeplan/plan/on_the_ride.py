"""Reports put on a ridden track, and what was predicted for each of them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import NamedTuple

import numpy as np

from routeplan.afterwards import placing
from routeplan.afterwards.evidence import Evidence
from routeplan.afterwards.learn import Prior
from routeplan.afterwards.placing import Place
from routeplan.afterwards.reports import HeardFile, Report, WrongLine, read_bytes
from routeplan.errors import InputError
from routeplan.plan.area import Area
from routeplan.plan.contact import Contacts
from routeplan.plan.debriefed import HeardSource
from routeplan.plan.document import from_text
from routeplan.plan.learnt import stands
from routeplan.plan.ridden_track import Along
from routeplan.plan.ridefile import Ride, with_changes
from routeplan.plan.setting import Setting, make_contacts
from routeplan.plan.value import Route
from routeplan.radio.chance import Spread
from routeplan.radio.link import needed_dbm
from routeplan.radio.quality import mode_of

FEW = 6  # reports, from which on it is odd that all were answered
PACKET_OVER_DB = 8.0  # mean C/N over the static need at which half the packets survive a moving rider's fading


class _Over(NamedTuple):
    middle_s: float  # since 1970
    station: str


def card_overs(plan_file: str | Path | None, choice: str, began: datetime, route: Route) -> dict[str, _Over]:
    """Overs by their number: those of the plan whose card was ticked, or of the ridden way."""
    zero = began.timestamp()
    if plan_file is not None:
        plan = from_text(read_bytes(Path(plan_file)).decode("utf-8", "replace"), str(plan_file))
        route = next((r for r in plan.routes if r.id == (choice or r.id)), None)  # type: ignore[assignment]
        if route is None:
            raise InputError(f"no choice {choice!r}", str(plan_file), f"it has {', '.join(r.id for r in plan.routes)}")
    return {over.label: _Over(zero + (over.begin_s + over.end_s) / 2, over.note.split(",")[0]) for over in route.overs}


class Placed(NamedTuple):
    """A report of a station of the ride, with its place."""

    report: Report
    station: str
    place: Place
    selected: bool = False  # it would not have been written down, had it failed


def placed_reports(
    area: Area, ride: Ride, ridden: placing.Ridden, files: list[HeardFile], clock_offset_s: float,
    overs: dict[str, _Over],
) -> tuple[list[Placed], list[HeardSource]]:  # fmt: skip
    found: list[Placed] = []
    sources = []
    for file in files:
        reports, wrong, notes = _named(ride, file, overs)
        placed, more, told = _on_the_track(area, ridden, file, reports, clock_offset_s)
        found += placed
        every = (*file.wrong, *wrong, *more)
        sources.append(
            HeardSource(
                file.name,
                file.kind,
                sum(bool(p.report.where) for p in placed),
                tuple(map(str, every)),
                file.left_out,
                (*notes, *told),
            )
        )
    found.sort(key=lambda p: p.place.time_s)
    return found, sources


def _named(
    ride: Ride, file: HeardFile, overs: dict[str, _Over]
) -> tuple[list[tuple[Report, str]], list[WrongLine], list[str]]:
    """Reports with the name of the ride's station they belong to; ticks with the time and station of their over."""
    names = {_bare(s.name): s.name for s in ride.stations}
    reports, wrong, notes = [], [], []
    others: dict[str, int] = {}
    for report in file.reports:
        if report.over and math.isnan(report.time_s) and not report.placed:
            over = overs.get(report.over)
            if over is None:
                wrong.append(
                    WrongLine(report.where, f"no over {report.over} on this ride ({len(overs)} overs)", report.over)
                )
                continue
            report = replace(report, time_s=over.middle_s, station=report.station or over.station)
        name = names.get(_bare(report.station))
        if name is not None:
            reports.append((report, name))
        elif report.beacon or file.kind == "ADIF log":
            others[report.station] = others.get(report.station, 0) + 1
        else:
            near = get_close_matches(_bare(report.station), names, 1, 0.6)
            hint = f", did you mean {names[near[0]]}?" if near else f", the ride file has {', '.join(names.values())}"
            wrong.append(WrongLine(report.where, "no such station in the ride file" + hint, report.station[:30]))
    if others:
        told = ", ".join(f"{name} ({count})" for name, count in sorted(others.items(), key=lambda i: -i[1])[:6])
        notes.append(f"{sum(others.values())} reports are of stations that the ride file does not name: {told}")
    return reports, wrong, notes


def _bare(name: str) -> str:
    """A station's name without case and without the number after a call sign."""
    return re.sub(r"-\d{1,2}$", "", name.strip().upper())


def _on_the_track(
    area: Area, ridden: placing.Ridden, file: HeardFile, named: list[tuple[Report, str]], clock_offset_s: float
) -> tuple[list[Placed], list[WrongLine], list[str]]:
    notes, wrong = [], []
    reports = [report for report, _ in named]
    x, y = _xy(area, reports)
    if file.kind == "beacons" and reports:
        own = placing.own_beacons(ridden, reports, x, y)
        if not all(own):
            others = len(own) - sum(own)
            notes.append("1 beacon is of another sender" if others == 1 else f"{others} beacons are of other senders")
        keep = [k for k, mine in enumerate(own) if mine]
        named, reports, x, y = [named[k] for k in keep], [reports[k] for k in keep], x[keep], y[keep]
    time_s = np.array([r.time_s for r in reports]) + clock_offset_s
    offset, agree = placing.clock_offset_s(ridden, time_s, x, y)
    if agree >= max(2, 0.5 * np.isfinite(x).sum()) and abs(offset) > placing.CLOCK_AGREES_S:
        notes.append(f"its clock is {_lag(offset)}, as {agree} places of reports show; corrected")
        time_s = time_s + offset
    elif not agree:
        slip = placing.hour_slip_s(time_s, ridden.time_s[0], ridden.time_s[-1])
        if slip:
            notes.append(f"its times miss the ride by {slip / 3600:+.0f} h, as in another time zone; corrected")
            time_s = time_s + slip
    within = np.array([r.place_within_m for r in reports])
    places = placing.placed(ridden, time_s, x, y, within)
    placed = []
    for (report, name), place in zip(named, places):
        if place.why_not:
            wrong.append(WrongLine(report.where, place.why_not, report.words[:60]))
        else:
            placed.append(Placed(report, name, place, selected=file.kind == "ADIF log"))
    if file.kind == "beacons":
        missed, told = _missed(ridden, placed)
        if missed is None:
            placed = [p._replace(selected=True) for p in placed]
        placed += missed or []
        notes += told
    elif file.kind != "ADIF log" and len(placed) >= FEW and all(p.report.answered is not False for p in placed):
        notes.append(
            "it holds no call without an answer; if there were any, write them down too, or stations look too good"
        )
    return placed, wrong, notes


def _xy(area: Area, reports: list[Report]) -> tuple[np.ndarray, np.ndarray]:
    north, east = np.array([r.latitude_deg for r in reports]), np.array([r.longitude_deg for r in reports])
    x, y = np.full(len(reports), np.nan), np.full(len(reports), np.nan)
    good = np.isfinite(north) & np.isfinite(east)
    if good.any():
        x[good], y[good] = area.projection.to_xy(north[good], east[good])
    lost = ~(np.isfinite(x) & np.isfinite(y))
    return np.where(lost, np.nan, x), np.where(lost, np.nan, y)


def _lag(offset_s: float) -> str:
    span = f"{abs(offset_s):.0f} s" if abs(offset_s) < 600 else f"{abs(offset_s) / 60:.0f} min"
    return f"{span} {'behind' if offset_s > 0 else 'ahead of'} the track's"


def _missed(ridden: placing.Ridden, placed: list[Placed]) -> tuple[list[Placed] | None, list[str]]:
    """Beacons sent in the same rhythm and not received, for each station that received some; None: not known."""
    everything = placing.rhythm(np.array([p.place.time_s for p in placed]), ridden.time_s[0], ridden.time_s[-1])
    if everything is None:
        told = ["the beacons keep no steady interval: which were missed is not known, and nothing is learnt from them"]
        return None, told if placed else []
    sent = np.concatenate([np.array([p.place.time_s for p in placed]), everything.missed_s])
    out = []
    for station in dict.fromkeys(p.station for p in placed):
        like = next(p.report for p in placed if p.station == station)
        got = np.array([p.place.time_s for p in placed if p.station == station])
        times = np.unique(np.round(sent))
        missed = times[np.abs(times[:, None] - got).min(axis=1) > 0.4 * everything.interval_s]
        if len(missed) > 1:
            missed = missed[np.concatenate([[True], np.diff(missed) > 0.4 * everything.interval_s])]
        for report in placing.missed_reports(like, missed):
            place = placing.place_at(ridden, float(report.time_s))
            if not place.why_not:
                out.append(Placed(replace(report, where=""), station, place))
    return out, [f"beacons were sent every {everything.interval_s:.0f} s; {len(out)} were not received"]


# --- what was predicted for them --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Predicted:
    """The prediction for each placed report."""

    evidence: Evidence  # margins over DAQ 3, without learnt values
    planned_db: np.ndarray  # (n, 2) margins of the plan, learnt values and the speech asked for
    shift_db: np.ndarray  # (n,) what the plan had learnt of its own error, over `evidence`
    sigma_db: np.ndarray  # (n,) spread that the plan reckoned with
    prior: Prior
    warnings: list[str]


def predicted_for(area: Area, ride: Ride, setting: Setting, placed: list[Placed], name: str, along: Along) -> Predicted:
    """Margins at the place, with the heading and mount, of every report."""
    n = len(placed)
    plain = replace(ride, learnt={}, radio=replace(ride.radio, model_error_db=_stated_error(ride)))
    x, y = np.array([p.place.x_m for p in placed]), np.array([p.place.y_m for p in placed])
    mounts = np.array([p.report.mount or ride.set.mount for p in placed], dtype=object)
    warnings: list[str] = []
    raw, plan, cover = np.full((n, 2), np.nan), np.full((n, 2), np.nan), np.zeros((n, 3))
    needed, beacon, sigma = np.full((n, 2), np.nan), np.full(n, np.nan), np.full(n, np.nan)
    path, mhz = np.full(n, np.nan), np.full(n, np.nan)
    prior = Prior()
    for mount in dict.fromkeys(mounts.tolist()) or [ride.set.mount]:
        try:
            changed = plain if mount == ride.set.mount else with_changes(plain, {"set.mount": mount})
        except InputError:
            warnings.append(f"unknown mount {mount!r}; its reports are not compared")
            continue
        changed = replace(changed, learnt={}, radio=plain.radio)
        contacts = make_contacts(area, changed, setting.network.point_x_m, setting.network.point_y_m)
        used = setting.contacts if mount == ride.set.mount else contacts
        prior = prior_of(contacts)
        for k, work in enumerate(contacts.workable):
            rows = np.flatnonzero([p.station == work.name and m == mount for p, m in zip(placed, mounts)])
            rows = rows[[_same_band(placed[i].report.frequency_mhz, work.transmit_mhz, work.listen_mhz) for i in rows]]
            if not len(rows):
                continue
            alone = replace(contacts, workable=(work,))
            places = [placed[i].place for i in rows]
            margin = _margins(alone, x[rows], y[rows], places)
            grade_db = over_readable_db(work.mode)
            raw[rows] = margin.T + grade_db
            half, more = (_margins(_with_cover(alone, s), x[rows], y[rows], places) for s in (0.5, 1.5))
            cover[rows, 0], cover[rows, 2] = (margin - half).min(axis=0), (margin - more).max(axis=0)
            if ride.learnt and mount == ride.set.mount:
                planned = replace(used, workable=(used.workable[k],))
                plan[rows] = _margins(planned, x[rows], y[rows], places).T
            else:
                plan[rows] = margin.T
            sigma[rows] = used.workable[k].spread.sigma_db
            path[rows] = np.hypot(x[rows] - work.x_m, y[rows] - work.y_m)
            mhz[rows] = work.transmit_mhz
            needed[rows] = _needed(work)
            for i in rows:
                if placed[i].report.beacon:
                    beacon[i] = _packet_db(work, needed[i, 0])
    lost = ~np.isfinite(raw[:, 0]) if n else np.zeros(0, dtype=bool)
    if lost.any():
        warnings.append(f"{int(lost.sum())} reports are not compared: another band, or ground without elevation data")
    described = {s.name: stands(s) for s in ride.stations}
    evidence = Evidence(
        ride=np.full(n, name, dtype=object),
        station=np.array([p.station for p in placed], dtype=object),
        mount=mounts,
        stands=np.array([described[p.station] for p in placed], dtype=object),
        to_db=raw[:, 0], from_db=raw[:, 1], cover_db=cover,
        distance_m=along.metres(np.array([p.place.time_s for p in placed])) if n else np.zeros(0),
        path_m=path, frequency_mhz=mhz,
        they=tuple(p.report.they for p in placed), i=tuple(p.report.i for p in placed),
        answered=tuple(p.report.answered for p in placed),
        selected=np.array([p.selected for p in placed], dtype=bool),
        beacon_db=beacon, needed_to_dbm=needed[:, 0], needed_from_dbm=needed[:, 1],
    )  # fmt: skip
    grades = {w.name: over_readable_db(w.mode) for w in setting.contacts.workable}
    grade = np.array([grades.get(p.station, 0.0) for p in placed])
    return Predicted(evidence, plan, plan[:, 0] + grade - raw[:, 0] if n else np.zeros(0), sigma, prior, warnings)


def _stated_error(ride: Ride) -> float:
    stated = ride.document.get("radio", {}).get("model_error_db")
    return ride.radio.model_error_db if stated is not None else type(ride.radio)().model_error_db


def prior_of(contacts: Contacts) -> Prior:
    """What the plan believes by default, split into the part that is constant for a station and the rest."""
    spreads: list[Spread] = [w.spread for w in contacts.workable]
    return Prior(
        station_db=float(np.mean([s.constant_db for s in spreads])),
        residual_db=float(np.mean([s.changing_db for s in spreads])),
    )


def _same_band(mhz: float, transmit: float, listen: float) -> bool:
    return math.isnan(mhz) or min(abs(mhz / transmit - 1), abs(mhz / listen - 1)) < 0.06


def over_readable_db(mode) -> float:
    """What a mode needs more than DAQ 3 of its bandwidth [dB]."""
    if mode.kind != "voice":
        return 0.0
    return float(mode.faded_cn_db - mode_of(mode.name, "readable").faded_cn_db)


def _with_cover(contacts: Contacts, scale: float) -> Contacts:
    cover = contacts.ground.cover
    scaled = replace(cover, values=(cover.values * scale).astype(cover.values.dtype))
    return replace(contacts, ground=replace(contacts.ground, cover=scaled))


def _margins(contacts: Contacts, x: np.ndarray, y: np.ndarray, places: list[Place]) -> np.ndarray:
    """Margins (2, n) of the only station of `contacts`: moving with the heading of the track, or standing still."""
    losses = contacts.losses_db(x, y)
    heading = np.array([p.heading_deg for p in places])
    off = np.abs((contacts.bearings_deg(x, y) - heading + 180.0) % 360.0 - 180.0)
    standing = np.array([p.speed_m_s < placing.STANDING_M_S for p in places])
    moving_db, standing_db = (
        contacts.margins_db(losses, off)[0],
        contacts.margins_db(losses, off * 0.0, moving=False)[0],
    )
    return np.where(standing, standing_db, moving_db)


def _needed(work) -> tuple[float, float]:
    """Power [dBm] at either receiver that gives margin 0."""
    there = needed_dbm(work.mode, work.transmit_mhz, work.station.surroundings, loss_db=work.station.receive_loss_db,
                       noise_figure_db=work.station.noise_figure_db)  # fmt: skip
    here = needed_dbm(work.mode, work.listen_mhz, work.rider_from.surroundings, loss_db=work.rider_from.receive_loss_db,
                      noise_figure_db=work.rider_from.noise_figure_db)  # fmt: skip
    return there, here


def _packet_db(work, needed_to_dbm: float) -> float:
    """Margin over DAQ 3 at which half the packets of a moving rider are received."""
    packet = needed_dbm(mode_of("data beacon"), work.transmit_mhz, work.station.surroundings,
                        loss_db=work.station.receive_loss_db, noise_figure_db=work.station.noise_figure_db)  # fmt: skip
    return packet - needed_to_dbm + PACKET_OVER_DB + over_readable_db(work.mode)
