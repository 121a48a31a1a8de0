"""10 m by ground wave over smooth earth, as an upper limit: hills ignored. 40 m and 80 m are not predicted.

The loss comes from the reference library on the Python registry, `proplib-lfmf` (the optional extra `hf`):
ground wave over a smooth, even earth, 0.01 to 30 MHz, antennas below 50 m. Real hills only take from it. The
sky wave, on which most of what is heard on 40 m and 80 m comes, is not predicted at all: "not predicted" is
not "dead", and no HF band ever enters the contact share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import InputError
from routeplan.radio.bands import band_of

UPPER_LIMIT = "upper limit, hills ignored"
NOT_PREDICTED = "not predicted"


@dataclass(frozen=True)
class Ground:
    """Electrical constants of the ground; values as Rec. ITU-R P.1812 takes them for land and sea."""

    name: str
    relative_permittivity: float
    conductivity_s_m: float


LAND = Ground("land", 22.0, 0.003)
SEA = Ground("sea", 80.0, 5.0)


def how_predicted(frequency_mhz: float) -> str:
    """ "terrain", "upper limit, hills ignored" or "not predicted", for an amateur frequency."""
    band = band_of(frequency_mhz)
    return UPPER_LIMIT if band.predicted == "ground wave" else band.predicted


def available() -> bool:
    """Whether the optional library is installed."""
    try:
        import ITS.Propagation.LFMF
    except (ImportError, OSError):
        return False
    return bool(ITS.Propagation.LFMF)


def ground_wave_loss_db(
    distance_m: ArrayLike,
    *,
    frequency_mhz: float,
    tx_height_m: float,
    rx_height_m: float,
    ground: Ground = LAND,
    n0: float = 325.0,
) -> NDArray[np.float64]:
    """Basic transmission loss [dB] of the ground wave, vertical polarisation, same shape as `distance_m`.

    NaN for NaN, and for distances below 100 m. Heights 0 to 50 m above the ground; n0 250 to 400 N-units.
    Errors: a band that is not predicted this way, heights outside, the library not installed.
    """
    if how_predicted(frequency_mhz) != UPPER_LIMIT:
        raise InputError(
            f"{band_of(frequency_mhz).name} is not predicted by ground wave", f"{frequency_mhz:g} MHz",
            "only 10 m is; 40 m and 80 m live by the sky wave, bands from 6 m up go by terrain",
        )  # fmt: skip
    for name, height in (("tx_height_m", tx_height_m), ("rx_height_m", rx_height_m)):
        if not 0 <= height <= 50:
            raise InputError("the ground wave holds for antennas 0 to 50 m above the ground", f"{name} = {height:g}")
    try:
        from ITS.Propagation.LFMF import LFMF, Polarization
    except (ImportError, OSError):
        raise InputError(
            "10 m needs the optional library proplib-lfmf",
            f"{frequency_mhz:g} MHz",
            'pip install "routeplan[hf]"',
        ) from None
    distance = np.asarray(distance_m, dtype=float)
    loss = np.full(distance.shape, np.nan)
    for i in np.ndindex(distance.shape):
        if distance[i] >= 100.0:
            loss[i] = LFMF(
                tx_height_m, rx_height_m, frequency_mhz, 1.0, n0, float(distance[i]) / 1000,
                ground.relative_permittivity, ground.conductivity_s_m, Polarization.Vertical,
            ).A_btl__db  # fmt: skip
    return loss
