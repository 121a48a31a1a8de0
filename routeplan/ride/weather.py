"""Air density from temperature, pressure, humidity and height. SI inside, degrees Celsius at the edge."""

from __future__ import annotations

from typing import Any

import numpy as np

SEA_LEVEL_PA = 101_325.0  # ISO 2533
SEA_LEVEL_K = 288.15  # ISO 2533
LAPSE_K_M = 0.0065  # ISO 2533, up to 11 km
PRESSURE_EXPONENT = 5.25588  # g M / (R L), ISO 2533
DRY_AIR_J_KG_K = 287.05
VAPOUR_J_KG_K = 461.495


def standard_pressure_pa(height_m: Any, *, sea_level_pa: Any = SEA_LEVEL_PA) -> Any:
    """Pressure [Pa] at a height above the sea: p0 (1 - 0.0065 h / 288.15)^5.25588. ISO 2533, below 11 km."""
    return sea_level_pa * (1 - LAPSE_K_M * np.asarray(height_m, float) / SEA_LEVEL_K) ** PRESSURE_EXPONENT


def standard_temperature_c(height_m: Any) -> Any:
    """Temperature [deg C] of the standard atmosphere. ISO 2533, below 11 km."""
    return 15.0 - LAPSE_K_M * np.asarray(height_m, float)


def saturation_pressure_pa(temperature_c: Any) -> Any:
    """Vapour pressure [Pa] over water: 611.21 exp((18.678 - t / 234.5) t / (257.14 + t)). Buck 1996."""
    t = np.asarray(temperature_c, float)
    return 611.21 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))


def air_density_kg_m3(temperature_c: Any, pressure_pa: Any, *, humidity: Any = 0.0) -> Any:
    """Density [kg/m3] of air at the pressure where one is: dry air and vapour as ideal gases."""
    kelvin = np.asarray(temperature_c, float) + 273.15
    vapour = np.multiply(humidity, saturation_pressure_pa(temperature_c))
    return (pressure_pa - vapour) / (DRY_AIR_J_KG_K * kelvin) + vapour / (VAPOUR_J_KG_K * kelvin)


def air_density_at_kg_m3(
    height_m: Any,
    *,
    temperature_c: float = 15.0,
    temperature_at_m: float = 0.0,
    sea_level_hpa: float = 1013.25,
    humidity: float = 0.5,
) -> Any:
    """Density [kg/m3] at heights of a ride, from what a forecast says.

    temperature_c      read at the height `temperature_at_m`; falls by 6.5 K per km from there (ISO 2533)
    sea_level_hpa      pressure reduced to sea level, as forecasts give it
    """
    temperature = temperature_c - LAPSE_K_M * (np.asarray(height_m, float) - temperature_at_m)
    return air_density_kg_m3(
        temperature, standard_pressure_pa(height_m, sea_level_pa=100 * sea_level_hpa), humidity=humidity
    )
