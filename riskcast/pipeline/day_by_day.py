"""One animal's winter day by day: the futures of the assessment once more, written down by day.

Only `riskcast explain` asks; a run does not come here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from riskcast import physiology
from riskcast.report import DayByDay
from riskcast.risk import REFERENCE, Feeding

if TYPE_CHECKING:
    from riskcast.pipeline.run import Forecast
    from riskcast.risk import AnimalOutlook

__all__ = ["day_by_day"]

_CASES: tuple[Feeding, ...] = ("none", "found")


def day_by_day(made: Forecast, animal: AnimalOutlook) -> DayByDay | None:
    """What happens to an animal on each day, in both feeding cases.

    Same mass, onset, weather, draws and luck as in the assessment, so the same futures.

    Parameters
    ----------
    made : a forecast; nothing of it changes
    animal : of its assessment

    Returns
    -------
    DayByDay; None where the animal was not carried through the winter
    """
    evidence = made.evidence
    if animal.days_in_hand["none"].value is None:
        return None
    if animal.key == REFERENCE:
        names = {"animal": [REFERENCE]}
        mass = xr.DataArray([animal.body_mass_g], dims="animal", coords=names)
        onset = xr.DataArray([evidence.reference_onset], dims="animal", coords=names)
    else:
        assert evidence.autumn is not None  # else it had not been carried
        own = evidence.autumn.sel(animal=[animal.key])
        mass, onset = own["body_mass_g"], own["onset"]
    winter = {
        feeding: physiology.winter(
            made.nest, mass, made.sp, onset=onset, feeding=feeding, daily=True,
            issued_at=evidence.issued_at, draws=evidence.draws, seed=evidence.seed,
        ).isel(animal=0, drop=True)
        for feeding in _CASES
    }  # fmt: skip
    return DayByDay(
        label=animal.label,
        shares_shown=made.assessment.gate.passed,
        issued_at=np.datetime64(evidence.issued_at),
        onset=onset.isel(animal=0, drop=True),
        food_date=evidence.food["food_date"],
        nest=made.nest,
        winter=winter,
    )
