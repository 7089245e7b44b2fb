"""A CF dataset, wherever it came from, into the rows of one place.

What differs between providers and is settled here: packing (xarray unpacks), the direction
of latitude, longitudes in -180..180 or 0..360, curved grids and lists of stations, ensemble
axes, a legacy axis that splits final from preliminary data, running totals of rain, days.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.errors import WeatherError
from riskcast.weather.cells import kilometres, nearest_first, outside
from riskcast.weather.credit import credit
from riskcast.weather.daily import MEAN
from riskcast.weather.dataset import Note, Values
from riskcast.weather.formats.amounts import per_step
from riskcast.weather.formats.names import (
    find,
    has_extremes,
    key,
    quantity,
    say_what_is_missing,
    snow_as_water,
)
from riskcast.weather.formats.timeaxis import Rows, name_of_time, rows_until
from riskcast.weather.table import Table, refuse
from riskcast.weather.units import UnitError, convert

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["table_of"]

Whole = npt.NDArray[np.int64]

_MEMBER_NAMES = ("number", "realization", "member", "ensemble")
_HEIGHTS = ("surface_altitude", "altitude", "height_above_mean_sea_level")
_HEIGHT_NAMES = ("elevation", "altitude", "orography", "orog", "surface_altitude")
_RUNNING = ("tp", "total_precipitation")
_STORED = {"step": "per step", "day": "running from 00 UTC", "start": "running from the start"}
_PROJECTED = ("projection_x_coordinate", "projection_y_coordinate", "grid_latitude")

# Copernicus marks rows of the last months by this version: final values may differ.
_PRELIMINARY = "0005"

# A coast may hide the nearest cells behind a mask; beyond this many it is all sea.
_MOST_CELLS = 64

# Rows looked at before a cell is taken for sea: missing days seldom hit all of a dozen.
_PROBES = 12

_Cell = tuple[dict[str, int], float]


def table_of(
    file: xr.Dataset, source: str, place: Place, as_of: np.datetime64 | None
) -> Table | None:
    """Rows at the nearest cell with values, up to `as_of`; None where there are none yet.

    The table may still hold ingredients (dew point, wind components): `derive` uses them.

    Parameters
    ----------
    file : opened with ``decode_times=False``, so that no later stamp can matter

    Raises
    ------
    WeatherError
        A calendar of no real days, or a file that does not cover the site.
    OSError, RuntimeError
        From the library that reads a damaged file.
    """
    time = name_of_time(file, source)
    dim = str(file[time].dims[0])
    rows = rows_until(file, time, as_of, source, extremes=has_extremes(file))
    if not len(rows.position):
        return None
    table = Table(source, rows.time, rows.position + 1, "time step", np.zeros(1, dtype=np.int64))
    table.forecast = "step" in file.dims or "forecast_reference_time" in file.variables
    table.daily = rows.daily
    found = find(file, daily=rows.daily)
    if MEAN not in found:
        say_what_is_missing(file, table, daily=rows.daily)
        if table.faults:
            raise WeatherError(faults=table.faults)
    index = _cell(file, found, dim, rows.position, table, place)
    for name, variable in found.items():
        _take(variable, name, dim, rows.position, index, table)
    _height(file, index, table)
    _preliminary(file, dim, rows, table)
    water = snow_as_water(file)
    if water:
        table.notes.append(Note("snow_as_water", {"name": water, "source": source}))
    marks = [variable.attrs for variable in found.values()]
    table.attrs |= credit(file.attrs, marks, rows.time, table.forecast)
    return table


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
    lead = found.get(MEAN, next(iter(found.values())))
    if axes is None:
        _refuse_projected(file, lead, table.source)
        table.notes.append(Note("place_not_stated", {"file": table.source}))
        return {}
    cells = list(islice(nearest_first(*axes, place), _MOST_CELLS))
    if not cells:
        raise WeatherError(faults=[outside(table.source, *axes, place)])
    for index, away in _lit_first(lead, dim, position, cells):
        column = _column(lead, dim, position, index)
        if np.isfinite(column.values).any():
            lat, lon = (float(_at(axis, index)) for axis in axes)
            table.cell = (lat, (lon + 180.0) % 360.0 - 180.0)
            table.attrs["cell_distance_km"] = round(kilometres(away), 1)
            return index
    raise refuse(
        table.source,
        str(lead.name),
        f"the {len(cells)} cells around the site hold no values (sea in a land model?).",
        remedy="Download a file that covers the site's own cell with data.",
    )


def _lit_first(
    lead: xr.DataArray, dim: str, position: Whole, cells: list[_Cell]
) -> Iterator[_Cell]:
    """Cells with a value in some rows, nearest first; then the others, which are likely sea.

    One cell's whole column costs as much to read as every cell's where a file is laid out in
    maps: looking at a few maps spares reading the columns of the sea.
    """
    if len(position) <= _PROBES:
        yield from cells
        return
    rows = position[np.linspace(0, len(position) - 1, _PROBES).astype(int)]
    box = {}
    for d in cells[0][0]:
        along = [index[d] for index, _ in cells]
        box[d] = slice(min(along), max(along) + 1)
    maps = lead.isel({d: s for d, s in box.items() if d in lead.dims}).isel({dim: rows}).load()
    dark = []
    for index, away in cells:
        here = {d: i - box[d].start for d, i in index.items()}
        if np.isfinite(_at(maps, here).values).any():
            yield index, away
        else:
            dark.append((index, away))
    yield from dark


def _refuse_projected(file: xr.Dataset, lead: xr.DataArray, source: str) -> None:
    """A map projection in metres, or about a turned pole, says nothing of where the site is."""
    named = [n for s in _PROJECTED for n in file.cf.standard_names.get(s, [])]
    named += [n for n in ("rlat", "easting", "x") if n in lead.dims]
    if not named:
        return
    axis = str(named[0])
    raise refuse(
        source,
        axis,
        "a grid in a map projection, without the latitude and longitude of its cells.",
        remedy="Download it with its two-dimensional latitude and longitude, or on a plain"
        " latitude-longitude grid.",
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
        table.member = _numbered(labels)
    elif len(labels) == 1 < len(table.member):
        values = np.repeat(values, len(table.member), axis=0)
    elif len(labels) != len(table.member):
        problem = f"{len(labels)} members, but the first variable has {len(table.member)}."
        table.fault(str(variable.name), problem, remedy="Download all variables with all members.")
        return
    table.values[name] = _ending_here(values, variable) if table.daily else values
    if name == "soil_temperature":
        table.depth = column["depth"].values.astype(float)


def _numbered(labels: npt.NDArray[np.generic]) -> Whole:
    """Members by their number; those named by words are counted."""
    try:
        return labels.astype(np.int64)
    except ValueError:
        return np.arange(len(labels))


def _ending_here(values: Values, variable: xr.DataArray) -> Values:
    """Model output of one row a day holds the 24 h that end at the stamp, others begin there."""
    accumulated = variable.attrs.get("GRIB_stepType") == "accum"
    if not (accumulated and key(variable.name) in _RUNNING):
        return values
    return np.concatenate([values[:, 1:], np.full_like(values[:, :1], np.nan)], axis=1)


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
    if name == "precipitation" and not (rate or table.daily) and key(variable.name) in _RUNNING:
        converted, kind = per_step(converted, table.time, forecast=table.forecast)
        table.attrs["precipitation_stored"] = _STORED[kind]
    table.rate |= rate
    return converted


def _preliminary(file: xr.Dataset, dim: str, rows: Rows, table: Table) -> None:
    """Since when the rows are preliminary, where Copernicus marks them one by one."""
    if "expver" not in file.variables or file["expver"].dims != (dim,):
        return
    version = file["expver"].values[rows.position].astype(str)
    early = np.flatnonzero(np.char.zfill(np.char.strip(version), len(_PRELIMINARY)) == _PRELIMINARY)
    if len(early):
        first = np.datetime_as_string(rows.time[early[0]], unit="m")
        table.attrs["preliminary_from"] = f"{first}Z"


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
