"""Open-Meteo's answers as JSON: one place or a list of them, one course or many members.

Each array of ``hourly`` has the name of a variable (and of a member) and its units in
``hourly_units``. Those are read with every answer, because one parameter of the request can
change them elsewhere: rain asked for in inches brings snow in feet. Stamps carry one fixed
offset, valid at the moment of asking, whatever the rules of the time zone say: UTC is the
stamp minus ``utc_offset_seconds``. Unix time is UTC. Missing is ``null``, and a whole array
of it means that the model has no such variable.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from riskcast.weather.cells import distance_deg
from riskcast.weather.dataset import Note, Values
from riskcast.weather.formats.columns import Column, choose, fill
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.text import fine, utc
from riskcast.weather.providers.json_numbers import array, number
from riskcast.weather.providers.open_meteo_names import (
    ATTRIBUTION,
    VARIABLE_MAP,
    soil_depth_m,
    split,
)
from riskcast.weather.table import Table, derive, readable, refuse
from riskcast.weather.web.errors import NotWhole

if TYPE_CHECKING:
    from riskcast.base.errors import WeatherError
    from riskcast.site import Place

__all__ = ["hourly_of", "numbers", "read", "times_of", "told_error"]

# The server breaks off with these words, with status 200 and perhaps in the middle of a number.
_BROKEN_OFF = b"Unexpected error while streaming data"
_SHOWN = 160
# A reason may repeat the place of the question; what is said of a failure is passed on.
_DECIMAL = re.compile(r"-?\d+\.\d+")
_NO_HOURS = "Ask for hourly=temperature_2m,precipitation and more."
_MOST_OFFSET_S = 86_400.0
_UNITS_REMEDY = "Ask for celsius, mm and m/s; each array needs its units in hourly_units."


def read(
    body: bytes, source: str, place: Place, as_of: np.datetime64 | None = None
) -> Table | None:
    """Rows of an answer up to `as_of`, or None where it has none yet.

    Parameters
    ----------
    body : an answer of the forecast, ensemble, archive or previous-runs address, as it came
    source : what to call it in faults: the file's name, or the service
    place : the site; of an answer for several places the nearest is read
    as_of : UTC moment; rows stamped later are not looked at

    Returns
    -------
    Table
        One member, or one a member of the ensemble (0 = the control run). An array that is
        null throughout is left out; all but soil temperature, which most models lack, with
        the note ``null_column``.

    Raises
    ------
    NotWhole
        No whole JSON.
    WeatherError
        The provider tells an error, or the answer is no hourly weather.
    """
    answer, hourly, units = hourly_of(body, source, place)
    times = times_of(answer, hourly, units, source)
    keep = readable(times, None if as_of is None else as_of.astype("datetime64[us]"))
    if not len(keep):
        return None
    row = np.arange(1, len(times) + 1, dtype=np.int64)[keep]
    table = Table(source, fine(times[keep]), row, "time step", np.zeros(1, dtype=np.int64))
    table.attrs |= ATTRIBUTION
    where = (number(answer.get(key)) for key in ("latitude", "longitude", "elevation"))
    locate(table, place, *where)
    columns: list[Column] = []
    cells: dict[str, Values] = {}
    for key, values in hourly.items():
        column = _column(str(key), units)
        if column is None:
            continue
        found = numbers(values, str(key), len(times), table)
        if found is not None:
            columns.append(column)
            cells[column.heading] = found[keep]
    columns = _with_values(columns, cells, table)
    if not table.faults:
        names = [str(key) for key in hourly]
        columns = choose(columns, table, "hourly", names, needs_air=True)
    if columns and not table.faults:
        stacked = np.stack([cells[column.heading] for column in columns], axis=1)
        fill(table, columns, stacked, _UNITS_REMEDY)
        derive(table)
    return table


def hourly_of(
    body: bytes, source: str, place: Place
) -> tuple[Mapping[str, Any], Mapping[str, Any], Mapping[str, Any]]:
    """The answer for the place, its hourly arrays and their units.

    Raises
    ------
    NotWhole
    WeatherError
    """
    answer = _of_place(_json(body), source, place)
    if answer.get("error"):
        raise told_error(answer, source)
    hourly, units = answer.get("hourly"), answer.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        problem = "the answer holds no hourly values."
        raise refuse(source, "", problem, remedy=_NO_HOURS)
    return answer, hourly, units


def told_error(answer: Mapping[str, Any], source: str) -> WeatherError:
    """The fault of an answer that is the provider's own error, with the reason it gives."""
    return refuse(
        source,
        "reason",
        "the provider answers with an error.",
        _DECIMAL.sub("…", str(answer.get("reason", "no reason given")))[:_SHOWN],
        "Compare the address, the model and the dates with the provider's pages.",
    )


def _json(body: bytes) -> Any:
    if _BROKEN_OFF in body:
        raise NotWhole("the provider broke off in the middle of its answer")
    try:
        return json.loads(body)
    except ValueError:  # also a broken UTF-8 sequence
        raise NotWhole("the answer is no whole JSON") from None
    except RecursionError:
        raise NotWhole("the answer is no JSON of this provider") from None


def _of_place(answer: Any, source: str, place: Place) -> Mapping[str, Any]:
    """The answer itself, or of a list of places the nearest one."""
    if isinstance(answer, dict):
        return answer
    places = [item for item in answer if isinstance(item, dict)] if isinstance(answer, list) else []
    where = [(number(item.get("latitude")), number(item.get("longitude"))) for item in places]
    known = [
        (item, lat, lon)
        for item, (lat, lon) in zip(places, where, strict=True)
        if lat is not None and lon is not None
    ]
    if not known:
        problem = "this is JSON, but no weather of this provider."
        raise refuse(source, "", problem, remedy=_NO_HOURS)
    away = distance_deg([lat for _, lat, _ in known], [lon for _, _, lon in known], place)
    # Places that share a cell differ in the height they stand for.
    heights = [number(item.get("elevation")) for item, _, _ in known]
    gaps = [np.inf if h is None else abs(h - place.elevation_m) for h in heights]
    return known[int(np.lexsort(np.array([gaps, np.round(away, 6)]))[0])][0]


def times_of(
    answer: Mapping[str, Any], hourly: Mapping[str, Any], units: Mapping[str, Any], source: str
) -> npt.NDArray[np.datetime64]:
    """(row,) datetime64[us] UTC of the hourly arrays; NaT where a stamp cannot be read.

    Raises
    ------
    WeatherError
        No stamps, or an offset from UTC that is no number.
    """
    stamps = hourly.get("time")
    if not isinstance(stamps, list) or not stamps:
        raise refuse(source, "hourly", "there is no time in it.", remedy=_NO_HOURS)
    offset = number(answer.get("utc_offset_seconds", 0), _MOST_OFFSET_S)
    if offset is None:
        shown = str(answer["utc_offset_seconds"])[:_SHOWN]
        problem = "expected a number of seconds, a day at most."
        raise refuse(source, "utc_offset_seconds", problem, shown, "Ask with timezone=GMT.")
    return utc([str(stamp) for stamp in stamps], offset)


def numbers(values: Any, key: str, count: int, table: Table) -> Values | None:
    """(row,) float64 of an array, NaN for null; a fault of the table and None if it is none."""
    if not isinstance(values, list) or len(values) != count:
        have = len(values) if isinstance(values, list) else 0
        problem = f"{have} values for {count} times: the arrays are not equally long."
        table.fault(f"hourly {key}", problem, remedy="Ask again.")
        return None
    found, strange = array(values)
    if found is None:
        shown = str(strange)[:_SHOWN]
        table.fault(f"hourly {key}", "a value is no number of weather.", shown, "Ask again.")
    return found


def _with_values(
    columns: Sequence[Column], cells: Mapping[str, Values], table: Table
) -> list[Column]:
    """The columns of all variables that have a value anywhere; the others are told.

    Their units need not be known: a model without the variable states "undefined".
    """
    there = {c.name for c in columns if np.isfinite(cells[c.heading]).any()}
    lacking = dict.fromkeys(c.name for c in columns if c.name not in there)
    for name in lacking:
        if name == "air_temperature":
            problem = (
                "temperature_2m is null throughout: the model has none for this place and time."
            )
            table.fault("hourly", problem, remedy="Name another model in the site file.")
        elif name not in ("soil_temperature", "dew_point"):
            table.notes.append(Note("null_column", {"name": name, "source": table.source}))
    kept = [c for c in columns if c.name in there]
    # Of the layers of soil each stands for itself.
    return [c for c in kept if c.depth is None or np.isfinite(cells[c.heading]).any()]


def _column(key: str, units: Mapping[str, Any]) -> Column | None:
    """What an array holds, or None where it is not wanted here."""
    name, member, model = split(key)
    depth = soil_depth_m(name)
    ours = "soil_temperature" if depth is not None else VARIABLE_MAP.get(name)
    if ours is None:
        return None
    stated = units.get(key)
    return Column(key, ours, member, None if stated is None else str(stated), model, depth)
