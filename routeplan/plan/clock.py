"""The net's windows on the clock of a ride: which seconds count, allowing for arriving early or late."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

# Share of the elapsed time by which a rider is typically early or late; see docs/ride_model.md (judgement).
ARRIVAL_SPREAD = 0.06


@dataclass(frozen=True)
class NetClock:
    """Windows in seconds after departure. Without windows every second counts.

    spread : standard deviation of the time of passing, as a share of the time ridden so far [-].
    """

    windows_s: tuple[tuple[float, float], ...] = ()
    spread: float = ARRIVAL_SPREAD

    @property
    def length_s(self) -> float:
        """Length of all windows together; 0 without any."""
        return sum(end - begin for begin, end in self.windows_s)

    def weight(self, time_s: np.ndarray) -> np.ndarray:
        """Chance (same shape) that a window is open when the rider passes where `time_s` was planned; 1 without any."""
        if not self.windows_s:
            return np.ones_like(time_s, dtype=float)
        from scipy.special import ndtr

        sigma = np.maximum(self.spread * np.abs(time_s), 1.0)
        total = np.zeros_like(time_s, dtype=float)
        for begin, end in self.windows_s:
            total += ndtr((end - time_s) / sigma) - ndtr((begin - time_s) / sigma)
        return np.minimum(total, 1.0)

    def late(self, seconds: float) -> NetClock:
        """The same windows as seen by a rider who leaves `seconds` later."""
        return replace(self, windows_s=tuple((begin - seconds, end - seconds) for begin, end in self.windows_s))

    def table(self, longest_s: float, step_s: float = 10.0) -> tuple[float, float, np.ndarray]:
        """Begin, step [s] and weights of the clock on a grid, as the search takes it."""
        count = max(2, math.ceil(longest_s / step_s) + 1)
        return 0.0, step_s, self.weight((np.arange(count) + 0.5) * step_s)
