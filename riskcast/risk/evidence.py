"""Everything the risks are read from: finished Datasets, put together by the pipeline."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.risk.assessment import Feeding, Reason

__all__ = ["NEXT_DAYS", "NEXT_WEEK", "REFERENCE", "TO_DATE", "WEEK_DAYS", "Evidence"]

# The reference animal's name along the `animal` dimension.
REFERENCE = "reference"
# Stretches of weather whose mean cost is compared with the past years.
NEXT_DAYS, NEXT_WEEK, TO_DATE = "next_days", "next_week", "to_date"
# A week is shown beside the window that the risk asks about: forecasts hold for about as long.
WEEK_DAYS = 7
_HALF = 0.5


@dataclass(frozen=True)
class Evidence:
    """Finished results of the rooms below, on common members and draws.

    futures, past : weather (member, time); the members of `past` are winter years
    nights : (member, night) of the futures
    animals : one row a current animal; column ``carried`` says whether it was carried
    autumn : mass and onset of the carried animals (animal, member, draw); None = no animal
    winter : per feeding case, carried animals and the reference (animal, member, draw)
    normal_winter : the same animals, same mass and onset, in the past years' weather, unfed
    reference_onset : when the reference animal goes in, here and in the past years
    food, past_food : first_food_date, food_date (member, draw)
    emergence : (member, draw)
    spend, past_spend : mean cost (member, draw) of the `NEXT_DAYS`, the `NEXT_WEEK` and
        the season `TO_DATE`; a window that makes no sense on the day is not there
    gap_cost : grams per gram from emergence to food (member, draw)
    need_from : onset of the reference animal, or issue if that is later
    spent_to_food : grams per gram an unfed animal spends from `need_from` to the food date
    gate_share : share of well-fed adults that reach the food date in past years
    weather_notes : what the weather room had to say of its data
    """

    issued_at: np.datetime64
    issued_on: dt.date
    end: np.datetime64
    timezone: str
    draws: int
    seed: int
    target_mass_g: float
    futures: xr.Dataset
    past: xr.Dataset
    nights: xr.Dataset
    animals: pd.DataFrame
    autumn: xr.Dataset | None
    winter: dict[Feeding, xr.Dataset]
    normal_winter: xr.Dataset | None
    reference_onset: np.datetime64
    food: xr.Dataset
    emergence: xr.DataArray
    spend: Mapping[str, xr.Dataset]
    past_spend: Mapping[str, xr.Dataset]
    gap_cost: xr.DataArray
    need_from: np.datetime64
    spent_to_food: xr.DataArray
    gate_share: float | None
    weather_notes: tuple[Reason, ...] = ()

    @property
    def past_years(self) -> int:
        """How many past winters there are to compare with."""
        return int(self.past.sizes["member"])

    @property
    def food_is_late(self) -> npt.NDArray[np.bool_]:
        """(member, draw): enough food comes after the series, nobody knows when."""
        late = self.food["food_date"].isnull().transpose("member", "draw")
        return np.asarray(late.values)

    @property
    def food_mostly_late(self) -> bool:
        """In half of the futures or more: then their median has no date."""
        return bool(self.food_is_late.mean() >= _HALF)
