"""What the nest feels: the air, carried through snow and litter; and the box above ground."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from riskcast.base.quantity import require_variable
from riskcast.habitat.column import (
    Column,
    conduct,
    litter_column,
    steady_profile,
    surface_in_balance,
)
from riskcast.habitat.inputs import complete_variable
from riskcast.habitat.snow import snow_on_ground
from riskcast.habitat.soil import departure_left
from riskcast.species import load

if TYPE_CHECKING:
    from riskcast.site import Habitat
    from riskcast.species import Species

__all__ = [
    "SPIN_UP_DAYS",
    "box_temperature",
    "canopy_air",
    "carried_on",
    "nest_temperature",
]

FloatArray = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

# A column started from a guess has forgotten it at nest depth after two months: on nine real
# autumns the start was worth 0.06 K or less by then.
SPIN_UP_DAYS = 60.0
# The first profile is steady between the mean of these days and the deep temperature.
_START_HOURS = 240
# Shorter than a year less a few days of gaps, a mean is no annual mean.
_YEAR_HOURS = 360 * 24
_CM_PER_M = 100.0
# The day whose warmest and coldest hour set the canopy's effect on an hour, centred on it.
_DAY_WINDOW = 25
_WINTER = (12, 1, 2)
_SPRING = (3, 4, 5)


def nest_temperature(
    weather: xr.Dataset,
    habitat: Habitat,
    sp: Species | None = None,
    *,
    deep_temperature_degc: float | None = None,
    spin_up_days: float = SPIN_UP_DAYS,
) -> xr.DataArray:
    """Temperature of a ground nest in the litter, without the animal's own heat.

    Heat conduction through litter and mineral soil, driven by the air through still air and
    snow (snow is a resistance: depth ÷ conductivity), Crank–Nicolson by the hour. A trial on
    four woodland soil loggers (6 cm, two winters, no snow) had a daily error of 0.67 K;
    air itself had 3.6–4.5 K. Say ± ``nest.model_error`` when there is no snow.

    Parameters
    ----------
    weather : Dataset (member, time), hourly
        ``air_temperature`` degC. Used when there: ``snow_depth`` m, and without it
        ``precipitation`` mm for `degree_day_snow`; ``soil_temperature`` degC with ``depth``
        m, whose deepest level is the lower boundary if it lies at least
        ``nest.boundary_least_depth`` below the mineral surface (a provider's soil has no
        litter: never the nest itself), after its attribute ``measured_until`` (UTC), if it has
        that, a past winter's, see `carried_on`; scalar ``annual_mean_air_temperature`` degC.
    habitat : Habitat
        Nest depth, litter depth, cm; canopy, see `canopy_air`.
    sp : Species, central values; None = hazel dormouse
    deep_temperature_degc : temperature at ``nest.column_depth`` where the weather does not
        give it. Order: soil temperature, ``annual_mean_air_temperature``, this argument, the
        mean of the series if that is at least 360 days long.
    spin_up_days : how long the start of the series counts as spin-up

    Returns
    -------
    DataArray (member, time), degC, ``nest_temperature``
        attrs ``spin_up_until`` (UTC): hours before it still feel the assumed first profile
        (steady between the mean of the first ten days and the deep temperature);
        ``lower_boundary`` (source and depth), ``deep_temperature_degc`` (its mean), ``snow``
        (provider | degree-day model | none given), ``canopy``, ``litter_water_content``,
        ``model_error_k`` tell what was used; ``soil_measured_until`` where the soil is carried on.

    Raises
    ------
    ValueError
        Missing variable or values, wrong units, dimensions or step, snow or precipitation
        below zero, a nest below the column, or no deep temperature to be had.
    """
    species = load() if sp is None else sp
    p = species.nest
    air = complete_variable(weather, "air_temperature", "degC")
    times = air["time"].values.astype("datetime64[ns]")
    snow, snow_source = snow_on_ground(weather, species, canopy=habitat.canopy)
    above = canopy_air(air.values, times, habitat.canopy, species)
    resistance = 1.0 / p.transfer_coefficient + snow / p.snow_conductivity
    litter, nest = habitat.litter_depth_cm / _CM_PER_M, habitat.nest_depth_cm / _CM_PER_M
    below = _lower_boundary(weather, air, litter, species, deep_temperature_degc)
    base, bottom = below.temperature, below.depth_m
    column = litter_column(nest, litter, species, bottom_m=bottom)
    by_hour = [np.ascontiguousarray(forcing.T) for forcing in (above, resistance, base)]
    felt = _conduct_by_member(column, *by_hour, node=column.node(nest))
    spin_up = np.timedelta64(round(spin_up_days * 24.0), "h")
    return xr.DataArray(
        felt.T,
        dims=("member", "time"),
        coords={"member": air["member"], "time": air["time"]},
        name="nest_temperature",
        attrs={
            "units": "degC",
            "long_name": "temperature of a ground nest without the animal's heat",
            "nest_depth_cm": habitat.nest_depth_cm,
            "litter_depth_cm": habitat.litter_depth_cm,
            "spin_up_until": str((times[0] + spin_up).astype("datetime64[s]")),
            "litter_water_content": float(p.litter_water_content),
            "lower_boundary": f"{below.source} at {bottom:.2f} m",
            "deep_temperature_degc": round(float(base.mean()), 2),
            "snow": snow_source,
            "canopy": habitat.canopy,
            "model_error_k": p.model_error,
            **below.more,
        },
    )


def box_temperature(weather: xr.Dataset, sp: Species | None = None) -> xr.DataArray:
    """Temperature in a nest box above ground: the air's plus ``nest.box_excess``.

    Derived from raw data behind Pretzlaff et al. 2021: +0.7 K, SD 2.3 K; Walhovd & Jensen
    1976 have +1 K.

    Parameters
    ----------
    weather : Dataset with ``air_temperature`` (member, time), degC, hourly
    sp : Species, central values; None = hazel dormouse

    Returns
    -------
    DataArray (member, time), degC, ``box_temperature``

    Raises
    ------
    ValueError
        Missing variable or values, wrong units, dimensions or step.
    """
    species = load() if sp is None else sp
    air = complete_variable(weather, "air_temperature", "degC")
    box = air.copy(data=air.values + species.nest.box_excess).rename("box_temperature")
    box.attrs = {"units": "degC", "long_name": "temperature in a nest box above ground"}
    return box


def canopy_air(air: FloatArray, times: Times, canopy: str, sp: Species) -> FloatArray:
    """Air under the trees: a deciduous canopy keeps the nights of winter and spring warmer.

    Zellweger et al. 2019, Global Ecology and Biogeography: minima 0.4 K higher in winter,
    0.9 K in spring. The full excess goes to the coldest hour of the 25 h about each hour,
    none to the warmest, in proportion between; where these differ by less than the excess,
    no hour is lifted above the warmest. Summer and autumn, open ground and evergreens are
    left as they are: no number for them was found.

    Parameters
    ----------
    air : (member, time) °C, hourly
    times : (time,) datetime64, UTC
    canopy : deciduous | evergreen | open
    sp : Species

    Returns
    -------
    ndarray (member, time), °C
    """
    if canopy != "deciduous":
        return air
    month = times.astype("datetime64[M]").astype(int) % 12 + 1
    excess = np.where(
        np.isin(month, _WINTER),
        sp.nest.canopy_winter_minimum,
        np.where(np.isin(month, _SPRING), sp.nest.canopy_spring_minimum, 0.0),
    )
    warmest = maximum_filter1d(air, _DAY_WINDOW, axis=-1, mode="nearest")
    coldest = minimum_filter1d(air, _DAY_WINDOW, axis=-1, mode="nearest")
    swing = np.maximum(warmest - coldest, excess)
    # Excess and swing are both zero only where there is nothing to add.
    return np.asarray(air + excess * (warmest - air) / np.where(swing > 0.0, swing, 1.0))


def _conduct_by_member(
    column: Column, air: FloatArray, resistance: FloatArray, base: FloatArray, *, node: int
) -> FloatArray:
    """`conduct` for all members; hours in which they are all the same are solved once."""
    steady = steady_profile(
        column,
        air[:_START_HOURS].mean(axis=0),
        resistance[:_START_HOURS].mean(axis=0),
        base[0],
    )
    initial = surface_in_balance(column, steady, air[0], resistance[0])
    same = np.ones(len(air), dtype=bool)
    for forcing in (air, resistance, base):
        same &= (forcing == forcing[:, :1]).all(axis=1)
    shared = len(air) if same.all() else int(np.argmin(same))
    # One member more or less is not worth a second solve, nor are the first ten days.
    if air.shape[1] == 1 or shared <= _START_HOURS:
        kept, _ = conduct(column, air, resistance, base, initial, output=node)
        return kept
    one = slice(0, 1)
    past, profile = conduct(
        column, air[:shared, one], resistance[:shared, one], base[:shared, one], initial[:, one],
        output=node,
    )  # fmt: skip
    past = np.repeat(past, air.shape[1], axis=1)
    if shared == len(air):
        return past
    # The last shared hour is the first of the futures.
    branch = slice(shared - 1, None)
    start = np.repeat(np.vstack([profile, base[shared - 1, :1]]), air.shape[1], axis=1)
    futures, _ = conduct(
        column, air[branch], resistance[branch], base[branch], start, output=node
    )  # fmt: skip
    return np.concatenate([past, futures[1:]])


@dataclass(frozen=True)
class _Below:
    """Temperature (member, time) at the foot of the column, °C, its depth, whence, attributes."""

    temperature: FloatArray
    depth_m: float
    source: str
    more: dict[str, str] = field(default_factory=dict)


def _lower_boundary(
    weather: xr.Dataset,
    air: xr.DataArray,
    litter_m: float,
    sp: Species,
    deep_temperature_degc: float | None,
) -> _Below:
    shape = air.shape
    bottom = float(sp.nest.column_depth)
    soil = _soil(weather, air, litter_m, sp)
    if soil is not None:
        return soil
    if "annual_mean_air_temperature" in weather:
        given = weather["annual_mean_air_temperature"]
        if given.attrs.get("units", "degC") != "degC" or given.size != 1:
            raise ValueError("annual_mean_air_temperature: expected one value in degC")
        deep, source = float(given.item()), "annual mean air temperature"
    elif deep_temperature_degc is not None:
        deep, source = float(deep_temperature_degc), "given temperature"
    elif shape[1] >= _YEAR_HOURS:
        deep, source = float(air.values.mean()), "mean air temperature of the series"
    else:
        raise ValueError(
            "nest_temperature: no deep temperature. Give the weather a scalar "
            "annual_mean_air_temperature, pass deep_temperature_degc, or use a series of at "
            f"least 360 days (this one has {shape[1] // 24})"
        )
    if not np.isfinite(deep):
        raise ValueError(f"nest_temperature: the {source} is {deep}")
    return _Below(np.full(shape, deep), bottom, source)


def _soil(weather: xr.Dataset, air: xr.DataArray, litter_m: float, sp: Species) -> _Below | None:
    """The deepest level of the weather's soil, None where it has none deep enough."""
    name, dims = "soil_temperature", ("member", "time", "depth")
    if name not in weather:
        return None
    depths = require_variable(weather, name, dims=dims, units="degC", step="1h")["depth"]
    depth_m = np.asarray(depths.values, dtype=float)
    if depths.attrs.get("units", "m") != "m" or not (depth_m >= 0.0).all():
        found = f"{depth_m.tolist()} {depths.attrs.get('units', 'm')}"
        raise ValueError(f"{name}: expected depths in m, positive down, found {found}")
    if not depth_m.size or depth_m.max() < sp.nest.boundary_least_depth:
        return None
    deepest = weather.isel(depth=[int(np.argmax(depth_m))])
    soil = complete_variable(deepest, name, "degC", dims)
    temperature = np.asarray(soil.values[..., 0], dtype=float)
    if temperature.shape != air.shape:
        raise ValueError(
            f"{name}: expected the members and hours of air_temperature, {air.shape}, found "
            f"{temperature.shape}"
        )
    deep, more = float(depth_m.max()), dict[str, str]()
    if "measured_until" in soil.attrs:
        until = str(soil.attrs["measured_until"])
        times = soil["time"].values.astype("datetime64[ns]")
        last = np.datetime64(until.removesuffix("Z"), "ns")
        temperature = carried_on(temperature, times, last, deep, sp)
        more["soil_measured_until"] = until
    return _Below(temperature, litter_m + deep, "soil temperature", more)


def carried_on(
    soil: FloatArray, times: Times, until: np.datetime64, depth_m: float, sp: Species
) -> FloatArray:
    """Soil measured until a moment, then a past winter's with what is left of its departure.

    The departure of the last measured hour from the past winter's course (of the hour after it:
    two metres down an hour changes nothing) fades as `departure_left` has it for the mineral
    soil of the column: at 1.8 m half of it is left after 80 days. With nine years of real air
    that missed 0.14 and 0.31 K there after 5 and 15 days, the past winter as it was 0.6 K, the
    last value held 0.21 and 0.64 K; after 60 days it was no better than the past winter.

    Parameters
    ----------
    soil : (member, time) °C, measured up to `until`, a past winter's afterwards
    times : (time,) datetime64, UTC
    until : last measured hour
    depth_m : below the mineral surface
    sp : Species

    Returns
    -------
    ndarray (member, time), °C; the same where nothing was measured or nothing comes after
    """
    known = int(np.searchsorted(times, until, side="right"))
    if not 0 < known < times.size:
        return soil
    p = sp.nest
    since_s = (times[known:] - times[known - 1]) / np.timedelta64(1, "s")
    left = departure_left(depth_m, since_s, diffusivity=p.soil_conductivity / p.soil_heat_capacity)
    departure = soil[:, known - 1] - soil[:, known]
    joined = soil.copy()
    joined[:, known:] += departure[:, np.newaxis] * left
    return joined
