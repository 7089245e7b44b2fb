"""What is given to a winter, checked at the door and spread over (animal, member, draw)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.base.quantity import require

__all__ = ["checked_masses", "checked_nest", "checked_onset", "spread"]

FloatArray = npt.NDArray[np.float64]
_HOUR = np.timedelta64(1, "h")
_DIMS = ("animal", "member", "draw")


def checked_nest(nest: xr.DataArray) -> xr.DataArray:
    nest = require(nest, dims=("member", "time"), units="degC", step="1h")
    if not nest.size:
        raise ValueError("nest_temperature: expected at least one member and one hour")
    if not np.isfinite(nest.values).all():
        raise ValueError("nest_temperature: has missing hours")
    return nest


def checked_masses(body_mass_g: npt.ArrayLike | xr.DataArray) -> xr.DataArray:
    """Masses with a name along ``animal`` for each, on which its chance hangs."""
    masses = (
        body_mass_g
        if isinstance(body_mass_g, xr.DataArray)
        else xr.DataArray(np.atleast_1d(np.asarray(body_mass_g, dtype=float)), dims=("animal",))
    )
    if "animal" not in masses.dims or not set(masses.dims) <= {"animal", "member", "draw"}:
        raise ValueError(
            f"body_mass_g: expected dimensions (animal[, member][, draw]), found {masses.dims}"
        )
    if not masses.sizes["animal"]:
        raise ValueError("body_mass_g: expected at least one animal")
    if "animal" not in masses.coords:
        masses = masses.assign_coords(animal=np.arange(masses.sizes["animal"]))
    if not bool(((masses > 0) & np.isfinite(masses)).all()):
        raise ValueError("body_mass_g: every mass has to be a number above zero")
    names = [str(name) for name in masses["animal"].values]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        # Chance hangs on the name: two of one name would share their luck.
        raise ValueError(f"body_mass_g: every animal needs a name of its own, found twice: {twice}")
    return masses


def checked_onset(
    onset: xr.DataArray | np.datetime64 | None, start: np.datetime64
) -> xr.DataArray | float:
    """Hours from the start of the series to the first torpid one; earlier counts as the start."""
    if onset is None:
        return 0.0
    values = onset.values if isinstance(onset, xr.DataArray) else as_ns(onset)
    hours = (values.astype("datetime64[ns]") - start) / _HOUR
    if not np.isfinite(hours).all():
        raise ValueError("onset: has missing moments")
    hours = np.maximum(hours, 0.0)
    return onset.copy(data=hours) if isinstance(onset, xr.DataArray) else float(hours)


def spread(
    values: xr.DataArray | float,
    what: str,
    names: xr.DataArray | None,
    nest: xr.DataArray,
    draws: int,
) -> FloatArray:
    """Broadcast over (animal, member, draw).

    Values are joined by place, so where both sides name their animals or members, the names
    have to be the same and in the same order.

    Parameters
    ----------
    values : over any of the three
    what : what they are, for the error
    names : names of the animals; None = one animal without a name
    nest, draws : the members and the number of draws

    Raises
    ------
    ValueError
        A wrong size, or other names.
    """
    shape = (1 if names is None else names.size, nest.sizes["member"], draws)
    if not isinstance(values, xr.DataArray):
        return np.full(shape, float(values))
    sizes = dict(zip(_DIMS, shape, strict=True))
    named = {"animal": names, "member": nest.coords.get("member")}
    for dim, size in values.sizes.items():
        if size != sizes.get(str(dim)):
            raise ValueError(f"{what}: expected {sizes.get(str(dim))} along {dim!r}, found {size}")
        other = named.get(str(dim))
        if other is not None and dim in values.coords:
            mine, theirs = list(values[dim].values), list(other.values)
            if mine != theirs:
                raise ValueError(f"{what}: along {dim!r} expected {theirs}, found {mine}")
    ordered = values.transpose(*[d for d in _DIMS if d in values.dims])
    index = tuple(slice(None) if d in values.dims else np.newaxis for d in _DIMS)
    return np.array(np.broadcast_to(ordered.values[index], shape), dtype=float)
