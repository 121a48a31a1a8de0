"""What is said where a window has no loop: the nearest length that has one, which the same rules allow.

Many starts hang on a street that leads nowhere else, and many windows are too short for the first way round; both are
known before a search is begun.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from routeplan.errors import NoLoopError

if TYPE_CHECKING:
    from routeplan.search.ball import Ball

BEYOND = (2.0, 4.0, 8.0, 16.0, 32.0)  # times the longest length: how far a window's nearest loop is looked for
BEYOND_EDGES = 60_000  # and only in balls of so many
LABELS = 300_000  # of one sweep for it, about
CLOSINGS = 300  # loops taken from it


def ball_of_loops(
    *network: Any, may_repeat: bool = False, repeat_share_at_most: float = 1.0, **more: Any
) -> tuple[Ball, dict[str, np.ndarray]]:
    """`ball.make_ball` (see there for the arguments) for loops that ride so much of their length twice, at most.

    Where it raises NoLoopError, that has the nearest length that has a loop, if one is found."""
    from routeplan.search.ball import make_ball

    tail, head, length_m, start, _, longest_m = network
    again_m = repeat_share_at_most * longest_m if may_repeat else 0.0
    try:
        return make_ball(*network, may_repeat=may_repeat, again_m=again_m, **more)
    except NoLoopError as error:
        streets = {"tail": tail, "head": head, "length_m": length_m}
        streets |= {k: more.get(k) for k in ("street", "banned_turns")}
        nearest = _beyond(streets, start, float(longest_m), np.inf, may_repeat, float(repeat_share_at_most))
        raise NoLoopError(f"{error}{_said(nearest)}", nearest) from None


def no_loop(
    ball: Ball, objective: Any, work: Any, start: int, *, network: dict[str, Any] | None = None, complete: bool = False
) -> NoLoopError:
    """The error for a window without a loop, with the nearest length of a loop that the objective's rules allow.

    network  : tail, head, length_m, street and banned_turns as given to make_ball: the lengths beyond the window are
               looked at too, up to BEYOND times the longest
    complete : there is no loop, rather than none that was found"""
    share = float(objective.repeat_m / objective.longest_m)
    nearest = None
    if objective.shortest_m > 0:
        nearest = _nearest(ball, 0.0, objective.shortest_m, objective.repeats, share, work, above=False)
    if network is not None:
        below_m = np.inf if nearest is None else objective.shortest_m - nearest
        longer = _beyond(network, start, objective.longest_m, below_m, objective.repeats, share)
        nearest = nearest if longer is None else longer
    window = f"{objective.shortest_m:.0f} to {objective.longest_m:.0f} m"
    text = f"there is no loop of {window}" if complete else f"no loop of {window} was found"
    return NoLoopError(f"{text} from node {start}{_said(nearest)}", nearest)


def _said(nearest: float | None) -> str:
    return "" if nearest is None else f"; the nearest that was found has {nearest:.0f} m"


def _beyond(
    network: dict[str, Any], start: int, longest_m: float, within_m: float, repeats: bool, share: float
) -> float | None:
    """Shortest allowed loop found above `longest_m`, by less than `within_m`; wider and wider, to BEYOND."""
    from routeplan.search.ball import make_ball, make_work
    from routeplan.search.bridges import passable

    edges = 0
    for times in BEYOND:
        wide = min(times * longest_m, longest_m + within_m)
        wider, way_round = 0, False
        with suppress(NoLoopError):
            ball, _ = make_ball(start=start, shortest_m=0.0, longest_m=wide, may_repeat=repeats, **network)
            net, wider = ball.net, ball.edge.size
            if net.tail.size > BEYOND_EDGES:
                return None
            again_m = share * wide if repeats else 0.0
            way_round = bool(passable(net.tail, net.head, net.street, net.length, net.start, again_m)[0].any())
            if way_round:
                found = _nearest(ball, longest_m, wide, repeats, share, make_work(ball, 1), above=True)
                if found is not None:
                    return found
        if wide < times * longest_m or (wider == edges > 0 and not repeats and not way_round):
            return None  # nothing nearer beyond, or no further streets
        edges = wider
    return None


def _nearest(
    ball: Ball, shortest_m: float, longest_m: float, repeats: bool, share: float, work: Any, *, above: bool
) -> float | None:
    """Length of the shortest (`above`) or the longest allowed loop of a window, of those that sweeps find; in small
    balls, of all."""
    from routeplan.search import engine, exact, kernels

    ball = exact.without_prices(ball)
    best: float | None = None
    target = shortest_m if above else longest_m
    span = float(ball.room_m(longest_m).sum())

    def objective(repeat_m: float, gain: np.ndarray, again: np.ndarray, pull: float) -> engine.Objective:
        return engine.Objective(
            gain, again, shortest_m, longest_m, 0.0, target, pull, repeats, repeat_m,
            np.zeros(ball.fine.tail.size), np.zeros(ball.fine.tail.size),
        )  # fmt: skip

    zeros = np.zeros(ball.net.tail.size)
    # of two ways to the same place, the one that rides less of it twice
    by_length = objective(share * longest_m, zeros, -1e-3 * ball.net.length, -1.0)

    def look(walks: list[np.ndarray]) -> None:
        nonlocal best
        for walk in walks:
            _, length, again, _, faults = kernels.measure(
                ball.net, zeros, zeros, by_length.rules(), walk, walk.size, work)  # fmt: skip
            if faults or (repeats and again > share * length) or not shortest_m <= length <= longest_m:
                continue
            if best is None or abs(length - target) < abs(best - target):
                best = float(length)

    for step in (max(longest_m / 160.0, span / LABELS), max(longest_m / 800.0, span / (5.0 * LABELS))):
        look(engine.whole(ball, by_length, step, most=CLOSINGS)[0])
        if best is not None or above:
            break
    if repeats and best is not None:  # how much may be ridden again hangs on the length that comes out
        look(engine.whole(ball, replace(by_length, repeat_m=share * best), step, most=CLOSINGS)[0])
    sign = -1.0 if above else 1.0
    known = -np.inf if best is None else sign * best
    settled = exact.settle(
        ball, objective(share * longest_m, sign * ball.net.length, sign * ball.net.length, 0.0), known)  # fmt: skip
    look([] if settled.walk is None else [settled.walk])
    return best
