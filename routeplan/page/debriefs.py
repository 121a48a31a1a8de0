"""After the ride: a debrief of a kept track and dropped reports, its words and its files."""

from __future__ import annotations

import io
import tempfile
import threading
import zipfile
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from routeplan.errors import Fault, InputError
from routeplan.page.rides import Rides
from routeplan.plan.area import Area
from routeplan.plan.ridefile import Ride
from routeplan.plan.value import Plan

KEPT = 4
MOST_FILES = 12
LEARNT = ("learnt.toml", "evidence.csv")  # what the next ride builds on


@dataclass(frozen=True)
class Debriefed:
    """What a debrief says, and its files by name."""

    text: str
    files: dict[str, bytes]


def debriefed(
    area: Area, ride: Ride, track: Path, heard: list[tuple[str, str]], plan: Plan | None, choice: str
) -> Debriefed:
    """Compare a ride with what was heard.

    heard : name and text of each file of reports.   plan, choice : of the card that was ticked, if one was.
    Raises InputError with the rider's own names for the files.
    """
    from routeplan.output import debrief_write, write
    from routeplan.plan import debrief as after

    with tempfile.TemporaryDirectory() as name:
        folder, names = Path(name), {}
        for number, (called, text) in enumerate(heard[:MOST_FILES]):
            path = folder / f"heard_{number}{Path(called).suffix[:8]}"
            path.write_text(text, encoding="utf-8")
            names[path] = called
        plan_file = folder / "plan.json" if plan is not None and choice else None
        if plan_file is not None and plan is not None:
            write.write_json(plan, plan_file)
        try:
            found = after.debrief(
                area, ride, track, list(names), progress=lambda text: None, plan_file=plan_file, choice=choice
            )
        except InputError as error:
            raise InputError([_renamed(fault, {**names, track: track.name}) for fault in error.faults]) from None
        written = debrief_write.write_debrief(found, folder / "out")
        said = debrief_write.debrief_text(found)
        for path, called in names.items():
            said = said.replace(str(path), called).replace(path.name, called)
        return Debriefed(said, {path.name: path.read_bytes() for path in written})


def _renamed(fault: Fault, names: dict[Path, str]) -> Fault:
    where = fault.where
    for path, called in names.items():
        where = where.replace(str(path), called).replace(path.name, called)
    return Fault(fault.what, where, fault.mend)


class Debriefs:
    """The last few debriefs of one server."""

    def __init__(self) -> None:
        self._all: OrderedDict[str, Debriefed] = OrderedDict()
        self._count = 0
        self._lock = threading.Lock()

    def add(self, found: Debriefed) -> str:
        with self._lock:
            self._count += 1
            key = f"d{self._count}"
            self._all[key] = found
            while len(self._all) > KEPT:
                self._all.popitem(last=False)
        return key

    def get(self, key: str) -> Debriefed:
        with self._lock:
            found = self._all.get(key)
        if found is None:
            raise InputError("this debrief is not kept any more", "", "compare again")
        return found

    def keep_learnt(self, key: str, rides: Rides) -> str:
        """Put what was learnt beside the ride files, in place of what was learnt before; gives the file's name."""
        from routeplan.output import atomic

        files = self.get(key).files
        for name in LEARNT:
            path = rides.folder / name
            if path.is_symlink():
                raise InputError("a link, not a file", name, "move it away first")
            if name in files:
                atomic.write_bytes(path, files[name])
        return LEARNT[0]


def one_file(found: Debriefed, name: str) -> bytes:
    """A file of a debrief, or all of them as a zip file."""
    if name == "debrief.zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for each, data in found.files.items():
                file.writestr(each, data)
        return out.getvalue()
    if name not in found.files:
        raise InputError("no such file", repr(name)[:60], "choose one of those listed")
    return found.files[name]


def reports_of(asked: dict[str, Any]) -> list[tuple[str, str]]:
    """Names and texts of the files of reports in a request. Raises InputError."""
    given = asked.get("heard")
    if not isinstance(given, list) or len(given) > MOST_FILES:
        raise InputError("no list of reports", "heard", f"{MOST_FILES} files at most")
    found = []
    for item in given:
        name, text = (item.get("name"), item.get("text")) if isinstance(item, dict) else (None, None)
        if not isinstance(name, str) or not isinstance(text, str):
            raise InputError("not a file of reports", "heard", "drop the file anew")
        found.append((name[:80], text))
    return found
