"""Position beacons along a ride: how often to send, and how long the map will show nothing new.

The chance of each packet comes from the data margin (quality.mean_packet_chance). Gaps are reckoned twice: as
computed, and with every link 5 dB worse, since the error of the margin is shared by neighbouring packets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import InputError
from routeplan.radio.quality import mean_packet_chance

INTERVALS_S = (
    60.0,
    90.0,
    120.0,
    180.0,
    300.0,
)  # local practice on a shared channel: 1 to 2 min moving, 5 at most
TARGET_GAP_S = 600.0  # ten minutes without a position is when people start to ask; judgement
COMMON_ERROR_DB = 5.0


@dataclass(frozen=True)
class Gap:
    """A stretch of the ride over which a position is expected to take longer than the target to get
    through.
    """

    begin_s: float
    end_s: float
    begin_m: float
    end_m: float


@dataclass(frozen=True)
class BeaconPlan:
    """Interval, and what to expect of it. *_wait_s: expected time from a place to the next position heard."""

    interval_s: float
    sent: int
    expected_heard: float
    mean_wait_s: float
    longest_wait_s: float
    longest_wait_worse_s: float  # every link 5 dB worse
    gaps: tuple[Gap, ...]
    target_gap_s: float
    why: str

    def lines(self) -> tuple[str, ...]:
        """Plain sentences for card and report."""
        stretches = [f"{g.begin_m / 1000:.1f} to {g.end_m / 1000:.1f} km" for g in self.gaps]
        return (
            f"Position beacon every {self.interval_s:.0f} s: {self.sent} sent, about "
            f"{self.expected_heard:.0f} heard; {self.why}.",
            f"Expected wait for a new position: {self.mean_wait_s / 60:.0f} min on average, "
            f"{self.longest_wait_s / 60:.0f} min at worst ({self.longest_wait_worse_s / 60:.0f} min if every "
            f"link is {COMMON_ERROR_DB:.0f} dB worse).",
            f"Waits above {self.target_gap_s / 60:.0f} min are to be expected "
            + ("from " + "; ".join(stretches) if stretches else "nowhere")
            + ".",
        )


def expected_wait_s(time_s: ArrayLike, packet_chance: ArrayLike, interval_s: float) -> NDArray[np.float64]:
    """Expected time [s] from each beacon to the next one heard (itself: 0), for beacons every `interval_s`.

    time_s, packet_chance (n,) : along the ride, ascending; NaN chances count as not heard. Backwards from the
    end: wait_j = (1 - p_j)(interval + wait_j+1); a beacon never heard before the end waits to the end.
    """
    t, p = np.asarray(time_s, dtype=float), np.nan_to_num(np.asarray(packet_chance, dtype=float))
    at = np.interp(_sent(t, interval_s), t, p)
    wait = np.zeros(len(at) + 1)
    for j in range(len(at) - 1, -1, -1):
        wait[j] = (1 - at[j]) * (interval_s + wait[j + 1])
    return wait[:-1]


def _sent(time_s: NDArray[np.float64], interval_s: float) -> NDArray[np.float64]:
    return np.arange(time_s[0], time_s[-1] + 1e-6, interval_s)


def beacon_plan(
    margin_db: ArrayLike,
    *,
    time_s: ArrayLike,
    distance_m: ArrayLike,
    sigma_db: float,
    frequency_mhz: float = 144.8,
    interval_s: float | None = None,
    target_gap_s: float = TARGET_GAP_S,
) -> BeaconPlan:
    """Plan of position beacons for a ride.

    margin_db (n,) : data margin to the best receiver [dB] (mode "data beacon"); NaN: no data, taken as not
    heard. time_s, distance_m (n,) : ascending.  sigma_db : spread of the margin.
    interval_s : None takes the longest usual interval that keeps the expected wait below the target wherever
    the shortest one can: a shared channel is not to be filled for nothing.
    """
    t, d, m = (np.asarray(a, dtype=float) for a in (time_s, distance_m, margin_db))
    if not (t.shape == d.shape == m.shape and t.ndim == 1 and t.size >= 2):
        raise InputError("time, distance and margin need one row each per place, two places at least", "beacon_plan")
    if np.any(np.diff(t) < 0):
        raise InputError("time must not go backwards", "beacon_plan")
    if interval_s is not None and not 10 <= interval_s <= 3600:
        raise InputError("10 s to an hour between beacons", f"interval_s = {interval_s:g}", "60 to 300 is usual")
    speed = np.gradient(d, np.maximum.accumulate(t + np.arange(t.size) * 1e-9))
    chance, worse = (
        mean_packet_chance(m - shift, sigma_db, speed_m_s=np.abs(speed), frequency_mhz=frequency_mhz)
        for shift in (0.0, COMMON_ERROR_DB)
    )
    if interval_s is None:
        within = [_share_within(t, chance, i, target_gap_s) for i in INTERVALS_S]
        fit = [i for i, share in zip(INTERVALS_S, within) if share >= within[0] - 0.02]
        chosen = fit[-1]
        longest = f"the longest usual interval that loses nothing against {INTERVALS_S[0]:.0f} s"
        why = longest if chosen > INTERVALS_S[0] else "the shortest usual interval: a longer one would leave gaps"
    else:
        chosen, why = float(interval_s), "as asked for"
    sent = _sent(t, chosen)
    wait = expected_wait_s(t, chance, chosen)
    heard = np.interp(sent, t, np.nan_to_num(chance))
    return BeaconPlan(
        chosen, len(sent), float(heard.sum()), float(wait.mean()), float(wait.max()),
        float(expected_wait_s(t, worse, chosen).max()), 
        _gaps(sent, np.interp(sent, t, d), wait > target_gap_s), target_gap_s, why,
    )  # fmt: skip


def _share_within(
    time_s: NDArray[np.float64], chance: NDArray[np.float64], interval_s: float, target_s: float
) -> float:
    return float(np.mean(expected_wait_s(time_s, chance, interval_s) <= target_s))


def _gaps(time_s: NDArray[np.float64], distance_m: NDArray[np.float64], inside: NDArray[np.bool_]) -> tuple[Gap, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    return tuple(
        Gap(float(time_s[a]), float(time_s[b - 1]), float(distance_m[a]), float(distance_m[b - 1]))
        for a, b in zip(edges[::2], edges[1::2])
    )
