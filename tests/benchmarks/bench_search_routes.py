"""`pareto_routes` on 50,000 junctions, two costs, pairs 10 to 20 km apart; a script. Slow is: over 0.2 s a pair."""

from __future__ import annotations

import time

import numpy as np
from road_like import road_like

from routeplan.search import pareto_routes


def main() -> None:
    net = road_like(50_000, 3)
    costs = np.stack([net.length_m, (1 - net.chance) * net.time_s], axis=1)
    starts = net.starts(9, seed=1)
    pareto_routes(net.tail, net.head, costs, int(starts[0]), int(net.head[net.tail == starts[0]][0]))  # compiled
    times = []
    for start in starts:
        away = np.hypot(net.x_m - net.x_m[start], net.y_m - net.y_m[start])
        end = int(np.flatnonzero((away > 10e3) & (away < 20e3))[start % 97])
        began = time.perf_counter()
        result = pareto_routes(net.tail, net.head, costs, int(start), end)
        times.append(time.perf_counter() - began)
        print(f"{away[end] / 1000:5.1f} km: {len(result.edges):5d} routes in {times[-1]:.3f} s")
    print(f"median {np.median(times):.3f} s")


if __name__ == "__main__":
    main()
