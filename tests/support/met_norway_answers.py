"""Bodies in the shape of MET Norway's Locationforecast 2.0 complete, of invented weather.

Steps, names and units as in its documentation (metno/weatherapi-docs at 23d20d9) and in an
answer recorded by another project: hourly for two and a half days, then every six hours.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import invented_weather as invented
import numpy as np

__all__ = ["BAD_REQUEST_PAGE", "answer"]

_HOURLY_STEPS = 55
_DAYS = 9

# A 400 is answered with a page for people.
BAD_REQUEST_PAGE = (
    b"<!DOCTYPE html>\n<html><head><title>400 Bad Request</title></head>"
    b"<body><h1>Bad Request</h1><p>Missing required parameter</p></body></html>\n"
)
_UNITS = {
    "air_pressure_at_sea_level": "hPa",
    "air_temperature": "celsius",
    "air_temperature_max": "celsius",
    "air_temperature_min": "celsius",
    "cloud_area_fraction": "%",
    "dew_point_temperature": "celsius",
    "precipitation_amount": "mm",
    "relative_humidity": "%",
    "wind_from_direction": "degrees",
    "wind_speed": "m/s",
}


def answer(
    latitude: float, longitude: float, altitude_m: float | None, now: dt.datetime
) -> dict[str, Any]:
    """One forecast made in the hour of `now`."""
    made = int(now.timestamp() // 3600)
    height = invented.GROUND_M if altitude_m is None else altitude_m
    hourly = np.arange(made, made + _HOURLY_STEPS)
    coarse = np.arange(-(-hourly[-1] // 6) * 6, made + 24 * _DAYS, 6)
    coarse = coarse[coarse > hourly[-1]]
    steps = np.r_[hourly, coarse]
    place = (latitude, longitude, height)
    series = [_step(int(hour), int(hour) <= hourly[-1], place) for hour in steps[:-1]]
    series.append({"time": _time(int(steps[-1])), "data": {"instant": _instant(steps[-1], place)}})
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, round(height)]},
        "properties": {
            "meta": {"updated_at": _time(made), "units": dict(_UNITS)},
            "timeseries": series,
        },
    }


def _step(hour: int, hourly: bool, place: tuple[float, float, float]) -> dict[str, Any]:
    data: dict[str, Any] = {"instant": _instant(hour, place)}
    data["next_12_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": {}}
    if hourly:
        details = {"precipitation_amount": _rain(hour, 1)}
        data["next_1_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": details}
    coming = invented.temperature(np.arange(hour, hour + 7), *place[:2], 0, place[2])
    details = {
        "air_temperature_max": float(coming.max()),
        "air_temperature_min": float(coming.min()),
        "precipitation_amount": _rain(hour, 6),
    }
    data["next_6_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": details}
    return {"time": _time(hour), "data": data}


def _instant(hour: int, place: tuple[float, float, float]) -> dict[str, Any]:
    latitude, longitude, height = place
    at = np.array([hour])
    air = float(invented.temperature(at, latitude, longitude, 0, height)[0])
    wind = invented.value("wind_speed_10m", at, latitude, longitude, 0, height)
    humidity = invented.value("relative_humidity_2m", at, latitude, longitude, 0, height)
    assert wind is not None
    assert humidity is not None
    return {
        "details": {
            "air_pressure_at_sea_level": 1013.2,
            "air_temperature": air,
            "cloud_area_fraction": 62.5,
            "dew_point_temperature": round(air - 3, 1),
            "relative_humidity": float(humidity[0]),
            "wind_from_direction": 240.0,
            "wind_speed": round(float(wind[0]) / 3.6, 1),
        }
    }


def _rain(hour: int, following: int) -> float:
    """Sum of the hours after the stamp."""
    ends = np.arange(hour + 1, hour + 1 + following)
    return round(float(invented.VARIABLES["precipitation"](ends, 0).sum()), 1)


def _time(hour: int) -> str:
    return f"{np.datetime64(hour, 'h').astype('datetime64[s]')}Z"
