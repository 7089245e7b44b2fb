"""CF NetCDF files: reanalyses, forecasts, ensembles and gridded observations."""

from __future__ import annotations

from pathlib import Path
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


def decode(path: Path, source: str, place: Place, as_of: np.datetime64 | None) -> Table | None:
    """Rows of a NetCDF file up to `as_of`, or None where it has none yet.

    Raises
    ------
    WeatherError
        The file is damaged, its calendar is none of real days, or it does not cover the site.
    """
    with _open(path, source) as file:
        try:
            table = table_of(file, source, place, as_of)
        except (OSError, RuntimeError) as error:
            raise _damaged(source, error) from None
    if table is not None:
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
        return made_at(file, source)


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
