"""How far above the noise a signal must be to be understood: speech grades, digital voice, data packets.

Two figures per mode: static C/N, for a signal that does not change, and faded C/N, the mean over the ripples
that a rider passes through. Moving riders take the faded figure alone; it already holds the Rayleigh fading.
Riders who have stopped meet one place of the ripple pattern: the static figure plus what that place may be
below the mean, 9.8 dB for 9 places in 10, or less when they may step half a wavelength aside. Fading is never
counted twice.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import InputError

Kind = Literal["voice", "digital voice", "data"]


@dataclass(frozen=True)
class Mode:
    """A mode at one grade of quality. C/N [dB] in `bandwidth_hz`, the receiver's noise bandwidth."""

    name: str
    grade: str
    kind: Kind
    bandwidth_hz: float
    static_cn_db: float
    faded_cn_db: float
    packet_s: float
    origin: str

    def required_cn_db(self, *, moving: bool = True, may_shift: bool = False) -> float:
        """Mean C/N needed [dB]: moving, the faded figure; stopped, static plus the Rayleigh allowance.

        may_shift : the rider, having stopped, may move half a wavelength and take the better of both places.
        For data the requirement is the static one: `packet_chance` brings in the fading.
        """
        if self.kind == "data":
            return self.static_cn_db
        if moving:
            return self.faded_cn_db
        return self.static_cn_db + rayleigh_allowance_db(0.9, 0.5 if may_shift else 0.0)


@lru_cache(maxsize=64)
def rayleigh_allowance_db(chance: float, shift_wavelengths: float = 0.0) -> float:
    """By how much the mean must exceed what is needed, so that a place fits with this chance [dB].

    One place: power is exponential about its mean, P(power > x mean) = exp(-x), so -10 log10(-ln chance):
    9.77 dB for 0.9. The better of two places d apart: their amplitudes in an even field from all round
    correlate by J0(2 pi d) (Clarke, Bell Syst. Tech. J. 47 (1968) 957), and with r = J0^2 the joint
    distribution of both powers is (1 - r) sum_k r^k P(k+1, x/(1-r))^2, P the regularised incomplete gamma
    function (Kibble's bivariate gamma, one degree). Half a wavelength: r = 0.093 and 4.37 dB for 0.9.
    """
    from scipy.optimize import brentq
    from scipy.special import gammainc, j0

    if not 0 < chance < 1:
        raise InputError("a chance must lie between 0 and 1", f"chance = {chance}")
    r = float(j0(2 * np.pi * shift_wavelengths) ** 2)
    if r > 0.999:
        return float(-10 * np.log10(-np.log(chance)))
    terms = np.arange(0, int(np.ceil(-30 / np.log10(max(r, 1e-9)))) + 1)

    def both_below(x: float) -> float:
        return float((1 - r) * np.sum(r**terms * gammainc(terms + 1, x / (1 - r)) ** 2))

    x = brentq(lambda v: both_below(v) - (1 - chance), 1e-9, 50.0, xtol=1e-12)
    return float(-10 * np.log10(x))


# Delivered audio quality (DAQ), in a rider's words. SINAD is what a static signal gives at that grade.
GRADES: dict[str, str] = {
    "just readable": "DAQ 2: understood with much effort, often repeated (12 dB SINAD)",
    "readable": "DAQ 3: understood with slight effort, seldom repeated (17 dB SINAD)",
    "good": "DAQ 3.4: understood without repeating, some noise (20 dB SINAD)",
    "clear": "DAQ 4: understood easily, little noise (25 dB SINAD)",
}
DEFAULT_GRADE = "readable"

_SINAD_DB = {"just readable": 12.0, "readable": 17.0, "good": 20.0, "clear": 25.0}
_FADED_DB = {  # DAQ 3, 3.4 and 4 from memory of TIA TSB-88; DAQ 2 by judgement, 6 dB below DAQ 3
    "FM 12.5 kHz": {"just readable": 17.0, "readable": 23.0, "good": 26.0, "clear": 33.0},
    "FM 25 kHz": {"just readable": 11.0, "readable": 17.0, "good": 20.0, "clear": 27.0},
}
_SINAD_12_CN_DB = {"FM 12.5 kHz": 7.0, "FM 25 kHz": 5.0}
_BANDWIDTH_HZ = {"FM 12.5 kHz": 7800.0, "FM 25 kHz": 12000.0}


def _fm(name: str, grade: str) -> Mode:
    static = _SINAD_12_CN_DB[name] + _SINAD_DB[grade] - 12.0
    return Mode(
        name, grade, "voice", _BANDWIDTH_HZ[name], static, _FADED_DB[name][grade], 0.0,
        "faded C/N and C/N for 12 dB SINAD: from memory of TIA TSB-88; static C/N of better grades: one dB "
        "of C/N for one dB of SINAD, as above the FM threshold",
    )  # fmt: skip


DIGITAL_VOICE = Mode(
    "digital voice", "all or nothing", "digital voice", 5500.0, 7.6, 16.2, 0.0,
    "four-level FM in 12.5 kHz: static reference (5 % bit errors) 7.6 dB and faded 16.2 dB (2 % bit errors), "
    "from memory of TIA TSB-88; there is no in-between: below it, silence",
)  # fmt: skip
DATA_BEACON = Mode(
    "data beacon", "packet received", "data", 12000.0, 8.0, 8.0, 0.8,
    "1200 bit/s audio tones over FM: decoded from about 15 dB SINAD (judgement), 0.8 s with its preamble",
)  # fmt: skip

MODES: dict[str, dict[str, Mode]] = {
    "FM 12.5 kHz": {g: _fm("FM 12.5 kHz", g) for g in GRADES},
    "FM 25 kHz": {g: _fm("FM 25 kHz", g) for g in GRADES},
    "digital voice": {"all or nothing": DIGITAL_VOICE},
    "data beacon": {"packet received": DATA_BEACON},
}
_ALSO = {
    "fm": "FM 12.5 kHz", "nfm": "FM 12.5 kHz", "narrow fm": "FM 12.5 kHz", "fm narrow": "FM 12.5 kHz",
    "fm 12.5": "FM 12.5 kHz", "wide fm": "FM 25 kHz", "fm wide": "FM 25 kHz", "fm 25": "FM 25 kHz",
    "digital": "digital voice", "data": "data beacon", "beacon": "data beacon",
}  # fmt: skip


def mode_of(words: str = "FM", grade: str | None = None) -> Mode:
    """The mode that plain words name: "FM", "wide FM", "digital voice", "data beacon"; grade one of GRADES.

    "FM" alone is 12.5 kHz. Errors name the nearest known word.
    """
    key = " ".join(str(words).lower().split())
    names = {m.lower(): m for m in MODES} | _ALSO
    if key not in names:
        near = difflib.get_close_matches(key, names, 1, 0.4)
        mend = f'did you mean "{names[near[0]]}"?' if near else "known are " + ", ".join(f'"{m}"' for m in MODES)
        raise InputError("unknown mode", f"mode = {words!r}", mend)
    grades = MODES[names[key]]
    if grade is None or len(grades) == 1:
        return grades.get(DEFAULT_GRADE, next(iter(grades.values())))
    if grade not in grades:
        near = difflib.get_close_matches(grade, grades, 1, 0.4)
        mend = f'did you mean "{near[0]}"?' if near else "known are " + ", ".join(f'"{g}"' for g in grades)
        raise InputError("unknown grade of speech", f"grade = {grade!r}", mend)
    return grades[grade]


def packet_chance(
    margin_db: ArrayLike, *, speed_m_s: ArrayLike = 0.0, frequency_mhz: float = 145.0, packet_s: float = 0.8
) -> NDArray[np.float64]:
    """Chance that one packet gets through, same shape as the arguments together; NaN margins stay NaN.

    margin_db : mean C/N over the static requirement [dB]. A packet is lost when the signal is below the
    requirement at its start or falls through it while it lasts. In Rayleigh fading, with m the margin as a
    ratio and rho = m^-1/2, the first has the chance 1 - exp(-rho^2), and falls come at the rate
    sqrt(2 pi) f_d rho exp(-rho^2), f_d = v / lambda (Rice's level crossing rate; Jakes, Microwave Mobile
    Communications, 1974, eq. 1.3-35), so, falls taken as independent,

        chance = exp(-rho^2) exp(-sqrt(2 pi) f_d rho T)

    The wider uncertainty of the margin itself is not in it: see `mean_packet_chance`.
    """
    rho = 10 ** (-np.asarray(margin_db, dtype=float) / 20)
    doppler_hz = np.asarray(speed_m_s, dtype=float) * frequency_mhz / 299.792458
    return np.exp(-(rho**2) - np.sqrt(2 * np.pi) * doppler_hz * rho * packet_s)


def packet_margin_db(
    chance: float, *, speed_m_s: float = 0.0, frequency_mhz: float = 145.0, packet_s: float = 0.8
) -> float:
    """Margin over the static requirement [dB] at which `packet_chance` is `chance`: its equation, quadratic in rho."""
    if not 0 < chance < 1:
        raise InputError("a chance must lie between 0 and 1", f"chance = {chance}")
    falls = np.sqrt(2 * np.pi) * speed_m_s * frequency_mhz / 299.792458 * packet_s
    rho = (np.sqrt(falls**2 - 4 * np.log(chance)) - falls) / 2
    return float(-20 * np.log10(rho))


PACKETS_HELD = 0.5  # share of the packets sent that must get through for data to count as contact; judgement
PACKET_SPEED_M_S = 5.0  # of a rider who sends them


def for_contact(mode: Mode, frequency_mhz: float) -> Mode:
    """The mode as a link's margin is judged by: at margin 0 the link is as likely good enough as not.

    Voice stays as it is. Data by its static figure would look some 17 dB too good (2 m, riding), since packets fade
    too: its faded figure is the mean C/N at which half the packets of a rider at 5 m/s get through (`packet_chance`),
    and stopped it is treated as speech is.
    """
    if mode.kind != "data":
        return mode
    over_db = packet_margin_db(
        PACKETS_HELD, speed_m_s=PACKET_SPEED_M_S, frequency_mhz=frequency_mhz, packet_s=mode.packet_s
    )
    return replace(mode, kind="digital voice", faded_cn_db=mode.static_cn_db + over_db)


def mean_packet_chance(
    margin_db: ArrayLike,
    sigma_db: float,
    *,
    speed_m_s: ArrayLike = 0.0,
    frequency_mhz: float = 145.0,
    packet_s: float = 0.8,
) -> NDArray[np.float64]:
    """`packet_chance` averaged over a normal uncertainty of the margin, sigma [dB] (Gauss-Hermite, 16
    nodes).
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(16)
    weights = weights / weights.sum()
    margin = np.asarray(margin_db, dtype=float)
    total = sum(
        w * packet_chance(margin + sigma_db * z, speed_m_s=speed_m_s, frequency_mhz=frequency_mhz, packet_s=packet_s)
        for z, w in zip(nodes, weights)
    )
    return np.asarray(total)
