"""CF NetCDF files: reanalyses, forecasts and ensembles.

What differs between providers and is settled here: packing (xarray unpacks), the direction
of latitude, longitudes in -180..180 or 0..360, the name of the time axis, ensemble axes, a
legacy axis that splits final from preliminary data, running totals of rain.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import cftime
import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather.amounts import per_step
from riskcast.weather.cells import kilometres, nearest_first, outside
from riskcast.weather.credit import credit
from riskcast.weather.dataset import Note, Times, Values
from riskcast.weather.names import find, key, quantity, say_what_is_missing
from riskcast.weather.table import Table, derive, readable, refuse
from riskcast.weather.units import UnitError, convert

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["decode", "reference_time"]

Whole = npt.NDArray[np.int64]
_T = TypeVar("_T")

_CALENDARS = ("standard", "gregorian", "proleptic_gregorian")
_MEMBER_NAMES = ("number", "realization", "member", "ensemble")
_HEIGHTS = ("surface_altitude", "altitude", "height_above_mean_sea_level")
_HEIGHT_NAMES = ("elevation", "altitude", "orography", "orog", "surface_altitude")
_RUNNING = ("tp", "total_precipitation")
_STORED = {"step": "per step", "day": "running from 00 UTC", "start": "running from the start"}

# A coast may hide the nearest cells behind a mask; beyond this many it is all sea.
_MOST_CELLS = 64


def decode(path: Path, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of a NetCDF file up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The file is damaged, its calendar is none of real days, or it does not cover the site.
    """
    with _open(path, source) as file:
        time = _time(file, source)
        dim = str(file[time].dims[0])
        position, times = _rows(file[time], as_of, source)
        if not len(position):
            return None
        table = Table(source, times, position + 1, "time step", np.zeros(1, dtype=np.int64))
        table.forecast = "step" in file.dims or "forecast_reference_time" in file.variables
        found = find(file)
        if "air_temperature" not in found:
            say_what_is_missing(file, table)
            if table.faults:
                raise WeatherError(faults=table.faults)
        try:
            index = _cell(file, found, dim, position, table, place)
            for name, variable in found.items():
                _take(variable, name, dim, position, index, table)
        except (OSError, RuntimeError) as error:
            raise _damaged(source, error) from None
        _height(file, index, table)
        marks = [variable.attrs for variable in found.values()]
        table.attrs |= credit(file.attrs, marks, times, table.forecast)
    derive(table)
    return table


def reference_time(path: Path, source: str) -> np.datetime64 | None:
    """When the forecast in the file was made, None where the file does not say.

    Raises
    ------
    WeatherError
        Damaged file, or several forecasts in one file.
    """
    with _open(path, source) as file:
        valid = _time(file, source)
        named = ["forecast_reference_time"] if "forecast_reference_time" in file.variables else []
        for name in [*named, *file.cf.standard_names.get("forecast_reference_time", [])]:
            made = file[name]
            if name == valid or (made.size > 1 and made.dims == file[valid].dims):
                continue  # an analysis: every step is its own start
            if made.size > 1:
                problem = f"the file holds {made.size} forecasts, expected one."
                raise refuse(source, str(name), problem, remedy="Write one file a forecast.")
            return np.datetime64(_decoded(made, np.atleast_1d(made.values), source)[0])
        stated = file.attrs.get("reference_time", file.attrs.get("forecast_reference_time"))
    return None if stated is None else _parsed(str(stated), source)


def _parsed(text: str, source: str) -> np.datetime64:
    try:
        moment = dt.datetime.fromisoformat(text.strip().replace("Z", "+00:00"))
    except ValueError:
        problem = "expected a time as in 2025-10-27T06:00:00Z."
        raise refuse(source, "reference_time", problem, text) from None
    if moment.tzinfo is not None:
        moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
    return np.datetime64(moment, "ns")


def _open(path: Path, source: str) -> xr.Dataset:
    try:
        _check_whole(path, source)
        # Times are decoded after the cut at as_of, so that no later stamp can matter.
        return xr.open_dataset(path, engine="netcdf4", decode_times=False, cache=False)
    except (OSError, RuntimeError, ValueError, TypeError, LookupError) as error:
        raise _damaged(source, error) from None


def _check_whole(path: Path, source: str) -> None:
    """The NetCDF library reads zeros past the end of a classic file that was cut off.

    SciPy's reader does not: it lays every variable over the bytes that are there.
    """
    with path.open("rb") as file:
        magic = file.read(4)
    if magic == b"CDF\x05":
        problem = "the 64-bit-data variant of NetCDF cannot be checked for being whole."
        raise refuse(source, "", problem, remedy="Convert it: nccopy -k nc4 FILE NEW.nc")
    if magic.startswith(b"CDF"):
        from scipy.io import netcdf_file  # only classic files need it

        with netcdf_file(path, "r", mmap=True):
            pass


def _damaged(source: str, error: Exception) -> WeatherError:
    problem = f"damaged or cut off, it cannot be read as NetCDF ({error})."
    return refuse(source, "", problem, remedy="Download it again.")


def _time(file: xr.Dataset, source: str) -> str:
    """Name of the variable that says when each row is valid."""
    by_standard = file.cf.standard_names.get("time", [])
    names = [*by_standard, *(n for n in ("valid_time", "time", "t") if n in file.variables)]
    dated = [n for n in dict.fromkeys(names) if "since" in str(file[n].attrs.get("units", ""))]
    rows = [str(n) for n in dated if file[n].ndim == 1]
    if rows:
        return rows[0]
    if any(file[name].ndim > 1 for name in dated):
        problem = "several forecasts in one file: its times have two dimensions."
        raise refuse(source, "time", problem, remedy="Write one file a forecast.")
    raise refuse(
        source,
        "time",
        "no time axis: expected a variable with standard_name time and units such as"
        ' "hours since 1970-01-01".',
        remedy=f"The file holds {', '.join(map(str, file.variables)) or 'nothing'}.",
    )


def _rows(time: xr.DataArray, as_of: np.datetime64 | None, source: str) -> tuple[Whole, Times]:
    """Positions of the rows up to `as_of`, and their times."""
    calendar = str(time.attrs.get("calendar", "standard")).lower()
    if calendar not in _CALENDARS:
        raise refuse(
            source,
            str(time.name),
            "a calendar without real dates belongs to climate models, not to observed or"
            " forecast weather.",
            calendar,
            "Use a reanalysis, a station or a forecast (calendar standard).",
        )
    raw = time.values
    limit = None
    if as_of is not None:
        moment = as_of.astype("datetime64[us]").astype(dt.datetime)
        limit = _understood(time, source, lambda units: cftime.date2num(moment, units, calendar))
    position = readable(raw, limit)
    return position, _decoded(time, raw[position], source)


def _decoded(time: xr.DataArray, raw: npt.NDArray[np.generic], source: str) -> Times:
    """(row,) datetime64[ns]; NaN becomes NaT. Seconds are whole: fractions of days are not."""

    def by_xarray(units: str) -> Times:
        attrs = {"units": units, "calendar": time.attrs.get("calendar", "standard")}
        fine = xr.decode_cf(xr.Dataset({"at": ("row", raw, attrs)}))["at"].values
        half = np.timedelta64(500, "ms")
        whole: Times = (fine.astype("datetime64[ns]") + half).astype("datetime64[s]")
        return whole.astype("datetime64[ns]")

    return _understood(time, source, by_xarray)


def _understood(time: xr.DataArray, source: str, step: Callable[[str], _T]) -> _T:
    units = str(time.attrs.get("units", ""))
    try:
        return step(units)
    except (ValueError, OverflowError) as error:
        problem = f"times cannot be read: {error}."
        remedy = 'Expected units such as "hours since 1970-01-01".'
        raise refuse(source, str(time.name), problem, units, remedy) from None


def _axes(file: xr.Dataset) -> tuple[xr.DataArray, xr.DataArray] | None:
    """Latitude and longitude of the cells, None where the file does not say."""
    named = file.cf.coordinates
    pairs = [("latitude", "longitude"), ("lat", "lon")]
    if named.get("latitude") and named.get("longitude"):
        pairs.insert(0, (named["latitude"][0], named["longitude"][0]))
    for lat, lon in pairs:
        if lat in file.variables and lon in file.variables:
            return file[lat], file[lon]
    try:
        point = float(file.attrs["latitude"]), float(file.attrs["longitude"])
    except (KeyError, TypeError, ValueError):
        return None
    return xr.DataArray(point[0]), xr.DataArray(point[1])


def _cell(
    file: xr.Dataset,
    found: dict[str, xr.DataArray],
    dim: str,
    position: Whole,
    table: Table,
    place: Place,
) -> dict[str, int]:
    """Index of the nearest cell that has values; the sea of a land model has none."""
    axes = _axes(file)
    if axes is None:
        table.notes.append(Note("place_not_stated", {"file": table.source}))
        return {}
    lead = found.get("air_temperature", next(iter(found.values())))
    tried = 0
    for index, away in nearest_first(*axes, place):
        tried += 1
        if tried > _MOST_CELLS:
            break
        column = _column(lead, dim, position, index)
        if np.isfinite(column.values).any():
            lat, lon = (float(_at(axis, index)) for axis in axes)
            table.cell = (lat, (lon + 180.0) % 360.0 - 180.0)
            table.attrs["cell_distance_km"] = round(kilometres(away), 1)
            return index
    if not tried:
        raise WeatherError(faults=[outside(table.source, *axes, place)])
    raise refuse(
        table.source,
        str(lead.name),
        f"the {tried} cells around the site hold no values (sea in a land model?).",
        remedy="Download a file that covers the site's own cell with data.",
    )


def _at(variable: xr.DataArray, index: dict[str, int]) -> xr.DataArray:
    return variable.isel({d: i for d, i in index.items() if d in variable.dims})


def _column(
    variable: xr.DataArray, dim: str, position: Whole, index: dict[str, int]
) -> xr.DataArray:
    """The rows that may be read, at one cell; nothing else is taken from the disk."""
    until = slice(0, int(position[-1]) + 1)
    return _at(variable, index).isel({dim: until}).load().isel({dim: position})


def _take(
    variable: xr.DataArray,
    name: str,
    dim: str,
    position: Whole,
    index: dict[str, int],
    table: Table,
) -> None:
    """Read one variable at the cell, convert its units, and put it into the table."""
    column = _one_version(_column(variable, dim, position, index))
    column = _with_depth(column) if name == "soil_temperature" else column
    member = next((str(d) for d in column.dims if _is_member(column, str(d))), "member")
    order = [member, dim, *(["depth"] if name == "soil_temperature" else [])]
    column = column.squeeze([d for d in column.dims if d not in order and column.sizes[d] == 1])
    extra = [f"{d} ({column.sizes[d]})" for d in column.dims if d not in order]
    if extra:
        problem = f"cannot tell which of {', '.join(extra)} to read."
        table.fault(str(variable.name), problem, remedy="Write a file without this dimension.")
        return
    if name == "soil_temperature" and "depth" not in column.dims:
        return  # a depth that is not stated is no depth
    if member not in column.dims:
        column = column.expand_dims("member")
    labels = column[member].values if member in column.coords else np.arange(column.sizes[member])
    values = _converted(column.transpose(*order).values, variable, name, table)
    if values is None:
        return
    if not table.values:
        table.member = labels.astype(np.int64)
    elif len(labels) == 1 < len(table.member):
        values = np.repeat(values, len(table.member), axis=0)
    elif len(labels) != len(table.member):
        problem = f"{len(labels)} members, but the first variable has {len(table.member)}."
        table.fault(str(variable.name), problem, remedy="Download all variables with all members.")
        return
    table.values[name] = values
    if name == "soil_temperature":
        table.depth = column["depth"].values.astype(float)


def _is_member(column: xr.DataArray, dim: str) -> bool:
    if dim in _MEMBER_NAMES:
        return True
    return dim in column.coords and column[dim].attrs.get("standard_name") == "realization"


def _one_version(column: xr.DataArray) -> xr.DataArray:
    """Final data where there are any, else preliminary: legacy files split them by an axis."""
    if "expver" not in column.dims:
        return column
    merged = column.isel(expver=0, drop=True)
    for k in range(1, column.sizes["expver"]):
        merged = merged.combine_first(column.isel(expver=k, drop=True))
    return merged


def _with_depth(column: xr.DataArray) -> xr.DataArray:
    if "depth" in column.dims:
        return column
    for name, coord in column.coords.items():
        if coord.attrs.get("standard_name") != "depth":
            continue
        if coord.ndim == 1:
            renamed = column.rename({coord.dims[0]: "depth"})
            return renamed.assign_coords(depth=("depth", coord.values))
        if coord.ndim == 0:
            return column.drop_vars([name]).expand_dims(depth=[float(coord)])
    return column


def _converted(
    values: npt.NDArray[np.generic], variable: xr.DataArray, name: str, table: Table
) -> Values | None:
    """In riskcast's unit and as amounts per step; None, and a fault, where units are no help."""
    units = variable.attrs.get("units")
    stated = None if units is None else str(units)
    try:
        converted, rate = convert(values.astype(float), stated, quantity(name))
    except UnitError as error:
        remedy = "Set the attribute units of the variable, or download the file again."
        table.fault(f"units of {variable.name}", str(error), stated or "", remedy)
        return None
    if name == "precipitation" and not rate and key(variable.name) in _RUNNING:
        converted, kind = per_step(converted, table.time, forecast=table.forecast)
        table.attrs["precipitation_stored"] = _STORED[kind]
    table.rate |= rate
    return converted


def _height(file: xr.Dataset, index: dict[str, int], table: Table) -> None:
    """Height above the sea that the cell's temperatures stand for, where the file says it."""
    names = [n for s in _HEIGHTS for n in file.cf.standard_names.get(s, [])]
    for name in [*names, *(n for n in _HEIGHT_NAMES if n in file.variables)]:
        height = _at(file[name], index)
        if height.size == 1 and np.isfinite(height.values).all():
            table.elevation_m = float(np.ravel(height.values)[0])
            return
    stated = file.attrs.get("elevation", file.attrs.get("elevation_m"))
    if isinstance(stated, int | float | np.number):
        table.elevation_m = float(stated)
