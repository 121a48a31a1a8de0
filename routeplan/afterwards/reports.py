"""What was heard of a ride: one value for every kind of report, and the readers of CSV files and ticked cards.

    read_heard(path, zone=..., around_s=...) -> HeardFile      CSV, card, ADIF or received beacons, by content

A wrong line is named and counted, never fatal; a file that holds no report at all is an InputError. Columns and
codes are described in docs/debrief.md.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from difflib import get_close_matches
from pathlib import Path
from typing import NamedTuple

from routeplan.errors import InputError
from routeplan.geo import locator_to_latlon

LARGEST_BYTES = 20_000_000
DAY_S = 86_400.0
HALF_YEAR_S = 183 * DAY_S


class Reception(NamedTuple):
    """How one end was heard: readability between two values of the R scale, and perhaps a strength.

    R: 1 unreadable, 2 barely, 3 with difficulty, 4 practically without, 5 perfectly; 0: not heard at all.
    """

    least: int
    most: int
    strength: int | None = None  # S 1 to 9 as the receiver's meter shows it

    @property
    def heard(self) -> bool:
        return self.least > 0


READABLE = Reception(3, 5)  # "yes": it was good enough to be worked
NOT_HEARD = Reception(0, 0)
CLEAR, NOISY = Reception(4, 5), Reception(3, 4)


@dataclass(frozen=True)
class Report:
    """One report. Times are seconds since 1970 UTC, unknown numbers are NaN, unknown words empty."""

    station: str
    they: Reception | None  # how the station heard the rider; None: not said
    i: Reception | None  # how the rider heard the station
    answered: bool | None  # False: called, no answer; True: worked; None: neither is said
    time_s: float = math.nan
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    place_within_m: float = 0.0  # half the size of the cell that the place is given by
    over: str = ""  # number of an over of the ride card
    frequency_mhz: float = math.nan
    mount: str = ""
    beacon: bool = False
    source: str = ""  # of a beacon: who sent it
    where: str = ""  # "heard.csv, line 4"

    @property
    def placed(self) -> bool:
        return math.isfinite(self.latitude_deg)

    @property
    def words(self) -> str:
        """What it says, in short: "59 from them, 55 from me", "called, no answer"."""
        if self.beacon:
            return "beacon received" if self.they is not None and self.they.heard else "beacon not received"
        if self.answered is False:
            return "called, no answer"
        parts = []
        if self.they is not None:
            parts.append(f"they heard me {_said(self.they)}")
        if self.i is not None:
            parts.append(f"I heard them {_said(self.i)}")
        return ", ".join(parts) or "worked"


def _said(reception: Reception) -> str:
    if not reception.heard:
        return "not at all"
    if reception.least == reception.most:
        return f"R{reception.least}" + (f" S{reception.strength}" if reception.strength else "")
    return {CLEAR: "clearly", NOISY: "with noise"}.get((*reception[:2], None), "readably")  # type: ignore[call-overload]


class WrongLine(NamedTuple):
    """A line that could not be used: where, why, and its beginning."""

    where: str
    why: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.why}: {self.text!r}"


@dataclass(frozen=True)
class HeardFile:
    """The reports of one file and what could not be used of it."""

    name: str
    kind: str  # "reports", "card", "ADIF log", "beacons"
    reports: tuple[Report, ...]
    wrong: tuple[WrongLine, ...]
    left_out: int = 0  # lines of other kinds that hold no report: comments, messages, weather


def read_heard(path: str | Path, *, zone: tzinfo = UTC, around_s: float = math.nan) -> HeardFile:
    """The reports of a file, whatever its kind.

    zone : of local times that name none.   around_s : a time of the ride [s since 1970], for times without a day.
    Raises InputError for a file that is missing, too large, empty, or of a kind that holds no reports.
    """
    path = Path(path)
    data = read_bytes(path)
    text = data.decode("utf-8-sig", errors="replace").replace("\r\n", "\n").replace("\r", "\n")
    if not text.strip():
        raise InputError("an empty file", str(path), "give a CSV, a card, an ADIF log or received beacons")
    if data[:4] == b"PK\x03\x04" or b"\x00" in data[:2000]:
        raise InputError("not a text file", str(path), "save reports as CSV text")
    if re.match(r"\s*<(\?xml|gpx|html|!doctype)", text[:200], re.I):
        raise InputError("an XML or HTML file, not reports", str(path), "tracks go to --track")
    if re.search(r"<(eoh|eor|call:\d+)", text[:20_000], re.I):
        from routeplan.afterwards.adif import read_adif

        found = read_adif(text, path.name)
    elif _looks_like_beacons(text):
        from routeplan.afterwards.aprs import read_beacons

        found = read_beacons(data.decode("latin-1"), path.name, around_s=around_s)
    else:
        found = read_csv(text, path.name, zone=zone, around_s=around_s)
    if not found.reports:
        first = f", the first is {found.wrong[0]}" if found.wrong else ""
        raise InputError(
            f"no report in it ({len(found.wrong)} wrong lines{first})", str(path),
            "docs/debrief.md shows the columns: time, station, they_heard_me, i_heard_them",
        )  # fmt: skip
    return found


def read_bytes(path: Path, largest: int = LARGEST_BYTES) -> bytes:
    """A file's bytes; InputError where it is missing, a folder, or larger than any ride's."""
    try:
        if path.is_dir():
            raise InputError("a folder, not a file", str(path), "name the file in it")
        with path.open("rb") as file:
            data = file.read(largest + 1)
    except FileNotFoundError:
        raise InputError("no such file", str(path)) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {getattr(error, 'strerror', None) or error}", str(path)) from None
    if len(data) > largest:
        raise InputError("larger than any ride's", str(path), f"{largest // 1_000_000} MB at most")
    return data


_BEACON = re.compile(r"[A-Z0-9]{3,9}(?:-[A-Z0-9]{1,2})?>[A-Z0-9-]{1,9}[^:\n]*:", re.I)


def _looks_like_beacons(text: str) -> bool:
    lines = [line for line in text.split("\n", 200)[:200] if line.strip() and not line.startswith("#")]
    return sum(bool(_BEACON.search(line)) for line in lines) > len(lines) / 2


# --- CSV and cards -----------------------------------------------------------------------------------------------

COLUMNS = {
    "time": "when; 19:42, 2026-08-27 19:42:10, or with a zone: 2026-08-27T18:42:10Z",
    "time_utc": "the same in UTC",
    "station": "name as in the ride file",
    "they_heard_me": "their report of you: 59, R5 S7, yes, or no",
    "i_heard_them": "your report of them, or no; no in one of the two, nothing in the other: called, no answer",
    "latitude": "degrees north, where the clock is not to be trusted",
    "longitude": "degrees east",
    "locator": "in place of the two",
    "over": "number of the over on the ride card",
    "code": "the card's tick: c clear, n noisy, 0 no answer",
    "frequency_mhz": "where it differs from the station's",
    "mount": "where the set was, if it differs from the ride file: rack, chest, hand",
    "note": "for yourself",
}
_ALSO = {
    "call": "station", "who": "station", "utc": "time_utc",
    "rst_rcvd": "they_heard_me", "rst_received": "they_heard_me",
    "rst_sent": "i_heard_them", "lat": "latitude", "lon": "longitude", "lng": "longitude", "mhz": "frequency_mhz",
    "frequency": "frequency_mhz", "tick": "code", "comment": "note", "remarks": "note",
}  # fmt: skip
CODES = {
    "c": (CLEAR, True), "clear": (CLEAR, True), "n": (NOISY, True), "noisy": (NOISY, True),
    "0": (None, False), "no": (None, False), "no answer": (None, False), "-": (None, False),
}  # fmt: skip


class _Wrong(Exception):
    """Why a line cannot be used."""


def read_csv(text: str, name: str, *, zone: tzinfo = UTC, around_s: float = math.nan) -> HeardFile:
    """Reports from CSV text with a header, or a ticked card (columns over and code, header optional)."""
    lines = text.split("\n")
    first = next((k for k, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")), None)
    if first is None:
        raise InputError("no line but comments", name, "the first line names the columns: time, station, ...")
    delimiter = max(";\t,", key=lines[first].count)
    head = [_column(cell) for cell in _cells(lines[first], delimiter)]
    if _is_tick(_cells(lines[first], delimiter)):
        head, first = ["over", "code"], first - 1
    card = "over" in head and "code" in head
    if not card and not ("station" in head and {"they_heard_me", "i_heard_them"} & set(head)):
        raise InputError(
            f"no reports: its first line is {lines[first][:60]!r}", name,
            f"the first line names the columns, station and they_heard_me or i_heard_them, or over and code; "
            f"known are {', '.join(COLUMNS)}",
        )  # fmt: skip
    reports, wrong, left_out = [], [], 0
    for number, line in enumerate(lines[first + 1 :], first + 2):
        if not line.strip() or line.lstrip().startswith("#"):
            left_out += bool(line.strip())
            continue
        where = f"{name}, line {number}"
        try:
            cells = _cells(line, delimiter)
            if len(cells) > len(head) and any(cells[len(head) :]):
                raise _Wrong(f"{len(cells)} cells under {len(head)} columns")
            row = dict(zip(head, cells))
            reports.append(_report(row, where, zone, around_s, decimal_comma=delimiter != ","))
        except _Wrong as error:
            wrong.append(WrongLine(where, str(error), line.strip()[:60]))
    return HeardFile(name, "card" if card else "reports", tuple(reports), tuple(wrong), left_out)


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter), [])]
    except csv.Error as error:
        raise _Wrong(f"not a line of cells: {error}") from None


def _column(cell: str) -> str:
    word = re.sub(r"[\s_-]+", "_", cell.strip().lower()).strip("_")
    word = _ALSO.get(word, word)
    near = get_close_matches(word, COLUMNS, 1, 0.8)
    return near[0] if word not in COLUMNS and near else word


def _is_tick(cells: list[str]) -> bool:
    return len(cells) == 2 and cells[0].isdigit() and cells[1].lower() in CODES


def _report(row: dict[str, str], where: str, zone: tzinfo, around_s: float, decimal_comma: bool) -> Report:
    number = (lambda text: text.replace(",", ".")) if decimal_comma else (lambda text: text)
    place = _place(number(row.get("latitude", "")), number(row.get("longitude", "")), row.get("locator", ""))
    utc = row.get("time_utc", "")
    time_s = time_of(utc or row.get("time", ""), UTC if utc else zone, around_s) if utc or row.get("time") else math.nan
    if math.isnan(time_s) and (utc or row.get("time")):
        raise _Wrong(f"no time: {(utc or row['time'])!r}")
    over = row.get("over", "")
    if not over and math.isnan(time_s) and math.isnan(place[0]):
        raise _Wrong("neither a time nor a place nor an over")
    they, i = _reception(row.get("they_heard_me", "")), _reception(row.get("i_heard_them", ""))
    answered: bool | None = None
    if row.get("code"):
        if row["code"].lower() not in CODES:
            raise _Wrong(f"code {row['code']!r} is not c, n or 0")
        both, answered = CODES[row["code"].lower()]
        they, i = they or both, i or both
    elif they is None and i is None:
        raise _Wrong("neither they_heard_me nor i_heard_them is said")
    elif not any(r is not None and r.heard for r in (they, i)) and (they is None or i is None):
        they, i, answered = None, None, False
    elif they is not None and i is not None and they.heard and i.heard:
        answered = True
    station = row.get("station", "")
    if not station and not over:
        raise _Wrong("no station")
    return Report(
        station=station, they=they, i=i, answered=answered, time_s=time_s,
        latitude_deg=place[0], longitude_deg=place[1], place_within_m=place[2], over=over,
        frequency_mhz=_number(number(row.get("frequency_mhz", "")), "frequency_mhz", 1, 3000),
        mount=row.get("mount", "").lower(), where=where,
    )  # fmt: skip


def _number(text: str, name: str, least: float, most: float) -> float:
    if not text:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        raise _Wrong(f"{name} {text!r} is no number") from None
    if not least <= value <= most:
        raise _Wrong(f"{name} {text} is not between {least:g} and {most:g}")
    return value


def _place(latitude: str, longitude: str, locator: str) -> tuple[float, float, float]:
    if locator:
        try:
            north, east = locator_to_latlon(locator)
        except InputError as error:
            raise _Wrong(f"locator {locator!r}: {error.faults[0].what}") from None
        half_m = {2: 550_000.0, 4: 55_000.0, 6: 2300.0}.get(len(locator.strip()), 230.0)
        return north, east, half_m
    if bool(latitude) != bool(longitude):
        raise _Wrong("latitude without longitude" if latitude else "longitude without latitude")
    return _number(latitude, "latitude", -90, 90), _number(longitude, "longitude", -180, 180), 0.0


_RST = re.compile(r"(?:R?\s*([1-5]))(?:\s*[/ ,]?\s*S?\s*([1-9])\s*(?:\+\s*\d*\s*(?:dB)?)?)?", re.I)
_YES = {"yes", "y", "ja", "j", "heard", "ok", "x", "+", "worked", "readable"}
_NO = {"no", "n", "nil", "nein", "none", "not heard", "no answer", "0", "00", "-"}


def _reception(text: str) -> Reception | None:
    """A report as riders write it: "59", "R5 S7", "5", "yes", "no"; None for an empty cell."""
    word = " ".join(text.lower().split())
    if not word:
        return None
    if word in _NO:
        return NOT_HEARD
    if word in _YES:
        return READABLE
    if word in ("clear", "c"):
        return CLEAR
    if word in ("noisy",):
        return NOISY
    found = _RST.fullmatch(word)
    if not found:
        raise _Wrong(f"report {text[:20]!r} is not like 59, R5 S7, yes or no")
    return Reception(int(found[1]), int(found[1]), int(found[2]) if found[2] else None)


def reception_of(text: str) -> Reception | None:
    """A report as riders write it, None where it is empty or none; never raises."""
    try:
        return _reception(text)
    except _Wrong:
        return None


# --- times -------------------------------------------------------------------------------------------------------

_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2}))?", re.I)


def time_of(text: str, zone: tzinfo, around_s: float) -> float:
    """Seconds since 1970 of a time as people write it; NaN where it is none.

    A clock without a day falls on the day that brings it nearest to `around_s`.
    """
    text = text.strip()
    clock = _CLOCK.fullmatch(text)
    if clock:
        hour, minute, second = int(clock[1]), int(clock[2]), int(clock[3] or 0)
        if hour > 23 or minute > 59 or second > 59 or math.isnan(around_s):
            return math.nan
        return nearest_day_s(hour * 3600 + minute * 60 + second, zone, around_s)
    try:
        moment = datetime.fromisoformat(text.replace("Z", "+00:00").replace("z", "+00:00"))
        return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp()
    except (ValueError, OverflowError, OSError):
        return math.nan


def nearest_day_s(seconds_of_day: float, zone: tzinfo, around_s: float) -> float:
    """The moment [s since 1970] with that local clock that lies nearest to `around_s`; NaN out of range."""
    try:
        middle = datetime.fromtimestamp(around_s, zone)
        midnight = middle.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
        moments = [
            (midnight + timedelta(days=day, seconds=seconds_of_day)).replace(tzinfo=zone).timestamp()
            for day in (-1, 0, 1)
        ]
    except (ValueError, OverflowError, OSError):
        return math.nan
    return min(moments, key=lambda moment: abs(moment - around_s))
