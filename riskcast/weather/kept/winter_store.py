"""Past weather of a cell on the disk: one file a winter year (July to June), whole or absent.

::

    <cache>/history/open-meteo-era5_seamless/50.0N004.0W/2024.nc

Any number of runs may read and write at once: a file is renamed into place whole, and each
writer's file is complete in itself; of two the later counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import WeatherError
from riskcast.base.files import write_whole
from riskcast.weather.dataset import REQUIRED, Note, Values, hours
from riskcast.weather.kept.cell_store import CellWeather, pack, unpack

__all__ = ["Winter", "WinterStore", "empty", "known_until", "merged", "whole", "year_hours"]

_DAMAGED = ".damaged"


@dataclass(frozen=True)
class Winter:
    """One winter year as it is stored.

    Attributes
    ----------
    weather : its hours, the last with all that is required; `empty` where there are none
    fetched_at : UTC moment of the newest answer in it
    asked : how often it was asked for after all its hours should have been known
    """

    weather: CellWeather
    fetched_at: np.datetime64
    asked: int = 0


class WinterStore:
    """The folder of one cell and one source.

    Attributes
    ----------
    notes : ``cache_not_kept`` for each damaged file, and once for a disk that cannot be used
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._unusable = False
        self.notes: list[Note] = []

    def load(self, years: Iterable[int]) -> dict[int, Winter]:
        """Those of the years that are there; a damaged file is set aside, and told."""
        found = {}
        for year in years:
            path = self._path(year)
            try:
                weather = unpack(path.read_bytes(), path.name)
                fetched_at = np.datetime64(weather.marks["fetched_at"], "ns")
                found[year] = Winter(weather, fetched_at, int(weather.marks["asked"]))
            except FileNotFoundError:
                continue
            except OSError as error:
                self._tell_once(f"stored past weather cannot be read ({error.strerror})")
            except (WeatherError, KeyError, ValueError, TypeError):
                self.set_aside(year)
        return found

    def save(self, year: int, winter: Winter) -> None:
        """Write a year; where that fails it is told once, and the run goes on."""
        seconds = np.datetime_as_string(winter.fetched_at, unit="s")
        marks = winter.weather.marks | {"fetched_at": seconds, "asked": winter.asked}
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_whole(self._path(year), pack(replace(winter.weather, marks=marks)))
        except OSError as error:
            self._tell_once(f"past weather cannot be stored ({error.strerror or error})")

    def set_aside(self, year: int) -> None:
        """Take a damaged file out of the way, so that its year is fetched again."""
        path = self._path(year)
        self._tell(f"the stored winter {year} was damaged and was set aside")
        try:
            path.replace(path.with_name(path.name + _DAMAGED))
        except OSError:
            return  # in a folder that may only be read it stays, and is told every time

    def _path(self, year: int) -> Path:
        return self._folder / f"{year}.nc"

    def _tell_once(self, problem: str) -> None:
        """Of a disk that fails at every file one word is enough."""
        if not self._unusable:
            self._tell(problem)
        self._unusable = True

    def _tell(self, problem: str) -> None:
        self.notes.append(Note("cache_not_kept", {"problem": problem}))


def year_hours(year: int) -> tuple[int, int]:
    """First and last hour of a winter year, since 1970-01-01 UTC."""
    ends = np.array([f"{year}-07-01T00", f"{year + 1}-06-30T23"], dtype="datetime64[ns]")
    first, last = hours(ends)
    return int(first), int(last)


def _there(weather: CellWeather) -> npt.NDArray[np.bool_]:
    """(time,) hours at which all required variables have a value."""
    if any(name not in weather.values for name in REQUIRED):
        return np.zeros(weather.size, dtype=bool)
    finite = [np.isfinite(weather.values[name][0]) for name in REQUIRED]
    return np.asarray(np.all(finite, axis=0))


def known_until(weather: CellWeather) -> int | None:
    """The last hour with all that is required, since 1970; None where there is none.

    Hours that a reanalysis does not have yet come as missing values: what trails is unknown.
    """
    at = np.flatnonzero(_there(weather))
    return weather.start + int(at[-1]) if len(at) else None


def whole(weather: CellWeather, year: int) -> bool:
    """Every hour of the year has all that is required."""
    first, last = year_hours(year)
    return bool(weather.start <= first and _there(weather).sum() == last - first + 1)


def empty(year: int) -> CellWeather:
    """A year without a single value: it was asked for, and the source has none."""
    values = {"air_temperature": np.full((1, 1), np.nan)}
    filled, gap = np.zeros(1, dtype=np.int8), np.ones(1, dtype=bool)
    return CellWeather(year_hours(year)[0], np.zeros(1, dtype=np.int64), values, filled, gap)


def merged(old: CellWeather, new: CellWeather) -> CellWeather | None:
    """Both, the newer values first; None where they are not of one cell and height."""
    same = old.cell == new.cell and old.elevation_m == new.elevation_m
    both_soil = "soil_temperature" in old.values and "soil_temperature" in new.values
    if not same or (both_soil and not np.array_equal(old.depth, new.depth)):
        return None
    start = min(old.start, new.start)
    size = max(old.start + old.size, new.start + new.size) - start
    values: dict[str, Values] = {}
    filled, gap = np.zeros(size, dtype=np.int8), np.ones(size, dtype=bool)
    for weather in (old, new):
        window = slice(weather.start - start, weather.start - start + weather.size)
        for name, array in weather.values.items():
            shape = (array.shape[0], size, *array.shape[2:])
            target = values.setdefault(name, np.full(shape, np.nan))[:, window]
            np.copyto(target, array, where=np.isfinite(array))
        better = np.isfinite(weather.values["air_temperature"][0])
        filled[window][better], gap[window][better] = weather.filled[better], weather.gap[better]
    depth = new.depth if "soil_temperature" in new.values else old.depth
    return replace(
        new, start=start, values=values, filled=filled, gap=gap, depth=depth, attrs=new.attrs
    )
