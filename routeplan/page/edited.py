"""A ride file changed as by hand: comments, order, blank lines and the way numbers are written stay the rider's."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, Item, Table, Whitespace

GAP = "\n\n\n"  # two blank lines: left by what was taken out
Plainly = Callable[[dict[str, Any]], dict[str, Any]]


def edited(text: str, tables: dict[str, Any], plainly: Plainly) -> str | None:
    """The ride file `text`, changed until it says what `tables` say; None where that cannot be done faithfully.

    plainly : gives tables of a ride file as the page holds them; what is equal there was not changed.
    """
    try:
        document = tomlkit.parse(text)
        _make_equal(document, tables, plainly)
        out = document.as_string()
        while GAP in out and GAP not in text:
            out = out.replace(GAP, GAP[1:])
        faithful = plainly(tomllib.loads(out)) == plainly(tables)
    except (TOMLKitError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return None
    return out if faithful else None


def _make_equal(old: Any, new: dict[str, Any], plainly: Plainly) -> None:
    """Change the table `old` in place."""
    for key in [key for key in old if key not in new]:
        _take_out(old, key)
    for key, value in new.items():
        if key not in old:
            _add(old, key, value)
        elif isinstance(value, dict) and isinstance(old[key], dict):
            _make_equal(old[key], value, plainly)
        elif _are_rows(value):
            _make_rows_equal(old, key, value, plainly)
        elif plainly({key: old[key].unwrap()}) != plainly({key: value}):
            old[key] = _inline(value)


def _are_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(row, dict) for row in value)


def _make_rows_equal(old: Any, key: str, new: list[dict[str, Any]], plainly: Plainly) -> None:
    """The same for a section that may stand several times."""
    if isinstance(old[key], dict) and len(new) > 1:  # stood once: [station] becomes [[station]]
        rows = tomlkit.aot()
        rows.append(old[key])
        old[key] = rows
    present = [old[key]] if isinstance(old[key], dict) else old[key]
    partner = _partners([row.unwrap() for row in present], new)
    for k in [k for k in range(len(present)) if k not in partner][::-1]:
        below = _below(present[k])
        del present[k]
        if k:
            _put_below(present[k - 1], below)
    for row, wanted in zip(present, partner.values()):
        _make_equal(row, new[wanted], plainly)
    for k in [k for k in range(len(new)) if k not in partner.values()]:
        below = _below(present[-1])
        present[-1].add(tomlkit.nl())
        present.append(_as_table(new[k]))
        _put_below(present[-1], below)


def _partners(old: list[dict[str, Any]], new: list[dict[str, Any]]) -> dict[int, int]:
    """Which of the old rows became which of the new: one by one where none came or went, else by name, in order."""
    if len(old) == len(new):
        return {k: k for k in range(len(old))}
    found: dict[int, int] = {}
    after = 0
    for k, row in enumerate(old):
        same = [n for n in range(after, len(new)) if new[n].get("name") == row.get("name")]
        if same:
            found[k] = same[0]
            after = same[0] + 1
    return found


def _body(table: Any) -> list[Any]:
    """(key, item) of everything that stands in a table; key None for blank lines and remarks."""
    return (table.value if isinstance(table, Item) else table).body


def _below(table: Any) -> list[Any]:
    """Take out what stands under a table's last key: blank lines, and remarks on what comes next."""
    body, below = _body(table), []
    while body and body[-1][0] is None:
        item = body.pop()[1]
        if isinstance(item, (Comment, Whitespace)):  # a key that was taken out leaves a hole
            below.append(item)
    return below[::-1]


def _put_below(table: Any, below: list[Any]) -> None:
    for item in below:
        table.add(item)


def _take_out(table: Any, key: str) -> None:
    """Take out a key; of a section, the remarks under it stay, for they speak of the next one."""
    gone = table[key]
    last = gone[-1] if isinstance(gone, AoT) and len(gone) else gone
    below = _below(last) if isinstance(last, Table) else []
    before = _before(table, key)
    del table[key]
    if before is not None:
        _put_below(before, below)


def _before(table: Any, key: str) -> Any:
    """The section before the one of that key, or None."""
    found = None
    for name, item in _body(table):
        if name is not None and name.key == key:
            return found
        if isinstance(item, Table):
            found = item
        elif isinstance(item, AoT) and len(item):
            found = item[-1]
    return None


def _add(table: Any, key: str, value: Any) -> None:
    """Add a key behind the last one, or a section at the end."""
    if isinstance(table, TOMLDocument) and (isinstance(value, dict) or _are_rows(value)):
        if len(table):
            table.add(tomlkit.nl())
        table.add(key, _as_table(value) if isinstance(value, dict) else _as_rows(value))
    elif isinstance(table, Table):
        below = _below(table)
        table.add(key, _inline(value))
        _put_below(table, below)
    else:
        table[key] = _inline(value)


def _as_table(value: dict[str, Any]) -> Table:
    table = tomlkit.table()
    for key, inner in value.items():
        table.add(key, _inline(inner))
    return table


def _inline(value: Any) -> Any:
    """A table in one line; any other value as it is."""
    if not isinstance(value, dict):
        return value
    table = tomlkit.inline_table()
    table.update(value)
    return table


def _as_rows(value: list[dict[str, Any]]) -> AoT:
    rows = tomlkit.aot()
    for row in value:
        rows.append(_as_table(row))
    return rows
