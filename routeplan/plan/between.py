"""Routes from here to there: the least time out of contact, the least effort, and what lies between.

Places under `via` are passed in their order: the search runs on one copy of the streets for each of them and one more,
and a street with such a place leads from its copy to the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

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
TIMED_AT_MOST = 600  # routes that are ridden in full
LEAST_BY_S = 60.0  # by so much less time out of contact the best route is shown, however like another it is


def find_routes(setting: Setting, departs: list[datetime], progress: Progress) -> tuple[list[Timed], list[str]]:
    """Routes worth showing, cheapest in effort first, and notes on how they were found.

    Raises UnreachableError where no way leads to the end, or none within the length.
    """
    limit_m = _limit_m(setting)
    asked = question(setting, Window("m", 0.0, 0.0, limit_m), bool(setting.nets))
    legs = _legs(setting, asked)
    pool: list[Timed] = []
    notes: list[str] = []
    for departure in departs:
        progress(f"looking for routes that leave at {departure:%H:%M}")
        costs = np.column_stack(
            [asked.measure, _loss_s(setting, asked, setting.clock(departure), legs), asked.effort_kj]
        )
        found = _front(setting, asked, legs, costs, limit_m)
        notes += _how(found)
        pool += [
            time_route(setting, setting.graph.expand(legs.edge[edges], start=setting.start, end=setting.end), departure)
            for edges in found.edges
        ]
    if setting.nets:
        notes.append("contact in the net's window was taken at the quickest route's passing times, then reckoned anew")
    return _with_the_least_silent(setting, choose(setting, pool, None), pool), list(dict.fromkeys(notes))


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


def _front(setting: Setting, asked: Question, legs: Legs, costs: np.ndarray, limit_m: float) -> search.ParetoResult:
    """Every route that no other passes in length, loss and effort; or within the first of EPSILONS that serves."""
    for epsilon in EPSILONS:
        try:
            found = search.pareto_routes(
                legs.tail, legs.head, costs[legs.edge], legs.start, legs.end,
                limit=limit_m, epsilon=epsilon, time_limit_s=WITHIN_S, banned_turns=legs.banned,
            )  # fmt: skip
        except UnreachableError:
            raise _unreachable(setting, asked, legs, limit_m) from None
        if found.complete and len(found.edges) <= TIMED_AT_MOST:
            break
    return found


def _how(found: search.ParetoResult) -> list[str]:
    """What must be said of a set that is not whole."""
    if not found.complete:
        return ["the whole set of routes would take too long: these are the ones found in the time there was"]
    if found.epsilon:
        return [
            f"the whole set of routes is too large: every other is within {found.epsilon:.1%} of one that was looked at"
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
