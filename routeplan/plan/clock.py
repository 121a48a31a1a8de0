"""The net's windows on the clock of a ride: which seconds count, allowing for riding faster or slower than planned.

The pace of the day is the planned one times 1 + spread z, z standard normal, taken at a few fixed values
(Gauss-Hermite): at each the overlap of ride and windows is exact, so that no ride can count more seconds than a
window has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

# Where no ride's own is at hand: standard deviation of a ride's time as a share of it, as hilly rides have it.
ARRIVAL_SPREAD = 0.06
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class NetClock:
    """Windows in seconds after departure, in order and apart. Without windows every second counts.

    spread : standard deviation of the time of passing, as a share of the time ridden so far [-].
    """

    windows_s: tuple[tuple[float, float], ...] = ()
    spread: float = ARRIVAL_SPREAD

    @property
    def length_s(self) -> float:
        """Length of all windows together; 0 without any."""
        return sum(end - begin for begin, end in self.windows_s)

    def weight(self, time_s: np.ndarray) -> np.ndarray:
        """Seconds that count per planned second at `time_s`, same shape: the chance that a window is open, or 1."""
        time = np.asarray(time_s, dtype=float)
        if not self.windows_s:
            return np.ones_like(time)
        total = np.zeros_like(time)
        for pace, chance in zip(1.0 + self.spread * _NODES, _WEIGHTS):
            for begin, end in self.windows_s:
                total += chance * pace * ((time * pace >= begin) & (time * pace < end))
        return total

    def seconds(self, duration_s: np.ndarray, standing: np.ndarray) -> np.ndarray:
        """Seconds (n,) of each row of a ride that count; a halt (`standing`) lasts as long at any pace."""
        duration = np.asarray(duration_s, dtype=float)
        if not self.windows_s:
            return duration
        total = np.zeros_like(duration)
        for pace, chance in zip(1.0 + self.spread * _NODES, _WEIGHTS):
            passed = np.cumsum(np.where(standing, duration, duration * pace))
            entered = np.concatenate([[0.0], passed[:-1]])
            for begin, end in self.windows_s:
                total += chance * np.maximum(np.minimum(passed, end) - np.maximum(entered, begin), 0.0)
        return total

    def counts_after(self, earliest_s: np.ndarray) -> np.ndarray:
        """Most of a second that can count if it is ridden at `earliest_s` or later, halts or not, same shape."""
        earliest = np.asarray(earliest_s, dtype=float)
        if not self.windows_s:
            return np.ones_like(earliest)
        pace = 1.0 + self.spread * _NODES
        last = max(end for _, end in self.windows_s)
        return np.asarray(((earliest[..., None] * pace < last) * (pace * _WEIGHTS)).sum(axis=-1))

    def late(self, seconds: float) -> NetClock:
        """The same windows as seen by a rider who leaves `seconds` later."""
        return replace(self, windows_s=tuple((begin - seconds, end - seconds) for begin, end in self.windows_s))

    def table(self, longest_s: float, step_s: float = 10.0) -> tuple[float, float, np.ndarray]:
        """Begin, step [s] and mean weights of the clock on a grid, as the search takes it."""
        fine = self.weight((np.arange(5 * max(2, math.ceil(longest_s / step_s) + 1)) + 0.5) * step_s / 5)
        return 0.0, step_s, fine.reshape(-1, 5).mean(axis=1)

    def upper_table(self, longest_s: float, halt_s: float, step_s: float = 10.0) -> tuple[float, float, np.ndarray]:
        """The same, each weight raised to the most that a rider who may have halted for `halt_s` meets: for bounds."""
        from scipy.ndimage import maximum_filter1d

        begin, step, weight = self.table(longest_s + halt_s, step_s)
        around = math.ceil(halt_s / step) + 1
        return begin, step, maximum_filter1d(weight, 2 * around + 1, mode="nearest")


def merged(windows_s: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Windows in order, overlapping ones joined: two nets at once count once."""
    joined: list[tuple[float, float]] = []
    for begin, end in sorted(windows_s):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return tuple(joined)
