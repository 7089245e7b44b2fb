"""What every step of the room checks the same way."""

from __future__ import annotations

import numpy as np
import xarray as xr

from riskcast.base.quantity import require_variable

__all__ = ["complete_variable"]


def complete_variable(
    weather: xr.Dataset,
    name: str,
    units: str,
    dims: tuple[str, ...] = ("member", "time"),
) -> xr.DataArray:
    """An hourly variable with every value there, its dimensions in the order of `dims`.

    Raises
    ------
    ValueError
        The variable, its units, dimensions or step are not as expected, it has no hours, or
        values are missing: how many, and the first hour.
    """
    array = require_variable(weather, name, dims=dims, units=units, step="1h")
    if not array.size:
        raise ValueError(f"{name}: expected at least one member and one hour")
    missing = ~np.isfinite(array.values)
    if missing.any():
        hours = missing.any(axis=tuple(i for i, dim in enumerate(dims) if dim != "time"))
        first = array["time"].values[int(np.argmax(hours))].astype("datetime64[m]")
        raise ValueError(
            f"{name}: {int(missing.sum())} of {missing.size} values are missing, the first at "
            f"{first} UTC. Fill the gaps first, or leave the variable out"
        )
    return array
