"""What is said where a window has no loop: the nearest length that has one, which the same rules allow.

Many starts hang on a street that leads nowhere else, and many windows are too short for the first way round; both are
known before a search is begun.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from routeplan.errors import NoLoopError

if TYPE_CHECKING:
    from routeplan.search.ball import Ball

BEYOND = (2.0, 4.0, 8.0, 16.0, 32.0)  # times the longest length: how far a window's nearest loop is looked for
BEYOND_EDGES = 60_000  # and only in balls of so many
WORTH_A_CUT = 0.95  # a ball is made anew where no more of its edges can be passed
LABELS = 300_000  # of one sweep for it, about
CLOSINGS = 300  # loops taken from it


def ball_of_loops(
    tail: Any,
    head: Any,
    length_m: Any,
    start: int,
    shortest_m: float,
    longest_m: float,
    *,
    repeat_share_at_most: float = 1.0,
    **more: Any,
) -> tuple[Ball, dict[str, np.ndarray]]:
    """`ball.make_ball`, without what lies beyond more bridges than may be ridden twice.

    more : the other arguments of make_ball. Where no way leads on and back, or not without riding more twice, it raises
    NoLoopError with the nearest length that has a loop, if one is found."""
    from routeplan.search.ball import make_ball
    from routeplan.search.bridges import cut_at_bridges

    repeats = bool(more.get("may_repeat", False))
    again_m = repeat_share_at_most * longest_m if repeats else 0.0
    try:
        ball, cut = make_ball(tail, head, length_m, start, shortest_m, longest_m, **more)
        keep, least_m = cut_at_bridges(ball, again_m)
        if keep.mean() > WORTH_A_CUT:
            return ball, cut
        if keep.any():
            some = np.repeat(keep, np.diff(ball.first))
            return _ball_on(ball, np.sort(ball.edge[ball.part[some]]), tail, head, length_m, start, shortest_m, longest_m, **more)  # noqa: E501
        text = f"every loop from node {start} within {longest_m:.0f} m rides {least_m:.0f} m or more a second time"
    except NoLoopError as error:
        text = str(error)
    network = {"tail": tail, "head": head, "length_m": length_m}
    network |= {k: more.get(k) for k in ("street", "banned_turns")}
    nearest = _beyond(network, start, float(longest_m), np.inf, repeats, float(repeat_share_at_most))
    raise NoLoopError(text + _said(nearest), nearest)


def _ball_on(
    whole: Ball, edge: np.ndarray, tail: Any, head: Any, length_m: Any, *window: Any, **more: Any
) -> tuple[Ball, dict[str, np.ndarray]]:
    """make_ball on some of the edges; `whole` is that on all. The ball knows edges by the caller's numbers again."""
    from routeplan.search.ball import make_ball

    if more.get("street") is None:  # paired as in the whole
        street = np.full(np.size(tail), -1)
        street[whole.edge] = whole.fine.street
        more["street"] = street
    row = np.full(np.size(tail), -1)
    row[edge] = np.arange(edge.size)
    for name in ("street", "time_s", "clock_gain"):
        if more.get(name) is not None:
            more[name] = np.asarray(more[name])[edge]
    more["per_edge"] = {name: np.asarray(values)[edge] for name, values in (more.get("per_edge") or {}).items()}
    gain = np.asarray(more["turn_gain"]).ravel() if more.get("turn_gain") is not None else None
    for name in ("banned_turns", "turns"):
        if more.get(name) is not None and np.size(more[name]):
            pairs = row[np.asarray(more[name], dtype=np.int64).reshape(-1, 2)]
            here = (pairs >= 0).all(axis=1)
            more[name] = pairs[here]
            if name == "turns" and gain is not None:
                more["turn_gain"] = gain[here]
    ball, cut = make_ball(np.asarray(tail)[edge], np.asarray(head)[edge], np.asarray(length_m)[edge], *window, **more)
    return replace(ball, edge=edge[ball.edge]), cut


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
    from routeplan.search.bridges import cut_at_bridges

    edges = 0
    for times in BEYOND:
        wide = min(times * longest_m, longest_m + within_m)
        try:
            ball, _ = make_ball(start=start, shortest_m=0.0, longest_m=wide, may_repeat=repeats, **network)
        except NoLoopError:
            ball = None
        if ball is not None and ball.net.tail.size > BEYOND_EDGES:
            return None
        keep = np.zeros(0, bool) if ball is None else cut_at_bridges(ball, share * wide if repeats else 0.0)[0]
        if ball is not None and keep.any():
            found = _nearest(ball, longest_m, wide, repeats, share, make_work(ball, 1), above=True)
            if found is not None:
                return found
        wider = 0 if ball is None else ball.edge.size
        if wide < times * longest_m or (wider == edges > 0 and not repeats and not keep.any()):
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
