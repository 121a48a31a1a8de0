"""The jobs: an area and a ride file become a Plan."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache, partial
from itertools import count
from typing import Any

import numpy as np

from routeplan.afterwards.tracks import read_gpx
from routeplan.errors import NoLoopError
from routeplan.plan.area import Area
from routeplan.plan.background import background, map_corners
from routeplan.plan.between import contact_bound as route_bound
from routeplan.plan.between import find_routes, route_reasons
from routeplan.plan.bound import Proof, best_of, contact_bound, tightened_bound
from routeplan.plan.followed import follow
from routeplan.plan.hf import ground_wave_line, net_lines, station_line
from routeplan.plan.learnt import learnt_assumptions, learnt_notes
from routeplan.plan.lifted import BUDGET as BRIEF_BUDGET
from routeplan.plan.lifted import bought
from routeplan.plan.loops import QUICK_BUDGET, Window, find_loops, loop_window, passes_via
from routeplan.plan.mend import MendedRides, mend_ride, room_m
from routeplan.plan.reasons import FOUND, cautions, followed_reason, letters, ride_reasons
from routeplan.plan.ridefile import Ride, require
from routeplan.plan.setting import Progress, Setting, departures, from_here_to_there, resolved, round_a_start
from routeplan.plan.timetable import Timed, make_route, time_route, with_check_in_halt
from routeplan.plan.value import Assumption, Bound, Plan, PlannedNet, PlannedStation, Route
from routeplan.plan.whatif import guess_line, what_if
from routeplan.radio.ground_wave import UPPER_LIMIT, how_predicted

STATION_WITHIN = 0.6  # of the routes' span: a station this far outside them widens the map

JOBS = ("loop", "between", "mend", "check")

OF_MENDING = ("ride.extra_km_at_most",)
LOOKS_BEFORE_BOUND = 1
Watch = Callable[[Callable[[], Plan]], bool]  # is given the plan so far; False ends the search
Prove = Callable[[Proof], bool]  # is told how far the proof has come; False ends it


def plan(
    job: str,
    area: Area,
    ride: Ride,
    *,
    progress: Progress,
    watch: Watch | None = None,
    quick: bool = False,
    prove: Prove | None = None,
) -> Plan:
    """Do one of JOBS. Raises errors of routeplan's family that say what is wrong, where and how to mend it.

    watch : called now and then with a function that makes a plan of what was found so far (without background): loops
    and routes as they come, of a given track first the ride as it is; answering False ends the search, and what was
    found is the answer.
    prove : of loops: the bound is tightened, and this is told how far it has come; see `routeplan.plan.bound`.
    """
    require(ride, job)
    if job == "loop":
        return loop(area, ride, progress, watch, quick, prove)
    return {"between": between, "mend": mend, "check": check}[job](area, ride, progress, watch)


def loop(
    area: Area,
    ride: Ride,
    progress: Progress,
    watch: Watch | None = None,
    quick: bool = False,
    prove: Prove | None = None,
) -> Plan:
    """Loops of a target length or time from the start."""
    departs = departures(ride)
    window = loop_window(ride, departs[0])
    setting = round_a_start(area, ride, reach_m=window.reach_m, progress=progress)

    @cache
    def bound() -> Bound:
        return contact_bound(setting, window, departs)

    looks = count(1)

    def seen(choices: Callable[[], list[Timed]]) -> bool:
        assert watch is not None
        proven = bound() if next(looks) > LOOKS_BEFORE_BOUND else None  # the first choices do not wait for it
        return watch(lambda: _sketch("loop", setting, choices(), proven))

    try:
        chosen = find_loops(
            setting, window, departs, progress, None if watch is None else seen, QUICK_BUDGET if quick else None
        )
    except NoLoopError as error:
        raise _no_loop(error, window) from None
    progress("what no loop of this window can pass")
    notes = (FOUND, *bought(setting, chosen, partial(_loops_let_in, area, departs, progress)))
    proven = bound() if prove is None else tightened_bound(setting, window, departs, best=best_of(chosen), report=prove)
    return _plan("loop", setting, chosen, ride_reasons(chosen), proven, progress, notes)


def _loops_let_in(
    area: Area, departs: list[datetime], progress: Progress, ride: Ride
) -> tuple[Setting, Sequence[Timed]]:
    """A brief look for loops on every road, however busy."""
    progress("what roads above your cap on traffic stress would have bought")
    window = loop_window(ride, departs[0])
    setting = round_a_start(area, ride, reach_m=window.reach_m, progress=lambda text: None)
    return setting, find_loops(setting, window, departs, lambda text: None, budget=BRIEF_BUDGET)


def between(area: Area, ride: Ride, progress: Progress, watch: Watch | None = None) -> Plan:
    """Routes from here to there, no longer than the ride file allows."""
    departs = departures(ride)
    setting = from_here_to_there(area, ride, progress=progress)

    def seen(choices: Callable[[], list[Timed]]) -> bool:
        assert watch is not None
        return watch(lambda: _sketch("between", setting, choices(), None, route_reasons))

    chosen, notes = find_routes(setting, departs, progress, None if watch is None else seen)
    progress("what no such ride can pass")
    bound = route_bound(setting, departs)

    def let_in(ride: Ride) -> tuple[Setting, Sequence[Timed]]:
        every = from_here_to_there(area, ride, progress=lambda text: None)
        return every, find_routes(every, departs, progress)[0]

    notes = [*notes, *bought(setting, chosen, let_in)]
    return _plan("between", setting, chosen, route_reasons(chosen), bound, progress, notes)


def check(area: Area, ride: Ride, progress: Progress, watch: Watch | None = None) -> Plan:
    """What will be heard along a given track."""
    assert ride.ride.follow is not None
    track = read_gpx(ride.ride.follow)
    followed = follow(area, ride, track, room_m=0.0, progress=progress)
    timed = time_route(followed.setting, followed.edges, departures(ride)[0])
    timed = with_check_in_halt(followed.setting, timed)  # as a loop of the same ride file would be ridden
    if watch is not None:
        watch(lambda: _sketch("check", followed.setting, [timed], None, lambda chosen: [followed_reason(followed)]))
    return _plan("check", followed.setting, [timed], [followed_reason(followed)], None, progress)


def mend(area: Area, ride: Ride, progress: Progress, watch: Watch | None = None) -> Plan:
    """A given track, and small detours that take out its dead stretches."""
    assert ride.ride.follow is not None
    track = read_gpx(ride.ride.follow)
    followed = follow(area, ride, track, room_m=room_m(ride.ride.extra_km_at_most), progress=progress)

    def seen(so_far: Callable[[], MendedRides]) -> bool:
        def sketch() -> Plan:
            found = so_far()
            return _sketch("mend", followed.setting, found.rides, None, lambda chosen: found.reasons)

        assert watch is not None
        return watch(sketch)

    told = None if watch is None else seen
    mended = mend_ride(followed, departures(ride)[0], progress, followed_reason(followed), told)
    return _plan("mend", followed.setting, mended.rides, mended.reasons, None, progress, mended.notes)


def _no_loop(error: NoLoopError, window: Window) -> NoLoopError:
    unit, scale = ("km", 1000.0) if window.measure == "m" else ("h", 3600.0)
    shortest, longest = (window.shortest + window.halt) / scale, (window.longest + window.halt) / scale
    text = f"no loop of {shortest:.1f} to {longest:.1f} {unit} was found from the start"
    if error.nearest_length_m is None:
        return NoLoopError(f"{text}, and none of another length either; choose another start")
    nearest = f"{(error.nearest_length_m + window.halt) / scale:.1f} {unit}"
    if window.shortest <= error.nearest_length_m <= window.longest:  # its length is not what is wrong with it
        return NoLoopError(
            f"{text} that rides no more of it twice than repeat_share allows; one of {nearest} does: "
            "raise repeat_share, or move the start",
            error.nearest_length_m,
        )
    return NoLoopError(
        f"{text}; the nearest that was found has {nearest}: ask for that, raise repeat_share, or move the start",
        error.nearest_length_m,
    )


def _sketch(
    job: str,
    setting: Setting,
    chosen: Sequence[Timed],
    bound: Bound | None,
    reasons: Callable[[Sequence[Timed]], Sequence[str]] = ride_reasons,
) -> Plan:
    """A plan of what was found so far: its routes in full, without what is reckoned once at the end."""
    return _plan(job, setting, chosen, reasons(chosen), bound, lambda text: None, whole=False)


def _plan(
    job: str,
    setting: Setting,
    chosen: Sequence[Timed],
    reasons: Sequence[str],
    bound: Bound | None,
    progress: Progress,
    notes: Sequence[str] = (),
    *,
    whole: bool = True,
) -> Plan:
    """The Plan of the chosen routes; whole=False leaves out what would change the answer, and the map's ground."""
    ride, area = setting.ride, setting.area
    routes = [
        make_route(setting, timed, letter=letter, why=why)
        for timed, letter, why in zip(chosen, letters(len(chosen)), reasons)
    ]
    progress("the ground of the map")
    x, y = map_places(setting, routes)
    assumptions = told_assumptions(setting)
    if job != "mend":  # a guess that changes nothing of this job is none to mend
        assumptions = tuple(replace(a, guess=False) if a.key in OF_MENDING else a for a in assumptions)
    changes = what_if(setting, chosen[0]) if whole else ()
    guess = guess_line(setting, changes, {a.key for a in assumptions if a.guess})
    zone = ride.time_zone or "UTC"
    return Plan(
        job=job,
        area=area_facts(area),
        title=_title(job, ride),
        assumptions=assumptions,
        stations=planned_stations(setting),
        nets=tuple(
            PlannedNet(n.name, n.frequency_mhz, n.mode, n.begins, n.ends, n.control)
            for n in ride.nets
            if n.begins is not None
        ),
        routes=tuple(routes),
        bound=bound,
        warnings=tuple(dict.fromkeys([*ride.warnings, *_warnings(setting, chosen, routes)])),
        cautions=cautions(ride),
        contact_chance=ride.contact.chance,
        time_zone=zone,
        notes=(*notes, *learnt_notes(ride), *guess),
        what_if=changes,
        background=background(area, x, y, setting.contacts.chance_in_passing) if whole else None,
    )


def told_assumptions(setting: Setting) -> tuple[Assumption, ...]:
    """What the ride file says and leaves unsaid, and what its plain words stand for."""
    told = {a.key: a for a in setting.ride.assumptions}
    for work in setting.contacts.workable:
        for prefix, stated in ((f"station.{work.name}", work.stated), ("set", work.rider_stated)):
            for item in stated:
                told.setdefault(
                    f"{prefix}.{item.key}", Assumption(f"{prefix}.{item.key}", item.value, item.origin, item.guess)
                )
    return (*told.values(), *learnt_assumptions(setting.ride))


def area_facts(area: Area) -> dict[str, Any]:
    return {
        "name": area.name,
        "elevation_kind": area.elevation_kind,
        "attribution": list(area.attribution),
    }


def map_places(setting: Setting, routes: Sequence[Route]) -> tuple[np.ndarray, np.ndarray]:
    """What the map must hold: the routes, the ground beside narrow ones, and every station not much further off than
    they are long.
    """
    x = np.concatenate([route.samples.x_m for route in routes])
    y = np.concatenate([route.samples.y_m for route in routes])
    around = STATION_WITHIN * max(np.ptp(x), np.ptp(y), 1000.0)
    near = [
        (work.x_m, work.y_m)
        for work in setting.contacts.workable
        if x.min() - around < work.x_m < x.max() + around and y.min() - around < work.y_m < y.max() + around
    ]
    x, y = np.append(x, [place[0] for place in near]), np.append(y, [place[1] for place in near])
    corner_x, corner_y = map_corners(x, y)
    return np.append(x, corner_x), np.append(y, corner_y)


def _title(job: str, ride: Ride) -> str:
    where = ride.start.name or "the start"
    names = {
        "loop": "Loops from",
        "between": "Rides from",
        "mend": "The usual ride, mended, from",
        "check": "A ride from",
    }
    return f"{names[job]} {where}"


def station_letters(names: Sequence[str]) -> list[str]:
    """A letter of its own for each station."""
    taken: list[str] = []
    for name in names:
        # Call signs of one country begin alike: the letters after the figure tell them apart.
        tell = re.sub(r"^.*[0-9]", "", name.upper()) + name.upper() + "STUVWXYZ"
        taken.append(next((c for c in tell if c.isalpha() and c not in taken), "?"))
    return taken


def planned_stations(setting: Setting) -> tuple[PlannedStation, ...]:
    """The stations with letters of their own, apart from those of the routes."""
    planned = []
    wished = {station.name: station for station in setting.ride.stations}
    workable = setting.contacts.workable
    for work, letter in zip(workable, station_letters([work.name for work in workable])):
        latitude, longitude = setting.area.projection.to_latlon(work.x_m, work.y_m)
        wish = wished[work.name]
        kind = wish.kind or ("repeater" if wish.repeater else "station")
        planned.append(
            PlannedStation(
                name=work.name,
                letter=letter,
                latitude_deg=float(latitude),
                longitude_deg=float(longitude),
                x_m=work.x_m,
                y_m=work.y_m,
                description=f"{kind}, {work.station.antenna_height_m:g} m, {work.station.transmit_w:g} W",
                frequency_mhz=work.listen_mhz,
                repeater=wish.repeater,
                transmit_mhz=work.transmit_mhz if work.transmit_mhz != work.listen_mhz else None,
                access=wish.access or "",
            )
        )
    return tuple(planned)


def _not_by_terrain(setting: Setting, chosen: Sequence[Timed], routes: Sequence[Route]) -> list[str]:
    """One line for each station on a band that is not predicted by terrain."""
    told = []
    for station in setting.ride.stations:
        if station.name in setting.contacts.names:
            continue
        work = resolved(setting.area, setting.ride, station)
        if how_predicted(work.transmit_mhz) != UPPER_LIMIT or work.listen_mhz != work.transmit_mhz or not routes:
            told.append(station_line(work.name, work.transmit_mhz))
            continue
        samples = routes[0].samples
        line = ground_wave_line(
            work.name, frequency_mhz=work.transmit_mhz, station=work.station, rider=work.rider, mode=work.mode,
            station_xy_m=(work.x_m, work.y_m), x_m=samples.x_m, y_m=samples.y_m, time_s=samples.time_s,
            n0=setting.ride.radio.n0,
        )  # fmt: skip
        told.append(f"{line} on {routes[0].id}" if line.endswith("away") else line)
    return told


def _warnings(setting: Setting, chosen: Sequence[Timed], routes: Sequence[Route]) -> list[str]:
    found = [f"{route.id}: {text}" for route in routes for text in route.warnings]
    found += [*net_lines(setting.ride), *_not_by_terrain(setting, chosen, routes)]
    if not all(passes_via(setting, timed) for timed in chosen):
        found.append("not every ride shown passes all the places under via; allow more length")
    for route in routes:
        if route.unknown_m > 0:
            found.append(
                f"{route.id}: {route.unknown_m:.0f} m cross ground without elevation data; left out of the shares"
            )
    if setting.ride.start.departs is None and setting.ride.start.departs_between is None:
        found.append("no departure is given: light is reckoned for now")
    return found
