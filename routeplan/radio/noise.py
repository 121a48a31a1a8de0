"""Noise that speech has to be heard over: man-made noise by surroundings, the sky, and the receiver's own.

External noise is given as a figure F_a in dB over k T0 B at the terminals of an equivalent lossless antenna,
and so is everything else here: the "system" noise factor of Rec. ITU-R P.372 adds what the antenna's and
feeder's losses and the receiver contribute, referred to that same place. A lossy whip therefore weakens the
wanted signal and the external noise alike; its loss must never be charged to the signal alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import InputError

BOLTZMANN_J_PER_K = 1.380649e-23  # exact, SI
T0_K = 290.0  # reference temperature of noise figures
KT0_DBM_PER_HZ = 10 * np.log10(BOLTZMANN_J_PER_K * T0_K) + 30  # -173.98

CONTINUED_SLOPE_DB = (
    12.3  # dB per decade above 250 MHz: slope of the 200-900 MHz business curve of older P.372 editions
)
_NORMAL_DECILE = 1.2816  # a normal deviate passed with chance 0.1


@dataclass(frozen=True)
class NoiseCategory:
    """One row of Rec. ITU-R P.372's man-made noise: F_am = c - d log10(f MHz) [dB over k T0 B].

    Deciles are over time within the hour; `location_sigma_db` is from place to place inside the category.
    """

    name: str
    c_db: float
    d_db: float
    lowest_mhz: float
    highest_mhz: float  # the published fit ends here
    upper_decile_db: float
    lower_decile_db: float
    location_sigma_db: float
    origin: str

    @property
    def time_sigma_db(self) -> float:
        """Spread within the hour [dB], from the mean of both deciles taken as normal."""
        return (self.upper_decile_db + self.lower_decile_db) / 2 / _NORMAL_DECILE


_ORIGIN = "Rec. ITU-R P.372-17 for c, d and deciles; location deviation from memory of P.372"
CITY = NoiseCategory("city", 76.8, 27.7, 0.3, 250.0, 11.0, 6.7, 8.4, _ORIGIN)
RESIDENTIAL = NoiseCategory("residential", 72.5, 27.7, 0.3, 250.0, 10.6, 5.3, 5.8, _ORIGIN)
RURAL = NoiseCategory("rural", 67.2, 27.7, 0.3, 250.0, 9.2, 4.6, 6.8, _ORIGIN)
QUIET_RURAL = NoiseCategory("quiet rural", 53.6, 28.6, 0.3, 30.0, 9.2, 4.6, 6.8, _ORIGIN)
GALACTIC = NoiseCategory("galactic", 52.0, 23.0, 10.0, 100_000.0, 2.0, 2.0, 0.0, _ORIGIN)

CATEGORIES = {c.name: c for c in (CITY, RESIDENTIAL, RURAL, QUIET_RURAL, GALACTIC)}


def man_made_figure_db(category: NoiseCategory, frequency_mhz: ArrayLike) -> NDArray[np.float64]:
    """Median man-made noise figure F_am [dB over k T0 B], same shape as `frequency_mhz`. Rec. ITU-R P.372, Table 1.

    Above 250 MHz, where the fits end, the figure is continued from its value there with 12.3 dB per decade, the
    slope of the 200-900 MHz business curve of older editions: a stated fallback, not a published value. (It gives
    3 dB for a residential place at 430 MHz, where the straight fit would give -0.5 dB; indoor measurements that
    later editions quote, from memory, are 3 dB at 425 MHz.) The quiet rural fit ends at 30 MHz already and is
    continued straight to 250 MHz, which does not matter: the sky is louder there. Galactic noise has no such end.
    """
    f = np.asarray(frequency_mhz, dtype=float)
    bend_mhz = max(category.highest_mhz, 250.0)
    fitted = category.c_db - category.d_db * np.log10(np.minimum(f, bend_mhz))
    return np.asarray(fitted - CONTINUED_SLOPE_DB * np.log10(np.maximum(f, bend_mhz) / bend_mhz))


def external_figure_db(category: NoiseCategory, frequency_mhz: ArrayLike) -> NDArray[np.float64]:
    """Median external noise figure F_a [dB over k T0 B]: the category's, and never below galactic noise."""
    f = np.asarray(frequency_mhz, dtype=float)
    if np.any(~(f > 0)):
        raise InputError("a frequency must be above 0 MHz", where=f"frequency_mhz = {frequency_mhz!r}")
    return np.maximum(man_made_figure_db(category, f), man_made_figure_db(GALACTIC, f))


def beyond_published(category: NoiseCategory, frequency_mhz: float) -> bool:
    """Whether `external_figure_db` rests on the stated fallback at this frequency rather than on the
    tables.
    """
    figure = float(man_made_figure_db(category, frequency_mhz))
    return frequency_mhz > category.highest_mhz and figure > float(man_made_figure_db(GALACTIC, frequency_mhz))


def system_figure_db(external_db: ArrayLike, *, loss_db: ArrayLike, noise_figure_db: ArrayLike) -> NDArray[np.float64]:
    """System noise figure [dB over k T0 B] at an equivalent lossless antenna; arguments broadcast.

    Rec. ITU-R P.372, section 2: f = f_a + (f_c - 1) + l_c (f_t - 1) + l_c l_t (f_r - 1), which for losses at
    T0 (f_c = l_c, f_t = l_t) is f = f_a - 1 + l_c l_t f_r.

    external_db : F_a [dB].  loss_db : antenna and feeder losses together, l_c l_t [dB], >= 0.
    noise_figure_db : of the receiver [dB].
    """
    f_a = 10 ** (np.asarray(external_db, dtype=float) / 10)
    l_f = 10 ** ((np.asarray(loss_db, dtype=float) + np.asarray(noise_figure_db, dtype=float)) / 10)
    return 10 * np.log10(f_a - 1 + l_f)


def external_share(external_db: ArrayLike, *, loss_db: ArrayLike, noise_figure_db: ArrayLike) -> NDArray[np.float64]:
    """Share of the system noise that is external, 0 to 1: by how many dB it rises when F_a rises by 1 dB."""
    f_a = 10 ** (np.asarray(external_db, dtype=float) / 10)
    f = 10 ** (system_figure_db(external_db, loss_db=loss_db, noise_figure_db=noise_figure_db) / 10)
    return np.clip(f_a / f, 0.0, 1.0)


def noise_floor_dbm(bandwidth_hz: ArrayLike) -> NDArray[np.float64]:
    """k T0 B [dBm] in a noise bandwidth [Hz]."""
    return np.asarray(KT0_DBM_PER_HZ + 10 * np.log10(np.asarray(bandwidth_hz, dtype=float)))


def dbm_from_microvolts(microvolts: float, *, emf: bool = False) -> float:
    """Power in 50 ohm [dBm] of a voltage across it [uV]; with `emf`, of a source's open voltage (half
    reaches it).
    """
    volts = microvolts * 1e-6 / (2 if emf else 1)
    return float(10 * np.log10(volts**2 / 50.0) + 30)


def sensitivity_dbm(value: float | str) -> float:
    """A receiver's 12 dB SINAD sensitivity [dBm] from what a data sheet says.

    A number or text: -119, "-119 dBm", "0.25 uV", "0.25 µV", "0.5 uV emf". A bare number above 0 can only be
    microvolts. Errors: not understood, or outside -130 to -90 dBm, where no FM receiver lies.
    """
    text = str(value).strip().lower().replace("µ", "u").replace("μ", "u").replace("−", "-")
    words = text.replace("dbm", " dbm ").replace("uv", " uv ").replace("microvolts", " uv ").split()
    mend = 'write it as -119 (dBm) or as "0.25 uV" (for 12 dB SINAD)'
    try:
        number, units = float(words[0]), set(words[1:])
        if not units <= {"dbm", "uv", "emf", "e.m.f."} or {"dbm", "uv"} <= units:
            raise ValueError
    except (ValueError, IndexError):
        raise InputError("not understood as a receiver's sensitivity", f"sensitivity {value!r}", mend) from None
    if "uv" in units or (number > 0 and "dbm" not in units):
        if number <= 0:
            raise InputError("a voltage must be above 0", f"sensitivity {value!r}", mend)
        number = dbm_from_microvolts(number, emf=bool(units & {"emf", "e.m.f."}))
    if not -130 <= number <= -90:
        slip = "a minus sign was probably lost" if 90 <= number <= 130 else mend
        raise InputError(
            f"{number:.1f} dBm is no FM receiver's sensitivity (-130 to -90)", f"sensitivity {value!r}", slip
        )
    return number


def receiver_figure_db(sensitivity_dbm: float, *, bandwidth_hz: float = 7800.0, sinad_12_cn_db: float = 7.0) -> float:
    """Noise figure [dB] of a receiver that needs `sensitivity_dbm` for 12 dB SINAD from a generator at T0.

    sensitivity = k T0 B + F + C/N, so F = sensitivity - k T0 B - C/N. bandwidth_hz and sinad_12_cn_db belong
    together: 7.8 kHz and 7 dB in a 12.5 kHz channel, 12 kHz and 5 dB in 25 kHz (see quality.py); both give
    the same figure within 0.2 dB. Never below 0 dB.
    """
    return max(0.0, float(sensitivity_dbm - noise_floor_dbm(bandwidth_hz) - sinad_12_cn_db))
