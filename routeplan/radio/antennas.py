"""Antennas, where the rider carries them, and the rider's body between antenna and station.

Gain is kept as directivity less loss: the loss weakens signal and external noise alike (see noise.py), the
directivity only the signal. Hardly any of these numbers has a published measurement on a bicycle behind it;
each says where it comes from, and judgement is called judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

EPSILON_0_F_PER_M = 8.8541878128e-12
QUARTER_WAVE_OHM = 36.5  # radiation resistance of a quarter wave over a large plane, textbook
RACK_PLATE_RADIUS_M = 0.15  # a luggage rack's top plate taken as a disc

# one number per band: 10 m, 6 m, 4 m, 2 m, 70 cm, 23 cm
_TABLE_MHZ = (29.6, 51.5, 70.45, 145.5, 433.5, 1297.5)


def small_plate_loss_db(frequency_mhz: ArrayLike, plate_radius_m: float = RACK_PLATE_RADIUS_M) -> NDArray[np.float64]:
    """Loss [dB] of a quarter wave whose only counterpoise is a small plate, same shape as `frequency_mhz`.

    The return current must charge the plate. Alone in space a disc of radius a has the capacitance C = 8 eps0
    a (textbook electrostatics), which stands as a reactance X = 1/(2 pi f C) in series with the whip's 36.5
    ohm and is not tuned out by the set: the mismatch to 50 ohm is the loss, -10 log10(1 - |gamma|^2). At
    145.5 MHz a 15 cm disc leaves 103 ohm, costing 3.9 dB; at 70.45 MHz 213 ohm, 8.6 dB; at 433.5 MHz 35 ohm,
    0.8 dB. This is why 4 m on a rack is poor. The frame below carries some of the current too, so the figure
    leans to the pessimistic side; a whip made longer than a quarter wave, or a wire hung from the rack, mends
    much of it. Model and radius are judgement.
    """
    f = np.asarray(frequency_mhz, dtype=float) * 1e6
    x = 1 / (2 * np.pi * f * 8 * EPSILON_0_F_PER_M * plate_radius_m)
    r = QUARTER_WAVE_OHM
    reflected = ((r - 50) ** 2 + x**2) / ((r + 50) ** 2 + x**2)
    return np.asarray(-10 * np.log10(1 - reflected))


@dataclass(frozen=True)
class RiderAntenna:
    """An antenna on the set or the rack: directivity [dBi], and loss [dB] by frequency on a plate or on the
    set alone.
    """

    name: str
    directivity_dbi: float
    plate_loss_db: tuple[float, ...]  # at _TABLE_MHZ, interpolated over log f
    set_loss_db: tuple[float, ...]
    origin: str

    def loss_db(self, frequency_mhz: float, *, on_plate: bool) -> float:
        """Ohmic and matching loss [dB] at a frequency; held constant outside 29.6 to 1297.5 MHz."""
        table = self.plate_loss_db if on_plate else self.set_loss_db
        return float(np.interp(np.log(frequency_mhz), np.log(_TABLE_MHZ), table))


QUARTER_WAVE = RiderAntenna(
    "quarter wave", 1.8,
    tuple(round(float(v), 1) for v in small_plate_loss_db(np.array(_TABLE_MHZ))),
    (16.0, 13.0, 11.0, 7.0, 3.0, 1.5),
    "judgement; on the rack: mismatch over a 15 cm disc; on the set: one handheld measured at 146 MHz, "
    "-4.9 dBi with a 48 cm counterpoise wire, the hand and arm taken to be about as good",
)  # fmt: skip
HALF_WAVE = RiderAntenna(
    "half wave", 2.15, (3.0, 3.0, 2.5, 1.5, 1.0, 1.0), (3.0, 3.0, 2.5, 1.5, 1.0, 1.0),
    "directivity: textbook dipole; loss of its matching network: judgement. Needs no plate",
)  # fmt: skip
HELICAL = RiderAntenna(
    "helical", 1.76, (20.0, 14.0, 12.0, 8.6, 4.0, 2.0), (20.0, 14.0, 12.0, 8.6, 4.0, 2.0),
    "2 m: the stock helical of one handheld, free-standing at 146 MHz, -9 dBd; other bands: judgement",
)  # fmt: skip

ANTENNAS: dict[str, RiderAntenna] = {a.name: a for a in (QUARTER_WAVE, HALF_WAVE, HELICAL)}


@dataclass(frozen=True)
class Body:
    """What the rider's body takes away, by direction, smoothly: least on the free side, most through the
    body.

    loss(angle) = free + (through - free) * ((1 + cos(angle - through_deg)) / 2)^2   [dB]

    angle is from the heading to the station: 0 = station ahead, 90 and 270 = abeam, 180 = behind.
    `through_deg` is 0 when the body stands between antenna and a station ahead (rack), 180 when behind
    (chest).
    """

    free_db: float
    through_db: float
    through_deg: Literal[0, 180]

    def loss_db(self, off_heading_deg: ArrayLike) -> NDArray[np.float64]:
        """Loss of the signal [dB], same shape as `off_heading_deg`; NaN in, NaN out."""
        angle = np.radians(np.asarray(off_heading_deg, dtype=float) - self.through_deg)
        return np.asarray(self.free_db + (self.through_db - self.free_db) * ((1 + np.cos(angle)) / 2) ** 2)

    @property
    def best_deg(self) -> float:
        """Angle from the heading at which a station is heard best, for a rider who may turn: 180 on the rack."""
        return float(180 - self.through_deg) if self.through_db >= self.free_db else float(self.through_deg)

    @property
    def round_about_db(self) -> float:
        """Loss [dB] of what comes evenly from all round, that is of external noise: the mean of the power
        let through.
        """
        through = 10 ** (-self.loss_db(np.arange(0.0, 360.0, 5.0)) / 10)
        return float(-10 * np.log10(through.mean()))


NO_BODY = Body(0.0, 0.0, 0)


@dataclass(frozen=True)
class Mount:
    """Where set and antenna are: height above the road [m], whether there is a plate, the body, its spread
    [dB].
    """

    name: str
    height_m: float
    on_plate: bool
    body: Body
    body_sigma_db: float
    origin: str


_POSTURES = (
    "judgement, guided by a posture test at 146.5 MHz outdoors (most loss with the body between: above the "
    "head 8, at the mouth 10, at the waist 12 dB) and by 3 to 4 dB for holding a helical"
)
_BEHIND = "judgement: whip on the luggage rack, its middle 1.2 m up, half a metre behind the rider's back"
RACK = Mount("rack", 1.2, True, Body(0.5, 5.0, 0), 2.0, _BEHIND)
CHEST = Mount("chest", 1.3, False, Body(4.0, 13.0, 180), 4.0, _POSTURES)
HAND = Mount("hand", 1.5, False, Body(1.5, 10.0, 180), 4.0, _POSTURES)
HELD_HIGH = Mount("held high", 2.2, False, Body(0.5, 8.0, 180), 3.0, _POSTURES)

MOUNTS: dict[str, Mount] = {m.name: m for m in (RACK, CHEST, HAND, HELD_HIGH)}


@dataclass(frozen=True)
class StationAntenna:
    """A fixed station's antenna: gain [dBi] by frequency, all but `loss_db` of its directivity."""

    name: str
    gain_by_band_dbi: tuple[float, ...]  # at _TABLE_MHZ
    loss_db: float
    origin: str

    def gain_dbi(self, frequency_mhz: float) -> float:
        """Gain towards the horizon [dBi]; of a beam, in the direction it is turned to: the rider."""
        return float(np.interp(np.log(frequency_mhz), np.log(_TABLE_MHZ), self.gain_by_band_dbi))


DIPOLE = StationAntenna("vertical dipole", (2.15,) * 6, 0.3, "textbook half-wave dipole")
COLLINEAR = StationAntenna(
    "vertical",
    (1.5, 2.0, 2.0, 4.0, 6.5, 8.0),
    0.5,
    "judgement: about 2.5 m of fibreglass: one half wave on 4 m, more stacked on shorter waves",
)
BEAM = StationAntenna(
    "beam", (5.0, 6.0, 7.0, 9.5, 12.0, 15.0), 0.5, "judgement: a boom of about 2 m, turned to the rider"
)
INDOOR = StationAntenna(
    "indoor whip",
    (-8.0, -5.0, -3.0, 0.0, 1.0, 1.0),
    2.0,
    "judgement: a whip on a window sill or a magnetic base on metal",
)
HANDHELD = StationAntenna(
    "handheld",
    (-18.0, -14.0, -12.0, -8.0, -4.0, -3.0),
    8.0,
    "judgement: handheld at the head, -8 dBi on 2 m, body included",
)
CAR_WHIP = StationAntenna(
    "car whip", (-3.0, -1.0, 0.0, 2.0, 3.0, 3.0), 1.0, "judgement: quarter wave or longer on a car's roof"
)

STATION_ANTENNAS: dict[str, StationAntenna] = {a.name: a for a in (DIPOLE, COLLINEAR, BEAM, INDOOR, HANDHELD, CAR_WHIP)}
