"""What no loop can pass: proven upper bounds on the gain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from routeplan.search.ball import Ball


@dataclass(frozen=True)
class Bound:
    """`gain_at_most` holds for every loop of the objective; `proof` says how it was had."""

    gain_at_most: float
    proof: str


def quick(ball: Ball, objective: Any) -> Bound:
    """Bound by the streets within reach and the length alone (a fractional knapsack), in milliseconds."""
    net = ball.net
    streets = net.near_first.size - 1
    first = np.full(streets, -np.inf)
    np.maximum.at(first, net.street, objective.gain + clock_most(ball))
    length = np.full(streets, np.inf)
    np.minimum.at(length, net.street, net.length)
    longest = np.zeros(streets)
    np.maximum.at(longest, net.street, net.length)
    # a street may count up to its longest edge where a minimum length must be filled with losses
    items_gain, items_low, items_high = [first], [length], [longest]
    if objective.repeats:
        items_gain.append(objective.again + clock_most(ball))
        items_low.append(net.length)
        items_high.append(net.length)
    g = np.concatenate(items_gain)
    low = np.concatenate(items_low)
    high = np.concatenate(items_high)
    value = _knapsack(g, low, high, objective.shortest_m, objective.longest_m)
    value += np.maximum(net.turn_gain, 0).max(initial=0.0) * net.tail.size * (net.turn_gain > 0).any()
    if objective.near_gain_per_m > 0:
        value += objective.near_gain_per_m * objective.longest_m
    value += 1e-9 * (abs(value) + np.abs(g).max(initial=0.0))
    return Bound(
        float(value),
        "each street within reach at most once, at its better direction and hour, filled into the longest length by "
        "gain per metre (fractional knapsack); prices of turns, near streets and length left out",
    )


def clock_most(ball: Ball) -> np.ndarray:
    """(e,) most that the clock can give an edge of the joined net at any time of passing."""
    net = ball.fine
    if net.clock_sum.size == 1:
        return np.zeros(ball.net.tail.size)
    weight = np.diff(net.clock_sum) / net.clock_step
    top, bottom = max(weight.max(), 0.0), min(weight.min(), 0.0)
    return ball.summed(np.maximum(net.clock_gain * top, net.clock_gain * bottom))


def _knapsack(gain: np.ndarray, low: np.ndarray, high: np.ndarray, shortest: float, longest: float) -> float:
    """Most that sum(x gain) can be with 0 <= x <= 1, sum(x low) <= longest and sum(x high) >= shortest, or more."""
    good = gain > 0
    g, w = gain[good], low[good]
    order = np.argsort(-g / np.maximum(w, 1e-300), kind="stable")
    g, w = g[order], w[order]
    before = np.cumsum(w) - w
    share = np.clip((longest - before) / np.maximum(w, 1e-300), 0.0, 1.0)
    share[w <= 0] = 1.0
    value = float((g * share).sum())
    missing = shortest - float(high[good].sum())
    if missing > 0:
        g, w = gain[~good], high[~good]
        order = np.argsort(-g / np.maximum(w, 1e-300), kind="stable")
        g, w = g[order], w[order]
        before = np.cumsum(w) - w
        share = np.clip((missing - before) / np.maximum(w, 1e-300), 0.0, 1.0)
        value += float((g * share)[w > 0].sum())
    return value


def tighten(ball: Ball, objective: Any, bound: Bound, found: float, deadline: Any) -> Bound:
    """A tighter bound, at more cost."""
    return bound
