"""Open-Meteo: forecasts of ensembles and of single models, past weather, and past forecasts.

Free for non-commercial use, without a key; data under CC BY 4.0, with a link to the provider
beside them (open-meteo.com, "Terms" and "Licence"). Answers are asked for in GMT: a local
zone would be one fixed offset for the whole answer, in summer and in winter.

What each address has was read in the provider's documentation and in the server's source
(open-meteo/open-meteo, 2023 to 2026).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.weather import open_meteo_body
from riskcast.weather.dataset import stamp
from riskcast.weather.fetched import Fetched, coordinate, height_m, moment
from riskcast.weather.open_meteo_body import CutOffError
from riskcast.weather.open_meteo_calls import call_weight, members_of
from riskcast.weather.open_meteo_names import VARIABLE_MAP
from riskcast.weather.open_meteo_runs import LEADS, pairs_of
from riskcast.weather.pairs import Pairs
from riskcast.weather.table import Table, refuse

if TYPE_CHECKING:
    from riskcast.site import OpenMeteo, Place
    from riskcast.weather.web import Answer, Web

__all__ = [
    "SERVICE",
    "SOIL",
    "VARIABLES",
    "VARIABLE_MAP",
    "call_weight",
    "fetch_archive",
    "fetch_ensemble",
    "fetch_forecast",
    "fetch_previous_runs",
    "read",
]

T = TypeVar("T")

SERVICE = "open-meteo"

VARIABLES = (
    "temperature_2m",
    "relative_humidity_2m",
    "precipitation",
    "snow_depth",
    "wind_speed_10m",
)

# Only one layer below half a metre: shallower soil, without litter, would drive the nest. It is
# the reanalysis that has it, and the forecast of some models; no ensemble is known to.
SOIL = {
    "forecast": ("soil_temperature_28_to_100cm",),
    "ensemble": (),
    "archive": ("soil_temperature_28_to_100cm",),
}

# Stated with every request, so that a change of the provider's defaults changes nothing here;
# read from the answer all the same.
_SHAPE = {
    "timezone": "GMT",
    "temperature_unit": "celsius",
    "wind_speed_unit": "ms",
    "precipitation_unit": "mm",
    "timeformat": "iso8601",
}

_ENSEMBLE_DAYS = 15  # as far as the longest ensembles reach
_ENSEMBLE_PAST_DAYS = 3  # as far back as the provider keeps members (website, pull request 917)
_FORECAST_DAYS = 16  # the most there is
_FORECAST_PAST_DAYS = 14  # more than the reanalyses are behind, so nothing lies between
_RUNS_PAST_DAYS = 92  # the most there is

# How long an answer serves before the provider is asked again. Models run every six hours or
# more often, and are published at all hours; past days of a reanalysis change once a day.
_FORECAST_FRESH_S = 3600.0
_ARCHIVE_FRESH_S = 6 * 3600.0
_RUNS_FRESH_S = 12 * 3600.0

# A run may be this much older than the one asked for: a copy kept over a day without network
# is one. An older one is a model that stands still (server, issue 2057: five days).
_OLDEST_RUN = np.timedelta64(2, "D")


def read(
    body: bytes, source: str, place: Place, as_of: np.datetime64 | None = None
) -> Table | None:
    """Rows of an answer saved as a file, up to `as_of`; see `open_meteo_body.read`.

    Raises
    ------
    WeatherError
        Damaged, an error of the provider's, or no hourly weather.
    """
    try:
        return open_meteo_body.read(body, source, place, as_of)
    except CutOffError as error:
        raise refuse(source, "", f"{error}.", remedy="Download it again.") from None


def fetch_ensemble(
    web: Web, settings: OpenMeteo, place: Place, *, as_of: np.datetime64 | None = None
) -> Fetched:
    """The members of the ensemble for 15 days, and the three days before.

    Parameters
    ----------
    web : the network, or what is kept of it
    settings : addresses and models
    place : the site; its place leaves this machine rounded to 0.01° and 10 m
    as_of : UTC moment beyond which the answer has to reach; None = now

    Raises
    ------
    SourceError, WeatherError
        It could not be had; or it is no ensemble of this place and time.
    """
    names = VARIABLES + SOIL["ensemble"]
    days = {"forecast_days": _ENSEMBLE_DAYS, "past_days": _ENSEMBLE_PAST_DAYS}
    return _fetch(
        web,
        settings,
        settings.ensemble_url,
        _params(place.latitude, place.longitude, names, settings.ensemble_model)
        | {"elevation": height_m(place)}
        | {key: str(value) for key, value in days.items()},
        _forecast_of("open-meteo ensemble", place, moment(as_of), _ENSEMBLE_PAST_DAYS),
        settings.ensemble_model,
        call_weight(len(names), members_of(settings.ensemble_model), sum(days.values())),
        _FORECAST_FRESH_S,
    )


def fetch_forecast(
    web: Web,
    settings: OpenMeteo,
    place: Place,
    past_days: int = _FORECAST_PAST_DAYS,
    *,
    as_of: np.datetime64 | None = None,
) -> Fetched:
    """One model's forecast for 16 days, and the days before as it last knew them.

    Parameters
    ----------
    web, settings, place, as_of : as in `fetch_ensemble`
    past_days : days before today, 0 to 92

    Raises
    ------
    SourceError, WeatherError
    """
    names = VARIABLES + SOIL["forecast"]
    days = {"forecast_days": _FORECAST_DAYS, "past_days": past_days}
    return _fetch(
        web,
        settings,
        settings.forecast_url,
        _params(place.latitude, place.longitude, names, settings.forecast_model)
        | {"elevation": height_m(place)}
        | {key: str(value) for key, value in days.items()},
        _forecast_of("open-meteo forecast", place, moment(as_of), past_days),
        settings.forecast_model,
        call_weight(len(names), 1, sum(days.values())),
        _FORECAST_FRESH_S,
    )


def fetch_archive(
    web: Web,
    settings: OpenMeteo,
    latitude: float,
    longitude: float,
    first: np.datetime64,
    last: np.datetime64,
    place: Place,
) -> Fetched:
    """Past weather of a cell, whole UTC days.

    No height is sent: the cell may serve several sites, and the answer names the height it
    stands for. The last days, which the reanalysis does not have yet, are missing values.

    Parameters
    ----------
    latitude, longitude : of the cell, degrees
    first, last : first and last day, both included
    place : what distances and heights are told for

    Raises
    ------
    SourceError, WeatherError
    """
    begin, end = first.astype("datetime64[D]"), last.astype("datetime64[D]")
    names = VARIABLES + SOIL["archive"]
    source = "open-meteo archive"

    def parse(body: bytes) -> Table:
        table = _whole(body, source, place)
        have = table.time[0].astype("datetime64[D]"), table.time[-1].astype("datetime64[D]")
        if have != (begin, end):
            problem = f"asked for {begin} to {end}, answered with {have[0]} to {have[1]}."
            raise refuse(source, "hourly time", problem, remedy="Try again later.")
        return table

    return _fetch(
        web,
        settings,
        settings.archive_url,
        _params(latitude, longitude, names, settings.history_model)
        | {"start_date": str(begin), "end_date": str(end)},
        parse,
        settings.history_model,
        call_weight(len(names), 1, int((end - begin).astype(int)) + 1),
        _ARCHIVE_FRESH_S,
    )


def fetch_previous_runs(
    web: Web, settings: OpenMeteo, place: Place, *, as_of: np.datetime64 | None = None
) -> Pairs:
    """What the model foretold for each hour of the last 92 days, one to seven days ahead.

    What came is taken from the same answer: see `open_meteo_runs.pairs_of`.

    Parameters
    ----------
    web, settings, place : as in `fetch_ensemble`
    as_of : hours after it are not looked at; None = now

    Raises
    ------
    SourceError, WeatherError
    """
    names = ("temperature_2m", *(f"temperature_2m_previous_day{lead}" for lead in LEADS))
    source, until = "open-meteo previous runs", moment(as_of)
    answer = _get(
        web,
        settings,
        settings.previous_runs_url,
        _params(place.latitude, place.longitude, names, settings.forecast_model)
        | {"elevation": height_m(place)}
        | {"forecast_days": "1", "past_days": str(_RUNS_PAST_DAYS)},
        lambda body: pairs_of(body, source, place, until),
        call_weight(len(names), 1, _RUNS_PAST_DAYS + 1),
        _RUNS_FRESH_S,
    )
    return answer.value


def _params(
    latitude: float, longitude: float, names: tuple[str, ...], model: str
) -> dict[str, str]:
    return {
        "latitude": coordinate(latitude),
        "longitude": coordinate(longitude),
        "hourly": ",".join(names),
        "models": model,
        **_SHAPE,
    }


def _fetch(
    web: Web,
    settings: OpenMeteo,
    url: str,
    params: dict[str, str],
    parse: Callable[[bytes], Table],
    model: str,
    weight: float,
    fresh_s: float,
) -> Fetched:
    answer = _get(web, settings, url, params, parse, weight, fresh_s)
    made = answer.fetched_at.astype("datetime64[m]").astype("datetime64[ns]")
    answer.value.attrs |= {
        "model": model,
        "reference_time": stamp(made),
        "reference_time_is": "time of fetching",  # the provider does not tell that of the run
    }
    return Fetched(
        answer.value,
        answer.fetched_at,
        answer.from_cache,
        answer.stale,
        answer.problem,
        answer.notes,
        made,
    )


def _get(
    web: Web,
    settings: OpenMeteo,
    url: str,
    params: dict[str, str],
    parse: Callable[[bytes], T],
    weight: float,
    fresh_s: float,
) -> Answer[T]:
    from riskcast.weather.web import NotWhole  # the network libraries: only where needed

    def whole(body: bytes) -> T:
        try:
            return parse(body)
        except CutOffError as error:
            raise NotWhole(str(error)) from None

    answer: Answer[T] = web.get(
        SERVICE,
        url,
        params,
        parse=whole,
        fresh_s=fresh_s,
        weight=weight,
        calls_a_day=settings.calls_a_day,
    )
    return answer


def _forecast_of(
    source: str, place: Place, beyond: np.datetime64, past_days: int
) -> Callable[[bytes], Table]:
    """What reads a forecast and refuses one that stands still or ends before `beyond`."""
    asked = beyond.astype("datetime64[D]") - past_days

    def parse(body: bytes) -> Table:
        table = _whole(body, source, place)
        table.forecast = True
        first = table.time[0]
        if not asked - _OLDEST_RUN <= first.astype("datetime64[D]") <= asked + _OLDEST_RUN:
            problem = (
                f"begins at {stamp(first)}, asked for from {asked} on: the model stands still."
            )
            raise refuse(source, "hourly time", problem, remedy="Name another model, or wait.")
        there = np.isfinite(table.values["air_temperature"]).any(axis=0)
        last = table.time[np.flatnonzero(there)[-1]]
        if last <= beyond:
            problem = f"its values end at {stamp(last)}, before {stamp(beyond)}."
            raise refuse(source, "hourly time", problem, remedy="Name another model, or wait.")
        return table

    return parse


def _whole(body: bytes, source: str, place: Place) -> Table:
    """The rows of an answer, refused with all its faults if it has any.

    Times that cannot be read, or that do not follow each other, are left to `quality`.
    """
    table = open_meteo_body.read(body, source, place)
    if table is None:
        raise refuse(source, "hourly", "there is no hour in it.", remedy="Try again later.")
    if table.faults:
        raise WeatherError(faults=table.faults)
    return table
