"""How near to the best known loop the proof comes, after how long; run as a script.

    python tests/benchmarks/bench_search_proof.py [--junctions 30000] [--km 40] [--starts 12] [--at 0 10 30 60 120]
    python tests/benchmarks/bench_search_proof.py --area FOLDER --ride FILE [--at 0 10 30]

For each start: how far what no loop can pass lies above the best known loop (in per cent) after so many seconds, the
search of --long seconds for that loop not counted. With an area and a ride file: the plan's own limit, beside the best
choice. Each proof runs until the last time, or until its programme is solved. Slow is: a gap over 5 % after 120 s on
more than 3 of 12 starts, on two cores.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from bench_search_loops import find
from road_like import road_like

from routeplan.search import bounds, engine
from routeplan.search.ball import make_ball
from routeplan.search.dual import descend


def gaps(net, start, metres, best, at_s):
    """Gap after each of `at_s` seconds, seconds until the programme was solved (nan: it was not), steps a second."""
    began = time.perf_counter()
    gain = net.chance * net.length_m
    ball, cut = make_ball(
        net.tail, net.head, net.length_m, int(start), 0.95 * metres, 1.05 * metres, street=net.street,
        per_edge={"gain": gain},
    )  # fmt: skip
    objective = engine.Objective(
        ball.summed(cut["gain"]), np.zeros(ball.net.tail.size), 0.95 * metres, 1.05 * metres
    )  # fmt: skip
    figure = quick = bounds.quick(ball, objective).gain_at_most
    left, found, solved, steps = list(at_s), [], np.nan, 0
    for standing in descend(bounds.programme(bounds.instance_of(ball, objective))):
        spent = time.perf_counter() - began
        while left and left[0] <= spent:
            found.append(figure)
            left.pop(0)
        figure, steps = min(quick, standing.figure), standing.steps
        if standing.done:
            solved = spent
        if standing.done or not left:
            break
    found += [figure] * len(left)
    return 100 * (np.array(found) / best - 1), solved, steps / (time.perf_counter() - began)


def starts(junctions, metres, count, at_s, long_s):
    """Prints a line for each start and how many are within 5 %."""
    net = road_like(junctions, 1)
    chosen = net.starts(count, seed=5)
    find(net, chosen[0], metres, budget=1)  # compiled
    below = np.zeros(len(at_s), int)
    for start in chosen:
        best = find(net, start, metres, time_limit_s=long_s, budget=10**12).loops[0].gain
        gap, solved, pace = gaps(net, start, metres, best, at_s)
        below += gap <= 5.0
        print(
            f"start {start:6d}  best known {best:8.0f}  "
            + "  ".join(f"{s:g} s: {g:6.2f} %" for s, g in zip(at_s, gap, strict=True))
            + f"  solved after {solved:.0f} s, {pace:.0f} steps a second",
            flush=True,
        )
    for s, number in zip(at_s, below, strict=True):
        print(f"within 5 % at {s:g} s: {number} of {count} starts")


def ride(area, file, at_s):
    """Prints how the limit of a ride file's loops falls."""
    from routeplan.plan import area as areas
    from routeplan.plan import bound, ridefile
    from routeplan.plan.loops import find_loops, loop_window
    from routeplan.plan.setting import departures, round_a_start

    wish = ridefile.read_ride(file)
    departs = departures(wish)
    window = loop_window(wish, departs[0])
    setting = round_a_start(areas.load_area(area), wish, reach_m=window.reach_m, progress=lambda text: None)
    best = bound.best_of(find_loops(setting, window, departs, lambda text: None))
    left = list(at_s)
    for proof in bound.proofs(setting, window, departs, best=best, resume=False):
        while left and (left[0] <= proof.seconds or proof.done):
            print(f"{left.pop(0):g} s: {proof.said}", flush=True)
        if not left:
            break


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--junctions", type=int, default=30_000)
    ask.add_argument("--km", type=float, default=40.0)
    ask.add_argument("--starts", type=int, default=12)
    ask.add_argument("--at", type=float, nargs="+", default=[0.0, 10.0, 30.0, 60.0, 120.0])
    ask.add_argument("--long", type=float, default=10.0)
    ask.add_argument("--area", type=Path)
    ask.add_argument("--ride", type=Path)
    given = ask.parse_args()
    if given.area is not None:
        ride(given.area, given.ride, given.at)
    else:
        starts(given.junctions, 1000 * given.km, given.starts, given.at, given.long)


if __name__ == "__main__":
    main()
