"""The plan as a JSON document, and back. Names and units: docs/plan_json.md.

`to_document` gives plain dicts, lists, strings and numbers; NaN is null. `from_document` gives an equal Plan:
every number comes back to the last bit. The map's background is not part of the document.
Values of assumptions are kept as JSON has them: tuples come back as tuples, times as ISO 8601 text.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields
from datetime import date, datetime, time, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.plan.value import (
    FORMAT,
    Assumption,
    Bound,
    CallingPlace,
    Landmark,
    Plan,
    PlannedNet,
    PlannedStation,
    Route,
    Samples,
    StationSamples,
    Stretch,
    WayHome,
)

STRETCHES = ("overs", "dead_stretches", "quiet_zones", "road_names")
COLUMNS = (
    "distance_m",
    "time_s",
    "x_m",
    "y_m",
    "latitude_deg",
    "longitude_deg",
    "elevation_m",
    "chance",
    "walking",
    "repeated",
)


def to_document(plan: Plan) -> dict[str, Any]:
    """The plan as a JSON-ready dict."""
    return {
        "format": FORMAT,
        "job": plan.job,
        "title": plan.title,
        "time_zone": plan.time_zone,
        "area": _plain(plan.area),
        "ride": _assumptions_out(plan.assumptions),
        "contact_chance": plan.contact_chance,
        "stations": [_plain(asdict(station)) for station in plan.stations],
        "nets": [_plain(asdict(net)) for net in plan.nets],
        "routes": [_route_out(route) for route in plan.routes],
        "bound": None if plan.bound is None else _plain(asdict(plan.bound)),
        "what_if": [{"change": change, "contact_s": _plain(seconds)} for change, seconds in plan.what_if],
        "notes": list(plan.notes),
        "warnings": list(plan.warnings),
        "cautions": list(plan.cautions),
    }


def to_text(plan: Plan) -> str:
    """The document as JSON text: strict JSON (no NaN), UTF-8 safe, one trailing newline."""
    return json.dumps(to_document(plan), allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n"


def from_text(text: str, where: str = "plan") -> Plan:
    """A Plan from JSON text; InputError names what is wrong and where."""
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError(
            f"not JSON: {error.msg}", f"{where}, line {error.lineno}", "write it anew with --json"
        ) from None
    return from_document(document, where)


def from_document(document: Any, where: str = "plan") -> Plan:
    """A Plan from a document as `to_document` makes it. Unknown keys are left aside: later versions may add some.

    Raises InputError that names every missing key at once.
    """
    if not isinstance(document, Mapping) or not isinstance(document.get("format"), str):
        raise InputError("not a plan: no `format`", where, f"expected {FORMAT!r}")
    if document["format"] != FORMAT:
        raise InputError(f"format {document['format']!r}", where, f"this version reads {FORMAT!r}")
    faults = list(_missing(document, where))
    if faults:
        raise InputError(faults)
    try:
        zone = ZoneInfo(document["time_zone"])
        return Plan(
            job=document["job"],
            area=dict(document["area"]),
            title=document["title"],
            assumptions=_assumptions_in(document["ride"]),
            stations=tuple(_make(PlannedStation, station) for station in document["stations"]),
            nets=tuple(_net_in(net, zone) for net in document["nets"]),
            routes=tuple(_route_in(route, zone) for route in document["routes"]),
            bound=None if document["bound"] is None else _make(Bound, document["bound"]),
            warnings=tuple(document["warnings"]),
            cautions=tuple(document["cautions"]),
            contact_chance=document["contact_chance"],
            time_zone=document["time_zone"],
            what_if=tuple((item["change"], _number(item["contact_s"])) for item in document["what_if"]),
            notes=tuple(document["notes"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"damaged: {type(error).__name__} {error}", where, "write it anew with --json") from error


def _missing(document: Mapping[str, Any], where: str) -> Any:
    wanted = (
        "job",
        "title",
        "time_zone",
        "area",
        "ride",
        "contact_chance",
        "stations",
        "nets",
        "routes",
        "bound",
        "what_if",
        "notes",
        "warnings",
        "cautions",
    )
    for key in wanted:
        if key not in document:
            yield Fault(f"`{key}` is missing", where, "write it anew with --json")
    routes = document.get("routes")
    for place, route in enumerate(routes if isinstance(routes, list) else []):
        for field in fields(Route):
            if isinstance(route, Mapping) and field.name not in route and field.default is MISSING:
                yield Fault(f"`{field.name}` is missing", f"{where}, route {place + 1}", "write it anew with --json")


def _plain(value: Any) -> Any:
    """Any value of a plan as JSON has it."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return None if math.isnan(value) else value if math.isfinite(value) else str(value)
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, np.ndarray):
        return _column(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, Path | tzinfo):
        return str(value)
    if hasattr(value, "__dataclass_fields__"):
        return _plain({field.name: getattr(value, field.name) for field in fields(value)})
    return str(value)


def _tupled(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tupled(item) for item in value)
    if isinstance(value, dict):
        return {key: _tupled(item) for key, item in value.items()}
    return value


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _column(values: np.ndarray) -> list[Any]:
    """A column as a list; NaN is null. float32 columns keep their exact value."""
    listed = values.tolist()
    if values.dtype.kind == "f" and np.isnan(values).any():
        return [None if item != item else item for item in listed]
    return listed


def _assumptions_out(assumptions: tuple[Assumption, ...]) -> dict[str, Any]:
    """{section: {key: {value, origin, guess}}}; a key without a section stands under ""."""
    sections: dict[str, Any] = {}
    for assumption in assumptions:
        section, dot, key = assumption.key.partition(".")
        if not dot:
            section, key = "", assumption.key
        keys = sections.setdefault(section, {})
        if key in keys:
            raise ValueError(f"two assumptions for {assumption.key}")
        keys[key] = {"value": _plain(assumption.value), "origin": assumption.origin, "guess": assumption.guess}
    return sections


def _assumptions_in(sections: Mapping[str, Any]) -> tuple[Assumption, ...]:
    return tuple(
        Assumption(f"{section}.{key}" if section else key, _tupled(item["value"]), item["origin"], item["guess"])
        for section, keys in sections.items()
        for key, item in keys.items()
    )


def _make(kind: Any, document: Mapping[str, Any]) -> Any:
    """A value of a plan from its document: numbers declared float may be null (NaN)."""
    given = {}
    for field in fields(kind):
        if field.name in document:
            value = document[field.name]
            if field.type == "float":
                given[field.name] = _number(value)
            elif str(field.type).startswith("tuple[") and "float" in str(field.type):
                given[field.name] = _floats(value)
            else:
                given[field.name] = _tupled(value)
    return kind(**given)


def _floats(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return tuple(map(_floats, value))
    return value if isinstance(value, str) else _number(value)


def _net_in(document: Mapping[str, Any], zone: ZoneInfo) -> PlannedNet:
    times = {key: datetime.fromisoformat(document[key]).astimezone(zone) for key in ("begins", "ends")}
    return _make(PlannedNet, {**document, **times})


def _route_out(route: Route) -> dict[str, Any]:
    document: dict[str, Any] = {}
    for field in fields(Route):
        value = getattr(route, field.name)
        if field.name == "samples":
            document["geometry"] = line_string(route.samples)
            document["samples"] = _samples_out(value)
        elif field.name in (*STRETCHES, "calling_places", "landmarks", "ways_home"):
            document[field.name] = [_plain(asdict(item)) for item in value]
        else:
            document[field.name] = _plain(value)
    return document


def line_string(samples: Samples) -> dict[str, Any]:
    """GeoJSON LineString (RFC 7946: longitude, latitude, elevation where known)."""
    rows = zip(samples.longitude_deg.tolist(), samples.latitude_deg.tolist(), samples.elevation_m.tolist())
    return {
        "type": "LineString",
        "coordinates": [
            [round(east, 7), round(north, 7), round(up, 1)] if up == up else [round(east, 7), round(north, 7)]
            for east, north, up in rows
        ],
    }


def _samples_out(samples: Samples) -> dict[str, Any]:
    document: dict[str, Any] = {name: _column(np.asarray(getattr(samples, name))) for name in COLUMNS}
    document["stations"] = {
        name: {field.name: _column(np.asarray(getattr(station, field.name))) for field in fields(StationSamples)}
        for name, station in samples.stations.items()
    }
    return document


def _array(values: list[Any], kind: Any = float) -> np.ndarray:
    return np.array(values, dtype=kind)  # None becomes NaN for floats


def _samples_in(document: Mapping[str, Any]) -> Samples:
    columns = {name: _array(document[name], bool if name in ("walking", "repeated") else float) for name in COLUMNS}
    stations = {
        name: StationSamples(**{field.name: _array(station[field.name]) for field in fields(StationSamples)})
        for name, station in document["stations"].items()
    }
    return Samples(**columns, stations=stations)


def _route_in(document: Mapping[str, Any], zone: ZoneInfo) -> Route:
    given: dict[str, Any] = dict(document)
    given["departs"] = datetime.fromisoformat(document["departs"]).astimezone(zone)
    given["samples"] = _samples_in(document["samples"])
    for name in STRETCHES:
        given[name] = [_make(Stretch, item) for item in document[name]]
    given["calling_places"] = [_make(CallingPlace, item) for item in document["calling_places"]]
    given["landmarks"] = [_make(Landmark, item) for item in document["landmarks"]]
    given["ways_home"] = [_make(WayHome, item) for item in document.get("ways_home", ())]
    return _make(Route, given)
