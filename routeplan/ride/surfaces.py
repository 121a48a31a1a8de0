"""What each kind of road surface costs: rolling resistance, and the speed kept below downhill."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from routeplan.errors import InputError


class Surface(NamedTuple):
    """One kind of surface. A bicycle is pushed where the coefficient is `PUSHED_FROM` or more."""

    rolling_coefficient: float  # Crr [-]
    speed_cap_m_s: float  # kept below, downhill [m/s]
    meaning: str
    origin: str


PUSHED_FROM = 0.04  # Crr [-]: soft ground, where pushing is the better way (judgement)

SURFACES: dict[str, Surface] = {
    "smooth": Surface(0.005, 35 / 3.6, "asphalt or concrete in good order", "common practice; cap: judgement"),
    "rough": Surface(
        0.008, 32 / 3.6, "worn or patched asphalt, paving, setts laid flat", "common practice; cap: judgement"
    ),
    "fine_gravel": Surface(0.010, 28 / 3.6, "compacted or fine gravel", "common practice; cap: judgement"),
    "gravel": Surface(0.015, 24 / 3.6, "loose gravel, unsurfaced track", "common practice; cap: judgement"),
    "cobbles": Surface(0.020, 18 / 3.6, "cobblestones, grass, rutted track", "common practice; cap: judgement"),
    "soft": Surface(0.060, 10 / 3.6, "sand, mud, deep loose ground: pushed", "judgement, 0.04 to 0.08"),
}


def rolling_coefficients(words: Iterable[str], changed: Mapping[str, float] | None = None) -> np.ndarray:
    """Crr [-] of each surface word, float64 (n,); `changed` holds a rider's own figures by word."""
    return np.array([(changed or {}).get(word, _surface(word).rolling_coefficient) for word in words])


def speed_caps_m_s(words: Iterable[str]) -> np.ndarray:
    """Speed [m/s] kept below on each surface word, float64 (n,)."""
    return np.array([_surface(word).speed_cap_m_s for word in words])


def _surface(word: str) -> Surface:
    try:
        return SURFACES[word]
    except KeyError:
        raise InputError(f"no surface is called {word!r}", "surface", f"one of {', '.join(SURFACES)}") from None
