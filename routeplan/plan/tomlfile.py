"""TOML files with the line of every key, messages for the slips that riders make, and a small writer."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from routeplan.errors import InputError
from routeplan.plan.ridekeys import SEVERAL, nearest

LARGEST_FILE_BYTES = 1_000_000
KeyPath = tuple[str | int, ...]  # ("station", 0, "name")


@dataclass(frozen=True)
class Document:
    """Nested tables, the line of each key, and what to call the file."""

    tables: dict[str, Any]
    lines: Mapping[KeyPath, int]
    name: str

    def where(self, path: KeyPath, value: Any = ...) -> str:
        line = next((self.lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in self.lines), None)
        place = self.name if line is None else f"{self.name}, line {line}"
        told = [str(p + 1) if isinstance(p, int) else p for p in path if line is None or not isinstance(p, int)]
        words = ".".join(told)
        return f"{place}, {words}" + ("" if value is ... else f" = {shown(value)}")


# Reading


def read_document(path: Path) -> Document:
    text = read_text(path)
    return Document(parsed(text, str(path)), lines_of(text), str(path))


def read_text(path: Path) -> str:
    try:
        if path.is_dir():
            raise InputError("a folder, not a ride file", str(path), "name the .toml file in it")
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        near = [p.name for p in sorted(path.parent.glob("*.toml"))] if path.parent.is_dir() else []
        hint = nearest(path.name, near)
        mend = f"did you mean {path.with_name(hint)}?" if hint else f"routeplan ride new {path} writes one"
        raise InputError("no such file", str(path), mend) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", str(path), "check its permissions") from None
    if len(data) > LARGEST_FILE_BYTES:
        raise InputError("too large for a ride file (over 1 MB)", str(path), "was another file meant?")
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        mend = "save it as UTF-8 text; was another file meant?"
        raise InputError("not UTF-8 text", f"{path}, line {line}", mend) from None


_AT = re.compile(r"\(at line ([0-9]+), column ([0-9]+)\)")


def parsed(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = _AT.search(str(error))
        lines = text.splitlines()
        number = int(at.group(1)) if at else len(lines)
        line = lines[number - 1].strip() if 0 < number <= len(lines) else ""
        what = _AT.sub("", str(error)).replace("(at end of document)", "").strip().rstrip(".")
        mend = _mend_syntax(line, what)
        raise InputError(
            f"not TOML: {what[:1].lower()}{what[1:]}", f"{name}, line {number}: {line[:60]}", mend
        ) from None
    except RecursionError:
        raise InputError("nested too deeply", name, "was another file meant?") from None


def _mend_syntax(line: str, what: str) -> str:
    """How to mend a line that is not TOML, for the slips that riders make."""
    if re.search(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?!:)", line):
        return "write the seconds too: 2026-06-11T18:30:00"
    if re.search(r"=\s*[0-9]{1,2}:[0-9]{2}\s*(#|$)", line):
        return 'put the time in quotes: "19:30"'
    if re.search(r"=\s*[-+]?[0-9]+,[0-9]+\s*(#|$)", line):
        return "decimal point, not comma"
    if re.search(r"=\s*[0-9.]+\s*[A-Za-z%]", line):
        return "number only, the unit is in the key's name"
    if re.search(r"=\s*[A-Za-z]", line):
        return "put words in quotes"
    if re.search(r"[“”„‘’]", line):
        return 'straight quotes: "'
    if "overwrite" in what or "twice" in what:
        return "the key or section stands twice: leave one out, or write [[station]] and [[net]] for several"
    if "=" not in line and not line.startswith("["):
        return "a line is KEY = VALUE, [section], or a # comment"
    return "compare with the lines of docs/ride_file.md"


_BARE = r"[A-Za-z0-9_-]+|\"[^\"\n]*\"|'[^'\n]*'"
_DOTTED = rf"(?:{_BARE})(?:\s*\.\s*(?:{_BARE}))*"
HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?\s*(?:#.*)?")
_PAIR = re.compile(rf"\s*({_DOTTED})\s*=")
_TOKEN = re.compile(r'"""|\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]')


def lines_of(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of each section and key of a TOML text; the inside of a value has its key's line."""
    found: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    depth, inside = 0, ""  # of brackets; the delimiter of a string over several lines
    for number, line in enumerate(text.split("\n"), 1):
        if not inside and depth == 0:
            header, pair = HEADER.fullmatch(line), _PAIR.match(line)
            if header:
                here = key_parts(header.group(2))
                if header.group(1) == "[[":
                    counts[here] = counts.get(here, -1) + 1
                    here = (*here, counts[here])
                elif here in SINGLES:
                    here = (*here, 0)
                found.setdefault(here, number)
                continue
            if pair:
                found.setdefault((*here, *key_parts(pair.group(1))), number)
        depth, inside = _scan(line, depth, inside)
    return found


SINGLES = tuple((name,) for name in SEVERAL)  # [net] is read as the first [[net]]


def key_parts(dotted: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in re.findall(_BARE, dotted))


def _scan(line: str, depth: int, inside: str) -> tuple[int, str]:
    """Depth of brackets and open string delimiter at the end of a line."""
    at = 0
    while at < len(line):
        if inside:
            end = line.find(inside, at)
            if end < 0:
                return depth, inside
            at, inside = end + 3, ""
            continue
        token = _TOKEN.search(line, at)
        if token is None:
            break
        at = token.end()
        word = token.group()
        if word in ('"""', "'''"):
            inside = word
        elif word in "[{":
            depth += 1
        elif word in "]}":
            depth = max(depth - 1, 0)
    return depth, inside


def typed(text: str) -> Any:
    """The value that a word on a command line stands for: TOML where it is TOML, else text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def shown(value: Any) -> str:
    """A value as it stands in a file, cut to a length that a message can hold."""
    text = toml_value(value)
    return text if len(text) <= 60 else text[:57] + "..."


# Writing


def document_text(document: Mapping[str, Any]) -> str:
    """A ride file's text from nested tables (as in `Ride.document`); reads back as the same tables."""
    lines = [f"{_key(k)} = {toml_value(v)}" for k, v in document.items() if not _is_table(v)]
    for name, value in document.items():
        if not _is_table(value):
            continue
        for row in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{_key(name)}]]" if isinstance(value, list) else f"[{_key(name)}]"]
            lines += [f"{_key(k)} = {toml_value(v)}" for k, v in row.items()]
    return "\n".join(lines).lstrip("\n") + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _quoted(text: str) -> str:
    escapes = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    return '"' + "".join(escapes.get(c, c if c.isprintable() else f"\\U{ord(c):08x}") for c in text) + '"'


def toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    if isinstance(value, (dt.datetime, dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, Path):
        return _quoted(str(value))
    return repr(value)
