"""Winter on the reserve: the checked steps around the event scheme.

`winter` carries animals through every future; `spent_until` asks what it takes to last to a date.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.physiology.futures import (
    Animals,
    as_dataset,
    as_spent,
    carry,
    checked_nest,
    endless,
    fed,
)
from riskcast.physiology.torpor import mass_after
from riskcast.species import Species

__all__ = ["spent_until", "winter", "winter_and_need"]


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
    nest = checked_nest(nest)
    drawn = sp.draw(draws, seed)
    start = as_ns(nest.time.values[0])
    issued = start if issued_at is None else as_ns(issued_at)
    animals = Animals.of(nest, body_mass_g, onset, drawn, seed)
    if feeding == "found":
        body, empty = fed(animals, nest.sizes["time"], drawn)
        return as_dataset(nest, animals, body, empty, None, issued, feeding)
    (course,) = carry(nest, [animals.job()], drawn, season_terms)
    body = mass_after(animals.mass, course.spent, drawn)
    return as_dataset(nest, animals, body, course.empty, course.arousals, issued, feeding)


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
