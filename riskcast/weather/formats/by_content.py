"""Which kind of weather file is it, and who reads it: told by what is in it, not by its name."""

from __future__ import annotations

import gzip
import json
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import Fault, InputMissingError, WeatherError
from riskcast.site import TableLayout
from riskcast.weather.formats import csv, epw, knmi, station
from riskcast.weather.formats.text import lines_of, moment_of
from riskcast.weather.table import Table, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["SUFFIXES", "container", "decode", "is_weather_name", "reference_time"]

SUFFIXES = (
    *(".nc", ".nc4", ".grib", ".grb", ".grib2", ".grb2", ".csv", ".txt", ".json", ".epw"),
    *(".kml", ".kmz", ".zip", ".csv.gz", ".txt.gz", ".json.gz", ".epw.gz", ".nc.gz"),
)

# What a Macintosh puts beside each file in a zip or on a foreign disk, under the file's own ending.
_SHADOW_FOLDER, _HIDDEN = "__MACOSX", "."

# First bytes of what people hand over as weather, and what to do with what is not read here.
_NETCDF = (b"CDF\x01", b"CDF\x02", b"CDF\x05", b"\x89HDF\r\n\x1a\n")
_OTHERS = (
    (b"%PDF", "a PDF document", "Download the data themselves, as NetCDF or CSV."),
    (b"\xd0\xcf\x11\xe0", "an old Excel sheet", "Save it as CSV."),
    (b"\x89PNG", "a picture", "Download the data themselves, as NetCDF or CSV."),
    (b"SQLite format 3", "a database", "Export the table as CSV."),
)
_WEB_PAGE = "The download failed, or stands behind a login: look inside."
_HEAD_BYTES = 2048
# Lines in which a text has to show its kind: KNMI explains itself in 35 of them first.
_TELLING_LINES = 200
_STATION_TEXT = "STATIONS_ID;MESS_DATUM"  # of the German service, inside a zip with its place


def is_weather_name(name: str) -> bool:
    """Whether a file in a folder or a zip may be weather, by its ending; no hidden file is."""
    parts = Path(name).parts
    if not parts or _SHADOW_FOLDER in parts or parts[-1].startswith(_HIDDEN):
        return False
    return name.lower().endswith(SUFFIXES)


def container(head: bytes) -> str:
    """What the first bytes say: ``netcdf``, ``grib``, ``gzip``, ``zip``, ``json``, ``kml``,
    ``text`` or, in words, a thing that is not read."""
    if head.startswith(_NETCDF):
        return "netcdf"
    if head.startswith(b"GRIB"):
        return "grib"
    if head.startswith(b"\x1f\x8b"):
        return "gzip"
    if head.startswith(b"PK\x03\x04"):
        return "zip"
    for magic, name, _ in _OTHERS:
        if head.startswith(magic):
            return name
    if not head.strip():
        return "empty"
    lowered = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if lowered.startswith(b"<?xml") and b"<kml" in lowered:
        return "kml"
    if lowered.startswith((b"<!doctype", b"<html", b"<?xml")):
        return "a web page"
    if lowered.startswith((b"{", b"[")):
        return "json"
    if b"\x00" in head and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "a binary file of an unknown kind"
    return "text"


def decode(
    path: Path,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None = None,
) -> Iterator[Table]:
    """Tables of a file up to `as_of`; none where it has no rows by then.

    Parameters
    ----------
    source : what to call the file in faults
    layout : how to read a text table that does not say it itself

    Raises
    ------
    InputMissingError
        It cannot be opened.
    WeatherError
        It is damaged, or nothing that is read here.
    """
    kind = _peek(path, source)
    if kind == "zip":
        yield from _unzip(path, source, place, as_of, layout)
        return
    table: Table | None
    if kind == "netcdf":
        from riskcast.weather.formats import (
            netcdf,  # the netCDF and CF libraries cost a tenth of a second
        )

        table = netcdf.decode(path, source, place, as_of)
    elif kind == "grib":
        from riskcast.weather.formats import grib  # an extra: its library is not always there

        table = grib.decode(path, source, place, as_of)
    else:
        data = _bytes(path, source)
        if kind == "gzip":
            kind = container(data[:_HEAD_BYTES])
            if kind in ("netcdf", "grib", "zip"):
                yield from _unpacked(data, source, place, as_of, layout)
                return
        table = _decode_bytes(kind, data, source, place, as_of, layout)
    if table is not None:
        yield table


def reference_time(path: Path, source: str) -> np.datetime64 | None:
    """When the forecast in a file was made, UTC; None where the file does not say.

    Raises
    ------
    InputMissingError
        It cannot be opened.
    WeatherError
        It is damaged.
    """
    kind = _peek(path, source)
    if kind == "netcdf":
        from riskcast.weather.formats import netcdf  # costs a tenth of a second: only where needed

        return netcdf.reference_time(path, source)
    if kind == "grib":
        from riskcast.weather.formats import grib

        return grib.reference_time(path, source)
    if kind == "kml" or (kind == "zip" and _is_kmz(path)):
        from riskcast.weather.formats import mosmix

        return mosmix.reference_time(path.read_bytes(), source)
    if kind in ("json", "gzip"):
        data = _bytes(path, source)
        if container(data[:_HEAD_BYTES]) == "json":
            return _updated_at(data, source)
    return None


def _peek(path: Path, source: str) -> str:
    try:
        with path.open("rb") as file:
            return container(file.read(_HEAD_BYTES))
    except OSError as error:
        fault = Fault(source, "", f"cannot be opened ({error.strerror}).")
        raise InputMissingError(faults=[fault]) from None


def _bytes(path: Path, source: str) -> bytes:
    """What is in a file, unpacked where it is gzipped."""
    try:
        data = path.read_bytes()
        return gzip.decompress(data) if container(data[:_HEAD_BYTES]) == "gzip" else data
    except (OSError, EOFError):
        raise _damaged(source) from None


def _decode_bytes(
    kind: str,
    data: bytes,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None,
) -> Table | None:
    if kind == "text":
        return _decode_text(data, source, place, as_of, layout)
    if kind == "kml":
        from riskcast.weather.formats import mosmix

        return mosmix.decode(data, source, place, as_of)
    if kind == "json":
        from riskcast.weather.providers import met_norway, open_meteo

        read: Callable[..., Table | None] = (
            met_norway.read if _is_feature(data) else open_meteo.read
        )
        return read(data, source, place, as_of)
    raise _refused(source, kind)


def _decode_text(
    data: bytes,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None,
) -> Table | None:
    head = lines_of(data[: _HEAD_BYTES * _TELLING_LINES])[:_TELLING_LINES]
    if epw.recognises(head[0]):
        return epw.decode(data, source, place, as_of)
    if any(knmi.recognises(line) for line in head):
        return knmi.decode(data, source, place, as_of, layout)
    if head[0].startswith(_STATION_TEXT):
        problem = "the text of a station without its place, which is in the zip it came in."
        raise refuse(source, "", problem, remedy="Hand over the zip as it was downloaded.")
    layout = TableLayout() if layout is None else layout
    if station.applies(head, layout):
        return station.decode(data, source, place, as_of, layout)
    return csv.decode(data, source, place, as_of)


def _is_feature(data: bytes) -> bool:
    """Whether a JSON text is a GeoJSON feature, as MET Norway writes; Open-Meteo's is none."""
    try:
        answer = json.loads(data)
    except ValueError:  # cut off: its beginning tells whose it was
        return b'"Feature"' in data[:_HEAD_BYTES]
    return isinstance(answer, dict) and answer.get("type") == "Feature"


def _updated_at(data: bytes, source: str) -> np.datetime64 | None:
    """When MET Norway made a forecast; None for answers of others, and damaged ones.

    Raises
    ------
    WeatherError
        It is no answer but an error that was saved: that is told, not that a date is missing.
    """
    try:
        answer = json.loads(data)
        if isinstance(answer, dict) and answer.get("error"):
            from riskcast.weather.providers.open_meteo_body import told_error

            raise told_error(answer, source)
        return moment_of(str(answer["properties"]["meta"]["updated_at"]))
    except (ValueError, KeyError, TypeError, IndexError):
        return None


def _refused(source: str, kind: str) -> WeatherError:
    if kind == "empty":
        return refuse(source, "", "the file is empty.", remedy="Download it again.")
    remedies = {name: remedy for _, name, remedy in _OTHERS} | {"a web page": _WEB_PAGE}
    remedy = remedies.get(kind, "Expected NetCDF or CSV.")
    return refuse(source, "", f"this is {kind}, whatever its name says.", remedy=remedy)


def _damaged(source: str) -> WeatherError:
    return refuse(source, "", "damaged or cut off.", remedy="Download it again.")


def _unpacked(
    data: bytes,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None,
) -> Iterator[Table]:
    """What was gzipped and is read from the disk by its library."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "unpacked"
        path.write_bytes(data)
        yield from decode(path, source, place, as_of, layout)


def _names(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as archive:
        return sorted(archive.namelist())


def _is_kmz(path: Path) -> bool:
    try:
        return any(name.lower().endswith(".kml") for name in _names(path))
    except (zipfile.BadZipFile, OSError, EOFError):
        return False


def _unzip(
    path: Path,
    source: str,
    place: Place,
    as_of: np.datetime64 | None,
    layout: TableLayout | None,
) -> Iterator[Table]:
    """Files of a zip, as the Copernicus store delivers several kinds of data together."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            names = [name for name in _names(path) if is_weather_name(name)]
            whole = _whole_zip(names)
            with zipfile.ZipFile(path) as archive:
                inside = [] if whole else [archive.extract(name, folder) for name in names]
        except (zipfile.BadZipFile, OSError, EOFError):
            raise _damaged(source) from None
        if whole:
            table = whole(path.read_bytes(), source, place, as_of)
            if table is not None:
                yield table
            return
        if not inside:
            problem = "holds no NetCDF or CSV file."
            raise refuse(source, "", problem, remedy="Save a spreadsheet as CSV.")
        for name, item in zip(names, inside, strict=True):
            yield from decode(Path(item), f"{source}/{name}", place, as_of, layout)


def _whole_zip(names: list[str]) -> Callable[..., Table | None] | None:
    """The reader of zips that are one thing: forecasts and stations of the German service."""
    if any(name.lower().endswith(".kml") for name in names):
        from riskcast.weather.formats import mosmix

        return mosmix.decode
    if any(Path(name).name.startswith("produkt_") for name in names):
        from riskcast.weather.formats import dwd_station

        return dwd_station.decode
    return None
