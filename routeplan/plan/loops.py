"""Loops for a ride file: what the search is asked, and which of its answers are shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import numpy as np

from routeplan import search
from routeplan.errors import NoLoopError
from routeplan.plan import calm
from routeplan.plan.clock import NetClock
from routeplan.plan.ridefile import Ride
from routeplan.plan.setting import FASTEST_M_S, Progress, Setting
from routeplan.plan.timetable import Timed, planned_halt_s, time_route, with_check_in_halt
from routeplan.plan.words import seconds_between
from routeplan.ride.daylight import light_of_ride
from routeplan.roads.network import Network
from routeplan.roads.parallel import near_streets
from routeplan.search.choice import not_dominated
from routeplan.search.values import TradeOff

# What riders find absurd, priced in seconds out of contact; all judgement, all shown in the plan's figures.
TURN_PRICE_S = 8.0
REPEAT_PRICE_S_M = 0.12  # half a typical second a metre: ridden back only where it buys more than that
NEAR_PRICE_S_M = 0.12
NEAR_FOR_MOST = 0.4  # of both streets' lengths
SIDE_STREET_PRICE_S_M = 0.03  # residential and service streets, driven through only to fill the length
STRESS_PRICE_S_M = 0.05  # per unit of traffic stress above calm
WALK_PRICE = 0.6  # of each second on foot: pushing is no riding, in however good a coverage
LENGTH_PRICE_S_M = 0.02  # 1 km off the target weighs as much as 20 s out of contact
REST_OF_RIDE = 0.1  # with a net, a second out of contact outside its window weighs this much of one inside
BUDGET = 90_000_000  # label offers of a search: about five seconds on two cores
QUICK_BUDGET = 40_000_000  # a first look: under two
STRICT_SHARE = 0.4  # of the budget for loops without repeats; the rest where they leave little to choose
CALM_LOOPS = 60  # of a search with traffic as a third cost, timed
USUAL_M_S = 4.2  # mean speed of a loaded ride, for what daylight it has
ENOUGH = 3  # choices that need no loops with repeats beside them
VIA_GAIN_S = 3000.0  # what passing a wished place is worth to the search: more than any detour costs
SHARED_AT_MOST = 0.7
NOTICED = 0.04  # a rider notices this share of effort ...
HAIR = 0.01  # nobody notices this share of effort ...
TELLING = 0.05  # ... and everybody this much of a contact share
LITTLE = 0.02  # ... and does not notice this much of a contact share


@dataclass(frozen=True)
class Window:
    """What a loop's measure must be: metres, or seconds when a time budget is given."""

    measure: str  # "m" or "s"
    shortest: float
    target: float
    longest: float
    halt: float = 0.0  # of a time budget, what is left for the planned halt

    @property
    def reach_m(self) -> float:
        """How far from the start such a loop gets."""
        return self.longest / 2 * (1.0 if self.measure == "m" else FASTEST_M_S)


def loop_window(ride: Ride, departs: datetime) -> Window:
    """The window that length_km, hours or home_by ask for; of times, what the planned halt leaves for riding."""
    wish, tolerance = ride.ride, ride.ride.tolerance
    if wish.length_km is not None:
        target = wish.length_km * 1000.0
        return Window("m", target * (1 - tolerance), target, target * (1 + tolerance))
    if wish.hours is not None:
        whole_s = wish.hours * 3600.0
        shortest, target, longest = whole_s * (1 - tolerance), whole_s, whole_s * (1 + tolerance)
    else:
        assert wish.home_by is not None
        whole_s = seconds_between(departs, wish.home_by)
        shortest, target, longest = whole_s * (1 - 2 * tolerance), whole_s * (1 - tolerance), whole_s
    halt_s = min(planned_halt_s(ride), 0.5 * whole_s)
    return Window("s", max(0.0, shortest - halt_s), target - halt_s, longest - halt_s, halt_s)


@dataclass(frozen=True)
class Question:
    """The arrays of one search, on the graph in which roundabouts are places."""

    tail: np.ndarray
    head: np.ndarray
    measure: np.ndarray  # metres or seconds, as the window
    street: np.ndarray
    time_s: np.ndarray
    effort_kj: np.ndarray
    loss_s: np.ndarray  # seconds out of contact, and prices of side streets and traffic
    contact_s: np.ndarray
    stress_m: np.ndarray  # traffic stress above calm times metres: the third cost where it counts
    turns: np.ndarray
    turn_gain: np.ndarray
    banned: np.ndarray
    near: np.ndarray
    start: int


def question(setting: Setting, window: Window, with_net: bool) -> Question:
    """Put the setting's weights into the search's arrays."""
    graph, network = setting.graph, setting.network
    edge = graph.edge
    time_s, contact_s = setting.edge_time_s[edge], setting.edge_contact_s[edge]
    length_m = network.edge_length_m[edge] + graph.ring_length_m
    out_s = time_s - contact_s
    loss = (REST_OF_RIDE if with_net else 1.0) * out_s + side_street_m(setting)[edge] * SIDE_STREET_PRICE_S_M
    loss = loss + setting.edge_stress_m[edge] * STRESS_PRICE_S_M * setting.ride.rider.stress_weight
    loss = loss + setting.edge_walked_s[edge] * WALK_PRICE
    row_of = np.full(network.edge_count, -1)
    row_of[edge] = np.arange(len(edge))
    banned = row_of[network.banned_turns]
    street = network.edge_street_group[edge]
    turns = _turns(setting, edge, graph.tail, graph.head)
    into_via = _into(np.flatnonzero(np.isin(network.edge_street[edge], setting.via_streets)), graph.tail, graph.head)
    near = _near_groups(network)
    return Question(
        tail=graph.tail,
        head=graph.head,
        measure=length_m if window.measure == "m" else time_s,
        street=street,
        time_s=time_s,
        effort_kj=setting.edge_effort_kj[edge],
        loss_s=loss,
        contact_s=contact_s,
        stress_m=setting.edge_stress_m[edge],
        turns=np.concatenate([turns, into_via]),
        turn_gain=np.repeat([-TURN_PRICE_S, VIA_GAIN_S], [len(turns), len(into_via)]),
        banned=banned[(banned >= 0).all(axis=1)],
        near=near,
        start=int(graph.place[setting.start]),
    )


def _near_groups(network: Network) -> np.ndarray:
    """Pairs (k, 2) of street groups side by side for most of both: the price counts a street's whole length."""
    near = near_streets(network)
    share = near.length_m / np.maximum(network.street_length_m[near.streets], 1.0)
    pairs = network.street_group[near.streets[share.min(axis=1) >= NEAR_FOR_MOST]]
    return np.unique(pairs[pairs[:, 0] != pairs[:, 1]].reshape(-1, 2), axis=0)


def side_street_m(setting: Setting) -> np.ndarray:
    """Metres of each edge on residential and service streets."""
    from routeplan.roads.tags import KINDS

    ways = setting.network.ways
    side = np.isin(ways.kind, [KINDS.index("residential"), KINDS.index("service")])[setting.pieces.way]
    return setting.pieces.edge_sums(np.broadcast_to(side * setting.pieces.length_m, (2, len(side))))


def _turns(setting: Setting, edge: np.ndarray, tail: np.ndarray, head: np.ndarray) -> np.ndarray:
    """Pairs (m, 2) of rows of `edge` between which a rider turns by more than 45 degrees where one can choose."""
    heading_out = setting.pieces.heading_deg[_end_pieces(setting, edge, 0)]
    heading_in = setting.pieces.heading_deg[_end_pieces(setting, edge, 1)]
    order = np.argsort(tail, kind="stable")
    first = np.searchsorted(tail[order], np.arange(max(tail.max(), head.max()) + 2))
    count = first[head + 1] - first[head]
    into = np.repeat(np.arange(len(edge)), np.where(count > 2, count, 0))
    count = np.where(count > 2, count, 0)
    step = np.arange(len(into)) - np.repeat(np.cumsum(count) - count, count)
    out = order[first[head[into]] + step]
    change = np.abs((heading_out[out] - heading_in[into] + 180.0) % 360.0 - 180.0)
    other = setting.network.edge_street[edge[into]] != setting.network.edge_street[edge[out]]
    return np.column_stack([into, out])[(change > 45.0) & other]


def _into(rows: np.ndarray, tail: np.ndarray, head: np.ndarray) -> np.ndarray:
    """Every pair (m, 2) of an edge and one of `rows` that may follow it."""
    pairs = [np.column_stack([before, np.full(len(before), row)])
             for row in rows for before in [np.flatnonzero((head == tail[row]) & (tail != head[row]))]]  # fmt: skip
    return np.concatenate([np.zeros((0, 2), dtype=np.int64), *pairs])


def _end_pieces(setting: Setting, edge: np.ndarray, end: int) -> tuple[np.ndarray, np.ndarray]:
    """(way, piece) of the first (end 0) or last (end 1) piece of each edge."""
    network, pieces = setting.network, setting.pieces
    street, forward = network.edge_street[edge], network.edge_forward[edge]
    last = np.append(pieces.first[1:], len(pieces.point)) - 1
    at_begin = forward if end == 0 else ~forward
    return np.where(forward, 0, 1), np.where(at_begin, pieces.first[street], last[street])


Watch = Callable[[Callable[[], list[Timed]]], bool]  # is given the choices so far; False ends the search


def find_loops(
    setting: Setting,
    window: Window,
    departs: list[datetime],
    progress: Progress,
    watch: Watch | None = None,
    budget: int | None = None,
) -> list[Timed]:
    """Loops worth showing, cheapest in effort first. Raises NoLoopError with the nearest length that was found.

    budget : label offers that the searches of all departures share; None: BUDGET.
    """
    asked = question(setting, window, bool(setting.nets))
    departs = departs if setting.nets else [_lightest(setting, window, departs)]
    pool: list[Timed] = []
    looking = _Looking(setting, window, watch)
    for departure in departs:
        progress(f"looking for loops that leave at {departure:%H:%M}")
        pool += _pool(looking, asked, pool, departure, (budget or BUDGET) // len(departs))
        if looking.stopped:
            break
    return choose(setting, pool, window)


def _lightest(setting: Setting, window: Window, departs: list[datetime]) -> datetime:
    """Without a net only daylight tells departures apart: the first with the fewest seconds after lights are wanted."""
    if len(departs) == 1:
        return departs[0]
    assert setting.ride.start.position is not None
    latitude, longitude = setting.ride.start.position
    ride_s = window.target if window.measure == "s" else window.target / USUAL_M_S
    home_by = setting.ride.ride.home_by

    def dark_s(departure: datetime) -> tuple[bool, float]:
        late = home_by is not None and seconds_between(departure, home_by) < ride_s
        return late, light_of_ride(latitude, longitude, departure, ride_s).dark_s

    return min(departs, key=dark_s)


class _Looking:
    """A search that may be watched, and stopped by who watches."""

    def __init__(self, setting: Setting, window: Window, watch: Watch | None) -> None:
        self.setting, self.window, self.watch = setting, window, watch
        self.stopped = False

    def go_on(self, before: list[Timed], so_far: Callable[[], TradeOff], departure: datetime) -> bool:
        """Show the watcher a choice of the loops timed before and the best of those being looked for."""
        assert self.watch is not None
        setting = self.setting

        def choices() -> list[Timed]:
            found = so_far()
            few = search.distinct(found, 2 * setting.ride.ride.choices, SHARED_AT_MOST)
            timed = [_ridden(setting, found.edges[k], departure) for k in few]
            return choose(setting, [*before, *timed], self.window)

        self.stopped = not self.watch(choices)
        return not self.stopped


def _pool(looking: _Looking, asked: Question, before: list[Timed], departure: datetime, budget: int) -> list[Timed]:
    """Loops of one departure, timed: without repeats where there are such, else with priced ones."""
    setting, window = looking.setting, looking.window
    clock = setting.clock(departure)
    found: list[Timed] = []

    def watch(so_far: Callable[[], TradeOff]) -> bool:
        return looking.go_on([*before, *found], so_far, departure)

    def first_look(so_far: Callable[[], TradeOff]) -> bool:
        watch(so_far)
        return False

    told = None if looking.watch is None else watch
    if told is not None and not before and setting.ride.ride.repeat_share > 0:
        # Something to see at once: where loops without repeats are rare, the first of them takes a second to find.
        _search(setting, asked, window, clock, 1, may_repeat=True, watch=first_look)
    for_calm = int(calm.BUDGET_SHARE * budget) if calm.wanted(setting) else 0
    budget -= for_calm
    first = int(STRICT_SHARE * budget)
    strict = _search(setting, asked, window, clock, first, may_repeat=False, watch=told)
    found += [] if strict is None else _timed(setting, strict, departure)
    few = len(choose(setting, found, window)) < ENOUGH if found else True
    repeats = few and setting.ride.ride.repeat_share > 0
    if repeats and not looking.stopped:
        loose = _search(setting, asked, window, clock, budget - first, may_repeat=True, watch=told)
        found += [] if loose is None else _timed(setting, loose, departure)
    if not found:
        nearest = _nearest(setting, asked, window)
        if not isinstance(nearest, search.Loop):
            raise NoLoopError("no loop in the window", nearest)
        found.append(_ridden(setting, nearest.edges, departure))
    if for_calm and not looking.stopped and calm.worth_a_look(found):
        spread = _search(setting, asked, window, clock, for_calm, may_repeat=repeats, watch=told, third=asked.stress_m)
        few_calm = [] if spread is None else search.distinct(spread, CALM_LOOPS, 1.0)
        found += [] if spread is None else [_ridden(setting, spread.edges[k], departure) for k in few_calm]
    return found


def _nearest(setting: Setting, asked: Question, window: Window) -> search.Loop | float | None:
    """A loop of the window, whatever it costs; where there is none, the nearest measure that can be had nearby."""
    try:
        return search.best_loops(
            asked.tail,
            asked.head,
            asked.measure,
            np.zeros_like(asked.measure),
            asked.start,
            window.shortest,
            window.longest,
            street=asked.street,
            may_repeat=setting.ride.ride.repeat_share > 0,
            repeat_share_at_most=setting.ride.ride.repeat_share,
            banned_turns=asked.banned,
            target_length_m=window.target,
            length_gain_per_m=-1.0,
            budget=BUDGET // 10,
        ).loops[0]
    except NoLoopError as error:
        return error.nearest_length_m


def _search(
    setting: Setting,
    asked: Question,
    window: Window,
    clock: NetClock,
    budget: int,
    *,
    may_repeat: bool,
    watch: Callable[[Callable[[], TradeOff]], bool] | None = None,
    third: np.ndarray | None = None,
) -> TradeOff | None:
    try:
        find = posed(setting, asked, window, clock, may_repeat=may_repeat)
        return find(budget=budget, watch=watch, third=third)
    except NoLoopError:
        return None


def posed(
    setting: Setting, asked: Question, window: Window, clock: NetClock, *, may_repeat: bool
) -> Callable[..., TradeOff]:
    """`search.trade_off` for a question, with its prices; left to give are the budget, the time limit and so on."""
    return partial(
        search.trade_off,
        asked.tail,
        asked.head,
        asked.measure,
        asked.effort_kj,
        asked.loss_s,
        asked.start,
        window.shortest,
        window.longest,
        street=asked.street,
        may_repeat=may_repeat,
        time_s=asked.time_s,
        clock_gain=asked.contact_s if clock.windows_s else None,
        clock=clock.table(asked_longest_s(asked, window)) if clock.windows_s else None,
        banned_turns=asked.banned,
        turns=asked.turns,
        turn_gain=asked.turn_gain,
        repeat_gain_per_m=-REPEAT_PRICE_S_M,
        repeat_share_at_most=setting.ride.ride.repeat_share,
        near=asked.near,
        near_gain_per_m=-NEAR_PRICE_S_M,
        target_length_m=window.target,
        length_gain_per_m=-LENGTH_PRICE_S_M,
    )


def asked_longest_s(asked: Question, window: Window) -> float:
    """Longest time [s] such a loop can take: the slowest tenth of the streets for all its length."""
    if window.measure == "s":
        return window.longest
    with np.errstate(divide="ignore", invalid="ignore"):
        pace = asked.time_s / np.maximum(asked.measure, 1.0)
    return float(np.quantile(pace, 0.9)) * window.longest


def _timed(setting: Setting, found: TradeOff, departure: datetime) -> list[Timed]:
    """Every loop of a pool, put back on the network's edges and timed."""
    return [_ridden(setting, edges, departure) for edges in found.edges]


def _ridden(setting: Setting, edges: np.ndarray, departure: datetime) -> Timed:
    return time_route(setting, setting.graph.expand(edges, start=setting.start, end=setting.start), departure)


def choose(setting: Setting, pool: list[Timed], window: Window | None) -> list[Timed]:
    """A spread of rides: none passed by another, none sharing more than SHARED_AT_MOST with another.

    They spread over effort and contact; where traffic counts, the last place is for a calmer ride, if there is one.
    window : of loops, for the price of missing its target; None for rides to another place.
    """
    ride = setting.ride.ride
    kept = [t for t in pool if passes_via(setting, t)] or pool
    kept = [t for t in kept if t.nearby_share <= ride.nearby_share] or kept
    kept = [t for t in kept if t.ridden.repeated_m <= ride.repeat_share * t.ridden.length_m] or kept
    halt_s = planned_halt_s(setting.ride)
    if ride.home_by is not None:
        kept = [t for t in kept if seconds_between(t.departs, ride.home_by) >= t.ridden.ride_time_s + halt_s] or kept
    costs = np.array([(t.ridden.effort_kj + price_kj(t, window), lost_s(t)) for t in kept])
    telling = np.flatnonzero(_tells(kept, costs))
    network = setting.network
    spread = TradeOff(
        costs=costs[telling],
        edges=tuple(kept[k].ridden.edges for k in telling),
        length_m=np.array([kept[k].ridden.length_m for k in telling]),
        repeated_m=np.array([kept[k].ridden.repeated_m for k in telling]),
        price=np.zeros(len(telling)),
        non_dominated=not_dominated(costs[telling]),
        street=tuple(np.unique(network.edge_street[kept[k].ridden.edges]) for k in telling),
        street_length_m=network.street_length_m,
        stopped=False,
    )
    chosen = telling[search.distinct(spread, 3 * ride.choices, SHARED_AT_MOST)].tolist()
    traffic = calm.wanted(setting)
    chosen = _unpassed(kept, chosen, traffic)[: ride.choices]
    shown = [kept[k] for k in chosen]
    if traffic:
        calmer = calm.calm_choice(setting, kept, costs, shown, costs[chosen], SHARED_AT_MOST)
        shown = shown if calmer is None else [*shown[: ride.choices - 1], calmer]
    timed = [with_check_in_halt(setting, t) for t in shown]
    timed = [timed[k] for k in _unpassed(timed, list(range(len(timed))), traffic)]
    return sorted(timed, key=lambda t: t.ridden.effort_kj)


def _unpassed(timed: list[Timed], rows: list[int], traffic: bool) -> list[int]:
    """Rows that no other of them passes in what is shown, nor gives a telling contact more for a hair's effort.

    traffic : whether a ride that is noticeably calmer is not passed.
    """

    def passes(j: int, k: int) -> bool:
        o, t = timed[j], timed[k]
        effort, share = o.ridden.effort_kj, o.figures.share
        if traffic and calm.less_busy_m(t, o):
            return False
        better = effort <= t.ridden.effort_kj and share >= t.figures.share
        if better and effort == t.ridden.effort_kj and share == t.figures.share:
            return j < k  # of equal ones the first stays
        return better or (effort <= (1 + HAIR) * t.ridden.effort_kj and share >= t.figures.share + TELLING)

    return [k for k in rows if not any(j != k and passes(j, k) for j in rows)]


def _tells(timed: list[Timed], costs: np.ndarray) -> np.ndarray:
    """Rides (n,) worth a look: no other costs NOTICED less and gives as much contact, within LITTLE of a share."""
    share = np.array([t.figures.share for t in timed])
    cheaper = costs[:, 0][None, :] < (1 - NOTICED) * costs[:, 0][:, None]
    as_good = share[None, :] > share[:, None] - LITTLE
    return np.asarray(~(cheaper & as_good).any(axis=1))


def passes_via(setting: Setting, timed: Timed) -> bool:
    """Whether a ride passes every wished place."""
    return bool(np.isin(setting.via_streets, setting.network.edge_street[timed.ridden.edges]).all())


def lost_s(timed: Timed) -> float:
    """What a loop fails to give: net seconds without contact, else seconds of the ride without."""
    figures = timed.figures
    ridden_out_s = timed.ridden.ride_time_s - float(np.nansum(timed.ridden.duration_s * timed.ridden.chance))
    if timed.clock.windows_s:
        return figures.counted_s - figures.contact_s + REST_OF_RIDE * ridden_out_s
    return ridden_out_s


def price_kj(timed: Timed, window: Window | None) -> float:
    """The prices of turns, repeats and nearness as effort, at the loop's own mean power."""
    ridden = timed.ridden
    seconds = timed.turns * TURN_PRICE_S + ridden.repeated_m * REPEAT_PRICE_S_M + timed.nearby_m * NEAR_PRICE_S_M
    seconds += float(ridden.duration_s[ridden.walking].sum()) * WALK_PRICE
    if window is not None:
        measure = ridden.length_m if window.measure == "m" else ridden.ride_time_s
        seconds += abs(measure - window.target) * LENGTH_PRICE_S_M
    return seconds * ridden.effort_kj / max(ridden.ride_time_s, 1.0)
