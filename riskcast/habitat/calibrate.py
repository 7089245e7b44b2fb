"""Depth and moisture of a site's litter, from a logger that lay in it.

Fitted on the first part of its hours and judged on the later part: what does not help there is
not used, and the site's own settings stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.stats import ttest_1samp

from riskcast.base.quantity import require
from riskcast.habitat.nest import SPIN_UP_DAYS, nest_temperature
from riskcast.species import load

if TYPE_CHECKING:
    import xarray as xr

    from riskcast.site import Habitat
    from riskcast.species import Species

__all__ = ["LitterFit", "calibrate_litter"]

FloatArray = npt.NDArray[np.float64]

_WEEK = 7 * 24
# The earlier part is fitted, the rest judges, by whole weeks: ten weeks leave four to judge.
_FIT_SHARE = 0.6
_LEAST_HOURS = 10 * _WEEK
# A gain has to be worth having, and surer than 1 %: weeks are not quite independent either (with
# errors that last five days, a fit that had nothing to find was used in 1 trial of 24).
_LEAST_GAIN = 0.05
_MOST_CHANCE = 0.01
# Far above the jumps of the grid where litter gains a node, far below the range of the bounds.
_DIFFERENCE = 0.03
_MOST_RUNS = 40


@dataclass(frozen=True)
class LitterFit:
    """What a logger says of the litter around it.

    Attributes
    ----------
    litter_depth_cm, moisture : cm and m3 m-3 to go on with: fitted where `used`, else the
        site's depth and the species' ``nest.litter_water_content``
    rmse_before_degc, rmse_after_degc : error of the hourly nest temperature on the held-out
        later part, K, with the settings as they were and as fitted; also where not used
    hours : hours of logger and weather that took part, fit and judgement together
    used : whether the fit helped where it had not been fitted
    """

    litter_depth_cm: float
    moisture: float
    rmse_before_degc: float
    rmse_after_degc: float
    hours: int
    used: bool


def calibrate_litter(
    logger: xr.DataArray,
    weather: xr.Dataset,
    habitat: Habitat,
    sp: Species | None = None,
    *,
    logger_depth_cm: float | None = None,
    deep_temperature_degc: float | None = None,
    spin_up_days: float = SPIN_UP_DAYS,
) -> LitterFit:
    """Fit depth and water content of the litter to a logger that lies in it.

    Bounded least squares (trust region reflective, `scipy.optimize.least_squares`) of the
    column's hourly temperature at the logger's depth, on the first 60 % of the hours. The fit
    is used if, on the hours after these, it lowers the error by more than 5 %, week by week
    more surely than chance would (paired t test, 1 %), and beats the mean of the hours fitted:
    a logger that does not follow the weather teaches nothing.
    Depth and moisture trade off against each other; together they stand for the site, singly
    they are no measurement of its litter.

    Parameters
    ----------
    logger : DataArray (time,) degC, hourly, as of `riskcast.weather.read_logger`; NaN = no reading
    weather : Dataset (member, time) of those hours, one member, as for `nest_temperature`.
        Weather from before the logger's first hour serves as spin-up
    habitat : Habitat, the site's settings and the start of the fit
    sp : Species, central values; None = hazel dormouse
    logger_depth_cm : cm below the litter's surface; None = the nest's depth
    deep_temperature_degc, spin_up_days : as for `nest_temperature`; hours of spin-up take no part

    Returns
    -------
    LitterFit

    Raises
    ------
    ValueError
        Fewer than 70 days of hours in common after the spin-up, more than one member, another
        unit or step of the logger, or weather that `nest_temperature` refuses.
    """
    species = load() if sp is None else sp
    at_cm = habitat.nest_depth_cm if logger_depth_cm is None else logger_depth_cm
    if weather.sizes.get("member") != 1:
        raise ValueError(
            f"calibrate_litter: expected weather of one member, found {weather.sizes.get('member')}"
        )
    measured, column_hours = _in_common(logger, weather, spin_up_days)

    def felt(settings: FloatArray) -> FloatArray:
        """Temperature at the logger for (litter depth in cm, moisture)."""
        depth_cm, moisture = (float(setting) for setting in settings)
        there = {"nest_depth_cm": at_cm, "litter_depth_cm": depth_cm}
        wet = species.with_values(nest__litter_water_content=moisture)
        nest = nest_temperature(
            weather,
            habitat.model_copy(update=there),
            wet,
            deep_temperature_degc=deep_temperature_degc,
            spin_up_days=spin_up_days,
        )
        return np.asarray(nest.values[0, column_hours])

    split = round(_FIT_SHARE * measured.size)
    earlier, later = slice(0, split), slice(split, None)
    p = species.nest
    start = np.array([habitat.litter_depth_cm, p.litter_water_content])
    lower, upper = np.transpose([p.fitted_litter_depth, p.fitted_litter_water])
    found = least_squares(
        lambda settings: felt(settings)[earlier] - measured[earlier],
        np.clip(start, lower, upper),
        bounds=(lower, upper),
        x_scale=upper - lower,
        diff_step=_DIFFERENCE,
        max_nfev=_MOST_RUNS,
    ).x
    before, after, constant = (
        (series - measured[later]) ** 2
        for series in (felt(start)[later], felt(found)[later], measured[earlier].mean())
    )
    used = (
        _root_mean(after) < min((1.0 - _LEAST_GAIN) * _root_mean(before), _root_mean(constant))
        and _chance_of_no_gain(before - after) < _MOST_CHANCE
    )
    depth_cm, moisture = found if used else start
    return LitterFit(
        float(depth_cm),
        float(moisture),
        _root_mean(before),
        _root_mean(after),
        measured.size,
        used,
    )


def _in_common(
    logger: xr.DataArray, weather: xr.Dataset, spin_up_days: float
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Readings that have weather, after its spin-up, and where their hours are in it."""
    logger = require(logger, dims=("time",), units="degC", step="1h")
    read = np.isfinite(logger.values)
    stamps = logger["time"].values.astype("datetime64[ns]")[read]
    axis = weather["time"].values.astype("datetime64[ns]")
    settled = axis[0] + np.timedelta64(round(spin_up_days * 24.0), "h")
    _, ours, theirs = np.intersect1d(stamps, axis, return_indices=True)
    after = axis[theirs] >= settled
    hours = int(after.sum())
    if hours < _LEAST_HOURS:
        raise ValueError(
            f"calibrate_litter: {hours} hours of logger and weather in common after "
            f"{spin_up_days:g} days of spin-up, at least {_LEAST_HOURS} are needed. Give weather "
            "from before the logger's first hour, or wait for more readings"
        )
    return np.asarray(logger.values[read][ours[after]], dtype=float), theirs[after]


def _root_mean(squared_errors: FloatArray) -> float:
    return float(np.sqrt(squared_errors.mean()))


def _chance_of_no_gain(gain: FloatArray) -> float:
    """One-sided p of a t test on the gains of whole weeks: hours of one week are no witnesses
    of their own, an error of the weather lasts for days."""
    weeks = gain[: gain.size // _WEEK * _WEEK].reshape(-1, _WEEK).mean(axis=1)
    return float(ttest_1samp(weeks, 0.0, alternative="greater").pvalue)
