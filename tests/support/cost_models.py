"""Rival lines of what torpor and waking cost, judged on animals they were not fitted to.

Costs add up, so lines are means: Poisson regression for wakings (`respirometry.poisson_fit`), least
squares for rates. Each animal is left out in turn and predicted from the rest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from respirometry import Estimate, poisson_fit
from scipy.optimize import least_squares

from riskcast.physiology import arousal_cost, mass_after, torpid_rate
from riskcast.physiology.torpor import arousal_hazard, arousal_length, grams_per_ml_oxygen
from riskcast.species import Species

__all__ = [
    "COLD_EDGE",
    "WAKING_LINES",
    "Budget",
    "gamma_deviance",
    "left_out_rates",
    "left_out_wakings",
    "mean_difference",
    "shipped_budget",
]

FloatArray = npt.NDArray[np.float64]
Line = Callable[[npt.ArrayLike], FloatArray]
COLD_EDGE = 2.0  # °C: the shipped waking cost was read above it
_HOURS_PER_DAY = 24.0


def _ones(t: FloatArray) -> FloatArray:
    return np.ones((t.size, 1))


def _line(t: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(t.size), t - 5.0])


def _held(t: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(t.size), np.maximum(t, COLD_EDGE) - 5.0])


def _rising(t: FloatArray) -> FloatArray:
    return np.column_stack([_held(t), np.maximum(COLD_EDGE - t, 0.0)])


def _step(t: FloatArray) -> FloatArray:
    return np.column_stack([_held(t), t < COLD_EDGE])


def _nothing(t: FloatArray, _: Species) -> FloatArray:
    return np.zeros(t.size)


def _shipped(t: FloatArray, sp: Species) -> FloatArray:
    return np.log(arousal_cost(t, sp))


def _shipped_held(t: FloatArray, sp: Species) -> FloatArray:
    return np.log(arousal_cost(np.maximum(t, COLD_EDGE), sp))


# Columns that are fitted (none = taken as it is), and the logarithm that is known beforehand.
WAKING_LINES: dict[str, tuple[Callable[[FloatArray], FloatArray] | None, Callable[..., FloatArray]]]
WAKING_LINES = {
    "as shipped, untouched": (None, _shipped),
    "as shipped, own level": (_ones, _shipped),
    "as shipped, held below 2 °C, untouched": (None, _shipped_held),
    "as shipped, held below 2 °C": (_ones, _shipped_held),
    "level only": (_ones, _nothing),
    "own line": (_line, _nothing),
    "own line, held below 2 °C": (_held, _nothing),
    "own line, rising below 2 °C": (_rising, _nothing),
    "own line, step at 2 °C": (_step, _nothing),
}


def left_out_wakings(wakings: pd.DataFrame, name: str, sp: Species) -> FloatArray:
    """Cost of each waking (mL O2 g-1) predicted from the other animals' wakings."""
    columns, known_by = WAKING_LINES[name]
    t, y = wakings.temperature.to_numpy(), wakings.cost.to_numpy()
    animal, known = wakings.animal.to_numpy(), known_by(t, sp)
    if columns is None:
        return np.exp(known)
    x = columns(t)
    out = np.empty(t.size)
    for one in np.unique(animal):
        left = animal == one
        fit = poisson_fit(x[~left], y[~left], animal[~left], known[~left])
        out[left] = np.exp(x[left] @ fit.coefficients + known[left])
    return out


def gamma_deviance(y: npt.ArrayLike, predicted: npt.ArrayLike) -> FloatArray:
    """Of each waking: about the square of its relative error."""
    ratio = np.asarray(y) / np.asarray(predicted)
    return np.asarray(2.0 * (ratio - 1.0 - np.log(ratio)))


def left_out_rates(
    t: FloatArray, rate: FloatArray, animal: FloatArray, *, bend: float = 0.0
) -> FloatArray:
    """Torpid rate of each hour predicted from the other animals' hours.

    Level, Q10 above the bend, slope below 0 °C; flat between 0 °C and the bend.
    """

    def model(p: FloatArray, at: FloatArray) -> FloatArray:
        warm = np.maximum(at - bend, 0.0) / 10.0
        return np.asarray(p[0] * p[1] ** warm + p[2] * np.maximum(-at, 0.0))

    out = np.empty(t.size)
    for one in np.unique(animal):
        left = animal == one
        at, y = t[~left], rate[~left]
        fit = least_squares(lambda p, at=at, y=y: model(p, at) - y, [0.09, 2.0, 0.05])
        out[left] = model(fit.x, t[left])
    return out


def mean_difference(difference: npt.ArrayLike, cluster: npt.ArrayLike) -> Estimate:
    """Mean over all rows with its error clustered by animal."""
    d = pd.Series(np.asarray(difference, dtype=float)).groupby(np.asarray(cluster))
    total, size = d.sum().to_numpy(), d.size().to_numpy()
    mean = total.sum() / size.sum()
    scores = total - mean * size
    error = np.sqrt((scores**2).sum() * size.size / (size.size - 1)) / size.sum()
    return Estimate(float(mean), float(error), int(size.sum()))


@dataclass(frozen=True)
class Budget:
    """Torpid rate, waking cost and hazard of a set of constants, and what follows from them.

    Renewal theory at constant nest temperature, all constants central.
    """

    rate: Line
    cost: Line
    hazard: Line
    multiplier: float
    sp: Species

    def hourly(self, degc: npt.ArrayLike) -> FloatArray:
        """Oxygen of an unfed animal at the scale mass, mL g-1 h-1."""
        wakes = self.multiplier * self.hazard(degc)
        away = 1.0 + wakes * arousal_length(degc, self.sp)
        return np.asarray((self.rate(degc) + wakes * self.cost(degc)) / away)

    def loss(self, mass_g: float, degc: float, days: float) -> float:
        """Share of the mass lost."""
        spent = grams_per_ml_oxygen(self.sp) * _HOURS_PER_DAY * days * self.hourly(degc)
        return float(1.0 - mass_after(mass_g, spent, self.sp) / mass_g)

    def bout_h(self) -> float:
        """Mean bout at 0 to 1 °C, as `tests/published/test_ruf_geiser_2015` takes it."""
        hazard = self.multiplier * self.hazard(np.linspace(0.0, 1.0, 11))
        return float(1.0 / hazard.mean())

    def wakings_a_day(self, degc: float) -> float:
        wakes = self.multiplier * self.hazard(degc)
        return float(_HOURS_PER_DAY * wakes / (1.0 + wakes * arousal_length(degc, self.sp)))

    def refitted(self, hourly_at_5: float) -> Budget:
        """The multiplier that makes the spending at 5 °C a given one (mL g-1 h-1)."""
        spare = self.cost(5.0) - hourly_at_5 * arousal_length(5.0, self.sp)
        wakes = (hourly_at_5 - self.rate(5.0)) / spare
        return Budget(self.rate, self.cost, self.hazard, float(wakes / self.hazard(5.0)), self.sp)


def shipped_budget(sp: Species) -> Budget:
    return Budget(
        rate=lambda t: torpid_rate(t, sp),
        cost=lambda t: arousal_cost(t, sp),
        hazard=lambda t: arousal_hazard(t, sp),
        multiplier=float(sp.torpor.arousal_multiplier),
        sp=sp,
    )
