# ruff: noqa: RUF009 - `key(...)` gives a dataclass field
"""The keys of a ride file: one table, from which reading, defaults, help and docs/ride_file.md all come.

Each section is a frozen dataclass; each field is declared with `key(...)`, which says of what kind the value
is, its unit, its default with origin, and what it means to the rider. A kind turns what TOML holds into what
the plan uses, or raises `Wrong` with what is wrong and how to mend it. Kinds know nothing of files and lines:
routeplan.plan.ridefile adds those.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import difflib
import math
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from routeplan.errors import InputError
from routeplan.geo import locator_to_latlon
from routeplan.ride.surfaces import SURFACES

Position = tuple[float, float]  # latitude, longitude [deg]


class Wrong(Exception):
    """A value cannot stand: what is wrong with it, and how to mend it."""

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(what, mend)
        self.what, self.mend = what, mend


@dataclass(frozen=True)
class Key:
    """One key: how it is read, and all that is said about it."""

    kind: Kind
    unit: str
    default: Any
    origin: str  # of the default; "" where there is none
    guess: bool  # a default that another rider or station may well not share
    help: str
    in_words: str  # the default as it is told, where the value alone would not do


def key(
    kind: Kind,
    help: str,
    *,
    unit: str = "",
    default: Any = None,
    origin: str = "",
    guess: bool = False,
    in_words: str = "",
) -> Any:
    """A dataclass field that is a key of the ride file."""
    return dataclasses.field(default=default, metadata={"key": Key(kind, unit, default, origin, guess, help, in_words)})


def keys_of(section: type) -> dict[str, Key]:
    """The keys of a section by name, in the order of the table."""
    return {f.name: f.metadata["key"] for f in dataclasses.fields(section) if "key" in f.metadata}


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that `word` was probably meant to be, "" if none is near."""
    found = difflib.get_close_matches(word.lower(), [k.lower() for k in known], 1, 0.55)
    return next((k for k in known if found and k.lower() == found[0]), "")


def listed(words: Iterable[str]) -> str:
    """Words in quotes, as one reads them aloud."""
    quoted = [f'"{w}"' for w in words]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]


# Kinds


class Kind(ABC):
    """How one value is read. `words` says in the docs what may be written."""

    words = ""

    @abstractmethod
    def __call__(self, value: Any) -> Any:
        """What the plan uses in place of what TOML holds; raises Wrong."""


@dataclass(frozen=True)
class Slip:
    """A likely slip: the value times `factor` is what was meant."""

    factor: float
    what: str  # "in kHz"


@dataclass(frozen=True)
class Number(Kind):
    """A number between limits (inclusive). Out of them, the slip that brings it back is named."""

    low: float
    high: float
    slips: tuple[Slip, ...] = ()
    whole: bool = False
    below: str = ""  # what to say below the lower limit
    above: str = ""

    @property
    def words(self) -> str:  # type: ignore[override]
        return f"{'whole number' if self.whole else 'number'} {self.low:g} to {self.high:g}"

    def __call__(self, value: Any) -> float | int:
        number = self._number(value)
        if self.low <= number <= self.high:
            return number
        mends = [
            f"given {slip.what}? Then write {number * slip.factor:.7g}"
            for slip in self.slips
            if self.low <= number * slip.factor <= self.high
        ]
        if number < 0 and self.low <= -number <= self.high:
            mends.append(f"without the minus sign: {-number:g}")
        told = self.below if number < self.low else self.above
        what = told or ("it must not be negative" if number < 0 <= self.low else "out of range")
        raise Wrong(what, mends[0] if mends else f"{self.low:g} to {self.high:g} can stand here")

    def _number(self, value: Any) -> float | int:
        if isinstance(value, str):
            text = value.strip().replace(",", ".")
            if re.fullmatch(r"[-+]?[0-9]*\.?[0-9]+", text):
                raise Wrong("a number in quotes", f"write {text} without quotes")
            raise Wrong("not a number", f"write a number from {self.low:g} to {self.high:g}, without quotes and unit")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Wrong("not a number", f"write a number from {self.low:g} to {self.high:g}")
        if not math.isfinite(value):
            raise Wrong("not a finite number", f"write a number from {self.low:g} to {self.high:g}")
        if self.whole:
            if value != int(value):
                raise Wrong("not a whole number", f"write {round(value)}")
            return int(value)
        return float(value)


def frequency() -> Number:
    """MHz, with kHz, Hz and GHz recognised."""
    return Number(1.8, 6000.0, (Slip(1e-3, "in kHz"), Slip(1e-6, "in Hz"), Slip(1e3, "in GHz")))


class Frequency(Kind):
    """A frequency [MHz]; inside an amateur band, for a wrong digit shows itself that way."""

    words = "MHz, in an amateur band"

    def __call__(self, value: Any) -> float:
        mhz = float(frequency()(value))
        from routeplan.radio.bands import band_of

        try:
            band_of(mhz)
        except InputError as error:
            fault = error.faults[0]
            raise Wrong(fault.what, fault.mend) from None
        return mhz


class Text(Kind):
    """Any words on one line."""

    words = "text"

    def __call__(self, value: Any) -> str:
        if not isinstance(value, str):
            raise Wrong("not text", f'put it in quotes: "{value}"')
        if not value.strip():
            raise Wrong("empty", "write something between the quotes, or leave the key out")
        if len(value) > 80 or not value.isprintable():
            raise Wrong("too long, or more than one line", "80 characters at the most")
        return value.strip()


class TextOrNumber(Text):
    """Words, or a number that stands for them (a tone in Hz)."""

    words = "text or number"

    def __call__(self, value: Any) -> str:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return f"tone {value:g} Hz"
        return super().__call__(value)


class YesNo(Kind):
    words = "true or false"

    def __call__(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise Wrong("neither true nor false", "write true or false, without quotes")
        return value


@dataclass(frozen=True)
class Choice(Kind):
    """One of some words; `known` is called when needed, so that the words may live with their subject."""

    known: Callable[[], Iterable[str]]

    @property
    def words(self) -> str:  # type: ignore[override]
        return listed(self.known())

    def __call__(self, value: Any) -> str:
        known = list(self.known())
        if isinstance(value, str) and value.strip().lower() in [k.lower() for k in known]:
            return next(k for k in known if k.lower() == value.strip().lower())
        if not isinstance(value, str):
            raise Wrong("not text", f"one of {listed(known)}")
        near = nearest(value.strip(), known)
        raise Wrong("not known", (f'did you mean "{near}"? ' if near else "") + f"Known: {listed(known)}")


class Mode(Kind):
    """A mode in the words of radio.quality ("FM", "wide FM", "digital voice", "data beacon")."""

    words = '"FM", "FM 12.5 kHz", "FM 25 kHz" (or "wide FM"), "digital voice" or "data beacon"'

    def __call__(self, value: Any) -> str:
        text = Text()(value)
        from routeplan.radio.quality import mode_of

        try:
            mode_of(text)
        except InputError as error:
            raise Wrong(error.faults[0].what, error.faults[0].mend) from None
        return text


class Locator(Kind):
    words = 'Maidenhead locator, "AA00aa" or "AA00aa00"'

    def __call__(self, value: Any) -> str:
        text = Text()(value)
        try:
            locator_to_latlon(text)
        except InputError as error:
            raise Wrong(error.faults[0].what, error.faults[0].mend) from None
        if len(text) < 6:
            raise Wrong("too coarse for a place: a cell of 100 km or more", "give 6 or 8 characters")
        return text


class Place(Kind):
    """A place on the Earth: [LAT, LON], or a locator."""

    words = "[LAT, LON] in degrees, or a locator"

    def __call__(self, value: Any) -> Position:
        if isinstance(value, str):
            return locator_to_latlon(Locator()(value))
        if isinstance(value, (list, tuple)) and len(value) == 4 and all(type(v) is int for v in value):
            text = f"[{value[0]}.{value[1]}, {value[2]}.{value[3]}]"
            raise Wrong("four numbers instead of two: a comma in place of the decimal point?", f"write {text}")
        if not isinstance(value, (list, tuple)) or len(value) != 2:
            raise Wrong("not a place", "write latitude and longitude in degrees: [42.5063, 1.5218]")
        if any(isinstance(v, bool) or not isinstance(v, (int, float)) or not math.isfinite(v) for v in value):
            raise Wrong("not two numbers", "write degrees with a decimal point, south and west negative")
        latitude, longitude = float(value[0]), float(value[1])
        if abs(latitude) > 90 and abs(longitude) <= 90 and abs(latitude) <= 180:
            raise Wrong(
                f"a latitude of {latitude:g} does not exist: latitude and longitude swapped?",
                f"write [{longitude:g}, {latitude:g}]",
            )
        if abs(latitude) > 90 or abs(longitude) > 180:
            raise Wrong("no such place on the Earth", "latitude -90 to 90, then longitude -180 to 180, in degrees")
        return latitude, longitude


@dataclass(frozen=True)
class ListOf(Kind):
    """Several values of one kind."""

    item: Kind
    at_least: int = 0

    @property
    def words(self) -> str:  # type: ignore[override]
        return f"list of: {self.item.words}"

    def __call__(self, value: Any) -> tuple[Any, ...]:
        if isinstance(self.item, Place) and isinstance(value, list) and len(value) == 2:
            if all(isinstance(v, (int, float)) for v in value):
                value = [value]  # one place, without the outer brackets
        elif not isinstance(value, list):
            if isinstance(self.item, (Text, Choice)) and isinstance(value, str):
                value = [value]
            else:
                raise Wrong("not a list", "put square brackets round it")
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, list):
            raise Wrong("not a list", "put square brackets round it")
        found = []
        for number, item in enumerate(value, 1):
            try:
                found.append(self.item(item))
            except Wrong as wrong:
                which = f'"{item}"' if isinstance(item, str) else f"entry {number}"
                raise Wrong(f"{which}: {wrong.what}", wrong.mend) from None
        if len(found) < self.at_least:
            raise Wrong("empty list" if not found else "too short", f"at least {self.at_least}")
        return tuple(found)


SURFACE_SETS = {
    "paved": ("smooth", "rough"),
    "firm": ("smooth", "rough", "fine_gravel"),
    "any": tuple(SURFACES),
}


class Surfaces(Kind):
    """Surface words, or one word for several of them."""

    words = f'list of: {listed(SURFACES)}; or "paved" (the first two), "firm" (the first three), "any"'

    def __call__(self, value: Any) -> tuple[str, ...]:
        words = ListOf(Choice(lambda: (*SURFACES, *SURFACE_SETS)), at_least=1)(value)
        chosen = {surface for word in words for surface in SURFACE_SETS.get(word, (word,))}
        return tuple(surface for surface in SURFACES if surface in chosen)


class Rolling(Kind):
    """A table from surface word to rolling coefficient."""

    words = "{ SURFACE = number 0.002 to 0.2, ... }"

    def __call__(self, value: Any) -> dict[str, float]:
        if not isinstance(value, dict):
            raise Wrong("not a table", "write { smooth = 0.006, rough = 0.009 }")
        found = {}
        for word, coefficient in value.items():
            if word not in SURFACES:
                near = nearest(word, SURFACES)
                mend = f'did you mean "{near}"? ' if near else ""
                raise Wrong(f'no surface is called "{word}"', f"{mend}Known: {listed(SURFACES)}")
            try:
                found[word] = float(Number(0.002, 0.2)(coefficient))
            except Wrong as wrong:
                raise Wrong(f"{word}: {wrong.what}", wrong.mend) from None
        return found


class Zone(Kind):
    words = 'name of a time zone, "Europe/Andorra"'

    def __call__(self, value: Any) -> ZoneInfo:
        text = Text()(value)
        try:
            return ZoneInfo(text)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            near = nearest(text, sorted(available_timezones()))
            hint = f'did you mean "{near}"?' if near else 'names look like "Europe/Andorra" or "Atlantic/Azores"'
            raise Wrong("no such time zone", hint) from None


class Moment(Kind):
    """A day and time. Without an offset it is local; the reader makes it aware, knowing the time zone."""

    words = "local day and time, 2026-06-11T18:30:00"

    def __call__(self, value: Any) -> dt.datetime:
        moment = self._moment(value)
        if not 1970 <= moment.year <= 2100:
            raise Wrong(f"the year {moment.year}", "write it like 2026-06-11T18:30:00")
        return moment

    def _moment(self, value: Any) -> dt.datetime:
        if isinstance(value, dt.datetime):
            return value
        if isinstance(value, dt.date):
            raise Wrong("a day without a time", f"write {value.isoformat()}T18:30:00")
        if isinstance(value, dt.time):
            raise Wrong("a time without a day", f"write the day too: 2026-06-11T{value.isoformat()}")
        if isinstance(value, str):
            try:
                moment = dt.datetime.fromisoformat(value.strip())
            except ValueError:
                raise Wrong("not a day and time", "write it like 2026-06-11T18:30:00") from None
            if len(value.strip()) <= 10:
                raise Wrong("a day without a time", f"write {moment.date().isoformat()}T18:30:00")
            return moment
        raise Wrong("not a day and time", "write it like 2026-06-11T18:30:00")


class ClockOrMoment(Kind):
    """A time of the ride's day ("19:30"), or a day and time."""

    words = 'time on the day of departure, "19:30", or a day and time, 2026-06-11T19:30:00'

    def __call__(self, value: Any) -> dt.time | dt.datetime:
        if isinstance(value, dt.time):
            return value
        if isinstance(value, str):
            match = re.fullmatch(r"([0-9]{1,2})[:.h]([0-9]{2})(?::([0-9]{2}))?", value.strip())
            if match:
                hour, minute, second = (int(part or 0) for part in match.groups())
                if hour > 23 or minute > 59 or second > 59:
                    raise Wrong("no such time of day", "00:00 to 23:59, the next day's with its date")
                return dt.time(hour, minute, second)
            if re.fullmatch(r"[0-9:.]+ ?(Z|UTC|GMT|[ap]m)", value.strip(), re.IGNORECASE):
                raise Wrong("times are local, on the 24-hour clock", 'write "19:30"')
        if isinstance(value, int) and 100 <= value < 2400 and value % 100 < 60:
            raise Wrong("not a time of day", f'write "{value // 100:02d}:{value % 100:02d}"')
        try:
            return Moment()(value)
        except Wrong:
            raise Wrong("not a time of day", 'write "19:30"') from None


class Rule(Kind):
    """The contact rule; station names are checked against the stations by the reader."""

    words = '"any", "all", ["NAME", ...] or { at_least = N }'

    def __call__(self, value: Any) -> str | tuple[str, ...] | dict[str, int]:
        if isinstance(value, str):
            return Choice(lambda: ("any", "all"))(value)
        if isinstance(value, list):
            names = ListOf(Text(), at_least=1)(value)
            return tuple(names)
        if isinstance(value, dict):
            if set(value) != {"at_least"}:
                raise Wrong("not a rule", "write { at_least = 2 }")
            return {"at_least": int(Number(1, 20, whole=True)(value["at_least"]))}
        raise Wrong("not a rule", f"write {self.words}")


class Bearing(Kind):
    """Degrees, or a point of the compass."""

    words = 'degrees 0 to 360 (90 is east), or "N", "NE", ... "NNW"'
    points = (
        "N",
        "NNE",
        "NE",
        "ENE",
        "E",
        "ESE",
        "SE",
        "SSE",
        "S",
        "SSW",
        "SW",
        "WSW",
        "W",
        "WNW",
        "NW",
        "NNW",
    )

    def __call__(self, value: Any) -> float:
        if isinstance(value, str):
            text = re.sub(r"[\s-]", "", value.lower())
            for word, letter in (("north", "n"), ("south", "s"), ("east", "e"), ("west", "w")):
                text = text.replace(word, letter)
            if text.upper() in self.points:
                return self.points.index(text.upper()) * 22.5
            raise Wrong("no such point of the compass", 'degrees from 0 to 360, or "N", "NE", "SW"')
        return Number(0, 360)(value) % 360.0


class TrackFile(Kind):
    words = "path of a GPX file, from the ride file's folder"

    def __call__(self, value: Any) -> Path:
        return Path(Text()(value)).expanduser()


# Words that the radio understands live with the radio.


@dataclass(frozen=True)
class RadioWord(Kind):
    """A plain word of radio.words (or a synonym it knows); gives the word's own name."""

    table: str  # "STATION_KINDS"
    what: str  # "kind"

    def _known(self) -> dict[str, Any]:
        from routeplan.radio import words

        return getattr(words, self.table)

    @property
    def words(self) -> str:  # type: ignore[override]
        return listed(self._known())

    def __call__(self, value: Any) -> str:
        text = Text()(value)
        from routeplan.radio import words

        try:
            return words.known(text, self._known(), self.what).name
        except InputError as error:
            raise Wrong(f"unknown {self.what}", error.faults[0].mend) from None


def speech_grades() -> Iterable[str]:
    from routeplan.radio.quality import GRADES

    return list(GRADES)


_UNREAL = "no bicycle ride has this"
_STATION_W = Number(0.01, 2000, (Slip(1e-3, "in milliwatts"),))
_SINAD_DBM = Number(
    -130,
    -90,
    (Slip(-1, "without its minus sign"),),
    above="no receiver is that deaf; microvolts are sensitivity_uv",
)
_SINAD_UV = Number(0.03, 5.0)


# Sections


@dataclass(frozen=True)
class Start:
    """Where and when the ride begins."""

    name: str | None = key(Text(), "what you call the place")
    position: Position | None = key(Place(), "where the ride begins (or `locator`)", unit="deg")
    locator: str | None = key(Locator(), "the place as a locator, in place of `position`")
    departs: dt.datetime | None = key(Moment(), "when; local time, or with an offset")
    departs_between: tuple[dt.datetime, dt.datetime] | None = key(
        ListOf(Moment(), at_least=2), "earliest and latest departure: the tool chooses"
    )
    time_zone: ZoneInfo | None = key(Zone(), "whose clock; needed with every local time")


@dataclass(frozen=True)
class Wish:
    """What ride is wanted."""

    length_km: float | None = key(Number(0.5, 400, (Slip(1e-3, "in metres"),)), "length of a loop", unit="km")
    hours: float | None = key(
        Number(0.1, 24, (Slip(1 / 60, "in minutes"),)), "time of a loop, in place of its length", unit="h"
    )
    home_by: dt.datetime | None = key(
        ClockOrMoment(),
        "home at this time at the latest: alone it sets the time of a loop, with a length it limits it",
    )
    tolerance: float = key(
        Number(0.005, 0.5, (Slip(0.01, "in percent"),)),
        "how far length or time of a loop may be off, as a share",
        default=0.05,
        origin="common practice",
    )
    choices: int = key(Number(1, 20, whole=True), "how many different rides to show", default=5, origin="judgement")
    repeat_share: float = key(
        Number(0, 1, (Slip(0.01, "in percent"),)),
        "share of a loop that may be ridden twice (a dead-end start, a valley with one road)",
        default=0.25,
        origin="judgement",
    )
    nearby_share: float = key(
        Number(0, 1, (Slip(0.01, "in percent"),)),
        "share of a loop that may run within 40 m beside itself",
        default=0.10,
        origin="judgement",
    )
    end: Position | None = key(Place(), "where a ride from here to there ends", unit="deg")
    length_at_most_km: float | None = key(
        Number(0.5, 600, (Slip(1e-3, "in metres"),)), "longest ride from here to there", unit="km"
    )
    follow: Path | None = key(TrackFile(), "the usual ride, to be mended or checked")
    extra_km_at_most: float = key(
        Number(0, 100, (Slip(1e-3, "in metres"),)),
        "how much longer the mended ride may be",
        unit="km",
        default=3.0,
        origin="judgement",
        guess=True,
    )
    via: tuple[Position, ...] = key(
        ListOf(Place()),
        "places to pass: a ride to another place in this order, a loop in any, for it may go either way round",
        default=(),
    )
    avoid: tuple[Position, ...] = key(ListOf(Place()), "places to keep away from", default=())
    avoid_radius_m: float = key(
        Number(20, 20_000, (Slip(1e3, "in kilometres"),)),
        "how far to keep away",
        unit="m",
        default=300.0,
        origin="judgement",
    )
    fast_roads: bool = key(
        YesNo(), "also trunk roads where bicycles are allowed", default=False, origin="judgement: prudence"
    )
    ferries: bool = key(YesNo(), "also ferries", default=False, origin="judgement")
    tunnels: bool = key(
        YesNo(),
        "also tunnels over 300 m that are not marked for bicycles",
        default=False,
        origin="judgement: prudence",
    )
    paths: bool = key(
        YesNo(),
        "also paths and bridleways whose mapping does not mention bicycles: where your country's law lets you",
        default=False,
        origin="judgement: most are for walkers",
    )
    sidepath_roads: bool = key(
        YesNo(),
        "also roads beside a cycle path that must be used instead",
        default=False,
        origin="the law where it is tagged",
    )
    destination_roads: bool = key(
        YesNo(),
        "also roads that are not open to through traffic: where you live or call on somebody there",
        default=False,
        origin="the law where it is tagged",
    )
    steps: bool = key(YesNo(), "also steps, the bicycle carried", default=True, origin="judgement")
    stop_min: float = key(
        Number(0, 120),
        "a halt at the best calling place, with a net or without talk while riding; counted in the ride's time",
        unit="min",
        default=10.0,
        origin="judgement",
    )


@dataclass(frozen=True)
class Person:
    """Rider and bicycle."""

    mass_kg: float = key(
        Number(
            30,
            200,
            (Slip(0.1, "with a digit too many"), Slip(0.45359, "in pounds")),
            above="heavier than riders are",
        ),
        "rider, dressed",
        unit="kg",
        default=80.0,
        origin="judgement",
        guess=True,
    )
    bicycle_mass_kg: float = key(
        Number(5, 100, (Slip(0.1, "with a digit too many"), Slip(0.45359, "in pounds"))),
        "bicycle with everything on it: bags, set, whip, water",
        unit="kg",
        default=22.0,
        origin="18.3 +- 4.1 kg, Tengattini & Bigazzi 2018, and radio and tools",
        guess=True,
    )
    power_w: float = key(
        Number(40, 500, above=_UNREAL),
        "power at the cranks that you hold for hours, on the flat",
        unit="W",
        default=110.0,
        origin="recreational riders hold 100 to 130 W (judgement)",
        guess=True,
    )
    climb_power_w: float | None = key(
        Number(40, 700, above=_UNREAL),
        "power at the cranks on climbs",
        unit="W",
        origin="judgement",
        guess=True,
        in_words="1.35 times power_w",
    )
    drag_area_m2: float = key(
        Number(0.15, 1.5, (Slip(0.1, "with a digit too many"),)),
        "CdA of rider, bicycle and load",
        unit="m2",
        default=0.60,
        origin="upright, bags and whip, 0.50 to 0.75 (judgement; 0.559 +- 0.170, Tengattini & Bigazzi 2018)",
        guess=True,
    )
    drivetrain: float = key(
        Number(0.7, 1.0, (Slip(0.01, "in percent"),)),
        "share of the cranks' power that reaches the wheel",
        default=0.95,
        origin="everyday chain (judgement; 0.977 new, Martin et al. 1998)",
    )
    rolling: dict[str, float] = key(
        Rolling(),
        "rolling coefficients in place of the built-in ones",
        origin="table in docs/ride_model.md",
        in_words="built-in table",
    )
    power_spread: float = key(
        Number(0, 0.5, (Slip(0.01, "in percent"),)),
        "how much your power differs from day to day, standard deviation as a share",
        default=0.10,
        origin="judgement; 6-10 %, Millet et al. 2014",
    )
    gross_efficiency: float = key(
        Number(0.1, 0.3, (Slip(0.01, "in percent"),)),
        "crank work over food energy",
        default=0.20,
        origin="Moseley & Jeukendrup 2001, 19.8 %",
    )
    surfaces: tuple[str, ...] = key(
        Surfaces(),
        "surfaces you will ride",
        default=("smooth", "rough", "fine_gravel"),
        origin="judgement: loaded touring bicycle",
        guess=True,
    )
    stress_at_most: float = key(
        Number(0, 4),
        "most traffic stress you accept: 0 calm lanes only, 1 some traffic, 2 busy, from 3 on anything",
        default=3.0,
        origin="judgement",
        guess=True,
    )
    stress_weight: float = key(
        Number(0, 20),
        "how strongly traffic stress counts against a road; 0: not at all",
        default=1.0,
        origin="judgement",
    )


@dataclass(frozen=True)
class Handheld:
    """The rider's own set."""

    transmit_w: float = key(
        Number(0.01, 100, (Slip(1e-3, "in milliwatts"),)),
        "transmit power",
        unit="W",
        default=5.0,
        origin="usual handheld on high power",
        guess=True,
    )
    frequency_mhz: float | None = key(
        Frequency(),
        "where to call outside nets and away from repeaters",
        unit="MHz",
        origin="a common 2 m calling channel (check the band plan)",
        guess=True,
        in_words="the first net's, else 145.5",
    )
    mode: str = key(Mode(), "how you talk outside nets", default="FM", origin="common practice")
    antenna: str = key(
        RadioWord("ANTENNAS", "antenna"),
        "what you carry",
        default="quarter wave",
        origin="common practice",
        guess=True,
    )
    mount: str = key(
        RadioWord("MOUNTS", "mount"),
        "where you carry it",
        default="rack",
        origin="common practice",
        guess=True,
    )
    antenna_gain_dbi: float | None = key(
        Number(-30, 10, (Slip(0.1, "with a digit too many"),)),
        "gain of the antenna where it is mounted, in place of the words' figure; the body counts beside it",
        unit="dBi",
        in_words="from antenna and mount",
    )
    antenna_height_m: float | None = key(
        Number(0.5, 10),
        "middle of the antenna above the road, in place of the mount's figure",
        unit="m",
        in_words="from mount",
    )
    feeder_db: float | None = key(
        Number(0, 30, (Slip(0.1, "with a digit too many"),)),
        "loss of the cable to the antenna",
        unit="dB",
        in_words="from mount",
    )
    sensitivity_dbm: float = key(
        _SINAD_DBM,
        "input for 12 dB SINAD",
        unit="dBm",
        default=-119.0,
        origin="data sheets of handhelds: -121 to -118 dBm",
    )
    sensitivity_uv: float | None = key(
        _SINAD_UV, "the same in microvolts at 50 ohm, in place of `sensitivity_dbm`", unit="uV"
    )
    battery_wh: float = key(
        Number(1, 300, (Slip(0.0074, "in mAh at 7.4 V"),)),
        "energy printed on the battery",
        unit="Wh",
        default=13.3,
        origin="1.8 Ah at 7.4 V (judgement)",
        guess=True,
    )
    transmit_share: float = key(
        Number(0, 1, (Slip(0.01, "in percent"),)),
        "share of the ride you transmit",
        default=0.10,
        origin="net-heavy ride (judgement)",
    )
    receive_share: float = key(
        Number(0, 1, (Slip(0.01, "in percent"),)),
        "share of the ride with someone to hear",
        default=0.40,
        origin="net-heavy ride (judgement)",
    )
    beacon: bool = key(YesNo(), "position beacon on", default=False, origin="judgement")
    talk_while_riding: bool = key(
        YesNo(),
        "false where hand-held use while riding is barred, or you would rather stop: overs are then stops",
        default=True,
        origin="judgement: check your country's law",
        guess=True,
    )


@dataclass(frozen=True)
class Station:
    """A station you want to work. At least one; `[[station]]` for each."""

    name: str = key(Text(), "its name or call sign", default="")
    position: Position | None = key(Place(), "where it is (or `locator`)", unit="deg")
    locator: str | None = key(Locator(), "the place as a locator, in place of `position`")
    kind: str | None = key(
        RadioWord("STATION_KINDS", "kind of station"),
        "what it is, in plain words; stands for the numbers below",
        origin="judgement",
        guess=True,
        in_words='"vertical on the chimney"; of a repeater "hill repeater"',
    )
    antenna_height_m: float | None = key(
        Number(1, 3000, below="under the ground", above="above 3 km"),
        "antenna above the ground there",
        unit="m",
        in_words="from kind",
    )
    antenna_gain_dbi: float | None = key(
        Number(-30, 25, (Slip(0.1, "with a digit too many"),), above="no antenna for these bands has this gain"),
        "antenna gain, before the feeder",
        unit="dBi",
        in_words="from kind",
    )
    feeder_db: float | None = key(
        Number(0, 30, (Slip(0.1, "with a digit too many"),)),
        "loss of the feeder",
        unit="dB",
        in_words="from kind",
    )
    transmit_w: float | None = key(_STATION_W, "its transmit power", unit="W", in_words="from kind")
    surroundings: str | None = key(
        RadioWord("SURROUNDINGS", "surroundings"), "electrical noise where it stands", in_words="from kind"
    )
    sensitivity_dbm: float | None = key(
        _SINAD_DBM, "its receiver's input for 12 dB SINAD", unit="dBm", in_words="from kind"
    )
    sensitivity_uv: float | None = key(
        _SINAD_UV, "the same in microvolts at 50 ohm, in place of `sensitivity_dbm`", unit="uV"
    )
    hears_mhz: float | None = key(Frequency(), "repeater: its input, where you transmit", unit="MHz")
    talks_mhz: float | None = key(Frequency(), "repeater: its output, where you listen", unit="MHz")
    access: str | None = key(TextOrNumber(), 'repeater: how it is opened, "tone 77.0 Hz"')
    reaches: tuple[str, ...] = key(ListOf(Text()), "repeater: whom one works through it", default=())

    @property
    def repeater(self) -> bool:
        return self.hears_mhz is not None


@dataclass(frozen=True)
class Net:
    """A net with its window. `[net]`, or `[[net]]` for each of several."""

    name: str = key(Text(), "what it is called", default="net", origin="judgement")
    frequency_mhz: float = key(Frequency(), "its frequency (a repeater's output)", unit="MHz", default=math.nan)
    mode: str = key(Mode(), "its mode", default="FM", origin="common practice")
    begins: dt.datetime | None = key(ClockOrMoment(), "when it begins, local time")
    lasts_min: float = key(
        Number(1, 720), "how long it lasts", unit="min", default=60.0, origin="judgement", guess=True
    )
    control: str | None = key(Text(), "the station that leads it")

    @property
    def ends(self) -> dt.datetime:
        """End of the window, aware, in the net's own time zone."""
        assert self.begins is not None
        after = self.begins.astimezone(dt.UTC) + dt.timedelta(minutes=self.lasts_min)
        return after.astimezone(self.begins.tzinfo)


@dataclass(frozen=True)
class Contact:
    """What counts as contact."""

    rule: str | tuple[str, ...] | dict[str, int] = key(
        Rule(), "whom you want to work at the same time", default="any", origin="judgement"
    )
    chance: float = key(
        Number(0.51, 0.99, (Slip(0.01, "in percent"),), below="it must be above 0.5"),
        "chance from which a place counts as in contact",
        default=0.9,
        origin="judgement",
    )


@dataclass(frozen=True)
class Wind:
    """Wind on the day."""

    speed_m_s: float = key(
        Number(0, 40, (Slip(1 / 3.6, "in km/h"),)),
        "its speed",
        unit="m/s",
        default=0.0,
        origin="none",
        guess=True,
    )
    from_deg: float = key(Bearing(), "where it comes from", unit="deg", default=0.0, origin="none")
    at_height_m: float = key(
        Number(0.5, 100),
        "height above ground for which the speed holds; forecasts give 10 m; 1.2 m is the rider",
        unit="m",
        default=1.2,
        origin="the speed is taken as the rider feels it",
    )


@dataclass(frozen=True)
class Weather:
    """Air on the day: its density slows the rider, cold weakens the battery."""

    temperature_c: float = key(
        Number(-30, 50), "at the start", unit="deg C", default=15.0, origin="ISO 2533", guess=True
    )
    pressure_hpa: float = key(
        Number(
            850,
            1090,
            (Slip(0.01, "in Pa"), Slip(33.8639, "in inches of mercury"), Slip(1.33322, "in mm of mercury")),
        ),
        "at sea level, as forecasts give it",
        unit="hPa",
        default=1013.25,
        origin="ISO 2533",
    )
    humidity: float = key(
        Number(0, 1, (Slip(0.01, "in percent"),)), "relative humidity", default=0.5, origin="judgement"
    )


@dataclass(frozen=True)
class Radio:
    """What the prediction rests on; rarely changed."""

    delta_n: float = key(
        Number(1, 150),
        "drop of the refractive index over the lowest kilometre",
        unit="N units/km",
        default=40.0,
        origin="temperate climate, Rec. ITU-R P.1812 maps",
    )  # fmt: skip
    n0: float = key(
        Number(250, 450), "refractivity at sea level", unit="N units", default=325.0,
        origin="temperate climate, Rec. ITU-R P.1812 maps",
    )  # fmt: skip
    time_percent: float = key(
        Number(1, 50), "share of the time the loss is not exceeded", unit="%", default=50.0, origin="median",
    )  # fmt: skip
    noise: str = key(
        RadioWord("SURROUNDINGS", "surroundings"),
        "electrical noise where you ride",
        default="open",
        origin="judgement: lanes between fields; Rec. ITU-R P.372 rural",
        guess=True,
    )
    speech: str = key(
        Choice(speech_grades), "how well speech should be understood", default="readable",
        origin="delivered audio quality 3 of TSB-88",
    )  # fmt: skip
    model_error_db: float = key(
        Number(1, 25), "standard deviation of the model's error", unit="dB", default=8.0,
        origin="terrain models against measurements at VHF: 6 to 10 dB; replaced by what you learn",
    )  # fmt: skip
    correlation: float = key(
        Number(0, 0.99), "correlation of the errors of different stations", default=0.5, origin="judgement"
    )
    decorrelation_m: float = key(
        Number(10, 10_000), "distance along the road over which errors change", unit="m", default=500.0,
        origin="judgement",
    )  # fmt: skip


SECTIONS: dict[str, type] = {
    "start": Start,
    "ride": Wish,
    "rider": Person,
    "set": Handheld,
    "station": Station,
    "net": Net,
    "contact": Contact,
    "wind": Wind,
    "weather": Weather,
    "radio": Radio,
}
SEVERAL = ("station", "net")  # sections that may stand several times
