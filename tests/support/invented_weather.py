"""Invented weather that knows every hour: smooth, plausible, and told by hand.

The loopback services answer with it, so a test can ask for what an answer should have held.
Nothing here is a measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

__all__ = ["GROUND_M", "LAPSE_K_PER_M", "UNITS", "VARIABLES", "hours_of", "temperature", "value"]

# Height of the ground everywhere in this world, and how its air cools upwards.
GROUND_M = 100.0
LAPSE_K_PER_M = 0.0065

_YEAR_HOURS = 24 * 365.2425


def hours_of(times: Any) -> np.ndarray:
    """(time,) whole hours since 1970 of UTC times."""
    return np.asarray(times, "datetime64[h]").astype(np.int64)


def _winter(hour: np.ndarray) -> np.ndarray:
    """1 in the first days of January, -1 in the first of July."""
    return np.cos(2 * np.pi * hour / _YEAR_HOURS)


def temperature(
    hour: Any, latitude: float = 52.0, longitude: float = 0.0, member: int = 0,
    elevation_m: float = GROUND_M,
) -> np.ndarray:  # fmt: skip
    """Air temperature, °C, one decimal. Members differ by 0.2 K each, places by 0.5 K a degree.

    -4 to 22 °C at 52° N over the year; days swing by 3 K, weather by 2 K in four days, years
    by 1 K in three and a half.
    """
    hour = np.asarray(hour, dtype=float)
    out = 9.0 - 7.0 * _winter(hour) + 3.0 * np.cos(2 * np.pi * (hour - 14) / 24)
    out += 2.0 * np.sin(2 * np.pi * hour / 97) + np.sin(2 * np.pi * hour / (3.5 * _YEAR_HOURS))
    out += 0.2 * member + 0.5 * (52.0 - latitude) + 0.01 * longitude
    return np.round(out + LAPSE_K_PER_M * (GROUND_M - elevation_m), 1)


def _rain(hour: np.ndarray, member: int) -> np.ndarray:
    """0.9 mm in every ninth hour, 0.3 mm more a member; sum of the hour that ends there."""
    return np.where(hour % 9 == 0, np.round(0.9 + 0.3 * member, 1), 0.0)


def _snow(hour: np.ndarray) -> np.ndarray:
    return np.where(_winter(hour) > 0.95, 0.05, 0.0)


def _humidity(hour: np.ndarray) -> np.ndarray:
    return np.round(80 + 10 * _winter(hour) + 3 * np.sin(2 * np.pi * hour / 31))


def _wind(hour: np.ndarray) -> np.ndarray:
    return np.round(3.6 * (3 + np.cos(2 * np.pi * hour / 24)), 1)


def _soil(hour: np.ndarray) -> np.ndarray:
    return np.round(9 - 5 * _winter(hour) + 0.5 * np.sin(2 * np.pi * hour / 97), 1)


# Open-Meteo's names, in its default units.
VARIABLES: dict[str, Callable[[np.ndarray, int], np.ndarray]] = {
    "precipitation": _rain,
    "snow_depth": lambda hour, member: _snow(hour),
    "relative_humidity_2m": lambda hour, member: _humidity(hour),
    "dew_point_2m": lambda hour, member: np.round(temperature(hour, member=member) - 3, 1),
    "wind_speed_10m": lambda hour, member: _wind(hour),
    "cloud_cover": lambda hour, member: np.round(50 + 50 * np.sin(2 * np.pi * hour / 53)),
    "shortwave_radiation": lambda hour, member: np.round(
        np.maximum(0, 300 * np.cos(2 * np.pi * (hour - 12) / 24))
    ),
    "snowfall": lambda hour, member: np.zeros(len(hour)),
}
UNITS = {
    "temperature_2m": "°C",
    "precipitation": "mm",
    "snow_depth": "m",
    "relative_humidity_2m": "%",
    "dew_point_2m": "°C",
    "wind_speed_10m": "km/h",
    "cloud_cover": "%",
    "shortwave_radiation": "W/m²",
    "snowfall": "cm",
}


def value(
    name: str, hour: Any, latitude: float, longitude: float, member: int, elevation_m: float
) -> np.ndarray | None:
    """Hourly values of one of Open-Meteo's variables in its default unit; None if unknown."""
    hour = np.asarray(hour, dtype=np.int64)
    if name == "temperature_2m":
        return temperature(hour, latitude, longitude, member, elevation_m)
    if name.startswith("soil_temperature_"):
        return _soil(hour)
    return VARIABLES[name](hour, member) if name in VARIABLES else None
