"""Reads a ride file: what the rider wants, with every default filled in and every fault told at once.

    read_ride(path) -> Ride            faults raise one InputError that lists them all, with file and line
    require(ride, job)                 what that job needs beside what every ride has
    with_changes(ride, {key: value})   the same ride with other values, checked in the same way
    write_template(path)               a commented ride file to fill in
    document_text(document)            a ride file's text from nested tables

What can be written in a file is in routeplan.plan.ridekeys, and nowhere else.
"""

from __future__ import annotations

import copy
import dataclasses
import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import platformdirs

from routeplan.errors import Fault, InputError
from routeplan.geo import distance_m
from routeplan.plan.ridekeys import (
    SECTIONS,
    SEVERAL,
    Contact,
    Handheld,
    Kind,
    Net,
    Person,
    Place,
    Position,
    Radio,
    Start,
    Station,
    Weather,
    Wind,
    Wish,
    Wrong,
    keys_of,
    listed,
    nearest,
)
from routeplan.plan.tomlfile import (
    HEADER,
    Document,
    KeyPath,
    document_text,
    key_parts,
    lines_of,
    parsed,
    read_document,
    read_text,
    shown,
    toml_value,
    typed,
)
from routeplan.plan.value import Assumption
from routeplan.ride.battery import Duty
from routeplan.ride.pacing import CLIMB_FACTOR, Rider

FARTHEST_STATION_KM = 600.0  # beyond this a place is a slip, not a VHF station
TEMPLATE = Path(__file__).with_name("ride_template.toml")


@dataclass(frozen=True)
class Ride:
    """A ride file with defaults filled in. Attributes of a section are the keys of the file."""

    start: Start
    ride: Wish
    rider: Person
    set: Handheld
    stations: tuple[Station, ...]
    nets: tuple[Net, ...]
    contact: Contact
    wind: Wind
    weather: Weather
    radio: Radio
    learnt: dict[str, Any]  # tables of the learnt file that are no keys of a ride file: offset_db, about, ...
    assumptions: tuple[Assumption, ...]
    warnings: tuple[str, ...]
    path: Path | None  # None: from text
    document: dict[str, Any]  # the file as it was written

    @cached_property
    def pacing_rider(self) -> Rider:
        """Rider and bicycle as routeplan.ride takes them."""
        person = self.rider
        return Rider(
            mass_kg=person.mass_kg,
            bicycle_mass_kg=person.bicycle_mass_kg,
            power_w=person.power_w,
            climb_power_w=person.climb_power_w,
            drag_area_m2=person.drag_area_m2,
            drivetrain=person.drivetrain,
        )

    @cached_property
    def duty(self) -> Duty:
        """How the set is used, as routeplan.ride.battery takes it."""
        return Duty(self.set.transmit_share, self.set.receive_share, self.set.beacon)

    @property
    def time_zone(self) -> str | None:
        return self.start.time_zone.key if self.start.time_zone else None


def read_ride(path: str | Path) -> Ride:
    """The ride that a file describes. Raises one InputError with all its faults; see the module's head."""
    path = Path(path)
    return _ride(read_document(path), path, str(path))


def read_ride_text(text: str, name: str = "ride", folder: Path | None = None) -> Ride:
    """The same from text; `name` stands for the file in messages, tracks are looked for in `folder`."""
    document = Document(parsed(text, name), lines_of(text), name)
    return _ride(document, folder / "ride.toml" if folder else None, name)


def with_changes(ride: Ride, changes: Mapping[str, Any]) -> Ride:
    """The ride with other values: {"set.transmit_w": 10, "station.Fell Edge.kind": "indoors"}.

    Values may be text as written on a command line; they are checked like those of a file, and an InputError
    names each change that cannot stand. Several stations and nets are told apart by name or number, from 1.
    """
    tables = copy.deepcopy(ride.document)
    faults: list[Fault] = []
    for name, value in changes.items():
        where = f"change {name}={shown(value)}"
        try:
            table, key = _table_of(tables, name)
        except Wrong as wrong:
            faults.append(Fault(wrong.what, where, wrong.mend))
            continue
        table[key] = typed(value) if isinstance(value, str) else value
    if faults:
        raise InputError(faults)
    source = str(ride.path or "ride")
    told = ", ".join(f"{name}={shown(value)}" for name, value in changes.items())
    return _ride(Document(tables, {}, f"{source} with {told}"), ride.path, source)


def parse_change(text: str) -> tuple[str, Any]:
    """("set.transmit_w", 10) from "set.transmit_w=10"."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError("not KEY=VALUE", f"change {text!r}", "write it like set.transmit_w=10")
    return name.strip(), typed(value.strip())


def require(ride: Ride, job: str) -> None:
    """Raise InputError naming all that `job` lacks: loop, between, mend, check, coverage, debrief."""
    missing: list[tuple[str, str]] = []
    wish = ride.ride
    if job in ("loop", "between") and ride.start.position is None:
        missing.append(("[start] position", "add position = [LAT, LON] or locator to [start]"))
    if job == "loop" and wish.length_km is None and wish.hours is None and wish.home_by is None:
        missing.append(("[ride] length_km", "add length_km, hours or home_by to [ride]"))
    if job == "between":
        if wish.end is None:
            missing.append(("[ride] end", "add end = [LAT, LON] to [ride]"))
        if wish.length_at_most_km is None:
            missing.append(("[ride] length_at_most_km", "add the longest ride you accept, in km"))
    if job in ("mend", "check") and wish.follow is None:
        missing.append(("[ride] follow", 'add follow = "FILE.gpx", the ride to look at'))
    if not ride.stations:
        missing.append(("[[station]]", "add a [[station]] with name and position: whom you want to work"))
    if missing:
        where = str(ride.path or "ride")
        raise InputError([Fault(f"{what} is missing, and {job} needs it", where, mend) for what, mend in missing])


# From tables to the ride


def _ride(document: Document, path: Path | None, name: str) -> Ride:
    faults: list[Fault] = []
    tables = _normal(document, faults)
    learnt_tables, learnt_rest, learnt_name = _learnt(document, path, faults)
    origins: dict[KeyPath, str] = {}

    def section(name: str, at: KeyPath, given: dict[str, Any]) -> Any:
        kind = SECTIONS[name]
        values: dict[str, Any] = {}
        for key_name, key in keys_of(kind).items():
            if key_name in given:
                origins[(*at, key_name)] = "ride file"
                value = _read(document, (*at, key_name), key.kind, given[key_name], faults)
                if value is not _BAD:
                    values[key_name] = value
            elif name not in SEVERAL and key_name in learnt_tables.get(name, {}):
                origins[(*at, key_name)] = f"learnt: {learnt_name}"
                learnt_document = Document({}, {}, learnt_name)
                value = _read(learnt_document, (name, key_name), key.kind, learnt_tables[name][key_name], faults)
                if value is not _BAD:
                    values[key_name] = value
            elif isinstance(key.default, dict) or key_name == "rolling":
                values[key_name] = {}
        return kind(**values)

    start = section("start", ("start",), tables["start"])
    wish = section("ride", ("ride",), tables["ride"])
    person = section("rider", ("rider",), tables["rider"])
    handheld = section("set", ("set",), tables["set"])
    stations = [section("station", ("station", i), t) for i, t in enumerate(tables["station"])]
    nets = [section("net", ("net", i), t) for i, t in enumerate(tables["net"])]
    contact = section("contact", ("contact",), tables["contact"])
    wind = section("wind", ("wind",), tables["wind"])
    weather = section("weather", ("weather",), tables["weather"])
    radio = section("radio", ("radio",), tables["radio"])

    check = _Checks(document, tables, faults)
    start = check.start(start)
    wish = check.wish(wish, start, path)
    person = check.person(person)
    stations = check.stations(stations, start)
    nets = check.nets(nets, start, [s.name for s in stations])
    handheld = check.set(handheld, nets)
    contact = check.contact(contact, [*(s.name for s in stations), *(name for s in stations for name in s.reaches)])
    check.wind(tables["wind"])
    check.places(start, wish)
    if faults:
        raise InputError(sorted(dict.fromkeys(faults), key=_line))
    ride = Ride(
        start=start,
        ride=wish,
        rider=person,
        set=handheld,
        stations=tuple(stations),
        nets=tuple(nets),
        contact=contact,
        wind=wind,
        weather=weather,
        radio=radio,
        learnt=learnt_rest,
        assumptions=(),
        warnings=tuple(check.warnings),
        path=path,
        document=document.tables,
    )
    return dataclasses.replace(ride, assumptions=tuple(_assumptions(ride, origins)))


def _line(fault: Fault) -> int:
    """Line of a fault, for telling faults in the order of the file."""
    found = re.search(r", line ([0-9]+)", fault.where)
    return int(found.group(1)) if found else 0


_BAD: Any = object()  # a value that could not be read; its fault is noted


def _read(document: Document, path: KeyPath, kind: Kind, value: Any, faults: list[Fault]) -> Any:
    try:
        return kind(value)
    except Wrong as wrong:
        faults.append(Fault(wrong.what, document.where(path, value), wrong.mend))
        return _BAD


def _normal(document: Document, faults: list[Fault]) -> dict[str, Any]:
    """The tables by section, those that may stand several times as lists; unknown sections and keys noted."""
    tables: dict[str, Any] = {name: [] if name in SEVERAL else {} for name in SECTIONS}
    for name, value in document.tables.items():
        if name == "learnt":
            continue
        if name not in SECTIONS:
            faults.append(_unknown_section(document, name, value))
        elif name in SEVERAL:
            rows = [value] if isinstance(value, dict) else value
            if isinstance(rows, list) and all(isinstance(row, dict) for row in rows):
                tables[name] = rows
            else:
                faults.append(Fault("not a section", document.where((name,)), f"write [[{name}]] on its own line"))
        elif isinstance(value, dict):
            tables[name] = value
        elif isinstance(value, list):
            faults.append(Fault("stands once only", document.where((name,)), f"write [{name}]"))
        else:
            faults.append(Fault("not a section", document.where((name,), value), f"write [{name}] on its own line"))
    for name, section in SECTIONS.items():
        rows = tables[name] if name in SEVERAL else [tables[name]]
        for number, row in enumerate(rows):
            at: KeyPath = (name, number) if name in SEVERAL else (name,)
            faults.extend(_unknown_key(document, (*at, k), section) for k in row if k not in keys_of(section))
    return tables


def _unknown_section(document: Document, name: str, value: Any) -> Fault:
    for section, kind in SECTIONS.items():
        if name in keys_of(kind) and not isinstance(value, dict):
            return Fault(f"{name} stands outside its section", document.where((name,)), f"put it under [{section}]")
    near = nearest(name, [*SECTIONS, "learnt"])
    known = ", ".join(f"[[{s}]]" if s in SEVERAL else f"[{s}]" for s in SECTIONS)
    meant = f"[[{near}]]" if near in SEVERAL else f"[{near}]"
    return Fault("unknown section", document.where((name,)), f"did you mean {meant}?" if near else f"known: {known}")


def _unknown_key(document: Document, path: KeyPath, section: type) -> Fault:
    name = str(path[-1])
    near = nearest(name, keys_of(section))
    homes = [s for s, kind in SECTIONS.items() if name in keys_of(kind)]
    if homes and not near:
        mend = f"it belongs under [{homes[0]}]"
    elif near:
        mend = f"did you mean {near}?"
    else:
        mend = f"known here: {', '.join(keys_of(section))}"
    return Fault("unknown key", document.where(path), mend)


def _learnt(document: Document, path: Path | None, faults: list[Fault]) -> tuple[dict, dict, str]:
    """Tables of the learnt file: those that are sections of a ride file, the rest, and the file's name.

    Sections hold keys of a ride file, used where the ride file does not give them. Any other table is kept as
    it is.
    """
    name = document.tables.get("learnt")
    if name is None:
        return {}, {}, ""
    if not isinstance(name, str) or not name.strip():
        faults.append(Fault("not a file name", document.where(("learnt",), name), 'write learnt = "FILE.toml"'))
        return {}, {}, ""
    file = (path.parent if path else Path()) / Path(name).expanduser()
    try:
        learnt = read_document(file)
    except InputError as error:
        where = document.where(("learnt",), name)
        faults.extend(Fault(f"the learnt values: {f.what}", where, f.mend) for f in error.faults)
        return {}, {}, ""
    sections: dict[str, Any] = {}
    rest: dict[str, Any] = {}
    for key, value in learnt.tables.items():
        if key in SECTIONS and key not in SEVERAL and isinstance(value, dict):
            sections[key] = value
            known = keys_of(SECTIONS[key])
            faults.extend(_unknown_key(learnt, (key, k), SECTIONS[key]) for k in value if k not in known)
        else:
            rest[key] = value
    return sections, rest, file.name


# What one key alone cannot tell


class _Checks:
    """Looks at values together, completes them, and notes faults."""

    def __init__(self, document: Document, tables: dict[str, Any], faults: list[Fault]) -> None:
        self.document, self.tables, self.faults = document, tables, faults
        self.warnings: list[str] = []

    def fault(self, what: str, path: KeyPath, mend: str, *, value: bool = True) -> None:
        given: Any = ...
        if value:
            given = self.tables
            for part in path:
                try:
                    given = given[part]  # type: ignore[index]
                except (KeyError, IndexError, TypeError):
                    given = ...
                    break
        self.faults.append(Fault(what, self.document.where(path, given), mend))

    def start(self, start: Start) -> Start:
        given = self.tables["start"]
        start = self._placed(start, ("start",))
        if start.locator is not None and len(start.locator) < 8:
            self.warnings.append(
                f"the start is the middle of locator {start.locator}, a cell of some 9 by 5 km: give 8 characters or a "
                "position"
            )
        zone = start.time_zone
        departs = self._aware(start.departs, zone, ("start", "departs"))
        between = None
        if start.departs_between is not None:
            path: KeyPath = ("start", "departs_between")
            moments = [self._aware(m, zone, path) for m in start.departs_between]
            if len(moments) != 2:
                self.fault("not two times", path, "write [EARLIEST, LATEST]")
            elif moments[0] is not None and moments[1] is not None:
                between = (moments[0], moments[1])
                if between[1] < between[0]:
                    self.fault("the latest departure lies before the earliest", path, "swap them")
                elif (between[1] - between[0]) > dt.timedelta(hours=24):
                    self.fault("more than a day apart", path, "give times of one day")
            if "departs" in given:
                self.fault("both departs and departs_between", path, "leave one out", value=False)
        return dataclasses.replace(start, departs=departs, departs_between=between)

    def wish(self, wish: Wish, start: Start, path: Path | None) -> Wish:
        if wish.length_km is not None and wish.hours is not None:
            self.fault("both length_km and hours", ("ride", "hours"), "leave one out", value=False)
        if wish.follow is not None:
            file = (path.parent if path else Path()) / wish.follow
            if not file.is_file():
                self.fault("no such file", ("ride", "follow"), f"paths count from the ride file: {file.resolve()}")
            wish = dataclasses.replace(wish, follow=file)
        if wish.home_by is not None:
            wish = dataclasses.replace(wish, home_by=self._home_by(wish.home_by, start))
        return wish

    def _home_by(self, given: dt.time | dt.datetime, start: Start) -> dt.datetime | None:
        path: KeyPath = ("ride", "home_by")
        leaves = start.departs or (start.departs_between or (None,))[0]
        if leaves is None:
            if "departs" not in self.tables["start"] and "departs_between" not in self.tables["start"]:
                self.fault("home by a time needs a departure", path, "add departs under [start]")
            return None
        if isinstance(given, dt.datetime):
            moment = self._aware(given, start.time_zone, path)
        else:
            day = leaves.date() if given > leaves.time() else leaves.date() + dt.timedelta(days=1)
            moment = self._aware(dt.datetime.combine(day, given), start.time_zone or leaves.tzinfo, path)
        if moment is None:
            return None
        hours = (moment - leaves.astimezone(dt.UTC)).total_seconds() / 3600
        if hours <= 0:
            self.fault("before the departure", path, "give a later time, or its date too")
        elif hours > 16:
            self.fault(f"{hours:.0f} hours after the departure", path, "check the time, or give its date too")
        return moment

    def person(self, person: Person) -> Person:
        if person.climb_power_w is None:
            return dataclasses.replace(person, climb_power_w=round(CLIMB_FACTOR * person.power_w, 1))
        if person.climb_power_w < person.power_w:
            mend = f"at least power_w, {person.power_w:g}"
            self.fault("less than on the flat", ("rider", "climb_power_w"), mend)
        return person

    def set(self, handheld: Handheld, nets: list[Net]) -> Handheld:
        handheld = self._sensitive(handheld, ("set",))
        if handheld.transmit_share + handheld.receive_share > 1:
            mend = "what is left of 1 is standby"
            self.fault("transmit_share and receive_share are more than the ride", ("set",), mend, value=False)
        if handheld.frequency_mhz is None:
            first = nets[0].frequency_mhz if nets else 145.5
            handheld = dataclasses.replace(handheld, frequency_mhz=first)
        return handheld

    def stations(self, stations: list[Station], start: Start) -> list[Station]:
        checked: list[Station] = []
        seen: dict[str, int] = {}
        for number, station in enumerate(stations):
            at: KeyPath = ("station", number)
            given = self.tables["station"][number]
            if "name" not in given:
                self.fault("no name", at, 'add name = "..."', value=False)
            elif station.name:
                if station.name.lower() in seen:
                    other = seen[station.name.lower()] + 1
                    self.fault("two stations of one name", (*at, "name"), f"rename it, or station {other}")
                seen.setdefault(station.name.lower(), number)
            station = self._sensitive(self._placed(station, at, needed=True), at)
            heard, talks = "hears_mhz" in given, "talks_mhz" in given
            if heard != talks:
                mend = f"add {'talks_mhz' if heard else 'hears_mhz'}"
                self.fault("a repeater has two frequencies", at, mend, value=False)
            if station.hears_mhz is not None and station.hears_mhz == station.talks_mhz:
                self.fault("a repeater hears and talks on different frequencies", (*at, "talks_mhz"), "check both")
            for key in ("access", "reaches"):
                if key in given and not (heard or talks):
                    self.fault("only a repeater has it", (*at, key), "add hears_mhz and talks_mhz, or leave it out")
            self._far(station, start, at)
            checked.append(station)
        return checked

    def _far(self, station: Station, start: Start, at: KeyPath) -> None:
        if station.position is None or start.position is None:
            return
        far_km = distance_m(*start.position, *station.position) / 1000
        if far_km <= FARTHEST_STATION_KM:
            return
        latitude, longitude = station.position
        mend = "check both places"
        for other, what in (
            ((longitude, latitude), "latitude and longitude swapped?"),
            ((latitude, -longitude), "west is negative:"),
            ((-latitude, longitude), "south is negative:"),
            ((-latitude, -longitude), "south and west are negative:"),
        ):
            if abs(other[0]) <= 90 and distance_m(*start.position, *other) / 1000 < FARTHEST_STATION_KM / 2:
                mend = f"{what} [{other[0]:g}, {other[1]:g}] (or is it the start's position that is wrong?)"
                break
        key = "position" if "position" in self.tables["station"][at[1]] else "locator"  # type: ignore[index]
        self.fault(f"{far_km:.0f} km from the start", (*at, key), mend)

    def nets(self, nets: list[Net], start: Start, names: list[str]) -> list[Net]:
        return [self._net(net, ("net", number), start, names) for number, net in enumerate(nets)]

    def _net(self, net: Net, at: KeyPath, start: Start, names: list[str]) -> Net:
        given = self.tables["net"][at[1]]  # type: ignore[index]
        for key, mend in (("frequency_mhz", "145.5"), ("begins", '"19:30"')):
            if key not in given:
                self.fault(f"no {key}", at, f"add {key} = {mend}", value=False)
        if net.control is not None and net.control.lower() not in [n.lower() for n in names]:
            near = nearest(net.control, names)
            mend = f'did you mean "{near}"?' if near else f"stations: {listed(names) if names else 'none'}"
            self.fault("no station of this name", (*at, "control"), mend)
        elif net.control is not None:
            spelt = next(name for name in names if name.lower() == net.control.lower())
            net = dataclasses.replace(net, control=spelt)
        begins: Any = net.begins
        path: KeyPath = (*at, "begins")
        leaves = start.departs or (start.departs_between or (None,))[0]
        if isinstance(begins, dt.time):
            if leaves is None:
                if "departs" not in self.tables["start"] and "departs_between" not in self.tables["start"]:
                    mend = "add departs or departs_between under [start], or the date here"
                    self.fault("the day is not known", path, mend)
                begins = None
            else:
                zone = start.time_zone or leaves.tzinfo
                begins = self._aware(dt.datetime.combine(leaves.date(), begins), zone, path)
        elif isinstance(begins, dt.datetime):
            begins = self._aware(begins, start.time_zone, path)
        net = dataclasses.replace(net, begins=begins)
        if begins is not None and start.departs is not None and net.ends <= start.departs.astimezone(dt.UTC):
            self.warnings.append(
                f"net {net.name!r} ({begins:%H:%M} for {net.lasts_min:g} min) is over before the ride "
                f"departs at {start.departs:%H:%M}; a net on the next day is given with its date"
            )
        return net

    def contact(self, contact: Contact, names: list[str]) -> Contact:
        """The contact rule with its names spelt as the stations' are."""
        path: KeyPath = ("contact", "rule")
        if isinstance(contact.rule, tuple):
            for name in contact.rule:
                if name.lower() not in [n.lower() for n in names]:
                    near = nearest(name, names)
                    mend = f'did you mean "{near}"?' if near else f"stations: {listed(names) if names else 'none'}"
                    self.fault(f"no station is called {name!r}", path, mend)
        elif isinstance(contact.rule, dict) and contact.rule["at_least"] > len(names):
            self.fault(f"there are only {len(names)} stations", path, "add stations, or ask for fewer")
        if isinstance(contact.rule, tuple):
            spelt = {name.lower(): name for name in reversed(names)}
            contact = dataclasses.replace(contact, rule=tuple(spelt.get(n.lower(), n) for n in contact.rule))
        return contact

    def wind(self, given: dict[str, Any]) -> None:
        if given.get("speed_m_s") and "from_deg" not in given:
            self.fault("wind from where?", ("wind",), 'add from_deg = 240, or "SW"', value=False)

    def places(self, start: Start, wish: Wish) -> None:
        """Places of the ride that cannot belong to it."""
        if start.position is None:
            return
        named = [(("ride", "end"), wish.end)] + [
            (("ride", key), place) for key in ("via", "avoid") for place in getattr(wish, key)
        ]
        for path, place in named:
            if place is not None and distance_m(*start.position, *place) > FARTHEST_STATION_KM * 1000:
                self.fault(
                    f"{distance_m(*start.position, *place) / 1000:.0f} km from the start",
                    path,
                    "latitude comes first, west and south are negative",
                )

    def _placed(self, section: Any, at: KeyPath, *, needed: bool = False) -> Any:
        """A start or station with its position, be it from a locator."""
        given: Any = self.tables
        for part in at:
            given = given[part]
        if "position" in given and "locator" in given:
            self.fault("both position and locator", (*at, "locator"), "leave one out")
        elif needed and "position" not in given and "locator" not in given:
            self.fault("no place", at, 'add position = [LAT, LON] or locator = "AA00aa"', value=False)
        if section.position is None and section.locator is not None:
            return dataclasses.replace(section, position=Place()(section.locator))
        return section

    def _sensitive(self, section: Any, at: KeyPath) -> Any:
        """The sensitivity in dBm, be it given in microvolts: P = U^2 / 50 ohm."""
        given: Any = self.tables
        for part in at:
            given = given[part]
        if section.sensitivity_uv is None:
            return section
        if "sensitivity_dbm" in given:
            self.fault("both sensitivity_dbm and sensitivity_uv", (*at, "sensitivity_uv"), "leave one out")
        from math import log10

        watts = (section.sensitivity_uv * 1e-6) ** 2 / 50
        return dataclasses.replace(section, sensitivity_dbm=round(10 * log10(watts * 1e3), 2))

    def _aware(self, moment: dt.datetime | None, zone: dt.tzinfo | None, path: KeyPath) -> dt.datetime | None:
        """The aware time; None and a fault where it has no zone, does not exist or comes twice."""
        if moment is None:
            return None
        if moment.tzinfo is not None:
            return moment.astimezone(zone) if zone else moment
        if zone is None:
            if "time_zone" not in self.tables["start"]:
                mend = 'add time_zone = "Europe/Andorra" (yours) under [start]'
                self.fault("a local time without its time zone", path, mend)
            return None
        first, second = moment.replace(tzinfo=zone, fold=0), moment.replace(tzinfo=zone, fold=1)
        before, after = first.utcoffset(), second.utcoffset()
        assert before is not None and after is not None
        if before == after:
            return first
        name = zone.key if isinstance(zone, ZoneInfo) else str(zone)
        if before < after:
            later = (first.astimezone(dt.UTC)).astimezone(zone)
            self.fault(
                f"{moment:%H:%M} does not exist on {moment:%d %B %Y} in {name}: the clocks go forward",
                path,
                f"an hour later it is {later:%H:%M}",
            )
        else:
            self.fault(
                f"{moment:%H:%M} comes twice on {moment:%d %B %Y} in {name}: the clocks go back",
                path,
                f"write it with its offset: {first.isoformat()} or {second.isoformat()}",
            )
        return None


# Assumptions


def _assumptions(ride: Ride, origins: Mapping[KeyPath, str]) -> Iterable[Assumption]:
    """Every value the ride rests on, in the order of the table of keys."""
    parts: list[tuple[KeyPath, str, Any]] = []
    for name in SECTIONS:
        if name == "station":
            parts += [(("station", i), f"station.{s.name}", s) for i, s in enumerate(ride.stations)]
        elif name == "net":
            several = len(ride.nets) > 1
            parts += [(("net", i), f"net.{n.name}" if several else "net", n) for i, n in enumerate(ride.nets)]
        else:
            parts.append(((name,), name, getattr(ride, name)))
    for at, told_as, section in parts:
        for name, key in keys_of(type(section)).items():
            value = getattr(section, name)
            origin = origins.get((*at, name))
            if origin is None:
                if value is None or value == () or value == {} or not (key.origin or key.in_words):
                    continue
                told = key.origin or key.in_words
                if name == "frequency_mhz" and ride.nets:
                    told = "that of the first net"
                elif name == "climb_power_w":
                    told = f"{key.in_words} ({key.origin})"
                elif name == "sensitivity_dbm" and section.sensitivity_uv is not None:
                    yield Assumption(f"{told_as}.{name}", value, "ride file", False)
                    continue
                yield Assumption(f"{told_as}.{name}", plain(value), f"default: {told}", key.guess)
            else:
                yield Assumption(f"{told_as}.{name}", plain(value), origin, False)


def plain(value: Any) -> Any:
    """A value as JSON holds it: times as ISO 8601 text, places as lists, paths and zones as text."""
    if isinstance(value, (dt.datetime, dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, ZoneInfo):
        return value.key
    if isinstance(value, Path):
        return value.name
    if isinstance(value, (tuple, list)):
        return [plain(v) for v in value]
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    return value


# Changes


def _table_of(tables: dict[str, Any], name: str) -> tuple[dict[str, Any], str]:
    """The table and key that "section.key" or "station.NAME.key" names."""
    section, _, rest = name.partition(".")
    which, _, key = rest.rpartition(".")
    if section not in SECTIONS:
        near = nearest(section, SECTIONS)
        raise Wrong("unknown section", f"did you mean {near}?" if near else f"known: {', '.join(SECTIONS)}")
    known = keys_of(SECTIONS[section])
    if key not in known:
        near = nearest(key, known)
        raise Wrong("unknown key", f"did you mean {section}.{near}?" if near else f"known: {', '.join(known)}")
    if section not in SEVERAL:
        if which:
            raise Wrong("too many parts", f"write {section}.{key}")
        return tables.setdefault(section, {}), key
    rows = tables.setdefault(section, [])
    if isinstance(rows, dict):
        rows = tables[section] = [rows]
    if not which and len(rows) == 1:
        return rows[0], key
    for number, row in enumerate(rows, 1):
        if which and which.lower() in (str(number), str(row.get("name", "")).lower()):
            return row, key
    names = [str(row.get("name", number)) for number, row in enumerate(rows, 1)]
    raise Wrong(f"which {section}?", f"write {section}.NAME.{key}, NAME one of {listed(names) if names else 'none'}")


# The template


def kept_stations_path() -> Path:
    """Where a rider keeps stations that every new ride file is to hold."""
    return platformdirs.user_config_path("routeplan") / "stations.toml"


_BEGIN, _END = "# --- stations ---\n", "# --- end of stations ---\n"


def template_text(kept: Path | None = None) -> str:
    """The commented ride file. Stations kept in the file `kept` stand in place of the examples.

    That file holds [[station]] as a ride file does and, if the rider likes, [start]; without it the start is
    a placeholder at the first station. Raises InputError where the kept file is not sound.
    """
    text = TEMPLATE.read_text(encoding="utf-8")
    head, _, rest = text.partition(_BEGIN)
    example, _, tail = rest.partition(_END)
    if kept is None or not kept.is_file():
        return head + example + tail
    document = read_document(kept)
    stations = document.tables.get("station", [])
    stations = [stations] if isinstance(stations, dict) else stations
    extra = [name for name in document.tables if name not in ("station", "start")]
    if extra or not stations:
        mend = f"it holds [[station]] and, if you like, [start]; leave out {', '.join(extra)}"
        raise InputError("not a file of stations", str(kept), mend if extra else "add a [[station]]")
    _ride(document, kept, str(kept))  # a kept station that is wrong is named with its line in the kept file
    own = dict(document.tables.get("start", {}))
    if "position" not in own and "locator" not in own:
        own = {k: stations[0][k] for k in ("position", "locator") if k in stations[0]} | own
    if "locator" in own:
        head = re.sub(r"(?m)^position = .*\n", "", head)
    for name, value in own.items():
        head = _with_value(head, name, value)
    tail = re.sub(r"(?m)^(control = .*)$", r"# \1", tail)
    return head + _stations_text(kept) + "\n" + tail


def _with_value(text: str, name: str, value: Any) -> str:
    """The [start] of a template with another value of a key, or with the key."""
    line = f"{name} = {toml_value(value)}"
    lines = text.split("\n")
    for number, old in enumerate(lines):
        if old.startswith(f"{name} = "):
            lines[number] = line
            return "\n".join(lines)
    lines.insert(lines.index("[start]") + 1, line)
    return "\n".join(lines)


def _stations_text(kept: Path) -> str:
    """The stations of the kept file as the rider wrote them, without its [start]."""
    out, keep = [], True
    for line in read_text(kept).split("\n"):
        header = HEADER.fullmatch(line)
        if header:
            keep = key_parts(header.group(2)) == ("station",)
        if keep:
            out.append("[[station]]" if header and header.group(1) == "[" else line)
    return "\n".join(out).strip("\n") + "\n"


def write_template(path: str | Path, kept: Path | None = None) -> None:
    """Write the commented ride file, with the stations that the rider keeps; never over an existing file."""
    path = Path(path)
    text = template_text(kept if kept is not None else kept_stations_path())
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise InputError("is there already", str(path), "choose another name, or delete it first") from None
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", str(path), "choose another folder") from None


__all__ = [
    "Position",
    "Ride",
    "document_text",
    "parse_change",
    "read_ride",
    "read_ride_text",
    "require",
    "template_text",
    "with_changes",
    "write_template",
]
