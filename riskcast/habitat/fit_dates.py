"""A plant's warmth requirement fitted to a site's own dates, and whether that helps.

The one parameter that is fitted is the sum F; start and base stay as given, for five springs
carry no more. Fitted sums are judged by leaving out each year in turn, against the mean date.
scikit-learn is loaded with this module, so it is imported only where there is something to fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.dummy import DummyRegressor
from sklearn.model_selection import LeaveOneOut, cross_val_predict
from sklearn.utils.validation import check_is_fitted, validate_data

from riskcast.habitat.phenology import first_day_above, thermal_time

__all__ = ["DateFit", "ThermalTimeRegressor", "fit_dates", "root_mean_square"]

FloatArray = npt.NDArray[np.float64]


class ThermalTimeRegressor(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Day of the year on which the warmth summed since `start` passes a fitted requirement.

    Thermal time in the form of Chuine et al. 2013 (`thermal_time`). The requirement that
    gives the least squared error in days is found exactly: the error changes only where a
    sum of one year is passed, so all of these steps are tried, and the middle of the best
    one is taken.

    Parameters
    ----------
    first_day : day of the year of the first column of X (zero or less before 1 January)
    start : first day that counts
    base : temperature above which a day counts, °C

    Attributes
    ----------
    requirement_ : F, °C day
    requirement_range_ : (low, high), °C day; every sum from low up to high does as well
    """

    def __init__(self, *, first_day: int = 1, start: float = 1.0, base: float = 0.0) -> None:
        self.first_day = first_day
        self.start = start
        self.base = base

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        # Columns are days in their order: data without that meaning cannot be fitted well.
        tags.regressor_tags.poor_score = True
        return tags

    def fit(self, X: npt.ArrayLike, y: npt.ArrayLike) -> ThermalTimeRegressor:
        """Find the requirement.

        Parameters
        ----------
        X : (year, day) daily mean temperature, °C; consecutive days, none missing
        y : (year,) day of the year on which the plant was ready
        """
        X, y = validate_data(self, X, y, y_numeric=True, dtype=np.float64)
        sums = self._sums(X)
        days = sums.shape[1]
        # Passing a sum moves the date of its year from day p to p + 1.
        early = self.first_day + np.arange(days) - np.asarray(y, dtype=float)[:, None]
        order = np.argsort(sums, axis=None, kind="stable")
        passed = sums.ravel()[order]
        error = np.cumsum((2.0 * early + 1.0).ravel()[order])
        last_of_step = np.append(np.diff(passed) > 0.0, True)
        low = passed[last_of_step]
        best = int(np.argmin(error[last_of_step]))
        high = low[best + 1] if best + 1 < low.size else low[best]
        self.requirement_range_ = (float(low[best]), float(high))
        self.requirement_ = float((low[best] + high) / 2.0)
        return self

    def predict(self, X: npt.ArrayLike) -> FloatArray:
        """Day of the year (year,); the day after the last where the sum is never passed."""
        check_is_fitted(self)
        X = validate_data(self, X, dtype=np.float64, reset=False)
        index = first_day_above(self._sums(X), [self.requirement_])[:, 0]
        return np.asarray(self.first_day + index, dtype=float)

    def _sums(self, X: npt.ArrayLike) -> FloatArray:
        daily_mean = np.asarray(X, dtype=float)
        day = self.first_day + np.arange(daily_mean.shape[1])
        return thermal_time(daily_mean, day, start=self.start, base=self.base)


@dataclass(frozen=True)
class DateFit:
    """A requirement fitted to own dates, and how it does in years that it has not seen.

    Attributes
    ----------
    requirement : F, °C day
    error : root mean square of the errors with each year left out in turn, days
    mean_error : the same for the mean date of the other years
    years : number of years
    """

    requirement: float
    error: float
    mean_error: float
    years: int


def fit_dates(
    daily_mean: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    *,
    first_day: int = 1,
    start: float = 1.0,
    base: float = 0.0,
) -> DateFit:
    """Fit the requirement to all years, and judge it by leaving out each in turn.

    Parameters
    ----------
    daily_mean : (year, day) °C, at least two years
    day_of_year : (year,)
    first_day, start, base : as in `ThermalTimeRegressor`

    Raises
    ------
    ValueError
        Fewer than two years, values missing, or lengths that differ.
    """
    X = np.asarray(daily_mean, dtype=float)
    y = np.asarray(day_of_year, dtype=float)
    model = ThermalTimeRegressor(first_day=first_day, start=start, base=base)
    unseen = {
        name: cross_val_predict(one, X, y, cv=LeaveOneOut())
        for name, one in (("sum", model), ("mean", DummyRegressor()))
    }
    return DateFit(
        requirement=model.fit(X, y).requirement_,
        error=root_mean_square(unseen["sum"] - y),
        mean_error=root_mean_square(unseen["mean"] - y),
        years=y.size,
    )


def root_mean_square(errors: npt.ArrayLike) -> float:
    """√ mean e²."""
    return float(np.sqrt(np.mean(np.square(np.asarray(errors, dtype=float)))))
