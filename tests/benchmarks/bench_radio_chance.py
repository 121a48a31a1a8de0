"""Speed of the rule's chance and of the drawn rides, as ratios to a plain pass over the same numbers.

Run: python tests/benchmarks/bench_radio_chance.py        (best of three)

"Slow" would be: 100,000 places and four stations above 60 times one normal distribution over the same numbers for one
common correlation, or 400 draws of a ride of 2,000 samples and three stations above 20 times drawing the random
numbers alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.special import ndtr

from routeplan.radio.chance import bearing_correlation, contact_minutes, rule_chance


def best_s(run: Callable[[], object]) -> float:
    run()
    times = []
    for _ in range(3):
        began = time.perf_counter()
        run()
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    rng = np.random.default_rng(0)
    for k in (2, 3, 4):
        p = rng.uniform(size=(k, 100_000))
        plain = best_s(lambda p=p: ndtr(p))
        for label, correlation in (("0.5", 0.5), ("by bearing", bearing_correlation(np.linspace(0, 150, k) ** 1.2))):
            took = best_s(lambda p=p, c=correlation: rule_chance(p, "any", c))
            print(f"any of {k}, correlation {label:10s}: {took:6.3f} s, {took / plain:5.1f} x one normal distribution")
    margin = rng.normal(5, 8, (3, 2000))
    plain = best_s(lambda: np.random.default_rng(0).standard_normal((2000, 3, 400), dtype=np.float32))
    took = best_s(
        lambda: contact_minutes(
            margin,
            distance_m=np.arange(2000) * 10.0,
            seconds=np.full(2000, 1.8),
            constant_db=5.7,
            changing_db=6.5,
        )
    )
    print(f"400 rides of 2,000 samples, 3 stations: {took:.3f} s, {took / plain:.1f} x drawing the random numbers")


if __name__ == "__main__":
    main()
