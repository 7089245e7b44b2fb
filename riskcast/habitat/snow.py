"""Snow on the ground: the provider's depth, else a degree-day model of air and precipitation.

Precipitation at or below a threshold falls as snow; every degree above freezing melts its
share of a day's degree-day factor; what is left lies at the density of settled snow.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from riskcast.habitat.inputs import complete_variable

if TYPE_CHECKING:
    import xarray as xr

    from riskcast.species import Species

__all__ = ["degree_day_snow", "snow_on_ground"]

FloatArray = npt.NDArray[np.float64]

_HOURS_PER_DAY = 24.0


def degree_day_snow(
    air: npt.ArrayLike, precipitation: npt.ArrayLike, sp: Species, *, canopy: str
) -> FloatArray:
    """Depth of snow from hourly air temperature and precipitation, m.

    W' = max(W + P·[T ≤ threshold] − k·max(T, 0)/24, 0), depth = W ÷ density. Rain and snow
    part at 1.0 °C (Jennings et al. 2018), k is 2.42 mm per °C and day in forest and 3.51 in
    the open (Kuusisto 1980), density that of settled maritime snow (Sturm et al. 2010). No
    snow lies before the first hour. Left out: snow caught by the canopy, rain kept in the
    snow, drift, and fresh snow being looser: a shallow fresh cover is somewhat too thin.

    Parameters
    ----------
    air, precipitation : (…, time) °C and mm, hourly, without gaps
    sp : Species
    canopy : deciduous | evergreen | open; the first two melt as forest does

    Returns
    -------
    ndarray (…, time), m, 0 or more
    """
    p = sp.nest
    t, water = np.broadcast_arrays(
        np.asarray(air, dtype=float), np.asarray(precipitation, dtype=float)
    )
    factor = p.snowmelt_open if canopy == "open" else p.snowmelt_forest
    falls = np.where(t <= p.snowfall_threshold, water, 0.0)
    melts = factor / _HOURS_PER_DAY * np.maximum(t - p.snowmelt_threshold, 0.0)
    # A store that cannot fall below zero is its free sum less the lowest that sum has been.
    free = np.cumsum(falls - melts, axis=-1)
    lowest = np.minimum(np.minimum.accumulate(free, axis=-1), 0.0)
    # Water in mm is kg m-2.
    return np.asarray((free - lowest) / p.snow_density)


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
