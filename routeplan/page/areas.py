"""The areas that the page may open: the demo, the one it was started with, and those beside it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

from routeplan.errors import InputError
from routeplan.plan.area import MANIFEST, Area, load_area

KEPT = 2  # areas held in memory


@dataclass(frozen=True)
class Entry:
    """An area by the name it has in the page; folder None is the demo."""

    key: str
    name: str
    folder: Path | None


class Shelf:
    """The areas on offer, opened when asked for. No area is reached by a path, only by its key."""

    def __init__(self, given: Path | None, around: Path) -> None:
        folders: list[Path] = []
        if given is not None:
            if not given.is_dir():
                raise InputError("no such folder", str(given), "routeplan area make FOLDER makes an area")
            folders += [given] if (given / MANIFEST).exists() else _areas_in(given)
            if not folders:
                raise InputError("no area in this folder", str(given), "routeplan area make FOLDER makes one")
        folders += _areas_in(around)
        unique = list(OrderedDict((folder.resolve(), None) for folder in folders))
        entries = [Entry(f"a{k}", folder.name, folder) for k, folder in enumerate(unique, 1)]
        self.entries = (*entries, Entry("demo", "demo island", None))
        self._open: OrderedDict[str, Area] = OrderedDict()
        self._lock = threading.Lock()

    def area(self, key: object) -> Area:
        """An area by its key, loaded on first use. Raises InputError."""
        entry = next((e for e in self.entries if e.key == key), None)
        if entry is None:
            raise InputError("no such area", repr(key)[:40], "choose one of the list")
        with self._lock:
            if entry.key not in self._open:
                self._open[entry.key] = load_area(entry.folder) if entry.folder else _demo()
                while len(self._open) > KEPT:
                    self._open.popitem(last=False)
            self._open.move_to_end(entry.key)
            return self._open[entry.key]


def _demo() -> Area:
    from routeplan.plan import demo

    return demo.area()


def _areas_in(folder: Path) -> list[Path]:
    try:
        return [p for p in sorted(folder.iterdir()) if p.is_dir() and (p / MANIFEST).exists()]
    except OSError:
        return []
