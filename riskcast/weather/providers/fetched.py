"""What a service gave: its rows, when it sent them, and how the asking went."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.base.nights import as_ns
from riskcast.weather.dataset import Note
from riskcast.weather.table import Table
from riskcast.weather.web.errors import AGAIN

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["Fetched", "coordinate", "height_m", "moment", "refused", "unusable"]

# Digits behind the point of a coordinate that leave this machine: about a kilometre, as exact
# as a grid needs and no nearer to the boxes.
_DECIMALS = 2

# Heights leave it in steps of so many metres, for the same reason; what is left of the
# difference (0.03 K at most) is corrected here.
_HEIGHT_STEP_M = 10


@dataclass(frozen=True)
class Fetched:
    """One answer of a service.

    Attributes
    ----------
    table : its rows, not yet judged
    answer_fetched_at : UTC moment at which the provider sent it
    from_cache, stale, problem : it was fetched earlier; it is past its time, and why nothing
        fresher was had, in one sentence
    notes : what has to be told about the asking, beyond the notes of the table
    reference_time : UTC moment of the forecast: the provider's own, or that of fetching where
        the provider does not tell
    asked : the service answered in this run, be it that nothing changed since
    """

    table: Table
    answer_fetched_at: np.datetime64
    from_cache: bool
    stale: bool
    problem: str
    notes: tuple[Note, ...]
    reference_time: np.datetime64
    asked: bool = True


def coordinate(degrees: float) -> str:
    """A coordinate as it may leave this machine."""
    return f"{degrees:.{_DECIMALS}f}"


def height_m(place: Place) -> str:
    """The height of a site as it may leave this machine, m."""
    return f"{round(place.elevation_m / _HEIGHT_STEP_M) * _HEIGHT_STEP_M:d}"


def moment(as_of: np.datetime64 | None) -> np.datetime64:
    """A UTC moment, datetime64[ns]; None = now, to the second."""
    if as_of is None:
        return as_ns(np.datetime64(round(time.time()), "s"))
    return as_ns(as_of)


def refused(source: str, what: str, remedy: str = AGAIN) -> WeatherError:
    """The error, one sentence, for an answer that came and cannot be used."""
    return WeatherError(f"{source} {what}; {remedy}.")


def unusable(source: str, error: WeatherError) -> WeatherError:
    """One sentence for the faults of an answer: the first of them, and how many more."""
    if not error.faults:
        return error
    first = error.faults[0]
    where = f"{first.where}: " if first.where else ""
    shown = f' "{first.value}"' if first.value else ""
    more = f"; {len(error.faults) - 1} more" if len(error.faults) > 1 else ""
    remedy = first.remedy.rstrip(".")
    what = f"sent an answer that cannot be used ({where}{first.problem.rstrip('.')}{shown}{more})"
    return refused(source, what, remedy[:1].lower() + remedy[1:] if remedy else AGAIN)
