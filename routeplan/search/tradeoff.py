"""Loops on the trade-off of two or three costs.

Weighted sums are searched two at a time, first at the corners, then across the gaps of the front. In a large ball:
by sweeps over everything from the start and from the end in turn, each guided by the one before and the first by
earlier sums, and a short local search. In a small ball all its loops are looked at, many at a time, where it is narrow
enough to be carved up (see carving): below the side of the front's hull over its largest gap, as deep as that is bent
inwards. There and in other small balls good loops are tightened, merged, and the best on all their streets are found,
where it is not carved up below a limit of the first cost in gaps of the front. Where a ball has few loops, every one
is looked at instead. What a sum weighs stands in costed, what was found in front, which sum comes next in sums.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import zip_longest
from queue import SimpleQueue
from typing import Any

import numpy as np

from routeplan.search.costed import CostedBall
from routeplan.search.front import Front
from routeplan.search.sums import AHEAD, SLACK, Sum, next_sum
from routeplan.search.values import TradeOff

BUDGET = 100_000_000  # label offers; some seconds on two cores
GIVEN = 100  # loops given in the end beside those that none passes
SHARE = 400_000  # label offers of one local search, at most
LIKE, OTHER, SHARED = 5, 4, 0.85  # merged in a small ball: the best, and some that share less of their streets
TIGHTENED = 2  # times that the best of them is tightened, the others once
WORTHS, SIZES = (0.5, 1.1), (0.7, 1.5)  # there: of a metre, in a good loop's; of the stretches, in usual ones
BEHIND, NARROW, TOGETHER = 0.03, 0.1, 100  # put together: how far behind the best; of BAND; loops at most
ANY_SHARE = 6_000_000  # of the search for any loop at all, where no sweep closes one
LISTED, LISTING = 3_000, 2_000_000  # loops of a small ball that are looked at one by one; steps that look for them
CLOSINGS = 12  # loops taken from one sweep

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
    front = Front(CostedBall(ball, costs, plain, effort_per_price, repeat_share_at_most), engine.Space(ball))
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


FIRST_LOOK, FIRST_TRIES = 4, 40


def _first_look(front: Front, seed: int) -> Front:
    """Loops drawn within a tenth of a second, for who watches; the search itself begins without them."""
    from routeplan.search import engine

    quick, costed = Front(front.costed, front.space), front.costed
    w = np.full(costed.typical.size, 1.0 / costed.typical.size) / costed.typical
    objective, ball = costed.objective(w), costed.priced(costed.ball, w)
    for look in range(FIRST_LOOK):
        number = (seed + 1) * 7919 + look
        quick.add(engine.polygons(ball, objective, quick.space.work(0), number, FIRST_TRIES))
        if len(quick.kept) > 2:
            break
    return quick


def _search(
    front: Front, seed: int, budget: int, deadline: Any, threads: int | None, watch: Watch | None = None
) -> int:
    """Every loop where they are few, else weighted sums until budget or time is spent; returns label offers spent.

    A sum begins once all but the last few before it have been looked at, in their order: so two are always searched at
    once, and what each knows does not depend on which ends first."""
    from routeplan.search import engine, exact

    costed = front.costed
    listed = exact.list_loops(costed.ball, costed.plain, LISTED, deadline=deadline, steps=LISTING)
    if listed.complete:
        front.add(listed.walks)
        front.complete = True
        return listed.steps
    if costed.small:
        front.ways = costed.carved(threads)
    random = np.random.default_rng(seed)
    share = max(min(budget // 24, SHARE), 1)
    free: SimpleQueue[int] = SimpleQueue()
    for chain in range(engine.CHAINS):
        free.put(chain)

    def over() -> bool:
        return bool(front.kept) and deadline.passed()

    def searched(one: Sum) -> _Met:
        if over():
            return [], 0, []
        chain = free.get()
        try:
            return _one(front, one, chain, share, deadline)
        finally:
            free.put(chain)

    spent, number, looked = listed.steps, 0, 0
    begun: deque[tuple[Sum, Callable[[], _Met]]] = deque()
    with ThreadPoolExecutor(engine.CHAINS) as pool:
        while True:
            first_blind = costed.small and front.ways is None  # there the first sums need know nothing
            knows = front.kept if looked >= engine.CHAINS else first_blind
            ahead = AHEAD if knows else engine.CHAINS - looked
            while len(begun) < ahead and spent < budget and not over():
                one = next_sum(front, random, number, seed)
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


def _one(front: Front, one: Sum, chain: int, share: int, deadline: Any) -> _Met:
    """Loops met for one weighted sum, label offers spent, and the last labels of sweeps over everything."""
    from routeplan.search import engine

    costed = front.costed
    objective = costed.objective(one.w, one.away)
    balls = costed.priced(costed.ball, one.w), costed.priced(costed.turned, one.w)
    swept = replace(objective, again=objective.again - one.repeat_price_m * costed.ball.net.length)
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
    front: Front, one: Sum, ball: Any, objective: Any, chain: int, deadline: Any
) -> tuple[list[np.ndarray], int]:
    """The best of all loops of a small ball, and label offers spent; the clock is read when other loops pass."""
    from routeplan.search import carving, engine, union

    timed = union.by_the_clock(ball.net, one.seeds, *front.costed.passing_s)
    best = -np.inf
    if one.seeds and ball.net.clock_sum.size == 1:
        best = float(engine.values(ball.net, objective, one.seeds[:1], front.space.work(chain))[0])
    walks, spent = carving.best_of(
        front.ways, replace(objective, gain=objective.gain + timed, again=objective.again + timed), aside=one.aside,
        least=best, slack=one.slack, band_width=NARROW * one.band, most=TOGETHER,
        scale=float(one.w @ front.costed.per_price), known=one.known, share=float(one.w[0]), pains=one.pains,
        over=deadline.passed,
    )  # fmt: skip
    return walks or [], spent


def _merged(
    front: Front, one: Sum, ball: Any, swept: Any, known: list[np.ndarray], chain: int, deadline: Any
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


def _any_loop(front: Front, seed: int, budget: int, deadline: Any, threads: int | None) -> int:
    """Where no sweep closes a loop: polygons and finer sweeps, then a sweep by length alone; label offers spent."""
    from routeplan.search import engine, exact

    costed = front.costed
    k = costed.edge_costs.shape[1]
    w = np.full(k, 1.0 / k) / front.scale()
    objective, ball = costed.objective(w), costed.priced(costed.ball, w)
    walks, spent = engine.search(
        ball, objective, seed=seed, budget=max(min(budget, ANY_SHARE), 1), deadline=deadline, space=front.space,
        threads=threads,
    )  # fmt: skip
    front.add(walks)
    plain, longest = costed.plain, costed.plain.longest_m
    wide = replace(
        plain, near_gain_per_m=0.0, target_m=0.5 * (plain.shortest_m + longest), pull_per_m=-1.0,
        again=np.zeros(costed.ball.net.tail.size),
    )  # fmt: skip
    for step in (250.0, 50.0):
        if front.kept:
            break
        walks, done = engine.whole(costed.ball, wide, max(step, longest / 2000))
        spent += done
        front.add(walks)
    if not front.kept:
        listed = exact.list_loops(costed.ball, costed.plain, LISTED, deadline=deadline)
        spent += listed.steps
        front.complete = listed.complete
        front.add(listed.walks)
    return spent
