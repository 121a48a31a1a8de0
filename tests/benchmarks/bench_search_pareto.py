"""Routes from one place to another on a made-up network of 50,000 junctions: all that no other passes.

python tests/benchmarks/bench_search_pareto.py

Slow would be 0.2 s for a typical pair with two costs. The yardstick is one Dijkstra over the same network by scipy.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from road_like import road_like
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from routeplan.search import pareto_routes

PAIRS = 12


def best_of_three(work: Callable[[], Any]) -> tuple[float, Any]:
    seconds = []
    for _ in range(3):
        begun = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - begun)
    return min(seconds), result


def main(junctions: int = 50_000) -> None:
    roads = road_like(junctions, seed=1)
    silent_s = roads.time_s * (1 - roads.chance)
    two = np.column_stack([roads.effort_j / 1000, silent_s])
    three = np.column_stack([roads.length_m, silent_s, roads.effort_j / 1000])
    places = roads.starts(2 * PAIRS, seed=3)
    graph = csr_array((two[:, 0] + 1e-6, (roads.tail, roads.head)), shape=(roads.x_m.size, roads.x_m.size))
    pareto_routes(roads.tail, roads.head, two, int(places[0]), int(places[1]))  # compiles
    yard, _ = best_of_three(lambda: dijkstra(graph, indices=int(places[0])))
    print(f"{junctions} junctions; one Dijkstra by scipy {yard * 1000:.0f} ms")
    times = []
    for a, b in zip(places[::2].tolist(), places[1::2].tolist()):
        apart_km = np.hypot(roads.x_m[a] - roads.x_m[b], roads.y_m[a] - roads.y_m[b]) / 1000
        seconds, found = best_of_three(lambda a=a, b=b: pareto_routes(roads.tail, roads.head, two, a, b))
        shortest = pareto_routes(roads.tail, roads.head, three[:, :2], a, b).costs[0, 0]
        ask = {"limit": 1.3 * shortest}
        slower, more = best_of_three(
            lambda a=a, b=b, ask=ask: pareto_routes(roads.tail, roads.head, three, a, b, **ask)
        )
        times.append((seconds, slower))
        print(f"{apart_km:5.1f} km apart: {len(found.edges):4d} routes in {seconds * 1000:4.0f} ms "
              f"({seconds / yard:.1f} Dijkstras); three costs, 1.3 times the shortest: "
              f"{len(more.edges):5d} in {slower * 1000:4.0f} ms")  # fmt: skip
    typical = np.median(times, axis=0) * 1000
    print(f"median: {typical[0]:.0f} ms with two costs, {typical[1]:.0f} ms with three")


if __name__ == "__main__":
    main()
