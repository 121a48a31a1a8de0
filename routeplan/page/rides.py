"""Ride files in one folder, and their tables as JSON has them.

The page holds a ride as the tables of its ride file. TOML's times become text on the way out and times again on the
way in; sections that may stand several times are always lists. No name with a path in it is taken, from the page or
from inside a ride file.
"""

from __future__ import annotations

import datetime as dt
import re
import threading
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from routeplan.errors import Fault, InputError
from routeplan.page.edited import edited
from routeplan.plan import ridefile
from routeplan.plan.ridefile import Ride, document_text
from routeplan.plan.ridekeys import SECTIONS, SEVERAL, ClockOrMoment, ListOf, Moment, keys_of

LARGEST_RIDE_BYTES = 200_000
DEEPEST = 4
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,60}", re.ASCII)


def safe_name(name: object, ending: str) -> str:
    """A plain file name with this ending. Raises InputError for anything that could lead elsewhere."""
    text = name.strip() if isinstance(name, str) else ""
    if text.lower().endswith(ending):
        text = text[: -len(ending)]
    if not _NAME.fullmatch(text) or text.endswith((".", " ")) or ".." in text:
        mend = "use letters, digits, spaces, - and _"
        raise InputError("cannot be a file name here", repr(name)[:60], mend)
    return text + ending


def to_json(tables: dict[str, Any]) -> dict[str, Any]:
    """Tables of a ride file for the page."""
    out: dict[str, Any] = {}
    for name, value in tables.items():
        out[name] = [value] if name in SEVERAL and isinstance(value, dict) else value
    return _plain(out)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    if isinstance(value, dt.time):
        return value.strftime("%H:%M") if not value.second else value.isoformat()
    if isinstance(value, (dt.datetime, dt.date)):
        return value.isoformat()
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return str(value)
    return value


def from_json(found: Any) -> dict[str, Any]:
    """Tables of a ride file from what the page holds. Raises InputError for what no ride file could be."""
    if not isinstance(found, dict):
        raise InputError("not a ride", "the request", "open the page anew")
    _check_depth(found, 0)
    tables: dict[str, Any] = {}
    for name, value in found.items():
        kind = SECTIONS.get(name)
        rows = value if isinstance(value, list) else [value]
        if len({isinstance(row, dict) for row in rows}) > 1:
            raise InputError("sections and single values mixed", f"ride, {name}"[:80], "open the page anew")
        if kind is not None and all(isinstance(row, dict) for row in rows):
            timed = [{k: _timed(kind, k, v) for k, v in row.items() if v is not None} for row in rows]
            tables[name] = timed if isinstance(value, list) else timed[0]
        else:
            tables[name] = value
    # An empty section says nothing, and an empty list of stations could not be written.
    return {k: v for k, v in tables.items() if v not in ({}, [], None)}


def _check_depth(value: Any, depth: int) -> None:
    if depth > DEEPEST:
        raise InputError("nested too deeply for a ride", "the request")
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    for item in inner:
        _check_depth(item, depth + 1)


def _timed(section: type, name: str, value: Any) -> Any:
    """Text of a day and time as a time, where the key holds one."""
    key = keys_of(section).get(name)
    if key is None:
        return value
    if isinstance(key.kind, (Moment, ClockOrMoment)):
        return _moment(value)
    if isinstance(key.kind, ListOf) and isinstance(key.kind.item, Moment) and isinstance(value, list):
        return [_moment(v) for v in value]
    return value


def _moment(value: Any) -> Any:
    if not isinstance(value, str) or len(value.strip()) < 16:
        return value
    try:
        return dt.datetime.fromisoformat(value.strip())
    except ValueError:
        return value


class Opened(NamedTuple):
    """A ride file as the page takes it."""

    tables: dict[str, Any]
    text: str


class Rides:
    """The ride files, and tracks, of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()

    def names(self) -> list[str]:
        """Ride files that can be opened, by name."""
        found = []
        try:
            for path in sorted(self.folder.glob("*.toml")):
                if _NAME.fullmatch(path.stem) and not path.is_symlink() and _is_ride(path):
                    found.append(path.name)
        except OSError:
            return []
        return found

    def open(self, name: object) -> Opened:
        """A ride file in the folder."""
        path = self._path(name, ".toml")
        if not path.is_file() or path.is_symlink():
            raise InputError("no such ride file", path.name, "choose one of the list")
        return self.read(path.read_bytes(), path.name)

    def read(self, data: bytes, name: str) -> Opened:
        """The tables in a ride file, and its text; every fault of the file is told with its line."""
        if len(data) > LARGEST_RIDE_BYTES:
            raise InputError("too large for a ride file", name, "was another file meant?")
        try:
            text = _decoded(data)
        except UnicodeDecodeError:
            raise InputError("not text", name, "ride files are UTF-8 text") from None
        self._raise_paths(_tables(text, name), name)
        return Opened(to_json(ridefile.read_ride_text(text, name, self.folder).document), text)

    def ride(self, tables: Any) -> Ride:
        """The ride that the page holds: read from the very text that would be saved."""
        text = self.text(tables)
        return ridefile.read_ride_text(text, "ride", self.folder)

    def text(self, tables: Any, before: object = None) -> str:
        """The ride file of what the page holds.

        before : text of the ride file that was opened; its comments and order are kept.
        """
        checked = from_json(tables)
        self._raise_paths(checked, "ride")
        text = None
        if isinstance(before, str) and 0 < len(before) <= LARGEST_RIDE_BYTES:
            text = edited(before, checked, to_json)
        if text is None:
            text = document_text(checked)
        try:
            size = len(text.encode())
        except UnicodeEncodeError:
            raise InputError("half a character, which no file can hold", "ride", "type that word anew") from None
        if size > LARGEST_RIDE_BYTES:
            raise InputError("too large for a ride file", "ride", "was another file meant?")
        return text

    def save(self, name: object, tables: Any, before: object = None, *, replace: bool = False) -> tuple[str, str]:
        """Write the ride file, whole or not at all; gives its name and text.

        A file that is no ride is never replaced, and another ride, or this one changed elsewhere since it was opened,
        only when `replace` says so.
        """
        from routeplan.output import atomic

        path = self._path(name, ".toml")
        self.ride(tables)
        text = self.text(tables, before)
        with self._lock:
            if path.is_symlink() or (path.exists() and not _is_ride(path)):
                raise InputError("is there already and is no ride file", path.name, "choose another name")
            if path.exists() and not replace and _text_of(path) not in (before, text):
                what = "is there already, and is not the ride that you opened"
                raise InputError(what, path.name, "choose another name, or replace it")
            atomic.write_text(path, text)
        return path.name, text

    def keep(self, name: object, data: bytes) -> dict[str, Any]:
        """Keep a track for mend, check or debrief, if it can be read; gives its name and length."""
        from routeplan.plan.given import keep_track

        with self._lock:
            return keep_track(self.folder, safe_name(name, _track_ending(name)), data)

    def track(self, name: object) -> Path:
        """The path of a track that was kept."""
        path = self._path(name, _track_ending(name))
        if not path.is_file() or path.is_symlink():
            raise InputError("no such track", path.name, "drop it anew")
        return path

    def _path(self, name: object, ending: str) -> Path:
        path = self.folder / safe_name(name, ending)
        if path.resolve().parent != self.folder.resolve():
            raise InputError("lies outside the folder of the rides", path.name, "choose another name")
        return path

    def _raise_paths(self, tables: dict[str, Any], name: str) -> None:
        """Raise where a ride names a file outside the folder."""
        ride = tables.get("ride")
        named = {
            "ride.follow": (ride.get("follow") if isinstance(ride, dict) else None, ".gpx"),
            "learnt": (tables.get("learnt"), ".toml"),
        }
        faults = []
        for where, (value, ending) in named.items():
            if not isinstance(value, str):
                continue
            try:
                if safe_name(value, ending) != value or (self.folder / value).is_symlink():
                    raise InputError("")
            except InputError:
                what = "the page uses files of its own folder only"
                mend = f"put it beside the ride file and write its name alone, with {ending}"
                faults.append(Fault(what, f"{name}, {where}", mend))
        if faults:
            raise InputError(faults)


def _decoded(data: bytes) -> str:
    return data.decode("utf-8-sig").replace("\r\n", "\n")


def _text_of(path: Path) -> str:
    try:
        return _decoded(path.read_bytes())
    except (OSError, UnicodeDecodeError):
        return ""


def _track_ending(name: object) -> str:
    return ".fit" if isinstance(name, str) and name.lower().endswith(".fit") else ".gpx"


def _tables(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return {}  # the reader tells what is wrong


def _is_ride(path: Path) -> bool:
    """Whether a file looks like a ride file: sections of ours and no others."""
    try:
        if path.stat().st_size > LARGEST_RIDE_BYTES:
            return False
        tables = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False
    return bool(tables) and set(tables) <= {*SECTIONS, "learnt"}
