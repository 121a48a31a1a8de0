"""From a path's basic loss to the two margins of a link: to the station, and from the station.

Everything is referred to equivalent lossless antennas (Rec. ITU-R P.372): the signal is what a lossless
antenna of the same directivity would deliver, the needed power is k T0 B f C/N with the system noise factor f
there. Losses of a receiving antenna, its feeder and the rider's body therefore act on the signal and on the
external noise alike. `budget` is the one place where the terms are listed; `margins_db` adds them up.
docs/link_budget.md works one link by hand, line by line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import Fault, InputError
from routeplan.radio import noise
from routeplan.radio.antennas import NO_BODY, Body
from routeplan.radio.quality import Mode


@dataclass(frozen=True)
class Station:
    """A fixed station in numbers; where it stands is not in here. Every fault is reported at once
    (InputError).

    antenna_height_m : of the antenna above the ground, 1 to 3000.   antenna_gain_dbi : usual gain, towards
    the rider.
    antenna_loss_db : how much of the antenna's directivity is lost as heat; directivity = gain + loss.
    building_db : loss of the wanted signal through walls or roof (the noise indoors is made indoors: not
    lessened).
    hears_mhz, talks_mhz : of a repeater; None for an ordinary station.   reaches : whom one works through it.
    """

    antenna_height_m: float
    transmit_w: float
    antenna_gain_dbi: float
    antenna_loss_db: float = 0.5
    feeder_db: float = 1.5
    building_db: float = 0.0
    noise_figure_db: float = 8.0
    surroundings: noise.NoiseCategory = noise.RESIDENTIAL
    hears_mhz: float | None = None
    talks_mhz: float | None = None
    reaches: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        faults = list(
            _faults(
                transmit_w=self.transmit_w, antenna_height_m=self.antenna_height_m,
                antenna_gain_dbi=self.antenna_gain_dbi, antenna_loss_db=self.antenna_loss_db,
                feeder_db=self.feeder_db, building_db=self.building_db, noise_figure_db=self.noise_figure_db,
            )
        )  # fmt: skip
        if (self.hears_mhz is None) != (self.talks_mhz is None):
            faults.append(Fault("a repeater has two frequencies", "hears_mhz, talks_mhz", "give both or none"))
        if self.reaches and self.hears_mhz is None:
            faults.append(Fault("only a repeater reaches others", "reaches", "add hears_mhz and talks_mhz"))
        if faults:
            raise InputError(faults)

    @property
    def is_repeater(self) -> bool:
        return self.hears_mhz is not None

    @property
    def directivity_dbi(self) -> float:
        return self.antenna_gain_dbi + self.antenna_loss_db

    @property
    def receive_loss_db(self) -> float:
        return self.antenna_loss_db + self.feeder_db


@dataclass(frozen=True)
class RiderSet:
    """The rider's set on one band, in numbers. Every fault is reported at once (InputError).

    antenna_height_m : above the road, 0.5 to 10.   directivity_dbi, antenna_loss_db : gain = directivity -
    loss.
    body : loss by the rider's body against the angle between heading and station; body_sigma_db its spread.
    """

    antenna_height_m: float
    transmit_w: float
    directivity_dbi: float
    antenna_loss_db: float
    feeder_db: float = 0.0
    noise_figure_db: float = 9.0
    surroundings: noise.NoiseCategory = noise.RURAL
    body: Body = field(default=NO_BODY)
    body_sigma_db: float = 0.0

    def __post_init__(self) -> None:
        faults = list(
            _faults(
                transmit_w=self.transmit_w, directivity_dbi=self.directivity_dbi,
                antenna_loss_db=self.antenna_loss_db, feeder_db=self.feeder_db,
                noise_figure_db=self.noise_figure_db, body_sigma_db=self.body_sigma_db,
                rider_antenna_height_m=self.antenna_height_m,
            )
        )  # fmt: skip
        if faults:
            raise InputError(faults)

    @property
    def antenna_gain_dbi(self) -> float:
        return self.directivity_dbi - self.antenna_loss_db

    @property
    def receive_loss_db(self) -> float:
        """Losses that external noise suffers like the signal: antenna, feeder, and the body as seen from all
        round.
        """
        return self.antenna_loss_db + self.feeder_db + self.body.round_about_db


class _Limit(NamedTuple):
    """Range of a value, and the likely slip when it is below or above, with how to mend it."""

    least: float
    most: float
    below: str
    above: str


_LOSS = "a loss is given as a number above 0"
_LIMITS: dict[str, _Limit] = {
    "transmit_w": _Limit(
        1e-3,
        2000.0,
        "transmit power is in watts and above 0; was dBm meant? 37 dBm is 5 W",
        "transmit power is in watts; were milliwatts meant? 5000 mW is 5 W",
    ),
    "antenna_height_m": _Limit(
        1.0,
        3000.0,
        "the antenna is under or on the ground; give its height above the ground, in metres, at least 1",
        "give the height above the ground, not above the sea, in metres, not feet",
    ),
    "rider_antenna_height_m": _Limit(
        0.5,
        10.0,
        "give the antenna's height above the road in metres, usually 1.2 to 2.2",
        "give the antenna's height above the road in metres, not in centimetres or above the sea",
    ),
    "antenna_gain_dbi": _Limit(
        -30.0,
        25.0,
        "no usable antenna is that poor; gain is in dBi, losses go to feeder_db",
        "no amateur antenna on these bands has it; was the decimal point lost?",
    ),
    "directivity_dbi": _Limit(
        -3.0,
        25.0,
        "a directivity is hardly below 0 dBi; put losses into antenna_loss_db",
        "no antenna on a bicycle has it; a quarter wave has about 2 dBi",
    ),
    "antenna_loss_db": _Limit(0.0, 40.0, _LOSS, "40 dB at most; is the sign or unit right?"),
    "feeder_db": _Limit(0.0, 30.0, _LOSS, "30 dB at most; total loss in dB, not metres of cable"),
    "building_db": _Limit(0.0, 60.0, _LOSS, "60 dB at most"),
    "noise_figure_db": _Limit(
        0.0, 30.0, "a noise figure is 0 dB or more", "30 dB at most; was the sensitivity (dBm) meant?"
    ),
    "body_sigma_db": _Limit(0.0, 20.0, "a spread is 0 dB or more", "20 dB at most"),
}


def _faults(**values: float) -> Iterable[Fault]:
    for name, value in values.items():
        least, most, below, above = _LIMITS[name]
        where = f"{name.removeprefix('rider_')} = {value:g}"
        if not math.isfinite(value):
            yield Fault("not a number", where, "give a finite number")
        elif value < least:
            yield Fault(f"below {least:g}", where, below)
        elif value > most:
            yield Fault(f"above {most:g}", where, above)


class Margins(NamedTuple):
    """Margins [dB] to and from the station: received power less the power needed; NaN where the loss is."""

    to_db: NDArray[np.float64]
    from_db: NDArray[np.float64]


class Line(NamedTuple):
    """One line of a link budget; the margin is the sum of all `value_db`."""

    what: str
    value_db: NDArray[np.float64] | float


class Budget(NamedTuple):
    """Both directions of a link, line by line."""

    to: tuple[Line, ...]
    from_: tuple[Line, ...]


def watts_to_dbm(watts: float) -> float:
    return 10 * math.log10(watts) + 30


def needed_dbm(
    mode: Mode,
    frequency_mhz: float,
    surroundings: noise.NoiseCategory,
    *,
    loss_db: float,
    noise_figure_db: float,
    moving: bool = True,
    may_shift: bool = False,
) -> float:
    """Power [dBm] that an equivalent lossless antenna must deliver: k T0 B f C/N.

    loss_db : antenna, feeder (and body) losses that external noise suffers.  noise_figure_db : of the
    receiver.
    """
    external = noise.external_figure_db(surroundings, frequency_mhz)
    figure = noise.system_figure_db(external, loss_db=loss_db, noise_figure_db=noise_figure_db)
    cn = mode.required_cn_db(moving=moving, may_shift=may_shift)
    return float(noise.noise_floor_dbm(mode.bandwidth_hz) + figure + cn)


def budget(
    loss_db: ArrayLike,
    *,
    station: Station,
    rider: RiderSet,
    frequency_mhz: float,
    mode: Mode,
    off_heading_deg: ArrayLike = 0.0,
    moving: bool = True,
    may_shift: bool = False,
    loss_from_db: ArrayLike | None = None,
    from_mhz: float | None = None,
    rider_from: RiderSet | None = None,
) -> Budget:
    """Every term of both directions [dB, dBm], in the order of the signal's way; arguments broadcast.

    loss_db : basic transmission loss at the frequency on which the rider transmits (`frequency_mhz`).
    off_heading_deg : angle from the rider's heading to the bearing of the station; 0 = ahead.
    loss_from_db, from_mhz, rider_from : for a repeater, loss, frequency (and set, where the band differs) on
    the way from it; by default the same as on the way to it.
    Polarisation: both ends are taken as vertical, so there is no term for a mismatch.
    """
    back = rider if rider_from is None else rider_from
    loss = np.asarray(loss_db, dtype=float)
    loss_back = loss if loss_from_db is None else np.asarray(loss_from_db, dtype=float)
    f_back = frequency_mhz if from_mhz is None else from_mhz
    needed_there = needed_dbm(
        mode, frequency_mhz, station.surroundings, loss_db=station.receive_loss_db,
        noise_figure_db=station.noise_figure_db, moving=moving, may_shift=may_shift,
    )  # fmt: skip
    needed_here = needed_dbm(
        mode, f_back, back.surroundings, loss_db=back.receive_loss_db,
        noise_figure_db=back.noise_figure_db, moving=moving, may_shift=may_shift,
    )  # fmt: skip
    to = (
        Line("rider's power [dBm]", watts_to_dbm(rider.transmit_w)),
        Line("rider's feeder", -rider.feeder_db),
        Line("rider's antenna gain [dBi]", rider.antenna_gain_dbi),
        Line("rider's body, this angle", -rider.body.loss_db(off_heading_deg)),
        Line("basic loss of the path", -loss),
        Line("walls or roof at the station", -station.building_db),
        Line("station's antenna directivity [dBi]", station.directivity_dbi),
        Line("power needed there [dBm], subtracted", -needed_there),
    )
    from_ = (
        Line("station's power [dBm]", watts_to_dbm(station.transmit_w)),
        Line("station's feeder", -station.feeder_db),
        Line("station's antenna gain [dBi]", station.antenna_gain_dbi),
        Line("walls or roof at the station", -station.building_db),
        Line("basic loss of the path", -loss_back),
        Line("rider's antenna directivity [dBi]", back.directivity_dbi),
        Line(
            "rider's body, this angle against all round",
            back.body.round_about_db - back.body.loss_db(off_heading_deg),
        ),
        Line("power needed here [dBm], subtracted", -needed_here),
    )
    return Budget(to, from_)


def margins_db(
    loss_db: ArrayLike,
    *,
    station: Station,
    rider: RiderSet,
    frequency_mhz: float,
    mode: Mode,
    off_heading_deg: ArrayLike = 0.0,
    moving: bool = True,
    may_shift: bool = False,
    loss_from_db: ArrayLike | None = None,
    from_mhz: float | None = None,
    rider_from: RiderSet | None = None,
) -> Margins:
    """Margins of the link [dB], arrays of the shape of the arguments broadcast together. Arguments as in
    `budget`.
    """
    lines = budget(
        loss_db, station=station, rider=rider, frequency_mhz=frequency_mhz, mode=mode,
        off_heading_deg=off_heading_deg, moving=moving, may_shift=may_shift,
        loss_from_db=loss_from_db, from_mhz=from_mhz, rider_from=rider_from,
    )  # fmt: skip
    return Margins(_total(lines.to), _total(lines.from_))


def _total(lines: tuple[Line, ...]) -> NDArray[np.float64]:
    constant = sum(float(v) for _, v in lines if np.ndim(v) == 0)
    total = np.asarray(constant)
    for _, value in lines:
        if np.ndim(value):
            total = total + value
    return np.asarray(total, dtype=float)


def noise_spread_db(station: Station, rider: RiderSet, frequency_mhz: float, from_mhz: float | None = None) -> float:
    """Spread of the margins by the noise of the places [dB]: the larger of both ends'.

    Each end's is its category's deviation from place to place, in the measure in which external noise makes
    up the system noise there: where the receiver's own noise rules, the surroundings hardly matter.
    """
    ends = (
        (station.surroundings, station.receive_loss_db, station.noise_figure_db, frequency_mhz),
        (rider.surroundings, rider.receive_loss_db, rider.noise_figure_db, from_mhz or frequency_mhz),
    )
    return max(
        category.location_sigma_db
        * float(noise.external_share(noise.external_figure_db(category, f), loss_db=loss, noise_figure_db=figure))
        for category, loss, figure, f in ends
    )
