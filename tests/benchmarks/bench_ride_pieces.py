"""Time and effort of 500,000 pieces of road, both ways. Over 1 s would be slow.

python tests/benchmarks/bench_ride_pieces.py
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from routeplan.ride.pacing import Rider, ride_pieces


def best_of_three(work: Callable[[], Any]) -> float:
    seconds = []
    for _ in range(3):
        begun = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - begun)
    return min(seconds)


def main(n: int = 500_000) -> None:
    rng = np.random.default_rng(1)
    length, grade = rng.uniform(5, 30, n), rng.normal(0, 0.05, n)
    wind = rng.uniform(-5, 5, n)
    road = {
        "rolling_coefficient": rng.choice([0.005, 0.008, 0.010, 0.015, 0.06], n),
        "speed_cap_m_s": rng.choice([9.7, 8.0, 5.0], n),
        "rider": Rider(),
    }

    def both_ways() -> None:
        ride_pieces(length, grade, headwind_m_s=wind, **road)
        ride_pieces(length, -grade, headwind_m_s=-wind, **road)

    def yardstick() -> None:
        for _ in range(100):
            np.exp(grade)

    seconds, unit = best_of_three(both_ways), best_of_three(yardstick)
    print(f"{n} pieces both ways: {seconds:.2f} s, {seconds / unit:.1f} times 100 exponentials of as many numbers")


if __name__ == "__main__":
    main()
