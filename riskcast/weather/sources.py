"""Where a run's weather comes from: each source in its turn, and how it went with each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.weather.access import Access, SourceReport
from riskcast.weather.dataset import REQUIRED, Course, Note
from riskcast.weather.files import expand, load
from riskcast.weather.forecasts import Forecast, newest
from riskcast.weather.services import SERVICES, files_instead

if TYPE_CHECKING:
    from riskcast.site import Place, Weather

__all__ = ["Gathered", "gather", "report_on"]


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
    config: Weather, place: Place, *, issued_at: np.datetime64, access: Access, years: int
) -> Gathered:
    """The forecast and the history of one site, each from the first source that has it.

    Parameters
    ----------
    config : ``[weather]`` of the site file
    place : ``[site]`` of the site file
    issued_at : UTC moment; nothing stamped or made later is used
    access : folders, network or none, progress
    years : past winters asked for, besides the running season

    Raises
    ------
    InputMissingError
        A named file is not there.
    WeatherError
        No source had a forecast, or none a history: one sentence for each that was tried.
    """
    for key in ("history", "forecast"):
        for name in config.forecast if key == "forecast" else (config.history,):
            if name in SERVICES:
                raise files_instead(key, name, place, issued_at, years)
    forecast = newest(config.forecast[0], place, issued_at)
    history = _one_course(load(expand(config.history), place, issued_at))
    reports = (
        report_on(
            forecast.course,
            Path(config.forecast[0]).name,
            "forecast",
            made_at=forecast.reference_time,
        ),
        report_on(history, Path(config.history).name, "history"),
    )
    return Gathered(forecast, history, (), tuple(replace(r, used=True) for r in reports))


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


def report_on(
    course: Course, source: str, role: str, *, made_at: np.datetime64 | None = None
) -> SourceReport:
    """How it went with a source that gave a course: what it covers, how far off, whose it is."""
    there = np.isfinite(course.values["air_temperature"]).any(axis=0)
    at = np.flatnonzero(there)
    away, gap = course.attrs.get("cell_distance_km"), course.attrs.get("height_gap_m")
    return SourceReport(
        source=source,
        role=role,
        reached=True,
        made_at=made_at,
        cell_distance_km=None if away is None else float(away),
        height_gap_m=None if gap is None else float(gap),
        first=course.times[at[0]] if len(at) else None,
        last=course.times[at[-1]] if len(at) else None,
        hours=len(at),
        licence=str(course.attrs.get("licence", "")),
        attribution=str(course.attrs.get("attribution", "")),
    )
