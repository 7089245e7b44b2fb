"""What the nights are like: dark, cold, wet, and what can be fed on in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.base.daylight import day_ends, day_length, day_of_year
from riskcast.base.nights import local_days, night_of
from riskcast.base.quantity import require
from riskcast.habitat.humidity import nest_vapour_pressure_deficit
from riskcast.habitat.inputs import complete_variable
from riskcast.species import load

if TYPE_CHECKING:
    from riskcast.site import Place
    from riskcast.species import Species

__all__ = ["autumn_food_left", "feeding_share", "nights"]

FloatArray = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]
_Variable = tuple[FloatArray, str, str]

# A day or a night of 23 to 25 hours counts as whole from this many hours on.
_WHOLE_HOURS = 20
# The mean of the nights before needs at least this many of them.
_LEAST_NIGHTS = 3
_SUMMER = 182  # day of year, 1 July: where the winter year turns
_HOUR = np.timedelta64(1, "h")
_DAY = np.timedelta64(1, "D")


def nights(
    weather: xr.Dataset,
    place: Place,
    sp: Species | None = None,
    *,
    nest: xr.DataArray | None = None,
) -> xr.Dataset:
    """The nights of a course of weather, by the date of their evening.

    A night runs from local noon to local noon (23 to 25 hours when clocks change). Nights
    with fewer than 20 hours of weather, or whose evening's calendar day has fewer, are left
    out.

    Parameters
    ----------
    weather : Dataset (member, time), hourly
        ``air_temperature`` degC, ``precipitation`` mm in the hour that ends at the stamp;
        ``relative_humidity`` % where there is any
    place : Place
        Latitude, longitude, time zone.
    sp : Species, central values; None = hazel dormouse
    nest : DataArray (member, time) degC on the same hours, from `nest_temperature`. Without
        it the variables of the nest are not there; with it the first two nights are left
        out, because a mean over the nights before needs three.

    Returns
    -------
    Dataset (member, night)
        ``day_length_h`` (night): sunrise to sunset of the evening's date, h;
        ``midnight_temperature``: air at local midnight, degC;
        ``night_air_temperature``: mean air from sunset to sunrise, degC;
        ``dark_precipitation``: from sunset to sunrise, mm;
        ``air_temperature_mean``, ``air_temperature_max``: of the evening's calendar day, degC;
        ``food_left`` (night): autumn food, 0–1, its end at the central date;
        ``feeding_share``: 0–1, without ``food_left``, whose end is drawn in the physiology;
        ``nest_temperature``: mean of the night's 24 h, degC;
        ``nest_temperature_10d``: mean of this and the nights before, over
        ``onset.temperature_memory`` nights, degC;
        ``vapour_pressure_deficit``: of the nest's air, mean of the night's 24 h, kPa.
        In the polar day there is no dark: ``night_air_temperature`` is then the midnight's.

    Raises
    ------
    ValueError
        Missing variables or values, wrong units, dimensions or step, or a nest on other hours.
    """
    species = load() if sp is None else sp
    air = complete_variable(weather, "air_temperature", "degC")
    rain = complete_variable(weather, "precipitation", "mm")
    times = air["time"].values.astype("datetime64[ns]")
    if nest is not None:
        nest = require(nest, dims=("member", "time"), units="degC", step="1h")
        same_hours = np.array_equal(nest["time"].values.astype("datetime64[ns]"), times)
        if not same_hours or nest.shape != air.shape:
            raise ValueError("nest_temperature: expected the hours and members of the weather")
    of_night = _Blocks.by(night_of(times, place.timezone))
    of_day = _Blocks.by(local_days(times, place.timezone))
    evenings = _whole_nights(of_night, of_day)
    night, day = of_night.take(evenings), of_day.take(evenings)

    values = _of_the_air(air.values, rain.values, day, times, evenings, place, species)
    if nest is not None:
        values |= _of_the_nest(weather, nest.values, night, species)
    out = xr.Dataset(
        {
            name: (("member", "night")[-array.ndim :], array, {"units": units, "long_name": text})
            for name, (array, units, text) in values.items()
        },
        coords={
            "member": air["member"],
            "night": ("night", evenings.astype("datetime64[ns]"), {"long_name": "evening date"}),
        },
        attrs={"timezone": place.timezone, "night": "local noon to local noon"},
    )
    return out if nest is None else out.isel(night=slice(_LEAST_NIGHTS - 1, None))


def _of_the_air(
    air: FloatArray,
    rain: FloatArray,
    day: _Blocks,
    times: Times,
    evenings: Times,
    place: Place,
    sp: Species,
) -> dict[str, _Variable]:
    """Variables of the air and the light: name → values, units, long name."""
    midnight = _hours_since(times[0], _midnights(evenings, place.timezone))
    at_midnight = air[:, np.round(midnight).astype(np.int64)]
    sunset, sunrise = (_hours_since(times[0], moment) for moment in _dark(evenings, place))
    # Rain fell in the hour before its stamp; a temperature stands for half an hour around it.
    wet = _sum_between(rain, sunset + 1.0, sunrise + 1.0)
    warmth = _sum_between(air, sunset + 0.5, sunrise + 0.5)
    dark = _sum_between(np.ones((1, len(times))), sunset + 0.5, sunrise + 0.5)
    dark_air = np.where(dark > 0.0, warmth / np.where(dark > 0.0, dark, 1.0), at_midnight)
    ordinal = day_of_year(evenings)
    return {
        "day_length_h": (day_length(place.latitude, ordinal), "h", "sunrise to sunset"),
        "midnight_temperature": (at_midnight, "degC", "air at local midnight"),
        "night_air_temperature": (dark_air, "degC", "mean air from sunset to sunrise"),
        "dark_precipitation": (wet, "mm", "precipitation from sunset to sunrise"),
        "air_temperature_mean": (day.mean(air), "degC", "mean of the evening's day"),
        "air_temperature_max": (day.max(air), "degC", "maximum of the evening's day"),
        "food_left": (autumn_food_left(ordinal, sp), "1", "share of the autumn food left"),
        "feeding_share": (feeding_share(at_midnight, wet, sp), "1", "share of a full night"),
    }


def _of_the_nest(
    weather: xr.Dataset, nest: FloatArray, night: _Blocks, sp: Species
) -> dict[str, _Variable]:
    """Variables of the nest: name → values, units, long name."""
    by_night = night.mean(nest)
    memory = round(float(sp.onset.temperature_memory))
    values: dict[str, _Variable] = {
        "nest_temperature": (by_night, "degC", "mean of the night's hours"),
        "nest_temperature_10d": (
            _trailing_mean(by_night, memory),
            "degC",
            f"mean of this and the nights before, {memory} in all",
        ),
    }
    if "relative_humidity" in weather:
        humidity = complete_variable(weather, "relative_humidity", "%")
        air = complete_variable(weather, "air_temperature", "degC")
        deficit = nest_vapour_pressure_deficit(nest, air.values, humidity.values, sp)
        values["vapour_pressure_deficit"] = (night.mean(deficit), "kPa", "of the nest's air")
    return values


def feeding_share(
    midnight_temperature: npt.ArrayLike, dark_precipitation: npt.ArrayLike, sp: Species
) -> FloatArray:
    """How much of a full night an animal can feed, 0–1, by cold and rain.

    Few are active when the air at midnight is below about 9 °C (Bright, Morris & Wiles 1996,
    abstract); the smooth step about it and the effect of rain are provisional.

    Parameters
    ----------
    midnight_temperature : °C
    dark_precipitation : mm from sunset to sunrise; broadcast together
    sp : Species
    """
    p = sp.autumn
    above = np.asarray(midnight_temperature, dtype=float) - p.midnight_temperature
    warm = 1.0 / (1.0 + np.exp(-above / p.midnight_width))
    return np.asarray(warm * np.exp(-np.asarray(dark_precipitation) / p.rain_scale))


def autumn_food_left(day: npt.ArrayLike, sp: Species) -> FloatArray:
    """Share of the autumn food that is left, 0–1: a smooth end in November (provisional).

    From January to June none of it is: spring has its own food (`food_dates`).

    Parameters
    ----------
    day : day of the year of the evening, 1 = 1 January
    sp : Species
    """
    p = sp.autumn
    ordinal = np.asarray(day, dtype=float)
    left = 1.0 / (1.0 + np.exp((ordinal - p.food_end_day) / p.food_end_width))
    return np.where(ordinal < _SUMMER, 0.0, left)


@dataclass(frozen=True)
class _Blocks:
    """Hours that belong together, each block one after the other along time.

    `label` (block,) dates; `start`, `stop` (block,) the hours from start up to stop.
    """

    label: Times
    start: npt.NDArray[np.int64]
    stop: npt.NDArray[np.int64]

    @classmethod
    def by(cls, labels: Times) -> _Blocks:
        start = np.flatnonzero(np.r_[True, labels[1:] != labels[:-1]])
        return cls(labels[start], start, np.r_[start[1:], len(labels)])

    def whole(self) -> Times:
        return self.label[self.stop - self.start >= _WHOLE_HOURS]

    def take(self, labels: Times) -> _Blocks:
        """The blocks of these labels, which follow each other without gaps."""
        keep = np.isin(self.label, labels)
        return _Blocks(self.label[keep], self.start[keep], self.stop[keep])

    def mean(self, values: FloatArray) -> FloatArray:
        """(member, time) → (member, block)."""
        return np.asarray(self._reduce(np.add, values) / (self.stop - self.start))

    def max(self, values: FloatArray) -> FloatArray:
        """(member, time) → (member, block)."""
        return self._reduce(np.maximum, values)

    def _reduce(self, ufunc: np.ufunc, values: FloatArray) -> FloatArray:
        if not len(self.start):
            return np.empty((len(values), 0))
        return np.asarray(ufunc.reduceat(values[:, : self.stop[-1]], self.start, axis=1))


def _whole_nights(of_night: _Blocks, of_day: _Blocks) -> Times:
    """Evenings whose night and whose calendar day are both in the series."""
    return np.intersect1d(of_night.whole(), of_day.whole())


def _midnights(evenings: Times, timezone: str) -> Times:
    """The local midnight that ends each evening, UTC."""
    wall = pd.DatetimeIndex(evenings.astype("datetime64[ns]") + _DAY)
    # Where clocks change at midnight, the hour that exists, or the first of two.
    aware = wall.tz_localize(
        timezone, nonexistent="shift_forward", ambiguous=np.ones(len(wall), dtype=bool)
    )
    return np.asarray(aware.tz_convert("UTC").tz_localize(None), dtype="datetime64[ns]")


def _dark(evenings: Times, place: Place) -> tuple[Times, Times]:
    """Sunset of each evening and the sunrise after it, UTC; at midnight both in polar day."""
    _, sunset = day_ends(place.latitude, place.longitude, evenings)
    sunrise, _ = day_ends(place.latitude, place.longitude, evenings + _DAY)
    # Around the solstice of the polar day one noon is a moment late for the other.
    return np.minimum(sunset, sunrise), sunrise


def _hours_since(start: np.datetime64, moments: Times) -> FloatArray:
    return np.asarray((moments - start) / _HOUR, dtype=float)


def _sum_between(amounts: FloatArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Sum of hourly amounts (member, hour) from first to last, hours at the edges by their share.

    first, last (night,): hours since the first amount began; held to the series.
    """
    total = np.zeros((amounts.shape[0], amounts.shape[1] + 1))
    np.cumsum(amounts, axis=1, out=total[:, 1:])
    return _read(total, last) - _read(total, first)


def _read(total: FloatArray, moment: FloatArray) -> FloatArray:
    """A running total (member, hour + 1) at moments between its hours, in a straight line."""
    held = np.clip(moment, 0.0, total.shape[1] - 1.0)
    hour = np.minimum(held.astype(np.int64), total.shape[1] - 2)
    share = held - hour
    return np.asarray(total[:, hour] * (1.0 - share) + total[:, hour + 1] * share)


def _trailing_mean(values: FloatArray, length: int) -> FloatArray:
    """Mean of each night and up to length − 1 before it, along the last axis."""
    total = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    stop = np.arange(1, values.shape[1] + 1)
    start = np.maximum(stop - length, 0)
    means: FloatArray = (total[:, stop] - total[:, start]) / (stop - start)
    return means
