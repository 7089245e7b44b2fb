"""Checks at the doors between rooms: dimensions, units, and the hourly step.

Rooms meet as xarray objects. What arrives is checked once, at the door, so that the
formulas behind it need no branches.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

__all__ = ["require", "require_variable"]

_STEPS = {"1h": np.timedelta64(1, "h"), "1d": np.timedelta64(1, "D")}


def require(
    array: xr.DataArray,
    *,
    dims: tuple[str, ...],
    units: str | None = None,
    step: str | None = None,
    along: str = "time",
) -> xr.DataArray:
    """Return `array` with its dimensions in the order of `dims`, or say what is wrong.

    Parameters
    ----------
    array : DataArray
    dims : the dimensions it must have, no more and no fewer
    units : the text its ``units`` attribute must hold, e.g. ``"degC"``
    step : ``"1h"`` or ``"1d"``: the regular step required along the dimension `along`
    along : the dimension whose coordinate has to be regular

    Raises
    ------
    ValueError
        Names the array, what was expected and what was found.
    """
    name = str(array.name or "array")
    if set(array.dims) != set(dims):
        raise ValueError(f"{name}: expected dimensions {dims}, found {tuple(array.dims)}")
    if units is not None and array.attrs.get("units") != units:
        raise ValueError(f"{name}: expected units {units!r}, found {array.attrs.get('units')!r}")
    if step is not None:
        times = array[along].values.astype("datetime64[ns]")
        steps = np.diff(times)
        if len(steps) and not bool(np.all(steps == _STEPS[step])):
            raise ValueError(f"{name}: expected a step of {step} along {along!r} without gaps")
    return array.transpose(*dims)


def require_variable(dataset: xr.Dataset, name: str, **checks: Any) -> xr.DataArray:
    """`require` for one variable of a Dataset, with an error when it is not there."""
    if name not in dataset:
        raise ValueError(f"expected a variable {name!r}, found {sorted(map(str, dataset))}")
    return require(dataset[name], **checks)
