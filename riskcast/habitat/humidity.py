"""How dry the air in the nest is. Bare formulas, NumPy in and out; kPa throughout.

Reported, with no verdict: one study found no difference in mass loss or arousals between
50 and 98 % relative humidity, another that evaporative loss shortens bouts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from riskcast.species import Species

__all__ = [
    "dew_point",
    "nest_vapour_pressure_deficit",
    "saturation_vapour_pressure",
    "saturation_vapour_pressure_fao56",
    "vapour_pressure_deficit",
]

FloatArray = npt.NDArray[np.float64]
_PERCENT = 100.0
_HPA_PER_KPA = 10.0


def saturation_vapour_pressure(
    temperature: npt.ArrayLike, sp: Species, *, over: Literal["water", "ice"] = "water"
) -> FloatArray:
    """Saturation vapour pressure over water or ice, kPa: the AERK and AERKi Magnus forms.

    Alduchov & Eskridge 1996, Journal of Applied Meteorology 35:601-609:
    water 6.1094·exp(17.625 t / (243.04 + t)) hPa, ice 6.1121·exp(22.587 t / (273.86 + t)).
    Meant for −40 to 50 °C over water and −80 to 0 °C over ice (ranges from memory). Relative
    humidity is reported over water below zero too (WMO).

    Parameters
    ----------
    temperature : °C, any shape
    sp : Species
    over : the surface; which one holds is the caller's to say
    """
    p = sp.humidity
    if over == "water":
        scale, slope, offset = p.water_scale, p.water_slope, p.water_offset
    elif over == "ice":
        scale, slope, offset = p.ice_scale, p.ice_slope, p.ice_offset
    else:
        raise ValueError(f"over: expected 'water' or 'ice', found {over!r}")
    t = np.asarray(temperature, dtype=float)
    return np.asarray(scale / _HPA_PER_KPA * np.exp(slope * t / (offset + t)))


def saturation_vapour_pressure_fao56(temperature: npt.ArrayLike, sp: Species) -> FloatArray:
    """Saturation vapour pressure over water, kPa, as agrometeorology has it.

    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 11:
    0.6108·exp(17.27 t / (t + 237.3)). Kept to compare with data computed that way.

    Parameters
    ----------
    temperature : °C, any shape
    sp : Species
    """
    p = sp.humidity
    t = np.asarray(temperature, dtype=float)
    return np.asarray(p.fao56_scale * np.exp(p.fao56_slope * t / (t + p.fao56_offset)))


def dew_point(
    temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, sp: Species
) -> FloatArray:
    """Temperature at which the vapour would be saturated over water, °C: AERK turned round.

    Parameters
    ----------
    temperature, relative_humidity : °C and % over water (above 0), broadcast together
    sp : Species
    """
    p = sp.humidity
    vapour = _vapour_pressure(temperature, relative_humidity, sp)
    x = np.log(vapour * _HPA_PER_KPA / p.water_scale)
    return np.asarray(p.water_offset * x / (p.water_slope - x))


def vapour_pressure_deficit(
    temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, sp: Species
) -> FloatArray:
    """What the air could still take up over water at its own temperature, kPa.

    Parameters
    ----------
    temperature, relative_humidity : °C and % over water, broadcast together
    sp : Species
    """
    saturated = saturation_vapour_pressure(temperature, sp)
    return np.asarray(saturated - _vapour_pressure(temperature, relative_humidity, sp))


def nest_vapour_pressure_deficit(
    nest_temperature: npt.ArrayLike,
    air_temperature: npt.ArrayLike,
    relative_humidity: npt.ArrayLike,
    sp: Species,
) -> FloatArray:
    """What the nest's air could still take up, kPa: the vapour of the air at the nest's warmth.

    The nest is taken to hold the outside air's vapour (litter adds some, so this is an upper
    bound). Saturation is over ice where the nest is below 0 °C, else over water; where the
    nest is so cold that vapour settles in it, the deficit is 0.

    Parameters
    ----------
    nest_temperature, air_temperature : °C
    relative_humidity : % over water, of the air
    sp : Species

    Returns
    -------
    ndarray of the broadcast shape, kPa, 0 or more
    """
    nest = np.asarray(nest_temperature, dtype=float)
    saturated = np.where(
        nest < 0.0,
        saturation_vapour_pressure(nest, sp, over="ice"),
        saturation_vapour_pressure(nest, sp, over="water"),
    )
    vapour = _vapour_pressure(air_temperature, relative_humidity, sp)
    return np.maximum(saturated - vapour, 0.0)


def _vapour_pressure(
    temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, sp: Species
) -> FloatArray:
    share = np.asarray(relative_humidity, dtype=float) / _PERCENT
    return np.asarray(share * saturation_vapour_pressure(temperature, sp))
