"""Which of three stands for a plant with own records: a fitted sum, their mean, or its row.

Each is judged by the days it misses in springs it has not seen. A row of the species file
("published sum") has seen none; the two others leave out each spring in turn.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from riskcast.habitat.own_dates import OwnDates
from riskcast.habitat.phenology import thermal_time
from riskcast.habitat.springtime import Spring

if TYPE_CHECKING:
    from riskcast.species import Species

__all__ = ["OwnFit", "PastSprings", "fit_own", "has_row", "judged", "own_sum_days", "row_days"]

FloatArray = npt.NDArray[np.float64]
Kind = Literal["sum", "mean", "row", "none"]
_LAST_OF_FEBRUARY = 59


@dataclass(frozen=True)
class PastSprings:
    """Springs with weather at hand.

    years : (spring,) their years; springtime : their days, on the axis of one season
    """

    years: npt.NDArray[np.int64]
    springtime: Spring


@dataclass(frozen=True)
class OwnFit:
    """What a plant's own records say of three ways to tell its day.

    Attributes
    ----------
    requirement : fitted sum, °C day
    error, mean_error : days that the fitted sum and the mean miss a spring by that they have
        not seen, root mean square
    row_error : the same for the plant's row in the species file, None where it has none
    springs : number of springs with a record and weather
    """

    requirement: float
    error: float
    mean_error: float
    row_error: float | None
    springs: int


def fit_own(record: OwnDates, past: PastSprings, sp: Species) -> OwnFit | str:
    """Fit the plant's sum to its records, and say how well each way does.

    Returns
    -------
    OwnFit, or why it cannot be judged: fewer springs with record and weather than
    ``food.own_fit_least``, or a record outside the days at hand.
    """
    days = past.springtime
    rows = [n for n, year in enumerate(past.years) if int(year) in record.day_by_spring]
    if len(rows) < sp.food.own_fit_least:
        return f"{len(rows)} springs with their weather, fitted from {sp.food.own_fit_least:g} on"
    recorded = np.array(
        [_same_day(record.day_by_spring[int(past.years[n])], int(past.years[n]), days.year)
         for n in rows]
    )  # fmt: skip
    start, base = _start_and_base(record.plant, sp)
    first, last = int(days.ordinal[0]), int(days.ordinal[-1])
    if first > np.ceil(start) or recorded.min() < first or recorded.max() > last:
        return "recorded outside the days with weather, so not fitted"
    # scikit-learn takes a second to load: only sites with years of own records wait for it.
    from riskcast.habitat.fit_dates import fit_dates, root_mean_square

    fit = fit_dates(days.daily_mean[rows], recorded, first_day=first, start=start, base=base)
    row_error = None
    if has_row(record.plant, sp):
        found = np.median(row_days(record.plant, days, sp)[rows], axis=1)
        row_error = root_mean_square(np.minimum(found, last + 1) - recorded)
    return OwnFit(fit.requirement, fit.error, fit.mean_error, row_error, len(rows))


def judged(fit: OwnFit | str, *, row: bool, record: OwnDates | None) -> tuple[Kind, str]:
    """Which way to go for a plant, and what to say of it.

    fit : from `fit_own`; its reason, or nothing to say, where there is none
    row : the plant has a row in the species file; record : its own dates, None without
    """
    if isinstance(fit, str):
        why = f"; {fit}" if fit else ""
        return ("row" if row else "mean" if record is not None else "none"), why
    errors: dict[Kind, float] = {"sum": fit.error, "mean": fit.mean_error}
    if fit.row_error is not None:
        errors["row"] = fit.row_error
    # At a tie the simpler way: the row, then the mean.
    kinds: list[Kind] = [kind for kind in ("row", "mean", "sum") if kind in errors]
    best = min(kinds, key=lambda kind: errors[kind])
    words = {"sum": "thermal time fitted to them", "mean": "their mean", "row": "the published sum"}
    told = ", ".join(
        f"{words[kind]} {errors[kind]:.1f}" for kind in sorted(kinds, key=lambda k: errors[k])
    )
    lead = "" if best == "row" else {"sum": ", thermal time", "mean": ", mean day"}[best]
    return best, f"{lead}; days missed in {fit.springs} springs: {told}"


def has_row(plant: str, sp: Species) -> bool:
    """Whether the species file has the plant's start, base and sum."""
    return all(f"{plant}_{part}" in sp.food for part in ("start", "base", "sum"))


def row_days(plant: str, days: Spring, sp: Species) -> FloatArray:
    """Day of the year (member, draw) by the plant's row; part of the need not before the floor."""
    reached = own_sum_days(plant, getattr(sp.food, f"{plant}_sum"), days, sp)
    if plant not in sp.food.full_need_plants:
        reached = np.maximum(reached, days.ordinal_of(sp.food.early_floor))
    return reached


def own_sum_days(plant: str, needed: npt.ArrayLike, days: Spring, sp: Species) -> FloatArray:
    """Day of the year (member, draw) on which the plant's sum passes what is needed."""
    start, base = _start_and_base(plant, sp)
    days.require_from(start, plant)
    return days.reached(thermal_time(days.daily_mean, days.ordinal, start=start, base=base), needed)


def _start_and_base(plant: str, sp: Species) -> tuple[float, float]:
    """Of the plant's row, else those of the generic leaf-out."""
    name = plant if has_row(plant, sp) else "generic"
    return float(getattr(sp.food, f"{name}_start")), float(getattr(sp.food, f"{name}_base"))


def _same_day(day: int, year: int, other: int) -> int:
    """Day of another year with the same month and day (29 February: the 28th, where none is)."""
    if day <= _LAST_OF_FEBRUARY:
        return day
    return day + int(calendar.isleap(other)) - int(calendar.isleap(year))
