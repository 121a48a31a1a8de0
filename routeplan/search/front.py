"""Loops met so far on the trade-off of a ball's costs: measured, kept, and looked up for the next weighted sum.

Every loop met is kept if no other passes it, or as a reserve that shares little with others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from routeplan.search.choice import behind, not_dominated
from routeplan.search.costed import CostedBall
from routeplan.search.values import TradeOff

RESERVE = 400  # loops kept beside those that none passes
ALIKE, NEAREST = 0.5, 3  # log of the weights' ratio in which labels replace others; how many kept ones guide a sweep
POOL = 40  # loops looked up for a sum in a small ball: the best of those known


@dataclass(eq=False)
class Found:
    """A loop met."""

    joined: np.ndarray  # edges of the joined net
    walk: np.ndarray  # edges of the fine net
    costs: np.ndarray  # plain
    priced: np.ndarray  # with the prices
    length_m: float
    repeated_m: float
    price: float
    streets: np.ndarray


class Front:
    """Loops met so far, and what is known of gaps between them and from sweeps."""

    def __init__(self, costed: CostedBall, space: Any) -> None:
        self.costed, self.space = costed, space
        self.kept: dict[bytes, Found] = {}
        self.seen: set[bytes] = set()
        self.same: dict[bytes, list[bytes]] = {}  # keys of loops kept, by their streets
        self.complete = False  # every loop there is was looked at
        self.ways: Any = None  # every loop of a small ball, where it is narrow enough
        self.labels: tuple[list[Any], list[Any]] = ([], [])  # (log of the weights' ratio, labels), by side
        self.least_home: tuple[np.ndarray, np.ndarray] | None = None  # of the labels kept
        self.tried: Counter[tuple[bytes, bytes]] = Counter()  # how often a gap between two loops was searched
        self.looked: Counter[tuple[bytes, bytes]] = Counter()  # and how often that was looked at

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
            balls = self.costed.ball, self.costed.turned
            self.least_home = engine.least_home(balls, self.costed.plain, self.costed.first_cost, sides)
        per_gain = self.costed.effort_per_price / float(w @ self.costed.per_price)
        return engine.Aside(self.costed.first_cost, per_gain, most, self.least_home or () if most < np.inf else ())

    def scale(self) -> np.ndarray:
        """Range of each cost over the loops that none passes; before there are two, the typical cost of a loop."""
        best = self.unpassed()
        if len(best) < 2:
            return self.costed.typical
        priced = np.stack([f.priced for f in best])
        span = priced.max(axis=0) - priced.min(axis=0)
        return np.maximum(span, 0.02 * self.costed.typical)

    def add(self, walks: list[np.ndarray]) -> None:
        """Measure new walks and keep them, or not."""
        from routeplan.search import engine

        costed, plain, ball = self.costed, self.costed.plain, self.costed.ball
        turned = [costed.back[walk[::-1]].astype(np.int32) for walk in walks]
        named = {walk.tobytes(): walk for walk in [*walks, *(walk for walk in turned if (walk >= 0).all())]}
        new = {key: walk for key, walk in named.items() if key not in self.seen}
        self.seen.update(new)
        fine = [ball.expanded(walk) for walk in new.values()]
        work = self.space.work(engine.CHAINS)  # not one that a sum is being searched in
        both, length, repeated, _, faults = engine.measured(
            ball.fine, plain.fine_gain, plain.fine_again, plain.rules(), fine, work).T  # fmt: skip
        price = engine.measured(costed.no_clock, plain.fine_gain, plain.fine_again, plain.rules(), fine, work)[:, 0]
        allowed = (faults == 0) & (plain.shortest_m <= length) & (length <= plain.longest_m)
        allowed &= repeated <= (costed.repeat_share * length if plain.repeats else 0.0)
        for i, (key, joined) in enumerate(new.items()):
            if not allowed[i]:
                continue
            costs = costed.edge_costs[fine[i]].sum(axis=0)
            costs[1] -= both[i] - price[i]
            streets = np.unique(ball.fine.street[fine[i]])
            found = Found(
                joined, fine[i], costs, costs - price[i] * costed.per_price, float(length[i]), float(repeated[i]),
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
        left = behind(priced / scale)
        order = np.argsort(left, kind="stable")
        keep = [i for rank, i in enumerate(order) if left[i] <= 0 or rank < most]
        self.kept = {names[i]: self.kept[names[i]] for i in sorted(keep)}

    def unpassed(self) -> list[Found]:
        """Loops that no other passes, with prices, sorted by the first cost."""
        found = list(self.kept.values())
        if not found:
            return []
        mask = not_dominated(np.stack([f.priced for f in found]))
        return sorted((f for f, m in zip(found, mask, strict=True) if m), key=lambda f: tuple(f.priced))

    def within(self, most: float) -> list[Found]:
        """Loops whose first cost is within a limit."""
        return [f for f in self.kept.values() if f.priced[0] <= most]

    def best(self, w: np.ndarray, away: np.ndarray | None, most: float) -> list[Found]:
        """The best loops so far for a sum within a limit, best first: two to begin from, more to be merged."""
        found = self.within(most)
        value = np.array([f.priced @ w for f in found])
        if away is not None:
            shared = np.array([self.costed.street_length[f.streets] @ away[f.streets] for f in found])
            value = value + 0.6 * shared / np.array([f.length_m for f in found])
        order = np.argsort(value, kind="stable")
        return [found[i] for i in order[: POOL if self.costed.small else 2]]

    def worth_per_m(self, w: np.ndarray, found: Iterable[Found]) -> float:
        """What a metre of the best of some loops is worth, below 0; where there is none, of the streets on average."""
        costed = self.costed
        streets = float(costed.edge_costs.sum(axis=0) @ w) / max(float(costed.ball.fine.length.sum()), 1.0)
        return -min((float(f.priced @ w) / f.length_m for f in found), default=streets)

    def so_far(self) -> TradeOff:
        return self.result(False, 0)

    def result(self, stopped: bool, steps: int) -> TradeOff:
        found = sorted(self.kept.values(), key=lambda f: (*f.costs, *f.walk.tolist()))
        plain = np.stack([f.costs for f in found])
        mask = not_dominated(np.stack([f.priced for f in found]))
        mask[mask] = not_dominated(plain[mask])
        return TradeOff(
            plain, tuple(self.costed.ball.edge[f.walk] for f in found), np.array([f.length_m for f in found]),
            np.array([f.repeated_m for f in found]), np.array([f.price for f in found]), mask,
            tuple(f.streets for f in found), self.costed.street_length, stopped, steps,
        )  # fmt: skip
