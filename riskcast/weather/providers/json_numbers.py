"""Numbers of a JSON answer, which may hold anything where a number is expected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from riskcast.weather.dataset import Values

__all__ = ["array", "number"]

# No weather, place or height comes near it; arithmetic with numbers far beyond overflows.
_MOST = 1e6
_PLAIN = {int, float, type(None)}


def number(value: Any, most: float = _MOST) -> float | None:
    """A JSON number within -most..most; None for anything else, ``true`` and text included."""
    if type(value) not in (int, float) or not -most <= value <= most:
        return None
    return float(value)


def array(values: Sequence[Any]) -> tuple[Values | None, Any]:
    """(row,) float64 with NaN for null and for what is not finite; or None and what is wrong.

    Returns
    -------
    array : None where a value is no number, or absurdly large
    strange : the first such value
    """
    if set(map(type, values)) <= _PLAIN:  # the usual answer, judged as a whole: there are millions
        try:
            out = np.array(values, dtype=np.float64)  # null becomes NaN
        except OverflowError:  # a whole number beyond float64: named below
            pass
        else:
            out[~np.isfinite(out)] = np.nan
            if not (np.abs(out) > _MOST).any():
                return out, None
    return None, next(v for v in values if v is not None and number(v) is None and not _endless(v))


def _endless(value: Any) -> bool:
    return type(value) is float and not np.isfinite(value)
