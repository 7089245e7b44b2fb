"""From arrays of futures to the numbers people see: quantiles, shares, bands, concern."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from riskcast.base.nights import local_days
from riskcast.risk.assessment import Concern, DateQuantity, Quantity
from riskcast.species import Species

__all__ = ["concern", "date_quantity", "likelihood_word", "quantity", "rank_among", "share"]

_TEN, _HALF, _NINETY = 0.1, 0.5, 0.9
# Words for the seven bands between the six edges of risk.likelihood_edges (IPCC guidance).
_WORDS = (
    "exceptionally unlikely",
    "very unlikely",
    "unlikely",
    "about as likely as not",
    "likely",
    "very likely",
    "virtually certain",
)
# Numbers are shown and stored to this many digits: more would only look exact.
_DIGITS = 3
FloatArray = npt.NDArray[np.float64]


def quantity(
    values: npt.ArrayLike,
    unit: str,
    *,
    capped: npt.ArrayLike | None = None,
    ceiling: float | None = None,
    reason: str = "",
) -> Quantity:
    """Median with 10 % and 90 % quantiles over all futures.

    Parameters
    ----------
    values : any shape; NaN = not known in that future
    unit : as printed
    capped : same shape, True where the value is only a lower bound
    ceiling : values above it are shown as "at least" this
    reason : the code to give when nothing is known
    """
    numbers = np.asarray(values, dtype=float).ravel()
    known = ~np.isnan(numbers)
    if not known.any():
        return Quantity(value=None, unit=unit, reason=reason or "not_known")
    bound = np.zeros(numbers.size, dtype=bool)
    if capped is not None:
        bound |= np.asarray(capped, dtype=bool).ravel()
    if ceiling is not None:
        bound |= numbers > ceiling
        numbers = np.minimum(numbers, ceiling)
    numbers, bound = numbers[known], bound[known]
    low, middle, high = (_round(q) for q in np.quantile(numbers, [_TEN, _HALF, _NINETY]))
    # First-passage median: more than half not yet there means it lies beyond the bound.
    at_least = bool(bound.mean() >= _HALF)
    return Quantity(value=middle, unit=unit, low=low, high=high, at_least=at_least)


def date_quantity(
    moments: npt.ArrayLike, timezone: str, *, reason: str = "not_by_end_of_season"
) -> DateQuantity:
    """Median local date with 10 % and 90 % quantiles; NaT counts as later than all."""
    stamps = np.sort(np.asarray(moments, dtype="datetime64[ns]").ravel())  # NaT sorts last
    if not stamps.size:
        return DateQuantity(value=None, reason=reason)

    def at(probability: float) -> dt.date | None:
        moment = stamps[int(probability * (stamps.size - 1))]
        if np.isnat(moment):
            return None
        return dt.date.fromisoformat(str(local_days([moment], timezone)[0]))

    middle = at(_HALF)
    return DateQuantity(
        value=middle, low=at(_TEN), high=at(_NINETY), reason="" if middle else reason
    )


def share(condition: npt.ArrayLike) -> float:
    """Share of the futures in which something holds, 0-1."""
    return _round(float(np.asarray(condition, dtype=bool).mean()))


def likelihood_word(probability: float, sp: Species) -> str:
    """The IPCC guidance word for a probability; the number always goes with it."""
    return _WORDS[_band(probability, sp.risk.likelihood_edges)]


def concern(
    likelihood: float, consequence: float, consequence_edges: Sequence[float], sp: Species
) -> Concern:
    """Look up the species file's table: rows are likelihood bands, columns consequence bands."""
    row = _band(likelihood, sp.risk.concern_likelihood_edges)
    column = _band(consequence, consequence_edges)
    return cast(Concern, sp.risk.concern_table[row][column])


def rank_among(value: float, others: npt.ArrayLike) -> int:
    """1 = higher than all others."""
    return 1 + int((np.asarray(others, dtype=float) > value).sum())


def _band(value: float, edges: Any) -> int:
    return int(np.searchsorted(np.asarray(edges, dtype=float), value, side="right"))


def _round(value: float) -> float:
    return round(float(value), _DIGITS)
