"""Mean cost of a stretch of weather, luck averaged out: for comparing stretches and years."""

from __future__ import annotations

import numpy as np
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.base.quantity import require
from riskcast.physiology.events import rise_over_a_day, trailing_mean
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

__all__ = ["expected_spend"]

_HOUR = np.timedelta64(1, "h")
_UNITS = {"torpor": "g g-1", "waking": "g g-1", "arousals": "1"}


def expected_spend(
    nest: xr.DataArray,
    sp: Species,
    window: tuple[np.datetime64, np.datetime64],
    *,
    season_terms: bool = True,
    draws: int = 256,
    seed: int = 0,
) -> xr.Dataset:
    """Mean cost of a stretch of weather to an animal in hibernation, luck averaged out.

    An animal alternates between torpor (hazard λ) and waking (length D, cost A). In
    weather that changes slowly against D its mean rates are those of a renewal process:
    wakings λ/(1 + λD) an hour, torpid a share 1/(1 + λD) of the time.

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
        The window reaches beyond the series.
    """
    nest = require(nest, dims=("member", "time"), units="degC", step="1h")
    times = nest.time.values
    start, end = (as_ns(moment) for moment in window)
    first, last = (int(n) for n in np.searchsorted(times, [start, end]))
    if start < times[0] or end > times[-1] + _HOUR or first == last:
        raise ValueError(f"window {start} to {end} is not inside {times[0]} to {times[-1]}")
    columns = sp.draw(draws, seed).columns()
    memory = int(sp.torpor.temperature_memory)
    grams = grams_per_ml_oxygen(columns)
    season = season_factor(times[first:last], columns) if season_terms else 1.0
    # T24 and its rise look back over two memories.
    before = max(0, first - 2 * memory + 1)
    out = {name: np.empty((nest.sizes["member"], draws)) for name in _UNITS}
    for m in range(nest.sizes["member"]):
        stretch = nest.values[m, before:last]
        t = stretch[first - before :]
        t24 = trailing_mean(stretch, memory)
        rise = rise_over_a_day(t24, sp)[first - before :]
        hazard = columns.torpor.arousal_multiplier * season * rise_factor(rise, columns)
        hazard = hazard * arousal_hazard(t24[first - before :], columns)
        asleep = 1.0 / (1.0 + hazard * arousal_length(t, columns))
        wakings = hazard * asleep
        hourly = {
            "arousals": wakings,
            "torpor": grams * torpid_rate(t, columns) * asleep,
            "waking": grams * arousal_cost(t, columns) * wakings,
        }
        for name, rate in hourly.items():
            out[name][m] = np.sum(np.broadcast_to(rate, (draws, t.size)), axis=1)
    return xr.Dataset(
        {
            name: (("member", "draw"), values, {"units": _UNITS[name]})
            for name, values in out.items()
        },
        coords={"member": nest["member"], "draw": np.arange(draws)},
    )
