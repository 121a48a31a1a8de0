"""A plan for position beacons: how often to send, and what gaps to expect, from the margins along the ride."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.plan.value import Plan, Route, StationSamples

DATA_EXTRA_DB = 6.0  # a packet without repeats needs a fuller signal than understandable speech (judgement)
INTERVALS_S = (60.0, 90.0, 120.0, 180.0, 300.0)
TOLERABLE_GAP_S = 600.0  # a gap that those who follow the ride may find long (judgement)


@dataclass(frozen=True)
class BeaconRow:
    """What to expect at one interval between beacons."""

    interval_s: float
    received_share: float  # of all beacons sent
    mean_gap_s: float  # between beacons received
    longest_gap_s: float  # the longest expected wait for the next one, anywhere on the ride


def packet_chance(station: StationSamples, extra_db: float = DATA_EXTRA_DB) -> np.ndarray:
    """Chance that this station receives one packet, (n,); 0 where there is no data.

    The spread is read back from the margins and chances of the samples: chance = Phi(margin / spread).
    """
    from scipy.special import ndtr, ndtri

    fit = np.isfinite(station.margin_to_db) & (station.chance_to > 0.02) & (station.chance_to < 0.98)
    score = ndtri(station.chance_to[fit])
    usable = np.abs(score) > 0.1
    spread = float(np.median(station.margin_to_db[fit][usable] / score[usable])) if usable.any() else 9.0
    chance = ndtr((station.margin_to_db - extra_db) / max(spread, 1.0))
    return np.nan_to_num(chance)


def beacon_rows(route: Route) -> list[BeaconRow]:
    """Expectations at each interval, any station of the plan counting as a receiver."""
    samples = route.samples
    missed = np.ones(len(samples.time_s))
    for station in samples.stations.values():
        missed = missed * (1 - packet_chance(station))
    end = float(samples.time_s[-1])
    rows = []
    for interval in INTERVALS_S:
        at = np.arange(0.0, end, interval)
        chance = 1 - np.interp(at, samples.time_s, missed)
        wait = np.zeros(len(at) + 1)  # expected time from beacon k on until one is received, or the end
        for k in range(len(at) - 1, -1, -1):
            wait[k] = (1 - chance[k]) * (interval + wait[k + 1])
        received = float(chance.mean())
        rows.append(BeaconRow(interval, received, interval / max(received, 1e-9), interval + float(wait.max())))
    return rows


def beacon_advice(plan: Plan, route: Route) -> str:
    """One sentence: the longest interval whose longest expected gap is tolerable, or the plain truth."""
    if not plan.stations or not route.samples.stations:
        return ""
    rows = beacon_rows(route)
    good = [row for row in rows if row.longest_gap_s <= TOLERABLE_GAP_S]
    row = good[-1] if good else rows[0]
    share, gap = round(row.received_share * 10), round(row.longest_gap_s / 60)
    text = f"Beacon every {row.interval_s:g} s: about {share} in 10 arrive, longest expected gap {gap} min."
    return (
        text if good else f"{text} No interval keeps gaps under {TOLERABLE_GAP_S / 60:.0f} min: agree on times to call."
    )
