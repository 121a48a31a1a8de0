"""A ball and what its streets cost: the objective of each weighted sum of these costs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np


@dataclass(frozen=True, eq=False)
class CostedBall:
    """A ball with two or three costs of its streets, prices, and the rules of its loops."""

    ball: Any
    edge_costs: np.ndarray  # (e, k) of the fine net
    plain: Any  # the rules and prices alone, no gain
    effort_per_price: float
    repeat_share: float  # of a loop's length, at most

    @cached_property
    def finer(self) -> float:
        """How much finer buckets are than in a ball of the usual room; 1 in a large ball."""
        from routeplan.search import engine

        return engine.finer(float(self.ball.room_m(self.plain.longest_m).sum()), self.plain.longest_m)

    @property
    def small(self) -> bool:
        """Few streets for the length of the loops."""
        return self.finer > 1.0

    @cached_property
    def joined_costs(self) -> np.ndarray:
        """(e, k) of the joined net."""
        return np.stack([self.ball.summed(c) for c in self.edge_costs.T], axis=1)

    @cached_property
    def first_cost(self) -> np.ndarray:
        """(e,) of the joined net, with the price of its turns."""
        return self.joined_costs[:, 0] - self.effort_per_price * self.ball.turns_inside

    @cached_property
    def per_price(self) -> np.ndarray:
        """(k,) of each cost that a unit of price is worth."""
        return np.array([self.effort_per_price, 1.0, 0.0][: self.edge_costs.shape[1]])

    @cached_property
    def typical(self) -> np.ndarray:
        """(k,) costs of a typical loop, above 0."""
        length = max(self.ball.fine.length.sum(), 1.0)
        return np.maximum(self.edge_costs.sum(axis=0) / length * self.plain.middle_m, 1e-9)

    @cached_property
    def street_length(self) -> np.ndarray:
        """(streets,) metres."""
        length = np.zeros(self.ball.fine.near_first.size - 1)
        length[self.ball.fine.street] = self.ball.fine.length
        return length

    @cached_property
    def no_clock(self) -> Any:
        """The fine net where the time of passing is worth nothing."""
        return self.ball.fine._replace(clock_sum=np.zeros(1))

    @cached_property
    def back(self) -> np.ndarray:
        """(e,) edges of the joined net the other way along the same street, -1 where there is none."""
        net = self.ball.net
        order = np.lexsort((np.arange(net.tail.size), net.street))
        a, b = order[:-1], order[1:]
        pair = (net.street[a] == net.street[b]) & (net.tail[a] == net.head[b]) & (net.head[a] == net.tail[b])
        back = np.full(net.tail.size, -1, np.int64)
        back[a[pair]], back[b[pair]] = b[pair], a[pair]
        return back

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

    def carved(self, threads: int | None) -> Any:
        """Every loop at once, where the ball is narrow enough."""
        from routeplan.search import carving

        plain, net = self.plain, self.ball.net
        widest = carving.WIDEST_TWICE if plain.repeats else carving.WIDEST
        again_per_m = float(plain.again.sum() / max(net.length.sum(), 1.0))
        return carving.ways_of(net, plain.repeats, plain.near_gain_per_m, again_per_m, widest=widest, threads=threads)
