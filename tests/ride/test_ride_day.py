"""Air, food, battery and daylight."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.ride.battery import (
    Drain,
    Duty,
    battery_life_s,
    battery_use,
    drain_for,
    mean_current_a,
    usable_share,
)
from routeplan.ride.daylight import light_of_ride, sun_elevation_deg, sunset
from routeplan.ride.food import metabolic_kcal
from routeplan.ride.weather import (
    air_density_at_kg_m3,
    air_density_kg_m3,
    saturation_pressure_pa,
    standard_pressure_pa,
    standard_temperature_c,
)


# C17-C19: ISO 2533 prints 1.225, 1.1117 and 1.0066 kg/m3
@pytest.mark.parametrize("height_m, density", [(0, 1.225), (1000, 1.11164), (2000, 1.00649)])
def test_published_standard_atmosphere(height_m, density):
    ours = air_density_kg_m3(standard_temperature_c(height_m), standard_pressure_pa(height_m))
    assert ours == pytest.approx(density, rel=1e-3)


def test_published_humid_and_dry_air():  # C20, C21: Buck 1996 and ideal gases
    assert saturation_pressure_pa(20.0) == pytest.approx(2338.3, rel=1e-3)  # Buck 1996 gives 23.383 hPa
    assert air_density_kg_m3(20.0, 101_325, humidity=0.5) == pytest.approx(1.19887, rel=1e-3)
    assert air_density_kg_m3(20.0, 101_325) == pytest.approx(1.20412, rel=1e-3)


def test_property_density_of_a_ride():
    assert air_density_at_kg_m3(0.0, humidity=0.0) == pytest.approx(1.225, rel=1e-3)
    assert air_density_at_kg_m3(1000.0, temperature_c=8.5, temperature_at_m=1000.0, humidity=0.0) == pytest.approx(
        1.11164, rel=1e-3
    )
    assert (np.diff(air_density_at_kg_m3(np.array([0.0, 500, 2500]), temperature_c=20)) < 0).all()


def test_published_food():  # C22: 3600 s at 100 W, gross efficiency 0.22
    assert metabolic_kcal(3600 * 100, gross_efficiency=0.22) == pytest.approx(391.1, rel=1e-3)


# Mean current and life with 1.5, 0.25, 0.06 A and 0.04 A for GPS and beacon; usable share 0.85; 7.4 V.
@pytest.mark.parametrize(
    "duty, mean_ma, hours_1_8_ah, hours_2_2_ah",
    [
        (Duty(0.05, 0.05), 142, 10.8, 13.2),
        (Duty(0.10, 0.10), 223, 6.9, 8.4),
        (Duty(0.10, 0.40, True), 320, 4.8, 5.8),
        (Duty(0.15, 0.60, True), 430, 3.6, 4.4),
    ],
)
def test_published_battery_table(duty, mean_ma, hours_1_8_ah, hours_2_2_ah):
    assert 1000 * mean_current_a(duty) == pytest.approx(mean_ma, abs=0.6)
    assert battery_life_s(1.8 * 7.4, duty) / 3600 == pytest.approx(hours_1_8_ah, abs=0.05)
    assert battery_life_s(2.2 * 7.4, duty) / 3600 == pytest.approx(hours_2_2_ah, abs=0.06)


def test_published_maker_battery_life():
    # One maker prints 7.5 h at 5-5-90 for 1400 mAh at 3 W: 187 mA on average.
    assert pytest.approx(7.5, abs=0.02) == 1.4 / 0.187
    assert drain_for(5.0) == Drain()


def test_property_battery_warnings():
    use = {"battery_wh": 13.3, "duty": Duty(0.10, 0.40, True)}
    life = battery_use(0.0, **use).life_s
    assert battery_use(0.79 * life, **use).warning is None
    late = battery_use(0.9 * life, **use)
    assert late.share == pytest.approx(0.9) and "10 %" in late.warning and "emergency" in late.warning
    assert "empty" in battery_use(1.2 * life, **use).warning
    assert battery_use(3600, temperature_c=-5, **use).share > battery_use(3600, **use).share
    assert battery_use(3600, transmit_w=0.5, **use).share < battery_use(3600, **use).share
    assert usable_share([30, 20, 0]) == pytest.approx([0.85, 0.85, 0.65])


def test_property_duty_shares_one_ride():
    with pytest.raises(InputError):
        Duty(0.7, 0.6)


# Almanac times, from memory of published tables, printed to the minute.
@pytest.mark.parametrize(
    "latitude, longitude, zone, day, clock",
    [
        (51.4769, 0.0, "Europe/London", date(2024, 6, 21), (21, 21)),
        (51.4769, 0.0, "Europe/London", date(2024, 12, 21), (15, 53)),
        (40.7128, -74.0060, "America/New_York", date(2024, 6, 21), (20, 31)),
        (-33.8688, 151.2093, "Australia/Sydney", date(2024, 12, 21), (20, 5)),
    ],
)
def test_published_sunset(latitude, longitude, zone, day, clock):
    ours = sunset(latitude, longitude, day, ZoneInfo(zone))
    assert ours is not None
    assert abs((ours.hour * 60 + ours.minute + ours.second / 60) - (clock[0] * 60 + clock[1])) < 2.0


def test_property_sunset_is_where_the_disc_goes_down():
    ours = sunset(42.5063, 1.5218, date(2026, 6, 11), ZoneInfo("Europe/Andorra"))
    assert sun_elevation_deg(42.5063, 1.5218, ours) == pytest.approx(-0.833, abs=0.02)


def test_property_equinox_sunset_near_six_local_sun_time():
    ours = sunset(0.0, 0.0, date(2026, 3, 20), UTC)
    assert 18.0 < ours.hour + ours.minute / 60 < 18.3


def test_property_lights_on_an_evening_ride():
    zone = ZoneInfo("Europe/Andorra")
    light = light_of_ride(42.5063, 1.5218, datetime(2026, 6, 11, 18, 30, tzinfo=zone), 4 * 3600)
    assert light.sunset.tzinfo is zone and light.sunset < light.civil_dusk
    assert light.lights_from == light.sunset
    assert light.dark_s == pytest.approx((datetime(2026, 6, 11, 22, 30, tzinfo=zone) - light.sunset).total_seconds())
    noon = light_of_ride(42.5063, 1.5218, datetime(2026, 6, 11, 12, 0, tzinfo=zone), 3600)
    assert noon.lights_from is None and noon.dark_s == 0
    night = light_of_ride(42.5063, 1.5218, datetime(2026, 6, 11, 3, 0, tzinfo=zone), 5 * 3600)
    assert night.lights_from == datetime(2026, 6, 11, 3, 0, tzinfo=zone) and night.dark_s < 5 * 3600


def test_property_polar_summer_and_winter():
    zone = ZoneInfo("Europe/Oslo")
    summer = light_of_ride(69.65, 18.96, datetime(2024, 6, 21, 12, tzinfo=zone), 3600)
    assert summer.sunset is None and summer.polar == "the sun does not set" and summer.lights_from is None
    winter = light_of_ride(69.65, 18.96, datetime(2024, 12, 21, 12, tzinfo=zone), 3600)
    assert winter.polar == "the sun does not rise" and winter.dark_s == 3600


def test_property_sunset_across_a_change_of_clocks():
    zone = ZoneInfo("Europe/Andorra")  # clocks go back at 03:00 on 25 October 2026
    light = light_of_ride(42.5063, 1.5218, datetime(2026, 10, 24, 23, 0, tzinfo=zone), 12 * 3600)
    assert sun_elevation_deg(42.5063, 1.5218, light.sunrise) == pytest.approx(-0.833, abs=0.02)
    assert light.sunrise.utcoffset().total_seconds() == 3600


def test_property_times_must_be_aware():
    with pytest.raises(InputError, match="time zone"):
        light_of_ride(0, 0, datetime(2026, 6, 11, 12), 3600)
