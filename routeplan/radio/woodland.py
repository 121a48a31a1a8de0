"""Woods and houses round an antenna: Recommendation ITU-R P.833 in place of a wall at the next profile point.

P.1812 knows cover only as a raised profile. Next to a handheld that is a wall at the first sample, and the
loss then hangs on the profile's step instead of on the wood. Here the cover near an antenna is left out of
the profile, and the stretch of the ray that really runs through it is charged by P.833:

- Up to 250 m from either antenna (or half of a shorter path) cover does not raise the profile; from 250 to
  500 m it counts with a share that grows from 0 to 1; beyond, in full (`profile_cover_m`). Judgement.
- The ray leaves the antenna towards its horizon over the bare ground. Over the nearest 250 m, at 25 places
  that do not depend on the profile's step, it counts as inside the cover where the cover's top lies above it;
  the top 5 m count by their share, for crowns are thin there and roofs stand apart (`depth_m`). Judgement.
- The loss grows with that depth and levels off (`loss_db`). The figures are those of mixed woodland; houses
  are charged alike for want of better.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

NEAR_M = 250.0  # cover up to here is charged by P.833 ...
FULL_M = 500.0  # ... and from here on raises the profile in full
NEAR_POINTS = 25
THIN_TOP_M = 5.0

# Rec. ITU-R P.833-9, table 1: mixed coniferous-deciduous woodland near St. Petersburg
_FREQUENCY_MHZ = (105.9, 466.475, 949.0, 1852.2, 2117.5)
_GAMMA_DB_M = (0.04, 0.12, 0.17, 0.30, 0.34)
_GREATEST_DB = (9.4, 18.0, 26.5, 29.0, 34.1)


def loss_db(depth_m: ArrayLike, frequency_hz: float) -> NDArray[np.float64]:
    """Loss over `depth_m` [m] of woodland [dB], same shape: A = Am (1 - exp(-d gamma / Am))."""
    gamma, Am = specific_db_m(frequency_hz), greatest_db(frequency_hz)
    return Am * (1 - np.exp(-np.asarray(depth_m, dtype=float) * gamma / Am))


def specific_db_m(frequency_hz: float) -> float:
    """gamma [dB/m] for very short woodland paths."""
    return _between(frequency_hz, _GAMMA_DB_M)


def greatest_db(frequency_hz: float) -> float:
    """Am [dB]: the loss that no depth of woodland exceeds, for a terminal inside it."""
    return _between(frequency_hz, _GREATEST_DB)


def _between(frequency_hz: float, values: tuple[float, ...]) -> float:
    """Straight between the table's rows in both logarithms; beyond them along the nearest pair of rows."""
    x, y = np.log(_FREQUENCY_MHZ), np.log(values)
    at = np.log(frequency_hz / 1e6)
    k = int(np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2))
    return float(np.exp(y[k] + (y[k + 1] - y[k]) * (at - x[k]) / (x[k + 1] - x[k])))


def near_distances_m(path_m: float) -> NDArray[np.float64]:
    """(25,) distances [m] from an antenna at which the cover round it is looked up."""
    return (np.arange(NEAR_POINTS) + 0.5) * min(NEAR_M, path_m / 2) / NEAR_POINTS


def profile_cover_m(distance_m: ArrayLike, cover_m: ArrayLike) -> NDArray[np.float64]:
    """What the cover (n,) raises the profile by [m]: nothing near both ends, all of it from 500 m on."""
    d = np.asarray(distance_m, dtype=float)
    share = (np.minimum(d, d[-1] - d) - NEAR_M) / (FULL_M - NEAR_M)
    return np.asarray(cover_m, dtype=float) * np.clip(share, 0.0, 1.0)


def depth_m(near_m: ArrayLike, ground_m: ArrayLike, cover_m: ArrayLike, ray_m: ArrayLike) -> float:
    """Length [m] of the ray inside the cover.

    near_m : (25,) distances from the antenna, as `near_distances_m` gives them
    ground_m, ray_m : (25,) ground and ray above sea level there [m]; cover_m : (25,) height of the cover
    """
    cover_m = np.asarray(cover_m, dtype=float)
    above_ray = np.minimum(np.asarray(ground_m) + cover_m - np.asarray(ray_m), cover_m)
    return float(np.sum(np.clip(above_ray / THIN_TOP_M, 0.0, 1.0)) * 2 * np.asarray(near_m)[0])
