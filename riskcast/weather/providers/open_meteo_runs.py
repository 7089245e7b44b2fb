"""Open-Meteo's previous runs: what a model foretold for an hour, by how far ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.weather.formats.text import fine
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.providers.open_meteo_body import hourly_of, numbers, times_of
from riskcast.weather.table import Table, refuse
from riskcast.weather.units import UnitError, convert

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["LEADS", "pairs_of"]

LEADS = (1, 2, 3, 4, 5, 6, 7)  # days; the most there is

_NOW = "temperature_2m"


def pairs_of(body: bytes, source: str, place: Place, as_of: np.datetime64 | None = None) -> Pairs:
    """Air temperatures by lead, each with what the newest run says of the same hour.

    ``temperature_2m_previous_day3`` at an hour is the newest forecast for it that was made
    three whole days before, and so on: a true lead, not a splice of first hours. Observed
    is ``temperature_2m``, the newest run at that hour: the model's own analysis or its first
    hours, not a thermometer. Errors found so are those of the forecast against its own later
    knowledge; an error that the model makes at every lead (a valley it does not see) is not
    in them, so spreads made of them are rather too narrow than too wide.

    Parameters
    ----------
    body : an answer of the previous-runs address
    source, place : as in `open_meteo_body.read`
    as_of : UTC moment; later hours are not looked at

    Returns
    -------
    Pairs
        Without the hours that lack one of the two; leads the model does not have are absent.

    Raises
    ------
    NotWhole, WeatherError
        No whole JSON; an error of the provider's; no pair at all.
    """
    answer, hourly, units = hourly_of(body, source, place)
    valid = fine(times_of(answer, hourly, units, source))
    table = Table(source, valid, np.arange(1, len(valid) + 1), "time step", np.zeros(1, np.int64))
    keys = [_NOW, *(f"{_NOW}_previous_day{lead}" for lead in LEADS)]
    columns = {}
    for key in keys:
        found = numbers(hourly[key], key, len(valid), table) if key in hourly else None
        if found is None or not np.isfinite(found).any():
            continue
        try:
            columns[key], _ = convert(found, str(units.get(key, "")), "temperature")
        except UnitError as error:
            table.fault(f"hourly {key}", str(error), str(units.get(key, "")), "Ask for celsius.")
    if table.faults:
        raise WeatherError(faults=table.faults)
    known = ~np.isnat(valid) if as_of is None else valid <= as_of
    parts = []
    for lead in LEADS:
        if _NOW in columns and f"{_NOW}_previous_day{lead}" in columns:
            foretold, came = columns[f"{_NOW}_previous_day{lead}"], columns[_NOW]
            both = known & np.isfinite(foretold) & np.isfinite(came)
            parts.append((valid[both], np.full(both.sum(), lead), foretold[both], came[both]))
    if not any(len(part[0]) for part in parts):
        problem = "the model has no earlier runs of this place."
        raise refuse(source, "hourly", problem, remedy="Name another forecast model.")
    return Pairs(*(np.concatenate(column) for column in zip(*parts, strict=True)))
