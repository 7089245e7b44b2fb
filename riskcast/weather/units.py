"""Units of weather files into riskcast's, by the text the file states; never by guess."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["UnitError", "convert", "expected"]

Values = npt.NDArray[np.float64]


class UnitError(ValueError):
    """The file states no units, or units that are not those of the quantity."""


@dataclass(frozen=True)
class _Unit:
    """value here = factor × value there + offset; `rate` marks amounts per hour."""

    factor: float
    offset: float = 0.0
    rate: bool = False


_KELVIN, _CELSIUS = _Unit(1.0, -273.15), _Unit(1.0)
_FAHRENHEIT = _Unit(5.0 / 9.0, -160.0 / 9.0)
_INCH_MM, _FOOT_M, _HOUR_S, _DAY_H = 25.4, 0.3048, 3600.0, 24.0
_MILE_M, _SEA_MILE_M = 1609.344, 1852.0
_MERCURY_HPA = 1.33322387415  # conventional millimetre of mercury, BS 350


def _table(*entries: tuple[_Unit, str]) -> dict[str, _Unit]:
    return {name: unit for unit, names in entries for name in names.split("|")}


# Keys are written as `_normal` writes them. One millimetre of water is one kilogram per m².
_UNITS: dict[str, dict[str, _Unit]] = {
    "temperature": _table(
        (_KELVIN, "k|kelvin|degk|deg k"),
        (_CELSIUS, "degc|deg c|deg_c|c|celsius|degree celsius|degrees celsius|deg celsius"),
        (_CELSIUS, "degree_celsius|degrees_celsius"),
        (_FAHRENHEIT, "degf|deg f|deg_f|f|fahrenheit|degree_fahrenheit|degrees_fahrenheit"),
    ),
    "humidity": _table(
        (_Unit(1.0), "%|percent|per cent"),
        (_Unit(100.0), "1|fraction|0-1"),
    ),
    "precipitation": _table(
        (_Unit(1.0), "mm|kg m-2|kg/m2|kg/m^2|mm of water equivalent|millimeter|millimetre"),
        (_Unit(1000.0), "m|m of water equivalent|m of water"),
        (_Unit(10.0), "cm"),
        (_Unit(_INCH_MM), "inch|in|inches"),
        (_Unit(1.0, rate=True), "mm/h|mm h-1|mm hr-1|mm/hr|mm hour-1|mm/hour|kg m-2 h-1"),
        (_Unit(_HOUR_S, rate=True), "kg m-2 s-1|kg/m2/s|kg/m^2/s|mm s-1|mm/s"),
        (_Unit(1000.0 * _HOUR_S, rate=True), "m s-1|m/s"),
        (_Unit(1.0 / _DAY_H, rate=True), "mm/day|mm/d|mm d-1|mm day-1|kg m-2 d-1|kg m-2 day-1"),
    ),
    "length": _table(
        (_Unit(1.0), "m|meter|metre|meters|metres"),
        (_Unit(0.01), "cm"),
        (_Unit(0.001), "mm"),
        (_Unit(_INCH_MM / 1000.0), "inch|in|inches"),
        (_Unit(_FOOT_M), "ft|feet|foot"),
    ),
    "speed": _table(
        (_Unit(1.0), "m/s|m s-1|ms-1|ms|meters per second|metres per second"),
        (_Unit(1000.0 / _HOUR_S), "km/h|km h-1|kmh|km/hr|kph"),
        (_Unit(_MILE_M / _HOUR_S), "mp/h|mph|mi/h|mile/h|miles/h"),
        (_Unit(_SEA_MILE_M / _HOUR_S), "kn|kt|knot|knots|knt"),
    ),
    "pressure": _table(
        (_Unit(1.0), "hpa|mbar|mb|millibar"),
        (_Unit(10.0), "kpa"),
        (_Unit(0.01), "pa"),
        (_Unit(_MERCURY_HPA), "mmhg|mm hg"),
    ),
}

_COMMON = {
    "temperature": "K, degC or degF",
    "humidity": "% or 1",
    "precipitation": "mm, cm, m, inch, kg m-2, mm/h, mm/day or kg m-2 s-1",
    "length": "m, cm, mm, inch or ft",
    "speed": "m/s, km/h, mph or kn",
    "pressure": "hPa, kPa or Pa",
}


def expected(quantity: str) -> str:
    """The usual units of a quantity, as words for an error."""
    return _COMMON[quantity]


def convert(values: npt.ArrayLike, units: str | None, quantity: str) -> tuple[Values, bool]:
    """Values in riskcast's unit of the quantity, and whether they are a rate per hour.

    Parameters
    ----------
    values : any shape
    units : the text the file states, e.g. ``"K"``, ``"kg m**-2 s**-1"``, ``"°C"``
    quantity : temperature (→ °C), humidity (→ %), precipitation (→ mm), length (→ m),
        speed (→ m s-1), pressure (→ hPa)

    Raises
    ------
    UnitError
        No units, or none of this quantity.
    """
    if units is None:
        raise UnitError(f"states no units; nothing is guessed. Expected {expected(quantity)}.")
    unit = _UNITS[quantity].get(_normal(units))
    if unit is None:
        raise UnitError(f"is not a unit known here. Expected {expected(quantity)}.")
    array = np.asarray(values, dtype=float)
    if unit.factor != 1.0 or unit.offset:
        array = unit.factor * array + unit.offset
    return array, unit.rate


def _normal(units: str) -> str:
    """`kg m**-2 s^-1`, `kg·m⁻²·s⁻¹` and `kg.m-2.s-1` are one text; °C is degc."""
    text = units.strip().translate(str.maketrans("⁻¹²³", "-123")).replace("°", "deg")
    text = text.replace("**", "").replace("^-", "-").replace("·", " ").replace("º", "deg")
    text = re.sub(r"(?<=[a-z0-9])\.(?=[a-z])", " ", text.lower())
    return re.sub(r"\s+", " ", text)
