"""RF exposure screening: published far-field formulas against published limits, time-averaged over the overs.

This is screening and nothing more: it is no statement of compliance, and it says nothing about the reactive
near field (closer than lambda / 2 pi), where the formulas do not hold. There no distance is given at all,
only the averaged power and a pointer to the maker's statement.

Sources: FCC OET Bulletin 65 (formulas and ground factors), ICNIRP Guidelines 2020 (Health Physics 118(5) 483,
Tables 5 and 6, general public; whole-body values of 27.7 V/m, 2 W/m2 and f/200 from memory and one public
coding), 47 CFR 1.1310 (general population) and 1.1307(b)(3)(i)(C) (exemption by effective radiated power).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from routeplan.errors import Fault, InputError

FREE_SPACE_OHM = 377.0  # as the bulletins round it
SPEED_OF_LIGHT_M_S = 299_792_458.0
GROUND_NONE = 1.0  # OET-65: free space
GROUND_USUAL = 2.56  # OET-65: 60 % of the field reflected, 1.6^2 in power
GROUND_FULL = 4.0  # OET-65: full reflection

LEAST_GAIN_DBI = 2.15  # a lossy whip is counted as a dipole, which leans to the cautious side
TALK_SHARE = 0.5  # of an over that the rider talks; the share used in handheld test reports too
RIDER_DISTANCE_M = {"rack": 0.6, "chest": 0.05, "hand": 0.05, "held high": 0.3}  # antenna to rider; judgement


def power_density_w_m2(
    power_w: float, gain_dbi: float, distance_m: float, *, duty: float = 1.0, ground: float = GROUND_NONE
) -> float:
    """Power density [W/m2] in the far field, S = ground P duty G / (4 pi R^2). OET Bulletin 65, eq. 3 and
    6.
    """
    return ground * power_w * duty * 10 ** (gain_dbi / 10) / (4 * math.pi * distance_m**2)


def field_v_m(power_w: float, gain_dbi: float, distance_m: float, *, duty: float = 1.0) -> float:
    """Field [V/m] in free space, E = sqrt(30 P duty G) / R."""
    return math.sqrt(30 * power_w * duty * 10 ** (gain_dbi / 10)) / distance_m


def distance_for_limit_m(
    limit_w_m2: float, power_w: float, gain_dbi: float, *, duty: float = 1.0, ground: float = GROUND_USUAL
) -> float:
    """Distance [m] at which `power_density_w_m2` falls to a limit; only meaningful beyond
    `reactive_near_field_m`.
    """
    return math.sqrt(ground * power_w * duty * 10 ** (gain_dbi / 10) / (4 * math.pi * limit_w_m2))


def reactive_near_field_m(frequency_mhz: float) -> float:
    """lambda / 2 pi [m]: inside it the far-field formulas do not hold."""
    return SPEED_OF_LIGHT_M_S / (frequency_mhz * 1e6) / (2 * math.pi)


@dataclass(frozen=True)
class Limit:
    """A reference level for the public: field [V/m], power density [W/m2], averaged over [s]."""

    name: str
    field_v_m: float
    power_density_w_m2: float
    averaging_s: float


def icnirp_whole_body(frequency_mhz: float) -> Limit:
    """ICNIRP 2020, general public, averaged over the whole body and 30 min; 0.1 MHz to 300 GHz.

    Below 30 MHz only fields are given; the power density is then that of a plane wave with that field.
    """
    f = _checked(frequency_mhz)
    if f <= 30:
        field = 300 / f**0.7
        return Limit("ICNIRP 2020 whole body", field, field**2 / FREE_SPACE_OHM, 1800.0)
    if f <= 400:
        return Limit("ICNIRP 2020 whole body", 27.7, 2.0, 1800.0)
    if f <= 2000:
        return Limit("ICNIRP 2020 whole body", 1.375 * f**0.5, f / 200, 1800.0)
    return Limit("ICNIRP 2020 whole body", math.sqrt(10 * FREE_SPACE_OHM), 10.0, 1800.0)


def icnirp_local(frequency_mhz: float) -> Limit:
    """ICNIRP 2020, general public, local exposure averaged over 6 min; 0.1 MHz to 6 GHz."""
    f = _checked(frequency_mhz)
    if f <= 30:
        field = 671 / f**0.7
        return Limit("ICNIRP 2020 local", field, field**2 / FREE_SPACE_OHM, 360.0)
    if f <= 400:
        return Limit("ICNIRP 2020 local", 62.0, 10.0, 360.0)
    if f <= 2000:
        return Limit("ICNIRP 2020 local", 4.72 * f**0.43, 0.058 * f**0.86, 360.0)
    return Limit("ICNIRP 2020 local", math.sqrt(40 * FREE_SPACE_OHM), 40.0, 360.0)


def fcc_public(frequency_mhz: float) -> Limit:
    """47 CFR 1.1310, Table 1(ii), general population, averaged over 30 min; 1.34 MHz to 100 GHz."""
    f = _checked(frequency_mhz)
    if f <= 30:
        return Limit("FCC 1.1310 public", 824 / f, 1800 / f**2, 1800.0)
    if f <= 300:
        return Limit("FCC 1.1310 public", 27.5, 2.0, 1800.0)
    density = f / 150 if f <= 1500 else 10.0
    return Limit("FCC 1.1310 public", math.sqrt(density * FREE_SPACE_OHM), density, 1800.0)


def fcc_exempt_erp_w(distance_m: float, frequency_mhz: float) -> float:
    """ERP [W] up to which no evaluation is asked for at a distance; NaN closer than lambda / 2 pi. FCC
    19-126.
    """
    f, r = _checked(frequency_mhz), distance_m
    if r < reactive_near_field_m(f):
        return math.nan
    if f < 30:
        return 3450 * r**2 / f**2
    if f < 300:
        return 3.83 * r**2
    return 0.0128 * r**2 * f if f < 1500 else 19.2 * r**2


def _checked(frequency_mhz: float) -> float:
    if not 1.34 <= frequency_mhz <= 6000:
        raise InputError("no exposure limit is coded here", f"{frequency_mhz:g} MHz", "1.34 to 6000 MHz")
    return frequency_mhz


def time_averaged_w(power_w: float, transmissions_s: Sequence[tuple[float, float]], window_s: float) -> float:
    """Power [W] averaged over the worst window of `window_s`.

    transmissions_s : (begin, end) of each, seconds, in any order, not overlapping. The worst window begins
    with a transmission or ends with one, so only those are tried.
    """
    spans = np.asarray(sorted(transmissions_s), dtype=float).reshape(-1, 2)
    if np.any(spans[:, 1] < spans[:, 0]) or np.any(spans[1:, 0] < spans[:-1, 1] - 1e-9):
        raise InputError("transmissions end before they begin, or overlap", "transmissions_s")
    worst = 0.0
    for begin in [*spans[:, 0], *(spans[:, 1] - window_s)]:
        inside = np.minimum(spans[:, 1], begin + window_s) - np.maximum(spans[:, 0], begin)
        worst = max(worst, float(np.maximum(inside, 0).sum()))
    return power_w * min(1.0, worst / window_s)


@dataclass(frozen=True)
class Row:
    """One limit: the averaged power, and the distance beyond which others are below it, or None: no distance
    given.
    """

    limit: Limit
    averaged_w: float
    distance_m: float | None


@dataclass(frozen=True)
class Screening:
    """Result of `screen`; `lines()` words it for people."""

    frequency_mhz: float
    transmit_w: float
    gain_dbi: float
    near_field_m: float
    rider_distance_m: float
    rows: tuple[Row, ...]

    @property
    def rider_inside_near_field(self) -> bool:
        return self.rider_distance_m < self.near_field_m

    def lines(self) -> tuple[str, ...]:
        """Plain sentences, one per line, ending with the cautions."""
        head = (
            f"RF exposure screening, {self.frequency_mhz:g} MHz, {self.transmit_w:g} W, antenna counted as "
            f"{self.gain_dbi:.2f} dBi. A screening figure, not a statement of compliance.",
        )
        body = []
        for row in self.rows:
            minutes = row.limit.averaging_s / 60
            start = f"{row.limit.name}: {row.averaged_w:.2f} W averaged over the worst {minutes:.0f} min"
            if row.distance_m is None:
                body.append(f"{start}; no distance is given: see below.")
            else:
                metres = math.ceil(row.distance_m * 10) / 10  # rounded up
                body.append(f"{start}; below the limit from {metres:.1f} m on (ground reflection included).")
        if any(row.distance_m is None for row in self.rows):
            body.append(
                f"Closer than {self.near_field_m:.2f} m to the antenna (the reactive near field) the "
                "formulas do not hold. For a set in the hand or on the body, go by its maker's exposure (SAR) "
                "statement, and use less power and shorter overs."
            )
        return (*head, *body, *CAUTIONS)


CAUTIONS: tuple[str, ...] = (
    "Keep the antenna at least 2.5 cm from the face, and touch no antenna while transmitting.",
    "Use the least power that works; the longest over counts, not the average one.",
    "Companions, and children behind the whip, count as the public.",
    "With an active implant, ask a clinician first.",
    "Limits differ from country to country.",
)


def screen(
    *,
    transmit_w: float,
    frequency_mhz: float,
    overs_s: Sequence[tuple[float, float]],
    gain_dbi: float = LEAST_GAIN_DBI,
    mount: str = "rack",
    talk_share: float = TALK_SHARE,
    ground: float = GROUND_USUAL,
) -> Screening:
    """Screening for a set-up and the overs of a plan.

    overs_s : (begin, end) of each over [s].  talk_share : share of an over that is transmitted, 0 to 1.
    mount : as in antennas.MOUNTS; gives the rider's own distance from the antenna.
    No distance is given where it would lie inside the reactive near field, nor when the rider is inside it.
    """
    faults = []
    if not transmit_w > 0:
        faults.append(Fault("power is in watts and above 0", f"transmit_w = {transmit_w:g}"))
    if not 0 <= talk_share <= 1:
        faults.append(Fault("a share lies between 0 and 1", f"talk_share = {talk_share:g}"))
    if mount not in RIDER_DISTANCE_M:
        faults.append(Fault("unknown mount", f"mount = {mount!r}", "known are " + ", ".join(RIDER_DISTANCE_M)))
    if faults:
        raise InputError(faults)
    gain = max(gain_dbi, LEAST_GAIN_DBI)
    near = reactive_near_field_m(frequency_mhz)
    own = RIDER_DISTANCE_M[mount]
    rows = []
    for limit in (icnirp_whole_body(frequency_mhz), icnirp_local(frequency_mhz), fcc_public(frequency_mhz)):
        averaged = time_averaged_w(transmit_w, overs_s, limit.averaging_s) * talk_share
        distance = distance_for_limit_m(limit.power_density_w_m2, averaged, gain, ground=ground)
        rows.append(Row(limit, averaged, None if distance < near or own < near else distance))
    return Screening(frequency_mhz, transmit_w, gain, near, own, tuple(rows))
