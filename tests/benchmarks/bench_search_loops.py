"""How good loops are after how long, against the best known; run as a script.

    python tests/benchmarks/bench_search_loops.py [--junctions 30000] [--km 40] [--starts 12] [--seconds 1 5]

Prints, for each start, how far the loop found lies below the best known one of this run (in per cent): the best of all
searches here and of one with another seed and --long seconds. --ratio times the same search on 200,000 and on 30,000
junctions; --planted hides a loop that none can pass among streets of random worth. Slow is: over 3 % at 1 s, over 1 %
at 5 s, a ratio over 1.5.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from road_like import road_like

from routeplan.search import best_loops


def find(net, start, metres, **more):
    return best_loops(
        net.tail, net.head, net.length_m, net.chance * net.length_m, int(start), 0.95 * metres, 1.05 * metres,
        street=net.street, **more,
    )  # fmt: skip


def quality(net, starts, metres, seconds, long_s):
    """Prints the table; returns the worst shortfall for each of `seconds`."""
    worst = np.zeros(len(seconds))
    for start in starts:
        gains = [find(net, start, metres, time_limit_s=s, budget=10**12).loops[0].gain for s in seconds]
        best = max([*gains, find(net, start, metres, time_limit_s=long_s, budget=10**12, seed=1).loops[0].gain])
        below = 100 * (1 - np.array(gains) / best)
        worst = np.maximum(worst, below)
        line = f"start {start:6d}  best known {best:8.0f}  " + "  ".join(
            f"{s:g} s: {b:5.2f} % below" for s, b in zip(seconds, below, strict=True)
        )
        print(line, flush=True)
    for s, w in zip(seconds, worst, strict=True):
        print(f"worst of {len(starts)} starts at {s:g} s: {w:.2f} %")
    return worst


def planted(net, starts, metres, seconds):
    """Finds loops whose optimum is known: all streets of a winding loop earn 1 a metre, others 0.3 to 0.95, and no loop
    may be longer than it."""
    random = np.random.default_rng(7)
    worst = np.zeros(len(seconds))
    for start in starts.tolist():
        shaken = random.random(net.street.max() + 1)[net.street] * net.length_m
        hidden = best_loops(net.tail, net.head, net.length_m, shaken, start, 0.95 * metres, metres, street=net.street,
                            budget=5_000_000).loops[0]  # fmt: skip
        worth = random.uniform(0.3, 0.95, net.street.max() + 1)
        worth[net.street[hidden.edges]] = 1.0
        most = hidden.length_m * (1 + 1e-9)
        below = [
            100 * (1 - best_loops(net.tail, net.head, net.length_m, worth[net.street] * net.length_m, start, 0.9 * most,
                                  most, street=net.street, time_limit_s=s, budget=10**12).loops[0].gain / most)
            for s in seconds
        ]  # fmt: skip
        worst = np.maximum(worst, below)
        told = "  ".join(f"{s:g} s: {b:5.2f} % below" for s, b in zip(seconds, below, strict=True))
        print(f"start {start:6d}  planted {most:8.0f}  {told}", flush=True)
    for s, w in zip(seconds, worst, strict=True):
        print(f"worst of {len(starts)} planted at {s:g} s: {w:.2f} %")


def ratio(metres):
    """Seconds of the same budget of label offers on 200,000 and 30,000 junctions of the same kind."""
    spent = {}
    for junctions in (30_000, 200_000):
        net = road_like(junctions, 2)
        times = []
        for start in net.starts(3, seed=3):
            find(net, start, metres, budget=30_000_000)
            began = time.perf_counter()
            find(net, start, metres, budget=30_000_000)
            times.append(time.perf_counter() - began)
        spent[junctions] = float(np.median(times))
        print(f"{junctions} junctions: {spent[junctions]:.2f} s")
    print(f"ratio {spent[200_000] / spent[30_000]:.2f}")


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--junctions", type=int, default=30_000)
    ask.add_argument("--km", type=float, default=40.0)
    ask.add_argument("--starts", type=int, default=12)
    ask.add_argument("--seconds", type=float, nargs="+", default=[1.0, 5.0])
    ask.add_argument("--long", type=float, default=20.0)
    ask.add_argument("--ratio", action="store_true")
    ask.add_argument("--planted", action="store_true")
    given = ask.parse_args()
    metres = 1000 * given.km
    if given.ratio:
        ratio(metres)
        return
    net = road_like(given.junctions, 1)
    starts = net.starts(given.starts, seed=5)
    find(net, starts[0], metres, budget=1)  # compiled
    if given.planted:
        planted(net, starts, metres, given.seconds)
        return
    quality(net, starts, metres, given.seconds, given.long)


if __name__ == "__main__":
    main()
