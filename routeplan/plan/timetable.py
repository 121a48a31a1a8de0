"""From the edges of a route to everything a plan says of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from routeplan.plan import words
from routeplan.plan.arrivals import arrival_along
from routeplan.plan.clock import NetClock
from routeplan.plan.hf import counting_nets
from routeplan.plan.home import ways_home
from routeplan.plan.ridden import (
    DEAD_BELOW,
    NEARBY_APART_M,
    ContactFigures,
    Halt,
    Ridden,
    contact_figures,
    nearby_m,
    ride_along,
    turn_rows,
)
from routeplan.plan.ridefile import Ride
from routeplan.plan.setting import Setting
from routeplan.plan.talk import OVER_AT_LEAST_S, inside_s, over_runs, runs, union_m
from routeplan.plan.value import CallingPlace, Landmark, Route, Samples, StationSamples, Stretch
from routeplan.radio.chance import contact_chance, contact_minutes
from routeplan.ride.arrival import Arrival
from routeplan.ride.battery import battery_use
from routeplan.ride.daylight import light_of_ride
from routeplan.ride.food import metabolic_kcal
from routeplan.roads.quiet import quiet_mask, quiet_zones

COMMON_ERROR_DB = 5.0  # the range of a contact share is for all links worse or better by this
LATE_MIN = (0.0, 10.0, 20.0)
CALLING_WITHIN_M = 60.0
CALLING_PLACES = 12
LANDMARK_WITHIN_M = {"city": 1500.0, "town": 1200.0, "village": 600.0, "hamlet": 400.0, "peak": 300.0, "pass": 150.0}
LABELLED_DEAD_S = 30.0  # shorter dead stretches are counted but get no letter
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True)
class Timed:
    """A route with its clock: what choosing among routes needs."""

    ridden: Ridden
    departs: datetime
    clock: NetClock
    figures: ContactFigures
    nearby_m: float
    turns: int
    busy_m: float = 0.0  # on busy roads

    @property
    def nearby_share(self) -> float:
        return self.nearby_m / self.ridden.length_m if self.ridden.length_m else 0.0


def time_route(setting: Setting, edges: np.ndarray, departs: datetime, halt: Halt | None = None) -> Timed:
    """Ride a route from a departure on."""
    ridden = ride_along(edges, setting.pieces, setting.riding, setting.contact, halt)
    clock = setting.clock(departs)
    return Timed(
        ridden=ridden,
        departs=departs,
        clock=clock,
        figures=contact_figures(ridden, clock, setting.ride.contact.chance),
        nearby_m=nearby_m(ridden, setting.pieces),
        turns=len(turn_rows(ridden, setting.pieces)),
        busy_m=float(setting.edge_busy_m[ridden.edges].sum()),
    )


def planned_halt_s(ride: Ride) -> float:
    """Seconds of the one halt that a ride is planned with; 0 without.

    There is one with a net, to check in, and where the rider will not talk while riding. Else nobody waits for a call.
    """
    return ride.ride.stop_min * 60.0 if counting_nets(ride) or not ride.set.talk_while_riding else 0.0


def with_check_in_halt(setting: Setting, timed: Timed) -> Timed:
    """The same route with its planned halt at the best calling place, inside the net's window where there is one.

    Where no calling place is passed in time, or none where anybody would be likely to be worked, no halt.
    """
    seconds = planned_halt_s(setting.ride)
    if not seconds:
        return timed
    row, _, place_chance, margins = calling_rows(setting, timed.ridden)
    passing = timed.clock.weight(timed.ridden.time_s[row]) > 0.5
    # The halt itself should fall into the window: the place must be reached that long before it ends.
    passing &= timed.clock.weight(timed.ridden.time_s[row] + seconds) > 0.5
    if not passing.any():
        return timed
    best = np.flatnonzero(passing)[np.argmax(np.nan_to_num(place_chance[passing], nan=-1.0))]
    if not place_chance[best] >= DEAD_BELOW:
        return timed
    halt = Halt(int(row[best]), seconds, margins[:, :, best], float(place_chance[best]))
    return time_route(setting, timed.ridden.edges, timed.departs, halt)


def calling_rows(setting: Setting, ridden: Ridden) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rows (c,) at which calling places are passed, their index, chance standing there, margins (k, 2, c)."""
    from scipy.spatial import cKDTree

    network, places = setting.network, setting.area.places
    point = setting.pieces.start_point[ridden.way, ridden.piece]
    where = np.column_stack([network.point_x_m[point], network.point_y_m[point]])
    index = np.flatnonzero(places.calling)
    empty = np.zeros(0, dtype=int)
    if not len(index):
        return empty, empty, np.zeros(0), np.zeros((len(setting.contacts.workable), 2, 0))
    distance, row = cKDTree(where).query(
        np.column_stack([places.x_m[index], places.y_m[index]]), distance_upper_bound=CALLING_WITHIN_M
    )
    near = np.isfinite(distance)
    index, row = index[near], row[near]
    order = np.argsort(row, kind="stable")
    index, row = index[order], row[order]
    if not len(index):
        return empty, empty, np.zeros(0), np.zeros((len(setting.contacts.workable), 2, 0))
    standing, margins = setting.contacts.chance_standing(where[row, 0], where[row, 1])
    return row, index, standing, margins


def make_route(setting: Setting, timed: Timed, *, letter: str, why: str) -> Route:
    """The whole Route value of a timed route."""
    ridden, clock, figures = timed.ridden, timed.clock, timed.figures
    samples = _samples(setting, ridden)
    zones = _quiet(setting, ridden)
    overs = _overs(setting, ridden, zones)
    arrival = _arrival(setting, ridden)
    low, high = _share_range(setting, timed)
    ride_time = ridden.ride_time_s
    battery = battery_use(
        ride_time,
        battery_wh=setting.ride.set.battery_wh,
        transmit_w=setting.ride.set.transmit_w,
        duty=setting.ride.duty,
        temperature_c=setting.ride.weather.temperature_c,
    )
    lights_s, sunset_s = _light(setting, samples, timed.departs, ride_time)
    climb, climb_error = _climb(setting, samples)
    route = Route(
        id=letter,
        why=why,
        headline="",
        departs=timed.departs,
        length_m=ridden.length_m,
        ride_time_s=ride_time,
        ride_time_range_s=(float(arrival.early_s[-1]), float(arrival.late_s[-1])),
        effort_kj=ridden.effort_kj,
        climb_m=climb,
        climb_uncertainty_m=climb_error,
        hard_s=float(ridden.hard_s.sum()),
        walked_s=float(ridden.duration_s[ridden.walking].sum()),
        turns_per_km=timed.turns / max(ridden.length_m / 1000.0, 1e-9),
        contact_share=figures.share,
        contact_share_range=(low, high),
        contact_s=figures.contact_s,
        in_contact_s=figures.in_contact_s,
        usable_contact_s=_usable_s(timed, overs),
        dead_s=figures.dead_s,
        longest_dead_s=figures.longest_dead_s,
        net_s=clock.length_s,
        net_ridden_s=figures.net_ridden_s,
        late_contact_share=_late(setting, timed),
        chance_sentence=_sentence(setting, timed),
        repeated_m=ridden.repeated_m,
        nearby_m=timed.nearby_m,
        stress_km=float(setting.edge_stress_m[ridden.edges].sum()) / 1000.0,
        battery_share=battery.share,
        unknown_m=figures.unknown_m,
        samples=samples,
        overs=tuple(
            _stretch(ridden, a, b, str(k), _over_note(setting, ridden, a, b)) for k, (a, b) in enumerate(overs, 1)
        ),
        dead_stretches=_dead(setting, ridden, samples),
        quiet_zones=tuple(Stretch(z.begin_m, z.end_m, *_times(ridden, z.begin_m, z.end_m), note=z.why) for z in zones),
        calling_places=_calling_places(setting, ridden),
        landmarks=_landmarks(setting, ridden, samples),
        road_names=_road_names(setting, ridden),
        lights_from_s=lights_s,
        sunset_s=sunset_s,
        ways_home=ways_home(setting, ridden),
        food_kcal=float(
            metabolic_kcal(ridden.effort_kj * 1000.0, gross_efficiency=setting.ride.rider.gross_efficiency)
        ),
        quiet_m=union_m([(z.begin_m, z.end_m) for z in zones]),
        net_overs=_net_overs(timed, overs),
        busy_m=timed.busy_m,
        warnings=tuple(text for text in (battery.warning, _late_warning(setting, timed.departs, ride_time)) if text),
    )
    return replace(route, headline=words.headline(route))


def _samples(setting: Setting, ridden: Ridden) -> Samples:
    network = setting.network
    point = setting.pieces.start_point[ridden.way, ridden.piece]
    last = setting.pieces.start_point[1 - ridden.way[-1], ridden.piece[-1]]
    point = np.append(point, last)
    x, y = network.point_x_m[point], network.point_y_m[point]
    latitude, longitude = setting.area.projection.to_latlon(x, y)

    def extended(values: np.ndarray) -> np.ndarray:
        return np.append(values, values[-1])

    stations = {}
    for k, work in enumerate(setting.contacts.workable):
        to, back = extended(ridden.margin_db[k, 0]), extended(ridden.margin_db[k, 1])
        sigma = work.spread.sigma_db
        stations[work.name] = StationSamples(
            margin_to_db=to,
            margin_from_db=back,
            chance_to=contact_chance(to, to, sigma),
            chance_from=contact_chance(back, back, sigma),
            chance=contact_chance(to, back, sigma),
        )
    return Samples(
        distance_m=ridden.distance_m,
        time_s=ridden.time_s,
        x_m=x,
        y_m=y,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=network.point_height_m[point],
        chance=extended(ridden.chance),
        walking=extended(ridden.walking),
        repeated=extended(ridden.repeated),
        stations=stations,
    )


def _times(ridden: Ridden, begin_m: float, end_m: float) -> tuple[float, float]:
    begin, end = np.interp([begin_m, end_m], ridden.distance_m, ridden.time_s)
    return float(begin), float(end)


def _stretch(ridden: Ridden, a: int, b: int, label: str, note: str = "") -> Stretch:
    d, t = ridden.distance_m, ridden.time_s
    return Stretch(float(d[a]), float(d[b]), float(t[a]), float(t[b]), label, note)


def _quiet(setting: Setting, ridden: Ridden) -> tuple:
    moving = ~ridden.standing
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.diff(ridden.distance_m)[moving] / ridden.duration_s[moving]
    return quiet_zones(setting.network, ridden.edges, speed_m_s=speed)


def _overs(setting: Setting, ridden: Ridden, zones: tuple) -> list[tuple[int, int]]:
    """Runs of rows in which the rider may talk; only at halts where talking while riding is barred."""
    in_contact = ridden.chance >= setting.ride.contact.chance
    if not setting.ride.set.talk_while_riding:
        in_contact &= ridden.standing
    return over_runs(
        time_s=ridden.time_s,
        distance_m=ridden.distance_m,
        in_contact=in_contact,
        quiet=quiet_mask(zones, ridden.distance_m) & ~ridden.standing,
        grade=setting.pieces.grade[ridden.way, ridden.piece],
        walking=ridden.walking | ridden.standing,
    )


def _over_note(setting: Setting, ridden: Ridden, a: int, b: int) -> str:
    """Whom the over works best, and that it is a halt."""
    margin = np.nanmean(ridden.margin_db[:, :, a:b].min(axis=1), axis=1)
    best = setting.contacts.names[int(np.nanargmax(margin))]
    return f"{best}, with a halt" if ridden.standing[a:b].any() else best


def _net_overs(timed: Timed, overs: list[tuple[int, int]]) -> tuple[tuple[str, float], ...]:
    """Overs by their time inside the nets' windows at the planned pace, the longest first."""
    time_s, windows = timed.ridden.time_s, timed.clock.windows_s
    inside = [(str(k), float(inside_s(time_s[a], time_s[b], windows))) for k, (a, b) in enumerate(overs, 1)]
    return tuple(sorted((item for item in inside if item[1] >= OVER_AT_LEAST_S), key=lambda item: -item[1]))


def _usable_s(timed: Timed, overs: list[tuple[int, int]]) -> float:
    ridden = timed.ridden
    seconds = timed.clock.seconds(ridden.duration_s, ridden.standing) * np.nan_to_num(ridden.chance)
    return float(sum(seconds[a:b].sum() for a, b in overs))


def _dead(setting: Setting, ridden: Ridden, samples: Samples) -> tuple[Stretch, ...]:
    stretches = []
    letters = iter(LETTERS)
    for a, b in runs(ridden.chance < DEAD_BELOW):
        long = ridden.time_s[b] - ridden.time_s[a] >= LABELLED_DEAD_S
        middle = (a + b) // 2
        note = nearest_name(setting, samples.x_m[middle], samples.y_m[middle]) if long else ""
        stretches.append(_stretch(ridden, a, b, next(letters, "") if long else "", note))
    return tuple(stretches)


def nearest_name(setting: Setting, x_m: float, y_m: float, within_m: float = 3000.0) -> str:
    places = setting.area.places
    named = np.array([bool(name) for name in places.name], dtype=bool) & ~places.calling
    distance = np.where(named, np.hypot(places.x_m - x_m, places.y_m - y_m), np.inf)
    if not len(distance) or distance.min() > within_m:
        return ""
    return f"near {places.name[int(distance.argmin())]}"


def _arrival(setting: Setting, ridden: Ridden) -> Arrival:
    moving = ~ridden.standing
    halt_s = float(ridden.duration_s[ridden.standing].sum())
    return arrival_along(
        setting.ride, setting.pieces, setting.riding, ridden.way[moving], ridden.piece[moving], halt_s=halt_s
    )


def _share_range(setting: Setting, timed: Timed) -> tuple[float, float]:
    """Contact share if all links were COMMON_ERROR_DB worse, and better."""
    low, high = (
        contact_figures(
            replace(timed.ridden, chance=setting.contacts.rule_chance(timed.ridden.margin_db, shift)),
            timed.clock,
            setting.ride.contact.chance,
        ).share
        for shift in (-COMMON_ERROR_DB, COMMON_ERROR_DB)
    )
    return low, high


def _late(setting: Setting, timed: Timed) -> tuple[tuple[float, float], ...]:
    if not timed.clock.windows_s:
        return ()
    share = [
        contact_figures(timed.ridden, timed.clock.late(late * 60), setting.ride.contact.chance).share
        for late in LATE_MIN
    ]
    return tuple(zip(LATE_MIN, share))


def _sentence(setting: Setting, timed: Timed) -> str:
    ridden, contacts = timed.ridden, setting.contacts
    seconds = timed.clock.seconds(ridden.duration_s, ridden.standing)
    step = max(1, len(seconds) // 1500)
    first = np.arange(0, len(seconds), step)
    spreads = [work.spread for work in contacts.workable]
    drawn = contact_minutes(
        ridden.margin_db.min(axis=1)[:, first],
        distance_m=ridden.distance_m[first],
        seconds=np.add.reduceat(seconds, first),
        rule=contacts.rule,
        constant_db=np.array([s.constant_db for s in spreads]),
        changing_db=np.array([s.changing_db for s in spreads]),
        correlation=contacts.correlation,
        decorrelation_m=setting.ride.radio.decorrelation_m,
        window_s=timed.clock.length_s or None,
        names=contacts.names,
        reaches=contacts.reaches,
    )
    return drawn.sentence()


def _climb(setting: Setting, samples: Samples) -> tuple[float, float]:
    """Sum of rises [m] and its standard uncertainty, from what the height fit reports for the area."""
    height = samples.elevation_m
    rises = np.diff(height[np.isfinite(height)])
    climb = float(rises[rises > 0].sum())
    return climb, setting.area.climb_uncertainty_m(float(samples.distance_m[-1]), climb)


def _light(
    setting: Setting, samples: Samples, departs: datetime, ride_time_s: float
) -> tuple[float | None, float | None]:
    light = light_of_ride(float(samples.latitude_deg[0]), float(samples.longitude_deg[0]), departs, ride_time_s)

    def seconds(moment: datetime | None) -> float | None:
        return None if moment is None else words.seconds_between(departs, moment)

    return seconds(light.lights_from), seconds(light.sunset)


def _late_warning(setting: Setting, departs: datetime, ride_time_s: float) -> str:
    home_by = setting.ride.ride.home_by
    if home_by is None or words.seconds_between(departs, home_by) >= ride_time_s:
        return ""
    return f"home at {words.clock(departs, ride_time_s)}, after {home_by:%H:%M}"


def _calling_places(setting: Setting, ridden: Ridden) -> tuple[CallingPlace, ...]:
    row, index, standing, margins = calling_rows(setting, ridden)
    places = setting.area.places
    order = np.argsort(-np.nan_to_num(standing, nan=-1.0), kind="stable")[:CALLING_PLACES]
    found = []
    for k in sorted(order.tolist(), key=lambda k: row[k]):
        place = index[k]
        latitude, longitude = setting.area.projection.to_latlon(places.x_m[place], places.y_m[place])
        best = margins[:, :, k].min(axis=1)
        found.append(
            CallingPlace(
                name=places.name[place] or f"{places.kind[place]} at {ridden.distance_m[row[k]] / 1000:.1f} km",
                kind=places.kind[place],
                distance_m=float(ridden.distance_m[row[k]]),
                time_s=float(ridden.time_s[row[k]]),
                latitude_deg=float(latitude),
                longitude_deg=float(longitude),
                chance=float(standing[k]),
                best_station=setting.contacts.names[int(np.argmax(np.nan_to_num(best, nan=-np.inf)))],
            )
        )
    return tuple(found)


def _landmarks(setting: Setting, ridden: Ridden, samples: Samples) -> tuple[Landmark, ...]:
    """Named places the route passes, each once for a passage."""
    places = setting.area.places
    found: list[Landmark] = []
    for k in range(len(places)):
        within = LANDMARK_WITHIN_M.get(places.kind[k])
        if within is None or not places.name[k]:
            continue
        distance = np.hypot(samples.x_m - places.x_m[k], samples.y_m - places.y_m[k])
        for a, b in runs(distance < within):
            row = a + int(np.argmin(distance[a:b]))
            if (
                not found
                or found[-1].name != places.name[k]
                or samples.distance_m[row] - found[-1].distance_m > NEARBY_APART_M
            ):
                found.append(
                    Landmark(places.name[k], places.kind[k], float(samples.distance_m[row]), float(samples.time_s[row]))
                )
    return tuple(sorted(found, key=lambda mark: mark.distance_m))


def _road_names(setting: Setting, ridden: Ridden) -> tuple[Stretch, ...]:
    """Runs of rows on one road, labelled by its name or reference."""
    ways = setting.network.ways
    row_way = setting.pieces.way[ridden.piece]
    label = np.array([name or ref for name, ref in zip(ways.name, ways.ref)], dtype=object)[row_way]
    change = np.flatnonzero(label[1:] != label[:-1]) + 1
    first = np.concatenate([[0], change])
    last = np.append(change, len(label))
    return tuple(_stretch(ridden, int(a), int(b), str(label[a])) for a, b in zip(first, last) if label[a])
