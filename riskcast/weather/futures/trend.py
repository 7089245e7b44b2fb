"""Past winters brought to the climate of this one: their own trend of warmth, taken with care.

Twenty winters tell their trend badly: winters of one place differ by more than a degree, so
its standard error is about as large as the trend itself. The fitted slope is therefore drawn
towards none at all by how uncertain it is, and limited.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from riskcast.weather.dataset import Course, Note, Values

__all__ = ["LEAST_YEARS", "Trend", "adjusted", "fit_trend"]

# Fewer winters than this tell no trend (common practice, no source).
LEAST_YEARS = 10

# °C per decade. How far from none a trend may well be before looking: Europe warmed by about
# half a degree per decade from 1991 to 2021 (WMO, State of the Climate in Europe 2021; from
# memory). Never more than twice that.
_USUAL = 0.5
_MOST = 1.0

_WINTER_MONTHS = (11, 12, 1, 2, 3)


@dataclass(frozen=True)
class Trend:
    """Linear trend of winter means.

    Attributes
    ----------
    degc_per_decade : as used, drawn towards none and limited
    fitted, standard_error : of the least squares line, °C per decade
    years : number of winters
    """

    degc_per_decade: float
    fitted: float
    standard_error: float
    years: int


def fit_trend(means_degc: Mapping[int, float]) -> Trend | None:
    """The trend of winter means by first year of the winter, None for fewer than ten.

    Least squares; then the mean of the normal distribution that combines the fit with a
    trend of 0 ± 0.5 °C per decade by precision (a Bayesian normal model with known variances,
    any textbook), between -1 and 1 °C per decade.
    """
    if len(means_degc) < LEAST_YEARS:
        return None
    decade = np.array(list(means_degc), dtype=float) / 10.0
    mean = np.array(list(means_degc.values()))
    away = decade - decade.mean()
    squares = float(away @ away)
    fitted = float(away @ mean) / squares
    rest = mean - mean.mean() - fitted * away
    error = float(np.sqrt(rest @ rest / (len(mean) - 2) / squares))
    drawn = fitted * _USUAL**2 / (_USUAL**2 + error**2)
    return Trend(float(np.clip(drawn, -_MOST, _MOST)), fitted, error, len(mean))


def adjusted(past: Course, winter: int) -> tuple[Course, float, list[Note]]:
    """Past winters with their air temperature moved along their own trend to `winter`.

    Every hour of a winter is moved by the same amount. Relative humidity stays as it was
    (a warmer air mass holds it nearly constant: Held & Soden 2006, J. Climate 19), so the dew
    point moves along, and so does the soil two metres down, which follows the mean of the
    year; rain, wind and snow stay as they were: snow that lay in a colder year still lies.

    Parameters
    ----------
    past : (member = past winter, time); ``member`` = first year of the winter
    winter : first year of the winter it is for

    Returns
    -------
    course, mean shift over the winters (°C), what has to be told
    """
    temperature = past.values["air_temperature"]
    month = past.times.astype("datetime64[M]").astype(np.int64) % 12 + 1
    cold: npt.NDArray[np.bool_] = np.isin(month, _WINTER_MONTHS)
    means = temperature[:, cold].mean(axis=1)
    trend = fit_trend(dict(zip(past.member.tolist(), means.tolist(), strict=True)))
    if trend is None:
        return past, 0.0, []
    shift: Values = np.asarray(trend.degc_per_decade * (winter - past.member) / 10.0)
    values = {**past.values, "air_temperature": temperature + shift[:, None]}
    if "soil_temperature" in values:
        values["soil_temperature"] = values["soil_temperature"] + shift[:, None, None]
    numbers = {"degc_per_decade": round(trend.degc_per_decade, 2), "years": trend.years}
    return replace(past, values=values), float(shift.mean()), [Note("trend_adjusted", numbers)]
