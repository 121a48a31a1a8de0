"""The best closed ride by gain alone."""

from __future__ import annotations

from typing import Any

import numpy as np

from routeplan.search.nearest import ball_of_loops, no_loop
from routeplan.search.values import Loop, LoopResult, shared_share

BUDGET = 80_000_000  # label offers; some seconds on two cores


def best_loops(
    tail: Any,
    head: Any,
    length_m: Any,
    gain: Any,
    start: int,
    shortest_m: float,
    longest_m: float,
    *,
    street: Any = None,
    may_repeat: bool = False,
    count: int = 1,
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
    shared_at_most: float = 1.0,
    budget: int | None = None,
    prove: bool = False,
    threads: int | None = None,
) -> LoopResult:
    """Closed walks from `start` of a length in [shortest_m, longest_m] with the largest sum of gains, best first.

    tail, head   : node of each directed edge, (e,); nodes count from 0
    length_m     : (e,), >= 0
    gain         : (e,), finite, may be negative; earned at the first passage of a street
    street       : (e,), equal for the edges of one street; None: the k-th edge a->b pairs with the k-th edge b->a
    may_repeat   : False: each street at most once. True: each edge at most once, the gain of a street once; a later
                   passage earns `repeat_gain_per_m` (a price is negative) for each metre, and no more than
                   `repeat_share_at_most` of the length is ridden again
    count        : loops wanted, 0 for the proven figure alone; they differ in their streets, and any two share at
                   most `shared_at_most` of the shorter one's length
    time_s, clock_gain, clock : an edge passed from t0 to t1 (seconds after departure, sums of time_s) earns in addition
                   clock_gain times the mean over [t0, t1] of a weight; clock = (begin_s, step_s, weights), weight k
                   holds from begin_s + k step_s for step_s, and is 0 outside
    banned_turns : (m, 2) edges that may not follow each other; turns, turn_gain : (m, 2), (m,) gain (a price is
                   negative) of one edge following another
    near, near_gain_per_m : (m, 2) pairs of streets side by side; a street ridden after its neighbour earns this much a
                   metre more (a price is negative)
    target_length_m, length_gain_per_m : gain (negative) for each metre between the loop's length and the target
    time_limit_s : stops the search and says so; without it the search counts `budget` label offers (in small balls
                   also exact.STEPS of settling) and repeats exactly
    prove        : tighten `gain_at_most` to a figure with a certificate (see routeplan.search.bounds), until the time
                   limit where there is one; without it, where a small ball was settled, it is the best loop's gain

    A loop does not turn back on the street just ridden, except through the start; places may recur. The result's
    `gain_at_most` is proven for all of these loops, whatever the time limit. Small balls (see routeplan.search.exact)
    are settled after the search, where that takes few enough steps: the first loop is the best there is then.
    Raises InputError (every fault at once), NoLoopError (with the nearest length of a loop that the same rules allow,
    if one was found)."""
    from routeplan.search import bounds, engine, exact

    deadline = engine.Deadline(time_limit_s)
    ball, cut = ball_of_loops(
        tail, head, length_m, start, shortest_m, longest_m, repeat_share_at_most=repeat_share_at_most,
        street=street, may_repeat=may_repeat, banned_turns=banned_turns, turns=turns, turn_gain=turn_gain, near=near,
        time_s=time_s, clock_gain=clock_gain, clock=clock, per_edge={"gain": gain},
    )  # fmt: skip
    again = repeat_gain_per_m * ball.fine.length
    objective = engine.Objective(
        ball.summed(cut["gain"]) + ball.turns_inside, ball.summed(again) + ball.turns_inside, float(shortest_m), float(longest_m),  # noqa: E501
        float(near_gain_per_m), float(target_length_m or 0.0),
        -abs(float(length_gain_per_m)) if target_length_m is not None else 0.0,
        bool(may_repeat), repeat_share_at_most * float(longest_m), cut["gain"], again,
    )  # fmt: skip
    bound = bounds.quick(ball, objective)
    if count == 0:
        return LoopResult((), bound.gain_at_most, bound.proof, False)
    space = engine.Space(ball)
    walks, spent = engine.search(
        ball, objective, seed=seed, budget=budget or engine.usual_budget(ball, BUDGET), deadline=deadline, space=space, threads=threads,  # noqa: E501
        enough=lambda value: count == 1 and value >= bound.gain_at_most - 1e-9 * max(1.0, abs(bound.gain_at_most)),
    )  # fmt: skip
    loops = _ranked(ball, objective, walks, space.work(0), repeat_share_at_most)
    complete = False
    best = loops[0][0].gain if loops else -np.inf
    if best < bound.gain_at_most:
        settled = exact.settle(ball, objective, best, deadline=deadline)
        spent, complete = spent + settled.steps, settled.complete
        if settled.walk is not None:
            loops = _ranked(ball, objective, [*walks, settled.walk], space.work(0), repeat_share_at_most)
            complete = complete and bool(loops) and loops[0][0].gain > best  # else rounding let it in
        if complete and loops and not prove:
            bound = _all_compared(bound, loops[0][0].gain)
    if not loops:
        network = {"tail": tail, "head": head, "length_m": length_m, "street": street, "banned_turns": banned_turns}
        raise no_loop(ball, objective, space.work(0), start, network=network, complete=complete)
    chosen = _apart(loops, ball, count, shared_at_most)
    if prove:
        bound = bounds.tighten(ball, objective, bound, loops[0][0].gain, deadline.left())
        deadline.passed()  # it says so if the proof was cut short
    return LoopResult(tuple(chosen), bound.gain_at_most, bound.proof, deadline.stopped, spent, bound.certificate)


def _all_compared(bound, best):
    """The bound of a ball that was settled: its best loop, and what counts as equal."""
    from routeplan.search.bounds import Bound
    from routeplan.search.exact import CLOSE

    most = best + 2.0 * CLOSE * abs(best)
    if most >= bound.gain_at_most:
        return bound
    scope = bound.proof[bound.proof.index("; holds for") :]
    return Bound(most, f"every loop was looked at, but for what cannot be better{scope}")


def _ranked(ball, objective, walks, work, share):
    """(Loop, streets) for each set of streets, best first, ties by edges."""
    from routeplan.search import kernels

    best: dict[bytes, tuple[Loop, np.ndarray]] = {}
    rules = objective.rules()
    for joined in walks:
        walk = ball.expanded(joined)
        value, length, repeated, time, faults = kernels.measure(
            ball.fine, objective.fine_gain, objective.fine_again, rules, walk, walk.size, work)  # fmt: skip
        if faults or (not objective.repeats and repeated > 0) or repeated > share * length:
            continue
        if not objective.shortest_m <= length <= objective.longest_m:
            continue
        streets = np.unique(ball.fine.street[walk])
        key = streets.tobytes()
        edges = ball.edge[walk]
        if key not in best or (-value, edges.tolist()) < (-best[key][0].gain, best[key][0].edges.tolist()):
            best[key] = Loop(edges, length, value, repeated, time), streets
    return sorted(best.values(), key=lambda item: (-item[0].gain, item[0].edges.tolist()))


def _apart(loops, ball, count, shared_at_most):
    """The best `count` of which any two share at most so much of the shorter one's length."""
    if shared_at_most >= 1.0:
        return [loop for loop, _ in loops[:count]]
    length = np.zeros(ball.fine.near_first.size - 1)
    length[ball.fine.street] = ball.fine.length
    chosen: list[tuple[Loop, np.ndarray]] = []
    for loop, streets in loops:
        if all(shared_share(streets, other, length) <= shared_at_most for _, other in chosen):
            chosen.append((loop, streets))
            if len(chosen) == count:
                break
    return [loop for loop, _ in chosen]
