"""Winter on the reserve: the checked steps around the event scheme.

`winter` carries animals through every future; `spent_until` asks what it takes to last to a date.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.physiology.compiled import Engine
from riskcast.physiology.diary import QUANTILES, Diary, days_of
from riskcast.physiology.futures import (
    Animals,
    Outcome,
    as_dataset,
    as_spent,
    carry,
    endless,
    fed,
    fed_by_day,
    moments,
)
from riskcast.physiology.given import checked_nest
from riskcast.physiology.torpor import mass_after
from riskcast.species import Species

__all__ = ["spent_until", "winter", "winter_and_need"]

FloatArray = npt.NDArray[np.float64]


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
    daily: bool = False,
    engine: Engine = "auto",
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
    daily : also say what happens day by day, and what the fat went on
    engine : "auto" = compiled where numba (extra ``scale``) is installed and there are
        futures enough; "numpy", "numba" = this one. They agree to 1e-9.

    Returns
    -------
    Dataset over (animal, member, draw)
        ``body_mass_g`` at the end of the series or when the reserve ran out, g;
        ``arousals`` begun by then (not given for "found": what fed animals spent on waking
        is part of their measured net change); ``days_in_hand`` from `issued_at` to the
        empty reserve, cut at the end of the series, days; ``reserve_empty`` datetime64,
        NaT = it lasted to the end.

    With `daily`, over all futures:
        ``daily_body_mass_g`` (animal, quantile, day) at the end of each calendar day (UTC),
        the last one where the series ends; at the mass at onset before it, at the empty
        reserve after it; exact to 1/512 of the masses' range. Not for "found":
        ``daily_arousals`` (animal, day), mean number begun on that day; ``daily_spent_torpid_g``,
        ``daily_spent_waking_g``, ``daily_spent_searching_g`` (animal, day), mean body mass spent
        on each, which together are the fall of the mean body mass;
        ``first_arousal``, ``last_arousal`` datetime64, NaT = none; and over (animal, member,
        draw) in g g-1 at the scale mass ``spent`` = ``spent_torpid`` + ``spent_waking``
        (warming and awake, in the nest) + ``spent_searching`` (wakings in which it leaves).

    Raises
    ------
    ValueError
        A wrong unit, dimension, step or shape; missing hours; a mass that is missing or not
        above zero; two animals of one name; names in another order; an unknown `feeding`.

    Notes
    -----
    Exact for hazards and losses constant within each hour. Validity: nest −20 to 15 °C,
    bouts exponential (two-day recordings cannot show their shape).
    """
    if feeding not in ("none", "found"):
        raise ValueError(f"feeding: expected 'none' or 'found', found {feeding!r}")
    nest = checked_nest(nest)
    drawn = sp.draw(draws, seed)
    start = as_ns(nest.time.values[0])
    issued = start if issued_at is None else as_ns(issued_at)
    animals = Animals.of(nest, body_mass_g, onset, drawn, seed)
    if feeding == "found":
        body, empty = fed(animals, nest.sizes["time"], drawn)
        result = as_dataset(nest, animals, body, empty, None, issued, feeding)
        return result.assign(_fed_days(nest, animals, body, drawn)) if daily else result
    diary = _diary(nest, animals, animals.mass, drawn) if daily else None
    (course,) = carry(nest, [animals.job()], drawn, season_terms, diary, engine)
    body = mass_after(animals.mass, course.spent, drawn)
    result = as_dataset(nest, animals, body, course.empty, course.arousals, issued, feeding)
    return result if diary is None else result.assign(_days(nest, diary, course))


def winter_and_need(
    nest: xr.DataArray,
    body_mass_g: npt.ArrayLike | xr.DataArray,
    sp: Species,
    *,
    onset: xr.DataArray | np.datetime64 | None,
    until: xr.DataArray,
    need_onset: np.datetime64,
    issued_at: np.datetime64 | None = None,
    season_terms: bool = True,
    draws: int = 256,
    seed: int = 0,
) -> tuple[xr.Dataset, xr.DataArray]:
    """`winter` without food, and `spent_until` from `need_onset`, in one pass.

    Most of the work is cumulating the weather of each member for each draw; both need it.
    """
    nest = checked_nest(nest)
    drawn = sp.draw(draws, seed)
    start = as_ns(nest.time.values[0])
    issued = start if issued_at is None else as_ns(issued_at)
    animals = Animals.of(nest, body_mass_g, onset, drawn, seed)
    need_job = endless(nest, until, need_onset, "reference", draws, seed)
    course, need = carry(nest, [animals.job(), need_job], drawn, season_terms)
    body = mass_after(animals.mass, course.spent, drawn)
    return (
        as_dataset(nest, animals, body, course.empty, course.arousals, issued, "none"),
        as_spent(nest, need.spent, draws),
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
    nest = checked_nest(nest)
    job = endless(nest, until, onset, key, draws, seed)
    (course,) = carry(nest, [job], sp.draw(draws, seed), season_terms)
    return as_spent(nest, course.spent, draws)


def _diary(nest: xr.DataArray, animals: Animals, end: FloatArray, drawn: Species) -> Diary:
    mass, limit = animals.mass, animals.limit
    ends = days_of(nest.time.values)[1]
    return Diary(mass, np.minimum(mass, limit), np.maximum(mass, end), ends, drawn)


def _mass_by_day(nest: xr.DataArray, diary: Diary) -> xr.DataArray:
    return xr.DataArray(
        diary.quantiles(),
        dims=("animal", "quantile", "day"),
        coords={"quantile": list(QUANTILES), "day": days_of(nest.time.values)[0]},
        attrs={"units": "g"},
    )


def _fed_days(
    nest: xr.DataArray, animals: Animals, end: FloatArray, drawn: Species
) -> dict[str, xr.DataArray]:
    diary = _diary(nest, animals, end, drawn)
    fed_by_day(animals, drawn, diary)
    return {"daily_body_mass_g": _mass_by_day(nest, diary)}


def _days(nest: xr.DataArray, diary: Diary, course: Outcome) -> dict[str, xr.DataArray]:
    pages = course.pages
    assert pages is not None  # a diary was kept
    mass, dims = _mass_by_day(nest, diary), ("animal", "member", "draw")
    futures = course.spent[0].size
    out = {
        "daily_body_mass_g": mass,
        "daily_arousals": xr.DataArray(
            diary.wakings / futures,
            dims=("animal", "day"),
            coords={"day": mass["day"]},
            attrs={"units": "1"},
        ),
    }
    for kind, name in enumerate(("torpid", "waking", "searching")):
        out[f"daily_spent_{name}_g"] = xr.DataArray(
            pages.grams[kind],
            dims=("animal", "day"),
            coords={"day": mass["day"]},
            attrs={"units": "g"},
        )
    for name, values in {
        "spent": course.spent,
        "spent_torpid": pages.torpid,
        "spent_waking": pages.waking,
        "spent_searching": pages.searching,
    }.items():
        out[name] = xr.DataArray(values, dims=dims, attrs={"units": "g g-1"})
    start = as_ns(nest.time.values[0])
    for name, hours in {"first_arousal": pages.first, "last_arousal": pages.last}.items():
        out[name] = xr.DataArray(moments(start, hours), dims=dims)
    return out
