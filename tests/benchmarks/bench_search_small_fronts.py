"""What share of the true trade-off `trade_off` finds on small networks, where every loop can be listed; a script.

    python tests/benchmarks/bench_search_small_fronts.py [--seeds 4] [--steps 1000000] [--junctions 20 60] [--sums]

Each network gets the longest window (a fifth wide) whose loops can be listed within --steps steps. A loop of the true
front counts as found if one of the same effort and loss was; the hypervolume's corner lies a tenth of the front's span
outside it. With --sums weighted sums are searched where every loop would be looked at. Slow (poor) is: a median share
below 0.8, a median hypervolume below 0.98, any network without a loop found.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from routeplan.errors import NoLoopError
from routeplan.search import trade_off, tradeoff

sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
from every_loop import KINDS, found_share, truth, volume_share


def figures(known) -> tuple[float, float]:
    """(share of the true front's loops found, share of its hypervolume), with the default budget."""
    asked = known.asked
    try:
        pool = trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start,
                         known.shortest_m, known.longest_m, **asked.rules())  # fmt: skip
    except NoLoopError:
        return 0.0, 0.0
    return found_share(known, pool.costs), volume_share(known, pool.costs)


def told(name: str, rows: list[tuple[float, float]], fronts: int) -> None:
    share, volume = np.array(rows).T
    print(f"{name:18s} {len(rows):3d} networks, {fronts:4d} loops on fronts; found: median {np.median(share):.2f}, "
          f"mean {share.mean():.2f}, worst {share.min():.2f}, whole front {np.mean(share == 1):4.0%}; "
          f"hypervolume: median {np.median(volume):.3f}, mean {volume.mean():.3f}, worst {volume.min():.3f}",
          flush=True)  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--seeds", type=int, default=4)
    ask.add_argument("--steps", type=int, default=1_000_000)
    ask.add_argument("--junctions", type=int, nargs="+", default=[20, 60, 120, 250])
    ask.add_argument("--sums", action="store_true")
    given = ask.parse_args()
    if given.sums:
        tradeoff.LISTING = 0
    every, fronts, spent = [], 0, 0.0
    for kind in KINDS:
        rows, loops = [], 0
        for junctions in given.junctions:
            for seed in range(given.seeds):
                known = truth(kind, junctions, seed, given.steps)
                if known is None:
                    continue
                began = time.perf_counter()
                rows.append(figures(known))
                spent += time.perf_counter() - began
                loops += len(known.front)
                if not rows[-1][1]:
                    print(f"  {kind}, {junctions} junctions, seed {seed}: none of {known.loops} loops found")
        told(kind, rows, loops)
        every += rows
        fronts += loops
    told("all", every, fronts)
    print(f"{spent / len(every):.2f} s a search")


if __name__ == "__main__":
    main()
