"""Snow on the ground: the provider's depth, else a degree-day model of air and precipitation.

What falls at or below the temperature that parts rain from snow stays as snow; every degree
above freezing melts its share of a day's degree-day factor; what is left settles with time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from riskcast.habitat.inputs import complete_variable

if TYPE_CHECKING:
    import xarray as xr

    from riskcast.species import Species

__all__ = ["degree_day_snow", "snow_on_ground", "snow_water"]

FloatArray = npt.NDArray[np.float64]

_HOURS_PER_DAY = 24.0


def snow_water(
    air: npt.ArrayLike, precipitation: npt.ArrayLike, sp: Species, *, canopy: str
) -> FloatArray:
    """Water held by the snow on the ground, mm, from hourly air temperature and precipitation.

    W' = max(W + P·[T ≤ threshold] − k·max(T, 0)/24, 0). Rain and snow part at 1.0 °C
    (Jennings et al. 2018); k is 2.42 mm per °C and day in forest and 3.51 in the open
    (Kuusisto 1980). No snow lies before the first hour. Left out: snow caught by the canopy,
    rain kept in the snow, drift.

    Parameters
    ----------
    air, precipitation : (…, time) °C and mm, hourly, without gaps
    sp : Species
    canopy : deciduous | evergreen | open; the first two melt as forest does

    Returns
    -------
    ndarray (…, time), mm, at the end of each hour, 0 or more
    """
    p = sp.nest
    t = np.asarray(air, dtype=float)
    factor = p.snowmelt_open if canopy == "open" else p.snowmelt_forest
    melts = factor / _HOURS_PER_DAY * np.maximum(t - p.snowmelt_threshold, 0.0)
    # A store that cannot fall below zero is its free sum less the lowest that sum has been.
    free = np.cumsum(_snowfall(t, precipitation, sp) - melts, axis=-1)
    return np.asarray(free - np.minimum(np.minimum.accumulate(free, axis=-1), 0.0))


def degree_day_snow(
    air: npt.ArrayLike, precipitation: npt.ArrayLike, sp: Species, *, canopy: str
) -> FloatArray:
    """Depth of snow from hourly air temperature and precipitation, m.

    The water of `snow_water` at a density that begins at 100 kg m-3 as it falls and nears 300
    in frost and 500 in thaw, with 200 h of memory; old and fresh snow mix by mass (Essery
    2015, prognostic density of the Factorial Snow Model).

    Parameters
    ----------
    air, precipitation, sp, canopy : see `snow_water`

    Returns
    -------
    ndarray (…, time), m, 0 or more
    """
    p = sp.nest
    water = snow_water(air, precipitation, sp, canopy=canopy)
    t = np.broadcast_to(np.asarray(air, dtype=float), water.shape)
    falls = np.broadcast_to(_snowfall(t, precipitation, sp), water.shape)
    limit = np.where(t > p.snowmelt_threshold, p.snow_density_melting, p.snow_density_cold)
    kept = np.exp(-1.0 / p.snow_settling_hours)
    depth = np.zeros(water.shape)
    density = np.full(water.shape[:-1], p.snow_density_fresh)
    lying = np.zeros(water.shape[:-1])
    # Hours in which no course has snow need no density: the next flake begins a new one.
    for hour in np.flatnonzero(water.reshape(-1, water.shape[-1]).any(axis=0)):
        aged = limit[..., hour] + (density - limit[..., hour]) * kept
        aged = np.maximum(density, aged)  # frost does not loosen what a thaw has packed
        lying = water[..., hour - 1] if hour else lying
        fresh = falls[..., hour]
        with_fresh = lying + fresh
        mixed = lying * aged + fresh * p.snow_density_fresh
        density = np.where(
            with_fresh > 0.0, mixed / np.where(with_fresh > 0.0, with_fresh, 1.0), density
        )
        # Water in mm is kg m-2.
        depth[..., hour] = water[..., hour] / density
    return depth


def _snowfall(air: FloatArray, precipitation: npt.ArrayLike, sp: Species) -> FloatArray:
    falls = np.asarray(precipitation, dtype=float)
    return np.asarray(np.where(air <= sp.nest.snowfall_threshold, falls, 0.0))


def snow_on_ground(weather: xr.Dataset, sp: Species, *, canopy: str) -> tuple[FloatArray, str]:
    """Depth of snow and where it comes from.

    Parameters
    ----------
    weather : Dataset (member, time), hourly: ``air_temperature`` degC; ``snow_depth`` m
        where a provider gives it, else ``precipitation`` mm
    sp : Species
    canopy : see `degree_day_snow`

    Returns
    -------
    depth : (member, time) m
    source : "provider"; "degree-day model"; "none given", with depth 0, where the weather
        tells neither of snow nor of precipitation

    Raises
    ------
    ValueError
        Missing values, wrong units, dimensions or step, or a value below zero.
    """
    if "snow_depth" in weather:
        return _not_negative(weather, "snow_depth", "m"), "provider"
    air = complete_variable(weather, "air_temperature", "degC").values
    if "precipitation" not in weather:
        return np.zeros(air.shape), "none given"
    water = _not_negative(weather, "precipitation", "mm")
    return degree_day_snow(air, water, sp, canopy=canopy), "degree-day model"


def _not_negative(weather: xr.Dataset, name: str, units: str) -> FloatArray:
    values = complete_variable(weather, name, units).values
    if bool((values < 0.0).any()):
        raise ValueError(f"{name}: expected 0 {units} or more, found {float(values.min())}")
    return np.asarray(values, dtype=float)
