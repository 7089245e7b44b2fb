"""Open-Meteo: forecasts of ensembles and of single models, past weather, and past forecasts.

Free for non-commercial use, without a key; data under CC BY 4.0, with a link to the provider
beside them (open-meteo.com, "Terms" and "Licence"). Answers are asked for in GMT: a local
zone would be one fixed offset for the whole answer, in summer and in winter.

What each address has was read in the provider's documentation and in the server's source
(open-meteo/open-meteo, 2023 to 2026).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.base.nights import as_ns
from riskcast.weather.dataset import stamp
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.providers import open_meteo_body
from riskcast.weather.providers.fetched import (
    Fetched,
    coordinate,
    height_m,
    moment,
    refused,
    unusable,
)
from riskcast.weather.providers.open_meteo_calls import call_weight, members_of
from riskcast.weather.providers.open_meteo_names import VARIABLE_MAP
from riskcast.weather.providers.open_meteo_runs import LEADS, pairs_of
from riskcast.weather.table import Table, refuse
from riskcast.weather.web.errors import NotWhole

if TYPE_CHECKING:
    from riskcast.site import OpenMeteo, Place
    from riskcast.weather.web import Answer, Web

__all__ = [
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

VARIABLES = (
    "temperature_2m",
    "relative_humidity_2m",
    "precipitation",
    "snow_depth",
    "wind_speed_10m",
)

# The deepest layer there is: shallower soil, without litter, would drive the nest, and two metres
# down the past tells what a fortnight's forecast could. So the reanalysis alone is asked.
SOIL = ("soil_temperature_100_to_255cm",)

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
# more often, and are published at all hours; past runs change once a day.
_FORECAST_FRESH_S = 3600.0
_RUNS_FRESH_S = 12 * 3600.0

_OTHER_MODEL = "wait, or name another model in the site file"

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
    except NotWhole as error:
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
    names, model = VARIABLES, settings.ensemble_model
    days = {"forecast_days": _ENSEMBLE_DAYS, "past_days": _ENSEMBLE_PAST_DAYS}
    question = _Question(
        "open-meteo ensemble",
        ("ensemble_url", "ensemble_model"),
        settings.ensemble_url,
        _at_site(place, names, model, days),
        call_weight(len(names), members_of(model), sum(days.values())),
        _FORECAST_FRESH_S,
    )
    parse = _forecast_of(question.source, place, moment(as_of), _ENSEMBLE_PAST_DAYS)
    return _fetch(web, settings, question, parse)


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
    names, model = VARIABLES, settings.forecast_model
    days = {"forecast_days": _FORECAST_DAYS, "past_days": past_days}
    question = _Question(
        "open-meteo forecast",
        ("forecast_url", "forecast_model"),
        settings.forecast_url,
        _at_site(place, names, model, days),
        call_weight(len(names), 1, sum(days.values())),
        _FORECAST_FRESH_S,
    )
    parse = _forecast_of(question.source, place, moment(as_of), past_days)
    return _fetch(web, settings, question, parse)


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
    names = VARIABLES + SOIL
    question = _Question(
        "open-meteo archive",
        ("archive_url", "history_model"),
        settings.archive_url,
        _asked(latitude, longitude, names, settings.history_model)
        | {"start_date": str(begin), "end_date": str(end)},
        call_weight(len(names), 1, int((end - begin).astype(int)) + 1),
        keep=False,  # winters have a store of their own
    )

    def parse(body: bytes) -> Table:
        table = _whole(body, question.source, place)
        have = table.time[0].astype("datetime64[D]"), table.time[-1].astype("datetime64[D]")
        if have != (begin, end):
            what = f"was asked for {begin} to {end} and answered with {have[0]} to {have[1]}"
            raise refused(question.source, what)
        return table

    return _fetch(web, settings, question, parse)


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
    days = {"forecast_days": 1, "past_days": _RUNS_PAST_DAYS}
    question = _Question(
        "open-meteo previous runs",
        ("previous_runs_url", "forecast_model"),
        settings.previous_runs_url,
        _at_site(place, names, settings.forecast_model, days),
        call_weight(len(names), 1, sum(days.values())),
        _RUNS_FRESH_S,
    )
    until = moment(as_of)
    return _ask(web, settings, question, lambda b: pairs_of(b, question.source, place, until)).value


@dataclass(frozen=True)
class _Question:
    """One request, before it is sent.

    source : as the keeper knows it; its first word is whose allowance of calls is used
    keys : what its address and its model are called in the site file
    """

    source: str
    keys: tuple[str, str]
    url: str
    params: dict[str, str]
    weight: float
    fresh_s: float = 0.0
    keep: bool = True


def _at_site(
    place: Place, names: tuple[str, ...], model: str, days: dict[str, int]
) -> dict[str, str]:
    spans = {key: str(count) for key, count in days.items()}
    height = {"elevation": height_m(place)}
    return _asked(place.latitude, place.longitude, names, model) | height | spans


def _asked(latitude: float, longitude: float, names: tuple[str, ...], model: str) -> dict[str, str]:
    where = {"latitude": coordinate(latitude), "longitude": coordinate(longitude)}
    return where | {"hourly": ",".join(names), "models": model} | _SHAPE


def _fetch(
    web: Web, settings: OpenMeteo, question: _Question, parse: Callable[[bytes], Table]
) -> Fetched:
    answer = _ask(web, settings, question, parse)
    made = as_ns(answer.fetched_at.astype("datetime64[m]"))
    answer.value.attrs |= {
        "model": question.params["models"],
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
        answer.asked,
    )


def _ask(
    web: Web, settings: OpenMeteo, question: _Question, parse: Callable[[bytes], T]
) -> Answer[T]:
    def told_in_a_sentence(body: bytes) -> T:
        try:
            return parse(body)
        except WeatherError as error:
            raise unusable(question.source, error) from None

    address, model = question.keys
    return web.get(
        question.source,
        question.url,
        question.params,
        parse=told_in_a_sentence,
        fresh_s=question.fresh_s,
        keep=question.keep,
        weight=question.weight,
        calls_a_day=settings.calls_a_day,
        set_by=f'{model} = "{question.params["models"]}" and {address} under [weather.open-meteo]',
    )


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
            what = f"stands still: asked for {asked} and after, it begins at {stamp(first)}"
            raise refused(source, what, _OTHER_MODEL)
        there = np.isfinite(table.values["air_temperature"]).any(axis=0)
        last = table.time[np.flatnonzero(there)[-1]]
        if last <= beyond:
            what = f"has no value after {stamp(last)}, and it is {stamp(beyond)}"
            raise refused(source, what, _OTHER_MODEL)
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
