"""A copy of a plan that may be given away: the ground round the start and end cut off, no call signs, no home.

Every output of the copy is as private as the copy itself, since outputs see nothing but the plan.

What is done: the first and last 500 m of each route go (and more, until the road is 500 m from the start as the
crow flies); times and distances count from the cut; positions of stations are rounded to a hundredth of a degree;
everything that looks like a call sign becomes a letter; start, home, folders and file names leave the assumptions.
Totals stay those of the whole ride.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime, time
from typing import Any

import numpy as np

from routeplan.errors import InputError
from routeplan.geo import distance_m, latlon_to_locator
from routeplan.plan.value import Plan, PlannedStation, Route, Samples, StationSamples
from routeplan.plan.words import after

CUT_M = 500.0
PRIVATE_KEYS = (
    "position",
    "locator",
    "start",
    "end",
    "home",
    "call",
    "callsign",
    "call_sign",
    "follow",
    "via",
    "avoid",
    "folder",
    "path",
    "file",
)
_CALL = re.compile(
    r"(?<![A-Za-z0-9])(?:[A-Z0-9]{1,4}/)?(?:[A-Z]{1,2}|[A-Z][0-9]|[0-9][A-Z])[0-9]{1,4}[A-Z]{1,4}(?:[/-][A-Z0-9]{1,4})?(?![A-Za-z0-9])",
    re.IGNORECASE,
)
_DEGREES = re.compile(r"[-+]?\d{1,3}\.\d{3,}(?:\s*[NSEWnsew°])?")
_LOCATOR = re.compile(r"(?<![A-Za-z0-9])[A-Ra-r]{2}[0-9]{2}[A-Xa-x]{2}(?:[0-9]{2})?(?![A-Za-z0-9])")


def shared(plan: Plan) -> Plan:
    """The copy to give away. Raises InputError where a route is too short to be cut."""
    homes = _homes(plan)
    rounded = _coarse_stations(plan)
    names = _new_names(plan)
    clean = _cleaner(names, homes)
    routes = tuple(_cut(route, plan, clean) for route in plan.routes)
    coarse = tuple(
        replace(clean(station), latitude_deg=s.latitude_deg, longitude_deg=s.longitude_deg, x_m=s.x_m, y_m=s.y_m)
        for station, s in zip(plan.stations, rounded)
    )
    assumptions = tuple(
        clean(a)
        for a in plan.assumptions
        if not any(part.lower() in PRIVATE_KEYS for part in re.split(r"[.\[\]]", a.key))
    )
    assumptions = tuple({a.key: a for a in reversed(assumptions)}.values())[::-1]  # keys stay apart
    area = {key: clean(value) for key, value in plan.area.items() if key not in PRIVATE_KEYS}
    note = (
        "Shared copy: the first and last 500 m are left out, times and distances count from there, "
        "stations stand within 1 km."
    )
    return replace(
        clean(replace(plan, routes=(), stations=(), assumptions=(), area={}, background=None)),
        routes=routes,
        stations=coarse,
        assumptions=assumptions,
        area=area,
        notes=(*map(clean, plan.notes), note),
        background=None
        if plan.background is None
        else replace(
            plan.background, place_names=tuple((clean(name), *rest) for name, *rest in plan.background.place_names)
        ),  # type: ignore[misc]
    )


def _homes(plan: Plan) -> list[tuple[float, float]]:
    out = []
    for route in plan.routes:
        for k in (0, -1):
            out.append((float(route.samples.latitude_deg[k]), float(route.samples.longitude_deg[k])))
    return out


def _new_names(plan: Plan) -> dict[str, str]:
    """Station names that are call signs become "station F"; other names stay."""
    return {s.name: f"station {s.letter}" for s in plan.stations if _CALL.search(s.name)}


def _coarse_stations(plan: Plan) -> list[PlannedStation]:
    """Stations at a hundredth of a degree, moved by the same metres on the map."""
    out = []
    for station in plan.stations:
        latitude, longitude = round(station.latitude_deg, 2), round(station.longitude_deg, 2)
        north = distance_m(station.latitude_deg, longitude, latitude, longitude) * np.sign(
            latitude - station.latitude_deg
        )
        east = distance_m(latitude, station.longitude_deg, latitude, longitude) * np.sign(
            longitude - station.longitude_deg
        )
        out.append(
            replace(
                station,
                latitude_deg=latitude,
                longitude_deg=longitude,
                x_m=station.x_m + float(east),
                y_m=station.y_m + float(north),
            )
        )
    return out


def _cleaner(names: dict[str, str], homes: list[tuple[float, float]]) -> Callable[[Any], Any]:
    """A function that takes call signs, positions and home locators out of every text inside a value."""
    longest_first = sorted(names, key=len, reverse=True)
    near = {latlon_to_locator(*home, characters=6).lower() for home in homes}

    def text(value: str) -> str:
        for name in longest_first:
            value = value.replace(name, names[name])
        value = _LOCATOR.sub(lambda m: "(locator)" if m.group().lower()[:6] in near else m.group()[:6], value)
        value = _CALL.sub(lambda m: m.group() if _LOCATOR.fullmatch(m.group()) else "(call sign)", value)
        return _DEGREES.sub(lambda m: "(position)" if _near_home(m.group(), homes) else m.group(), value)

    def clean(value: Any) -> Any:
        if isinstance(value, str):
            return text(value)
        if value is None or isinstance(value, bool | int | float | np.ndarray | np.generic | datetime | date | time):
            return value
        if isinstance(value, dict):
            return {clean(k): clean(v) for k, v in value.items() if str(k).lower() not in PRIVATE_KEYS}
        if isinstance(value, list | tuple):
            return type(value)(clean(item) for item in value)
        if is_dataclass(value) and not isinstance(value, type):
            return replace(value, **{field.name: clean(getattr(value, field.name)) for field in fields(value)})
        return value

    return clean


def _near_home(text: str, homes: list[tuple[float, float]]) -> bool:
    number = abs(float(re.sub(r"[^0-9.]", "", text)))
    return any(abs(number - abs(degrees)) < 0.005 for home in homes for degrees in home)


def _cut(route: Route, plan: Plan, clean: Callable[[Any], Any]) -> Route:
    """The route from 500 m after its start to 500 m before its end; everything on it counted from there."""
    s = route.samples
    first, last = _keep(s, 1), _keep(s, -1)
    if last - first < 2:
        raise InputError(f"route {route.id} is too short to be shared: nothing is left", "", "share a longer ride")
    begin_m, end_m, begin_s = float(s.distance_m[first]), float(s.distance_m[last]), float(s.time_s[first])
    part = slice(first, last + 1)
    columns = {field.name: getattr(s, field.name)[part] for field in fields(Samples) if field.name != "stations"}
    stations = {
        name: StationSamples(**{f.name: getattr(station, f.name)[part] for f in fields(StationSamples)})
        for name, station in s.stations.items()
    }
    columns["distance_m"] = columns["distance_m"] - begin_m
    columns["time_s"] = columns["time_s"] - begin_s
    samples = Samples(**columns, stations={clean(name): station for name, station in stations.items()})

    def inside(items: Any) -> Any:
        return tuple(
            replace(item, distance_m=item.distance_m - begin_m, time_s=item.time_s - begin_s)
            for item in items
            if begin_m <= item.distance_m <= end_m
        )

    def pieces(stretches: Any) -> Any:
        return tuple(
            replace(
                x,
                begin_m=max(x.begin_m, begin_m) - begin_m,
                end_m=min(x.end_m, end_m) - begin_m,
                begin_s=max(x.begin_s, begin_s) - begin_s,
                end_s=min(x.end_s, float(s.time_s[last])) - begin_s,
            )
            for x in stretches
            if x.end_m > begin_m and x.begin_m < end_m
        )

    def later(seconds: float | None) -> float | None:
        return None if seconds is None else seconds - begin_s

    fresh = replace(
        route,
        samples=samples,
        departs=after(route.departs, begin_s),
        overs=pieces(route.overs),
        dead_stretches=pieces(route.dead_stretches),
        quiet_zones=pieces(route.quiet_zones),
        road_names=pieces(route.road_names),
        calling_places=inside(route.calling_places),
        landmarks=inside(route.landmarks),
        ways_home=(),
        sunset_s=later(route.sunset_s),
        lights_from_s=later(route.lights_from_s),
    )
    return replace(clean(replace(fresh, samples=None)), samples=samples)  # type: ignore[arg-type]


def _keep(samples: Samples, sense: int) -> int:
    """Index of the first sample (sense 1) or last (-1) far enough, by road and as the crow flies, from both ends.

    Where none is, the index that leaves nothing.
    """
    order = np.arange(len(samples.distance_m))[::sense]
    enough = np.abs(samples.distance_m - samples.distance_m[order[0]]) >= CUT_M
    for end in (0, -1):  # a loop passes its own start at both ends
        home = samples.latitude_deg[end], samples.longitude_deg[end]
        enough &= distance_m(samples.latitude_deg, samples.longitude_deg, *home) >= CUT_M
    return int(order[np.argmax(enough[order])]) if enough.any() else int(order[-1])
