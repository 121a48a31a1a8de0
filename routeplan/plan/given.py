"""Tracks that a rider hands over: kept beside the ride files once they have been read."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import Any

from routeplan.afterwards.tracks import Track, read_track
from routeplan.errors import Fault, InputError
from routeplan.geo import distance_m

LARGEST_BYTES = 12_000_000


def keep_track(folder: Path, name: str, data: bytes) -> dict[str, Any]:
    """Keep a GPX or FIT file in `folder` under `name`, or under a name with a number where another file has it.

    Gives {"name", "points", "length_km"}. Raises InputError for what cannot be read; then nothing is kept.
    """
    if len(data) > LARGEST_BYTES:
        raise InputError("larger than any ride's track", name, f"{LARGEST_BYTES // 1_000_000} MB at most")
    try:
        handle, temporary = tempfile.mkstemp(prefix=".track-", suffix=Path(name).suffix, dir=folder)
    except OSError as error:
        raise InputError(error.strerror or "cannot be written", str(folder), "choose another folder") from None
    path = Path(temporary)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        track = _read(path, name)
        kept = _free_name(folder, name, data)
        if kept.exists():
            path.unlink()
        else:
            os.replace(path, kept)
    finally:
        path.unlink(missing_ok=True)
    return {"name": kept.name, "points": len(track), "length_km": round(_length_km(track), 2)}


def _read(path: Path, name: str) -> Track:
    """The track, with the rider's own name for the file in what is wrong."""
    try:
        return read_track(path)
    except InputError as error:
        raise InputError([Fault(f.what, name, f.mend) for f in error.faults]) from None


def _free_name(folder: Path, name: str, data: bytes) -> Path:
    stem, ending = Path(name).stem, Path(name).suffix
    digest = hashlib.sha256(data).digest()
    for number in range(1, 1000):
        path = folder / (name if number == 1 else f"{stem}-{number}{ending}")
        if not path.exists() or hashlib.sha256(path.read_bytes()).digest() == digest:
            return path
    raise InputError("a thousand tracks have this name", name, "choose another name")


def _length_km(track: Track) -> float:
    latitude, longitude = track.latitude_deg, track.longitude_deg
    return float(distance_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:]).sum()) / 1000.0
