"""MET Norway's Locationforecast 2.0 ("complete"): one forecast for nine days or so.

The service answers only those who say who asks, and wants to be asked no more often than its
answers change. Data under NLOD 2.0 and CC BY 4.0, to be credited to MET Norway
(api.met.no, "Terms of Service"; metno/weatherapi-docs).

Steps are hourly for two to three days, then of six hours. Rain is that of the hours that
*follow* a stamp; here it belongs to the hour that ends at one. There is no past, no snow depth
and no temperature of the soil.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from riskcast.base.errors import WeatherError
from riskcast.base.nights import as_ns
from riskcast.base.version import VERSION
from riskcast.weather.air import relative_humidity
from riskcast.weather.dataset import FILLED, Values, hours, stamp, stamps
from riskcast.weather.formats.locate import locate
from riskcast.weather.providers.fetched import (
    Fetched,
    coordinate,
    height_m,
    moment,
    refused,
    unusable,
)
from riskcast.weather.providers.json_numbers import array, number
from riskcast.weather.providers.six_hours import hourly_temperature
from riskcast.weather.table import Table, readable, refuse
from riskcast.weather.units import UnitError, convert
from riskcast.weather.web.errors import NotWhole, SourceError

if TYPE_CHECKING:
    from riskcast.site import MetNorway, Place
    from riskcast.weather.web import Web

__all__ = ["SERVICE", "VARIABLE_MAP", "fetch", "read"]

SERVICE = "met-norway"

# What stands under "instant", and our names; the dew point helps between the longer steps.
VARIABLE_MAP = {
    "air_temperature": "air_temperature",
    "relative_humidity": "relative_humidity",
    "dew_point_temperature": "dew_point",
    "wind_speed": "wind_speed",
}
_AMOUNT = "precipitation_amount"
_EXTREMES = ("air_temperature_max", "air_temperature_min")
_QUANTITY = {
    "air_temperature": "temperature",
    "air_temperature_max": "temperature",
    "air_temperature_min": "temperature",
    "dew_point_temperature": "temperature",
    "relative_humidity": "humidity",
    "wind_speed": "speed",
    _AMOUNT: "precipitation",
}
_CREDIT = {
    "provider": "MET Norway",
    "model": "Locationforecast 2.0",
    "licence": "NLOD 2.0 / CC BY 4.0",
    "attribution": "Based on data from MET Norway (https://api.met.no/)",
}
_COARSE_H = 6  # the longest step there is; what comes after a longer one is not read
_INTERPOLATED = FILLED.index("interpolated")
_SPELLINGS = {"celcius": "celsius"}  # once so in the documentation

# Their forecasts are renewed several times a day; an older one than this stands still.
_OLDEST = np.timedelta64(48, "h")
_SHOWN = 80
_PROGRAM = "riskcast"


def fetch(
    web: Web, settings: MetNorway, place: Place, *, as_of: np.datetime64 | None = None
) -> Fetched:
    """The forecast for a site, asked for by the service's own rules.

    Parameters
    ----------
    web : the network, or what is kept of it; it waits for ``Expires`` and then asks whether
        anything changed
    settings : address, and who asks
    place : the site; its place leaves this machine rounded to 0.01° and 10 m
    as_of : UTC moment beyond which the answer has to reach; None = now

    Raises
    ------
    SourceError, WeatherError
        Nobody is named who asks; it could not be had; or it is no forecast of this place
        and time.
    """
    if not settings.user_agent:
        remedy = 'set [weather.met-norway] user_agent = "riskcast (keeper@example.org)" with an'
        remedy += " address of yours"
        what = "was not asked: it answers only those who say who they are"
        raise SourceError(SERVICE, what, remedy, reached=False)
    beyond = moment(as_of)

    def parse(body: bytes) -> Table:
        try:
            document = json.loads(body)
        except (ValueError, RecursionError):
            raise NotWhole("the answer is no whole JSON") from None
        try:
            table = _table(document, SERVICE, place, None)
        except WeatherError as error:
            raise unusable(SERVICE, error) from None
        if table is None:
            raise refused(SERVICE, "sent an answer without a step")
        if table.faults:
            raise unusable(SERVICE, WeatherError(faults=table.faults))
        if table.time[-1] <= beyond:
            what = f"has no value after {stamp(table.time[-1])}, and it is {stamp(beyond)}"
            raise refused(SERVICE, what)
        made = _made(table)
        if made is not None and made < beyond - _OLDEST:
            raise refused(SERVICE, f"stands still: its forecast is of {stamp(made)}")
        return table

    params = {
        "lat": coordinate(place.latitude),
        "lon": coordinate(place.longitude),
        "altitude": height_m(place),
    }
    headers = {"User-Agent": _who_asks(settings.user_agent)}
    answer = web.get(
        SERVICE,
        settings.url,
        params,
        parse=parse,
        headers=headers,
        obey_expiry=True,
        set_by="url under [weather.met-norway]",
    )
    made = _made(answer.value)
    if made is None:
        made = as_ns(answer.fetched_at.astype("datetime64[m]"))
        told = {"reference_time": stamp(made), "reference_time_is": "time of fetching"}
        answer.value.attrs |= told
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


def _who_asks(user_agent: str) -> str:
    """With the program's name: the provider wants to know both it and a way to reach somebody."""
    named = _PROGRAM in user_agent.casefold()
    return user_agent if named else f"{user_agent} {_PROGRAM}/{VERSION}"


def read(
    body: bytes, source: str, place: Place, as_of: np.datetime64 | None = None
) -> Table | None:
    """Hours of an answer saved as a file, up to `as_of`, or None where it has none yet.

    Between steps of six hours the temperature is interpolated through the extremes that the
    answer gives for them (`six_hours.hourly_temperature`), humidity follows the dew point,
    wind is a straight line, and rain is shared out evenly; such hours are marked in
    ``filled``. The first stamp is left out: the rain before it is not known.

    Parameters
    ----------
    body : a GeoJSON Feature as it came
    source : what to call it in faults
    place : the site
    as_of : UTC moment; steps stamped later are not looked at

    Raises
    ------
    WeatherError
        Damaged, or no Locationforecast.
    """
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        raise refuse(source, "", "damaged or cut off.", remedy="Download it again.") from None
    return _table(document, source, place, as_of)


def _table(document: Any, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    properties = _inside(document, "properties")
    series, meta = properties.get("timeseries"), _inside(properties, "meta")
    if not isinstance(series, list) or not series:
        problem = "this is JSON, but no Locationforecast: there is no timeseries in it."
        remedy = "Ask the address …/locationforecast/2.0/complete."
        raise refuse(source, "", problem, remedy=remedy)
    time = _times([_inside(step).get("time") for step in series])
    keep = readable(time, as_of)
    if not len(keep):
        return None
    steps, time = [_inside(series[i]) for i in keep], time[keep]
    table = Table(source, time, keep + 1, "time step", np.zeros(1, dtype=np.int64))
    table.forecast = True
    table.attrs |= _CREDIT
    _locate(table, document, place)
    made = _times([meta.get("updated_at")])[0]
    if not np.isnat(made):
        table.attrs["reference_time"] = stamp(made)
    coming = [_inside(step, "data", "next_6_hours", "details") for step in steps]
    columns = {
        ours: _column([_inside(s, "data", "instant", "details") for s in steps], name, meta, table)
        for name, ours in VARIABLE_MAP.items()
    }
    columns |= {name: _column(coming, name, meta, table) for name in _EXTREMES}
    following = [_inside(step, "data", "next_1_hours", "details") for step in steps]
    columns["one_hour"] = _column(following, _AMOUNT, meta, table)
    columns["six_hours"] = _column(coming, _AMOUNT, meta, table)
    if columns["air_temperature"] is None and not table.faults:
        table.fault("instant", "no step has an air temperature.", remedy="Download it again.")
    if not table.faults and _ordered(table):
        _to_hours(table, {name: array for name, array in columns.items() if array is not None})
    return table if len(table.time) else None


def _ordered(table: Table) -> bool:
    """Whether the steps can be made hours of; if not, `quality` says why of the rows as given."""
    whole = table.time == table.time.astype("datetime64[h]")
    ordered = not np.isnat(table.time).any() and (np.diff(hours(table.time)) > 0).all()
    if ordered and whole.all():
        return True
    table.fault(
        table.place_of(int(np.flatnonzero(~whole)[0])) if ordered else "timeseries",
        "the steps are not on full hours, or not in the order of time.",
        remedy="Download it again.",
    )
    return False


def _to_hours(table: Table, columns: Mapping[str, Values]) -> None:
    """Rows of the steps into rows of hours; what stands behind a longer step is left out."""
    there = np.isfinite(columns["air_temperature"])
    hour, row = hours(table.time)[there], table.row[there]
    long = np.flatnonzero(np.diff(hour) > _COARSE_H)
    end = int(long[0]) + 1 if len(long) else len(hour)
    if end < 2:
        table.fault("timeseries", "no two steps follow each other.", remedy="Download it again.")
        return
    hour, steps = hour[:end], np.diff(hour[:end])
    columns = {name: array[there][:end] for name, array in columns.items()}
    every = np.arange(hour[0] + 1, hour[-1] + 1)
    before = np.searchsorted(hour, every, side="left") - 1  # the step an hour lies behind
    coarse = steps[before] > 1

    def between(name: str) -> Values:
        return np.where(coarse, np.interp(every, hour, columns[name]), columns[name][before + 1])

    unknown = np.full(end, np.nan)
    highest, lowest = (columns.get(name, unknown)[:-1] for name in _EXTREMES)
    # They are those of six hours: of a shorter step they are somebody else's.
    highest, lowest = (
        np.where(steps == _COARSE_H, extreme, np.nan) for extreme in (highest, lowest)
    )
    air = hourly_temperature(hour, columns["air_temperature"], highest, lowest)[1:]
    out = {"air_temperature": air}
    if "relative_humidity" in columns:
        out["relative_humidity"] = between("relative_humidity")
        if "dew_point" in columns:
            moist = relative_humidity(air, between("dew_point"))
            known = coarse & np.isfinite(moist)
            out["relative_humidity"] = np.where(known, moist, out["relative_humidity"])
    elif "dew_point" in columns:
        out["relative_humidity"] = relative_humidity(air, between("dew_point"))
    if "wind_speed" in columns:
        out["wind_speed"] = between("wind_speed")
    one, six = (columns.get(name, unknown)[before] for name in ("one_hour", "six_hours"))
    rain = np.where(coarse, six / _COARSE_H, one)
    if np.isfinite(rain).any():
        out["precipitation"] = rain
    table.time = stamps(every)
    table.row = row[before + 1]
    table.filled = np.where(coarse & ~np.isin(every, hour), _INTERPOLATED, 0).astype(np.int8)
    table.values = {name: values[np.newaxis] for name, values in out.items()}


def _column(
    details: Sequence[Mapping[str, Any]], name: str, meta: Mapping[str, Any], table: Table
) -> Values | None:
    """(step,) in our units, NaN where a step lacks it; None where no step has it."""
    found, strange = array([detail.get(name) for detail in details])
    if found is None:
        shown = str(strange)[:_SHOWN]
        table.fault(name, "a value is no number of weather.", shown, "Download it again.")
        return None
    if not np.isfinite(found).any():
        return None
    units = _inside(meta, "units").get(name)
    stated = None if units is None else _SPELLINGS.get(str(units), str(units))
    try:
        return convert(found, stated, _QUANTITY[name])[0]
    except UnitError as error:
        table.fault(f"units {name}", str(error), stated or "", "Download it again.")
        return None


def _locate(table: Table, document: Any, place: Place) -> None:
    """The place of the answer: longitude first, then latitude and height (GeoJSON)."""
    point = _inside(document, "geometry").get("coordinates")
    point = point if isinstance(point, list) else []
    numbers = [number(x) for x in (*point, *[None] * 3)[:3]]
    locate(table, place, numbers[1], numbers[0], numbers[2])


def _made(table: Table) -> np.datetime64 | None:
    stated = table.attrs.get("reference_time")
    return None if stated is None else as_ns(np.datetime64(str(stated).removesuffix("Z")))


def _times(texts: Sequence[Any]) -> npt.NDArray[np.datetime64]:
    """(step,) datetime64[ns], NaT where a stamp cannot be read."""
    index = pd.to_datetime(
        pd.Index([text if isinstance(text, str) else None for text in texts], dtype=object),
        format="ISO8601",
        utc=True,
        errors="coerce",
    )
    return np.asarray(pd.DatetimeIndex(index).tz_localize(None), dtype="datetime64[ns]")


def _inside(thing: Any, *keys: str) -> Mapping[str, Any]:
    """The object behind some keys; an empty one where there is none."""
    for key in keys:
        thing = thing.get(key) if isinstance(thing, dict) else None
    return thing if isinstance(thing, dict) else {}
