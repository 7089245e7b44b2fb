"""Any weather file riskcast reads, told apart by its first bytes, into one hourly course."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from riskcast.base.errors import Fault, InputMissingError, WeatherError
from riskcast.weather import daily
from riskcast.weather.air import lapse_correction
from riskcast.weather.credit import together
from riskcast.weather.dataset import REQUIRED, Course, Note, Values, to_dataset
from riskcast.weather.formats.by_content import SUFFIXES, decode, is_weather_name
from riskcast.weather.futures.past import fill_long_gaps
from riskcast.weather.quality.rows import check, close_short_gaps, grid
from riskcast.weather.table import Table, derive_together

if TYPE_CHECKING:
    from riskcast.site import Place, TableLayout

__all__ = ["assemble", "expand", "load", "read"]

_TOLD_HEIGHT_M = 100.0  # about 0.65 K: worth a word
_TOLD_CELL_KM = 20.0  # more than half the diagonal of a 0.25° cell


def read(
    paths: str | Path | Iterable[str | Path],
    place: Place,
    *,
    as_of: Any = None,
    table: TableLayout | None = None,
) -> xr.Dataset:
    """Read weather files for one site.

    Parameters
    ----------
    paths : file, folder, glob or several of them
        CF NetCDF or GRIB (ERA5, ERA5-Land, ensembles …, also zipped), answers of Open-Meteo
        (CSV or JSON) and MET Norway (JSON), MOSMIX, zips of German and hourly text of Dutch
        stations, EPW, a plain table ``time,air_temperature,precipitation,…``, or any other
        table by its layout; each also gzipped. Files may hold different variables or different
        years; where two hold the same hour the first counts.
    place : the site: latitude and longitude in degrees, elevation_m
    as_of : UTC moment (datetime64 or ISO text); rows stamped later are not looked at
    table : how to read text tables that do not say it themselves, ``[weather.table]``

    Returns
    -------
    Dataset
        dims ``(member, time)``, hourly UTC, no missing values. ``air_temperature`` degC
        always; ``precipitation`` mm, ``relative_humidity`` %, ``snow_depth`` m,
        ``wind_speed`` m s-1 and ``soil_temperature`` degC where all the files have them;
        ``filled`` tells what was not in the files. Provenance is "observed" throughout.

    Raises
    ------
    InputMissingError
        No such file.
    WeatherError
        All faults of all files at once; or not enough data.
    """
    moment = None if as_of is None else np.datetime64(as_of, "ns")
    course = fill_long_gaps(load(expand(paths), place, moment, table))
    return to_dataset(course, place, "observed")


def expand(paths: str | Path | Iterable[str | Path]) -> list[Path]:
    """Files behind a path, folder, glob or a list of them, in order of name.

    Raises
    ------
    InputMissingError
        Names all that are not there.
    """
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    found: list[Path] = []
    missing: list[Fault] = []
    for item in given:
        path = Path(item).expanduser()
        if path.is_file():
            found.append(path)
            continue
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if is_weather_name(p.name))
            kind = f"the folder holds no weather file ({', '.join(SUFFIXES)})."
        else:
            inside = sorted(Path(p) for p in glob.glob(str(path), recursive=True))  # noqa: PTH207
            inside = [p for p in inside if p.is_file()]
            kind = "no file matches." if glob.has_magic(str(path)) else "no such file."
        if not inside:
            missing.append(Fault(path.name, "", kind, remedy=f"Looked for {path}."))
        found.extend(inside)
    if missing:
        raise InputMissingError(faults=missing)
    return list(dict.fromkeys(found))


def load(
    paths: list[Path],
    place: Place,
    as_of: np.datetime64 | None,
    table: TableLayout | None = None,
) -> Course:
    """Hourly course of some files; gaps of more than three hours stay NaN.

    What the network gives later takes the same way: a `Table` per answer, then `assemble`.
    """
    tables: list[Table] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            tables.extend(decode(path, path.name, place, as_of, table))
        except WeatherError as error:
            faults.extend(error.faults)
    return assemble(tables, faults, place, ", ".join(path.name for path in paths[:3]))


def assemble(tables: list[Table], faults: list[Fault], place: Place, source: str) -> Course:
    """One hourly course from the tables of one site, or all their faults.

    Raises
    ------
    WeatherError
    """
    tables = daily.hourly(tables, place)
    derive_together(tables)
    for table in tables:
        table.faults += check(table, place)
        if not np.array_equal(table.member, tables[0].member):
            problem = f"{len(table.member)} members, but {tables[0].source} has"
            problem += f" {len(tables[0].member)}."
            table.fault("members", problem, remedy="Read files with the same members together.")
        faults += table.faults
    if not faults and not any("air_temperature" in table.values for table in tables):
        problem = "no air temperature in it." if tables else "no row up to the date asked for."
        empty = [n for table in tables for n in table.notes if n.code == "null_column"]
        if any(note.numbers["name"] == "air_temperature" for note in empty):
            problem = "its air temperature is empty from the first row to the last."
        told = [table.lacking for table in tables if table.lacking is not None]
        faults += told or [Fault(source, "", problem, remedy="Download more of it.")]
    if faults:
        raise WeatherError(faults=faults)
    for table in tables:
        _to_site(table, place)
    return _settle(_join(tables))


def _to_site(table: Table, place: Place) -> None:
    """Temperature of the cell's height carried to the height of the site, and the gap told."""
    away = table.attrs.get("cell_distance_km", 0.0)
    if away > _TOLD_CELL_KM:
        table.notes.append(Note("cell_distance", {"km": away}))
    if table.elevation_m is None:
        return
    height_gap = table.elevation_m - float(place.elevation_m)
    change = lapse_correction(table.elevation_m, place.elevation_m)
    table.attrs["height_gap_m"] = round(height_gap, 1)
    table.attrs["lapse_correction_degc"] = round(change, 3)
    if abs(height_gap) > _TOLD_HEIGHT_M:
        table.notes.append(Note("height_gap", {"m": round(height_gap)}))
    if "air_temperature" in table.values:
        table.values["air_temperature"] = table.values["air_temperature"] + change


def _join(tables: list[Table]) -> Course:
    """All tables on one axis; where two have the same hour of a variable, the first counts."""
    grids = [grid(table) for table in tables]
    start = min(g[0] for g in grids)
    size = max(g[0] + len(g[2]) for g in grids) - start
    values: dict[str, Values] = {}
    between = np.zeros(size, dtype=np.int8)
    depth = next((t.depth for t in tables if "soil_temperature" in t.values), np.zeros(0))
    for table, (first, parts, filled) in zip(tables, grids, strict=True):
        window = slice(first - start, first - start + len(filled))
        for name, part in parts.items():
            if name == "soil_temperature" and not np.array_equal(table.depth, depth):
                continue  # other layers than the first file's: two columns, not one
            whole = values.get(name)
            if whole is None:
                whole = np.full((part.shape[0], size, *part.shape[2:]), np.nan)
                values[name] = whole
            target = whole[:, window]
            if name == "air_temperature":
                between[window][np.isnan(target[0])] = filled[np.isnan(target[0])]
            np.copyto(target, part, where=np.isnan(target))
    attrs = dict(tables[0].attrs)
    for key in ("provider", "licence", "attribution"):
        attrs.pop(key, None)
        text = together(table.attrs.get(key) for table in tables)
        if text:
            attrs[key] = text
    notes = tuple({(n.code, n.numbers.get("name")): n for t in tables for n in t.notes}.values())
    gap = np.zeros(size, dtype=bool)
    return Course(start, tables[0].member, values, between, gap, depth, attrs, notes)


def _settle(course: Course) -> Course:
    """Ends without temperature cut off, short gaps closed, members that stop early left out."""
    values = {name: array for name, array in course.values.items() if np.isfinite(array).any()}
    there = np.isfinite(values["air_temperature"])
    if len(course.member) > 1 and "precipitation" in values:
        there &= np.isfinite(values["precipitation"])
    every = np.arange(course.size)
    last = np.where(there, every, -1).max(axis=1)
    # Members of one forecast may stop at different hours: cut where half of them still run.
    end = int(np.sort(last)[(len(last) - 1) // 2])
    begin = int(np.flatnonzero(np.isfinite(values["air_temperature"]).any(axis=0))[0])
    window = slice(begin, end + 1)
    keep = last >= end
    filled, gap = course.filled[window].copy(), np.zeros(end + 1 - begin, dtype=bool)
    closed: dict[str, Values] = {}
    for name, array in values.items():
        part = array[keep][:, window]
        if name in REQUIRED:
            gap |= np.isnan(part).any(axis=0)
        closed[name], new = close_short_gaps(part)
        filled[new & (filled == 0)] = 1
    member, notes = course.member[keep], list(course.notes)
    if len(course.member) > 1:
        whole = np.all(
            [np.isfinite(closed[n]).all(axis=1) for n in REQUIRED if n in closed], axis=0
        )
        if whole.any():
            closed = {name: array[whole] for name, array in closed.items()}
            member = member[whole]
        if len(member) < len(course.member):
            numbers = {"have": len(course.member), "used": len(member)}
            notes.append(Note("members_left_out", numbers))
        for name in [n for n in closed if n not in REQUIRED and np.isnan(closed[n]).any()]:
            del closed[name]
    return replace(
        course,
        start=course.start + begin,
        member=member,
        values=closed,
        filled=filled,
        gap=gap,
        notes=tuple(notes),
    )
