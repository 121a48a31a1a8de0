"""The demo island: its files, wherever this copy of routeplan keeps them, and the area made from them."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path
from typing import Any

import platformdirs

import routeplan
from routeplan.errors import InputError
from routeplan.plan.area import FORMAT, MANIFEST, Area, Progress, load_area, make_area

SAID: dict[str, Any] = {"roads_rights": "invented island, MIT licence", "name": "demo island"}


def folder() -> Path:
    """The demo's folder: inside an installed package, beside the package in a checkout."""
    package = Path(routeplan.__file__).parent
    for place in (package / "demo_area", package.parent / "demo_area"):
        if (place / "roads.osm.pbf").exists():
            return place
    raise InputError("the demo's files are missing", str(package), "install routeplan again")


def ride_file(name: str) -> Path:
    """One of the demo's ride files: "net_evening", "far_side" or "weekly"."""
    return folder() / "rides" / f"{name}.toml"


def area(progress: Progress | None = None) -> Area:
    """The demo's area, made once into the user's cache folder from the files that the package carries."""
    roads, terrain = folder() / "roads.osm.pbf", folder() / "elevation.tif"
    mark = hashlib.sha256(roads.read_bytes() + terrain.read_bytes() + _how_made())
    made = platformdirs.user_cache_path("routeplan") / "demo" / mark.hexdigest()[:16]
    if (made / MANIFEST).exists():
        with suppress(InputError):  # damaged: made anew
            return load_area(made)
    return make_area(made, roads=[roads], terrain=[terrain], replace=True, progress=progress, **SAID)


def _how_made() -> bytes:
    """What besides the two files decides what the area is: the format, what is said of it, and the code that makes it.

    The code counts itself, as in a checkout it changes while the version stands.
    """
    package = Path(routeplan.__file__).parent
    makers = [*sorted((package / "roads").glob("*.py")), *sorted((package / "terrain").glob("*.py")),
              package / "plan" / "area.py", package / "geo.py"]  # fmt: skip
    parts = [routeplan.__version__, str(FORMAT), repr(sorted(SAID.items()))]
    return "\0".join(parts).encode() + b"".join(hashlib.sha256(maker.read_bytes()).digest() for maker in makers)
