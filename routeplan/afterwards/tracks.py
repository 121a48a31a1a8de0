"""Tracks that were ridden or drawn: GPX and FIT files into columns."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from routeplan.errors import InputError

LARGEST_BYTES = 60_000_000  # a five-hour track of one point a second has some 2 MB


@dataclass(frozen=True)
class Track:
    """Points in the order they were passed; n of them.

    time_s : seconds since 1970 UTC, NaN where none is given.
    """

    name: str
    latitude_deg: np.ndarray
    longitude_deg: np.ndarray
    elevation_m: np.ndarray  # NaN where none is given
    time_s: np.ndarray
    skipped: int  # points left out because they had no usable place

    def __len__(self) -> int:
        return len(self.latitude_deg)


def read_track(path: str | Path) -> Track:
    """A GPX or FIT file, told apart by content. Raises InputError as `read_gpx` and `read_fit` do."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            head = file.read(14)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"cannot be read: {reason}", str(path), "give the ride's GPX or FIT file") from None
    return read_fit(path) if head[8:12] == b".FIT" else read_gpx(path)


def read_fit(path: str | Path) -> Track:
    """The points of a FIT file, through the optional library fitdecode.

    Raises InputError where the library is missing, or the file is damaged beyond two points.
    """
    try:
        import fitdecode
    except ImportError:
        raise InputError(
            "reading FIT needs fitdecode, which is not installed",
            str(path),
            "pip install 'routeplan[fit]', or export the ride as GPX",
        ) from None
    path = Path(path)
    if path.stat().st_size > LARGEST_BYTES:
        raise InputError("larger than any ride's track", str(path), f"{LARGEST_BYTES // 1_000_000} MB at most")
    rows, skipped, damage = [], 0, ""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fitdecode.FitReader(str(path), error_handling=fitdecode.ErrorHandling.IGNORE) as frames:
                for frame in frames:
                    if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name == "record":
                        row = _fit_row(frame)
                        skipped += row is None
                        rows += [row] if row is not None else []
        # The decoder works on whatever bytes it is given and raises what comes; points before the damage count.
        except Exception as error:
            damage = f": {type(error).__name__}"
    if len(rows) < 2:
        raise InputError(f"no track with two points or more{damage}", str(path), "export the ride again")
    return _track("", rows, skipped)


def _fit_row(frame) -> tuple[float, float, float, float] | None:
    """Latitude, longitude, elevation, time of a record; None without a place."""

    def value(name: str):
        return frame.get_value(name, fallback=None)

    latitude, longitude = (_number(value(n)) * 180.0 / 2**31 for n in ("position_lat", "position_long"))
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        return None
    elevation = _number(value("enhanced_altitude"))
    if math.isnan(elevation):
        elevation = _number(value("altitude"))
    moment = value("timestamp")
    seconds = moment.timestamp() if isinstance(moment, datetime) else math.nan
    return latitude, longitude, elevation, seconds


def read_gpx(path: str | Path) -> Track:
    """The points of every track of a GPX file, in order; of its routes when there is no track.

    Raises InputError for a file that is missing, too large, no XML, no GPX, holds entities or fewer than two points.
    """
    path = Path(path)
    root = _root(path)
    if _local(root.tag) != "gpx":
        raise InputError(f"an XML file of another kind (<{_local(root.tag)}>)", str(path), "give a GPX file")
    points = [p for p in root.iter() if _local(p.tag) == "trkpt"] or [
        p for p in root.iter() if _local(p.tag) == "rtept"
    ]
    rows = [_row(point) for point in points]
    good = [row for row in rows if row is not None]
    if len(good) < 2:
        raise InputError("no track with two points or more", str(path), "export the ride as a track")
    name = next((child.text or "" for child in root.iter() if _local(child.tag) == "name"), "")
    return _track(name.strip(), good, len(rows) - len(good))


def _track(name: str, rows: Sequence[tuple[float, ...]], skipped: int) -> Track:
    latitude, longitude, elevation, time = np.array(rows, dtype=float).T
    return Track(name, latitude, longitude, elevation, time, skipped)


def _root(path: Path):
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import ParseError, parse

    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError("larger than any ride's track", str(path), f"{LARGEST_BYTES // 1_000_000} MB at most")
        return parse(path, forbid_dtd=True).getroot()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", str(path)) from None
    except DefusedXmlException:
        raise InputError("an XML file with a document type or entities", str(path), "export the track again") from None
    except (ParseError, ValueError) as error:
        raise InputError(f"not XML, or cut off: {error}", str(path), "export the track again as GPX") from None


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def _row(point) -> tuple[float, float, float, float] | None:
    latitude, longitude = _number(point.get("lat")), _number(point.get("lon"))
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        return None
    texts = {_local(child.tag): child.text for child in point}
    return latitude, longitude, _number(texts.get("ele")), _seconds(texts.get("time"))


def _number(text: Any) -> float:
    try:
        value = float("nan" if text is None else text)
    except (TypeError, ValueError, OverflowError):
        return math.nan
    return value if math.isfinite(value) else math.nan


def _seconds(text: str | None) -> float:
    """Seconds since 1970 of an ISO 8601 time; without a zone it is UTC, as GPX 1.1 has it. NaN where unreadable."""
    try:
        moment = datetime.fromisoformat((text or "").strip().replace("Z", "+00:00"))
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return math.nan
