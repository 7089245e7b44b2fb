"""A season of futures: what was, what is forecast, and then every past year in turn.

::

    observed ──> analysis ──> forecast members ══fade══> past years ──> 31 May
      history file │   forecast file    │
                   └────── issue ───────┘

All members share the weather up to issue. After the forecast each goes on with the same
dates of one past winter; the years are spread evenly over the members. A single forecast is
first dressed with its usual errors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather.access import Access, SourceReport
from riskcast.weather.credit import together
from riskcast.weather.dataset import (
    OPTIONAL,
    PROVENANCE,
    REQUIRED,
    Course,
    Note,
    hours,
    stamp,
    stamps,
    to_dataset,
)
from riskcast.weather.forecasts import Forecast
from riskcast.weather.futures.dressing import Dressed, dress, general_errors, own_errors
from riskcast.weather.futures.ground import ground_of, with_futures, with_past
from riskcast.weather.futures.join import (
    Axis,
    axis_of,
    covered,
    futures,
    past_years,
    so_far,
    usable,
)
from riskcast.weather.futures.past import (
    LEAST_SHARE,
    NORMAL_YEARS,
    annual_mean,
    share_present,
    winter_year,
)
from riskcast.weather.futures.trend import adjusted
from riskcast.weather.sources import gather

if TYPE_CHECKING:
    from riskcast.site import Place, Weather

__all__ = ["Season", "season"]

# More than a fifth of an optional variable missing in the season so far: it is left out.
_LEAST_OPTIONAL = 0.8

# A run about an earlier moment than this speaks of the past (a bare date is the end of its day).
_NOW = np.timedelta64(24, "h")

# Has a way of its own (`futures.ground`): forecasts do not tell of it.
_SOIL = "soil_temperature"


@dataclass(frozen=True)
class Season:
    """Weather from before issue to the end of the season, as it may come.

    Attributes
    ----------
    futures : Dataset (member, time); coordinates ``past_year(member)`` and
        ``forecast_member(member)`` name what each member is made of
    past_years : Dataset (member, time) of past winters, member = first year of the winter,
        time = the axis of `futures` (29 February holds 28 February where there was none);
        trend-adjusted where that was asked for: normals made of them are today's
    notes : what has to be told: staleness, gaps, short history …
    issued_at, reference_time : UTC moments of issue and of the forecast
    sources : how it went with each source of weather that was tried

    Both Datasets carry the same variables, and ``annual_mean_air_temperature`` (degC).
    ``soil_temperature`` has the deepest level of the history, if that has any. In `futures` it
    is what was measured until its attribute ``measured_until``, and from there each member's
    past winter as it was: `habitat.nest_temperature` joins the two.
    """

    futures: xr.Dataset
    past_years: xr.Dataset
    notes: tuple[Note, ...]
    issued_at: np.datetime64
    reference_time: np.datetime64
    sources: tuple[SourceReport, ...] = ()

    @property
    def age_hours(self) -> float:
        """Age of the forecast at issue, h."""
        return _hours_between(self.reference_time, self.issued_at)


def season(
    config: Weather,
    place: Place,
    *,
    issued_at: Any,
    seed: int = 0,
    access: Access | None = None,
) -> Season:
    """Build the season of futures and the past winters to compare it with.

    Parameters
    ----------
    config : ``[weather]`` of the site file
    place : ``[site]`` of the site file
    issued_at : UTC moment; nothing stamped or made later is read
    seed : which past year goes to which member; same inputs and seed, same numbers
    access : folders, network or none; None = the folder for what was fetched that `config`
        names, no shelf of forecasts, and the network where a service is named and
        `issued_at` is within a day of now

    Returns
    -------
    Season
        from 60 days before issue, or 1 August if that is earlier, to 31 May 23:00 UTC

    Raises
    ------
    InputMissingError
        A named file is not there.
    WeatherError
        No source had a forecast made by then, or none a history; faults of the files; not
        enough data.
    """
    moment = np.datetime64(issued_at, "ns")
    axis = axis_of(moment)
    reach = access or _own_access(config, moment)
    found = gather(config, place, issued_at=moment, access=reach, years=config.past_years)
    forecast, history = found.forecast, found.history
    years = _complete_years(history, axis, config.past_years)
    names, absent = _variables(history, forecast.course, axis, years)

    head = so_far(history, forecast.course, axis, names, forecast.before)
    ground, of_soil = ground_of(history, axis, years)
    past = with_past(past_years(history, axis, years, names), ground)
    shift_degc, shifted = 0.0, list[Note]()
    if config.trend_adjusted:
        past, shift_degc, shifted = adjusted(past, axis.winter)
    dressed, told = None, list[Note]()
    if len(forecast.course.member) == 1:
        dressed, told = _dressed(forecast, past, history, axis, shift_degc, seed)
    if dressed is None:
        joined = futures(head, forecast.course, past, axis, seed)
    else:
        joined = futures(head, dressed.course, past, axis, seed, dressed.year)

    course = replace(joined.course, attrs=_attrs(forecast, history, moment))
    course = with_futures(course, past, joined.past_year, ground)
    dataset = to_dataset(course, place, np.array(PROVENANCE)[joined.provenance])
    if ground is not None:
        dataset[_SOIL].attrs["measured_until"] = stamp(stamps([ground.measured_until])[0])
    dataset = dataset.assign_coords(
        past_year=("member", joined.past_year),
        forecast_member=("member", joined.forecast_member),
    )
    mean = annual_mean(history, years) + shift_degc
    return Season(
        futures=_with_mean(dataset, mean),
        past_years=_with_mean(to_dataset(past, place, "past_year"), mean),
        notes=(
            *found.notes,
            *_told_forecast(forecast, moment, config.max_age_hours),
            *told,
            *_told_years(years, config.past_years),
            *shifted,
            *joined.notes,
            *absent,
            *of_soil,
            *_told(forecast.course, "forecast"),
            *_told(history, "history"),
        ),
        issued_at=moment,
        reference_time=forecast.reference_time,
        sources=found.reports,
    )


def _own_access(config: Weather, issued_at: np.datetime64) -> Access:
    away = abs(np.datetime64("now", "ns") - issued_at)
    return Access(cache=config.cache_folder, live=bool(away <= _NOW))


def _dressed(
    forecast: Forecast,
    past: Course,
    history: Course,
    axis: Axis,
    shift_degc: float,
    seed: int,
) -> tuple[Dressed | None, list[Note]]:
    """Members of a single forecast, None where too little is known, and what is told of it."""
    coming = covered(forecast.course, axis)
    lead = np.maximum(coming - int(hours([forecast.reference_time])[0]), 0)
    errors, days = general_errors(lead), 0
    if forecast.pairs is not None and len(forecast.pairs.valid):
        errors, days = own_errors(forecast.pairs, history, lead, shift_degc)
    dressed = dress(
        forecast.course,
        past,
        history,
        coming=coming,
        errors=errors,
        shift_degc=shift_degc,
        seed=seed,
    )
    if dressed is None:
        return None, [Note("single_forecast")]
    numbers = {"members": len(dressed.course.member), "pairs": days}
    return dressed, [Note("dressed_forecast", numbers)]


def _complete_years(history: Course, axis: Axis, asked: int) -> list[int]:
    """The newest past winters with nearly all hours of the season, oldest first.

    The running winter is never one of them.
    """
    found: list[int] = []
    for year in range(axis.winter - 1, winter_year(history.start) - 1, -1):
        if len(found) == asked:
            break
        if share_present(history, REQUIRED, axis.in_winter(year)) >= LEAST_SHARE:
            found.append(year)
    return sorted(found)


def _variables(
    history: Course, forecast: Course, axis: Axis, years: list[int]
) -> tuple[list[str], list[Note]]:
    """Variables that are there from end to end; the others are absent, and said to be.

    Futures and past years are compared, so they hold the same variables.
    """
    for name in REQUIRED:
        if name not in forecast.values:
            raise WeatherError(
                f"not enough data because the forecast has no {name}."
                " Download it with this variable."
            )
    names, notes = list(REQUIRED), []
    for name in OPTIONAL:
        if name == _SOIL:
            continue
        source = _lacking(name, history, forecast, axis, years)
        if source is None:
            names.append(name)
        else:
            notes.append(Note("no_variable", {"name": name, "source": source}))
    return names, notes


def _lacking(
    name: str, history: Course, forecast: Course, axis: Axis, years: list[int]
) -> str | None:
    """Which source an optional variable cannot be taken from, None where it can."""
    if name not in history.values or share_present(history, (name,), axis.head) < _LEAST_OPTIONAL:
        return "history"
    coming = np.arange(
        max(axis.now + 1, forecast.start), forecast.start + usable(forecast, axis.now)
    )
    if name not in forecast.values or not all(
        np.isfinite(forecast.reach(name, coming, m)).all() for m in range(len(forecast.member))
    ):
        return "forecast"
    shares = [share_present(history, (name,), axis.in_winter(year)) for year in years]
    return "past_years" if min(shares, default=1.0) < LEAST_SHARE else None


def _attrs(forecast: Forecast, history: Course, issued_at: np.datetime64) -> dict[str, Any]:
    theirs, past = forecast.course.attrs, history.attrs
    out = {key: value for key, value in theirs.items() if key != "precipitation_stored"}
    out["reference_time"] = stamp(forecast.reference_time)
    out["issued_at"] = stamp(issued_at)
    for key in ("licence", "attribution"):
        out[key] = together([theirs.get(key), past.get(key)]) or "not stated in the files"
    for key in ("provider", "model", "cell_distance_km", "height_gap_m", "lapse_correction_degc"):
        if key in past:
            out[f"history_{key}"] = past[key]
    return out


def _with_mean(dataset: xr.Dataset, mean_degc: float) -> xr.Dataset:
    attrs = {"units": "degC", "long_name": "mean air temperature of whole past years"}
    return dataset.assign(annual_mean_air_temperature=((), mean_degc, attrs))


def _told(course: Course, source: str) -> list[Note]:
    return [replace(note, numbers={**note.numbers, "source": source}) for note in course.notes]


def _told_forecast(
    forecast: Forecast, issued_at: np.datetime64, max_age_hours: float
) -> list[Note]:
    notes = list(forecast.notes)
    age = _hours_between(forecast.reference_time, issued_at)
    if age > max_age_hours:
        numbers = {"age_hours": round(age, 1), "max_age_hours": float(max_age_hours)}
        notes.append(Note("stale_forecast", numbers))
    return notes


def _told_years(years: list[int], asked: int) -> list[Note]:
    notes = []
    if len(years) < asked:
        notes.append(Note("past_years_short", {"have": len(years), "asked": asked}))
    if len(years) < NORMAL_YEARS:
        notes.append(Note("normals_not_possible", {"have": len(years), "needed": NORMAL_YEARS}))
    return notes


def _hours_between(first: np.datetime64, last: np.datetime64) -> float:
    return float((last - first) / np.timedelta64(1, "h"))
