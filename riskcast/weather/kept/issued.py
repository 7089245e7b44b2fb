"""Forecasts as they were issued: kept, found again, and set against what came."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from riskcast.archive.forecasts import ForecastShelf, KeptForecast, rounded_place
from riskcast.base.errors import WeatherError
from riskcast.weather.cells import distance_deg, kilometres
from riskcast.weather.dataset import Course, Note, hours
from riskcast.weather.files import assemble
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.kept.cell_store import CellWeather, pack, to_table, unpack, with_marks

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = [
    "KEEP_DAYS",
    "RECENT",
    "Loaded",
    "course_of",
    "keep",
    "newest_kept",
    "pairs_with",
    "recent_days",
]

# A winter, the same winter of the year before, and a month to work on both (common practice,
# no source).
KEEP_DAYS = 400

# Past errors are learnt from the last one to three months of runs (Gneiting et al. 2005,
# Mon. Wea. Rev. 133, found 40 days best); older ones belong to another season.
_MOST_RUNS = 90

# Runs a few hours apart err alike: one a day is a pair of its own.
_LEAST_APART = np.timedelta64(20, "h")

# The first days of a forecast are near to what came; later hours of an older run are a guess
# (common practice, no source).
RECENT = np.timedelta64(48, "h")
_RECENT_RUNS = 40

# A shelf that is passed on must not tell the wood. The cells of fine grids, and a service that
# sends the place of the question back, are as exact as the question was.
_CELL_DIGITS = 1
_DISTANCE_STEP_KM = 5


@dataclass(frozen=True)
class Loaded:
    """A forecast taken from the shelf, fitted to the site."""

    course: Course
    source: str
    made_at: np.datetime64
    notes: tuple[Note, ...]


def keep(
    shelf: ForecastShelf | None, source: str, place: Place, weather: CellWeather
) -> tuple[Note, ...]:
    """Keep a forecast, and take away those older than `KEEP_DAYS`.

    In the file the place of the cell is rounded to 0.1°, and how far it is off to 5 km. A
    shelf that cannot be written stops no run: it is told, in the note that comes back.

    Parameters
    ----------
    source : as in file names, ``open-meteo.ensemble.ecmwf_ifs025``
    weather : with `made_at`
    """
    if shelf is None:
        return ()
    assert weather.made_at is not None
    made = _moment(weather.made_at)
    try:
        content = pack(_roughly_placed(weather, place))
        new = shelf.keep(source, place.latitude, place.longitude, made, content)
        if new:
            shelf.prune(made - dt.timedelta(days=KEEP_DAYS))
    except OSError as error:
        return (Note("forecast_not_kept", {"problem": error.strerror or str(error)}),)
    return ()


def _roughly_placed(weather: CellWeather, place: Place) -> CellWeather:
    if weather.cell is None:
        return weather
    latitude, longitude = weather.cell
    away = kilometres(float(distance_deg(latitude, longitude, place)))
    return replace(
        weather,
        cell=(round(latitude, _CELL_DIGITS), round(longitude, _CELL_DIGITS)),
        marks={
            **weather.marks,
            "cell_distance_km": float(_DISTANCE_STEP_KM * round(away / _DISTANCE_STEP_KM)),
        },
    )


def newest_kept(
    shelf: ForecastShelf | None, sources: Sequence[str], place: Place, issued_at: np.datetime64
) -> Loaded | None:
    """The newest forecast on the shelf made by `issued_at` that reaches beyond it.

    Parameters
    ----------
    sources : any of these; of two made in the same minute the first named counts
    """
    notes: list[Note] = []
    now = int(hours([issued_at])[0])
    kept = [one for one in _kept(shelf, place, issued_at) if one.source in sources]
    kept.sort(key=lambda one: (one.made_at, -sources.index(one.source)), reverse=True)
    for one in kept:
        try:
            weather = _read(one)
            if weather.start + weather.size - 1 <= now:
                continue
            course = course_of(weather, one.path.name, place)
        except WeatherError:
            notes.append(Note("forecast_unreadable", {"file": one.path.name}))
            continue
        return Loaded(course, one.source, _stamp(one), tuple(notes))
    return None


def course_of(weather: CellWeather, source: str, place: Place) -> Course:
    """A forecast of a cell as the hourly course of a site.

    Raises
    ------
    WeatherError
    """
    table = to_table(weather, source, place)
    return with_marks(assemble([table] if table else [], [], place, source), weather)


def recent_days(
    shelf: ForecastShelf | None, sources: Sequence[str], place: Place, issued_at: np.datetime64
) -> Course | None:
    """The days before issue, pieced together from kept forecasts.

    Each hour comes from the newest run that holds it, of that run's past days or of its first
    48 h; of an ensemble, from its first member.
    """
    pieces: list[tuple[str, CellWeather]] = []
    kept = [one for one in _kept(shelf, place, issued_at) if one.source in sources]
    for one in kept[:_RECENT_RUNS]:
        try:
            weather = _read(one)
        except WeatherError:
            continue
        until = min(_stamp(one) + RECENT, issued_at)
        size = int(hours([until])[0]) + 1 - weather.start
        if size > 0:
            pieces.append((one.path.name, _cut(weather, size)))
    tables = [to_table(piece, name, place) for name, piece in pieces]
    whole = [table for table in tables if table is not None]
    if not whole:
        return None
    try:
        return assemble(whole, [], place, "kept forecasts")
    except WeatherError:
        return None


def pairs_with(
    shelf: ForecastShelf | None,
    source: str,
    place: Place,
    history: Course,
    issued_at: np.datetime64,
) -> Pairs | None:
    """What the kept forecasts of a source said, beside what came, by lead; None where nothing.

    At most one run in 20 h, the newest 90 of them; of an ensemble, the mean of its members.
    Hours that the history itself lacks or had filled are left out.

    Parameters
    ----------
    history : of the same site; hours after `issued_at` must not be in it
    """
    parts: list[Pairs] = []
    for one in _apart(_kept(shelf, place, issued_at, source)):
        try:
            course = course_of(_read(one), one.path.name, place)
        except WeatherError:
            continue
        made = int(hours([_stamp(one)])[0])
        hour = course.start + np.arange(course.size)
        forecast = course.values["air_temperature"].mean(axis=0)
        observed = history.reach("air_temperature", hour)
        at = np.clip(hour - history.start, 0, history.size - 1)
        good = np.isfinite(forecast) & np.isfinite(observed) & (hour > made)
        good &= (course.filled == 0) & (history.filled[at] == 0)
        lead = (hour - made - 1) // 24
        parts.append(Pairs(course.times[good], lead[good], forecast[good], observed[good]))
    parts = [part for part in parts if len(part.valid)]
    if not parts:
        return None
    return Pairs(
        np.concatenate([part.valid for part in parts]),
        np.concatenate([part.lead_day for part in parts]),
        np.concatenate([part.forecast_degc for part in parts]),
        np.concatenate([part.observed_degc for part in parts]),
    )


def _kept(
    shelf: ForecastShelf | None, place: Place, issued_at: np.datetime64, source: str | None = None
) -> tuple[KeptForecast, ...]:
    if shelf is None:
        return ()
    here = rounded_place(place.latitude, place.longitude)
    try:
        return shelf.kept(source=source, place=here, until=_moment(issued_at))
    except OSError:
        return ()  # an unreadable shelf is told where it is written to


def _apart(kept: Sequence[KeptForecast]) -> Iterator[KeptForecast]:
    """The newest first, those too near to the one before left out."""
    taken: list[np.datetime64] = []
    for one in kept:
        if len(taken) == _MOST_RUNS:
            return
        if taken and taken[-1] - _stamp(one) < _LEAST_APART:
            continue
        taken.append(_stamp(one))
        yield one


def _read(one: KeptForecast) -> CellWeather:
    try:
        return unpack(one.path.read_bytes(), one.path.name)
    except OSError as error:
        raise WeatherError(f"{one.path.name}: cannot be read ({error.strerror}).") from None


def _cut(weather: CellWeather, size: int) -> CellWeather:
    """The first hours of the first member."""
    window = slice(0, min(size, weather.size))
    return CellWeather(
        start=weather.start,
        member=np.zeros(1, dtype=np.int64),
        values={name: array[:1, window] for name, array in weather.values.items()},
        filled=weather.filled[window],
        gap=weather.gap[window],
        depth=weather.depth,
        cell=weather.cell,
        elevation_m=weather.elevation_m,
        attrs=weather.attrs,
        marks=weather.marks,
        made_at=weather.made_at,
    )


def _moment(time: np.datetime64) -> dt.datetime:
    """Aware and to the microsecond, as the archive dates things."""
    naive: dt.datetime = time.astype("datetime64[us]").astype(dt.datetime)
    return naive.replace(tzinfo=dt.UTC)


def _stamp(one: KeptForecast) -> np.datetime64:
    return np.datetime64(one.made_at.replace(tzinfo=None), "ns")
