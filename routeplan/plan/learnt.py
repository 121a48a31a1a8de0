"""What earlier rides taught: the file a ride names with `learnt`, applied to a plan and told in it.

    learnt_of(ride) -> Learnt            read and checked; an empty one where the ride file names none
    with_learnt(ride, workable)          a station with its offset and its own spread
    learnt_cover(ride, cover)            ground cover as tall as it acted
    learnt_assumptions, learnt_notes     what was learnt, from how much, and what has changed since
    learnt_text(...)                     the file, written by a debrief

The format is in docs/debrief.md. Sections of a ride file in it ([rider], [radio]) are read by plan/ridefile.py.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from routeplan.errors import Fault, InputError
from routeplan.plan.ridefile import Ride
from routeplan.plan.ridekeys import Station
from routeplan.plan.tomlfile import document_text
from routeplan.plan.value import Assumption
from routeplan.plan.words import whole
from routeplan.radio.chance import Spread
from routeplan.terrain.grid import Grid

if TYPE_CHECKING:
    from routeplan.plan.contact import Workable

FORMAT = "routeplan learnt 1"
LARGEST_DB = 40.0
IN_LEAF = range(5, 11)  # months in which trees of the temperate north bear leaves


@dataclass(frozen=True)
class Offset:
    """How far predictions of one station, or of one mount, were out [dB, truth less prediction]."""

    name: str
    offset_db: float
    low_db: float  # 80 % interval
    high_db: float
    sd_db: float
    reports: int
    rides: int
    stands: str = ""  # the station as it was when this was learnt; see `stands`
    before_db: float = math.nan  # what the file before this one said

    @property
    def words(self) -> str:
        """ "3 dB weaker than reckoned (1 to 5)"."""
        return f"{_sense(self.offset_db)} than reckoned ({_range(self.offset_db, self.low_db, self.high_db)})"


@dataclass(frozen=True)
class Learnt:
    """All that a learnt file says beside keys of a ride file. NaN: not learnt."""

    stations: tuple[Offset, ...] = ()
    mounts: tuple[Offset, ...] = ()
    cover_scale: float = math.nan
    cover_low: float = math.nan
    cover_high: float = math.nan
    residual_db: float = math.nan
    ride_db: float = math.nan
    station_db: float = math.nan
    rides: int = 0
    reports: int = 0
    no_answer: int = 0
    first: dt.date | None = None
    last: dt.date | None = None
    on_mounts: tuple[str, ...] = ()  # where the set was when it was learnt
    evidence: Path | None = None  # reports it was learnt from
    name: str = ""

    def station(self, name: str) -> Offset | None:
        return next((o for o in self.stations if o.name == name), None)

    def mount(self, name: str) -> Offset | None:
        return next((o for o in self.mounts if o.name == name), None)

    @property
    def origin(self) -> str:
        """ "3 rides, 45 reports, the last of 11 June 2026"."""
        when = f", the last of {self.last.day} {self.last:%B %Y}" if self.last else ""
        return f"{_many(self.rides, 'ride')}, {_many(self.reports, 'report')}{when}"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _sense(offset_db: float) -> str:
    return f"{abs(offset_db):.0f} dB {'stronger' if offset_db >= 0 else 'weaker'}"


def _range(value: float, low: float, high: float) -> str:
    """An interval in the direction of the value: "1 to 5", or with signs where it holds 0."""
    if low >= 0:
        return f"{low:.0f} to {high:.0f}"
    if high <= 0:
        return f"{-high:.0f} to {-low:.0f}"
    less, more = f"{-low:.0f} weaker", f"{high:.0f} stronger"
    return f"{less} to {more}"


# --- reading -----------------------------------------------------------------------------------------------------


def learnt_of(ride: Ride) -> Learnt:
    """The learnt values of a ride; an empty Learnt where its file names none. Raises one InputError with all faults."""
    tables = ride.learnt
    if not tables:
        return Learnt()
    name = str(ride.document.get("learnt", "learnt values"))
    faults: list[Fault] = []
    about, spread, cover = (_table(tables, key, name, faults) for key in ("about", "spread", "cover"))
    if about.get("format") != FORMAT:
        faults.append(Fault(f"format = {about.get('format')!r}, not {FORMAT!r}", f"{name}, about", "run debrief again"))
    rows = tables.get("offset", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        faults.append(Fault("not a list of sections", f"{name}, offset", "write [[offset]]"))
        rows = []
    offsets = [_offset(row, f"{name}, offset {k}", faults) for k, row in enumerate(rows, 1)]
    number = _Numbers(name, faults)
    learnt = Learnt(
        stations=tuple(o for o, row in zip(offsets, rows) if "station" in row),
        mounts=tuple(o for o, row in zip(offsets, rows) if "mount" in row),
        cover_scale=number(cover, "cover", "height_scale", 0.1, 3.0),
        cover_low=number(cover, "cover", "low", -3.0, 6.0),
        cover_high=number(cover, "cover", "high", -3.0, 6.0),
        residual_db=number(spread, "spread", "residual_db", 0.5, 25.0),
        ride_db=number(spread, "spread", "ride_db", 0.0, 15.0),
        station_db=number(spread, "spread", "station_db", 0.0, 25.0),
        rides=int(_or(number(about, "about", "rides", 0, 1e6), 0)),
        reports=int(_or(number(about, "about", "reports", 0, 1e9), 0)),
        no_answer=int(_or(number(about, "about", "no_answer", 0, 1e9), 0)),
        first=_day(about.get("first")),
        last=_day(about.get("last")),
        on_mounts=tuple(m for m in _list(about.get("mounts")) if isinstance(m, str)),
        evidence=_beside(ride, name, about.get("evidence")),
        name=name,
    )
    if faults:
        raise InputError(faults)
    return learnt


def _table(tables: Mapping[str, Any], key: str, name: str, faults: list[Fault]) -> dict[str, Any]:
    value = tables.get(key, {})
    if isinstance(value, dict):
        return value
    faults.append(Fault("not a section", f"{name}, {key}", f"write [{key}]"))
    return {}


def _or(value: float, other: float) -> float:
    return value if math.isfinite(value) else other


def _day(value: Any) -> dt.date | None:
    if isinstance(value, dt.datetime):
        return value.date()
    return value if isinstance(value, dt.date) else None


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _beside(ride: Ride, name: str, file: Any) -> Path | None:
    if not isinstance(file, str) or not file:
        return None
    folder = ride.path.parent if ride.path else Path()
    return (folder / Path(name).expanduser()).parent / file


@dataclass(frozen=True)
class _Numbers:
    """Reads numbers within limits and notes faults."""

    name: str
    faults: list[Fault]

    def __call__(self, table: Mapping[str, Any], section: str, key: str, least: float, most: float) -> float:
        value = table.get(key)
        if value is None:
            return math.nan
        good = isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most
        if not good:
            self.faults.append(
                Fault(
                    f"{value!r} is no number from {least:g} to {most:g}",
                    f"{self.name}, {section}.{key}".replace(", .", ", "),
                    "run debrief again",
                )
            )  # fmt: skip
            return math.nan
        return float(value)


def _offset(row: Mapping[str, Any], where: str, faults: list[Fault]) -> Offset:
    number = _Numbers(where, faults)
    name = row.get("station", row.get("mount"))
    if not isinstance(name, str):
        faults.append(Fault("neither station nor mount is named", where, "run debrief again"))
        name = ""
    offset = number(row, "", "offset_db", -LARGEST_DB, LARGEST_DB)
    if math.isnan(offset):
        faults.append(Fault("no offset_db", where, "run debrief again"))
    return Offset(
        name, offset, number(row, "", "low_db", -99, 99), number(row, "", "high_db", -99, 99),
        _or(number(row, "", "sd_db", 0, 40), 0.0), int(_or(number(row, "", "reports", 0, 1e9), 0)),
        int(_or(number(row, "", "rides", 0, 1e6), 0)), str(row.get("stands", "")),
        number(row, "", "before_db", -LARGEST_DB, LARGEST_DB),
    )  # fmt: skip


# --- applying ----------------------------------------------------------------------------------------------------


def stands(station: Station) -> str:
    """A station as the ride file describes it, in one line; an offset belongs to that and no other antenna."""
    north, east = station.position or (math.nan, math.nan)
    parts = [f"{north:.3f} {east:.3f}"]
    for value, unit in (
        (station.kind, ""), (station.antenna_height_m, " m"), (station.antenna_gain_dbi, " dBi"),
        (station.feeder_db, " dB feeder"), (station.transmit_w, " W"), (station.surroundings, ""),
    ):  # fmt: skip
        if value is not None:
            parts.append(f"{value:g}{unit}" if isinstance(value, int | float) else f"{value}{unit}")
    return ", ".join(parts)


def _usable(ride: Ride, learnt: Learnt, name: str) -> Offset | None:
    """The station's offset, unless it was learnt of another antenna or place."""
    found = learnt.station(name)
    station = next((s for s in ride.stations if s.name == name), None)
    if found is None or station is None or (found.stands and found.stands != stands(station)):
        return None
    return found


def with_learnt(ride: Ride, work: Workable) -> Workable:
    """A station with its learnt offset and spread; as it is where nothing was learnt."""
    learnt = learnt_of(ride)
    if not learnt.rides:
        return work
    own, mount = _usable(ride, learnt, work.name), learnt.mount(ride.set.mount)
    shift = sum(o.offset_db for o in (own, mount) if o is not None)
    spread = work.spread
    if math.isfinite(learnt.residual_db) and "model_error_db" not in ride.document.get("radio", {}):
        constant = math.hypot(
            own.sd_db if own is not None else _or(learnt.station_db, spread.constant_db), _or(learnt.ride_db, 0.0)
        )
        location = min(spread.location_db, 0.9 * learnt.residual_db)
        model = math.sqrt(constant**2 + learnt.residual_db**2 - location**2)
        # What was learnt of the residual holds body, mount and noise as well.
        spread = Spread(location, model, 0.0, 0.0, min(1.0, (constant / model) ** 2))
    return replace(work, learnt_db=float(shift), spread=spread)


def learnt_cover(ride: Ride, cover: Grid) -> Grid:
    """Ground cover as tall as it acted; unchanged where that was not learnt."""
    scale = learnt_of(ride).cover_scale
    return (
        cover if not math.isfinite(scale) else replace(cover, values=(cover.values * scale).astype(cover.values.dtype))
    )


# --- telling -----------------------------------------------------------------------------------------------------


def learnt_assumptions(ride: Ride) -> tuple[Assumption, ...]:
    """One line for each learnt value that the plan rests on."""
    learnt = learnt_of(ride)
    if not learnt.rides:
        return ()
    out = []
    for station in ride.stations:
        own = _usable(ride, learnt, station.name)
        if own is not None:
            out.append(_line(f"station.{station.name}.learnt_offset_db", own))
    mount = learnt.mount(ride.set.mount)
    if mount is not None:
        out.append(_line("set.learnt_offset_db", mount))
    if math.isfinite(learnt.cover_scale):
        said = f"learnt: {learnt.origin}; 80 %: {learnt.cover_low:.2f} to {learnt.cover_high:.2f}"
        out.append(Assumption("radio.learnt_cover_scale", round(learnt.cover_scale, 2), said))
    if math.isfinite(learnt.residual_db):
        out.append(Assumption("radio.learnt_residual_db", round(learnt.residual_db, 1), f"learnt: {learnt.origin}"))
    return tuple(out)


def _line(key: str, offset: Offset) -> Assumption:
    much = f"{_many(offset.reports, 'report')} on {_many(offset.rides, 'ride')}"
    said = f"learnt: {much}; 80 %: {offset.low_db:.1f} to {offset.high_db:.1f}"
    return Assumption(key, round(offset.offset_db, 1), said)


def learnt_notes(ride: Ride) -> tuple[str, ...]:
    """What was learnt, from how much, and what has changed since: stations, season, learnt values."""
    learnt = learnt_of(ride)
    if not learnt.rides:
        return ()
    notes = [f"Learnt from {learnt.origin}: {_what(ride, learnt)}."]
    changed = list(_changes(ride, learnt))
    if changed:
        notes.append("Since then: " + "; ".join(changed) + ".")
    return tuple(notes)


def _what(ride: Ride, learnt: Learnt) -> str:
    parts = [f"{o.name} is {o.words}" for s in ride.stations if (o := _usable(ride, learnt, s.name)) is not None]
    if math.isfinite(learnt.cover_scale):
        parts.append(f"woods and houses act as if {learnt.cover_scale:.2f} times as tall as assumed")
    if math.isfinite(learnt.residual_db):
        parts.append(f"predictions scatter by {learnt.residual_db:.0f} dB")
    return "; ".join(parts) or "nothing of the stations of this ride"


def _changes(ride: Ride, learnt: Learnt) -> Iterable[str]:
    for station in ride.stations:
        known = learnt.station(station.name)
        if known is None:
            yield f"{station.name} is new, nothing is learnt of it"
        elif known.stands and known.stands != stands(station):
            yield f"{station.name} has changed ({known.stands} then), what was learnt of it is not used"
        elif math.isfinite(known.before_db) and abs(known.offset_db - known.before_db) >= 1.0:
            yield f"the last ride moved {station.name} from {known.before_db:+.0f} to {known.offset_db:+.0f} dB"
    if learnt.on_mounts and ride.set.mount not in learnt.on_mounts:
        yield f"the set is now on the {ride.set.mount}, while it was on the {' and '.join(learnt.on_mounts)}"
    departs = ride.start.departs or (ride.start.departs_between or (None,))[0]
    if departs is not None and learnt.last is not None:
        if (departs.month in IN_LEAF) != (learnt.last.month in IN_LEAF):
            yield "the trees have changed season"
        if (departs.date() - learnt.last).days > 400:
            yield f"the last report is {whole((departs.date() - learnt.last).days / 30.44)} months old"


# --- writing -----------------------------------------------------------------------------------------------------


def learnt_text(
    learnt: Learnt, *, rider: Mapping[str, Any], model_error_db: float | None, ridden: Iterable[Mapping[str, Any]],
    validation: Mapping[str, float],
) -> str:  # fmt: skip
    """The learnt file as TOML. rider : keys of a ride file's [rider]; ridden : estimates they come from."""
    about: dict[str, Any] = {
        "format": FORMAT, "rides": learnt.rides, "reports": learnt.reports, "no_answer": learnt.no_answer,
        "first": learnt.first, "last": learnt.last, "mounts": list(learnt.on_mounts) or None,
        "evidence": learnt.evidence.name if learnt.evidence else None, **validation,
    }  # fmt: skip
    tables: dict[str, Any] = {}
    if rider:
        tables["rider"] = dict(rider)
    if model_error_db is not None:
        tables["radio"] = {"model_error_db": round(model_error_db, 1)}
    tables["about"] = {key: value for key, value in about.items() if value is not None}
    if math.isfinite(learnt.residual_db):
        tables["spread"] = {"residual_db": round(learnt.residual_db, 2), "ride_db": round(learnt.ride_db, 2),
                            "station_db": round(learnt.station_db, 2)}  # fmt: skip
    if math.isfinite(learnt.cover_scale):
        tables["cover"] = {"height_scale": round(learnt.cover_scale, 3), "low": round(learnt.cover_low, 3),
                           "high": round(learnt.cover_high, 3)}  # fmt: skip
    offsets = [("station", o) for o in learnt.stations] + [("mount", o) for o in learnt.mounts]
    if offsets:
        tables["offset"] = [_offset_table(kind, offset) for kind, offset in offsets]
    rows = [dict(row) for row in ridden]
    if rows:
        tables["ridden"] = rows
    head = f'# Learnt by routeplan from {learnt.origin}.\n# Name it in a ride file: learnt = "FILE", first line.\n\n'
    return head + document_text(tables)


def _offset_table(kind: str, offset: Offset) -> dict[str, Any]:
    out = {kind: offset.name, "offset_db": round(offset.offset_db, 2), "low_db": round(offset.low_db, 2),
           "high_db": round(offset.high_db, 2), "sd_db": round(offset.sd_db, 2), "reports": offset.reports,
           "rides": offset.rides}  # fmt: skip
    if offset.stands:
        out["stands"] = offset.stands
    if math.isfinite(offset.before_db):
        out["before_db"] = round(offset.before_db, 2)
    return out
