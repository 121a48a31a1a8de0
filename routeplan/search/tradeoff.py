"""Loops on the trade-off of two or three costs, and the choice of a few that differ.

Weighted sums are searched two at a time, first at the corners, then across the gaps of the front. In a large ball:
by sweeps over everything from the start and from the end in turn, each guided by the one before and the first by
earlier sums, and a short local search. In a small ball all its loops are looked at, many at a time, where it is narrow
enough to be carved up (see carving): below the side of the front's hull over its largest gap, as deep as that is bent
inwards. There and in other small balls good loops are tightened, merged, and the best on all their streets are found,
where it is not carved up below a limit of the first cost in gaps of the front. Every loop met is kept if no other
passes it, or as a reserve that shares little with others. Where a ball has few loops, every one is looked at instead.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import pairwise, zip_longest
from queue import SimpleQueue
from typing import Any

import numpy as np

from routeplan.errors import NoLoopError
from routeplan.search.values import TradeOff, shared_share

BUDGET = 100_000_000  # label offers; some seconds on two cores
RESERVE, GIVEN = 400, 100  # loops kept beside those that none passes; of them given in the end
SHARE = 400_000  # label offers of one local search, at most
BUCKETS, GUIDED = (50, 100, 200), (200, 400)  # of a loop's length, in the sweeps of one sum; guided from the first on
FINER, FINER_GUIDED, FINER_FROM = (100, 200, 400), (133, 267, 400), 16  # and from this sum on
ROUGH = (10, 20, 40)  # and in a small ball, of which there are more by engine.finer
ANEW = 8  # of so many finer sums two begin unguided
FIRST, FIRST_SLACK, SLACK = 4, 0.1, 0.02  # of a sum: how far behind the best loop the first so many look, and others
ALIKE, NEAREST = 0.5, 3  # log of the weights' ratio in which labels replace others; how many kept ones guide a sweep
BAND = 0.02  # of the first cost's range: one loop for each where sweeps meet
LIKE, OTHER, SHARED = 5, 4, 0.85  # merged in a small ball: the best, and some that share less of their streets
POOL = 40  # loops known that they are chosen from
TIGHTENED = 2  # times that the best of them is tightened, the others once
WORTHS, SIZES = (0.5, 1.1), (0.7, 1.5)  # there: of a metre, in a good loop's; of the stretches, in usual ones
BEHIND, NARROW, TOGETHER = 0.03, 0.1, 100  # put together: how far behind the best; of BAND; loops at most
SWEPT = 2  # of so many sums after the first ones of a small ball that is not carved up one is swept over everything
DEEP = 0.1  # of the costs' ranges: how far behind the best loop of its sum a gap of the front is bent inwards
LIMITS, STEEPER = (0.05, 0.6), 10.0  # there: of the gap, below its end; how much more the second cost counts
REPEAT_PRICES = (0.0, 0.3, 0.6)  # by turns, of a metre ridden again, in a good loop's; small balls: swept, merged only
FROM_LIMIT = 0.8  # from so much of the limit on
END, END_WEIGHT = 0.005, 0.08  # search beyond an end of the front: as wide as a gap of so much, with weights up to this
AHEAD = 3  # sums begun before the first of them is looked at
ANY_SHARE = 6_000_000  # of the search for any loop at all, where no sweep closes one
LISTED, LISTING = 3_000, 2_000_000  # loops of a small ball that are looked at one by one; steps that look for them
FIRST_WHOLE_SLACK, WHOLE_SLACK = 0.001, (0.01, 0.06)  # there: in the first sums; in others, as deep as a gap is bent
LIKELY = 0.01  # there: how far loops may be behind those known, of which each sum but the first ones knows
LEANING = 3.0  # there: of weights beside those of a side, where it is being searched already
PAINS, FADING = 3, 2.0  # there: at most, one for each time that a gap was tried; how fast that makes a gap matter less
LATER, MERGED = 8, 2  # there: from this sum on good loops are merged, in so many sums once and where a gap was tried
CLOSINGS = 12  # loops taken from one sweep
# of a carved ball, streets twice: edges across by pieces and by streets crossed both ways, see carving.ways_of
WIDEST_TWICE = (63, 63), (63, 63, 10), (63, 12, 10), (20,)

Watch = Callable[[Callable[[], TradeOff]], bool]
_Met = tuple[list[np.ndarray], int, list[Any]]  # walks, label offers, labels of both sides


def trade_off(
    tail: Any,
    head: Any,
    length_m: Any,
    effort: Any,
    loss: Any,
    start: int,
    shortest_m: float,
    longest_m: float,
    *,
    third: Any = None,
    street: Any = None,
    may_repeat: bool = False,
    time_limit_s: float | None = None,
    seed: int = 0,
    time_s: Any = None,
    clock_gain: Any = None,
    clock: tuple[float, float, Any] | None = None,
    banned_turns: Any = None,
    turns: Any = None,
    turn_gain: Any = None,
    repeat_gain_per_m: float = 0.0,
    repeat_share_at_most: float = 1.0,
    near: Any = None,
    near_gain_per_m: float = 0.0,
    target_length_m: float | None = None,
    length_gain_per_m: float = 0.0,
    effort_per_price: float | None = None,
    budget: int | None = None,
    threads: int | None = None,
    watch: Watch | None = None,
) -> TradeOff:
    """Loops that are good for some exchange of effort against loss, as many as were found.

    effort, loss, third : (e,) costs >= 0 of every passage, the second one too; `loss` in seconds out of contact
    clock_gain   : taken off the loss by the time of passing (see best_loops)
    turn_gain, repeat_gain_per_m, near_gain_per_m, length_gain_per_m : as in best_loops; prices are negative, in the unit
                   of `loss`. They steer the search and are reported apart, in TradeOff.price
    effort_per_price : effort that one unit of price is worth; None: the mean effort of a second of riding where time_s
                   is given, else of a unit of loss
    watch        : called after each weighted sum with a function that gives the loops found so far; answering False
                   ends the search. A first time it is called with loops drawn quickly, which do not enter the search
    The other arguments are those of best_loops. `TradeOff.costs` holds the plain costs without prices; loops marked
    non_dominated are not passed in all costs by another one, with prices nor without.
    Raises InputError, and NoLoopError with the nearest length that was found."""  # noqa: E501
    from routeplan.search import engine
    from routeplan.search.nearest import ball_of_loops, no_loop

    deadline = engine.Deadline(time_limit_s)
    per_edge = {"effort": effort, "loss": loss} | ({} if third is None else {"third": third})
    ball, cut = ball_of_loops(
        tail, head, length_m, start, shortest_m, longest_m, repeat_share_at_most=repeat_share_at_most,
        street=street, may_repeat=may_repeat, banned_turns=banned_turns, turns=turns, turn_gain=turn_gain, near=near,
        time_s=time_s, clock_gain=clock_gain, clock=clock, per_edge=per_edge, at_least_zero=True,
    )  # fmt: skip
    net = ball.fine
    costs = np.stack(list(cut.values()), axis=1)
    if effort_per_price is None:
        unit = net.time.sum() if time_s is not None else costs[:, 1].sum()
        effort_per_price = float(costs[:, 0].sum() / unit) if unit > 0 else 0.0
    again = repeat_gain_per_m * net.length
    plain = engine.Objective(
        np.zeros(ball.net.tail.size), ball.summed(again), float(shortest_m), float(longest_m),
        float(near_gain_per_m), float(target_length_m or 0.0),
        -abs(float(length_gain_per_m)) if target_length_m is not None else 0.0,
        bool(may_repeat), repeat_share_at_most * float(longest_m), np.zeros(net.tail.size), again,
    )  # fmt: skip
    front = _Front(ball, costs, plain, effort_per_price, repeat_share_at_most, engine.Space(ball))
    if watch is not None:
        quick = _first_look(front, seed)
        if quick.kept and not watch(quick.so_far):
            return quick.result(True, 0)
    spent = _search(front, seed, budget or engine.usual_budget(ball, BUDGET), deadline, threads, watch)
    if not front.kept:
        network = {"tail": tail, "head": head, "length_m": length_m, "street": street, "banned_turns": banned_turns}
        raise no_loop(ball, plain, front.space.work(0), start, network=network, complete=front.complete)
    front.thin(GIVEN)
    return front.result(deadline.stopped, spent)


@dataclass(eq=False)
class _Found:
    joined: np.ndarray  # edges of the joined net
    walk: np.ndarray  # edges of the fine net
    costs: np.ndarray  # plain
    priced: np.ndarray  # with the prices
    length_m: float
    repeated_m: float
    price: float
    streets: np.ndarray


class _Front:
    """Loops met so far, and the weighted sums to search next."""

    def __init__(self, ball, costs, plain, effort_per_price, share, space) -> None:
        from routeplan.search import engine

        self.ball, self.edge_costs, self.plain, self.space, self.share = ball, costs, plain, space, share
        self.effort_per_price = effort_per_price
        self.kept: dict[bytes, _Found] = {}
        self.labels: tuple[list[Any], list[Any]] = ([], [])  # (log of the weights' ratio, labels), by side
        self.least_home: tuple[np.ndarray, np.ndarray] | None = None  # of the labels kept
        self.complete = False  # every loop there is was looked at
        self.seen: set[bytes] = set()
        self.same: dict[bytes, list[bytes]] = {}  # keys of loops kept, by their streets
        self.tried: Counter[tuple[bytes, bytes]] = Counter()  # how often a gap between two loops was searched
        self.looked: Counter[tuple[bytes, bytes]] = Counter()  # and how often that was looked at
        self.back = _backs(ball.net)
        self.finer = engine.finer(float(ball.room_m(plain.longest_m).sum()), plain.longest_m)
        self.small = self.finer > 1.0
        self.joined_costs = np.stack([ball.summed(c) for c in costs.T], axis=1)
        self.first_cost = self.joined_costs[:, 0] - effort_per_price * ball.turns_inside
        self.ways: Any = None  # every loop of a small ball, where it is narrow enough
        self.no_clock = ball.fine._replace(clock_sum=np.zeros(1))
        self.per_price = np.array([effort_per_price, 1.0, 0.0][: costs.shape[1]])
        length = max(ball.fine.length.sum(), 1.0)
        self.first_scale = np.maximum(costs.sum(axis=0) / length * plain.middle_m, 1e-9)
        self.street_length = np.zeros(ball.fine.near_first.size - 1)
        self.street_length[ball.fine.street] = ball.fine.length

    def keep_labels(self, w: np.ndarray, labels: Sequence[Any]) -> None:
        """Keep labels of both sides as guides; newer ones take the place of those for much the same weights."""
        self.least_home = None
        ratio = float(np.log(w[0] / w[1]))
        for kept, new in zip(self.labels, labels, strict=True):
            kept[:] = [*(old for old in kept if abs(old[0] - ratio) > ALIKE), (ratio, new)]

    def labels_near(self, w: np.ndarray, side: int) -> list[Any]:
        """Labels of one side for the nearest weights."""
        if w.size > 2:
            return []
        ratio = float(np.log(w[0] / w[1]))
        return [labels for _, labels in sorted(self.labels[side], key=lambda kept: abs(kept[0] - ratio))[:NEAREST]]

    def aside(self, w: np.ndarray, most: float) -> Any:
        """The first cost with its prices, summed up in the sweeps of a sum, and a limit of it."""
        from routeplan.search import engine

        if most < np.inf and self.least_home is None:
            sides = [[labels for _, labels in side] for side in self.labels]
            self.least_home = engine.least_home((self.ball, self.turned), self.plain, self.first_cost, sides)
        per_gain = self.effort_per_price / float(w @ self.per_price)
        return engine.Aside(self.first_cost, per_gain, most, self.least_home or () if most < np.inf else ())

    def carved(self, threads: int | None) -> Any:
        """Every loop at once, where the ball is narrow enough."""
        from routeplan.search import carving

        plain, net = self.plain, self.ball.net
        widest = WIDEST_TWICE if plain.repeats else carving.WIDEST
        again_per_m = float(plain.again.sum() / max(net.length.sum(), 1.0))
        return carving.ways_of(net, plain.repeats, plain.near_gain_per_m, again_per_m, widest=widest, threads=threads)

    def scale(self) -> np.ndarray:
        """Range of each cost over the loops that none passes; before there are two, the typical cost of a loop."""
        best = self.unpassed()
        if len(best) < 2:
            return self.first_scale
        priced = np.stack([f.priced for f in best])
        span = priced.max(axis=0) - priced.min(axis=0)
        return np.maximum(span, 0.02 * self.first_scale)

    @cached_property
    def passing_s(self) -> tuple[np.ndarray, np.ndarray]:
        """(e,) seconds from the start on when a loop of the usual length passes each edge: earliest and latest."""
        ball, net = self.ball, self.ball.net
        if net.clock_sum.size == 1:
            return np.zeros(net.tail.size), np.zeros(net.tail.size)
        pace = float(net.time.sum() / max(net.length.sum(), 1.0))
        usual_s = pace * self.plain.middle_m
        return pace * ball.out_m[net.tail], usual_s - pace * ball.back_m[net.head]

    @cached_property
    def turned(self) -> Any:
        """The ball for walks read from their end."""
        from routeplan.search import engine

        return engine.from_end(self.ball, self.plain)

    def priced(self, ball: Any, w: np.ndarray) -> Any:
        """A ball with the clock and the turns of a weighted sum."""
        net = ball.net
        price = float(w @ self.per_price)
        return replace(ball, net=net._replace(clock_gain=net.clock_gain * w[1], turn_gain=net.turn_gain * price))

    def objective(self, w: np.ndarray, away: np.ndarray | None = None) -> Any:
        """The sum weighted by `w` (of each unit of cost) as gains; `away`: streets that cost a third more of a typical
        cost."""
        cost = self.joined_costs @ w
        net = self.ball.net
        price = float(w @ self.per_price)
        if away is not None:
            typical = cost.sum() / max(net.length.sum(), 1.0)
            cost = cost + 0.6 * typical * self.ball.summed(self.ball.fine.length * away[self.ball.fine.street])
        cost = cost - price * self.ball.turns_inside
        again = -cost + price * self.plain.again
        return replace(
            self.plain, gain=-cost, again=again, near_gain_per_m=price * self.plain.near_gain_per_m,
            pull_per_m=price * self.plain.pull_per_m,
        )  # fmt: skip

    def add(self, walks: list[np.ndarray]) -> None:
        """Measure new walks and keep them, or not."""
        from routeplan.search import engine

        plain, ball = self.plain, self.ball
        turned = [self.back[walk[::-1]].astype(np.int32) for walk in walks]
        named = {walk.tobytes(): walk for walk in [*walks, *(walk for walk in turned if (walk >= 0).all())]}
        new = {key: walk for key, walk in named.items() if key not in self.seen}
        self.seen.update(new)
        fine = [ball.expanded(walk) for walk in new.values()]
        work = self.space.work(engine.CHAINS)  # not one that a sum is being searched in
        both, length, repeated, _, faults = engine.measured(
            ball.fine, plain.fine_gain, plain.fine_again, plain.rules(), fine, work).T  # fmt: skip
        price = engine.measured(self.no_clock, plain.fine_gain, plain.fine_again, plain.rules(), fine, work)[:, 0]
        allowed = (faults == 0) & (plain.shortest_m <= length) & (length <= plain.longest_m)
        allowed &= repeated <= (self.share * length if plain.repeats else 0.0)
        for i, (key, joined) in enumerate(new.items()):
            if not allowed[i]:
                continue
            costs = self.edge_costs[fine[i]].sum(axis=0)
            costs[1] -= both[i] - price[i]
            streets = np.unique(ball.fine.street[fine[i]])
            found = _Found(
                joined, fine[i], costs, costs - price[i] * self.per_price, float(length[i]), float(repeated[i]),
                -float(price[i]), streets,
            )  # fmt: skip
            name = streets.tobytes()
            rivals = [k for k in self.same.get(name, []) if k in self.kept]
            if any((self.kept[k].priced <= found.priced).all() for k in rivals):
                continue
            for k in [k for k in rivals if (found.priced <= self.kept[k].priced).all()]:
                del self.kept[k]
            self.same[name] = [k for k in rivals if k in self.kept] + [key]
            self.kept[key] = found
        if len(self.kept) > 2 * RESERVE:
            self.thin(RESERVE)

    def thin(self, most: int) -> None:
        """Keep what none passes, and of the rest those least behind, so many in all."""
        names = list(self.kept)
        priced = np.stack([self.kept[n].priced for n in names])
        scale = self.scale()
        behind = _behind(priced / scale)
        order = np.argsort(behind, kind="stable")
        keep = [i for rank, i in enumerate(order) if behind[i] <= 0 or rank < most]
        self.kept = {names[i]: self.kept[names[i]] for i in sorted(keep)}

    def unpassed(self) -> list[_Found]:
        """Loops that no other passes, with prices, sorted by the first cost."""
        found = list(self.kept.values())
        if not found:
            return []
        mask = not_dominated(np.stack([f.priced for f in found]))
        return sorted((f for f, m in zip(found, mask, strict=True) if m), key=lambda f: tuple(f.priced))

    def within(self, most: float) -> list[_Found]:
        """Loops whose first cost is within a limit."""
        return [f for f in self.kept.values() if f.priced[0] <= most]

    def best(self, w: np.ndarray, away: np.ndarray | None, most: float) -> list[_Found]:
        """The best loops so far for a sum within a limit, best first: two to begin from, more to be merged."""
        found = self.within(most)
        value = np.array([f.priced @ w for f in found])
        if away is not None:
            shared = np.array([self.street_length[f.streets] @ away[f.streets] for f in found])
            value = value + 0.6 * shared / np.array([f.length_m for f in found])
        order = np.argsort(value, kind="stable")
        return [found[i] for i in order[: POOL if self.small else 2]]

    def worth_per_m(self, w: np.ndarray, found: Iterable[_Found]) -> float:
        """What a metre of the best of some loops is worth, below 0; where there is none, of the streets on average."""
        streets = float(self.edge_costs.sum(axis=0) @ w) / max(float(self.ball.fine.length.sum()), 1.0)
        return -min((float(f.priced @ w) / f.length_m for f in found), default=streets)

    def so_far(self) -> TradeOff:
        return self.result(False, 0)

    def result(self, stopped: bool, steps: int) -> TradeOff:
        found = sorted(self.kept.values(), key=lambda f: (*f.costs, *f.walk.tolist()))
        plain = np.stack([f.costs for f in found])
        mask = not_dominated(np.stack([f.priced for f in found]))
        mask[mask] = not_dominated(plain[mask])
        return TradeOff(
            plain, tuple(self.ball.edge[f.walk] for f in found), np.array([f.length_m for f in found]),
            np.array([f.repeated_m for f in found]), np.array([f.price for f in found]), mask,
            tuple(f.streets for f in found), self.street_length, stopped, steps,
        )  # fmt: skip


FIRST_LOOK, FIRST_TRIES = 4, 40


def _first_look(front: _Front, seed: int) -> _Front:
    """Loops drawn within a tenth of a second, for who watches; the search itself begins without them."""
    from routeplan.search import engine

    quick = _Front(front.ball, front.edge_costs, front.plain, front.effort_per_price, front.share, front.space)
    k = front.edge_costs.shape[1]
    w = np.full(k, 1.0 / k) / quick.scale()
    objective, ball = quick.objective(w), quick.priced(quick.ball, w)
    for look in range(FIRST_LOOK):
        number = (seed + 1) * 7919 + look
        quick.add(engine.polygons(ball, objective, quick.space.work(0), number, FIRST_TRIES))
        if len(quick.kept) > 2:
            break
    return quick


def _backs(net: Any) -> np.ndarray:
    """Edge (e,) the other way along the same street, -1 where there is none."""
    order = np.lexsort((np.arange(net.tail.size), net.street))
    a, b = order[:-1], order[1:]
    pair = (net.street[a] == net.street[b]) & (net.tail[a] == net.head[b]) & (net.head[a] == net.tail[b])
    back = np.full(net.tail.size, -1, np.int64)
    back[a[pair]], back[b[pair]] = b[pair], a[pair]
    return back


@dataclass(frozen=True, eq=False)
class _Sum:
    """One weighted sum to search, and from which loops."""

    w: np.ndarray  # of each unit of cost
    away: np.ndarray | None
    aside: Any  # the first cost, and its limit
    band: float  # of the first cost, where sweeps meet
    seeds: list[np.ndarray]  # best first
    repeat_price_m: float  # of a metre ridden again, so that the limit is not used up early
    buckets: Sequence[float]  # of the longest length, in its sweeps; none: it does without
    merged: bool  # good loops are merged
    slack: float
    known: np.ndarray | None  # loops that none passes, and what they come to: see carving.best_of
    pains: int  # see there
    gap: tuple[bytes, bytes]  # of the front, for which its weights were chosen
    before: Sequence[Any]  # labels that guide its first sweep
    worth_per_m: float  # of a good loop
    first: int  # 1: the first sweep begins at the end
    number: int


def _search(
    front: _Front, seed: int, budget: int, deadline: Any, threads: int | None, watch: Watch | None = None
) -> int:
    """Every loop where they are few, else weighted sums until budget or time is spent; returns label offers spent.

    A sum begins once all but the last few before it have been looked at, in their order: so two are always searched at
    once, and what each knows does not depend on which ends first."""
    from routeplan.search import engine, exact

    listed = exact.list_loops(front.ball, front.plain, LISTED, deadline=deadline, steps=LISTING)
    if listed.complete:
        front.add(listed.walks)
        front.complete = True
        return listed.steps
    if front.small:
        front.ways = front.carved(threads)
    random = np.random.default_rng(seed)
    share = max(min(budget // 24, SHARE), 1)
    free: SimpleQueue[int] = SimpleQueue()
    for chain in range(engine.CHAINS):
        free.put(chain)

    def over() -> bool:
        return bool(front.kept) and deadline.passed()

    def searched(one: _Sum) -> _Met:
        if over():
            return [], 0, []
        chain = free.get()
        try:
            return _one(front, one, chain, share, deadline)
        finally:
            free.put(chain)

    spent, number, looked = listed.steps, 0, 0
    begun: deque[tuple[_Sum, Callable[[], _Met]]] = deque()
    with ThreadPoolExecutor(engine.CHAINS) as pool:
        while True:
            first_blind = front.small and front.ways is None  # there the first sums need know nothing
            knows = front.kept if looked >= engine.CHAINS else first_blind
            ahead = AHEAD if knows else engine.CHAINS - looked
            while len(begun) < ahead and spent < budget and not over():
                one = _next_sum(front, random, number, seed)
                begun.append((one, partial(searched, one) if threads == 1 else pool.submit(searched, one).result))
                number += 1
            if not begun:
                break
            one, result = begun.popleft()
            walks, done, labels = result()
            looked += 1
            front.looked[one.gap] += 1
            spent += max(done, 1)
            front.add(walks)
            if labels and one.away is None and one.aside.most == np.inf:
                front.keep_labels(one.w, labels)
            if looked >= engine.CHAINS and not front.kept and not begun:  # none is searched, so the space is free
                spent += _any_loop(front, seed, budget - spent, deadline, threads)
                if not front.kept:
                    break
            if watch is not None and front.kept and not watch(front.so_far):
                deadline.stopped = True
                break
    return spent


def _one(front: _Front, one: _Sum, chain: int, share: int, deadline: Any) -> _Met:
    """Loops met for one weighted sum, label offers spent, and the last labels of sweeps over everything."""
    from routeplan.search import engine

    objective = front.objective(one.w, one.away)
    balls = front.priced(front.ball, one.w), front.priced(front.turned, one.w)
    swept = replace(objective, again=objective.again - one.repeat_price_m * front.ball.net.length)
    met: list[np.ndarray] = []
    labels: list[Any] = []
    spent = 0
    if front.ways is not None:
        walks, done = _best_of_all(front, one, balls[0], swept, chain, deadline)
        met += walks
        spent += done
    if one.buckets and not met:
        met, done = engine.both_ways(
            balls, swept, [swept.longest_m / number for number in one.buckets], first=one.first, slack=one.slack,
            known=one.seeds[:1], weights=one.w, before=one.before, worth_per_m=one.worth_per_m, aside=one.aside,
            band_width=one.band, most=CLOSINGS, space=front.space, chain=chain,
        )  # fmt: skip
        spent += done
        labels = front.space.labels(chain, one.w, one.worth_per_m) if one.w.size == 2 else []
        if one.aside.most == np.inf:  # a local search knows no limit
            local = engine.Chain(balls[0], objective, front.space, chain, one.number)
            spent += _polished(local, [*met[:2], *one.seeds[:2]], share, deadline)
            met += local.found
    if one.merged and (one.seeds or met) and not deadline.passed():
        walks, done = _merged(front, one, balls[0], swept, [*one.seeds, *met], chain, deadline)
        met += walks
        spent += done
    return met, spent, labels


def _best_of_all(
    front: _Front, one: _Sum, ball: Any, objective: Any, chain: int, deadline: Any
) -> tuple[list[np.ndarray], int]:
    """The best of all loops of a small ball, and label offers spent; the clock is read when other loops pass."""
    from routeplan.search import carving, engine, union

    timed = union.by_the_clock(ball.net, one.seeds, *front.passing_s)
    best = -np.inf
    if one.seeds and ball.net.clock_sum.size == 1:
        best = float(engine.values(ball.net, objective, one.seeds[:1], front.space.work(chain))[0])
    walks, spent = carving.best_of(
        front.ways, replace(objective, gain=objective.gain + timed, again=objective.again + timed), aside=one.aside,
        least=best, slack=one.slack, band_width=NARROW * one.band, most=TOGETHER,
        scale=float(one.w @ front.per_price), known=one.known, share=float(one.w[0]), pains=one.pains,
        over=deadline.passed,
    )  # fmt: skip
    return walks or [], spent


def _merged(
    front: _Front, one: _Sum, ball: Any, swept: Any, known: list[np.ndarray], chain: int, deadline: Any
) -> tuple[list[np.ndarray], int]:
    """Good loops tightened, merged, and the best on all their streets; label offers spent."""
    from routeplan.search import engine, union

    own = front.space.work(chain)
    value = engine.values(ball.net, swept, known, own)
    chosen, others = _to_merge(ball.net, known, value)
    worth_per_m = float(value.max() / ball.net.length[chosen[0]].sum())
    dice = np.random.default_rng(one.number)
    close: list[np.ndarray] = []
    spent = 0
    for walk in [chosen[0]] * TIGHTENED + others:
        worth, size = dice.uniform(*WORTHS) * worth_per_m, dice.uniform(*SIZES)
        walks, offers = engine.tightened(ball, swept, walk, worth, size, own)
        close += walks
        spent += offers
    lasting = [w for w in close if swept.shortest_m <= ball.net.length[w].sum() <= swept.longest_m]
    if deadline.passed():
        return lasting, spent
    met, offers = engine.merged(
        ball, swept, chosen, close, first=one.first, slack=SLACK, worth_per_m=worth_per_m, aside=one.aside,
        band_width=one.band, most=CLOSINGS, space=front.space, chain=chain,
    )  # fmt: skip
    met += lasting
    spent += offers
    if deadline.passed():
        return met, spent
    by_turns = [walk for pair in zip_longest(chosen, close) for walk in pair if walk is not None]
    walks, offers = union.loops_on(
        ball, swept, by_turns, aside=one.aside, least=float(value[0]), slack=BEHIND, band_width=NARROW * one.band,
        most=TOGETHER,
    )  # fmt: skip
    return met + walks, spent + offers


def _polished(local: Any, walks: list[np.ndarray], share: int, deadline: Any) -> int:
    """A local search from the best of some walks; label offers spent."""
    best, most = None, -np.inf
    for walk in walks:
        local.put(walk)
        if local.counts[0] and local.values.max() > most:
            best, most = walk, float(local.values.max())
    if best is None:
        return 0
    local.put(best)
    return local.polish(share, deadline)


def _to_merge(net: Any, walks: list[np.ndarray], value: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """The best few of some loops and a few more that differ, best first; those of them that differ from the best."""
    chosen: dict[bytes, tuple[np.ndarray, set[int]]] = {}
    for k in np.argsort(-value, kind="stable").tolist():
        walk, streets = walks[k], set(net.street[walks[k]].tolist())
        if len(chosen) < LIKE or all(_differ(streets, other) for _, other in chosen.values()):
            chosen.setdefault(walk.tobytes(), (walk, streets))
        if len(chosen) == LIKE + OTHER:
            break
    best = next(iter(chosen.values()))[1]
    merged = [walk for walk, _ in chosen.values()]
    return merged, [walk for walk, streets in chosen.values() if _differ(streets, best)][:OTHER]


def _differ(one: set[int], other: set[int]) -> bool:
    return len(one & other) < SHARED * min(len(one), len(other))


def _next_sum(front: _Front, random: np.random.Generator, number: int, seed: int) -> _Sum:
    """Corners and middle first, then across the gaps of the front; two sums begin at the start, two at the end.

    What a sweep misses because its buckets are taken, one from the other end often finds."""
    k = front.edge_costs.shape[1]
    corner = np.full((k, k), 0.04 / max(k - 1, 1)) + np.eye(k) * (0.96 - 0.04 / max(k - 1, 1))
    whole = front.ways is not None
    away, most, deep, pains, known, gap = None, np.inf, 0.0, 0, None, (b"", b"")
    if number < k:
        weights = corner[number]
    elif whole and k == 2 and len(front.unpassed()) > 1:
        weights, deep, gap = _next_side(front, random, number)
        pains = min(front.looked[gap], PAINS)
        known = np.stack([f.priced for f in front.unpassed()])
    elif number == k:
        weights = np.full(k, 1.0 / k)
    else:
        weights, away, most = _next_weights(front, random, number)
    scale = front.scale()
    w = weights / scale
    if known is not None:
        known = np.stack([known[:, 0], -known @ w - LIKELY], axis=1)
    seeds = front.best(w, away, most)
    worth_per_m = front.worth_per_m(w, front.within(most))
    first = number // 2 % 2
    merged = front.small and (not whole or (number >= LATER and (pains > 0 or number % MERGED == 0)))
    buckets, before, repeat_price = (
        _in_small_ball(front, number) if front.small else _in_large_ball(front, w, number, 1 - first)
    )
    refused = number >= AHEAD or not front.plain.again.any()  # found by now, most likely, but ridden too much again
    unknown_m = front.plain.repeat_m if whole and refused else 0.0
    repeated_m = max((f.repeated_m for f in seeds[:2]), default=unknown_m)
    near_limit = repeated_m > FROM_LIMIT * front.plain.repeat_m
    repeat_price_m = -worth_per_m * repeat_price if near_limit else 0.0
    if whole:
        slack = FIRST_WHOLE_SLACK if known is None else float(np.clip(deep, *WHOLE_SLACK))
    else:
        slack = FIRST_SLACK if number < FIRST else SLACK
    return _Sum(
        w, away, front.aside(w, most), BAND * scale[0], [f.joined for f in seeds], repeat_price_m, buckets,
        merged, slack, known, pains, gap, before, worth_per_m, first, seed * 1000 + number,
    )  # fmt: skip


def _in_large_ball(
    front: _Front, w: np.ndarray, number: int, side: int
) -> tuple[Sequence[float], Sequence[Any], float]:
    """Of a sum's sweeps: buckets, labels that guide the first one, which begins at the other side; and the price of a
    metre ridden again, in a good loop's."""
    fine = number >= FINER_FROM
    anew = number <= front.edge_costs.shape[1] or (fine and number % ANEW < 2)
    before = [] if anew else front.labels_near(w, side)
    buckets = (FINER_GUIDED if fine else GUIDED) if before else (FINER if fine else BUCKETS)
    return buckets, before, REPEAT_PRICES[number % len(REPEAT_PRICES)]


def _in_small_ball(front: _Front, number: int) -> tuple[Sequence[float], Sequence[Any], float]:
    """As in a large one: sweeps are rough and begin unguided, and other sums do without, all where it is carved up."""
    rough = [number * front.finer for number in ROUGH]
    if front.ways is not None:  # sweeps are left where labels that share a bucket lost every loop
        return () if front.kept else rough, (), REPEAT_PRICES[number % 2 if front.kept else 1]
    if number < FIRST or number % SWEPT == 0:
        return rough, (), REPEAT_PRICES[0]
    return (), (), REPEAT_PRICES[1]


def _any_loop(front: _Front, seed: int, budget: int, deadline: Any, threads: int | None) -> int:
    """Where no sweep closes a loop: polygons and finer sweeps, then a sweep by length alone; label offers spent."""
    from routeplan.search import engine, exact

    k = front.edge_costs.shape[1]
    w = np.full(k, 1.0 / k) / front.scale()
    objective, ball = front.objective(w), front.priced(front.ball, w)
    walks, spent = engine.search(
        ball, objective, seed=seed, budget=max(min(budget, ANY_SHARE), 1), deadline=deadline, space=front.space,
        threads=threads,
    )  # fmt: skip
    front.add(walks)
    longest = front.plain.longest_m
    wide = replace(
        front.plain, near_gain_per_m=0.0, target_m=0.5 * (front.plain.shortest_m + longest), pull_per_m=-1.0,
        again=np.zeros(front.ball.net.tail.size),
    )  # fmt: skip
    for step in (250.0, 50.0):
        if front.kept:
            break
        walks, done = engine.whole(front.ball, wide, max(step, longest / 2000))
        spent += done
        front.add(walks)
    if not front.kept:
        listed = exact.list_loops(front.ball, front.plain, LISTED, deadline=deadline)
        spent += listed.steps
        front.complete = listed.complete
        front.add(listed.walks)
    return spent


def _gaps(front: _Front, turn: int) -> tuple[np.ndarray, list[tuple[bytes, bytes]], np.ndarray, np.ndarray]:
    """Gaps between loops that none passes, and beyond the first and the last of them: (loops, k) their costs in the
    scale of the front; (gaps,) the names of both ends, sizes, and how often each was tried."""
    best = front.unpassed()
    z = np.stack([f.priced for f in best]) / front.scale()
    step = np.abs(np.diff(z, axis=0))
    end = END if turn >= FINER_FROM or front.ways is not None else 0.0
    size = np.r_[end, step[:, 0] * step[:, 1] + 0.02 * step.sum(axis=1), end]
    gaps = list(pairwise([b"", *(f.joined.tobytes() for f in best), b""]))
    return z, gaps, size, np.array([front.tried[gap] for gap in gaps])


def _beyond(gap: int, random: np.random.Generator) -> np.ndarray:
    """Weights beyond the first or the last loop."""
    small = END_WEIGHT * random.random()
    weights = np.array([1.0 - small, small] if gap == 0 else [small, 1.0 - small]) + 0.02
    return weights / weights.sum()


def _next_side(
    front: _Front, random: np.random.Generator, turn: int
) -> tuple[np.ndarray, float, tuple[bytes, bytes]]:
    """Weights at which both ends of the hull's side over the largest gap are best, how deep the gap is bent inwards
    from there, and the gap; weights to either hand of these where that side is being searched."""
    z, gaps, size, tried = _gaps(front, turn)
    at = int(np.argmax(size / (1.0 + tried) ** FADING))
    gap = gaps[at]
    front.tried[gap] += 1
    if at in (0, len(z)):
        return _beyond(at, random), 0.0, gap
    hull = [0]
    for i in range(1, len(z)):
        while len(hull) > 1 and np.linalg.det(np.stack([z[hull[-1]] - z[hull[-2]], z[i] - z[hull[-2]]])) <= 0.0:
            hull.pop()
        hull.append(i)
    side = int(np.searchsorted(hull, at))
    weights = np.abs(z[hull[side]] - z[hull[side - 1]])[::-1] + 0.02
    others = sum(front.tried[g] - front.looked[g] for g in gaps[hull[side - 1] + 1 : hull[side] + 1]) - 1
    if others > 0:
        weights[others % 2] *= LEANING
    weights = weights / weights.sum()
    return weights, float(np.array([z[at, 0], z[at - 1, 1]]) @ weights - (z @ weights).min()), gap


def _next_weights(
    front: _Front, random: np.random.Generator, turn: int
) -> tuple[np.ndarray, np.ndarray | None, float]:
    """Weights across a gap of the front, or random ones; streets to keep away from, for a gap that was tried before; a
    limit of the first cost.

    Where the front is bent inwards a sum has its best loops elsewhere; those in the gap are the best within a limit."""
    best = front.unpassed()
    k = front.edge_costs.shape[1]
    away, most = None, np.inf
    if k == 2 and len(best) >= 2 and turn % 4:
        z, gaps, size, tried = _gaps(front, turn)
        size = size / (1.0 + tried)
        gap = int(random.choice(size.size, p=size / size.sum())) if size.sum() > 0 else 1
        front.tried[gaps[gap]] += 1
        if 0 < gap < len(best):
            weights = np.abs(z[gap] - z[gap - 1])[::-1] + 0.02
            value = z @ weights / weights.sum()
            if front.small and value[gap - 1 : gap + 1].min() - value.min() > DEEP:
                low, high = best[gap - 1].priced[0], best[gap].priced[0]
                most = high - random.uniform(*LIMITS) * (high - low)
                weights[1] *= STEEPER
        else:
            weights = _beyond(gap, random)
        if tried[gap] % 2 and not front.small:
            away = best[int(np.clip(gap - random.integers(2), 0, len(best) - 1))]
    else:
        weights = random.dirichlet(np.full(k, 0.8)) + 0.02
    weights = weights / weights.sum()
    if away is None:
        return weights, None, most
    streets = np.zeros(front.street_length.size)
    streets[away.streets] = 1.0
    return weights, streets, most


def not_dominated(costs: np.ndarray) -> np.ndarray:
    """(m,) bool: rows of (m, k) costs that no other row passes; of equal rows the first stays."""
    keep = np.ones(costs.shape[0], bool)
    order = np.lexsort(costs.T[::-1])
    if costs.shape[1] == 2 and order.size:  # in order of the first cost the second must fall
        second = costs[order, 1]
        keep[order[1:]] = second[1:] < np.minimum.accumulate(second)[:-1]
        return keep
    best: list[np.ndarray] = []
    for i in order:
        c = costs[i]
        if best and (np.stack(best) <= c).all(axis=1).any():
            keep[i] = False
        else:
            best.append(c)
    return keep


def _behind(costs: np.ndarray) -> np.ndarray:
    """(m,) how far all costs of a row would have to fall until no other row passes it; 0 or less: none does."""
    front = costs[not_dominated(costs)]
    out = np.empty(costs.shape[0])
    for i, c in enumerate(costs):
        out[i] = (c - front).min(axis=1).max()
    return out


def distinct(loops: TradeOff, count: int, shared_at_most: float = 0.7) -> list[int]:
    """Indices of at most `count` loops that spread over the trade-off, the most telling first.

    None is passed in all costs by another chosen one, and no two share more than `shared_at_most` of their streets
    (length of shared streets / that of the shorter loop's streets). Loops of the reserve fill in where needed."""
    costs = loops.costs
    good = costs[loops.non_dominated]
    span = np.maximum(good.max(axis=0) - good.min(axis=0), 1e-9 * (1 + np.abs(good).max(axis=0)))
    z = (costs - good.min(axis=0)) / span
    points = np.random.default_rng(0).random((4096, costs.shape[1])) * 1.25
    covers = np.zeros((costs.shape[0], points.shape[0]), bool)
    for i, row in enumerate(z):
        covers[i] = (points >= row).all(axis=1)
    open_to_choice = np.ones(costs.shape[0], bool)
    covered = np.zeros(points.shape[0], bool)
    chosen: list[int] = []
    while len(chosen) < count:
        candidates = np.flatnonzero(open_to_choice & (loops.non_dominated if not chosen else True))
        if not candidates.size:
            break
        gained = (covers[candidates] & ~covered).sum(axis=1) - 1e-3 * z[candidates].sum(axis=1)
        pick = int(candidates[np.argmax(gained)])
        chosen.append(pick)
        covered |= covers[pick]
        open_to_choice[pick] = False
        passed = (costs >= costs[pick]).all(axis=1) | (costs <= costs[pick]).all(axis=1)
        open_to_choice &= ~passed
        for i in np.flatnonzero(open_to_choice).tolist():
            if shared_share(loops.street[i], loops.street[pick], loops.street_length_m) > shared_at_most:
                open_to_choice[i] = False
    return chosen


__all__ = ["NoLoopError", "distinct", "not_dominated", "trade_off"]
