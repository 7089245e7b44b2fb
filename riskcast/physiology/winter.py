"""Winter on the reserve: the checked steps around the event scheme.

`winter` carries animals through every future; `expected_spend` gives the mean cost of a
stretch of weather without luck, for comparing stretches and years.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from os import cpu_count
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.quantity import require
from riskcast.base.streams import stream
from riskcast.physiology.events import Budget, Luck, cumulate, jump, season_of, trailing_mean
from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    mass_after,
    spendable,
    torpid_rate,
)
from riskcast.species import Species

__all__ = ["expected_spend", "spent_until", "winter"]

FloatArray = npt.NDArray[np.float64]
_HOUR = np.timedelta64(1, "h")
_SECONDS_PER_HOUR = 3600.0
_HOURS_PER_DAY = 24.0
_SPEND_UNITS = {"torpor": "g g-1", "waking": "g g-1", "arousals": "1"}
# Wakings are drawn in blocks, so a long winter needs no guess of their number.
_BLOCK = 32


def winter(
    nest: xr.DataArray,
    body_mass_g: npt.ArrayLike | xr.DataArray,
    sp: Species,
    *,
    onset: xr.DataArray | np.datetime64 | None = None,
    feeding: Literal["none", "found"] = "none",
    issued_at: np.datetime64 | None = None,
    season_terms: bool = True,
    draws: int = 256,
    seed: int = 0,
) -> xr.Dataset:
    """Carry animals from their onset to the end of `nest` in every future.

    Parameters
    ----------
    nest : DataArray (member, time), degC, hourly
        Nest temperature without the animal's heat, from `habitat.nest_temperature`.
    body_mass_g : (animal,), or DataArray (animal,), (animal, draw) or (animal, member, draw)
        Mass at onset. A coordinate ``animal`` names the animals; their chance is keyed by it.
    sp : Species, central values; it is drawn here
    onset : datetime64, or DataArray over any of (animal, member, draw)
        First torpid hour; None = the start of `nest`.
    feeding : "none" = no food found, the animal stays in; "found" = food at hand
    issued_at : the moment days are counted from; None = the start of `nest`
    season_terms : apply the autumn and spring factors on the hazard
    draws, seed : see `Species.draw`

    Returns
    -------
    Dataset over (animal, member, draw)
        ``body_mass_g`` at the end of the series or when the reserve ran out, g;
        ``arousals`` begun by then (not given for "found": what fed animals spent on waking
        is part of their measured net change); ``days_in_hand`` from `issued_at` to the
        empty reserve, cut at the end of the series, days; ``reserve_empty`` datetime64,
        NaT = it lasted to the end.

    Raises
    ------
    ValueError
        A wrong unit, dimension, step or shape; a mass that is missing or not above zero.

    Notes
    -----
    Exact for hazards and losses constant within each hour. Validity: nest −20 to 15 °C,
    bouts exponential (two-day recordings cannot show their shape).
    """
    nest = require(nest, dims=("member", "time"), units="degC", step="1h")
    if bool(nest.isnull().any()):
        raise ValueError("nest_temperature: has missing hours")
    masses = _masses(body_mass_g)
    start = nest.time.values[0].astype("datetime64[ns]")
    issued = start if issued_at is None else np.datetime64(issued_at, "ns")
    drawn = sp.draw(draws, seed)
    keys = [str(key) for key in masses["animal"].values]
    members, hours = nest.sizes["member"], nest.sizes["time"]
    shape = (len(keys), members, draws)
    mass = _spread(masses, shape)
    begin = _spread(_hours_from(onset, start), shape)
    limit = empty_mass(mass, drawn)

    if feeding == "found":
        body, empty = _fed(mass, limit, begin, hours, drawn)
        arousals = None
    else:
        allowance = spendable(mass, limit, drawn)
        spent, arousals, empty = _members(
            nest, begin, allowance, drawn, _luck(keys, draws, seed), season_terms
        )
        body = mass_after(mass, spent, drawn)

    coords = {
        "animal": masses["animal"],
        "member": nest["member"],
        "draw": np.arange(draws),
    }
    lasted = ~np.isfinite(empty)
    at = np.where(lasted, float(hours), empty)
    offset = (start - issued) / _HOUR
    stamps = start + (at * _SECONDS_PER_HOUR).astype("timedelta64[s]")
    variables: dict[str, Any] = {
        "body_mass_g": (body, {"units": "g"}),
        "days_in_hand": ((at + offset) / _HOURS_PER_DAY, {"units": "day"}),
        "reserve_empty": (
            np.where(lasted, np.datetime64("NaT"), stamps),
            {"note": "NaT: the reserve lasted to the end of the series"},
        ),
    }
    if arousals is not None:
        variables["arousals"] = (arousals, {"units": "1"})
    dims = ("animal", "member", "draw")
    return xr.Dataset(
        {name: (dims, values, attrs) for name, (values, attrs) in variables.items()},
        coords=coords,
        attrs={"feeding": feeding, "issued_at": str(issued), "season_terms": int(season_terms)},
    )


def spent_until(
    nest: xr.DataArray,
    until: xr.DataArray,
    sp: Species,
    *,
    onset: np.datetime64 | None = None,
    key: str = "reference",
    season_terms: bool = True,
    draws: int = 256,
    seed: int = 0,
) -> xr.DataArray:
    """What an unfed animal whose reserve never ends would spend from onset to `until`.

    `torpor.mass_needed` of it is the mass at onset that just lasts. Parameters as in
    `winter`; `until` is datetime64 over (member, draw) or (member); NaT = the end of the
    series.

    Returns
    -------
    DataArray (member, draw), grams per gram at the scale mass
    """
    nest = require(nest, dims=("member", "time"), units="degC", step="1h")
    drawn = sp.draw(draws, seed)
    shape = (1, nest.sizes["member"], draws)
    start = nest.time.values[0].astype("datetime64[ns]")
    begin = _spread(_hours_from(onset, start), shape)
    stop = _spread(until.copy(data=_open_end(until.values, start)), shape)
    spent, _, _ = _members(
        nest,
        begin,
        np.full(shape, np.inf),
        drawn,
        _luck([key], draws, seed),
        season_terms,
        stop,
    )
    return xr.DataArray(
        spent[0],
        dims=("member", "draw"),
        coords={"member": nest["member"], "draw": np.arange(draws)},
        attrs={"units": "g g-1"},
        name="spent",
    )


def _open_end(until: npt.NDArray[np.datetime64], start: np.datetime64) -> FloatArray:
    hours = (until.astype("datetime64[ns]") - start) / _HOUR
    return np.asarray(np.where(np.isnat(until), np.inf, hours), dtype=float)


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
    start, end = (np.datetime64(moment, "ns") for moment in window)
    first, last = (int(n) for n in np.searchsorted(times, [start, end]))
    if start < times[0] or end > times[-1] + _HOUR or first == last:
        raise ValueError(f"window {start} to {end} is not inside {times[0]} to {times[-1]}")
    columns = sp.draw(draws, seed).columns()
    memory = int(sp.torpor.temperature_memory)
    grams = grams_per_ml_oxygen(columns)
    season = season_of(times[first:last], columns, season_terms)
    before = max(0, first - memory + 1)
    out = {name: np.empty((nest.sizes["member"], draws)) for name in _SPEND_UNITS}
    for m in range(nest.sizes["member"]):
        stretch = nest.values[m, before:last]
        t = stretch[first - before :]
        t24 = trailing_mean(stretch, memory)[first - before :]
        hazard = columns.torpor.arousal_multiplier * arousal_hazard(t24, columns) * season
        asleep = 1.0 / (1.0 + hazard * arousal_length(t, columns))
        wakings = hazard * asleep
        out["arousals"][m] = wakings.sum(axis=1)
        out["torpor"][m] = (grams * torpid_rate(t, columns) * asleep).sum(axis=1)
        out["waking"][m] = (grams * arousal_cost(t, columns) * wakings).sum(axis=1)
    return xr.Dataset(
        {
            name: (("member", "draw"), values, {"units": _SPEND_UNITS[name]})
            for name, values in out.items()
        },
        coords={"member": nest["member"], "draw": np.arange(draws)},
    )


def _members(
    nest: xr.DataArray,
    begin: FloatArray,
    allowance: FloatArray,
    drawn: Species,
    luck: Luck,
    season_terms: bool,
    stop: FloatArray | None = None,
) -> tuple[FloatArray, npt.NDArray[np.int64], FloatArray]:
    """Run the event scheme member by member, on as many threads as there are cores."""
    # Nothing happens before the first animal goes in: leave those hours out.
    first = int(min(np.floor(begin.min()), nest.sizes["time"] - 1))
    first = max(first, 0)
    values = np.ascontiguousarray(nest.values, dtype=float)
    t24 = trailing_mean(values, int(drawn.torpor.temperature_memory))
    season = season_of(nest.time.values[first:], drawn.columns(), season_terms)

    def one(m: int) -> tuple[FloatArray, npt.NDArray[np.int64], FloatArray]:
        budget: Budget = cumulate(values[m, first:], t24[m, first:], season, drawn)
        end = None if stop is None else stop[:, m].T - first
        course = jump(budget, begin[:, m].T - first, allowance[:, m].T, luck, end)
        return course.spent.T, course.arousals.T, course.empty_hour.T + first

    with ThreadPoolExecutor(max_workers=cpu_count() or 1) as pool:
        parts = list(pool.map(one, range(values.shape[0])))
    spent, arousals, empty = (np.stack(part, axis=1) for part in zip(*parts, strict=True))
    return spent, arousals, empty


def _fed(
    mass: FloatArray, limit: FloatArray, begin: FloatArray, hours: int, drawn: Species
) -> tuple[FloatArray, FloatArray]:
    """Mass with food at hand: a constant net change, measured with all wakings in it."""
    rate = np.asarray(drawn.reserve.fed_change_per_day)
    days = np.maximum(hours - begin, 0.0) / _HOURS_PER_DAY
    share_left = np.log(np.minimum(limit / mass, 1.0))
    to_empty = np.divide(
        share_left,
        rate,
        out=np.full(mass.shape, np.inf),
        where=np.broadcast_to(rate < 0, mass.shape),
    )
    empty = begin + to_empty * _HOURS_PER_DAY
    empty = np.where(mass <= limit, begin, empty)
    ran_out = empty < hours
    body = np.where(ran_out, np.minimum(limit, mass), mass * np.exp(rate * days))
    return body, np.where(ran_out, empty, np.inf)


def _luck(keys: Sequence[str], draws: int, seed: int) -> Luck:
    """Chance keyed by animal; block b of its wakings has a stream of its own."""
    blocks: dict[tuple[str, int], FloatArray] = {}

    def block(kind: str, k: int) -> FloatArray:
        index, within = divmod(k, _BLOCK)
        if (kind, index) not in blocks:
            rows = []
            for key in keys:
                generator = stream(seed, "arousal", kind, key, str(index))
                if kind == "target":
                    rows.append(generator.standard_exponential((_BLOCK, draws)))
                else:
                    rows.append(generator.random((_BLOCK, draws)))
            blocks[(kind, index)] = np.stack(rows, axis=-1)
        return np.asarray(blocks[(kind, index)][within])

    return Luck(targets=lambda k: block("target", k), searches=lambda k: block("search", k))


def _masses(body_mass_g: npt.ArrayLike | xr.DataArray) -> xr.DataArray:
    masses = (
        body_mass_g
        if isinstance(body_mass_g, xr.DataArray)
        else xr.DataArray(np.atleast_1d(np.asarray(body_mass_g, dtype=float)), dims=("animal",))
    )
    if "animal" not in masses.dims or not set(masses.dims) <= {"animal", "member", "draw"}:
        raise ValueError(
            f"body_mass_g: expected dimensions (animal[, member][, draw]), found {masses.dims}"
        )
    if "animal" not in masses.coords:
        masses = masses.assign_coords(animal=np.arange(masses.sizes["animal"]))
    if not bool((masses > 0).all()):
        raise ValueError("body_mass_g: every mass has to be a number above zero")
    return masses


def _spread(values: xr.DataArray | float, shape: tuple[int, int, int]) -> FloatArray:
    """Broadcast over (animal, member, draw) by the names of the dimensions."""
    if not isinstance(values, xr.DataArray):
        return np.full(shape, float(values))
    dims = ("animal", "member", "draw")
    sizes = dict(zip(dims, shape, strict=True))
    for dim, size in values.sizes.items():
        if size != sizes[str(dim)]:
            raise ValueError(
                f"{values.name or 'values'}: expected {sizes[str(dim)]} along {dim!r}, found {size}"
            )
    ordered = values.transpose(*[d for d in dims if d in values.dims])
    index = tuple(slice(None) if d in values.dims else np.newaxis for d in dims)
    return np.array(np.broadcast_to(ordered.values[index], shape), dtype=float)


def _hours_from(
    onset: xr.DataArray | np.datetime64 | None, start: np.datetime64
) -> xr.DataArray | float:
    if onset is None:
        return 0.0
    if isinstance(onset, xr.DataArray):
        hours = (onset.values.astype("datetime64[ns]") - start) / _HOUR
        if not np.isfinite(hours).all():
            raise ValueError("onset: has missing moments")
        return onset.copy(data=np.maximum(hours, 0.0))
    return max(float((np.datetime64(onset, "ns") - start) / _HOUR), 0.0)
