"""GRIB files, as weather centres store forecasts and reanalyses, through cfgrib (an extra)."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather.formats.fields import table_of
from riskcast.weather.formats.timeaxis import made_at
from riskcast.weather.table import Table, derive, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["decode", "reference_time"]

_REMEDY = (
    'Install it with: pip install "riskcast[grib]". Or download the file as NetCDF, or convert'
    " it: grib_to_netcdf -o NEW.nc FILE"
)


def decode(path: Path, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of a GRIB file up to `as_of`, or None where it has none yet.

    cfgrib lays the messages out as several datasets, one for each kind of level and of time;
    those near the ground that hold anything known here are brought together.

    Raises
    ------
    WeatherError
        cfgrib is not installed, the file is damaged, or it does not cover the site.
    """
    cfgrib, broken = _libraries(source)
    tables: list[Table] = []
    unknown: list[WeatherError] = []
    for file in _open(path, source, cfgrib, broken):
        try:
            table = table_of(_in_line(file), source, place, as_of)
        except WeatherError as error:
            unknown.append(error)  # one dataset of no use is no fault where another has all
            continue
        except broken as error:
            raise _damaged(source, error) from None
        if table is not None:
            tables.append(table)
    if unknown and not any(table.values for table in tables):
        raise unknown[0]
    if not tables:
        return None
    whole = _merged(tables)
    derive(whole)
    return whole


def reference_time(path: Path, source: str) -> np.datetime64 | None:
    """When the forecast in the file was made, None for an analysis.

    Raises
    ------
    WeatherError
        cfgrib is not installed, the file is damaged, or it holds several forecasts.
    """
    cfgrib, broken = _libraries(source)
    made = {made_at(_in_line(file), source) for file in _open(path, source, cfgrib, broken)}
    stated = sorted(moment for moment in made if moment is not None)
    if len(stated) > 1:
        problem = f"the file holds {len(stated)} forecasts, expected one."
        raise refuse(source, "time", problem, remedy="Write one file a forecast.")
    return stated[0] if stated else None


def _open(
    path: Path, source: str, cfgrib: ModuleType, broken: tuple[type[Exception], ...]
) -> list[xr.Dataset]:
    try:
        # No index file beside the user's data. Times are decoded after the cut at as_of.
        options = {"indexpath": "", "errors": "raise"}
        found = cfgrib.open_datasets(str(path), backend_kwargs=options, decode_times=False)
    except broken as error:
        raise _damaged(source, error) from None
    datasets: list[xr.Dataset] = list(found)
    if not datasets:
        raise _damaged(source, EOFError("no whole message in it"))
    return datasets


def _libraries(source: str) -> tuple[ModuleType, tuple[type[Exception], ...]]:
    """cfgrib, and what it raises for files that are not whole."""
    try:
        cfgrib = import_module("cfgrib")  # an extra, with a big C library behind it
        of_eccodes: type[Exception] = import_module("eccodes").CodesInternalError
    except (ImportError, RuntimeError):  # without its C library it raises RuntimeError
        problem = "this is a GRIB file, and the library that reads GRIB is not installed."
        raise refuse(source, "", problem, remedy=_REMEDY) from None
    of_python = (OSError, RuntimeError, ValueError, TypeError, LookupError, EOFError)
    return cfgrib, (*of_python, of_eccodes)


def _damaged(source: str, error: Exception) -> WeatherError:
    problem = f"damaged or cut off, it cannot be read as GRIB ({error})."
    return refuse(source, "", problem, remedy="Download it again.")


def _in_line(file: xr.Dataset) -> xr.Dataset:
    """Amounts of a reanalysis, stored by start and step, along their one line of valid times.

    Left as it is where two runs reach the same moment: those are several forecasts.
    """
    valid = file.get("valid_time")
    if valid is None or valid.ndim != 2 or len(np.unique(valid)) < valid.size:
        return file
    if file.sizes.get("step", 1) > 1 and file.sizes.get("time", 1) == 1:
        return file.squeeze("time")
    # The labels would become a MultiIndex, and each row's start is of no more use.
    plain = file.drop_vars([n for n in ("time", "step") if n in file.variables])
    line = plain.stack(row=valid.dims, create_index=False)
    return line.sortby("valid_time")


def _merged(tables: list[Table]) -> Table:
    """Variables of all tables at the moments of all; NaN where a table has none."""
    first = tables[0]
    if len(tables) == 1:
        return first
    fitting = [t for t in tables if np.array_equal(t.member, first.member)]
    time = np.unique(np.concatenate([table.time for table in fitting]))
    out = Table(first.source, time, np.arange(len(time)) + 1, first.row_word, first.member)
    out.daily, out.forecast = first.daily, any(table.forecast for table in fitting)
    out.cell = first.cell
    out.elevation_m = next((t.elevation_m for t in fitting if t.elevation_m is not None), None)
    out.notes = list({note.code: note for t in fitting for note in t.notes}.values())
    for table in fitting:
        out.attrs = table.attrs | out.attrs
        out.faults += table.faults
        out.rate |= table.rate
        out.depth = table.depth if len(table.depth) else out.depth
        at = np.searchsorted(time, table.time)
        for name, values in table.values.items():
            whole = np.full((values.shape[0], len(time), *values.shape[2:]), np.nan)
            whole[:, at] = values
            out.values.setdefault(name, whole)
    return out
