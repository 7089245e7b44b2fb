"""Point forecasts of the German weather service: MOSMIX, as KMZ or KML.

Hourly for about ten days, for one station or all of them; the nearest station within reach is
read. The files are taken apart by the library dwdparse.

A file states when it was issued, where its stations stand, and marks missing values with "-".
``RR1c`` is the sum of the hour before the stamp, temperatures are Kelvin. There is no soil
temperature (``T5cm`` is air five centimetres above the ground), and few stations have snow.
"""

from __future__ import annotations

import io
import itertools
import re
import zipfile
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from riskcast.weather.cells import distance_deg
from riskcast.weather.dataset import stamp
from riskcast.weather.formats.locate import locate
from riskcast.weather.formats.text import moment_of
from riskcast.weather.table import Table, derive, readable, refuse
from riskcast.weather.units import convert

if TYPE_CHECKING:
    from riskcast.base.errors import WeatherError
    from riskcast.site import Place

__all__ = ["VARIABLE_MAP", "decode", "reference_time"]

# Element of the file → our name, its unit, and the quantity that unit is of.
VARIABLE_MAP = {
    "TTT": ("air_temperature", "K", "temperature"),
    "Td": ("dew_point", "K", "temperature"),
    "RR1c": ("precipitation", "kg/m2", "precipitation"),
    "FF": ("wind_speed", "m/s", "speed"),
    "SnCv": ("snow_depth", "m", "length"),
}
_CREDIT = {
    "provider": "Deutscher Wetterdienst",
    "model": "MOSMIX",
    "licence": "CC BY 4.0",  # from memory; open data whose source has to be named
    "attribution": "Source: Deutscher Wetterdienst",
}
_ISSUED = re.compile(rb"<(?:\w+:)?IssueTime>\s*([^<\s]+)\s*<")
_AGAIN = "Download it again."


def decode(data: bytes, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Steps of the station nearest to the site up to `as_of`, or None where it has none yet.

    Parameters
    ----------
    data : a KMZ (zip of one KML) or the KML itself

    Raises
    ------
    WeatherError
        The file is damaged, or no MOSMIX forecast.
    """
    kml = _kml(data, source)
    issued = _issue_time(kml, source)
    station = _nearest(kml, source, place)
    times = np.array([record["timestamp"].replace(tzinfo=None) for record in station])
    times = times.astype("datetime64[ns]")
    keep = readable(times, as_of)
    if not len(keep):
        return None
    table = Table(source, times[keep], keep + 1, "time step", np.zeros(1, dtype=np.int64))
    table.forecast = True
    table.attrs |= _CREDIT | {"reference_time": stamp(issued)}
    locate(table, place, *(float(station[0][key]) for key in ("lat", "lon", "height")))
    for element, (name, units, quantity) in VARIABLE_MAP.items():
        if element not in station[0]:
            continue
        raw = np.array([station[k][element] for k in keep], dtype=float)
        if np.isfinite(raw).any():
            table.values[name] = convert(raw, units, quantity)[0][np.newaxis]
    derive(table)
    return table


def reference_time(data: bytes, source: str) -> np.datetime64:
    """When the forecast was issued, UTC.

    Raises
    ------
    WeatherError
        The file is damaged, or no MOSMIX forecast.
    """
    return _issue_time(_kml(data, source), source)


def _kml(data: bytes, source: str) -> bytes:
    if not data.startswith(b"PK"):
        return data
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            (name,) = archive.namelist()
            return archive.read(name)
    except (zipfile.BadZipFile, ValueError, OSError, EOFError):
        raise _damaged(source) from None


def _issue_time(kml: bytes, source: str) -> np.datetime64:
    match = _ISSUED.search(kml)
    if match is None or b"pointforecast" not in kml:
        problem = "this is no MOSMIX forecast: nothing in it says when it was issued."
        raise refuse(source, "", problem, remedy="Download a file of MOSMIX_L or MOSMIX_S.")
    try:
        return moment_of(match[1].decode())
    except ValueError:
        raise _damaged(source) from None


def _nearest(kml: bytes, source: str, place: Place) -> list[dict[str, Any]]:
    """Records of the station nearest to the site; a file may hold all stations there are."""
    best: list[dict[str, Any]] = []
    nearest = np.inf
    try:
        by_station = itertools.groupby(
            _records(kml), key=lambda record: (record["lat"], record["lon"], record["height"])
        )
        for (latitude, longitude, _), records in by_station:
            away = float(distance_deg(latitude, longitude, place))
            if away < nearest:
                nearest, best = away, list(records)
    # The library lets XML and number errors through as they come.
    except (SyntaxError, ValueError, KeyError, AttributeError, TypeError):
        raise _damaged(source) from None
    if not best:
        raise refuse(source, "", "the file holds no station.", remedy=_AGAIN)
    return best


def _records(kml: bytes) -> Iterator[dict[str, Any]]:
    from dwdparse.parsers import MOSMIXParser

    class Parser(MOSMIXParser):  # type: ignore[misc]  # the library ships no types
        ELEMENTS = {element: element for element in VARIABLE_MAP}  # noqa: RUF012

        def sanitize_record(self, record: dict[str, Any]) -> None:
            """Values are judged by `quality`: set right here, a fault would become a zero."""

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:  # the one way in that the library offers
        archive.writestr("forecast.kml", kml)
    yield from Parser().parse(packed)


def _damaged(source: str) -> WeatherError:
    return refuse(source, "", "damaged or cut off.", remedy=_AGAIN)
