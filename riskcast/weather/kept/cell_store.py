"""Our own files: the weather of one cell as the source gave it, compressed CF NetCDF.

They hold what was *not yet* fitted to a site: the temperature of the cell's own height. So
sites of one cell share them, and each carries the height correction to itself. `files.read`
reads them like anybody's NetCDF; `unpack` here is quicker and loses no mark of filled hours.

Numbers are kept as float32: 24 bits hold 7.3 decimal digits, so what comes back differs by
less than 1e-5 from values below 100 (sources give one or two decimals).
"""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import WeatherError
from riskcast.weather.air import lapse_correction
from riskcast.weather.cells import distance_deg, kilometres
from riskcast.weather.dataset import (
    FILLED,
    VARIABLES,
    Course,
    Note,
    Times,
    Values,
    hours,
    stamp,
    stamps,
)
from riskcast.weather.table import Table, refuse

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["CellWeather", "of_site", "pack", "to_table", "unpack", "with_marks"]

# Raised when the layout changes, so that an old file is fetched again and not misread.
_LAYOUT = 1
_TIME_UNITS = "hours since 1970-01-01 00:00:00"
_MINUTE_UNITS = "minutes since 1970-01-01 00:00:00"

# The NetCDF library is not safe between threads, not even with a file each.
_ONE_AT_A_TIME = threading.Lock()

# Of a site, not of a cell: computed again for each site.
_OF_A_SITE = ("cell_distance_km", "height_gap_m", "lapse_correction_degc")
# Known only from the source's answer; all other notes are made again where the file is read.
_NOTES_KEPT = ("null_column", "members_left_out", "place_not_stated")


@dataclass(frozen=True)
class CellWeather:
    """Hourly weather of one cell at the cell's own height.

    Attributes
    ----------
    start : first hour since 1970-01-01 UTC
    member : (member,) int
    values : name → (member, time[, depth]) in riskcast's units, NaN where missing
    filled : (time,) int8, index into `FILLED`
    gap : (time,) bool, the source had no value
    depth : (depth,) m
    cell : latitude and longitude of the values, degrees; None where the source does not say
    elevation_m : height the values stand for; None where the source does not say
    attrs : provider, model, licence, attribution … of the source
    marks : what the keeper of the file wants to know again, plain values
    made_at : UTC moment the forecast was made; None for what was
    """

    start: int
    member: npt.NDArray[np.int64]
    values: dict[str, Values]
    filled: npt.NDArray[np.int8]
    gap: npt.NDArray[np.bool_]
    depth: Values = field(default_factory=lambda: np.zeros(0))
    cell: tuple[float, float] | None = None
    elevation_m: float | None = None
    attrs: dict[str, Any] = field(default_factory=dict)
    marks: dict[str, Any] = field(default_factory=dict)
    made_at: np.datetime64 | None = None

    @property
    def size(self) -> int:
        """Number of hours."""
        return len(self.filled)

    @property
    def times(self) -> Times:
        """(time,) datetime64[ns], UTC."""
        return stamps(self.start + np.arange(self.size))


def of_site(
    course: Course,
    place: Place,
    cell: tuple[float, float] | None,
    elevation_m: float | None,
    made_at: np.datetime64 | None = None,
) -> CellWeather:
    """A course fitted to a site, with the height correction taken back.

    Values are already those that the file will hold: a run that fetched and a run that reads
    later compute with the same numbers.

    Parameters
    ----------
    cell, elevation_m : of the `Table` the course was assembled from
    """
    values = dict(course.values)
    change = lapse_correction(elevation_m, place.elevation_m) if elevation_m is not None else 0.0
    values["air_temperature"] = values["air_temperature"] - change
    values = {name: a.astype(np.float32).astype(np.float64) for name, a in values.items()}
    attrs = {key: value for key, value in course.attrs.items() if key not in _OF_A_SITE}
    return CellWeather(
        course.start,
        course.member,
        values,
        course.filled,
        course.gap,
        course.depth,
        cell,
        elevation_m,
        attrs,
        {"notes": [(n.code, dict(n.numbers)) for n in course.notes if n.code in _NOTES_KEPT]},
        made_at,
    )


def pack(weather: CellWeather) -> bytes:
    """The bytes of a compressed CF NetCDF file."""
    with _ONE_AT_A_TIME:
        return _packed(weather)


def _packed(weather: CellWeather) -> bytes:
    import netCDF4  # costs a tenth of a second

    # Built in memory: what reaches the disk is renamed into place whole.
    file = netCDF4.Dataset("cell.nc", "w", format="NETCDF4", memory=1 << 16)
    file.setncatts(
        {
            "Conventions": "CF-1.11",
            "title": "Hourly weather of one grid cell",
            "riskcast_layout": _LAYOUT,
            "riskcast_attrs": json.dumps(weather.attrs, default=str),
            "riskcast_marks": json.dumps(weather.marks),
        }
    )
    for key in ("provider", "model", "licence", "attribution"):
        if key in weather.attrs:
            file.setncattr(key, str(weather.attrs[key]))
    file.createDimension("member", len(weather.member))
    file.createDimension("time", weather.size)
    _put(file, "member", "i4", ("member",), weather.member, standard_name="realization")
    hour = weather.start + np.arange(weather.size)
    about = {"standard_name": "time", "units": _TIME_UNITS, "calendar": "standard"}
    _put(file, "time", "i4", ("time",), hour, **about)
    if weather.made_at is not None:
        minute = weather.made_at.astype("datetime64[m]").astype(np.int64)
        about = {"standard_name": "forecast_reference_time", "calendar": "standard"}
        _put(file, "forecast_reference_time", "i4", (), minute, units=_MINUTE_UNITS, **about)
        file.setncattr("reference_time", stamp(weather.made_at))
    if weather.cell is not None:
        for name, value in zip(("latitude", "longitude"), weather.cell, strict=True):
            units = f"degrees_{'north' if name == 'latitude' else 'east'}"
            _put(file, name, "f8", (), value, standard_name=name, units=units)
    if weather.elevation_m is not None:
        about = {"standard_name": "surface_altitude", "units": "m"}
        _put(file, "elevation", "f8", (), weather.elevation_m, **about)
    if "soil_temperature" in weather.values:
        file.createDimension("depth", len(weather.depth))
        about = {"standard_name": "depth", "units": "m", "positive": "down"}
        _put(file, "depth", "f8", ("depth",), weather.depth, **about)
    flags = {"flag_values": np.arange(len(FILLED), dtype="i1"), "flag_meanings": " ".join(FILLED)}
    _put(file, "filled", "i1", ("time",), weather.filled, **flags)
    _put(file, "gap", "i1", ("time",), weather.gap.astype("i1"), long_name="no value in the source")
    for name, array in weather.values.items():
        known = VARIABLES[name]
        dims = ("member", "time", "depth")[: array.ndim]
        about = {"standard_name": known.standard_name, "units": known.units}
        about |= {"long_name": known.long_name, "cell_methods": known.cell_methods}
        _put(file, name, "f4", dims, array.astype(np.float32), fill=np.float32("nan"), **about)
    return bytes(file.close())


def _put(
    file: Any,
    name: str,
    kind: str,
    dims: tuple[str, ...],
    values: Any,
    fill: Any = None,
    **attributes: Any,
) -> None:
    # Checksums: a flipped bit is found out, and the file fetched again.
    packing = {"zlib": True, "complevel": 4, "shuffle": True, "fletcher32": True} if dims else {}
    variable = file.createVariable(name, kind, dims, fill_value=fill, **packing)
    variable.setncatts(attributes)
    variable[...] = values


def unpack(content: bytes, source: str) -> CellWeather:
    """What `pack` wrote.

    Parameters
    ----------
    source : the file's name, for the error

    Raises
    ------
    WeatherError
        Damaged, cut off, or of another layout.
    """
    import netCDF4

    try:
        with _ONE_AT_A_TIME, netCDF4.Dataset("cell.nc", memory=content) as file:
            file.set_auto_mask(False)
            if int(file.riskcast_layout) != _LAYOUT:
                raise _not_ours(source, f"layout {file.riskcast_layout}, expected {_LAYOUT}")
            return _unpacked(file)
    except (OSError, RuntimeError, ValueError, TypeError, LookupError, AttributeError) as error:
        raise _not_ours(source, str(error)) from None


def _unpacked(file: Any) -> CellWeather:
    there = file.variables
    hour = there["time"][:].astype(np.int64)
    if len(hour) and not np.array_equal(hour, hour[0] + np.arange(len(hour))):
        raise ValueError("its hours do not follow each other")
    cell = None
    if "latitude" in there:
        cell = (float(there["latitude"][...]), float(there["longitude"][...]))
    made = None
    if "forecast_reference_time" in there:
        minute = int(there["forecast_reference_time"][...])
        made = np.datetime64(minute, "m").astype("datetime64[ns]")
    return CellWeather(
        start=int(hour[0]) if len(hour) else 0,
        member=there["member"][:].astype(np.int64),
        values={name: there[name][:].astype(np.float64) for name in VARIABLES if name in there},
        filled=there["filled"][:].astype(np.int8),
        gap=there["gap"][:].astype(bool),
        depth=there["depth"][:] if "depth" in there else np.zeros(0),
        cell=cell,
        elevation_m=float(there["elevation"][...]) if "elevation" in there else None,
        attrs=dict(json.loads(file.riskcast_attrs)),
        marks=dict(json.loads(file.riskcast_marks)),
        made_at=made,
    )


def _not_ours(source: str, problem: str) -> WeatherError:
    return refuse(source, "", f"damaged, or not written by this riskcast ({problem}).")


def to_table(
    weather: CellWeather, source: str, place: Place, *, until: np.datetime64 | None = None
) -> Table | None:
    """Rows for `files.assemble`, which fits them to the site; None where none is that old.

    Parameters
    ----------
    until : UTC moment; later hours are left out
    """
    size = weather.size
    if until is not None:
        size = min(size, int(hours([until])[0]) + 1 - weather.start)
    if size < 1:
        return None
    row = np.arange(size)
    table = Table(source, weather.times[:size], row + 1, "hour", weather.member)
    table.values = {name: array[:, :size].copy() for name, array in weather.values.items()}
    table.depth, table.cell, table.elevation_m = weather.depth, weather.cell, weather.elevation_m
    table.filled = weather.filled[:size].copy()
    table.notes = [Note(code, numbers) for code, numbers in weather.marks.get("notes", ())]
    table.attrs = dict(weather.attrs)
    if "cell_distance_km" in weather.marks:  # the cell itself is not told exactly
        table.attrs["cell_distance_km"] = float(weather.marks["cell_distance_km"])
    elif weather.cell is not None:
        away = kilometres(float(distance_deg(*weather.cell, place)))
        table.attrs["cell_distance_km"] = round(away, 1)
    return table


def with_marks(course: Course, weather: CellWeather) -> Course:
    """What was filled and missing, put back on a course assembled from these hours."""
    window = slice(course.start - weather.start, course.start - weather.start + course.size)
    filled = np.maximum(course.filled, weather.filled[window])
    return replace(course, filled=filled, gap=course.gap | weather.gap[window])
