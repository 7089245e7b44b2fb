"""How long the day is, and when the sun rises and sets. NumPy in, NumPy out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = [
    "SunTimes",
    "day_ends",
    "day_length",
    "day_of_year",
    "equation_of_time",
    "solar_noon",
    "sun_times",
]

FloatArray = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

# The coefficients of both formulas describe the Earth's orbit and stand as printed; they are
# the formulas, not numbers of a species that a site might set.
# Forsythe et al. 1995, eq. 1: revolution angle from the day of the year.
_REVOLUTION = (0.2163108, 0.9671396, 0.00860, 186.0)
# … eq. 2: sine of the tilt of the Earth's axis.
_SINE_TILT = 0.39795
# Upper edge of the sun on the horizon, with refraction: Forsythe et al. 1995, table 1, °.
SUNRISE_SUNSET_DEG = 0.8333
# Spencer 1971, Search 2:172: equation of time in minutes; constant, cos, sin, cos 2, sin 2.
_EQUATION_OF_TIME = (0.000075, 0.001868, -0.032077, -0.014615, -0.040849)
_MINUTES_PER_RADIAN = 229.18
_DAYS_PER_YEAR = 365.0

_DEGREES_PER_HOUR = 15.0
_DAY_H = 24.0
_SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True)
class SunTimes:
    """Sunrise and sunset of some dates.

    Attributes
    ----------
    sunrise, sunset : (date,) datetime64[ns] UTC; NaT where the sun does not cross the horizon
    polar : (date,) "none", "day" (the sun stays up) or "night" (it stays down)
    """

    sunrise: Times
    sunset: Times
    polar: npt.NDArray[np.str_]


def day_length(
    latitude: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    *,
    horizon_deg: float = SUNRISE_SUNSET_DEG,
) -> FloatArray:
    """Hours from sunrise to sunset: the CBM model.

    Forsythe, Rykiel, Stahl, Wu & Schoolfield 1995, Ecological Modelling 80:87-95, eq. 1–3.
    From 50 to 58° N it stays within six minutes of astronomical day length (tests/reference).

    Parameters
    ----------
    latitude : degrees north; day_of_year : 1 = 1 January; broadcast together
    horizon_deg : how far below the horizon the sun's centre is at sunrise and sunset, °

    Returns
    -------
    ndarray of the broadcast shape, h: 24 in the polar day, 0 in the polar night

    Raises
    ------
    ValueError
        A latitude that is not between −90 and 90.
    """
    degrees = np.asarray(latitude, dtype=float)
    if not bool(np.all(np.abs(degrees) <= 90.0)):
        raise ValueError(f"latitude: expected -90 to 90 degrees north, found {degrees}")
    angle, eccentric, rate, day = _REVOLUTION
    theta = angle + 2.0 * np.arctan(
        eccentric * np.tan(rate * (np.asarray(day_of_year, dtype=float) - day))
    )
    declination = np.arcsin(_SINE_TILT * np.cos(theta))
    phi = np.radians(degrees)
    above = np.sin(np.radians(horizon_deg)) + np.sin(phi) * np.sin(declination)
    # At a pole the divisor is all but zero, and the clip below gives the polar day or night.
    across = np.maximum(np.cos(phi), np.finfo(float).eps) * np.cos(declination)
    return np.asarray(_DAY_H - _DAY_H / np.pi * np.arccos(np.clip(above / across, -1.0, 1.0)))


def equation_of_time(day_of_year: npt.ArrayLike) -> FloatArray:
    """Minutes by which the sundial is ahead of the mean sun (Spencer 1971, Search 2:172).

    Coefficients from memory; within a minute of astronomical noon (tests/reference).

    Parameters
    ----------
    day_of_year : 1 = 1 January, any shape
    """
    b = 2.0 * np.pi * (np.asarray(day_of_year, dtype=float) - 1.0) / _DAYS_PER_YEAR
    constant, cos1, sin1, cos2, sin2 = _EQUATION_OF_TIME
    series = (
        constant
        + cos1 * np.cos(b)
        + sin1 * np.sin(b)
        + cos2 * np.cos(2.0 * b)
        + sin2 * np.sin(2.0 * b)
    )
    return np.asarray(_MINUTES_PER_RADIAN * series)


def solar_noon(longitude: float, dates: npt.ArrayLike) -> Times:
    """When the sun stands highest, UTC.

    Parameters
    ----------
    longitude : degrees east
    dates : (date,) datetime64 of local days
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    hour = _DAY_H / 2.0 - longitude / _DEGREES_PER_HOUR - equation_of_time(day_of_year(days)) / 60.0
    return np.asarray(days.astype("datetime64[ns]") + _as_time(hour), dtype="datetime64[ns]")


def sun_times(latitude: float, longitude: float, dates: npt.ArrayLike) -> SunTimes:
    """Sunrise and sunset, good to a few minutes up to 60°.

    Half the day length (`day_length`) on either side of `solar_noon`.

    Parameters
    ----------
    latitude, longitude : degrees north and east
    dates : (date,) datetime64 of local days

    Returns
    -------
    SunTimes
        NaT with ``polar`` "day" or "night" where the sun does not cross the horizon.

    Raises
    ------
    ValueError
        A latitude that is not between −90 and 90.
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    length = day_length(latitude, day_of_year(days))
    sunrise, sunset = day_ends(latitude, longitude, days)
    polar = np.select([length >= _DAY_H, length <= 0.0], ["day", "night"], "none")
    crosses = polar == "none"
    nat = np.datetime64("NaT", "ns")
    return SunTimes(
        sunrise=np.where(crosses, sunrise, nat),
        sunset=np.where(crosses, sunset, nat),
        polar=polar,
    )


def day_ends(
    latitude: float,
    longitude: float,
    dates: npt.ArrayLike,
    *,
    shortest_h: float = 0.0,
    longest_h: float = _DAY_H,
) -> tuple[Times, Times]:
    """Beginning and end of the light of each date, UTC, also where the sun does not set or rise.

    Parameters
    ----------
    latitude, longitude : degrees north and east
    dates : (date,) datetime64 of local days
    shortest_h, longest_h : length that a day has at the least and at the most, h. As they are,
        the polar night is a moment at noon, the polar day lasts from midnight to midnight.

    Returns
    -------
    two of (date,) datetime64[ns], to the second

    Raises
    ------
    ValueError
        A latitude that is not between −90 and 90.
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    length = np.clip(day_length(latitude, day_of_year(days)), shortest_h, longest_h)
    noon, half = solar_noon(longitude, days), _as_time(length / 2.0)
    return noon - half, noon + half


def day_of_year(dates: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """1 = 1 January, for dates or times."""
    days = np.asarray(dates, dtype="datetime64[D]")
    return np.asarray((days - days.astype("datetime64[Y]")).astype(np.int64) + 1)


def _as_time(hours: FloatArray) -> npt.NDArray[np.timedelta64]:
    return np.asarray(np.round(hours * _SECONDS_PER_HOUR), dtype="timedelta64[s]").astype(
        "timedelta64[ns]"
    )
