"""Rival shapes of the arousal hazard, judged on animals they were not fitted to.

Each animal is left out in turn, the rest fitted, and the held-out torpid hours scored by Poisson
deviance. T is T24 (`respirometry.read_hours`); all models share the logarithmic link.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from respirometry import frailty_fit, poisson_fit, spline_basis

from riskcast.physiology.torpor import log_arousal_hazard
from riskcast.species import Species

__all__ = ["MODELS", "Heldout", "Model", "held_out", "raw_design", "season_columns"]

FloatArray = npt.NDArray[np.float64]
_KNOTS = (0.05, 0.35, 0.65, 0.95)  # quantiles of T24 in the rows fitted: 3 degrees of freedom


@dataclass(frozen=True)
class Model:
    """`columns` are fitted (the first is the level), `known` is taken as it is."""

    columns: Callable[[FloatArray, FloatArray], FloatArray]  # (T24, T24 of the rows fitted)
    known: Callable[[FloatArray, Species], FloatArray]
    fitted: bool = True
    frailty: bool = False


def raw_design(t: FloatArray) -> FloatArray:
    """Level at 5 °C, slope above 0 °C, slope below -2 °C."""
    return np.column_stack([np.ones(t.size), np.maximum(t, 0.0) - 5.0, np.maximum(-2.0 - t, 0.0)])


def season_columns(time: pd.Series) -> FloatArray:
    """Before 15 November; from 1 April."""
    return np.column_stack([time < "2009-11-15", time >= "2010-04-01"]).astype(float)


def _level(t: FloatArray, _: FloatArray) -> FloatArray:
    return np.ones((t.size, 1))


def _nothing(t: FloatArray, _: Species) -> FloatArray:
    return np.zeros(t.size)


def _straight(warm: float, cold: float) -> Callable[[FloatArray, Species], FloatArray]:
    return lambda t, _: warm * (np.clip(t, 0.0, 10.0) - 5.0) + cold * np.maximum(-2.0 - t, 0.0)


def _step(t: FloatArray, _: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(t.size), t > 2.0])


def _step_and_cold(t: FloatArray, _: FloatArray) -> FloatArray:
    return np.column_stack([_step(t, t), np.maximum(-2.0 - t, 0.0)])


def _spline(t: FloatArray, fitted: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(t.size), spline_basis(t, np.quantile(fitted, _KNOTS))])


def _raw(t: FloatArray, _: FloatArray) -> FloatArray:
    return raw_design(t)


def _shipped(t: FloatArray, sp: Species) -> FloatArray:
    return log_arousal_hazard(t, sp)


MODELS = {
    "level only": Model(_level, _nothing),
    "as shipped, untouched": Model(_level, _shipped, fitted=False),
    "as shipped, own level": Model(_level, _shipped),
    "raw fit": Model(_raw, _nothing),
    "flatter: 0.07, cold 0.10": Model(_level, _straight(0.07, 0.10)),
    "flatter: 0.07, no cold": Model(_level, _straight(0.07, 0.0)),
    "step at 2 °C": Model(_step, _nothing),
    "step at 2 °C, cold slope": Model(_step_and_cold, _nothing),
    "spline, 3 df": Model(_spline, _nothing),
    "raw fit, gamma frailty": Model(_raw, _nothing, frailty=True),
}


@dataclass(frozen=True)
class Heldout:
    """Deviance of every animal's rows, and how many those are."""

    deviance: FloatArray
    rows: FloatArray

    @property
    def per_row(self) -> float:
        return float(self.deviance.sum() / self.rows.sum())

    def against(self, other: Heldout) -> tuple[float, float]:
        """Difference per row to another model, with its error clustered by animal."""
        difference = self.deviance - other.deviance
        mean = difference.sum() / self.rows.sum()
        scores = difference - mean * self.rows
        animals = scores.size
        error = np.sqrt((scores**2).sum() * animals / (animals - 1)) / self.rows.sum()
        return float(mean), float(error)


def held_out(rows: pd.DataFrame, model: Model, sp: Species, *, season: bool = False) -> Heldout:
    """Leave one animal out, fit, score; `season` adds a fitted factor for autumn and spring."""
    t, y = rows.t24.to_numpy(), rows.wakes.to_numpy()
    animal = pd.factorize(rows.animal)[0]  # whole numbers sort far faster than names
    known = model.known(t, sp)
    deviance, count = [], []
    for one in np.unique(animal):
        out = animal == one
        x = model.columns(t, t[~out])
        if season:
            x = np.column_stack([x, season_columns(rows.time)])
        if model.fitted:
            fit = poisson_fit(x[~out], y[~out], animal[~out], known[~out]).coefficients
            if model.frailty:
                fit = frailty_fit(x[~out], y[~out], animal[~out], fit).coefficients
        else:
            fit = np.zeros(x.shape[1])
        eta = x[out] @ fit + known[out]
        # A saturated model of 0 or 1 arousals an hour has the likelihood exp(-y).
        deviance.append(2.0 * float((np.exp(eta) - y[out] - y[out] * eta).sum()))
        count.append(float(out.sum()))
    return Heldout(np.array(deviance), np.array(count))
