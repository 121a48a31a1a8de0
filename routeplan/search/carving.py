"""The best loops of a network, wherever these may lie in it.

The network is carved up into sets of nodes, the smaller within the larger, with few edges across. What a loop does
within a set is told by the few edges by which it crosses and how they hang together. So all loops can be looked at,
most of them many at a time, for any length (carvings: Seymour and Thomas 1994, Combinatorica 14; loops on the branches
of such a tree: Cook and Seymour 2003, INFORMS Journal on Computing 15).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from routeplan.search.engine import LONGEST_WALK, Aside, Objective

PASSINGS, ARCS, LABELS = 400_000, 6_000_000, 600_000  # at most, of arcs and states each
FEWEST, PER_ARC = 10_000, 30  # labels of a small network, at most
TRIES, NOISE = 24, 0.1  # carvings drawn, see kernels.carve
ROUNDS, FEW, TOGETHER = 10, 6, 8  # in which sets are joined anew; so many of each, more of the best
GROWTH = 3.0  # of a set's states with each street across, as it is reckoned
BESIDE = 0.25  # of a street across: two streets side by side
WIDEST = ((63,) * 6,) * 5  # edges across, at most, by pieces and streets crossed both ways: see ways_of
WIDEST_TWICE = (63, 63), (63, 63, 10), (63, 12, 10), (20,), (12,)  # where a whole ball's streets may be ridden twice
MANY, TABLE_BITS = 20_000, 20  # pairs of states that two threads put together; places of a set's states, at most
PRICES, CLOSE = 12, 2e-4  # of a metre, tried at most; how near to the least bound one is fair, in its size
USUAL = 0.25  # how far apart the first of them are, in the mean gain of a metre
SIDES = (-0.1, 0.1, -0.3, 0.3)  # prices beside it that bound labels too, in the mean gain of a metre
STEPS_M = (400.0, 80.0, 80.0)  # one label for each, by turns, and in a band of the cost aside:
FINER = 2.5  # how much finer the first step is where no loop of it has a length asked for
BANDS, FINER_BANDS = (np.inf, np.inf, 5.0), (200.0, 100.0, 10.0)  # in those asked for; the second halved by each pain
SHORT = 0.15  # of such a step's mean gain: how far what its labels come to may fall short
ROOM, ROOMIER = (40_000, 10_000, 4_000), 1.5  # arcs looked at by each, those that most is spare of; more by each pain
FIRST_LOOKS, MORE = (5_000, 20_000), 2.5  # before, by turns until a loop is found; after all that room is for
BROADER = 2  # times as many are bounded at all prices
UNFOUND = 200_000  # and at first, where no loop is known to be near
ENOUGH = 3.75  # labels for each arc that there is room for in the first of these steps, beyond which it does
HIGHEST = 0.9  # of what is spare of the best: how much may be asked for
NEEDS, MARGIN = 512, 0.1  # steps of the cost aside in what is needed; how far it reaches beyond what is known
ROUNDING = 1e-9  # of the bound
NEVER = -1e9  # gain of a metre that must not be ridden
OFFERS_MADE, OFFERS_PER_ARC, OFFERS_PER_LABEL, OFFERS_A_LOOK = 20, 4, 2, 3_000  # of a sweep that take as long


@dataclass(frozen=True, eq=False)
class Ways:
    """Every loop of a network, of any length, as the ways to make the last state (see carving_kernels)."""

    net: Any  # without edges from a node to itself
    edge: np.ndarray  # of the network asked for, -1: the second half of an edge from a node to itself
    passings: tuple[np.ndarray, ...]  # pair, turn, number: the first states
    beside: np.ndarray  # (passings,) gain where streets near each other are ridden
    again_m: np.ndarray  # (passings,) metres on another part of a street ridden
    arcs: Arcs


def ways_of(
    net: Any,
    repeats: bool,
    near_per_m: float = 0.0,
    again_per_m: float = 0.0,
    *,
    widest: Sequence[Sequence[int]] = WIDEST,
    most_arcs: int = ARCS,
    threads: int | None = 1,
) -> Ways | None:
    """Every loop of a network; None where it has too many ways across.

    near_per_m : gain of a metre beside streets ridden; again_per_m : of one on another part of a street ridden, where
    streets may be ridden again: twins that are one street lie apart; widest : edges that lead across, at most, where a
    loop may fall into one piece in a set, two ..., and cross no street both ways, one ...; threads : two, but for 1"""
    from routeplan.search import carving_kernels as kernels
    from routeplan.search import carving_states as states

    net, near_gain, near_again_m = _parts_apart(net, near_per_m, again_per_m if repeats else NEVER)
    net, edge = _without_rings(net)
    one = np.repeat(np.arange(net.near_first.size - 1), np.diff(net.near_first))
    once = one < net.near_street
    one, other = one[once], net.near_street[once].astype(np.int64)
    near_gain, near_again_m = near_gain[once], near_again_m[once]
    ends = np.zeros((int(net.street.max()) + 1, 2), np.int64)
    ends[net.street] = np.stack([net.tail, net.head], axis=1)
    with ThreadPoolExecutor(1) as pool:
        beside_it = _here if threads == 1 else pool.submit
        part = _carving(net, one, other, ends, beside_it)
        if part is None:
            return None
        sets, parent = states.no_sets(part, net.tail.size), np.empty(2 * part.shape[0] + 1, np.int64)
        at, top = np.empty(one.size, np.int64), np.empty(ends.shape[0], np.int64)
        left, right = np.empty_like(one), np.empty_like(one)
        kernels.charges(part, one, other, ends, parent, at, left, right, top)
        if not states.remembered(ends, parent, top, sets):
            return None
        beside = states.Beside(one, other, near_gain, near_again_m, at, np.argsort(at, kind="stable"), left, right)
        made = _states(net, repeats, widest, beside, sets, most_arcs, beside_it)
    if made is None:
        return None
    passings, (near_gain, near_again_m), every = made
    lead = every.through(np.zeros(near_gain.size), 0.0)[0] == 0.0
    return Ways(net, edge, passings, near_gain, near_again_m, every.only(np.flatnonzero(lead)))


def _here(call: Callable[..., Any], *asked: Any) -> Any:
    """As a pool's submit, but done at once."""
    done: Future[Any] = Future()
    done.set_result(call(*asked))
    return done


def _states(
    net: Any, repeats: bool, widest: Sequence[Sequence[int]], beside: Any, sets: Any, most_arcs: int, beside_it: Any
) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, np.ndarray], Arcs] | None:
    """(passings, gain and metres ridden again beside others in each, all arcs); None where room ran out.

    beside_it : calls something, in another thread perhaps: half of each join of many states"""
    from routeplan.search import carving_states as states

    joins, room = sets.part.shape[0], min(most_arcs, ARCS // 4)
    limit = np.zeros((states.PIECES, states.PIECES + 1), np.int64)
    for row, values in zip(limit, widest, strict=False):
        row[: len(values)] = values
    bits = min(int(room).bit_length() + 1, TABLE_BITS)
    made, side = states.no_states(most_arcs, bits), states.no_states(most_arcs, bits)
    m = states.no_meeting(net.tail.size, room)
    # zeros, so that what lies beyond `number` is the same each time too
    pair, turn = np.zeros((PASSINGS, states.PIECES, 2), np.int32), np.zeros((PASSINGS, states.PIECES), np.int32)
    number, near_gain, near_again_m = np.empty(PASSINGS, np.int32), np.empty(PASSINGS), np.empty(PASSINGS)
    never = 0.5 * NEVER
    if not states.leaves(
        joins + 1, net.start, net.street, net.out_first, net.out_edge, net.in_first, net.in_edge, net.turn_first,
        net.turn_edge, int(repeats), limit, never, beside, sets, made, m.slot, pair, turn, number, near_gain,
        near_again_m,
    ):  # fmt: skip
        return None
    first = int(made.used[0])
    k = states.up_to_many(0, MANY, net.street, limit, never, beside, sets, m, made)
    while 0 <= k < joins:
        own, whole = int(side.used[0]), joins + 1 + k
        count = int(sets.last[sets.part[k, 0]] - sets.first[sets.part[k, 0]])
        half = int(np.searchsorted(m.tries[: count + 1], m.tries[count] // 2))
        other = beside_it(states.joined, k, half, count, limit, never, beside, sets, m, side)
        fits = states.joined(k, 0, half, limit, never, beside, sets, m, made)
        if not other.result() or not fits or not states.brought_in(k, own, side, sets, made):
            return None
        sets.last[whole] = made.used[0]
        k = states.up_to_many(k + 1, MANY, net.street, limit, never, beside, sets, m, made)
    if k < 0:
        return None
    count, arcs = made.used.tolist()
    if sets.first[-1] == count:  # no loop at all: a last state that nothing makes
        count, arcs = count + 1, 0
    passings = (pair[:first].copy(), turn[:first].copy(), number[:first].copy())
    every = Arcs(made.arc[:arcs], made.gain[:arcs], made.again_m[:arcs], count)
    return passings, (near_gain[:first].copy(), near_again_m[:first].copy()), every


@dataclass(frozen=True, eq=False)
class Arcs:
    """Some arcs, by which the last of `states` is made."""

    arc: np.ndarray  # (arcs, 3) states of both parts and of the whole
    gain: np.ndarray  # (arcs,) where streets near each other are ridden
    again_m: np.ndarray  # (arcs,) on another part of a street ridden
    states: int

    def through(self, of_passing: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray]:
        """(arcs,) the most that a loop by each comes to, (states,) the most that all the rest of a loop does."""
        from routeplan.search import carving_sums as sums

        value, rest = np.full(self.states, -np.inf), np.full(self.states, -np.inf)
        value[: of_passing.size], rest[-1] = of_passing, 0.0
        through = np.empty(self.gain.size)
        sums.inside(self.arc, self.gain, scale, value, np.empty(self.states, np.int32))
        sums.outside(self.arc, self.gain, scale, value, rest, through)
        return through, rest

    @property
    def plain(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return self.arc, self.gain, self.again_m

    def only(self, some: np.ndarray) -> Arcs:
        return Arcs(self.arc[some], self.gain[some], self.again_m[some], self.states)

    def alone(self, some: np.ndarray) -> tuple[Arcs, np.ndarray]:
        """Some arcs, their states and the last one numbered anew, and the numbers that these had."""
        used = np.zeros(self.states, bool)
        arc = self.arc[some]
        used[arc] = True
        used[-1] = True
        kept = np.flatnonzero(used)
        number = np.empty(self.states, np.int32)
        number[kept] = np.arange(kept.size)
        return Arcs(number[arc], self.gain[some], self.again_m[some], kept.size), kept


def best_of(
    ways: Ways,
    objective: Objective,
    *,
    aside: Aside,
    least: float,
    slack: float,
    band_width: float,
    most: int,
    scale: float = 1.0,
    known: np.ndarray | None = None,
    share: float = 0.0,
    pains: int = 0,
    over: Callable[[], bool] = lambda: False,
) -> tuple[list[np.ndarray] | None, int]:
    """The best loops of a network: (loops, None where there are too many labels; label offers).

    The best for each band of `aside`, a cost with a limit, `band_width` wide, `most` at most, those first that no other
    passes, none more than `slack` behind the best of all or behind `least`, and rather those that none of `known`
    passes. scale : of the network's own gains, those of turns and of streets near each other; known : (loops, 2) cost
    aside and gain, of which a unit of that cost takes off `share`; pains : the greater, the finer the bands and the
    more is looked at; over : asked whether to stop.

    Exact but for labels that share a step of length and a band (one that sums up less aside gives way to a better
    one), metres beside streets ridden (the shorter of both is counted) and on the other part of a street (for their
    limit the longer is), the clock, which is not read, and what room is not given to.

    Labels that cannot come near the best are left out by three bounds: what all the rest comes to at a fair price of
    a metre and at some beside it, how long it can be, and, in finer steps, how the coarser ones went on."""
    one = _weighed(ways, objective, aside, scale)
    spent = OFFERS_PER_ARC * one.arcs.gain.size
    fair = _fair_price(one, objective)
    if fair is None:
        return [], spent
    price, bound = fair
    usual_per_m = float(np.abs(one.own.gain).sum() / max(one.own.metres.sum(), 1.0))
    prices = price + np.r_[0.0, SIDES] * usual_per_m
    through = one.through(price)
    unfound, *room = (int(number * ROOMIER**pains) for number in (UNFOUND, *ROOM))
    look = _Look(
        ways, _window(objective, aside), _needed(known, share), price, usual_per_m, slack,
        [band_width * number / 2**pains for number in (FINER_BANDS if pains else BANDS)], room, share, band_width, most,
        over,
    )  # fmt: skip
    rounding = ROUNDING * abs(bound)
    top, found = least, list[np.ndarray]()
    for bounded, numbers in _looks(room[0], one.arcs.gain.size if least == -np.inf else unfound):
        few, by_arc, rest = _bounded(one, through, prices, objective, look.window, top - slack - rounding, bounded)
        for number in numbers:
            if found and number < numbers[-1]:
                continue  # what is beside it is found by the broadest of these
            cutoff, last = top - slack - rounding, number == numbers[-1] or by_arc.size <= number
            if by_arc.size > number:
                cutoff = max(cutoff, float(np.partition(by_arc, -number)[-number]))
            some = few.only(np.flatnonzero(by_arc >= cutoff))
            walks, top, offers = look.at(some, rest, cutoff, top, last)
            spent += OFFERS_A_LOOK + offers
            if walks is None:
                return found or None, spent
            found = walks or found
            if over() or by_arc.size <= number:
                return found, spent
        if found:
            break
    return found, spent


def _looks(room: int, unfound: int) -> list[tuple[int, list[int]]]:
    """How many arcs are bounded at all prices, and how many of them are looked at one after the other: more than `room`
    only where no loop is found, up to `unfound`."""
    looks = [(BROADER * room, [*(number for number in FIRST_LOOKS if number < room), room])]
    number = room
    while number < unfound:
        number = min(int(MORE * number) + 1, unfound)
        looks.append((number, [number]))
    return looks


@dataclass(frozen=True, eq=False)
class _Look:
    """What all looks of a sum share."""

    ways: Ways
    window: Any  # sums.Window
    need: Any  # sums.Need
    price: float  # of a metre
    usual_per_m: float  # gain
    slack: float
    bands: Sequence[float]  # by step
    room: Sequence[int]  # by step
    share: float
    band_width: float
    most: int
    over: Callable[[], bool]

    def at(
        self, some: _Weighed, rest: Any, cutoff: float, top: float, last: bool
    ) -> tuple[list[np.ndarray] | None, float, int]:
        """Loops of some arcs that come to `cutoff`, by the first step or, where it is the last look, by finer and finer
        ones: (loops, None where there are too many labels; what the best comes to, or `top`; label offers)."""
        from routeplan.search import carving_sums as sums

        found: list[np.ndarray] = []
        before, before_least = _labels(some.arcs, 0, 1.0, np.inf), -np.inf
        spent = 0
        steps_m = STEPS_M if last else STEPS_M[:1]
        for number, step_m in enumerate(steps_m if some.arcs.gain.size else ()):
            if self.over():
                break
            need = self.need._replace(least=top - self.slack)
            for step in (step_m, step_m / FINER) if last and number == 0 else (step_m,):
                labels = _labels(
                    some.arcs, min(LABELS, FEWEST + PER_ARC * some.arcs.gain.size), step, self.bands[number]
                )
                made, closed = sums.labelled(
                    *some.arcs.plain, some.scale, some.own, some.per_gain, self.window, need, rest, cutoff, before,
                    before_least, labels,
                )  # fmt: skip
                spent += OFFERS_PER_LABEL * (labels.gain.size if made < 0 else made)
                if made < 0:
                    return found or None, top, spent
                if closed:
                    break
            if not closed:
                break
            top = max(top, float(labels.gain[labels.ends[:closed]].max()))
            ends = labels.ends[:closed]
            ends = ends[labels.gain[ends] >= top - self.slack]
            found = _walks(self.ways, some.leaf, labels, ends, self.share, self.band_width, self.most)
            if number + 1 == len(steps_m) or made > ENOUGH * self.room[0]:
                break
            need, cutoff = need._replace(least=top - self.slack), max(cutoff, top - self.slack)
            spare = np.empty(some.arcs.gain.size)
            sums.onward(
                *some.arcs.plain, some.scale, some.per_gain, self.window, need, abs(self.price), made, labels, spare
            )
            before, before_least = labels, -SHORT * self.usual_per_m * labels.step
            if spare.size > self.room[number + 1]:
                enough = float(np.partition(spare, -self.room[number + 1])[-self.room[number + 1]])
                before_least = max(before_least, min(enough, HIGHEST * float(spare.max())))
            some = some.only(np.flatnonzero(spare >= before_least))
        return found, top, spent


def _bounded(
    one: _Weighed, through: tuple[np.ndarray, np.ndarray], prices: np.ndarray, o: Objective, window: Any, cutoff: float,
    at_most: int,
) -> tuple[_Weighed, np.ndarray, Any]:  # fmt: skip
    """Arcs whose bounds at all prices come to `cutoff`, so many of them at most: (these, their bounds, sums.Rest).

    through : of all arcs and states, at the first price"""
    from routeplan.search import carving_sums as sums

    by_arc, rest_of_all = through
    by_arc = by_arc + _worth(prices[0], o).max()
    some = np.flatnonzero(by_arc >= max(cutoff, -np.finfo(float).max))
    if some.size > at_most:
        some = some[by_arc[some] >= np.partition(by_arc[some], -at_most)[-at_most]]
    few, kept = one.alone(some)
    bound, most = by_arc[some], np.empty((prices.size, few.arcs.states))
    most[0] = rest_of_all[kept]
    for k in range(1, prices.size):
        by_arc, most[k] = few.through(prices[k])
        bound = np.minimum(bound, by_arc + _worth(prices[k], o).max())
        fits = np.flatnonzero(bound >= cutoff)
        few, bound = few.only(fits), bound[fits]
    least_aside = np.full(few.arcs.states, -np.inf)
    if window.aside_most < np.inf:
        least_aside = -few.arcs.through(-few.own.aside, few.scale * few.per_gain)[1]
    fewest_m, most_m = -few.arcs.through(-few.own.metres, 0.0)[1], few.arcs.through(few.own.metres, 0.0)[1]
    return few, bound, sums.Rest(prices, most, fewest_m, most_m, least_aside)


def _window(o: Objective, aside: Aside) -> Any:
    """What a loop must keep to, as carving_sums.Window."""
    from routeplan.search import carving_sums as sums

    again_share = o.repeat_m / o.longest_m if o.repeats else 0.0
    return sums.Window(o.shortest_m, o.longest_m, again_share, o.target_m, o.pull_per_m, aside.most)


@dataclass(frozen=True, eq=False)
class _Weighed:
    """Some arcs, and what their passings come to in a sum."""

    arcs: Arcs
    own: Any  # sums.Own
    leaf: np.ndarray  # (passings,) their numbers among all
    scale: float  # of the arcs' own gain
    per_gain: float  # of the cost aside, for that

    def through(self, price: float) -> tuple[np.ndarray, np.ndarray]:
        """As Arcs.through, at a price of a metre."""
        return self.arcs.through(self.own.gain - price * self.own.metres, self.scale)

    def only(self, some: np.ndarray) -> _Weighed:
        return replace(self, arcs=self.arcs.only(some))

    def alone(self, some: np.ndarray) -> tuple[_Weighed, np.ndarray]:
        """Some arcs with their states numbered anew, the last one too; (states,) the numbers that these had."""
        arcs, kept = self.arcs.alone(some)
        leaf = kept[kept < self.leaf.size]
        return _Weighed(arcs, type(self.own)(*(x[leaf] for x in self.own)), self.leaf[leaf], self.scale,
                        self.per_gain), kept  # fmt: skip


def _weighed(ways: Ways, o: Objective, aside: Aside, scale: float) -> _Weighed:
    """All arcs that keep to the limit of the cost aside."""
    from routeplan.search import carving_sums as sums

    count = ways.beside.size
    own = sums.Own(*(np.empty(count) for _ in range(4)))

    def split(values: np.ndarray) -> np.ndarray:
        return np.where(ways.edge >= 0, values[ways.edge], 0.0)

    sums.weigh(
        *ways.passings, split(o.gain), split(o.again), ways.net.length, ways.net.street, scale * ways.net.turn_gain,
        scale * ways.beside, ways.again_m, split(aside.edge), aside.per_gain, own,
    )  # fmt: skip
    arcs = ways.arcs
    if aside.most < np.inf:
        arcs = arcs.only(np.flatnonzero(arcs.through(-own.aside, scale * aside.per_gain)[0] >= -aside.most))
    return _Weighed(arcs, own, np.arange(count), scale, aside.per_gain)


def _needed(known: np.ndarray | None, share: float) -> Any:
    """What a loop must come to, as carving_sums.Need, so that none known passes it; see best_of for `share`."""
    from routeplan.search import carving_sums as sums

    if known is None or known.shape[0] < 2:
        return sums.Need(np.full(1, -np.inf), 0.0, 1.0, -np.inf)
    aside, other = known[:, 0], -known[:, 1] - share * known[:, 0]
    order = np.lexsort((other, aside))
    step = max(float(np.ptp(aside)), 1e-9) * (1.0 + MARGIN) / NEEDS
    at = aside[order[0]] + step * (np.arange(NEEDS + 1) - 0.5)  # the first step lies before all of them
    last = np.searchsorted(aside[order], at, side="right") - 1
    least = np.r_[np.minimum.accumulate(other[order]), other.max() + MARGIN * np.ptp(other)]
    return sums.Need(-share * at - least[last], float(at[0] - 0.5 * step), step, -np.inf)


def _suiting_m(o: Objective) -> np.ndarray:
    """The lengths that may suit best."""
    return np.array([o.shortest_m, o.longest_m, np.clip(o.target_m, o.shortest_m, o.longest_m)])


def _worth(price: float, o: Objective) -> np.ndarray:
    """What is given back at a price of a metre, for the lengths that may suit best: a line between them, at most."""
    metres = _suiting_m(o)
    return price * metres + o.pull_per_m * np.abs(metres - o.target_m)


def _fair_price(one: _Weighed, o: Objective) -> tuple[float, float] | None:
    """The price of a metre at which the bound of all loops is least, and the bound; None where there are no loops.

    The bound is convex in the price: each price gives a line below it, and the next one is where two of them meet."""
    from routeplan.search import carving_sums as sums

    metres = _suiting_m(o)
    arcs, gain, length = one.arcs, one.own.gain, one.own.metres
    value, by, stack = np.empty(arcs.states), np.empty(arcs.states, np.int32), np.empty(arcs.states, np.int32)

    def at(price: float) -> tuple[float, float, float]:
        """(price, bound, its slope)"""
        value[: gain.size], value[gain.size :] = gain - price * length, -np.inf
        sums.inside(arcs.arc, arcs.gain, one.scale, value, by)
        if value[-1] == -np.inf:
            return price, -np.inf, 0.0
        worth = _worth(price, o)
        ridden_m = sums.summed(arcs.arc, by, gain.size, length, arcs.states - 1, stack)
        return price, float(value[-1] + worth.max()), float(metres[np.argmax(worth)] - ridden_m)

    step = USUAL * float(np.abs(gain).sum() / max(length.sum(), 1.0))
    low = high = at(-2.0 * step)
    if low[1] == -np.inf:
        return None
    for _ in range(PRICES):  # until the least lies between two prices
        if low[2] <= 0.0 <= high[2]:
            break
        if low[2] > 0.0:
            high, low = low, at(low[0] - step)
        else:
            low, high = high, at(high[0] + step)
        step *= 2.0
    for _ in range(PRICES):
        if low[2] >= 0.0 or high[2] <= 0.0:
            break
        width = high[0] - low[0]
        meet = (low[1] - high[1] + high[2] * high[0] - low[2] * low[0]) / (high[2] - low[2])
        if min(low[1], high[1]) - (low[1] + low[2] * (meet - low[0])) < CLOSE * abs(low[1]):
            break
        middle = at(min(max(meet, low[0] + 0.1 * width), high[0] - 0.1 * width))
        low, high = (middle, high) if middle[2] < 0.0 else (low, middle)
    return min(low, high, key=lambda p: p[1])[:2]


def _labels(arcs: Arcs, room: int, step_m: float, band: float) -> Any:
    """Room for so many labels, as carving_sums.Labels, and none of them yet."""
    from routeplan.search import carving_sums as sums

    table = np.full(1 << (2 * room).bit_length() if room else 1, -1, np.int32)
    newest = np.full(arcs.states, -1, np.int32)
    gain, metres, again_m, aside, spare, rest_gain, rest_m, rest_aside = (np.empty(room) for _ in range(8))
    one, two, state, older, ends = (np.empty(room, np.int32) for _ in range(5))
    return sums.Labels(
        step_m, band, table, newest, gain, metres, again_m, aside, one, two, state, np.empty(room, np.int64), older,
        spare, rest_gain, rest_m, rest_aside, ends,
    )  # fmt: skip


def _walks(
    ways: Ways, leaf: np.ndarray, labels: Any, ends: np.ndarray, share: float, band_width: float, most: int
) -> list[np.ndarray]:
    """The best of some closed loops for each band of the cost aside, those first that none passes, `most` at most."""
    from routeplan.search import carving_sums as sums

    ends = ends[np.argsort(-labels.gain[ends], kind="stable")]
    aside = labels.aside[ends]
    passed = np.ones(ends.size, bool)
    order = np.lexsort((-labels.gain[ends] - share * aside, aside))
    other = (-labels.gain[ends] - share * aside)[order]
    passed[order] = np.r_[False, other[1:] >= np.minimum.accumulate(other)[:-1]]
    ends = np.r_[ends[~passed], ends[passed]]
    _, one_of_each = np.unique((labels.aside[ends] / band_width).astype(np.int64), return_index=True)
    passings = tuple(values[leaf] for values in ways.passings)
    follows, walk = np.empty(ways.net.tail.size, np.int32), np.empty(LONGEST_WALK, np.int32)
    stack = np.empty(ways.net.out_first.size, np.int32)
    walks = []
    for label in ends[np.sort(one_of_each)[:most]].tolist():
        count = sums.ridden(label, labels.one, labels.two, *passings, follows, stack, walk)
        edges = ways.edge[walk[:count]]
        walks.append(edges[edges >= 0].astype(np.int32))
    return walks


def _carving(net: Any, one: np.ndarray, other: np.ndarray, ends: np.ndarray, beside_it: Any) -> np.ndarray | None:
    """The two parts of each set that nodes are joined to; streets near each other should meet early.

    beside_it : see _states; half of the tries"""
    from routeplan.search import carving_kernels as kernels

    n = net.out_first.size - 1
    a, b = np.r_[net.tail, ends[one, 0]], np.r_[net.head, ends[other, 0]]
    weight = np.r_[np.full(net.tail.size, 0.5), np.full(one.size, BESIDE)]
    node, neighbour, weight = np.r_[a, b], np.r_[b, a], np.r_[weight, weight]
    apart = node != neighbour
    pairs, which = np.unique(np.stack([node, neighbour])[:, apart], axis=1, return_inverse=True)
    weight = np.bincount(which.reshape(-1), weights=weight[apart], minlength=pairs.shape[1])
    first = np.r_[0, np.cumsum(np.bincount(pairs[0], minlength=n))]
    asked = int(net.start), first, pairs[1], weight, GROWTH
    parts = [np.empty((n - 1, 2), np.int64) for _ in range(2)]
    second = beside_it(kernels.carve, *asked, NOISE, TRIES // 2, TRIES, ROUNDS, FEW, parts[1])
    costs = [kernels.carve(*asked, NOISE, 0, TRIES // 2, ROUNDS, FEW, parts[0]), second.result()]
    if min(costs) == np.inf:
        return None
    part = parts[int(np.argmin(costs))]
    kernels.carved_anew(*asked, ROUNDS, TOGETHER, part)
    return part


def _parts_apart(net: Any, near_per_m: float, again_per_m: float) -> tuple[Any, np.ndarray, np.ndarray]:
    """The net with a street of its own between any two nodes, near to those it was one with; (near,) gains and metres
    ridden again.

    near_per_m, again_per_m : of a metre beside a street ridden, and on another part of it"""
    ends = np.stack([net.street, np.minimum(net.tail, net.head), np.maximum(net.tail, net.head)], axis=1)
    parts, street = np.unique(ends, axis=0, return_inverse=True)
    street, streets = street.reshape(-1).astype(np.int32), net.near_first.size - 1
    number = np.bincount(parts[:, 0], minlength=streets)
    first = np.cumsum(number) - number
    several = np.flatnonzero(number > 1)
    one = np.r_[np.repeat(np.arange(streets), np.diff(net.near_first)), several]
    other = np.r_[net.near_street, several]
    per_m = np.r_[np.full(net.near_street.size, near_per_m), np.full(several.size, again_per_m)]
    each = number[one] * number[other]  # every part of the one with every part of the other
    pair = np.repeat(np.arange(one.size), each)
    count = np.arange(pair.size) - np.repeat(np.cumsum(each) - each, each)
    a, b = first[one[pair]] + count // number[other[pair]], first[other[pair]] + count % number[other[pair]]
    kept = np.flatnonzero(a != b)
    kept = kept[np.argsort(a[kept], kind="stable")]
    length = np.zeros(parts.shape[0])
    length[street] = net.length
    near_first = np.r_[0, np.cumsum(np.bincount(a[kept], minlength=parts.shape[0]))].astype(np.int32)
    apart = net._replace(street=street, near_first=near_first, near_street=b[kept].astype(np.int32))
    metres = np.minimum(length[a[kept]], length[b[kept]])
    longer = np.maximum(length[a[kept]], length[b[kept]])
    return apart, per_m[pair[kept]] * metres, (pair[kept] >= net.near_street.size) * longer


def _without_rings(net: Any) -> tuple[Any, np.ndarray]:
    """The net with a node in the middle of each edge from a node to itself; edges, -1 for the second halves."""
    from routeplan.search.kernels import adjacency

    count, n, streets = net.tail.size, net.out_first.size - 1, net.near_first.size - 1
    ring = np.flatnonzero(net.tail == net.head)
    if not ring.size:
        return net, np.arange(count)
    middle, second = n + np.arange(ring.size), count + np.arange(ring.size)
    tail, head = np.r_[net.tail, middle].astype(np.int32), np.r_[net.head, net.head[ring]].astype(np.int32)
    head[ring] = middle
    came = np.repeat(np.arange(count), np.diff(net.turn_first))
    half = np.arange(count)
    half[ring] = second  # what followed the edge follows its second half
    order = np.argsort(np.r_[half[came], ring], kind="stable")
    follows = np.bincount(np.r_[half[came], ring], minlength=count + ring.size)
    out_first, out_edge = adjacency(tail, n + ring.size)
    in_first, in_edge = adjacency(head, n + ring.size)
    split = net._replace(
        tail=tail, head=head, length=np.r_[net.length, np.zeros(ring.size)],
        street=np.r_[net.street, streets + np.arange(ring.size)].astype(np.int32), out_first=out_first,
        out_edge=out_edge, in_first=in_first, in_edge=in_edge,
        turn_first=np.r_[0, np.cumsum(follows)].astype(np.int32),
        turn_edge=np.r_[net.turn_edge, second][order].astype(np.int32),
        turn_gain=np.r_[net.turn_gain, np.zeros(ring.size)][order],
    )  # fmt: skip
    return split, np.r_[np.arange(count), np.full(ring.size, -1)]
