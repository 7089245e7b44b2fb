"""How far one run may reach for weather: folders, network, clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from riskcast.archive import ForecastShelf

__all__ = ["Access", "SourceReport", "silent"]


def silent(_: str) -> None:
    """Progress for those who do not want to see it."""


@dataclass(frozen=True)
class Access:
    """What a run may use to get weather.

    Attributes
    ----------
    cache : folder for what was fetched, shared by all sites of this account
    shelf : forecasts as they were issued; None keeps none
    offline : never touch the network
    live : the run speaks from now; for an earlier moment no new forecast is fetched, because
        it was not known then
    progress : told each step, in a few words
    """

    cache: Path
    shelf: ForecastShelf | None = None
    offline: bool = False
    live: bool = True
    progress: Callable[[str], None] = silent


@dataclass(frozen=True)
class SourceReport:
    """How it went with one source of weather, for `riskcast check` and `fetch`.

    Attributes
    ----------
    source : as the keeper knows it, ``"open-meteo ensemble"`` or a file's name
    role : "forecast", "history" or "analysis" (the days between the two)
    reached : the source answered, or the file was read, in this run
    problem : one sentence on what went wrong; empty if nothing
    used : the season is made of it
    from_cache, stale : it was fetched earlier; it is past its time and nothing fresher was had
    made_at : UTC moment of issue (forecast) or of fetching (history); None if unknown
    cell_distance_km, height_gap_m : None where the source does not say
    first, last, hours : stretch with values, and how many hours of it have them
    licence, attribution : the provider's words
    """

    source: str
    role: str
    reached: bool
    problem: str = ""
    used: bool = False
    from_cache: bool = False
    stale: bool = False
    made_at: np.datetime64 | None = None
    cell_distance_km: float | None = None
    height_gap_m: float | None = None
    first: np.datetime64 | None = None
    last: np.datetime64 | None = None
    hours: int = 0
    licence: str = ""
    attribution: str = ""
