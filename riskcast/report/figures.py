"""How `riskcast explain` prints a quantity: with no more digits than its spread can bear."""

from __future__ import annotations

from riskcast.risk import DateQuantity, Quantity

__all__ = ["date_told", "figure", "told"]

_UNITS = {"day": "days", "day of reserve": "days of reserve", "g day-1": "g a day"}
_DAYS = ("day", "day of reserve")
# From here on a tenth of a day says nothing: futures differ by weeks.
_WHOLE_DAYS_FROM = 10.0


def figure(value: float, unit: str) -> str:
    """A number of that unit: days whole from ten on and to a tenth below, others to 3 digits."""
    if unit not in _DAYS:
        return f"{value:.3g}"
    shown = f"{value:.0f}" if abs(value) >= _WHOLE_DAYS_FROM else f"{value:.1f}"
    return "0" if float(shown) == 0 else shown


def told(quantity: Quantity, *, unit: bool = True) -> str:
    """Median, 10 % and 90 % of futures, and the unit unless the words before it say it."""
    if quantity.value is None:
        return f"not known ({quantity.reason})"
    more = "at least " if quantity.at_least else ""
    after = f" {_UNITS.get(quantity.unit, quantity.unit)}" if unit else ""
    middle = figure(quantity.value, quantity.unit)
    if quantity.low is None or quantity.high is None or quantity.low == quantity.high:
        return f"{more}{middle}{after}"
    low, high = figure(quantity.low, quantity.unit), figure(quantity.high, quantity.unit)
    return f"{more}{middle} ({low} to {high}){after}"


def date_told(quantity: DateQuantity) -> str:
    """Median, 10 % and 90 % of futures of a date."""
    if quantity.value is None:
        return f"not known ({quantity.reason})"
    return f"{quantity.value} ({quantity.low} to {quantity.high})"
