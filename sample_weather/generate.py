"""Invented weather for the demonstration: 22 years of hours and three ensemble forecasts.

INVENTED DATA FOR DEMONSTRATION. No place has this weather. It is drawn at random from the
statistics stated below, which are those of an imagined lowland wood in a mild, maritime,
temperate climate; the winter of 2025-26 follows the script in `SCRIPT`.

    python sample_weather/generate.py [FOLDER]

writes history.nc and forecast-<day>.nc beside this file, or into FOLDER. The same numbers
come out every time; tests/sample_weather holds the files to the statistics stated here.
"""

from __future__ import annotations

import argparse
import math
import zlib
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

# --- the place: open sea on purpose, no such wood exists ------------------------------------
LATITUDE, LONGITUDE, ELEVATION_M = 50.0, -4.0, 120.0
FIRST_HOUR, LAST_HOUR = "2004-07-01T00", "2026-05-31T23"
# One of some hundred seeds tried: its 21 years lie near the statistics, and what chance adds
# to the script does not spoil the story.
SEED = 20260168

# --- the climate, by month January … December; no trend over the years -----------------------
MEAN_TEMPERATURE = (4.2, 4.8, 7.0, 9.5, 12.5, 14.7, 16.5, 16.3, 14.0, 11.0, 7.2, 5.0)  # °C
DAILY_MEAN_SD = (3.4, 3.4, 3.1, 2.8, 2.6, 2.4, 2.4, 2.4, 2.5, 2.8, 3.1, 3.4)  # °C, of anomalies
# °C, mean of highest less lowest hour of a day: the sun's part and that of passing fronts.
DIURNAL_RANGE = (4.5, 5.1, 6.2, 7.5, 8.1, 8.4, 8.5, 8.3, 7.4, 5.8, 4.8, 4.4)
WET_DAY_SHARE = (0.56, 0.50, 0.47, 0.43, 0.41, 0.39, 0.39, 0.42, 0.43, 0.53, 0.58, 0.58)
RAIN_PER_WET_DAY = (5.6, 5.2, 4.7, 4.4, 4.6, 5.0, 5.2, 5.4, 5.8, 6.2, 6.0, 5.9)  # mm
# %, of the air at the mean temperature of its day; cool nights lift the mean of the hours.
RELATIVE_HUMIDITY = (88.0, 85.0, 82.0, 78.0, 78.0, 78.0, 79.0, 80.0, 83.0, 86.0, 88.0, 89.0)
WIND_SPEED = (4.6, 4.5, 4.4, 4.0, 3.7, 3.4, 3.3, 3.2, 3.5, 4.0, 4.2, 4.5)  # m s-1

# Correlation of a day's temperature anomaly with the next day's. Spells follow from it: runs
# of winter days more than 1 SD from normal last SPELL_DAYS in the mean, warm or cold.
PERSISTENCE, SPELL_DAYS = 0.78, 2.5
ANOMALY_MEMORY_H = 62.0  # memory of the hourly process that has this persistence
FRONT_SHARE = 1.0  # what fronts add to a day's range, in SD of the daily mean
CLOUD_MEMORY_H, CLOUD_SPREAD = 30.0, 0.35  # SD of the log of the sun's part
WET_DAY_SUN = 0.60  # the sun's part on a wet day, of that on a dry one
WET_DAY_WARMING = (0.5, 0.5, 0.2, -0.2, -0.5, -0.7, -0.7, -0.6, -0.4, 0.0, 0.3, 0.5)  # °C

WET_DAY_MM = 1.0  # a wet day has at least this much, a dry one nothing
WET_PERSISTENCE = 0.33  # correlation of wet or dry with the next day (Markov chain)
GAMMA_SHAPE = 0.8  # of the rain beyond WET_DAY_MM on a wet day
HUMIDITY_MEMORY_H, HUMIDITY_SPREAD, WET_DAY_HUMIDITY = 20.0, 4.0, 7.0  # h, %, % more than dry
WIND_MEMORY_H, WIND_SHAPE = 15.0, 2.0  # shape of the Weibull distribution of hourly wind
SNOW_BELOW = 1.0  # °C, precipitation falls as snow below it
SNOW_PER_WATER = 8.0  # mm of fresh snow from 1 mm of water
MELT_ABOVE, MELT_PER_DEGREE_DAY = 0.0, 4.0  # °C, mm of water


@dataclass(frozen=True)
class Episode:
    """A stretch of scripted weather, on top of what chance gives.

    start, end : UTC; the middle of the front that brings it and of the one that ends it
    anomaly : °C added to the normal
    noise : share of the chance anomalies that is left
    wet : factor on the share of wet days
    sun : factor on the sun's part of the diurnal range
    front_h : hours a front takes to pass
    """

    start: str
    end: str
    anomaly: float
    noise: float = 0.35
    wet: float = 1.0
    sun: float = 1.0
    front_h: float = 18.0


# --- the season 2025-26 as it turned out ---------------------------------------------------
SCRIPT = (
    Episode("2025-09-28T00", "2025-11-02T18", 1.5, noise=0.50, wet=0.45, front_h=30),  # mild, dry
    Episode("2025-11-02T18", "2025-11-21T00", -5.6, noise=0.35, wet=0.30, sun=1.2),  # cold
    Episode("2025-11-21T00", "2025-12-19T12", 0.0, noise=0.60),
    Episode("2025-12-19T12", "2025-12-27T22", 7.0, noise=0.25, wet=1.1, front_h=16),  # warm spell
    Episode("2025-12-27T22", "2026-01-14T03", 0.0, noise=0.50),
    Episode("2026-01-14T03", "2026-01-21T22", 7.6, noise=0.25, wet=1.1, front_h=12),  # another
    Episode("2026-01-21T22", "2026-02-24T18", 0.0, noise=0.55),
    Episode("2026-02-24T18", "2026-03-24T18", 1.0, noise=0.50, wet=0.50),
    Episode("2026-03-24T18", "2026-04-02T20", 4.5, noise=0.35, wet=0.50, sun=1.2),  # warm March
    Episode("2026-04-02T20", "2026-05-01T00", 0.5, noise=0.50),
    Episode("2026-05-01T00", "2026-06-30T00", 0.0, noise=0.70),
)

# --- the forecasts --------------------------------------------------------------------------
# Issue -> seed of its errors. Another seed is another forecast, as likely as this one.
ISSUES = {"2025-10-27": 73, "2026-01-12": 118, "2026-03-30": 33}
MEMBERS = 51
FORECAST_DAYS = 15
SPREAD_FIRST, SPREAD_LAST = 0.5, 3.0  # °C, SD of the members at issue and after 15 days
ERROR_MEMORY_H = 60.0
FRONT_TIMING = 0.03  # SD of the error in the time of a front, as a share of its lead
RAIN_FOLLOWED_DAYS = 7.0  # mean lead up to which a member has the rain of the others
PATTERN_LOST_DAYS = 5.0  # lead after which cloud, wind and humidity are nearly free

# --- the files ------------------------------------------------------------------------------
TITLE = "INVENTED DATA FOR DEMONSTRATION: no place has this weather"
# name: standard_name, long_name, units, cell_methods, step of the packed integers
VARIABLES = {
    "air_temperature": ("air_temperature", "air temperature 2 m above ground", "degC",
                        "time: point", 0.01),
    "relative_humidity": ("relative_humidity", "relative humidity 2 m above ground", "%",
                          "time: point", 0.5),
    "precipitation": ("lwe_thickness_of_precipitation_amount",
                      "precipitation of the hour ending at the stamp", "mm", "time: sum", 0.1),
    "snow_depth": ("surface_snow_thickness", "depth of snow on the ground", "m",
                   "time: point", 0.001),
    "wind_speed": ("wind_speed", "wind speed 10 m above ground", "m s-1", "time: point", 0.1),
}  # fmt: skip
_FILL = -32768
_HOUR = np.timedelta64(1, "h")
_LEAD_IN_DAYS = 2  # smooth curves need some days before the first that is kept
_PATTERN = 28  # random numbers that make the rain of one day


def stream(*names: object) -> np.random.Generator:
    """Random numbers of their own for each purpose: a change to one leaves the others alone."""
    return np.random.default_rng([SEED, *(zlib.crc32(str(name).encode()) for name in names)])


def by_season(monthly: tuple[float, ...], times: Times) -> Array:
    """A smooth curve through the year whose means over the months are `monthly`."""
    days = np.arange(365)
    month = (np.datetime64("2001-01-01") + days).astype("datetime64[M]").astype(int) % 12
    mean = np.stack([_harmonics((days + 0.5) / 365)[month == m].mean(axis=0) for m in range(12)])
    coefficients = np.linalg.lstsq(mean, np.asarray(monthly), rcond=None)[0]
    year = times.astype("datetime64[Y]")
    length = (year + 1).astype("datetime64[h]") - year.astype("datetime64[h]")
    return _harmonics((times - year) / length) @ coefficients


def _harmonics(share_of_year: Array) -> Array:
    angle = 2 * np.pi * share_of_year[:, np.newaxis] * np.arange(1, 5)
    return np.concatenate([np.ones_like(angle[:, :1]), np.cos(angle), np.sin(angle)], axis=1)


def red_noise(
    rng: np.random.Generator, members: int, size: int, memory_h: float, daily: bool = False
) -> Array:
    """(members, size) hours of smooth noise with exponential memory and unit variance.

    With `daily` it is the daily means that have unit variance. Passing fronts are spread
    over half a day, so that they are changes and not jumps.
    """
    kernel = np.exp(-np.arange(int(8 * memory_h)) / memory_h)
    kernel = np.convolve(kernel, np.hanning(9)[1:-1])
    measured = np.convolve(kernel, np.full(24, 1 / 24)) if daily else kernel
    kernel = kernel / np.sqrt(np.sum(measured**2))
    length = size + len(kernel)
    white = rng.standard_normal((members, length))
    padded = 2 ** math.ceil(math.log2(length + len(kernel)))
    spectrum = np.fft.rfft(white, padded) * np.fft.rfft(kernel, padded)
    return np.fft.irfft(spectrum, padded)[:, len(kernel) : length]


# --- the script -----------------------------------------------------------------------------
def scripted(times: Times, field: str, neutral: float, delay_h: Array | float = 0.0) -> Array:
    """A field of the episodes as a smooth curve, `neutral` outside them."""
    hours = (times - np.datetime64(FIRST_HOUR, "h")) / _HOUR - np.asarray(delay_h)
    total = np.full(hours.shape, neutral)
    for episode in SCRIPT:
        start, end = (_hours(text) for text in (episode.start, episode.end))
        inside = _front((hours - start) / episode.front_h) - _front((hours - end) / episode.front_h)
        total += (getattr(episode, field) - neutral) * inside
    return total


def _hours(text: str) -> float:
    return float((np.datetime64(text, "h") - np.datetime64(FIRST_HOUR, "h")) / _HOUR)


def _front(x: Array) -> Array:
    """From 0 to 1 while x goes from -1/2 to 1/2."""
    s = np.clip(x + 0.5, 0.0, 1.0)
    return s * s * (3.0 - 2.0 * s)


# --- sun, cloud and rain --------------------------------------------------------------------
def sun_cycle(times: Times) -> Array:
    """Course of temperature over the day from range 0 to 1, less its daily mean.

    It climbs from sunrise to the early afternoon, falls towards sunset, then cools ever more
    slowly until the next sunrise.
    """
    day = times.astype("datetime64[D]")
    day_of_year = (day - times.astype("datetime64[Y]")).astype(int)
    tables = np.stack([_cycle_of_day(n) for n in range(366)])
    hour = ((times - day) / _HOUR).astype(int)
    return tables[day_of_year, hour]


def _cycle_of_day(day_of_year: int) -> Array:
    declination = math.radians(23.44) * math.sin(2 * math.pi * (day_of_year - 80) / 365.25)
    cosine = -math.tan(math.radians(LATITUDE)) * math.tan(declination)
    half_day = math.degrees(math.acos(cosine)) / 15.0
    rise, sunset = 12.0 - half_day, 12.0 + half_day
    warmest = 12.0 + 0.35 * half_day
    fall = sunset - warmest + 3.5
    solar = (np.arange(24) + LONGITUDE / 15.0 - rise) % 24.0 + rise  # from sunrise to sunrise
    climb = np.sin(np.pi / 2 * np.clip((solar - rise) / (warmest - rise), 0, 1)) ** 1.3
    decline = np.cos(np.pi / 2 * np.clip((solar - warmest) / fall, 0, 1))
    at_sunset = math.cos(math.pi / 2 * (sunset - warmest) / fall)
    night = np.clip((solar - sunset) / (24.0 - 2 * half_day), 0, 1)
    cooling = at_sunset * (np.exp(-1.8 * night) - math.exp(-1.8)) / (1 - math.exp(-1.8))
    course = np.where(solar < warmest, climb, np.where(solar < sunset, decline, cooling))
    return (course - course.mean()) / (course.max() - course.min())


def rain_package(rng: np.random.Generator, members: int, days: int) -> Array:
    """(members, days, 28) random numbers from which `rainfall` makes the rain of each day."""
    package = rng.random((members, days, _PATTERN))
    package[..., 1] = rng.standard_gamma(GAMMA_SHAPE, (members, days))
    package[..., 2] = rng.standard_normal((members, days))
    package[..., 4:] = rng.standard_exponential((members, days, 24))
    return package


def rainfall(package: Array, first_day: np.datetime64, wet_before: bool) -> tuple[Array, Array]:
    """Wet days (members, days), bool, and rain (members, hours) in mm, of a Markov chain."""
    members, days, _ = package.shape
    noon = first_day.astype("datetime64[h]") + 12 + 24 * np.arange(days)
    share = by_season(WET_DAY_SHARE, noon) * scripted(noon, "wet", 1.0)
    wet = np.zeros((members, days), dtype=bool)
    before = np.full(members, wet_before)
    for day in range(days):
        chance = share[day] * (1 - WET_PERSISTENCE) + WET_PERSISTENCE * before
        before = wet[:, day] = package[:, day, 0] < chance
    beyond = (by_season(RAIN_PER_WET_DAY, noon) - WET_DAY_MM) / GAMMA_SHAPE
    amount = np.where(wet, np.round(WET_DAY_MM + beyond * package[..., 1], 1), 0.0)
    # Hours of a day cluster about one time; the more rain, the more of them.
    width = 1.6 * np.maximum(amount, 0.1) ** 0.45 * np.exp(0.35 * package[..., 2])
    centre = 24.0 * package[..., 3]
    away = (np.arange(24) + 0.5 - centre[..., np.newaxis]) / width[..., np.newaxis]
    weight = (0.2 + package[..., 4:]) * np.exp(-0.5 * away**2)
    weight = np.where(weight < 0.1 * weight.max(axis=-1, keepdims=True), 0.0, weight)
    share_by_hour = np.cumsum(weight, axis=-1) / weight.sum(axis=-1, keepdims=True)
    # Tenths of a millimetre are handed out whole, so that the hours add up to the day.
    running = np.round(amount[..., np.newaxis] * share_by_hour, 1)
    hourly = np.diff(running, axis=-1, prepend=0.0)
    return wet, hourly.reshape(members, 24 * days)


# --- from chance to weather -----------------------------------------------------------------
@dataclass(frozen=True)
class Chance:
    """What is drawn, (members, hours) from midnight on; `compose` makes weather of it.

    anomaly : °C, script and chance together; cloud, humidity, wind : standard normal
    wet : (members, days) bool; rain : mm
    """

    times: Times
    anomaly: Array
    cloud: Array
    humidity: Array
    wind: Array
    wet: npt.NDArray[np.bool_]
    rain: Array


def compose(chance: Chance, snow_water_mm: float) -> tuple[dict[str, Array], Array]:
    """The five variables, and the water held by the snow (mm), all (members, hours)."""
    times = chance.times
    noon = times[::24] + 12
    wet_share = by_season(WET_DAY_SHARE, noon) * scripted(noon, "wet", 1.0)
    wetter = _smooth_days(chance.wet - wet_share)
    warm = by_season(MEAN_TEMPERATURE, times) + chance.anomaly
    warm = warm + by_season(WET_DAY_WARMING, times) * wetter
    fronts = FRONT_SHARE * by_season(DAILY_MEAN_SD, times)
    sun = np.sqrt(by_season(DIURNAL_RANGE, times) ** 2 - fronts**2) * scripted(times, "sun", 1.0)
    sun = sun * np.exp(CLOUD_SPREAD * chance.cloud - CLOUD_SPREAD**2 / 2)
    sun = sun * np.exp(math.log(WET_DAY_SUN) * wetter)
    air = warm + sun * sun_cycle(times)

    # The air keeps its vapour from day to night; where it would be too much, dew falls.
    damp = by_season(RELATIVE_HUMIDITY, times) + WET_DAY_HUMIDITY * wetter
    damp = (damp + HUMIDITY_SPREAD * chance.humidity) * _saturation(warm) / _saturation(air)
    damp = damp + np.where(chance.rain > 0, 0.5, 0.0) * np.maximum(97.0 - damp, 0.0)

    below = 0.5 * (1 + np.frompyfunc(math.erf, 1, 1)(chance.wind / math.sqrt(2)).astype(float))
    scale = by_season(WIND_SPEED, times) / math.gamma(1 + 1 / WIND_SHAPE)
    wind = scale * (-np.log1p(-below)) ** (1 / WIND_SHAPE)

    water = _snow(chance.rain, air, snow_water_mm)
    values = {
        "air_temperature": air,
        "relative_humidity": np.clip(damp, 25.0, 100.0),
        "precipitation": chance.rain,
        "snow_depth": water * SNOW_PER_WATER / 1000.0,
        "wind_speed": wind,
    }
    return values, water


def _smooth_days(daily: Array) -> Array:
    """Days (members, days) as a curve over their hours without steps at midnight."""
    hourly = np.repeat(daily, 24, axis=-1)
    padded = np.pad(hourly, ((0, 0), (12, 12)), mode="edge")
    running = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=-1)
    return (running[:, 24:] - running[:, :-24])[:, : hourly.shape[1]] / 24.0


def _saturation(temperature: Array) -> Array:
    """Saturation vapour pressure over water, kPa (Tetens form, as in FAO-56)."""
    return 0.6108 * np.exp(17.27 * temperature / (temperature + 237.3))


def _snow(rain: Array, air: Array, water_mm: float) -> Array:
    fall = np.where(air < SNOW_BELOW, rain, 0.0)
    melt = MELT_PER_DEGREE_DAY / 24.0 * np.maximum(air - MELT_ABOVE, 0.0)
    change = fall - melt
    water = np.empty_like(change)
    held = np.full(len(change), water_mm)
    for hour in range(change.shape[1]):
        held = np.maximum(held + change[:, hour], 0.0)
        water[:, hour] = held
    return water


# --- what was ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class History:
    """The weather as it turned out, and the chance behind it."""

    chance: Chance
    values: dict[str, Array]
    snow_water: Array
    rain_package: Array


def history() -> History:
    """One course of weather from 1 July 2004 to 31 May 2026."""
    times = np.arange(np.datetime64(FIRST_HOUR, "h"), np.datetime64(LAST_HOUR, "h") + 1)
    size = len(times)
    noise = red_noise(stream("temperature"), 1, size, ANOMALY_MEMORY_H, daily=True)
    noise = noise * by_season(DAILY_MEAN_SD, times) * scripted(times, "noise", 1.0)
    package = rain_package(stream("rain"), 1, size // 24)
    wet, rain = rainfall(package, times[0].astype("datetime64[D]"), False)
    chance = Chance(
        times=times,
        anomaly=noise + scripted(times, "anomaly", 0.0),
        cloud=red_noise(stream("cloud"), 1, size, CLOUD_MEMORY_H),
        humidity=red_noise(stream("humidity"), 1, size, HUMIDITY_MEMORY_H),
        wind=red_noise(stream("wind"), 1, size, WIND_MEMORY_H),
        wet=wet,
        rain=rain,
    )
    values, water = compose(chance, 0.0)
    return History(chance, values, water, package)


# --- what was forecast ------------------------------------------------------------------------
def forecast(past: History, issued: str, seed: int) -> tuple[Times, dict[str, Array]]:
    """An ensemble (51, 360 h) issued at 00 UTC in which the truth is like one more member.

    Members scatter about a common centre; so does the truth, drawn as a 52nd. Temperature:
    truth - error of the truth + error of the member. Rain: a member has the common rain up
    to a lead of its own, then rain of its own.
    """
    start = np.datetime64(issued, "D") - _LEAD_IN_DAYS
    first = int((start.astype("datetime64[h]") - past.chance.times[0]) / _HOUR)
    days = _LEAD_IN_DAYS + FORECAST_DAYS
    span = slice(first, first + 24 * days)
    times = past.chance.times[span]
    lead_days = np.arange(24 * days) / 24.0 - _LEAD_IN_DAYS
    rng = partial(stream, issued, seed)

    share = np.clip(lead_days, 0, None) / FORECAST_DAYS
    spread = np.where(lead_days < 0, 0.0, SPREAD_FIRST + (SPREAD_LAST - SPREAD_FIRST) * share)
    error = spread * red_noise(rng("temperature"), MEMBERS + 1, 24 * days, ERROR_MEMORY_H)
    late = 24.0 * np.clip(lead_days, 0, None) * FRONT_TIMING
    late = late * rng("fronts").standard_normal((MEMBERS + 1, 1))
    moved = scripted(times, "anomaly", 0.0, late[1:] - late[:1]) - scripted(times, "anomaly", 0.0)
    anomaly = past.chance.anomaly[:, span] + moved + error[1:] - error[:1]

    package = _shared_rain(past.rain_package[:, first // 24 :][:, :days], rng("rain"))
    wet, rain = rainfall(package, start, bool(past.chance.wet[0, first // 24 - 1]))
    chance = Chance(
        times=times,
        anomaly=anomaly,
        cloud=_drifting(past.chance.cloud[:, span], lead_days, CLOUD_MEMORY_H, rng("cloud")),
        humidity=_drifting(
            past.chance.humidity[:, span], lead_days, HUMIDITY_MEMORY_H, rng("humidity")
        ),
        wind=_drifting(past.chance.wind[:, span], lead_days, WIND_MEMORY_H, rng("wind")),
        wet=wet,
        rain=rain,
    )
    values, _ = compose(chance, float(past.snow_water[0, first - 1]))
    kept = slice(24 * _LEAD_IN_DAYS, None)
    return times[kept], {name: array[:, kept] for name, array in values.items()}


def _shared_rain(truth: Array, rng: np.random.Generator) -> Array:
    """Random numbers of the members' rain: the common ones up to a lead, then their own."""
    days = truth.shape[1]
    until = _LEAD_IN_DAYS + rng.gamma(3.0, RAIN_FOLLOWED_DAYS / 3.0, MEMBERS + 1)
    own = rain_package(rng, MEMBERS + 1, days)
    day = np.arange(days)[:, np.newaxis]
    common = np.where(day < until[0], truth, own[:1])  # the truth leaves it too
    follows = day[np.newaxis] < until[1:, np.newaxis, np.newaxis]
    return np.where(follows, common, own[1:])


def _drifting(truth: Array, lead_days: Array, memory_h: float, rng: np.random.Generator) -> Array:
    """Standard normal noise about a centre that follows the truth less and less."""
    kept = np.exp(-0.5 * (np.clip(lead_days, 0, None) / PATTERN_LOST_DAYS) ** 2)
    lost = np.sqrt(1 - kept**2)
    free = red_noise(rng, MEMBERS + 1, truth.shape[1], memory_h)
    return kept * (kept * truth + lost * free[:1]) + lost * free[1:]


# --- the files --------------------------------------------------------------------------------
def dataset(times: Times, values: dict[str, Array], issued: str | None = None) -> xr.Dataset:
    """A CF dataset at one grid cell: (time, latitude, longitude), forecasts (number, …)."""
    dims = ("time", "latitude", "longitude")
    coords: dict[str, object] = {
        "time": ("time", times.astype("datetime64[ns]"), {"standard_name": "time", "axis": "T"}),
        "latitude": ("latitude", [LATITUDE],
                     {"standard_name": "latitude", "units": "degrees_north", "axis": "Y"}),
        "longitude": ("longitude", [LONGITUDE],
                      {"standard_name": "longitude", "units": "degrees_east", "axis": "X"}),
        "surface_altitude": ((), ELEVATION_M,
                             {"standard_name": "surface_altitude", "units": "m"}),
    }  # fmt: skip
    kind = "history"
    if issued is not None:
        kind = f"ensemble forecast issued {issued} 00 UTC"
        dims = ("number", *dims)
        coords["number"] = ("number", np.arange(MEMBERS, dtype=np.int32),
                            {"standard_name": "realization", "units": "1"})  # fmt: skip
        coords["forecast_reference_time"] = (
            (), np.datetime64(issued, "ns"), {"standard_name": "forecast_reference_time"}
        )  # fmt: skip
    data = {}
    for name, (standard, long_name, units, method, _) in VARIABLES.items():
        attrs = {"standard_name": standard, "long_name": long_name, "units": units,
                 "cell_methods": method}  # fmt: skip
        array = values[name] if issued is not None else values[name][0]
        data[name] = (dims, array[..., np.newaxis, np.newaxis], attrs)
    attrs = {
        "Conventions": "CF-1.11",
        "title": f"{TITLE} ({kind})",
        "institution": "riskcast demonstration (invented data)",
        "source": f"INVENTED DATA FOR DEMONSTRATION, sample_weather/generate.py, seed {SEED}",
        "licence": "MIT, like riskcast itself",
        "attribution": "Invented weather for demonstration",
        "comment": "Hourly, UTC. Not observed, not modelled, at a place in open sea.",
    }
    return xr.Dataset(data, coords, attrs)


def write(data: xr.Dataset, path: Path) -> None:
    """Packed into 16 bits and compressed."""
    encoding: dict[str, dict[str, object]] = {
        name: {"dtype": "int16", "scale_factor": step, "_FillValue": np.int16(_FILL),
               "zlib": True, "complevel": 9, "shuffle": True}
        for name, (*_, step) in VARIABLES.items()
    }  # fmt: skip
    since = {"dtype": "int32", "units": "hours since 2004-07-01 00:00:00", "_FillValue": None}
    encoding["time"] = {**since, "zlib": True}
    if "forecast_reference_time" in data.coords:
        encoding["forecast_reference_time"] = since
    data.to_netcdf(path, encoding=encoding, engine="netcdf4", format="NETCDF4")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent)
    folder = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    past = history()
    write(dataset(past.chance.times, past.values), folder / "history.nc")
    for issued, seed in ISSUES.items():
        write(dataset(*forecast(past, issued, seed), issued), folder / f"forecast-{issued}.nc")
    for path in sorted(folder.glob("*.nc")):
        print(f"{path.name}  {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
