"""Which variable of a NetCDF file is which: by standard name first, then by known alias."""

from __future__ import annotations

import re
from typing import Any

import cf_xarray  # noqa: F401  (registers the .cf accessor)
import numpy as np
import xarray as xr

from riskcast.weather.daily import HIGHEST, LOWEST, MEAN
from riskcast.weather.dataset import VARIABLES
from riskcast.weather.table import Table

__all__ = ["find", "has_extremes", "key", "quantity", "say_what_is_missing", "snow_as_water"]

# Names beside those of `VARIABLES` that gridded observations use for a quantity.
_ALSO = {
    "air_temperature": ("tmean", "tasmean"),
    "precipitation": ("rainfall", "thickness_of_rainfall_amount", "rainfall_amount"),
    "relative_humidity": ("hu",),
    "wind_speed": ("fg",),
}

# The extremes of a day: how `cell_methods` says it, aliases.
_EXTREMES = {
    LOWEST: ("minimum", ("tn", "tasmin", "tmin", "mn2t", "t2m_min", LOWEST)),
    HIGHEST: ("maximum", ("tx", "tasmax", "tmax", "mx2t", "t2m_max", HIGHEST)),
}

# What is not wanted itself but makes something wanted: standard name, aliases, quantity.
_INGREDIENTS = {
    "dew_point": (
        "dew_point_temperature",
        ("d2m", "2d", "2m_dewpoint_temperature", "tdps", "dew_point_2m", "dew_point"),
        "temperature",
    ),
    "eastward_wind": (
        "eastward_wind",
        ("u10", "10u", "10m_u_component_of_wind", "uas"),
        "speed",
    ),
    "northward_wind": (
        "northward_wind",
        ("v10", "10v", "10m_v_component_of_wind", "vas"),
        "speed",
    ),
}

# Middle of the layers 0-7, 7-28, 28-100 and 100-289 cm of the ECMWF land surface scheme, m.
_SOIL_LAYERS = {"stl1": 0.035, "stl2": 0.175, "stl3": 0.64, "stl4": 1.945}


def key(name: Any) -> str:
    """`X2m_temperature` and `2m.temperature`, as R writes them, are `2m_temperature`."""
    return re.sub(r"^x(?=\d)", "", str(name).lower()).replace(".", "_")


def quantity(name: str) -> str:
    """The kind of units a variable or ingredient has."""
    if name in _EXTREMES:
        return VARIABLES[MEAN].quantity
    return _INGREDIENTS[name][2] if name in _INGREDIENTS else VARIABLES[name].quantity


def find(file: xr.Dataset, *, daily: bool = False) -> dict[str, xr.DataArray]:
    """Our name → the file's variable, near the ground and of the moment (or of the day).

    Of several with the same standard name (wind at other heights) the one with a known
    name is meant. The lowest and highest temperature count only where the rows are days.
    """
    wanted = {
        name: (about.standard_names, (*about.aliases, *_ALSO.get(name, ())))
        for name, about in VARIABLES.items()
    }
    for name, (standard, aliases, _) in _INGREDIENTS.items():
        wanted[name] = ((standard,), aliases)
    by_key = {key(name): file[name] for name in file.data_vars}
    found: dict[str, xr.DataArray] = {}
    for name, (standards, aliases) in wanted.items():
        same = [file[n] for s in standards for n in _standard(file, s)]
        aliased = [by_key[alias] for alias in aliases if alias in by_key]
        usable = [v for v in [*same, *aliased] if not (_level(v) or _extreme(v) or _water(v))]
        known = [v for v in usable if key(v.name) in aliases]
        if usable:
            found[name] = (known or usable)[0]
    if daily:
        for name in _EXTREMES:
            of_day = [v for v in by_key.values() if _extreme(v) == name and not _level(v)]
            if of_day:
                found[name] = of_day[0]
    layers = [
        by_key[layer].expand_dims(depth=[depth])
        for layer, depth in _SOIL_LAYERS.items()
        if layer in by_key
    ]
    if layers and "soil_temperature" not in found:
        joined = xr.concat(layers, dim="depth", coords="minimal", compat="override")
        found["soil_temperature"] = joined.assign_attrs(layers[0].attrs)
    return found


def has_extremes(file: xr.Dataset) -> bool:
    """Whether a variable holds the lowest or highest air temperature of something."""
    return any(_extreme(file[name]) for name in file.data_vars)


def say_what_is_missing(file: xr.Dataset, table: Table, *, daily: bool = False) -> None:
    """Faults of a file without air temperature near the ground, if it is of no use at all."""
    aloft = [file[n] for n in _standard(file, "air_temperature") if _level(file[n])]
    if aloft:
        table.fault(
            str(aloft[0].name),
            f"air temperature at {_level(aloft[0])}, high above the ground: animals live below.",
            remedy="Download the temperature 2 m above ground.",
        )
    elif not find(file, daily=daily):
        table.fault(
            "",
            "no variable is known here: expected one with standard_name air_temperature, or"
            f" t2m, tas, temperature_2m …; found {', '.join(map(str, file.data_vars)) or 'none'}.",
            remedy="Download the temperature 2 m above ground.",
        )


def _standard(file: xr.Dataset, standard_name: str) -> list[str]:
    return [n for n in file.cf.standard_names.get(standard_name, []) if n in file.data_vars]


def _level(variable: xr.DataArray) -> str:
    """In words, the pressure level a variable belongs to; empty near the ground."""
    for coord in variable.coords.values():
        units = str(coord.attrs.get("units", ""))
        pressure = coord.attrs.get("standard_name") == "air_pressure"
        if pressure or units in ("hPa", "millibars"):
            return f"{np.ravel(coord.values)[0]:g} {units}".strip()
    return ""


def _extreme(variable: xr.DataArray) -> str:
    """Which extreme of the air temperature a variable holds; empty for others.

    By its name first: gridded observations give highest, lowest and mean temperature the
    same standard name, and no cell method or a wrong one.
    """
    named = key(variable.name)
    methods = str(variable.attrs.get("cell_methods", ""))
    for extreme, (method, aliases) in _EXTREMES.items():
        of_air = variable.attrs.get("standard_name", "air_temperature") == "air_temperature"
        by_method = re.search(rf"time: {method[:3]}", methods) and of_air
        if named in aliases or by_method:
            return extreme
    return ""


def snow_as_water(file: xr.Dataset) -> str:
    """Name of a variable that tells snow as water, where none tells its depth; else empty."""
    if "snow_depth" in find(file):
        return ""
    aliases = ("sd", *VARIABLES["snow_depth"].aliases)
    snow = [v for n, v in file.data_vars.items() if _water(v) and key(n) in aliases]
    return str(snow[0].name) if snow else ""


def _water(variable: xr.DataArray) -> bool:
    """Snow told as the water in it: without its density that is no depth."""
    named = str(variable.attrs.get("standard_name", ""))
    snow = "snow" in f"{named} {variable.name} {variable.attrs.get('long_name', '')}".lower()
    units = str(variable.attrs.get("units", ""))
    return snow and (named.startswith("lwe_") or "water" in units or units.startswith("kg"))
