"""Hypervolume of the loops that `trade_off` finds in 2 and 10 s against all that is known of the front; a script.

The reference is the union of every search of this run and of one with another seed and --long seconds; the corner is
the worst of its non-dominated loops in each cost, a tenth of the span further out. Slow is: under 0.95 at 2 s, under
0.98 at 10 s.
"""

from __future__ import annotations

import argparse

import numpy as np
from road_like import road_like

from routeplan.search import distinct, trade_off
from routeplan.search.tradeoff import not_dominated


def volume(costs, corner):
    """Area that (m, 2) costs dominate below the corner."""
    costs = costs[(costs < corner).all(axis=1)]
    if not len(costs):
        return 0.0
    costs = costs[not_dominated(costs)]
    costs = costs[np.argsort(costs[:, 0])]
    high = np.r_[corner[1], costs[:-1, 1]]
    return float(((corner[0] - costs[:, 0]) * (high - costs[:, 1])).sum())


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--starts", type=int, default=4)
    ask.add_argument("--seconds", type=float, nargs="+", default=[2.0, 10.0])
    ask.add_argument("--long", type=float, default=60.0)
    given = ask.parse_args()
    net = road_like(30_000, 1)
    for start in net.starts(given.starts, seed=5):

        def find(seconds, seed=0, start=start):
            return trade_off(
                net.tail, net.head, net.length_m, net.effort_j, (1 - net.chance) * net.time_s, int(start), 38e3, 42e3,
                street=net.street, time_s=net.time_s, target_length_m=40e3, length_gain_per_m=-0.02,
                time_limit_s=seconds, budget=10**12, seed=seed,
            )  # fmt: skip

        pools = [find(s) for s in given.seconds]
        known = np.concatenate([p.costs for p in [*pools, find(given.long, 1)]])
        front = known[not_dominated(known)]
        corner = front.max(axis=0) + 0.1 * (front.max(axis=0) - front.min(axis=0))
        whole = volume(front, corner)
        for s, pool in zip(given.seconds, pools, strict=True):
            print(
                f"start {start:6d}  {s:g} s: hypervolume {volume(pool.costs, corner) / whole:.3f}, "
                f"{int(pool.non_dominated.sum())} of {len(pool.costs)} not dominated, "
                f"{len(distinct(pool, 5))} of 5 choices",
                flush=True,
            )


if __name__ == "__main__":
    main()
