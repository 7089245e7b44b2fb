"""Past weather from a service: fetched once for a cell, a winter at a time, over several days.

The newest winters come first, so that the comparison with past years grows by the most
useful ones; what the day's allowance of calls does not cover is fetched at a later run.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskcast.archive.forecasts import rounded_place
from riskcast.base.errors import WeatherError
from riskcast.weather.access import silent
from riskcast.weather.dataset import REQUIRED, Course, Note, hours, stamps
from riskcast.weather.files import assemble
from riskcast.weather.futures.join import axis_of
from riskcast.weather.futures.past import winter_year
from riskcast.weather.kept.cell_store import CellWeather, of_site, to_table
from riskcast.weather.kept.winter_store import (
    Winter,
    WinterStore,
    empty,
    known_until,
    merged,
    whole,
    year_hours,
)
from riskcast.weather.providers import open_meteo
from riskcast.weather.providers.fetched import moment
from riskcast.weather.table import Table
from riskcast.weather.web import SourceError

if TYPE_CHECKING:
    from riskcast.site import OpenMeteo, Place
    from riskcast.weather.web import Web

__all__ = ["SOURCE", "Past", "collect"]

SOURCE = "open-meteo archive"

# ERA5 is about five days behind (the service's documentation): a stretch that begins later
# has nothing in it yet.
_DELAY = np.timedelta64(6, "D")

# Preliminary days are corrected now and then: the last ones are asked for once more.
_AGAIN_HOURS = 5 * 24

# The archive grows by a day a day: asking more often in a day brings nothing.
_FRESH = np.timedelta64(12, "h")

# By then the last hours of a winter year are in, or never will be. What is lacking after that
# is asked for again, but not for ever (common practice, no source).
_SETTLED = np.timedelta64(30, "D")
_RETRY = np.timedelta64(30, "D")
_MOST_RETRIES = 3

# Years that a service does not have follow each other: two refused, and the rest can wait.
_MOST_REFUSED = 2

# Today's forecast comes first: past winters, which can wait, leave it a tenth of the calls.
_SHARE_OF_DAY = 0.9


@dataclass(frozen=True)
class Past:
    """What is known of the past of a site.

    Attributes
    ----------
    course : all stored winters to `issued_at`, one member; None where nothing is stored
    have, asked : past winters stored, and wanted
    problem : why no more could be fetched, one sentence; empty where nothing went wrong
    waits : the only reason is that the calls it allows are spent for now
    fetched : the service answered in this run
    fetched_at : UTC moment of the newest answer in it
    notes : ``history_incomplete``, ``cache_not_kept``, and those of the asking
    """

    course: Course | None
    have: int
    asked: int
    problem: str
    waits: bool
    fetched: bool
    fetched_at: np.datetime64 | None
    notes: tuple[Note, ...]


@dataclass
class _Asking:
    """One visit to the service: what it may do, and how it went."""

    web: Web
    settings: OpenMeteo
    place: Place
    now: np.datetime64
    fetched: bool = False
    problem: str = ""
    waits: bool = False
    refused: int = 0
    notes: list[Note] = field(default_factory=list)


def collect(
    settings: OpenMeteo,
    place: Place,
    *,
    issued_at: np.datetime64,
    years: int,
    cache: Path,
    web: Web | None = None,
    now: np.datetime64 | None = None,
    progress: Callable[[str], None] = silent,
) -> Past:
    """The running season and so many past winters, from the disk, else from the service.

    Parameters
    ----------
    settings : ``[weather.open-meteo]``; another `history_model` is stored apart
    place : the site; its cell of 0.1° is what is asked for and stored, for all sites in it
    issued_at : UTC moment; later hours may be stored but are not in the course
    years : past winters wanted
    web : the network; None = only what is stored
    now : UTC moment by the clock; None = ask the clock
    progress : told each winter

    Raises
    ------
    Nothing: what could not be had is told in `Past.problem` and its notes.
    """
    clock = moment(now)
    wanted, past = _wanted(issued_at, years, clock)
    name = rounded_place(place.latitude, place.longitude)
    store = WinterStore(cache / "history" / f"open-meteo-{settings.history_model}" / name)
    stored = store.load(wanted)
    asking = None
    if web is not None:
        share = max(1, int(settings.calls_a_day * _SHARE_OF_DAY))
        rationed = settings.model_copy(update={"calls_a_day": share})
        asking = _Asking(web, rationed, place, clock)
        _fetch_all(asking, store, stored, wanted, past, progress)
    course = _course(store, stored, place, issued_at)
    extra = len(past) - years  # a season that begins before July needs half a winter more
    have = max(0, sum(_has_values(stored.get(year)) for year in past) - extra)
    notes = [*store.notes, *(asking.notes if asking else ())]
    if have < years and any(_may_come(stored.get(year)) for year in past):
        notes.append(Note("history_incomplete", {"have": have, "asked": years}))
    return Past(
        course,
        have,
        years,
        asking.problem if asking else "",
        asking.waits if asking else False,
        asking.fetched if asking else False,
        max((w.fetched_at for w in stored.values() if _has_values(w)), default=None),
        tuple({(n.code, *n.numbers.items()): n for n in notes}.values()),
    )


def _wanted(
    issued_at: np.datetime64, years: int, now: np.datetime64
) -> tuple[list[int], list[int]]:
    """Winter years to have, the newest first, and those of them that are past winters."""
    axis = axis_of(issued_at)
    begins = winter_year(int(axis.hour[0]))  # a year earlier than it ends in, for June and July
    newest = axis.winter
    wanted = list(range(newest, begins - years - 1, -1))
    ready = int(hours([now - _DELAY])[0])
    past = [year for year in wanted if year < newest]
    return [year for year in wanted if year_hours(year)[0] <= ready], past


def _has_values(winter: Winter | None) -> bool:
    return winter is not None and known_until(winter.weather) is not None


def _may_come(winter: Winter | None) -> bool:
    """It is not there, and has not been asked for in vain as often as is sensible."""
    return not _has_values(winter) and (winter is None or winter.asked < _MOST_RETRIES)


def _fetch_all(
    asking: _Asking,
    store: WinterStore,
    stored: dict[int, Winter],
    wanted: list[int],
    past: list[int],
    progress: Callable[[str], None],
) -> None:
    """Ask for what is due, newest first, until all is there or the service has had enough."""
    for year in wanted:
        winter = stored.get(year)
        first = _due(year, winter, asking.now)
        if first is None:
            continue
        if year in past:
            done = sum(_has_values(stored.get(y)) for y in past)
            progress(f"history {min(done + 1, len(past))} of {len(past)} winters")
        else:
            progress("history of this season")
        try:
            found = _fetch_year(asking, year, first, winter)
        except SourceError as error:
            # The service is well: it is its allowance of calls that is spent for now.
            asking.waits = not error.passing and error.wait_s is not None
            asking.problem = str(error)
            # "No such dates" is an answer where others came in this run; all else can pass.
            if not (asking.fetched and _final(error) and _is_settled(year, asking.now)):
                return
            found = _refused(asking, year, winter)
        except WeatherError as error:
            asking.problem = " ".join(str(error).split())
            if not _is_settled(year, asking.now):
                continue
            found = _refused(asking, year, winter)
        if found is None:
            return  # a kept copy, because the service could not be asked
        stored[year] = found
        store.save(year, found)
        if asking.refused >= _MOST_REFUSED:
            return


def _final(error: SourceError) -> bool:
    passes = error.passing or error.retry_tomorrow or error.wait_s is not None
    return error.reached and not passes


def _refused(asking: _Asking, year: int, winter: Winter | None) -> Winter:
    """The year marked as asked for: what was stored of it stays."""
    asking.refused += 1
    before = winter or Winter(empty(year), asking.now)
    return replace(before, fetched_at=asking.now, asked=before.asked + 1)


def _is_settled(year: int, now: np.datetime64) -> bool:
    return bool(now - stamps([year_hours(year)[1]])[0] > _SETTLED)


def _due(year: int, winter: Winter | None, now: np.datetime64) -> int | None:
    """The hour from which to ask for more of a year; None where there is nothing to ask."""
    first, last = year_hours(year)
    if winter is None:
        return first
    age = now - winter.fetched_at
    if age < np.timedelta64(0):  # written under a clock that has been set back since
        age = _RETRY + np.timedelta64(1, "h")
    if _is_settled(year, now):
        if whole(winter.weather, year):
            return None
        again = not winter.asked or (winter.asked < _MOST_RETRIES and age > _RETRY)
        return first if again else None
    known = known_until(winter.weather)
    if known is None:
        return first if age > _FRESH else None
    if known >= min(last, _yesterday(now)) or age < _FRESH:
        return None
    return max(first, known - _AGAIN_HOURS)


def _yesterday(now: np.datetime64) -> int:
    """Last hour of the day before, UTC: today is asked of the forecast."""
    return int(hours([now])[0]) // 24 * 24 - 1


def _fetch_year(asking: _Asking, year: int, first: int, winter: Winter | None) -> Winter | None:
    """A year with what the service has from an hour on; None where it could not be asked.

    Raises
    ------
    SourceError, WeatherError
    """
    start, end = year_hours(year)
    last = min(end, _yesterday(asking.now))
    fresh, fetched_at = _fetch(asking, first, last)
    if fresh is None:
        return None
    settled = _is_settled(year, asking.now)
    weather: CellWeather | None = fresh
    if winter is not None and _has_values(winter):
        weather = merged(winter.weather, fresh)
        if weather is None and first > start:  # another grid since: the whole year anew
            fresh, fetched_at = _fetch(asking, start, last)
        weather = weather or fresh
    if weather is None:
        return None
    asked = (winter.asked if winter else 0) + settled
    return Winter(weather, fetched_at, asked)


def _fetch(asking: _Asking, first: int, last: int) -> tuple[CellWeather | None, np.datetime64]:
    """Hours of the cell that passed the checks; None for a kept copy past its time."""
    latitude, longitude = round(asking.place.latitude, 1), round(asking.place.longitude, 1)
    days = stamps([first, last]).astype("datetime64[D]")
    got = open_meteo.fetch_archive(
        asking.web, asking.settings, latitude, longitude, days[0], days[1], asking.place
    )
    asking.notes += got.notes
    if got.stale:
        asking.problem = got.problem
        return None, got.answer_fetched_at
    asking.fetched = True
    table = _without_tail(got.table)
    cell, elevation_m = table.cell, table.elevation_m
    course = assemble([table], [], asking.place, SOURCE)
    return of_site(course, asking.place, cell, elevation_m), got.answer_fetched_at


def _without_tail(table: Table) -> Table:
    """The rows to the last one with all that is required: later ones are not known yet."""
    known = [np.isfinite(table.values[n][0]) for n in REQUIRED if n in table.values]
    at = np.flatnonzero(np.all(known, axis=0)) if known else np.zeros(0, dtype=int)
    if not len(at):
        return table  # judged as it is
    rows = slice(0, int(at[-1]) + 1)
    values = {name: array[:, rows] for name, array in table.values.items()}
    return replace(table, time=table.time[rows], row=table.row[rows], values=values)


def _course(
    store: WinterStore, stored: dict[int, Winter], place: Place, issued_at: np.datetime64
) -> Course | None:
    """All stored winters to `issued_at` as one course of the site."""
    years = [year for year in sorted(stored, reverse=True) if _has_values(stored[year])]
    try:
        return _joined(stored, years, place, issued_at)
    except WeatherError:  # a file that was changed by hand, or rules that became stricter
        sound = []
        for year in years:
            try:
                _joined(stored, [year], place, issued_at)
            except WeatherError:
                store.set_aside(year)
                del stored[year]
            else:
                sound.append(year)
        return _joined(stored, sound, place, issued_at)


def _joined(
    stored: dict[int, Winter], years: list[int], place: Place, issued_at: np.datetime64
) -> Course | None:
    tables = []
    for year in years:
        table = to_table(stored[year].weather, f"{year}.nc", place, until=issued_at)
        if table is not None and np.isfinite(table.values["air_temperature"]).any():
            tables.append(table)
    return assemble(tables, [], place, SOURCE) if tables else None
