"""The weather Dataset: names, units and attributes, and the hourly course it is built from.

Every reader, of files now and of services later, ends in a `Course`: hourly numbers in
riskcast's units at one place. `to_dataset` makes the public `xarray.Dataset` of it.

Conventions
-----------
time
    UTC, hourly, on the full hour.
air_temperature, relative_humidity, snow_depth, wind_speed, soil_temperature
    the state at the stamp.
precipitation
    the sum over the hour that *ends* at the stamp, as Open-Meteo, ERA5 and rain gauges
    give it; a source that sums the hour after the stamp has to be shifted by its reader.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = [
    "FILLED",
    "OPTIONAL",
    "PROVENANCE",
    "REQUIRED",
    "VARIABLES",
    "Course",
    "Note",
    "Variable",
    "hours",
    "stamp",
    "stamps",
    "to_dataset",
]

Values = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

PROVENANCE = ("observed", "analysis", "forecast", "past_year")
FILLED = ("none", "interpolated", "diurnal_model", "past_year_mean")


@dataclass(frozen=True)
class Note:
    """Something a reader of the result has to be told: a reason code and its numbers.

    Every code has its sentence in ``advice/templates/reasons.j2``. Those of this room, with
    their numbers:

    - the forecast: ``stale_forecast`` (age_hours, max_age_hours), ``single_forecast``,
      ``dressed_forecast`` (members, pairs), ``members_left_out`` (have, used; source),
      ``forecast_unreadable`` (file), ``forecast_not_kept`` (problem)
    - past years: ``history_incomplete`` (have, asked: more will come), ``past_years_short``
      (have, asked), ``normals_not_possible`` (have, needed), ``trend_adjusted``
      (degc_per_decade, years)
    - values: ``gap_filled`` (share_last_10_days), ``earlier_gap_filled`` (hours),
      ``hours_missing`` (name, percent, nights; source), ``no_variable`` (name, source),
      ``soil_carried_on`` (date, depth_cm), ``soil_not_used`` (why),
      ``null_column`` (name, source), ``frozen_sensor`` (hours, source), ``daily_values``
      (days, source), ``snow_as_water`` (name, source)
    - the place: ``height_gap`` (m, above zero where the file's cell lies higher than the site;
      source), ``cell_distance`` (km; source), ``place_not_stated`` (file; source)
    - the asking: ``source_failed`` (source, problem), ``cache_not_kept`` (problem),
      ``clock_skew`` (hours, service), ``version_ends`` (service)
    """

    code: str
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Variable:
    """One weather variable: its units here, the range it can have, and its names elsewhere.

    `lowest` and `highest` bound what an hourly value at a temperate or boreal site below
    2,000 m can be (wide on purpose: common practice, no source; they catch 999, -9999 and
    wrong units, not odd weather). `slack` is how far packing may push a value past a bound
    that physics sets; such values are moved onto the bound.
    """

    units: str
    quantity: str
    lowest: float
    highest: float
    standard_name: str
    long_name: str
    cell_methods: str
    standard_names: tuple[str, ...]
    aliases: tuple[str, ...]
    slack: float = 0.0


VARIABLES: dict[str, Variable] = {
    "air_temperature": Variable(
        units="degC",
        quantity="temperature",
        lowest=-60.0,
        highest=50.0,
        standard_name="air_temperature",
        long_name="air temperature 2 m above ground",
        cell_methods="time: point",
        standard_names=("air_temperature",),
        aliases=(
            "air_temperature",
            "t2m",
            "2t",
            "2m_temperature",
            "2_metre_temperature",
            "tas",
            "temperature_2m",
            "tg",
            "temperature",
            "t",
        ),
    ),
    "relative_humidity": Variable(
        units="%",
        quantity="humidity",
        lowest=0.0,
        highest=100.0,
        standard_name="relative_humidity",
        long_name="relative humidity 2 m above ground",
        cell_methods="time: point",
        standard_names=("relative_humidity",),
        aliases=(
            "relative_humidity",
            "relative_humidity_2m",
            "relativehumidity_2m",
            "rh2m",
            "r2",
            "2r",
            "hurs",
            "rh",
        ),
        slack=10.0,  # models give supersaturated air
    ),
    "precipitation": Variable(
        units="mm",
        quantity="precipitation",
        lowest=0.0,
        highest=200.0,
        standard_name="lwe_thickness_of_precipitation_amount",
        long_name="precipitation of the hour ending at the stamp",
        cell_methods="time: sum",
        standard_names=(
            "precipitation_amount",
            "lwe_thickness_of_precipitation_amount",
            "precipitation_flux",
            "lwe_precipitation_rate",
        ),
        aliases=("precipitation", "tp", "total_precipitation", "pr", "rr", "precip"),
        slack=0.1,  # packed files hold tiny negative rain
    ),
    "snow_depth": Variable(
        units="m",
        quantity="length",
        lowest=0.0,
        highest=10.0,
        standard_name="surface_snow_thickness",
        long_name="depth of snow on the ground",
        cell_methods="time: point",
        standard_names=("surface_snow_thickness",),
        aliases=("snow_depth", "sde", "snd"),
        slack=0.01,
    ),
    "wind_speed": Variable(
        units="m s-1",
        quantity="speed",
        lowest=0.0,
        highest=75.0,
        standard_name="wind_speed",
        long_name="wind speed 10 m above ground",
        cell_methods="time: point",
        standard_names=("wind_speed",),
        aliases=(
            "wind_speed",
            "wind_speed_10m",
            "windspeed_10m",
            "si10",
            "10si",
            "sfcwind",
            "10m_wind_speed",
        ),
    ),
    "soil_temperature": Variable(
        units="degC",
        quantity="temperature",
        lowest=-50.0,
        highest=60.0,
        standard_name="soil_temperature",
        long_name="temperature of the soil",
        cell_methods="time: point",
        standard_names=("soil_temperature",),
        aliases=("soil_temperature",),
    ),
}

REQUIRED = ("air_temperature", "precipitation")
OPTIONAL = tuple(name for name in VARIABLES if name not in REQUIRED)

_ATTRIBUTES = (
    "provider",
    "model",
    "reference_time",
    "cell_distance_km",
    "height_gap_m",
    "lapse_correction_degc",
    "licence",
    "attribution",
)


@dataclass(frozen=True)
class Course:
    """Hourly weather at the site, in riskcast's units, as plain arrays.

    Attributes
    ----------
    start : first hour, hours since 1970-01-01 UTC
    member : (member,) int labels
    values : name → (member, time) float64; ``soil_temperature`` (member, time, depth)
    filled : (time,) int8, index into `FILLED`
    gap : (time,) bool, True where the file had no value (not: between its regular steps)
    depth : (depth,) m, positive down
    attrs : provider, model, reference_time … as in the Dataset; unknown ones are left out
    notes : what has to be told about this course
    """

    start: int
    member: npt.NDArray[np.int64]
    values: dict[str, Values]
    filled: npt.NDArray[np.int8]
    gap: npt.NDArray[np.bool_]
    depth: Values = field(default_factory=lambda: np.zeros(0))
    attrs: dict[str, Any] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    @property
    def size(self) -> int:
        """Number of hours."""
        return len(self.filled)

    @property
    def times(self) -> Times:
        """(time,) datetime64[ns], UTC."""
        return stamps(self.start + np.arange(self.size))

    def reach(self, name: str, wanted: npt.NDArray[np.int64], member: int = 0) -> Values:
        """Values of one member at hours since 1970, NaN where this course has none.

        Shape (len(wanted),), for soil temperature (len(wanted), depth).
        """
        array = self.values[name][member]
        index = wanted - self.start
        inside = (index >= 0) & (index < self.size)
        out = np.full((len(wanted), *array.shape[1:]), np.nan)
        out[inside] = array[index[inside]]
        return out


def hours(times: Any) -> npt.NDArray[np.int64]:
    """Whole hours since 1970-01-01 of UTC times; minutes are cut off."""
    return np.asarray(times, dtype="datetime64[ns]").astype("datetime64[h]").astype(np.int64)


def stamps(hours_since_1970: Any) -> Times:
    """UTC times, datetime64[ns], of whole hours since 1970-01-01."""
    whole = np.asarray(hours_since_1970, dtype=np.int64)
    return whole.astype("datetime64[h]").astype("datetime64[ns]")


def stamp(moment: np.datetime64) -> str:
    """A UTC moment for people and attributes: ``2025-10-27T06:00Z``."""
    return f"{np.datetime_as_string(moment, unit='m')}Z"


def to_dataset(course: Course, place: Place, provenance: npt.NDArray[Any] | str) -> xr.Dataset:
    """The public Dataset of a course without missing values.

    Parameters
    ----------
    course : every value finite
    place : the site the course stands for
    provenance : one word of `PROVENANCE`, or one an hour (time,)

    Returns
    -------
    Dataset
        dims ``(member, time)``, plus ``depth`` with soil temperature; CF attributes.
    """
    for name, array in course.values.items():
        if not np.isfinite(array).all():
            raise ValueError(f"{name}: expected finite values, found missing ones")
    data: dict[str, Any] = {}
    for name in VARIABLES:
        if name not in course.values:
            continue
        about = VARIABLES[name]
        dims = ("member", "time", "depth") if course.values[name].ndim == 3 else ("member", "time")
        data[name] = (
            dims,
            course.values[name],
            {
                "standard_name": about.standard_name,
                "long_name": about.long_name,
                "units": about.units,
                "cell_methods": about.cell_methods,
            },
        )
    origin = np.broadcast_to(np.asarray(provenance, dtype="U16"), (course.size,)).copy()
    data["provenance"] = ("time", origin, {"long_name": f"one of {', '.join(PROVENANCE)}"})
    data["filled"] = (
        "time",
        np.asarray(FILLED, dtype="U16")[course.filled],
        {"long_name": f"one of {', '.join(FILLED)}"},
    )
    coords: dict[str, Any] = {
        "member": ("member", course.member, {"standard_name": "realization"}),
        "time": ("time", course.times, {"standard_name": "time", "long_name": "UTC"}),
        "latitude": ((), place.latitude, {"units": "degrees_north", "standard_name": "latitude"}),
        "longitude": ((), place.longitude, {"units": "degrees_east", "standard_name": "longitude"}),
        "elevation": ((), place.elevation_m, {"units": "m", "standard_name": "surface_altitude"}),
    }
    if "soil_temperature" in course.values:
        coords["depth"] = (
            "depth",
            course.depth,
            {"units": "m", "positive": "down", "standard_name": "depth"},
        )
    known = {key: course.attrs[key] for key in _ATTRIBUTES if key in course.attrs}
    others = {key: value for key, value in course.attrs.items() if key not in known}
    return xr.Dataset(data, coords, {**known, **others, "Conventions": "CF-1.11"})
