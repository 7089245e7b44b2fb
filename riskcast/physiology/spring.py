"""Spring: when hibernation ends, and what the wait for food costs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.quantity import require_variable
from riskcast.base.streams import stream
from riskcast.physiology.autumn import nightly_hazard
from riskcast.physiology.torpor import grams_per_ml_oxygen
from riskcast.species import Species

__all__ = ["emergence", "emergence_logit", "gap_cost"]

FloatArray = npt.NDArray[np.float64]
_DAY = np.timedelta64(1, "D")


def emergence_logit(nest_temperature_10d: npt.ArrayLike, sp: Species) -> FloatArray:
    """Log odds that an animal ends its hibernation tonight: −3 + 0.6·(T − 9). Provisional;
    no published equation exists. Not before 15 March."""
    p = sp.emergence
    t = np.asarray(nest_temperature_10d, dtype=float)
    return np.asarray(p.intercept + p.temperature_slope * (t - p.reference_temperature))


def emergence(
    nights: xr.Dataset, sp: Species, *, key: str = "reference", draws: int = 256, seed: int = 0
) -> xr.DataArray:
    """Evening of emergence in every future.

    Parameters
    ----------
    nights : Dataset (member, night) with ``nest_temperature_10d`` (degC), reaching past
        ``emergence.earliest``
    sp : Species, central values; it is drawn here
    key : whose chance it is

    Returns
    -------
    DataArray (member, draw) of datetime64: NaT = not by the end of the series

    Raises
    ------
    ValueError
        The nights do not reach the earliest evening of emergence.
    """
    nest = require_variable(nights, "nest_temperature_10d", dims=("member", "night"), units="degC")
    night = nights["night"].values.astype("datetime64[D]")
    month, day = sp.emergence.earliest
    earliest = np.datetime64(f"{str(night[-1])[:4]}-{month:02d}-{day:02d}", "D")
    open_nights = np.flatnonzero(night >= earliest)
    if not open_nights.size:
        raise ValueError(f"nights: expected to reach {earliest}, end on {night[-1]}")
    columns = sp.draw(draws, seed).columns()
    target = stream(seed, "emergence", key).standard_exponential(draws)
    hazard = nightly_hazard(emergence_logit(nest.values[:, np.newaxis, open_nights], columns))
    reached = np.cumsum(hazard, axis=-1) >= target[:, np.newaxis]
    first = np.where(reached.any(axis=-1), reached.argmax(axis=-1), -1)
    evening = np.where(
        first >= 0, night[open_nights][first].astype("datetime64[ns]"), np.datetime64("NaT")
    )
    return xr.DataArray(
        evening,
        dims=("member", "draw"),
        coords={"member": nights["member"], "draw": np.arange(draws)},
        name="emergence",
    )


def gap_cost(
    emergence_date: xr.DataArray,
    first_food_date: xr.DataArray,
    food_date: xr.DataArray,
    sp: Species,
    *,
    draws: int = 256,
    seed: int = 0,
) -> xr.DataArray:
    """What being awake before there is enough food costs, grams per gram at the scale mass.

    An awake animal uses ``arousal.awake_rate_per_day``; from first to full food a ramp from
    none to all of the need is covered.

    Parameters
    ----------
    emergence_date, first_food_date, food_date : datetime64, broadcast over (member, draw)

    Returns
    -------
    DataArray (member, draw); 0 where food is there at emergence; NaN where a date is NaT
    """
    drawn = sp.draw(draws, seed)
    per_day = grams_per_ml_oxygen(drawn) * np.asarray(drawn.arousal.awake_rate_per_day)
    begin, first, full = xr.broadcast(emergence_date, first_food_date, food_date)
    to_first = _days(first, begin).clip(min=0.0)
    ramp = _days(full, first)
    # Days of need left on a ramp of length r entered after x days: (r − x)² / 2r.
    entered = (-_days(first, begin)).clip(min=0.0)
    left = (ramp - entered).clip(min=0.0)
    on_ramp = (left**2 / (2.0 * ramp.where(ramp > 0, 1.0))).where(ramp > 0, 0.0)
    unmet_days = to_first + on_ramp
    known = begin.notnull() & first.notnull() & full.notnull()
    cost = unmet_days * xr.DataArray(per_day, dims=("draw",))
    out: xr.DataArray = cost.where(known).rename("gap_cost").assign_attrs(units="g g-1")
    return out


def _days(later: xr.DataArray, earlier: xr.DataArray) -> xr.DataArray:
    return (later - earlier) / _DAY
