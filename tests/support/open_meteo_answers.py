"""Bodies in the shape Open-Meteo documents for its free endpoints, of invented weather.

Keys and their order, units, members, nulls and error texts as documented and recorded:
OpenAPI and server of open-meteo/open-meteo at ba13de1c, real answers of other projects' tests.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

import invented_weather as invented
import numpy as np

__all__ = ["LIMITS", "MEMBERS", "Refused", "answer", "error"]

Query = dict[str, str]

# Members with the control, as the website lists them.
MEMBERS = {"ecmwf_ifs025": 51, "ecmwf_aifs025": 51, "icon_seamless": 40, "gfs025": 31}
_OTHER_MEMBERS = 20

# How far ahead the models run; what is asked beyond comes as null.
_ENSEMBLE_HOURS = 360
# The archive is this far behind.
_ARCHIVE_DELAY_H = 120

LIMITS = {
    "minutely": "Minutely API request limit exceeded. Please try again in one minute.",
    "hourly": "Hourly API request limit exceeded. Please try again in the next hour.",
    "daily": "Daily API request limit exceeded. Please try again tomorrow.",
    "concurrent": "Too many concurrent requests",
}
_MOST_DAYS = {"forecast": 16, "ensemble": 36, "previous-runs": 16}
_GRID = {"forecast": 0.05, "ensemble": 0.25, "archive": 0.1, "previous-runs": 0.05}
_PREVIOUS = re.compile(r"^(.+)_previous_day([1-7])$")
_FOOT_M, _INCH_MM, _KM_H_IN_M_S = 0.3048, 25.4, 3.6


class Refused(Exception):  # noqa: N818 - what the service does, not a fault of ours
    """The service answers 400 with this reason."""


def error(reason: str) -> dict[str, Any]:
    """The body of every refusal."""
    return {"error": True, "reason": reason}


def answer(endpoint: str, query: Query, now: dt.datetime) -> Any:
    """What the endpoint says to a query: one object, or a list for several places.

    Raises
    ------
    Refused
        With the reason the service gives.
    """
    latitudes = _numbers(query, "latitude")
    longitudes = _numbers(query, "longitude")
    if len(latitudes) != len(longitudes):
        raise Refused("Parameter 'latitude' and 'longitude' must have the same number of elements")
    heights = _numbers(query, "elevation") if "elevation" in query else [None] * len(latitudes)
    names = [name for name in query.get("hourly", "").split(",") if name]
    zone = ZoneInfo(query.get("timezone", "GMT").replace("auto", "Europe/London"))
    offset = now.astimezone(zone).utcoffset() or dt.timedelta()
    span = _span(endpoint, query, (now + offset).date())
    models = [model for model in query.get("models", "").split(",") if model]
    if endpoint == "ensemble" and not models:
        raise Refused("Value of type 'String' required for key 'models'.")
    places = zip(latitudes, longitudes, heights, strict=True)
    out = [_one(endpoint, place, names, models, span, zone, offset, query, now) for place in places]
    for number, one in enumerate(out[1:], 1):
        one["location_id"] = number
    return out if len(out) > 1 else out[0]


def _one(endpoint, place, names, models, span, zone, offset, query, now):
    latitude, longitude, asked = place
    grid = _GRID[endpoint]
    cell = [round(round(x / grid) * grid + 1e-6, 6) for x in (latitude, longitude)]
    height = invented.GROUND_M if asked is None else asked
    first, last = (np.datetime64(day, "h") for day in span)
    hour = np.arange(first, last + np.timedelta64(24, "h")).astype(np.int64)
    utc = hour - int(offset.total_seconds() // 3600)
    columns: dict[str, list[Any]] = {"time": _times(hour, utc, query)}
    units = {"time": query.get("timeformat", "iso8601")}
    for name in names:
        for key, member in _members(endpoint, name, models):
            values = _values(endpoint, name, utc, cell, member, height, now)
            columns[key], units[key] = _in_units(values, name, query)
    head: dict[str, Any] = {
        "latitude": cell[0],
        "longitude": cell[1],
        "generationtime_ms": 1.25,
        "utc_offset_seconds": int(offset.total_seconds()),
        "timezone": query.get("timezone", "GMT"),
        "timezone_abbreviation": dt.datetime.now(zone).tzname() if offset else "GMT",
    }
    if not np.isnan(height):
        head["elevation"] = float(height)
    return {**head, "hourly_units": units, "hourly": columns}


def _numbers(query: Query, key: str) -> list[float]:
    try:
        return [float(text) for text in query[key].split(",")]
    except KeyError:
        raise Refused(f"Value of type 'String' required for key '{key}'.") from None
    except ValueError:
        raise Refused(f"Cannot initialize Float from invalid String value for key {key}") from None


def _span(endpoint: str, query: Query, today: dt.date) -> tuple[dt.date, dt.date]:
    start, end = query.get("start_date"), query.get("end_date")
    if (start is None) != (end is None) or (endpoint == "archive" and start is None):
        raise Refused("Both 'start_date' and 'end_date' must be set in the url")
    most = _MOST_DAYS.get(endpoint, 0)
    if start is not None and end is not None:
        days = dt.date.fromisoformat(start), dt.date.fromisoformat(end)
        if endpoint == "archive":
            low, high = dt.date(1940, 1, 1), today
        else:
            low, high = today - dt.timedelta(days=92), today + dt.timedelta(days=most - 1)
        for key, day in zip(("start_date", "end_date"), days, strict=True):
            if not low <= day <= high:
                raise Refused(f"Parameter '{key}' is out of allowed range from {low} to {high}")
        if days[0] > days[1]:
            raise Refused("End-date must be larger or equals than start-date")
        return days
    ahead, back = int(query.get("forecast_days", 7)), int(query.get("past_days", 0))
    if not 0 <= ahead <= most:
        raise Refused(f"Forecast days is invalid. Allowed range 0 to {most}. Given {ahead}.")
    if not 0 <= back <= 92:
        raise Refused(f"Past days is invalid. Allowed range 0 to 92. Given {back}.")
    return today - dt.timedelta(days=back), today + dt.timedelta(days=ahead - 1)


def _members(endpoint: str, name: str, models: list[str]) -> list[tuple[str, int]]:
    """Keys of one variable and the member each holds; suffixed by model where there are several."""
    out: list[tuple[str, int]] = []
    for model in models or [""]:
        suffix = f"_{model}" if len(models) > 1 else ""
        count = MEMBERS.get(model, _OTHER_MEMBERS) if endpoint == "ensemble" else 1
        out.append((f"{name}{suffix}", 0))
        out += [(f"{name}_member{m:02d}{suffix}", m) for m in range(1, count)]
    return out


def _values(endpoint, name, utc, cell, member, height, now):
    matched = _PREVIOUS.match(name) if endpoint == "previous-runs" else None
    plain = matched[1] if matched else name
    at = invented.GROUND_M if np.isnan(height) else height
    values = invented.value(plain, utc, cell[0], cell[1], member, at)
    if values is None:
        raise Refused(
            f"Cannot initialize ForecastVariable from invalid String value {name} for key hourly"
        )
    out = np.asarray(values, dtype=float)
    if matched:  # errors that grow with lead: 0.3 K a day, as often too warm as too cold
        out = np.round(out + 0.3 * int(matched[2]) * np.where(utc // 24 % 2, 1.0, -1.0), 1)
    present = int(now.timestamp() // 3600)
    if endpoint == "archive":
        out[utc > present - _ARCHIVE_DELAY_H] = np.nan
    if endpoint == "ensemble":
        out[utc > present - present % 24 + _ENSEMBLE_HOURS] = np.nan
    return out


def _times(hour: np.ndarray, utc: np.ndarray, query: Query) -> list[Any]:
    if query.get("timeformat") == "unixtime":
        return [int(h) * 3600 for h in utc]
    return [str(t) for t in np.datetime_as_string(hour.astype("datetime64[h]"), unit="m")]


def _in_units(values: np.ndarray, name: str, query: Query) -> tuple[list[float | None], str]:
    """Values as asked for; inches of rain turn metres of snow into feet as the server does."""
    unit = invented.UNITS.get(name.split("_previous_day")[0], "°C")
    if unit == "°C" and query.get("temperature_unit") == "fahrenheit":
        values, unit = values * 1.8 + 32, "°F"
    if unit == "km/h" and query.get("wind_speed_unit") == "ms":
        values, unit = values / _KM_H_IN_M_S, "m/s"
    if query.get("precipitation_unit") == "inch":
        if unit == "mm":
            values, unit = values / _INCH_MM, "inch"
        elif unit == "m":
            values, unit = values / _FOOT_M, "ft"
    out: list[float | None] = np.round(values, 3).tolist()
    for index in np.flatnonzero(np.isnan(values)):
        out[index] = None
    return out, unit
