"""Routes from here to there: the least time out of contact, the least effort, and what lies between."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from routeplan import search
from routeplan.plan.cheapest import cheapest
from routeplan.plan.clock import NetClock
from routeplan.plan.loops import Question, Window, choose, fill, question
from routeplan.plan.setting import Progress, Setting
from routeplan.plan.timetable import Timed, time_route
from routeplan.plan.value import Bound

EPSILON = 0.02  # first try to have the whole set; where that takes too long, within this share of it
WHOLE_WITHIN_S = 4.0


def find_routes(setting: Setting, departs: list[datetime], progress: Progress) -> tuple[list[Timed], list[str]]:
    """Routes worth showing, cheapest in effort first, and notes on how they were found.

    Raises UnreachableError where no way leads to the end, or none within the length.
    """
    limit_m = _limit_m(setting)
    window = Window("m", 0.0, 0.0, limit_m)
    pool: list[Timed] = []
    notes: list[str] = []
    for departure in departs:
        progress(f"looking for routes that leave at {departure:%H:%M}")
        asked = question(setting, window, bool(setting.ride.nets))
        clock = setting.clock(departure)
        costs = np.column_stack([asked.measure, _loss_s(setting, asked, clock), asked.effort_kj])
        found = _front(asked, costs, int(setting.graph.place[setting.end]), limit_m)
        if not found.complete:
            notes.append(
                f"the whole set would take too long: every route is within {found.epsilon:.0%} of one that was found"
            )
        pool += [
            time_route(setting, setting.graph.expand(edges, start=setting.start, end=setting.end), departure)
            for edges in found.edges
        ]
    if setting.ride.nets:
        notes.append("contact in the net's window was taken at the quickest route's passing times, then reckoned anew")
    return choose(setting, pool, None), list(dict.fromkeys(notes))


def _limit_m(setting: Setting) -> float:
    length_km = setting.ride.ride.length_at_most_km
    assert length_km is not None  # the ride file was asked for it
    return length_km * 1000.0


def _front(asked: Question, costs: np.ndarray, end: int, limit_m: float) -> search.ParetoResult:
    """Every route that no other passes in length, loss and effort; or within EPSILON where that takes too long."""
    arguments = (asked.tail, asked.head, costs, asked.start, end)
    found = search.pareto_routes(*arguments, limit=limit_m, time_limit_s=WHOLE_WITHIN_S)
    if found.complete:
        return found
    return search.pareto_routes(*arguments, limit=limit_m, epsilon=EPSILON)


def _loss_s(setting: Setting, asked: Question, clock: NetClock) -> np.ndarray:
    """Seconds of contact that each edge fails to give; in a net's window as counted when the quickest route passes."""
    if not clock.windows_s:
        return asked.loss_s
    size = int(max(asked.tail.max(), asked.head.max())) + 1
    passed_s = cheapest(asked.tail, asked.head, asked.time_s, asked.start, size).cost[asked.tail]
    counts = clock.weight(np.where(np.isfinite(passed_s), passed_s, 0.0) + asked.time_s / 2)
    return asked.loss_s + counts * (asked.time_s - asked.contact_s)


def contact_bound(setting: Setting, departs: list[datetime]) -> Bound:
    """A figure that the contact of no such route can pass: each edge once, the best of them filled into the length."""
    limit_m = _limit_m(setting)
    asked = question(setting, Window("m", 0.0, 0.0, limit_m), bool(setting.ride.nets))
    at_most = fill(asked.contact_s, asked.measure, limit_m)
    how = "each edge at most once, those with the most contact for their length filled into the longest length"
    window_s = setting.clock(departs[0]).length_s
    if window_s:
        halt_s = setting.ride.ride.stop_min * 60.0
        at_most = min(at_most + halt_s, window_s)
        how = "the window's whole length" if at_most == window_s else f"{how}; a halt counted in full"
    return Bound(contact_s_at_most=float(at_most), how=how)
