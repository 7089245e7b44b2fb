"""Hourly station values of the German weather service, in the zips of its climate data centre.

A zip holds one kind of value of one station (``produkt_tu_stunde_….txt``: air temperature and
humidity; ``rr`` precipitation, ``ff`` wind, ``td`` dew point) and where the station stood when.
It is taken apart by the library dwdparse: stamps are UTC, -999 is missing, the sum of rain is
that of the hour before the stamp. Hand over the zips of one station together.
"""

from __future__ import annotations

import io
import re
import zipfile
from typing import TYPE_CHECKING, Any

import numpy as np

from riskcast.weather.formats.locate import locate
from riskcast.weather.table import Table, derive, readable, refuse
from riskcast.weather.units import convert

if TYPE_CHECKING:
    from riskcast.base.errors import WeatherError
    from riskcast.site import Place

__all__ = ["VARIABLE_MAP", "decode"]

# The library's name → our name, its unit, and the quantity that unit is of.
VARIABLE_MAP = {
    "temperature": ("air_temperature", "K", "temperature"),
    "dew_point": ("dew_point", "K", "temperature"),
    "relative_humidity": ("relative_humidity", "%", "humidity"),
    "precipitation": ("precipitation", "mm", "precipitation"),
    "wind_speed": ("wind_speed", "m/s", "speed"),
}
# Part of the file's name → the library's reader.
_READERS = {
    "tu": "TemperatureObservationsParser",
    "rr": "PrecipitationObservationsParser",
    "ff": "WindObservationsParser",
    "td": "DewPointObservationsParser",
}
_PRODUCT = re.compile(r"produkt_([a-z]+)_stunde_.*\.txt")
_CREDIT = {
    "provider": "Deutscher Wetterdienst",
    "licence": "CC BY 4.0",  # from memory; open data whose source has to be named
    "attribution": "Source: Deutscher Wetterdienst",
}


def decode(data: bytes, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of one station's zip up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The zip is damaged, or holds values that are not read here.
    """
    records = [r for r in _records(data, source) if as_of is None or _stamp(r) <= as_of]
    times = np.array([_stamp(record) for record in records], dtype="datetime64[ns]")
    keep = readable(times, as_of)
    if not len(keep):
        return None
    row = np.arange(len(records), dtype=np.int64)[keep] + 2  # below the heading row
    table = Table(source, times[keep], row, "row", np.zeros(1, dtype=np.int64))
    table.attrs |= _CREDIT
    # Stations move: the place of the newest row counts.
    locate(table, place, *(float(records[-1][key]) for key in ("lat", "lon", "height")))
    for name, (ours, units, quantity) in VARIABLE_MAP.items():
        if name not in records[0]:
            continue
        raw = np.array([record[name] for record in records], dtype=float)
        if np.isfinite(raw).any():
            # The library rounds Kelvin to hundredths; the files have tenths of a degree.
            values = np.round(convert(raw, units, quantity)[0], 2)
            table.values[ours] = values[np.newaxis]
    derive(table)
    return table


def _stamp(record: dict[str, Any]) -> np.datetime64:
    return np.datetime64(record["timestamp"].replace(tzinfo=None), "ns")


def _records(data: bytes, source: str) -> list[dict[str, Any]]:
    from dwdparse import parsers

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            kinds = [m[1] for name in archive.namelist() if (m := _PRODUCT.fullmatch(name))]
    except (zipfile.BadZipFile, OSError, EOFError):
        raise _damaged(source) from None
    if len(kinds) != 1 or kinds[0] not in _READERS:
        problem = f"expected hourly values of one kind ({', '.join(_READERS)})."
        remedy = "Download hourly air_temperature, precipitation or wind of the station."
        raise refuse(source, "", problem, ", ".join(kinds), remedy)

    class Parser(getattr(parsers, _READERS[kinds[0]])):  # type: ignore[misc]  # no types there
        def sanitize_record(self, record: dict[str, Any]) -> None:
            """Values are judged by `quality`: set right here, a fault would become a zero."""

    try:
        return list(Parser().parse(io.BytesIO(data)))
    # The library lets errors of the files through as they come.
    except (ValueError, KeyError, TypeError, IndexError, zipfile.BadZipFile, EOFError):
        raise _damaged(source) from None


def _damaged(source: str) -> WeatherError:
    return refuse(source, "", "damaged or cut off.", remedy="Download it again.")
