"""The best loops on the streets of a few loops, wherever these may lie in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from routeplan.search import carving
from routeplan.search.ball import Ball
from routeplan.search.engine import Aside, Objective, on_streets

ARCS = 200_000  # of the network of their streets, at most


def loops_on(
    ball: Ball,
    objective: Objective,
    walks: Sequence[np.ndarray],
    *,
    aside: Aside,
    least: float,
    slack: float,
    band_width: float,
    most: int,
) -> tuple[list[np.ndarray], int]:
    """The best loops on the streets of some walks of a ball's joined net, ridden as in one of them: (loops, offers).

    As carving.best_of; the clock is read at the mean time that the walks pass a street. Where the walks are too many
    for one network, the last are left out."""
    timed = by_the_clock(ball.net, walks)
    objective = replace(objective, gain=objective.gain + timed, again=objective.again + timed)
    again_per_m = float((objective.again - objective.gain).sum() / max(ball.net.length.sum(), 1.0))
    some, spent = list(walks), 0
    while some:
        part, few, beside = on_streets(ball, objective, aside, some)
        ways = carving.ways_of(part.net, objective.repeats, objective.near_gain_per_m, again_per_m, most_arcs=ARCS)
        spent += carving.OFFERS_MADE * (ARCS if ways is None else ways.arcs.gain.size)
        if ways is not None:
            found, done = carving.best_of(
                ways, few, aside=beside, least=least, slack=slack, band_width=band_width, most=most
            )
            spent += done
            if found is not None:
                return [part.edge[part.expanded(walk)].astype(np.int32) for walk in found], spent
        some = some[: len(some) * 2 // 3]
    return [], spent


def by_the_clock(
    net: Any, walks: Sequence[np.ndarray], earliest: np.ndarray | None = None, latest: np.ndarray | None = None
) -> np.ndarray:
    """(e,) gain by the clock at the mean time that some walks pass each edge.

    On the others its mean between `earliest` and `latest` (e,) of passing, 0 where these are not given."""
    passed, since = np.zeros(net.tail.size), np.zeros(net.tail.size)
    if net.clock_sum.size == 1:
        return since
    for walk in walks:
        np.add.at(passed, walk, 1)
        np.add.at(since, walk, np.cumsum(net.time[walk]) - net.time[walk])
    since /= np.maximum(passed, 1)
    lasts = np.maximum(net.time, 1e-6)
    if earliest is not None and latest is not None:
        since = np.where(passed > 0, since, earliest)
        lasts = np.where(passed > 0, lasts, np.maximum(latest - earliest, lasts))
        passed[:] = 1
    at = net.clock_begin + net.clock_step * np.arange(net.clock_sum.size)
    weight = (np.interp(since + lasts, at, net.clock_sum) - np.interp(since, at, net.clock_sum)) / lasts
    return np.where(passed > 0, net.clock_gain * weight, 0.0)
