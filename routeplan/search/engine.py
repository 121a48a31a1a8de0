"""The search for one objective: seeds, then local search on two chains that are looked at in a fixed order.

Everything random comes from the seed, everything counted from label offers, so that a result repeats on any number of
threads and on a loaded machine as long as no time limit bound.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from routeplan.search.ball import Ball, make_work, only_on, turned

CHAINS = 2
SLICE = 1_500_000  # label offers between two looks at the clock, some 100 ms
LONGEST_WALK = 4096  # edges
SHORTEST_SEGMENT_M, LONGEST_SEGMENT_M = 800.0, 20_000.0
BUCKET_M = 90.0
FEWEST_LABELS, LABELS = 8_000, 20_000  # of one sweep of the local search
REPEAT_PRICE = 3.0  # of a metre ridden again on the way to a walk without, in gains of a good metre
SHAKE = 0.25
WARMTH = 0.02
BUCKETS = (67, 133, 267)  # of the longest length, in the sweeps that give the first seeds
WORTH = 0.7  # of a metre of a good loop, in gains of a good metre
SLACK, BAND = 0.02, 0.005  # of the longest length: as in both_ways, in good metres and in metres
CYCLE = 40
SEEDS, KEEP, FURTHER = 6, 3, 3  # seeds looked at, those that go on, how much longer
SWEEP_EVERY = 2  # times that seeds are drawn
SCREEN = 400_000  # label offers on each new seed
PATIENCE = 4_000_000  # label offers without a better walk, until new seeds are tried
MOST_LABELS, MOST_LABELS_AGAIN = 800_000, 650_000  # of one sweep over the whole ball; streets ridden again
MOST_SLOTS = 3_200_000  # edges times buckets of one
GUIDE_STEPS = 100  # lengths left that a guide tells apart
JOINED = 64  # loops drawn where two sweeps meet, at most
MEET = 10  # places along a loop where labels of both ends are put together
ROOM = 5_300  # of a ball (see room_m), in longest lengths, that numbers of buckets are meant for
FINEST_M = 10.0  # buckets are no narrower
MERGED_M, MERGED_AGAIN_M = (160.0, 80.0, 20.0), (160.0, 60.0, 30.0)  # buckets where loops are merged; ridden again
STRETCHES_M, LONGER = (1000.0, 2500.0), 1.5  # tightened one by one, and how much longer the ways are that replace them
TIGHT_M, TIGHT_LABELS = 10.0, 8_000  # buckets and labels there
MEETINGS = 30_000  # of two sweeps' labels that are looked at
EXCHANGE = 30_000_000  # label offers between two looks at the other chain


@dataclass(frozen=True, eq=False)
class Objective:
    """Gains on the edges of a ball's joined net, and what a walk may be."""

    gain: np.ndarray  # (e,) at the first passage of a street
    again: np.ndarray  # (e,) at a later one
    shortest_m: float
    longest_m: float
    near_gain_per_m: float = 0.0
    target_m: float = 0.0
    pull_per_m: float = 0.0  # <= 0
    repeats: bool = False
    repeat_m: float = 0.0  # metres ridden again at most
    fine_gain: np.ndarray | None = None  # the same on the edges of Ball.fine
    fine_again: np.ndarray | None = None

    @property
    def middle_m(self) -> float:
        """The length that a loop is expected to have."""
        return self.target_m or 0.5 * (self.shortest_m + self.longest_m)

    def rules(self, *, repeats: bool | None = None, repeat_m: float | None = None) -> Any:
        from routeplan.search.kernels import Rules

        return Rules(
            self.near_gain_per_m, self.target_m, self.pull_per_m, int(self.repeats if repeats is None else repeats),
            self.repeat_m if repeat_m is None else repeat_m, self.shortest_m, self.longest_m,
        )  # fmt: skip


class Deadline:
    """A time limit; without one it never comes. `passed` remembers that it bound."""

    def __init__(self, limit_s: float | None) -> None:
        self.end = None if limit_s is None else time.perf_counter() + limit_s
        self.stopped = False

    def left(self) -> float | None:
        """Seconds left, None without a limit."""
        return None if self.end is None else max(self.end - time.perf_counter(), 0.0)

    def passed(self) -> bool:
        if self.end is not None and time.perf_counter() >= self.end:
            self.stopped = True
        return self.stopped


@dataclass(frozen=True, eq=False)
class Labels:
    """Labels of a sweep, kept to guide sweeps for other weights of the same two costs."""

    edge: np.ndarray  # (labels,) int32, just ridden
    length: np.ndarray  # (labels,) float32 [m]
    aside: np.ndarray  # (labels,) float32, the cost summed up aside
    rest: np.ndarray  # (labels,) float32, the other cost, with all prices

    def value(self, weights: np.ndarray, worth_per_m: float) -> np.ndarray:
        """(labels,) what they come to by other weights, less a good loop's worth."""
        return -(weights[0] * self.aside + weights[1] * self.rest + worth_per_m * self.length)


@dataclass(frozen=True, eq=False)
class Aside:
    """A cost that labels sum up beside their gains."""

    edge: np.ndarray  # (e,) of a passage
    per_gain: float = 0.0  # of turns, streets beside ridden ones and repeats: cost for each unit of gain they take
    most: float = np.inf  # walks that come to more are not wanted
    home: Sequence[np.ndarray] = ()  # with `most`, for the ball and the turned ball: see least_home


@dataclass(eq=False)
class Space:
    """What a thread writes into, kept between searches on one ball."""

    ball: Ball
    works: list[Any] = field(default_factory=list)
    wides: dict[int, Any] = field(default_factory=dict)

    def wide(self, chain: int, slots: int, most: int) -> Any:
        """Space for a sweep over the whole ball, `most` labels at most."""
        if chain not in self.wides or self.wides[chain].slot.size < slots:
            self.wides[chain] = make_work(self.ball, min(slots, most), slots)
        return self.wides[chain]

    def labels(self, chain: int, weights: np.ndarray, worth_per_m: float) -> list[Labels]:
        """Labels of the last sweep of each side, whose gains were less the weighted costs."""
        kept = []
        for work in (self.wides[chain], self.wides[chain + CHAINS]):
            used = int(work.used[0])
            length, aside = work.label_length[:used].astype(np.float32), work.label_aside[:used].copy()
            rest = -(work.label_value[:used] + worth_per_m * length + weights[0] * aside) / weights[1]
            kept.append(Labels(work.label_link[:used, 1].copy(), length, aside, rest.astype(np.float32)))
        return kept

    def work(self, chain: int) -> Any:
        while len(self.works) <= chain:
            self.works.append(make_work(self.ball, LABELS))
        return self.works[chain]


def from_end(ball: Ball, objective: Objective) -> Ball:
    """The ball for walks read from their end; the clock runs back from when a loop of the usual length would end."""
    pace = float(ball.net.time.sum() / max(ball.net.length.sum(), 1.0))
    return turned(ball, pace * objective.middle_m)


def spread_of(objective: Objective, net: Any) -> float:
    """A typical large gain per metre: the scale of prices and of the warmth."""
    long = net.length > 1.0
    density = np.abs(objective.gain[long]) / net.length[long]
    return float(np.quantile(density, 0.9)) if density.size else 0.0


def finer(room_m: float, longest_m: float) -> float:
    """How much finer buckets are than in a ball of the usual room: few streets, few ways round a bucket taken."""
    return float(max(ROOM * longest_m / max(room_m, 1.0), 1.0) ** 1.5)


def values(net: Any, objective: Objective, walks: Sequence[np.ndarray], work: Any) -> np.ndarray:
    """(walks,) what they come to."""
    return measured(net, objective.gain, objective.again, objective.rules(), walks, work)[:, 0]


def measured(
    net: Any, gain: np.ndarray, again: np.ndarray, rules: Any, walks: Sequence[np.ndarray], work: Any
) -> np.ndarray:
    """(walks, 5): value, length, metres ridden again, time and faults of each, as kernels.measure tells them."""
    from routeplan.search import kernels

    if not len(walks):
        return np.empty((0, 5))
    first = np.cumsum([0, *(walk.size for walk in walks)])
    return kernels.measure_all(net, gain, again, rules, np.concatenate(walks, dtype=np.int32), first, work)


def usual_budget(ball: Ball, most: int) -> int:
    """Label offers by default: less where there is little to choose from."""
    return min(most, 10_000_000 + 4_000 * ball.net.tail.size)


def whole(
    ball: Ball,
    objective: Objective,
    step_m: float,
    gain: np.ndarray | None = None,
    *,
    worth_per_m: float = 0.0,
    aside: Aside | None = None,
    home: np.ndarray | None = None,
    guide: np.ndarray | None = None,
    cutoff: float = -np.inf,
    most: int = 1,
    space: Space | None = None,
    chain: int = 0,
) -> tuple[list[np.ndarray], int]:
    """The sweep over the whole ball: (at most `most` loops, best first, none where none closed; label offers).

    gain : instead of the objective's; worth_per_m : of a good loop, so that long and short labels
    compete fairly; aside : a cost that labels sum up, and with `home` (see least_home) those are dropped that cannot
    come home within its limit; guide, cutoff : labels that come to less than `cutoff` with what the guide (see
    kernels.guide_home) finds on the way home are dropped; space, chain : where labels lie"""
    from routeplan.search import kernels

    net = ball.net
    span = ball.room_m(objective.longest_m)
    room = int((span / step_m + 4).sum()) + 9 * span.size + 16
    labels_at_most = MOST_LABELS_AGAIN if objective.repeats else MOST_LABELS
    work = make_work(ball, room) if space is None else space.wide(chain, room, labels_at_most)
    if aside is not None:
        work.aside[: aside.edge.size] = aside.edge
        work = work._replace(home=work.home if home is None else home)
    nodes = ball.out_m.size
    work.to[:nodes], work.out[:nodes] = ball.back_m, ball.out_m
    near = np.flatnonzero(ball.out_m + ball.back_m <= objective.longest_m)
    work.settled[: near.size] = near
    work.settled[near.size :] = -1
    work.rest_edge[:] = 0
    fair = worth_per_m * net.length  # labels of a bucket differ in length: they compete as if they did not
    walk = np.empty(LONGEST_WALK, np.int32)
    label, _, done = kernels.sweep(
        net, (objective.gain if gain is None else gain) - fair, objective.again - fair, objective.rules(), walk,
        0, 0, 0, objective.shortest_m, objective.longest_m, step_m, room, -worth_per_m, cutoff,
        objective.longest_m / GUIDE_STEPS, aside.per_gain if aside else 0.0, aside.most if aside else np.inf,
        work if guide is None else work._replace(guide=guide),
    )  # fmt: skip
    labels = [label] if label >= 0 else []
    if labels and most > 1:
        closed = np.arange(work.used[0])
        closed = closed[net.head[work.label_link[closed, 1]] == net.start]
        closed = closed[(work.label_length[closed] >= objective.shortest_m) & (closed != label)]
        value = work.label_value[closed] + worth_per_m * work.label_length[closed]
        labels += closed[np.argsort(-value, kind="stable")[: most - 1]].tolist()
    return [walk[: kernels.chain(k, work, walk)].copy() for k in labels], done


def both_ways(
    balls: tuple[Ball, Ball],
    objective: Objective,
    widths_m: Sequence[float],
    *,
    first: int,
    worth_per_m: float,
    slack: float,
    aside: Aside,
    band_width: float,
    most: int,
    space: Space,
    chain: int,
    known: Sequence[np.ndarray] = (),
    weights: np.ndarray | None = None,
    before: Sequence[Labels] = (),
) -> tuple[list[np.ndarray], int]:
    """Sweeps from the start and from the end in turn, each guided by the one before: (loops, label offers).

    balls : as it is, and turned; first : which of them is swept first; widths_m : of the buckets of each sweep; slack :
    how far below the best loop so far (`known` among them) labels may come to. Of every sweep the `most` best loops are
    kept, and where labels of two sweeps meet on an edge the best loop of each band of `aside`, a cost, `band_width`
    wide, within its limit. before : labels of the side not swept first, kept from sums of other weights than `weights`:
    they guide the first sweep, which looks at everything where there are none."""
    from routeplan.search import kernels

    net, longest = balls[0].net, objective.longest_m
    gain = objective.gain - worth_per_m * net.length
    fair, own = replace(objective, gain=gain), space.work(chain)
    guide = np.empty((net.tail.size, GUIDE_STEPS + 2), np.float32)
    guide_m, window_m = longest / GUIDE_STEPS, longest - objective.shortest_m
    found: list[np.ndarray] = []

    def best_of(walks: Sequence[np.ndarray]) -> float:
        return float(values(net, fair, walks, own).max(initial=-np.inf))

    top, cutoff = best_of(known), -np.inf
    spent = 0
    if before:
        assert weights is not None
        begin = balls[first].net
        guide[:] = -np.inf
        for labels in before:
            value = labels.value(weights, worth_per_m)
            kernels.guide_home(
                begin, gain, labels.edge, labels.length.astype(np.float64), value, guide_m, window_m, guide
            )
            spent += value.size
        leaving = np.flatnonzero(begin.tail == net.start)
        left = ((longest - net.length[leaving]) / guide_m).astype(np.int64)
        cutoff = min(top, float((gain[leaving] + guide[leaving, left]).max())) - slack
    room_m = float(balls[0].room_m(longest).sum())
    for turn, width_m in enumerate(widths_m):
        side = (first + turn) % 2
        walks, done = whole(
            balls[side], objective, max(width_m, room_m / MOST_SLOTS), worth_per_m=worth_per_m, aside=aside,
            guide=guide if turn or before else None, cutoff=cutoff, most=most, space=space,
            chain=chain + side * CHAINS, home=aside.home[side] if aside.home else None,
        )  # fmt: skip
        walks = [walk[::-1].copy() for walk in walks] if side else walks
        best = best_of(walks)
        top = max(top, best)
        found += walks
        spent += done
        if turn:
            walks, done = _meetings(net, gain, objective, worth_per_m, aside, band_width, space, chain)
            top = max(top, best_of(walks))
            found += walks
            spent += done
        if turn + 1 < len(widths_m):
            work = space.wides[chain + side * CHAINS]
            used = work.used[0]
            guide[:] = -np.inf
            kernels.guide_home(
                balls[1 - side].net, gain, work.label_link[:used, 1].copy(), work.label_length[:used],
                work.label_value[:used], guide_m, window_m, guide,
            )  # fmt: skip
            cutoff = min(top - slack, best)
    return found, spent


def least_home(
    balls: tuple[Ball, Ball], objective: Objective, cost: np.ndarray, labels: Sequence[Sequence[Labels]]
) -> tuple[np.ndarray, np.ndarray]:
    """(e, steps) for the ball and the turned ball: the least that labels of the other side have summed up aside on the
    way home after an edge, by the length left as in kernels.guide_home; inf where there is none.

    cost : (e,) that was summed up; labels : of each side"""
    from routeplan.search import kernels

    longest = objective.longest_m
    least = []
    for ball, kept in zip(balls, labels[::-1], strict=True):
        guide = np.full((cost.size, GUIDE_STEPS + 2), -np.inf, np.float32)
        for one in kept:
            kernels.guide_home(
                ball.net, -cost, one.edge, one.length.astype(np.float64), -one.aside.astype(np.float64),
                longest / GUIDE_STEPS, longest - objective.shortest_m, guide,
            )  # fmt: skip
        least.append(-guide)
    return least[0], least[1]


def tightened(
    ball: Ball, objective: Objective, walk: np.ndarray, worth_per_m: float, size: float, work: Any
) -> tuple[list[np.ndarray], int]:
    """A loop with its stretches replaced one by one, as if each metre were worth so much and length did not matter:
    (walks of any length, one for each of STRETCHES_M; label offers). size : of the stretches, in those.

    They hold the small detours that pay at this worth, which are put together to a loop of the right length where
    loops are merged."""
    from routeplan.search import kernels

    net = ball.net
    worth = worth_per_m * net.length
    rules = objective.rules()._replace(pull=0.0)
    row = np.empty(LONGEST_WALK, np.int32)
    row[: walk.size] = walk
    count, spent = walk.size, 0
    walks = []
    for stretch_m in STRETCHES_M:
        count, done = kernels.tighten(
            net, objective.gain - worth, objective.again - worth, rules, row, count, size * stretch_m, LONGER, TIGHT_M,
            TIGHT_LABELS, work,
        )  # fmt: skip
        walks.append(row[:count].copy())
        spent += done
    return walks, spent


def merged(
    ball: Ball,
    objective: Objective,
    walks: Sequence[np.ndarray],
    more: Sequence[np.ndarray],
    *,
    aside: Aside,
    **told: Any,
) -> tuple[list[np.ndarray], int]:
    """Loops on the edges of some loops and of other walks alone, put together anew in narrow buckets: (loops, label
    offers).

    Good loops differ in many small things that trade length against gain; one sweep over their streets settles all of
    them at once (the idea is that of tour merging: Cook and Seymour 2003, INFORMS Journal on Computing 15). told : the
    other arguments of both_ways."""
    part, few, beside = on_streets(ball, objective, aside, [*walks, *more])
    ends = part.edge[part.part[part.first[1:] - 1]], part.edge[part.part[part.first[:-1]]]
    beside = replace(beside, home=[home[last] for home, last in zip(aside.home, ends, strict=False)])
    found, spent = both_ways(
        (part, from_end(part, few)), few, MERGED_AGAIN_M if objective.repeats else MERGED_M, aside=beside,
        known=[part.joined(np.searchsorted(part.edge, walk)) for walk in walks], **told,
    )  # fmt: skip
    return [part.edge[part.expanded(walk)].astype(np.int32) for walk in found], spent


def on_streets(
    ball: Ball, objective: Objective, aside: Aside, walks: Sequence[np.ndarray]
) -> tuple[Ball, Objective, Aside]:
    """The ball of the edges of some walks alone, and what an objective and a cost aside come to there.

    Its `edge` are those of the ball's joined net; the cost aside knows no way home."""
    ridden = np.zeros(ball.net.tail.size, bool)
    ridden[np.concatenate(walks)] = True
    part = only_on(ball, ridden)
    few = replace(
        objective, gain=part.summed(objective.gain[part.edge]) + part.turns_inside,
        again=part.summed(objective.again[part.edge]) + part.turns_inside, fine_gain=None, fine_again=None,
    )  # fmt: skip
    cost = part.summed(aside.edge[part.edge]) - aside.per_gain * part.turns_inside
    return part, few, replace(aside, edge=cost, home=())


def _meetings(net, gain, objective, worth_per_m, aside, band_width, space, chain):
    """The best loop for each band of `aside` where labels of the two last sweeps meet; pairs looked at, as offers."""
    from routeplan.search import kernels

    fore, aft = space.wides[chain], space.wides[chain + CHAINS]
    total, mate = np.empty(fore.used[0]), np.empty(fore.used[0], np.int32)
    ends = np.empty((4, net.tail.size), np.int64)
    rules, own = objective.rules(), space.work(chain)
    pairs = kernels.meet(
        net, gain, rules, -worth_per_m, objective.longest_m / MEET, aside.most, fore, aft, ends, total, mate
    )
    order = np.flatnonzero(total > -np.inf)
    if order.size > MEETINGS:
        order = order[np.argpartition(-total[order], MEETINGS)[:MEETINGS]]
    order = order[np.lexsort((order, -total[order]))]
    cost = fore.label_aside[order] + aft.label_aside[mate[order]] - aside.edge[fore.label_link[order, 1]]
    band = np.unique((cost / band_width).astype(np.int64), return_inverse=True)[1]
    walks, counts = np.empty((JOINED, LONGEST_WALK), np.int32), np.empty(JOINED, np.int64)
    drawn, looked = kernels.draw(
        net, objective.gain, objective.again, rules, fore, aft, order, mate, band, walks, counts, own
    )
    return [walks[d, : counts[d]].copy() for d in range(drawn)], pairs // 8 + 20 * looked


class Chain:
    """One local search: its walk, its best, its random state."""

    def __init__(
        self, ball: Ball, objective: Objective, space: Space, number: int, seed: int, back: Ball | None = None
    ) -> None:
        from routeplan.search import kernels

        self.ball, self.net, self.objective, self.seed = ball, ball.net, objective, seed
        self.space, self.number, self.work, self.back = space, number, space.work(number), back
        self.top: np.ndarray | None = None
        self.top_value = -np.inf
        self.patience = 0
        self.renewals = 0
        self.state = np.array([(seed * 0x9E3779B97F4A7C15 + 0x1234567) % 2**64 | 1], np.uint64)
        for _ in range(8):
            kernels.random(self.state)
        self.walk = np.empty(LONGEST_WALK, np.int32)
        self.best = np.empty(LONGEST_WALK, np.int32)
        self.counts = np.zeros(8, np.int64)
        self.values = np.full(2, -np.inf)
        self.log = np.zeros(64 * (1 + LONGEST_WALK), np.int32)
        scale = spread_of(objective, ball.net)
        self.settings = np.array([
            SHORTEST_SEGMENT_M, min(LONGEST_SEGMENT_M, 0.5 * objective.longest_m), BUCKET_M, SHAKE,
            WARMTH * scale * objective.longest_m / 10, CYCLE, 3.0 * scale, 0.9, 1.5, 0.1, 0.6, 0.6, FEWEST_LABELS, LABELS,  # noqa: E501
        ])  # fmt: skip
        self.strict_rules = objective.rules()
        if objective.repeats:
            self.rules, self.again = objective.rules(), objective.again
        else:  # repeats are passed through at a price, but never kept
            self.rules = objective.rules(repeats=True, repeat_m=0.1 * objective.longest_m)
            self.again = -REPEAT_PRICE * scale * ball.net.length
        self.seen = np.zeros(4096, np.uint64)
        self.found: list[np.ndarray] = []

    def put(self, walk: np.ndarray) -> None:
        """Begin from this walk."""
        from routeplan.search import kernels

        self.counts[:], self.values[:] = 0, -np.inf
        value, length, repeated, _, faults = kernels.measure(
            self.net, self.objective.gain, self.again, self.rules, walk, walk.size, self.work)  # fmt: skip
        if faults:
            return
        o = self.objective
        value -= self.settings[6] * max(0.0, o.shortest_m - length, length - o.longest_m)
        self.walk[: walk.size] = walk
        self.counts[0], self.values[0] = walk.size, value
        allowed = repeated <= (o.repeat_m if o.repeats else 0.0) and o.shortest_m <= length <= o.longest_m
        if allowed:
            self.found.append(walk.copy())
            if value > self.values[1]:
                self.best[: walk.size] = walk
                self.counts[1], self.values[1] = walk.size, value

    def polish(self, allowance: int, deadline: Deadline) -> int:
        """Local search from the present walk for `allowance` label offers; returns those spent."""
        from routeplan.search import kernels

        spent = 0
        strict = self.objective.repeat_m if self.objective.repeats else 0.0
        while spent < allowance and self.counts[0] and not deadline.passed():
            self.log[0] = 0
            _, done = kernels.improve(
                self.net, self.objective.gain, self.again, self.rules, self.strict_rules, strict, self.walk, self.counts, self.values,  # noqa: E501
                self.best, self.state, min(SLICE, allowance - spent), self.settings, self.log, self.seen, self.work,
            )  # fmt: skip
            spent += max(done, 1)
            rows = self.log.reshape(-1, 1 + LONGEST_WALK)
            for row in range(1, int(self.log[0]) + 1):
                self.found.append(rows[row, 1 : 1 + rows[row, 0]].copy())
        if self.counts[1] and self.values[1] > self.top_value:
            self.top_value, self.top = float(self.values[1]), self.best[: self.counts[1]].copy()
        return spent

    def run(self, allowance: int, deadline: Deadline) -> int:
        """Search for `allowance` label offers: look at many seeds, go on with the best few, begin anew when nothing moves."""  # noqa: E501
        spent = 0
        while spent < allowance and not deadline.passed():
            if self.patience > 0:
                before = self.top_value
                done = self.polish(min(SLICE, allowance - spent), deadline)
                self.patience = PATIENCE if self.top_value > before else self.patience - done
                spent += done
                if not done:
                    self.patience = 0
                continue
            spent += self.renew(allowance - spent, deadline)
            if self.top is None and self.renewals >= 4:
                break
        return spent

    def renew(self, allowance: int, deadline: Deadline) -> int:
        """Seeds, a short local search from each, a longer one from the best three; the best is the present walk then."""  # noqa: E501
        ball, objective = self.ball, self.objective
        self.renewals += 1
        number = self.seed * 1000 + self.renewals
        seeds, spent = ([], 0) if self.back is None or self.renewals > 1 else self.swept_both_ways(self.back)
        if not seeds:
            seeds = polygons(ball, objective, self.work, number, 24)[:SEEDS]
            spent += 24 * (self.net.tail.size + 20_000)
            if self.renewals % SWEEP_EVERY == 0 or not seeds:
                swept, done = _swept(ball, objective, number if self.renewals > 1 or self.seed % CHAINS else None)
                seeds, spent = swept + seeds, spent + done
        screen = max(min(SCREEN, (allowance - spent) // (SEEDS + KEEP * FURTHER)), 100_000)
        for offers, keep in ((screen, KEEP), (FURTHER * screen, 1)):
            tried: list[tuple[float, int, np.ndarray]] = []
            for k, walk in enumerate(seeds):
                if deadline.passed() and self.top is not None:
                    break
                self.put(walk)
                spent += self.polish(offers, deadline)
                if self.counts[0]:
                    best = self.best[: self.counts[1]] if self.counts[1] else self.walk[: self.counts[0]]
                    tried.append((-max(self.values[1], self.values[0]), k, best.copy()))
            seeds = [walk for _, _, walk in sorted(tried, key=lambda item: item[:2])[:keep]]
        if seeds:
            self.put(seeds[0])
        elif self.top is not None:
            self.put(self.top)
        self.patience = PATIENCE
        return spent

    def swept_both_ways(self, back: Ball) -> tuple[list[np.ndarray], int]:
        """The best few loops of sweeps from both ends, one chain begins at the start, the other at the end."""
        ball, objective, longest = self.ball, self.objective, self.objective.longest_m
        good = spread_of(objective, self.net)
        times = finer(float(ball.room_m(longest).sum()), longest)
        swept, spent = both_ways(
            (ball, back), objective, [max(longest / (number * times), FINEST_M) for number in BUCKETS],
            first=self.seed % CHAINS,
            worth_per_m=WORTH * good, slack=SLACK * longest * good, aside=Aside(self.net.length),
            band_width=BAND * longest, most=SEEDS, space=self.space, chain=self.number,
        )  # fmt: skip
        _, one_of_each = np.unique(-values(self.net, objective, swept, self.work), return_index=True)
        return [swept[k] for k in one_of_each[:SEEDS]], spent


def polygons(ball: Ball, objective: Objective, work: Any, seed: int, tries: int) -> list[np.ndarray]:
    """Closed walks through two to four chosen edges, joined by shortest paths that avoid what is ridden already
    and prefer gain; those that turn back or miss the window by far are dropped. Best first, by the objective."""
    from routeplan.search import kernels

    net = ball.net
    random = np.random.default_rng(seed)
    density = objective.gain / np.maximum(net.length, 1.0)
    low, high = np.quantile(density, [0.05, 0.95])
    bonus = np.clip((density - low) / max(high - low, 1e-12), 0.0, 1.0)
    base = net.length * (1.6 - 0.6 * bonus)
    none = np.empty(0, bool)
    found: list[tuple[float, int, np.ndarray]] = []
    rules = objective.rules(repeats=True, repeat_m=np.inf)
    middle = objective.middle_m
    size = 1.0
    close = np.flatnonzero(ball.out_m[net.tail] + net.length + ball.back_m[net.head] < 0.9 * middle)
    if not close.size:
        close = np.arange(net.tail.size)
    worth = np.sort(density[close])[-max(close.size // 5, 1)]
    rich = net.head[close[density[close] >= worth]]
    for attempt in range(tries):
        corners = int(random.integers(2, 5))
        reach = middle / (corners + 1) * size * random.uniform(0.6, 1.1)
        weight = base.copy()
        at = net.start
        walk: list[int] = []
        home = False
        for k in range(corners + 1):
            if k == corners:
                target = net.start
            else:
                round_trip = ball.out_m + ball.back_m
                fits = np.flatnonzero(round_trip < 0.9 * middle)
                if not fits.size:
                    break
                target = -1
                if random.random() < 0.4:
                    target = int(random.choice(rich))
            kernels.shortest(net.out_first, net.out_edge, net.head, weight, at, np.inf, 0.0, none, 0,
                             work.out, work.parent, work.settled, work.heap_key, work.heap_node)  # fmt: skip
            if target < 0:
                way = work.out[fits]
                some = fits[np.argsort(np.abs(way - reach * 1.3) + reach * 0.25 * random.random(fits.size))[:40]]
                target = int(random.choice(some))
            piece: list[int] = []
            v = target
            while v != at and work.parent[v] >= 0:
                piece.append(int(work.parent[v]))
                v = int(net.tail[piece[-1]])
            if v != at:
                break
            walk += piece[::-1]
            ridden = np.zeros(net.near_first.size - 1, bool)
            ridden[net.street[piece]] = True
            weight[ridden[net.street]] *= 30.0
            at = target
            home = k == corners
        if not home or not walk:
            continue
        array = np.array(walk, np.int32)
        if array.size >= LONGEST_WALK:
            continue
        value, length, repeated, _, faults = kernels.measure(
            net, objective.gain, objective.again, rules, array, array.size, work)  # fmt: skip
        size = float(np.clip(size * (middle / max(length, 1.0)) ** 0.3, 0.2, 3.0))
        if faults or length > objective.longest_m or length < 0.6 * objective.shortest_m:
            continue
        if repeated > 0.1 * length and not objective.repeats:
            continue
        found.append((-value, attempt, array))
    return [walk for _, _, walk in sorted(found, key=lambda item: item[:2])]


def search(
    ball: Ball,
    objective: Objective,
    *,
    seed: int,
    budget: int,
    deadline: Deadline,
    seeds: list[np.ndarray] | None = None,
    space: Space | None = None,
    enough: Callable[[float], bool] | None = None,
    threads: int | None = None,
) -> tuple[list[np.ndarray], int]:
    """Walks found for one objective (allowed ones, any order) and label offers spent.

    seeds : walks to begin from; none: a sweep over the whole ball and polygons. enough(value): stop when it holds."""
    space = space or Space(ball)
    back = None if seeds else from_end(ball, objective)
    chains = [Chain(ball, objective, space, k, seed * CHAINS + k, back) for k in range(CHAINS)]
    for k, chain in enumerate(chains if seeds else []):
        for walk in (seeds or [])[k::CHAINS] or seeds or []:
            chain.put(walk)
            chain.polish(1, deadline)
            chain.patience = PATIENCE
    spent = 0
    while spent < budget and not deadline.passed():
        share = max(min((budget - spent) // CHAINS, EXCHANGE), 1)
        done = at_once([lambda c=c: c.run(share, deadline) for c in chains], threads)  # type: ignore[misc]  # noqa: B023
        spent += sum(done)
        if not any(done) or all(c.top is None and c.renewals >= 4 for c in chains):
            break
        leader = max(chains, key=lambda c: c.top_value)
        if enough is not None and enough(leader.top_value):
            break
        for chain in chains:  # one that found nothing goes on from the leader's best
            if chain.top is None and leader.top is not None:
                chain.put(leader.top)
                chain.patience = PATIENCE
    found = [walk for chain in chains for walk in chain.found]
    if not found and deadline.stopped:  # however short the time: one sweep
        found, offers = _swept(ball, objective, None)
        spent += offers
    return found, spent


def _swept(ball: Ball, objective: Objective, shake: int | None) -> tuple[list[np.ndarray], int]:
    """The whole sweep with wide buckets, narrower where nothing is found; `shake`: seed for gains looked at askew."""
    net = ball.net
    gain = objective.gain
    if shake is not None:
        factor = np.random.default_rng(shake).uniform(0.6, 1.4, ball.out_m.size)
        gain = gain * 0.5 * (factor[net.tail] + factor[net.head])
    step = max(objective.longest_m / 70, float(ball.room_m(objective.longest_m).sum()) / 2.0e6)
    spent = 0
    for finer in (1.0, 0.4, 0.1):
        walks, done = whole(ball, objective, step * finer, gain)
        spent += done
        if walks:
            return walks, spent
    return [], spent


def at_once(jobs: Sequence[Callable[[], Any]], threads: int | None) -> list[Any]:
    """Results of the jobs in order; on several threads unless told otherwise."""
    if threads == 1 or len(jobs) < 2:
        return [job() for job in jobs]
    with ThreadPoolExecutor(min(len(jobs), threads or len(jobs))) as pool:
        return list(pool.map(lambda job: job(), jobs))
