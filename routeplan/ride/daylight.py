"""Sunset and twilight where the ride is, in polar summer and winter too.

The sun's place is astral's (equations of Meeus, as the NOAA calculator uses them; good to some half minute).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

import numpy as np

from routeplan.errors import InputError

SUNSET_DEG = -0.833  # upper limb on the horizon with standard refraction
CIVIL_DEG = -6.0  # end of civil twilight


@dataclass(frozen=True)
class Light:
    """The light of one ride. Times are aware, in the time zone of the departure."""

    sunset: datetime | None  # first after departure, within a day; None: the sun does not set
    civil_dusk: datetime | None  # first after departure, within a day
    sunrise: datetime | None
    lights_from: datetime | None  # lights wanted from here on, within the ride; None: not on this ride
    dark_s: float  # of the ride, without the sun
    polar: str | None  # "the sun does not set", "the sun does not rise", None


def sun_elevation_deg(latitude_deg: float, longitude_deg: float, when: datetime) -> float:
    """Elevation of the sun's centre [deg], without refraction; `when` aware."""
    from astral import Observer
    from astral.sun import elevation

    if when.tzinfo is None:
        raise InputError(f"{when} has no time zone", "daylight", "give an aware time")
    return float(elevation(Observer(latitude_deg, longitude_deg), when, with_refraction=False))


def light_of_ride(latitude_deg: float, longitude_deg: float, departs: datetime, ride_time_s: float) -> Light:
    """Sunset, dusk and where lights are wanted on a ride that departs at an aware time.

    Lights are wanted while the sun is below the horizon (from sunset to sunrise; laws differ by country).
    """
    if departs.tzinfo is None:
        raise InputError(f"{departs} has no time zone", "daylight", "give an aware time")
    begin = departs.astimezone(UTC)  # adding to local times would follow the clock, not the sun
    minutes = np.arange(0, 24 * 60 + 1, 10)
    elevation = np.array(
        [sun_elevation_deg(latitude_deg, longitude_deg, begin + timedelta(minutes=int(m))) for m in minutes]
    )

    def crossing(level_deg: float, down: bool) -> datetime | None:
        above = elevation > level_deg
        changes = np.flatnonzero(above[:-1] & ~above[1:] if down else ~above[:-1] & above[1:])
        if not len(changes):
            return None
        low, high = 60.0 * minutes[changes[0]], 60.0 * minutes[changes[0] + 1]
        while high - low > 1:
            middle = (low + high) / 2
            is_above = sun_elevation_deg(latitude_deg, longitude_deg, begin + timedelta(seconds=middle)) > level_deg
            low, high = (middle, high) if is_above == down else (low, middle)
        return begin + timedelta(seconds=round(high))

    sunset, sunrise = crossing(SUNSET_DEG, True), crossing(SUNSET_DEG, False)
    polar = None
    if sunset is None and sunrise is None:
        polar = "the sun does not set" if elevation[0] > SUNSET_DEG else "the sun does not rise"
    ends = begin + timedelta(seconds=ride_time_s)
    lights, dark_s = None, 0.0
    if elevation[0] <= SUNSET_DEG:
        lights, dark_s = begin, ((min(sunrise, ends) if sunrise else ends) - begin).total_seconds()
    elif sunset is not None and sunset < ends:
        lights, dark_s = sunset, (ends - sunset).total_seconds()

    def local(moment: datetime | None) -> datetime | None:
        return moment and moment.astimezone(departs.tzinfo)

    return Light(local(sunset), local(crossing(CIVIL_DEG, True)), local(sunrise), local(lights), dark_s, polar)


def sunset(latitude_deg: float, longitude_deg: float, day: date, zone: tzinfo) -> datetime | None:
    """Sunset of that local day, aware; None where the sun does not set on it."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=zone)
    return light_of_ride(latitude_deg, longitude_deg, noon, 0.0).sunset
