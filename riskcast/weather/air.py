"""Bare formulas of the air: humidity, dew point, wind from its components, lapse.

NumPy in and out, any shapes that broadcast.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "dew_point",
    "lapse_correction",
    "relative_humidity",
    "saturation_vapour_pressure",
    "wind_speed",
]

Values = npt.NDArray[np.float64]

# AERK: Alduchov & Eskridge 1996, J. Appl. Meteorol. 35, eq. 21: hPa, no unit, °C.
_AERK = (6.1094, 17.625, 243.04)

# ICAO standard atmosphere (Doc 7488): K per m of height.
_LAPSE = 0.0065

# Beyond this difference of height the file's cell is another climate, not a shifted one
# (common practice, no source): the correction stops growing.
_LAPSE_CAP_M = 300.0


def saturation_vapour_pressure(temperature: npt.ArrayLike) -> Values:
    """Vapour pressure over water in saturated air, hPa, from temperature in °C.

    August-Magnus formula with the AERK coefficients of Alduchov & Eskridge (1996),
    valid -40..50 °C (error below 0.4 %).
    """
    scale, slope, offset = _AERK
    t = np.asarray(temperature, dtype=float)
    return np.asarray(scale * np.exp(slope * t / (offset + t)))


def relative_humidity(temperature: npt.ArrayLike, dew_point: npt.ArrayLike) -> Values:
    """Relative humidity over water, %, from air temperature and dew point in °C.

    The ratio of the two saturation pressures (Alduchov & Eskridge 1996), at most 100.
    """
    ratio = saturation_vapour_pressure(dew_point) / saturation_vapour_pressure(temperature)
    return np.asarray(np.minimum(100.0 * ratio, 100.0))


def dew_point(vapour_pressure: npt.ArrayLike) -> Values:
    """Temperature at which air of this vapour pressure (hPa) is saturated over water, °C.

    The AERK formula of Alduchov & Eskridge (1996) solved for temperature; NaN where the
    pressure is not above zero, for no air is without any vapour.
    """
    scale, slope, offset = _AERK
    pressure = np.asarray(vapour_pressure, dtype=float)
    log = np.log(np.where(pressure > 0, pressure, np.nan) / scale)
    return np.asarray(offset * log / (slope - log))


def wind_speed(eastward: npt.ArrayLike, northward: npt.ArrayLike) -> Values:
    """Speed from its components, in their unit."""
    return np.asarray(np.hypot(eastward, northward), dtype=float)


def lapse_correction(cell_elevation_m: float, site_elevation_m: float) -> float:
    """Degrees to add to a cell's air temperature at the height of the site, °C.

    6.5 K per km (ICAO standard atmosphere), for at most 300 m of difference.
    """
    return float(_LAPSE * np.clip(cell_elevation_m - site_elevation_m, -_LAPSE_CAP_M, _LAPSE_CAP_M))
