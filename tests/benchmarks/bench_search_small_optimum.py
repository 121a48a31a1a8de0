"""How often `best_loops` gives the optimum on small networks, by the search alone and with balls settled; a script.

    python tests/benchmarks/bench_search_small_optimum.py [--networks 60] [--seconds 10]

Networks of 20 to 250 junctions; windows 7/9 to 1 of 4 to 12 km; gain: metres times contact chance, or times a chance
drawn for each street; every third starts on a stem and may ride streets twice. The optimum comes from a mixed integer
programme (HiGHS, see exact_loops.py) or, where that is not done in --seconds, from looking at every loop. Poor is: any
optimum missed; settling that takes more than 0.6 s.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from routeplan.errors import NoLoopError
from routeplan.search import best_loops, exact

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
from exact_loops import best_gain
from road_like import road_like

JUNCTIONS = (20, 40, 60, 120, 250)
LONGEST_M = (4000.0, 7000.0, 9000.0, 12000.0)


def question(number: int) -> dict[str, Any]:
    """Arguments of best_loops; seeded by the number."""
    random = np.random.default_rng(number)
    net = road_like(JUNCTIONS[number % len(JUNCTIONS)], number)
    tail, head, street, length = net.tail, net.head, net.street, net.length_m.round()
    share = net.chance if number % 2 else random.beta(0.6, 0.6, street.max() + 1)[street]
    start = int(net.starts(1, number, margin=0.1)[0])
    longest = LONGEST_M[number // len(JUNCTIONS) % len(LONGEST_M)]
    gain = share * length
    if number % 3 == 2:
        stem, s = tail.max() + 1, street.max() + 1
        tail, head, street = np.r_[tail, stem, start], np.r_[head, start, stem], np.r_[street, s, s]
        length, gain, start = np.r_[length, 300.0, 300.0], np.r_[gain, 120.0, 120.0], int(stem)
    return {
        "tail": tail, "head": head, "length_m": length, "gain": gain, "start": start,
        "shortest_m": np.floor(longest * 7 / 9), "longest_m": longest, "street": street, "may_repeat": number % 3 == 2,
    }  # fmt: skip


def found(asked: dict[str, Any], edges: int, **more: Any) -> tuple[float, float, bool]:
    """(gain, seconds, proven) of best_loops, balls of up to so many edges settled."""
    exact.EDGES, usual = edges, exact.EDGES
    began = time.perf_counter()
    try:
        result = best_loops(**asked, **more)
        gain, proven = result.loops[0].gain, result.gain_at_most <= result.loops[0].gain * (1 + 1e-9)
    except NoLoopError as error:
        gain, proven = -np.inf, "there is no loop" in str(error) or "every loop" in str(error)
    finally:
        exact.EDGES = usual
    return gain, time.perf_counter() - began, proven


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--networks", type=int, default=60)
    ask.add_argument("--seconds", type=float, default=10.0)
    given = ask.parse_args()
    rows = []
    found(question(0), exact.EDGES)  # compiles
    for number in range(given.networks):
        asked = question(number)
        before, before_s, _ = found(asked, 0)
        after, after_s, proven = found(asked, exact.EDGES)
        again = {k: asked[k] for k in ("tail", "head")} | {"length": asked["length_m"]}
        again |= {k: asked[k] for k in ("gain", "street", "start", "may_repeat")}
        best = best_gain(
            **again, shortest=asked["shortest_m"], longest=asked["longest_m"], seconds=given.seconds)  # fmt: skip
        best = -np.inf if best is None else best
        solved = not np.isnan(best)
        if proven and solved and not np.isclose(best, after, rtol=1e-6):
            print(f"  {number}: settled at {after}, the programme says {best}")
        best = best if solved else after if proven else np.nan
        rows.append((solved, proven, np.isclose(best, before, rtol=1e-6), np.isclose(best, after, rtol=1e-6),
                     before_s, after_s - before_s))  # fmt: skip
        print(f"{number:3d} {asked['tail'].size:4d} edges, to {asked['longest_m']:5.0f} m: "
              f"{before:9.2f} in {before_s:.2f} s, {after:9.2f} in {after_s:.2f} s{', proven' if proven else ''}; "
              f"programme {best if solved else np.nan:9.2f}", flush=True)  # fmt: skip
    solved, proven, before, after, seconds, more = np.array(rows).T
    known = (solved + proven) > 0
    print(f"{len(rows)} networks; optimum known of {known.sum()} "
          f"(programme {solved.sum():.0f}, settled {proven.sum():.0f})")  # fmt: skip
    by_programme = solved > 0
    print(f"optimum reached: search alone {before[known].sum():.0f}, with balls settled {after[known].sum():.0f}; of "
          f"the programme's {before[by_programme].sum():.0f} and {after[by_programme].sum():.0f}")  # fmt: skip
    print(f"seconds: search alone median {np.median(seconds):.2f}, settling adds median {np.median(more):.3f}, "
          f"most {more.max():.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
