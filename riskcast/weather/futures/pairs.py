"""What was forecast and what came: the past errors a single forecast is dressed with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Pairs"]


@dataclass(frozen=True)
class Pairs:
    """Air temperatures forecast and observed, matched by lead.

    Only forecasts kept at their own lead belong here: an archive of "forecasts" that is
    spliced from the first hours of many runs looks far too good.

    Attributes
    ----------
    valid : (pair,) datetime64[ns], UTC hour the values are for
    lead_day : (pair,) int, whole days from issue to `valid`, 0 = the first 24 hours
    forecast_degc, observed_degc : (pair,) finite
    """

    valid: npt.NDArray[np.datetime64]
    lead_day: npt.NDArray[np.int64]
    forecast_degc: npt.NDArray[np.float64]
    observed_degc: npt.NDArray[np.float64]
