"""Mean cost of a stretch of weather, luck averaged out: for comparing stretches and years."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.physiology.events import rise_over_a_day, trailing_mean
from riskcast.physiology.given import checked_nest
from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    grams_per_ml_oxygen,
    rise_factor,
    season_factor,
    torpid_rate,
)
from riskcast.species import Species

__all__ = ["HourlySpend", "expected_spend", "spend_by_hour"]

FloatArray = npt.NDArray[np.float64]
_HOUR = np.timedelta64(1, "h")
_UNITS = {"torpor": "g g-1", "waking": "g g-1", "arousals": "1"}


class HourlySpend(NamedTuple):
    """What an hour costs in the mean, g g-1 at the scale mass, and wakings begun in it."""

    torpor: FloatArray
    waking: FloatArray
    arousals: FloatArray


def spend_by_hour(
    nest_temperature: npt.ArrayLike,
    times: npt.NDArray[np.datetime64],
    hours: slice,
    sp: Species,
    *,
    season_terms: bool = True,
) -> HourlySpend:
    """Mean cost of each hour to an animal in hibernation, luck averaged out.

    An animal alternates between torpor (hazard λ) and waking (length D, cost A). In
    weather that changes slowly against D its mean rates are those of a renewal process:
    wakings λ/(1 + λD) an hour, torpid a share 1/(1 + λD) of the time.

    Parameters
    ----------
    nest_temperature : (time,) for draws (`Species.columns`); (time,) or (member, time) for
        central values; °C
    times : (time,), start of each hour
    hours : which of them are wanted; T24 and its rise look back into those before
    sp : Species
    season_terms : apply the autumn and spring factors on the hazard

    Returns
    -------
    arrays (member or draw, hour), or (hour,), of the hours wanted
    """
    first, last, _ = hours.indices(len(times))
    memory = int(sp.torpor.temperature_memory)
    before = max(0, first - 2 * memory + 1)
    stretch = np.asarray(nest_temperature, dtype=float)[..., before:last]
    t24 = trailing_mean(stretch, memory)
    rise = rise_over_a_day(t24, sp)
    t, t24, rise = (values[..., first - before :] for values in (stretch, t24, rise))
    season = season_factor(times[first:last], sp) if season_terms else 1.0
    hazard = sp.torpor.arousal_multiplier * season * rise_factor(rise, sp)
    hazard = hazard * arousal_hazard(t24, sp)
    asleep = 1.0 / (1.0 + hazard * arousal_length(t, sp))
    wakings = hazard * asleep
    grams = grams_per_ml_oxygen(sp)
    torpor = grams * torpid_rate(t, sp) * asleep
    return HourlySpend(torpor, grams * arousal_cost(t, sp) * wakings, wakings)


def expected_spend(
    nest: xr.DataArray,
    sp: Species,
    window: tuple[np.datetime64, np.datetime64],
    *,
    season_terms: bool = True,
    draws: int = 256,
    seed: int = 0,
) -> xr.Dataset:
    """Mean cost of a stretch of weather to an animal in hibernation: `spend_by_hour`, summed.

    Parameters
    ----------
    nest : DataArray (member, time), degC, hourly
    window : (start, end) inside the series, end excluded
    others as in `winter`

    Returns
    -------
    Dataset over (member, draw)
        ``torpor`` and ``waking`` grams per gram at the scale mass; ``arousals`` expected
        number. Cost of the whole stretch = torpor + waking.

    Raises
    ------
    ValueError
        The window reaches beyond the series; wrong units, dimensions or step; missing hours.
    """
    nest = checked_nest(nest)
    times = nest.time.values
    start, end = (as_ns(moment) for moment in window)
    first, last = (int(n) for n in np.searchsorted(times, [start, end]))
    if start < times[0] or end > times[-1] + _HOUR or first == last:
        raise ValueError(f"window {start} to {end} is not inside {times[0]} to {times[-1]}")
    columns = sp.draw(draws, seed).columns()
    out = {name: np.empty((nest.sizes["member"], draws)) for name in _UNITS}
    for m, values in enumerate(nest.values):
        hourly = spend_by_hour(
            values, times, slice(first, last), columns, season_terms=season_terms
        )
        for name, rate in hourly._asdict().items():
            out[name][m] = np.sum(np.broadcast_to(rate, (draws, last - first)), axis=1)
    return xr.Dataset(
        {
            name: (("member", "draw"), values, {"units": _UNITS[name]})
            for name, values in out.items()
        },
        coords={"member": nest["member"], "draw": np.arange(draws)},
    )
