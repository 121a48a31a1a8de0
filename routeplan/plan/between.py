"""Routes from here to there: the least time out of contact, the least effort, and what lies between.

Places under `via` are passed in their order: the search runs on one copy of the streets for each of them and one more,
and a street with such a place leads from its copy to the next.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import numpy as np

from routeplan import search
from routeplan.errors import UnreachableError
from routeplan.plan import words
from routeplan.plan.bound import fill, with_halt
from routeplan.plan.cheapest import cheapest
from routeplan.plan.clock import NetClock
from routeplan.plan.loops import Question, Window, choose, lost_s, passes_via, question
from routeplan.plan.reasons import letters, ride_reasons
from routeplan.plan.setting import Progress, Setting, allowed, cut_at
from routeplan.plan.timetable import Timed, planned_halt_s, time_route, with_check_in_halt
from routeplan.plan.value import Bound
from routeplan.roads.build import fuse

EPSILONS = (
    0.0,
    0.005,
    0.02,
    0.1,
)  # the whole set; where that takes too long or is too large, within such a share of it
WITHIN_S = 4.0
FIRST_LOOK = (0.3, 0.3)  # such a share, and seconds: something to see at once
SHOWN_OF_A_SET = 25  # routes of a set that are ridden to show it before it is whole
TIMED_AT_MOST = 600  # routes that are ridden in full
LEAST_BY_S = 60.0  # by so much less time out of contact the best route is shown, however like another it is


Watch = Callable[[Callable[[], list[Timed]]], bool]  # is given the choices so far; False ends the search


def find_routes(
    setting: Setting, departs: list[datetime], progress: Progress, watch: Watch | None = None
) -> tuple[list[Timed], list[str]]:
    """Routes worth showing, cheapest in effort first, and notes on how they were found.

    watch : is shown the choices as they come. Raises UnreachableError where no way leads to the end, or none within
    the length.
    """
    limit_m = _limit_m(setting)
    asked = question(setting, Window("m", 0.0, 0.0, limit_m), bool(setting.nets))
    looking = _Looking(setting, _legs(setting, asked), watch)
    notes: list[str] = []
    for departure in departs:
        progress(f"looking for routes that leave at {departure:%H:%M}")
        loss_s = _loss_s(setting, asked, setting.clock(departure), looking.legs)
        costs = np.column_stack([asked.measure, loss_s, asked.effort_kj])
        show = None if watch is None else partial(looking.show, departure)
        found = _front(setting, asked, looking.legs, costs, limit_m, show)
        notes += _how(found)
        progress(f"riding {len(found.edges)} routes that leave at {departure:%H:%M}")
        looking.ride_all(found, departure)
        if looking.stopped:
            notes.append("stopped early: these are the best of what was found by then")
            break
    if setting.nets:
        notes.append("contact in the net's window was taken at the quickest route's passing times, then reckoned anew")
    return looking.choices(looking.pool), list(dict.fromkeys(notes))


class _Looking:
    """A search that may be watched, and stopped by who watches."""

    def __init__(self, setting: Setting, legs: Legs, watch: Watch | None) -> None:
        self.setting, self.legs, self.watch = setting, legs, watch
        self.pool: list[Timed] = []
        self.stopped = False

    def ride(self, edges: np.ndarray, departure: datetime) -> Timed:
        """A route of the legs, put back on the network's edges and timed."""
        setting = self.setting
        whole = setting.graph.expand(self.legs.edge[edges], start=setting.start, end=setting.end)
        return time_route(setting, whole, departure)

    def choices(self, pool: list[Timed]) -> list[Timed]:
        return _with_the_least_silent(self.setting, choose(self.setting, pool, None), pool)

    def show(self, departure: datetime, found: search.ParetoResult) -> bool:
        """Show the watcher some of the routes that were found beside those ridden before."""

        def so_far() -> list[Timed]:
            return self.choices([*self.pool, *(self.ride(edges, departure) for edges in _some(found))])

        return self._go_on(so_far)

    def ride_all(self, found: search.ParetoResult, departure: datetime) -> None:
        """Add all routes to the pool; of a search that was stopped, some."""
        for edges in _some(found) if self.stopped else found.edges:
            self.pool.append(self.ride(edges, departure))
            if not self.stopped and not self._go_on(lambda: self.choices(self.pool)):
                return

    def _go_on(self, so_far: Callable[[], list[Timed]]) -> bool:
        if self.watch is not None and not self.watch(so_far):
            self.stopped = True
        return not self.stopped


def _some(found: search.ParetoResult) -> list[np.ndarray]:
    """A few of the routes, evenly through the set."""
    rows = np.unique(np.linspace(0, len(found.edges) - 1, SHOWN_OF_A_SET).astype(int))
    return [found.edges[k] for k in rows]


def _limit_m(setting: Setting) -> float:
    length_km = setting.ride.ride.length_at_most_km
    assert length_km is not None  # the ride file was asked for it
    return length_km * 1000.0


@dataclass(frozen=True)
class Legs:
    """The streets once for each leg between the places to pass, one copy after another."""

    tail: np.ndarray
    head: np.ndarray
    edge: np.ndarray  # row of the question
    banned: np.ndarray
    start: int
    end: int
    size: int  # nodes


def _legs(setting: Setting, asked: Question) -> Legs:
    """Copies of the streets for the places under `via`."""
    network, graph = setting.network, setting.graph
    nodes = int(max(asked.tail.max(), asked.head.max())) + 1
    count = len(asked.tail)
    passes = []
    for street in setting.via_streets.tolist():
        on = network.edge_street[graph.edge] == street
        passes.append(on if on.any() else asked.head == graph.place[network.street_start[street]])  # a ring: its place
    banned = np.concatenate([asked.banned, _back_after_a_ban(asked)])
    tails, heads, bans = [], [], []
    for leg in range(len(passes) + 1):
        to = np.full(count, leg)
        for k in range(leg, len(passes)):
            to = np.where((to == k) & passes[k], k + 1, to)
        tails.append(asked.tail + leg * nodes)
        heads.append(asked.head + to * nodes)
        bans.append(np.column_stack([banned[:, 0] + leg * count, banned[:, 1] + to[banned[:, 0]] * count]))
    return Legs(
        tail=np.concatenate(tails),
        head=np.concatenate(heads),
        edge=np.tile(np.arange(count), len(passes) + 1),
        banned=np.concatenate(bans),
        start=asked.start,
        end=int(graph.place[setting.end]) + len(passes) * nodes,
        size=nodes * (len(passes) + 1),
    )


def _back_after_a_ban(asked: Question) -> np.ndarray:
    """Pairs (m, 2) of edges that turn back right behind a banned turn: to pass it and come back would get round it."""
    behind = np.flatnonzero(np.isin(asked.tail, asked.head[np.unique(asked.banned[:, 0])]))
    pairs = [(g, r) for g in behind.tolist()
             for r in np.flatnonzero((asked.street == asked.street[g]) & (asked.tail == asked.head[g])).tolist()
             if asked.head[r] == asked.tail[g]]  # fmt: skip
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _front(
    setting: Setting,
    asked: Question,
    legs: Legs,
    costs: np.ndarray,
    limit_m: float,
    show: Callable[[search.ParetoResult], bool] | None = None,
) -> search.ParetoResult:
    """Every route that no other passes in length, loss and effort; or within the first of EPSILONS that serves.

    show : is given the sets that do not serve yet; False ends it with what there is.
    """
    tries = [(epsilon, WITHIN_S) for epsilon in EPSILONS]
    for epsilon, within_s in tries if show is None else [FIRST_LOOK, *tries]:
        try:
            found = search.pareto_routes(
                legs.tail, legs.head, costs[legs.edge], legs.start, legs.end,
                limit=limit_m, epsilon=epsilon, time_limit_s=within_s, banned_turns=legs.banned,
            )  # fmt: skip
        except UnreachableError:
            raise _unreachable(setting, asked, legs, limit_m) from None
        served = found.complete and len(found.edges) <= TIMED_AT_MOST and (epsilon, within_s) != FIRST_LOOK
        if served or (show is not None and not show(found)):
            break
    return found


def _how(found: search.ParetoResult) -> list[str]:
    """What must be said of a set that is not whole."""
    if not found.complete:
        return ["the whole set of routes would take too long: these are the ones found in the time there was"]
    if found.epsilon:
        return [
            "the whole set of routes is too large: every other is within "
            f"{words.percent(found.epsilon, 1)} of one that was looked at"
        ]
    return []


def _unreachable(setting: Setting, asked: Question, legs: Legs, limit_m: float) -> UnreachableError:
    """The error in the rider's words."""
    passing = " past the places under via" if len(setting.via_streets) else ""
    tree = cheapest(legs.tail, legs.head, asked.measure[legs.edge], legs.start, legs.size)
    least_m = float(tree.cost[legs.end])
    if not np.isfinite(least_m):
        least_m, passing = _shortest_anywhere_m(setting), ""
    if not np.isfinite(least_m):
        return UnreachableError("no way that may be ridden leads from the start to the end; move one of them")
    if least_m <= limit_m:
        return UnreachableError(f"banned turns close every way from the start to the end{passing} within "
                                f"{words.km(limit_m)}; raise length_at_most_km")  # fmt: skip
    return UnreachableError(
        f"the shortest way from the start to the end{passing} has {least_m / 1000 + 0.05:.1f} km: "
        f"[ride] length_at_most_km = {limit_m / 1000:g} is too little; allow that"
    )


def _shortest_anywhere_m(setting: Setting) -> float:
    """Length of the shortest way from start to end on all streets of the area that may be ridden; inf without one."""
    small, area = setting.network, setting.area
    network = fuse(area.network.subset(allowed(area, setting.ride)))
    network, start = cut_at(network, (small.node_x_m[setting.start], small.node_y_m[setting.start]))
    network, end = cut_at(network, (small.node_x_m[setting.end], small.node_y_m[setting.end]))
    tree = cheapest(network.edge_tail, network.edge_head, network.edge_length_m, start, network.node_count)
    return float(tree.cost[end])


def _loss_s(setting: Setting, asked: Question, clock: NetClock, legs: Legs) -> np.ndarray:
    """Seconds of contact that each edge fails to give; in a net's window as counted when the quickest route passes."""
    if not clock.windows_s:
        return asked.loss_s
    passed_s = cheapest(legs.tail, legs.head, asked.time_s[legs.edge], legs.start, legs.size).cost[legs.tail]
    passed_s = passed_s.reshape(-1, len(asked.tail)).min(axis=0)
    counts = clock.weight(np.where(np.isfinite(passed_s), passed_s, 0.0) + asked.time_s / 2)
    return asked.loss_s + counts * (asked.time_s - asked.contact_s)


def _with_the_least_silent(setting: Setting, chosen: list[Timed], pool: list[Timed]) -> list[Timed]:
    """The choices, with the route that has the least time out of contact among them."""
    good = [t for t in pool if passes_via(setting, t)] or pool
    best = min(good, key=lambda t: (lost_s(t), t.ridden.effort_kj))
    least = min(chosen, key=lost_s)
    if lost_s(best) >= lost_s(least) - LEAST_BY_S:
        return chosen
    kept = chosen if len(chosen) < setting.ride.ride.choices else [t for t in chosen if t is not least]
    return sorted([*kept, with_check_in_halt(setting, best)], key=lambda t: t.ridden.effort_kj)


def route_reasons(chosen: Sequence[Timed]) -> list[str]:
    """One sentence for each route, cheapest first; of the one with the least time out of contact it says so."""
    reasons = ride_reasons(chosen)
    if len(chosen) < 2:
        return [f"{reasons[0]}, and the least time out of contact"]
    least = min(range(len(chosen)), key=lambda k: lost_s(chosen[k]))
    timed, before = chosen[least], chosen[least - 1]
    saved_s = _out_s(before) - _out_s(timed)
    if least and "tellingly" in reasons[least] and saved_s >= LEAST_BY_S:
        more_kj = words.whole(timed.ridden.effort_kj) - words.whole(before.ridden.effort_kj)
        reasons[least] = (
            f"{more_kj} kJ more than {letters(least)[-1]} for {words.minutes(saved_s)} minutes less of silence"
        )
    reasons[least] += ": the least time out of contact"
    return reasons


def _out_s(timed: Timed) -> float:
    """Expected seconds out of contact."""
    ridden = timed.ridden
    return ridden.ride_time_s - float(np.nansum(ridden.duration_s * ridden.chance))


def contact_bound(setting: Setting, departs: list[datetime]) -> Bound:
    """A figure that the contact of no such route can pass: each edge once, the best of them filled into the length."""
    limit_m = _limit_m(setting)
    asked = question(setting, Window("m", 0.0, 0.0, limit_m), bool(setting.nets))
    at_most = fill(asked.contact_s, asked.measure, limit_m)
    how = "each edge at most once, those with the most contact for their length filled into the longest length"
    return with_halt(at_most, how, planned_halt_s(setting.ride), setting.clock(departs[0]).length_s)
