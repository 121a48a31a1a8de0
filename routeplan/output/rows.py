"""Rows of the tables that report and card share: overs, dead stretches, calling places, landmarks, emergency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.geo import latlon_to_locator
from routeplan.plan.value import CallingPlace, Plan, PlannedStation, Route, Samples, Stretch
from routeplan.plan.words import clock, frequency, km, minutes

HOPE = 0.3  # chance below which another station is not worth a call (judgement)
APART_M = 400.0
LATE_S = 900.0  # the second column of the card


@dataclass(frozen=True)
class Span:
    """A stretch as people read it."""

    label: str
    begins: str
    ends: str
    begin_km: str
    end_km: str
    minutes: int
    where: str
    note: str


def road_at(route: Route, distance_m: float) -> str:
    """Name of the road at a distance along the route, "" where it has none."""
    return next((r.label for r in route.road_names if r.begin_m <= distance_m <= r.end_m), "")


def near(route: Route, distance_m: float) -> str:
    """The landmark nearest along the route, as "Quern" or "1.2 km after Quern"."""
    if not route.landmarks:
        return ""
    mark = min(route.landmarks, key=lambda m: abs(m.distance_m - distance_m))
    off = distance_m - mark.distance_m
    if abs(off) < 300:
        return mark.name
    return f"{abs(off) / 1000:.1f} km {'after' if off > 0 else 'before'} {mark.name}"


def spans(route: Route, stretches: tuple[Stretch, ...]) -> list[Span]:
    return [
        Span(
            s.label,
            clock(route.departs, s.begin_s),
            clock(route.departs, s.end_s),
            f"{s.begin_m / 1000:.1f}",
            f"{s.end_m / 1000:.1f}",
            max(1, minutes(s.end_s - s.begin_s)),
            near(route, s.begin_m) or road_at(route, s.begin_m),
            s.note,
        )
        for s in stretches
    ]


def best_station(plan: Plan, route: Route, begin_m: float, end_m: float) -> PlannedStation | None:
    """The station with the best mean chance between two distances."""
    inside = (route.samples.distance_m >= begin_m) & (route.samples.distance_m <= end_m)
    best, found = -1.0, None
    for station in plan.stations:
        columns = route.samples.stations.get(station.name)
        if columns is not None and inside.any():
            chance = columns.chance[inside]
            mean = float(np.nanmean(chance)) if np.isfinite(chance).any() else -1.0
            if mean > best:
                best, found = mean, station
    return found


def channel(station: PlannedStation) -> str:
    """ "145.450 MHz", or "hear 145.600, talk 145.000 MHz, tone 77.0 Hz"."""
    heard = frequency(station.frequency_mhz)
    parts = [heard]
    if station.transmit_mhz is not None and station.transmit_mhz != station.frequency_mhz:
        parts = [f"hear {heard.removesuffix(' MHz')}", f"talk {frequency(station.transmit_mhz)}"]
    if station.access:
        parts.append(station.access)
    return ", ".join(parts)


def calling_places(route: Route) -> tuple[CallingPlace, ...]:
    """The calling places worth a line: of several within 400 m the one with the best chance, along the way."""
    chosen: list[CallingPlace] = []
    for place in sorted(route.calling_places, key=lambda p: (-round(np.nan_to_num(p.chance), 2), p.distance_m)):
        if all(abs(place.distance_m - other.distance_m) >= APART_M for other in chosen):
            chosen.append(place)
    return tuple(sorted(chosen, key=lambda p: p.distance_m))


def place_at(samples: Samples, distance_m: float) -> tuple[float, float, float]:
    """Latitude, longitude [deg] and elevation [m, NaN where unknown] at a distance along the route."""
    latitude, longitude = (
        float(np.interp(distance_m, samples.distance_m, column))
        for column in (samples.latitude_deg, samples.longitude_deg)
    )
    return latitude, longitude, float(np.interp(distance_m, samples.distance_m, samples.elevation_m))


def called(place: CallingPlace) -> str:
    """A calling place's name, or its kind where it has none of its own ("lay-by at 16.0 km" is a lay-by)."""
    return place.kind if not place.name or place.name.startswith(place.kind) else place.name


@dataclass(frozen=True)
class Stop:
    """A planned halt: where, from when, how long."""

    distance_m: float
    begin_s: float
    lasts_s: float


def stops(route: Route, shortest_s: float = 60.0) -> list[Stop]:
    """Halts of a minute and more: samples at one place with time between them."""
    time_s, distance = route.samples.time_s, route.samples.distance_m
    still = _still(route.samples, shortest_s)
    return [Stop(float(distance[k]), float(time_s[k]), float(time_s[k + 1] - time_s[k])) for k in still]


def _still(samples: Samples, shortest_s: float) -> np.ndarray:
    """Samples (h,) at which a halt begins."""
    return np.flatnonzero((np.diff(samples.distance_m) < 1.0) & (np.diff(samples.time_s) >= shortest_s))


def held(samples: Samples, values: np.ndarray, shortest_s: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """Times and values (n + halts,) for drawing: what holds where a halt begins holds until it ends."""
    still = _still(samples, shortest_s)
    ends_s = samples.time_s[still + 1] - 1e-3
    return np.insert(samples.time_s, still + 1, ends_s), np.insert(values, still + 1, values[still])


def what_if_nobody(plan: Plan, route: Route, place: CallingPlace) -> str:
    """What to do at a calling place when nobody answers, in order."""
    return f"move a metre or two, set held high, full power, {last_resort(plan, route, place)}"


def last_resort(plan: Plan, route: Route, place: CallingPlace, brief: bool = False) -> str:
    """After moving, height and power: the repeater or another station, then where to ride on to."""
    steps = []
    others = [s for s in plan.stations if s.name != place.best_station and _worth_a_call(route, s, place)]
    other = next((s for s in others if s.repeater), others[0] if others else None)
    if other is not None:
        said = f"{other.name} ({channel(other)})" if other.repeater else other.name
        steps.append(other.letter if brief else f"call {said}")
    onward = next((p for p in calling_places(route) if p.distance_m > place.distance_m + 200), None)
    over = next((o for o in route.overs if o.begin_m > place.distance_m + 200), None)
    if onward is not None and (over is None or onward.distance_m <= over.begin_m):
        name, at = called(onward), clock(route.departs, onward.time_s)
    elif over is not None:
        name, at = f"over {over.label}", clock(route.departs, over.begin_s)
    else:
        return ", ".join([*steps, "ride on"])
    return ", ".join([*steps, f"on to {at} {name}" if brief else f"ride on to {name}, {at}"])


def _worth_a_call(route: Route, station: PlannedStation, place: CallingPlace) -> bool:
    columns = route.samples.stations.get(station.name)
    if columns is None:
        return False
    return float(np.interp(place.distance_m, route.samples.distance_m, np.nan_to_num(columns.chance))) >= HOPE


@dataclass(frozen=True)
class Spot:
    """Where one is, as one would say it in an emergency."""

    km: str
    time: str
    position: str
    locator: str
    road: str
    out: str  # where the nearest contact is


def position_text(latitude: float, longitude: float) -> str:
    """ "38.2140 N 33.0710 W"."""
    return f"{abs(latitude):.4f} {'N' if latitude >= 0 else 'S'} {abs(longitude):.4f} {'E' if longitude >= 0 else 'W'}"


def emergency_spots(plan: Plan, route: Route, parts: int = 4) -> list[Spot]:
    """The middle of each part of the ride: position, locator, road, and the way to the nearest contact."""
    out = []
    end = route.samples.distance_m[-1]
    for k in range(parts):
        distance = end * (k + 0.5) / parts
        latitude, longitude, _ = place_at(route.samples, distance)
        seconds = float(np.interp(distance, route.samples.distance_m, route.samples.time_s))
        out.append(
            Spot(
                f"{distance / 1000:.1f}",
                clock(route.departs, seconds),
                position_text(latitude, longitude),
                latlon_to_locator(latitude, longitude, 8),
                road_at(route, distance),
                way_out(plan, route, distance),
            )
        )
    return out


def way_out(plan: Plan, route: Route, distance_m: float) -> str:
    """Where on the route contact is to be had nearest to a place: "here", "on 1.2 km", "back 0.4 km"."""
    samples = route.samples
    here = float(np.interp(distance_m, samples.distance_m, np.nan_to_num(samples.chance)))
    if here >= plan.contact_chance:
        return "contact here"
    good = samples.distance_m[np.nan_to_num(samples.chance) >= plan.contact_chance]
    if not len(good):
        return "no contact on this ride"
    nearest = float(good[np.argmin(np.abs(good - distance_m))])
    return f"contact {'on' if nearest > distance_m else 'back'} {km(abs(nearest - distance_m))}"
