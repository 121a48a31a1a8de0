"""How long the handheld set's battery lasts, and how much of it a ride uses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError

NOMINAL_V = 7.4  # two lithium cells, the usual pack
RESERVE = 0.20  # of the usable energy, kept for an emergency call (judgement)


@dataclass(frozen=True)
class Duty:
    """Shares of the ride; what is left is standby. The default is a net-heavy ride (judgement)."""

    transmit: float = 0.10
    receive: float = 0.40
    beacon: bool = False  # position beacons: GPS receiver and bursts

    def __post_init__(self) -> None:
        if not (0 <= self.transmit <= 1 and 0 <= self.receive <= 1 and self.transmit + self.receive <= 1):
            raise InputError(
                [
                    Fault(
                        f"transmit {self.transmit:g} and receive {self.receive:g} do not share one ride",
                        "duty",
                        "0 to 1",
                    )
                ]
            )


@dataclass(frozen=True)
class Drain:
    """Current [A] at the nominal voltage, as makers' manuals and trade pages print for a 5 W handheld set.

    Transmit 1.4-1.5 A at 4-5 W, audio 0.14-0.30 A, standby 0.02-0.06 A; GPS and beacon: judgement.
    """

    transmit_a: float = 1.5
    receive_a: float = 0.25
    standby_a: float = 0.06
    beacon_a: float = 0.04


def drain_for(transmit_w: float) -> Drain:
    """Drain at that power: 0.4 A for driver stages, 1.5 A at 5 W, between in proportion (judgement)."""
    return Drain(transmit_a=0.4 + 0.22 * transmit_w)


def mean_current_a(duty: Duty, drain: Drain = Drain()) -> float:
    """Mean current [A] over the ride: the sum of share times current."""
    standby = 1 - duty.transmit - duty.receive
    return (
        duty.transmit * drain.transmit_a
        + duty.receive * drain.receive_a
        + standby * drain.standby_a
        + duty.beacon * drain.beacon_a
    )


def usable_share(temperature_c: Any) -> Any:
    """Share of the printed capacity to be had: 0.85 from 20 deg C up, 0.65 at 0, 0.40 at -20 (judged)."""
    return np.interp(temperature_c, [-20.0, -10.0, 0.0, 20.0], [0.40, 0.55, 0.65, 0.85])


def battery_life_s(battery_wh: float, duty: Duty, *, drain: Drain = Drain(), temperature_c: float = 20.0) -> float:
    """Seconds until the battery is empty: usable energy / mean power."""
    return 3600 * battery_wh * float(usable_share(temperature_c)) / (NOMINAL_V * mean_current_a(duty, drain))


@dataclass(frozen=True)
class BatteryUse:
    """What a ride does to the battery. `share` is of the usable energy, and may pass 1."""

    share: float
    life_s: float
    warning: str | None


def battery_use(
    ride_time_s: float,
    *,
    battery_wh: float,
    transmit_w: float = 5.0,
    duty: Duty = Duty(),
    temperature_c: float = 20.0,
) -> BatteryUse:
    """Share of the usable energy that a ride takes; a warning when less than the reserve is left."""
    life = battery_life_s(battery_wh, duty, drain=drain_for(transmit_w), temperature_c=temperature_c)
    share = ride_time_s / life
    warning = None
    if share > 1:
        warning = f"the battery is empty after {_hours(life)}, before the ride of {_hours(ride_time_s)} ends"
    elif share > 1 - RESERVE:
        warning = (
            f"only {100 * (1 - share):.0f} % of the battery is left after {_hours(ride_time_s)}; "
            f"{100 * RESERVE:.0f} % are kept for an emergency call: take a spare, or transmit less"
        )
    return BatteryUse(share, life, warning)


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d}"
