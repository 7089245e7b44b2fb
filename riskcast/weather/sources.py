"""Where a run's weather comes from: each source in its turn, and how it went with each."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import Fault, InputMissingError, WeatherError
from riskcast.site.fields import FORECAST_SERVICES as SERVICES
from riskcast.weather.access import Access, SourceReport
from riskcast.weather.dataset import REQUIRED, Course, Note, stamp
from riskcast.weather.files import expand, load
from riskcast.weather.forecast_search import Search, report_on
from riskcast.weather.forecasts import Forecast
from riskcast.weather.kept import history

if TYPE_CHECKING:
    from riskcast.site import Place, Weather
    from riskcast.weather.web import Web

__all__ = ["Gathered", "gather"]


@dataclass(frozen=True)
class Gathered:
    """All the weather one run is made of, and how it went with each source.

    Attributes
    ----------
    forecast : the first source in order that had one
    history : what was, one member, to `issued_at` at the latest
    notes : what has to be told about the sources, beyond the notes of the two courses
    reports : one a source that was tried, in the order of trying
    """

    forecast: Forecast
    history: Course
    notes: tuple[Note, ...]
    reports: tuple[SourceReport, ...]


def gather(
    config: Weather,
    place: Place,
    *,
    issued_at: np.datetime64,
    access: Access,
    years: int,
    web: Web | None = None,
) -> Gathered:
    """The forecast and the history of one site, each from the first source that has it.

    Sources of the forecast are tried in the order of the site file. The first fresh one is
    taken; where none is, the newest of those that were kept or are older than wanted. For a
    moment in the past (`access.live` false) only what was kept counts, because what a service
    says today was not known then; past weather is fetched all the same, and cut at
    `issued_at`.

    Parameters
    ----------
    config : ``[weather]`` of the site file
    place : ``[site]`` of the site file
    issued_at : UTC moment; nothing stamped or made later is used
    access : folders, network or none, progress
    years : past winters asked for, besides the running season
    web : the network, with limits of one's own; None = the usual ones

    Raises
    ------
    InputMissingError
        A named file is not there, and nothing else was named.
    WeatherError
        No source had a forecast, or none a history: one sentence for each that was tried,
        and the way out.
    """
    with contextlib.ExitStack() as stack:
        if web is None and {*config.forecast, config.history} & {*SERVICES}:
            web = stack.enter_context(_web(access))
        search = Search(config, place, issued_at, access, web)
        chosen = search.forecast()
        # Without a forecast there is no run: past winters can wait for one that has it.
        past = _history(search, years, ask=chosen is not None)
        if chosen is None or past is None:
            raise _nothing(search, "forecast" if chosen is None else "past weather")
        forecast = Forecast(
            chosen.course,
            chosen.made_at,
            chosen.notes,
            search.before(chosen),
            search.pairs(chosen, past),
        )
    return Gathered(forecast, past, _once(search.notes), tuple(search.reports.values()))


def _web(access: Access) -> Web:
    from riskcast.weather.web import Web  # the network libraries: only where a service is named

    return Web(access.cache, offline=access.offline, progress=access.progress)


def _history(search: Search, years: int, *, ask: bool) -> Course | None:
    if search.config.history in SERVICES:
        return _history_of_service(search, years, ask=ask)
    name = search.config.history.rstrip("/").rpartition("/")[2]
    try:
        paths = expand(search.config.history)
        course = load(paths, search.place, search.issued_at, search.config.table)
        course = _one_course(course)
    except (WeatherError, InputMissingError) as error:
        problem = " ".join(str(error).split())
        search.reports[f"{name} (history)"] = SourceReport(name, "history", False, problem)
        search.failures.append(error)
        return None
    search.reports[f"{name} (history)"] = replace(report_on(course, name, "history"), used=True)
    return course


def _history_of_service(search: Search, years: int, *, ask: bool) -> Course | None:
    access = search.access
    past = history.collect(
        search.config.open_meteo,
        search.place,
        issued_at=search.issued_at,
        years=years,
        cache=access.cache,
        web=search.web if ask and not access.offline else None,
        progress=access.progress,
    )
    search.notes += past.notes
    problem = past.problem
    usable = past.course is not None and past.have > 0
    if not usable and not problem:
        asked = "this run is offline" if access.offline else "it was not asked in this run"
        problem = f"{history.SOURCE} has nothing stored for this place, and {asked}."
    if past.course is None:
        report = SourceReport(history.SOURCE, "history", past.fetched, problem)
    else:
        report = replace(
            report_on(past.course, history.SOURCE, "history", made_at=past.fetched_at),
            reached=past.fetched,
            problem=problem,
            used=usable,
            from_cache=not past.fetched,
            stale=bool(problem) and not (past.fetched or past.waits),
        )
    search.reports[history.SOURCE] = report
    if not usable:
        if ask or access.offline:
            search.failures.append(WeatherError(problem))
        return None
    if problem and not past.waits:
        search.notes.append(Note("source_failed", {"source": history.SOURCE, "problem": problem}))
    assert past.course is not None
    return _one_course(past.course)


def _one_course(course: Course) -> Course:
    """The history as one course of what was, with all that a season needs.

    Raises
    ------
    WeatherError
    """
    if len(course.member) > 1:
        raise WeatherError(
            f"weather.history holds {len(course.member)} members, expected one course of what"
            " was. Give a reanalysis or a station here, and the ensemble as weather.forecast."
        )
    for name in REQUIRED:
        if name not in course.values:
            raise WeatherError(
                f"not enough data because weather.history has no {name}. Download it too;"
                " several files in one folder are read together."
            )
    return course


def _once(notes: Sequence[Note]) -> tuple[Note, ...]:
    return tuple({(note.code, *note.numbers.items()): note for note in notes}.values())


def _nothing(search: Search, what: str) -> WeatherError | InputMissingError:
    """One error with every source's sentence and the way out; a lone one stays as it is."""
    failures = search.failures
    services = {*search.config.forecast, search.config.history} & {*SERVICES}
    if len(failures) == 1 and not services:
        return failures[0]
    faults: list[Fault] = [fault for error in failures for fault in error.faults]
    lines = [f"no source has {'a forecast' if what == 'forecast' else what}."]
    lines += [f"  {' '.join(error.message.split())}" for error in failures if error.message]
    lines += [f"  {line}" for line in _way_out(search, what)]
    only_missing = failures and all(isinstance(error, InputMissingError) for error in failures)
    kind = InputMissingError if only_missing else WeatherError
    return kind("\n".join(lines), faults)


def _way_out(search: Search, what: str) -> list[str]:
    access = search.access
    named = {*search.config.forecast} if what == "forecast" else {search.config.history}
    if not named & {*SERVICES}:
        return []
    if what == "forecast" and not access.live:
        return [
            f"No forecast made by {stamp(search.issued_at)} was kept for this place: they are"
            " kept from the first run on. Give weather.forecast a file made by then, or leave"
            " --as-of out."
        ]
    if access.offline:
        return ["To fetch needs the network: run once without --offline."]
    key = "forecast" if what == "forecast" else "history"
    return [f"Try again later, or give weather.{key} a file."]
