"""Places on the Earth: working coordinates, distances, bearings and Maidenhead locators.

Latitude comes before longitude in signatures; x (east) and y (north) are metres in working coordinates.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from routeplan.errors import InputError

EARTH_RADIUS_M = 6_371_008.8  # mean radius R1 of GRS 80 (IUGG)


@dataclass(frozen=True)
class Projection:
    """Transverse Mercator on WGS 84, true to scale along the meridian through its centre."""

    latitude_deg: float
    longitude_deg: float

    @property
    def proj4(self) -> str:
        return (
            f"+proj=tmerc +lat_0={self.latitude_deg!r} +lon_0={self.longitude_deg!r} "
            "+k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
        )

    @cached_property
    def _transformer(self) -> Any:
        from pyproj import Transformer

        return Transformer.from_crs("EPSG:4326", self.proj4, always_xy=True)

    def to_xy(self, latitude_deg: Any, longitude_deg: Any) -> tuple[Any, Any]:
        """x, y [m], same shape as the inputs."""
        return self._transformer.transform(longitude_deg, latitude_deg)

    def to_latlon(self, x_m: Any, y_m: Any) -> tuple[Any, Any]:
        """latitude, longitude [deg], same shape as the inputs."""
        longitude, latitude = self._transformer.transform(x_m, y_m, direction="INVERSE")
        return latitude, longitude


def distance_m(latitude_a: Any, longitude_a: Any, latitude_b: Any, longitude_b: Any) -> Any:
    """Great-circle distance [m] on the sphere of mean radius (haversine form); broadcasts."""
    a, b = np.radians(latitude_a), np.radians(latitude_b)
    half = (
        np.sin((b - a) / 2) ** 2
        + np.cos(a) * np.cos(b) * np.sin(np.radians(np.subtract(longitude_b, longitude_a)) / 2) ** 2
    )
    return 2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(half, 0, 1)))


def bearing_deg(from_x_m: Any, from_y_m: Any, to_x_m: Any, to_y_m: Any) -> Any:
    """Grid bearing [deg, 0 north, 90 east, in [0, 360)] in working coordinates; broadcasts."""
    return np.degrees(np.arctan2(np.subtract(to_x_m, from_x_m), np.subtract(to_y_m, from_y_m))) % 360.0


_LOCATOR = re.compile(r"[A-R]{2}(?:[0-9]{2}(?:[A-X]{2}(?:[0-9]{2})?)?)?", re.ASCII)


def locator_to_latlon(locator: str) -> tuple[float, float]:
    """Latitude and longitude [deg] of the centre of a Maidenhead cell of 2, 4, 6 or 8 characters.

    Raises InputError that names the first character that cannot stand at its place.
    Source: IARU Region 1 VHF Managers Handbook, locator system (fields of 20 x 10 degrees).
    """
    text = locator.strip().upper()
    if not _LOCATOR.fullmatch(text):
        raise InputError(
            _locator_fault(text), f"locator {locator!r}", "a locator looks like AA00aa or AA00aa00"
        )
    longitude, latitude = -180.0, -90.0
    width, height = 20.0, 10.0
    for pair, (a, b) in enumerate(zip(text[::2], text[1::2])):
        base = "0" if pair % 2 else "A"
        longitude += (ord(a) - ord(base)) * width
        latitude += (ord(b) - ord(base)) * height
        if pair < len(text) // 2 - 1:
            parts = 24 if pair % 2 else 10
            width, height = width / parts, height / parts
    return latitude + height / 2, longitude + width / 2


def _locator_fault(text: str) -> str:
    allowed = ["A to R", "A to R", "0 to 9", "0 to 9", "A to X", "A to X", "0 to 9", "0 to 9"]
    patterns = ["[A-R]", "[A-R]", "[0-9]", "[0-9]", "[A-X]", "[A-X]", "[0-9]", "[0-9]"]
    for place, character in enumerate(text[:8]):
        if not re.fullmatch(patterns[place], character):
            return f"character {place + 1} is {character!r}, not {allowed[place]}"
    return f"{len(text)} characters, not 2, 4, 6 or 8"


def latlon_to_locator(latitude_deg: float, longitude_deg: float, characters: int = 8) -> str:
    """Maidenhead locator, `characters` long (2, 4, 6 or 8), of the cell that holds the point."""
    east = min((longitude_deg + 180.0) % 360.0 / 20.0, 18 - 1e-9)
    north = min(max((latitude_deg + 90.0) / 10.0, 0.0), 18 - 1e-9)
    text = ""
    for pair, parts in zip(range(characters // 2), (10, 24, 10, 24)):
        base = ord("0") if pair % 2 else ord("A") if pair == 0 else ord("a")
        text += chr(base + int(east)) + chr(base + int(north))
        east, north = east % 1 * parts, north % 1 * parts
    return text
