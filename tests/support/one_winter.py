"""Rates by the hour of one course of the weather: what every other way to a winter shares.

The brute-force loop, the ODE solver, the mean over all luck and the benchmarks' rivals start from
the bare formulas put together here, and from nothing of the event scheme.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from riskcast.physiology import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    grams_per_ml_oxygen,
    season_factor,
    torpid_rate,
)
from riskcast.physiology.events import trailing_mean
from riskcast.species import Species

__all__ = ["HourlyRates", "at_the_centre", "mean_spent", "wandering"]

FloatArray = npt.NDArray[np.float64]


def at_the_centre(sp: Species) -> Species:
    """The species with every parameter fixed at its central value."""
    return sp.with_values(
        **{
            name.replace(".", "__"): parameter.value
            for name, parameter in sp.parameters.items()
            if parameter.distribution != "fixed"
        }
    )


def wandering(
    seed: int, level: float, restless: float, *, days: int, low: float, high: float
) -> FloatArray:
    """Hours of invented weather: a random walk drawn back to a level, within bounds; °C."""
    rng = np.random.default_rng(seed)
    now, out = level, np.empty(days * 24)
    for hour, step in enumerate(rng.normal(0, restless, out.size)):
        now += step - 0.01 * (now - level)
        out[hour] = now
    return np.clip(out, low, high)


class HourlyRates:
    """Rates of every hour, (hour,), or (draw, hour) for `Species.columns`.

    hazard : wakings per torpid hour; torpid : g g-1 an hour; cost : g g-1 a waking;
    length : hours of a waking
    """

    def __init__(
        self,
        nest: FloatArray,
        times: npt.NDArray[np.datetime64],
        sp: Species,
        *,
        season_terms: bool = True,
    ) -> None:
        season = season_factor(times, sp) if season_terms else 1.0
        hazard = sp.torpor.arousal_multiplier * arousal_hazard(trailing_mean(nest, 24), sp)
        grams = grams_per_ml_oxygen(sp)
        self.hazard, self.torpid, self.cost, self.length = (
            np.ascontiguousarray(each)
            for each in np.broadcast_arrays(
                hazard * season,
                grams * torpid_rate(nest, sp),
                grams * arousal_cost(nest, sp),
                arousal_length(nest, sp),
            )
        )


def mean_spent(rates: HourlyRates) -> FloatArray:
    """Mean cost so far at the end of each hour, over all luck; (draw, hour), g g-1.

    No chance in it: the share of animals that is torpid is followed by the hour. Those that wake
    (1 − exp(−λ) of them, in the middle of the hour) pay at once and are torpid again a waking's
    length later. This is the renewal equation itself, not its rate in steady weather.
    """
    draws, hours = rates.hazard.shape
    longest = int(np.ceil(rates.length.max())) + 2
    torpid, back = np.ones(draws), np.zeros((hours + longest, draws))
    row, out = np.arange(draws), np.empty((draws, hours))
    for hour in range(hours):
        torpid = torpid + back[hour]
        hazard = rates.hazard[:, hour]
        wake = torpid * -np.expm1(-hazard)
        out[:, hour] = rates.torpid[:, hour] * wake / hazard + rates.cost[:, hour] * wake
        torpid = torpid - wake
        again = hour + 0.5 + rates.length[:, hour]
        whole = again.astype(int)
        part = again - whole
        back[whole, row] += wake * (1.0 - part)
        back[whole + 1, row] += wake * part
    return out.cumsum(axis=1)
