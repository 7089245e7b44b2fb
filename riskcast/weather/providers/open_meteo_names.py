"""Open-Meteo's names: which variable, which member and which model a key stands for.

The same keys head the columns of its CSV and name the arrays of its JSON:
``temperature_2m``, ``temperature_2m_member01``, ``temperature_2m_member01_icon_seamless``,
``soil_temperature_0_to_7cm``.
"""

from __future__ import annotations

import re

__all__ = ["ATTRIBUTION", "VARIABLE_MAP", "soil_depth_m", "split"]

# The old spellings stand in answers of earlier years.
VARIABLE_MAP = {
    "temperature_2m": "air_temperature",
    "relative_humidity_2m": "relative_humidity",
    "relativehumidity_2m": "relative_humidity",
    "dew_point_2m": "dew_point",
    "dewpoint_2m": "dew_point",
    "precipitation": "precipitation",
    "snow_depth": "snow_depth",
    "wind_speed_10m": "wind_speed",
    "windspeed_10m": "wind_speed",
}

# The link is what the provider asks to see beside its data.
ATTRIBUTION = {
    "provider": "Open-Meteo",
    "licence": "CC BY 4.0",
    "attribution": "Weather data by Open-Meteo.com (https://open-meteo.com/)",
}

# A single depth (forecast models) or a layer (reanalyses, some ensembles).
_SOIL = re.compile(r"soil_temperature_(\d+)(?:_to_(\d+))?cm")
_MEMBER = re.compile(r"^(?P<name>.+?)_member(?P<member>\d+)(?:_(?P<model>.+))?$")
# A model's name behind a variable's (several models were asked for) starts like this; other
# tails ("_max", "_probability") make another variable.
_MODEL = re.compile(
    r"(best_match|ecmwf|icon|dwd|gfs|ncep|gem|cmc|ukmo|meteofrance|knmi|dmi|metno|jma|cma|bom"
    r"|kma|era5|cerra|arpae|italia|meteoswiss)"
)


def split(key: str) -> tuple[str, int, str]:
    """Name, member number (0 = the control) and model of a key; "" where none is named."""
    member = _MEMBER.match(key)
    if member:
        return member["name"], int(member["member"]), member["model"] or ""
    for name in VARIABLE_MAP:
        tail = key.removeprefix(f"{name}_")
        if tail != key and _MODEL.match(tail):
            return name, 0, tail
    soil = re.match(rf"({_SOIL.pattern})_(.+)$", key)
    if soil and _MODEL.match(soil[4]):
        return soil[1], 0, soil[4]
    return key, 0, ""


def soil_depth_m(name: str) -> float | None:
    """Depth of a soil temperature, m (the middle of a layer), or None for other names."""
    soil = _SOIL.fullmatch(name)
    if soil is None:
        return None
    return (float(soil[1]) + float(soil[2] or soil[1])) / 2.0 / 100.0
