"""What a plan implies for transmitting: position beacons and RF exposure screening of one choice.

Both are functions of the Plan alone: margins and overs from its samples, the set from its assumptions.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from routeplan.errors import InputError
from routeplan.plan.hf import by_terrain
from routeplan.plan.value import Plan, PlannedNet, Route

LEAST_SPREAD_DB, USUAL_SPREAD_DB = 3.0, 9.0  # of a margin, where the samples do not tell; judgement


def said(plan: Plan, key: str, otherwise: Any = None) -> Any:
    """Value of an assumption, or `otherwise` where the plan holds none."""
    return next((a.value for a in plan.assumptions if a.key == key), otherwise)


def spoken_on(plan: Plan) -> PlannedNet | None:
    """The net that the rider joins while riding: the first on a band that is predicted by terrain, so none on HF."""
    return next((net for net in plan.nets if by_terrain(net.frequency_mhz)), None)


def frequency_mhz(plan: Plan) -> float | None:
    """What the rider transmits on: of `spoken_on`, else of the first station, else of any net; None without all."""
    net = spoken_on(plan)
    if net is None and plan.stations:
        return plan.stations[0].transmit_mhz or plan.stations[0].frequency_mhz
    net = net or (plan.nets[0] if plan.nets else None)
    return None if net is None else net.frequency_mhz


def spread_db(route: Route) -> float:
    """Spread of the margins [dB], read back from the samples: chance = Phi(margin / spread)."""
    from scipy.special import ndtri

    found = []
    for station in route.samples.stations.values():
        fit = np.isfinite(station.margin_to_db) & (station.chance_to > 0.02) & (station.chance_to < 0.98)
        score = ndtri(station.chance_to[fit])
        clear = np.abs(score) > 0.1
        found += list(station.margin_to_db[fit][clear] / score[clear])
    return max(float(np.median(found)), LEAST_SPREAD_DB) if found else USUAL_SPREAD_DB


def beacon_plan(plan: Plan, route: Route) -> Any:
    """`radio.beacons.BeaconPlan` of a choice, heard by the best of the plan's stations; None without any.

    The data margin is the voice margin, less what a packet needs above speech, plus what the other bandwidth brings.
    """
    from routeplan.radio.beacons import beacon_plan as plan_beacons
    from routeplan.radio.quality import for_contact, mode_of

    samples, mhz = route.samples, frequency_mhz(plan)
    if not samples.stations or mhz is None or len(samples.time_s) < 2:
        return None
    try:
        net = spoken_on(plan)
        voice = mode_of(net.mode if net is not None else str(said(plan, "set.mode", "FM")))
    except InputError:  # a mode of its own words; speech by FM stands for it
        voice = mode_of("FM")
    voice, data = for_contact(voice, mhz), mode_of("data beacon")
    shift_db = (
        voice.required_cn_db() + 10 * math.log10(voice.bandwidth_hz)
        - data.required_cn_db() - 10 * math.log10(data.bandwidth_hz)
    )  # fmt: skip
    margins = np.stack([station.margin_to_db for station in samples.stations.values()])
    best = np.where(np.isnan(margins).all(axis=0), np.nan, np.nanmax(np.nan_to_num(margins, nan=-999.0), axis=0))
    return plan_beacons(
        best + shift_db, time_s=samples.time_s, distance_m=samples.distance_m, sigma_db=spread_db(route),
        frequency_mhz=mhz,
    )  # fmt: skip


def exposure_lines(plan: Plan, route: Route) -> tuple[str, ...]:
    """RF exposure screening in plain sentences, averaged over the overs of a choice; empty where it cannot be had."""
    from routeplan.radio.exposure import RIDER_DISTANCE_M, screen

    watts, mhz = said(plan, "set.transmit_w"), frequency_mhz(plan)
    if not isinstance(watts, int | float) or mhz is None:
        return ()
    mount, gain = str(said(plan, "set.mount", "rack")), said(plan, "set.antenna_gain_dbi", 2.15)
    try:
        result = screen(
            transmit_w=float(watts), frequency_mhz=mhz, overs_s=[(o.begin_s, o.end_s) for o in route.overs],
            gain_dbi=float(gain) if isinstance(gain, int | float) else 2.15,
            mount=mount if mount in RIDER_DISTANCE_M else "hand",
        )  # fmt: skip
    except InputError as error:  # a band without a coded limit
        return (f"RF exposure was not screened: {error}.",)
    return result.lines()
