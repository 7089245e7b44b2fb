"""When there is food in spring: some of it, and all that is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.special import ndtri

from riskcast.base.nights import local_date
from riskcast.habitat.own_dates import OwnDates, read_own_dates
from riskcast.habitat.own_fit import PastSprings, fit_own, has_row, judged, own_sum_days, row_days
from riskcast.habitat.phenology import chilling_days, generic_requirement, thermal_time
from riskcast.habitat.springtime import Spring
from riskcast.species import load, uniforms

if TYPE_CHECKING:
    from riskcast.site import Habitat
    from riskcast.species import Species

__all__ = ["food_dates", "food_share"]

FloatArray = npt.NDArray[np.float64]
Times = npt.NDArray[np.datetime64]

_DAY = np.timedelta64(1, "D")


def food_dates(
    weather: xr.Dataset,
    habitat: Habitat,
    sp: Species | None = None,
    *,
    timezone: str = "UTC",
    as_of: np.datetime64 | None = None,
    past: xr.Dataset | None = None,
    seed: int = 0,
) -> xr.Dataset:
    """When spring food begins, and when it meets the whole need.

    Plants of the site with a row in the species file (``food.<plant>_start``, ``_base``,
    ``_sum``) follow thermal time (`thermal_time`). Others use the site's own records, as a
    mean day that does not follow the weather, or are named in ``not_modelled``. From
    ``food.own_fit_least`` recorded springs with weather in `past` on, thermal time is also
    fitted to the site's own records, and each year is left out in turn (`own_fit`): of the
    fitted sum, the records' mean and the plant's row that one is used which misses least.

    ``food_date`` is the first of the plants in ``food.full_need_plants`` (oak and hawthorn
    in flower). Without any of these it is the generic leaf-out of a broadleaf wood with
    chilling (`generic_requirement`). ``first_food_date`` is the first of all other plants,
    hazel, willow, birch, ash, maple …, whose catkins, buds and first insects meet a part;
    modelled ones are not believed before ``food.early_floor``. Without such a plant both
    dates are the same, and the first is never after the second.

    Parameters
    ----------
    weather : Dataset (member, time) with ``air_temperature`` degC, hourly, from 1 January on
        (from 1 November for the generic leaf-out)
    habitat : Habitat
        ``plants``, ``food_dates``.
    sp : Species
        Drawn, the result has a dimension ``draw``. None = hazel dormouse, central values.
    timezone : local days are those of this zone
    as_of : own records dated later are not read
    past : past winters as they were (member = first year of the winter, time = a season's axis
        to the end of spring), to fit own records to; None = own records stay a mean day
    seed : chance of own and generic dates, which are drawn here

    Returns
    -------
    Dataset (member) or (member, draw)
        ``first_food_date``, ``food_date``: datetime64, midnight of the local date in the
        spring of the last hour's winter year (July–June); NaT = not by the end of the series.
        attrs: ``first_food_from``, ``food_from``, ``not_modelled``, ``own_dates_unused``,
        ``spring``. Leaf-out is promised to about ± 1 week, catkins to ± 2 weeks.

    Raises
    ------
    ValueError
        Missing variable or values, wrong units, dimensions or step, or a series that begins
        after the day a sum has to begin.
    InputMissingError, ConfigError
        Own records that cannot be read, or have faults.
    """
    species = load() if sp is None else sp
    springtime = Spring.of(weather, timezone)
    full_need = {str(plant) for plant in species.food.full_need_plants}
    own = {}
    if habitat.food_dates is not None:
        until = None if as_of is None else local_date(as_of, timezone)
        own = read_own_dates(habitat.food_dates, full_need_plants=full_need, as_of=until)
    plants = list(dict.fromkeys(plant.strip().lower() for plant in habitat.plants))
    before = None
    if own and past is not None and past.sizes["member"]:
        before = PastSprings(past["member"].values + 1, Spring.of(past, timezone))
    days, origins, by_own = _plant_days(plants, own, springtime, before, species, seed)

    whole = [plant for plant in days if plant in full_need]
    some = [plant for plant in days if plant not in full_need]
    if whole:
        food = np.minimum.reduce([days[plant] for plant in whole])
        food_from = "; ".join(origins[plant] for plant in whole)
    else:
        food = _generic_days(springtime, species, seed)
        food_from = "generic leaf-out with chilling"
    first = np.minimum.reduce([food, *(days[plant] for plant in some)])
    dims = ("member",) if species.draws is None else ("member", "draw")
    coords = {"member": weather["member"]}
    if species.draws is not None:
        coords["draw"] = xr.DataArray(np.arange(species.draws), dims="draw")
    variables = {
        name: (dims, springtime.dates(found if species.draws is not None else found[:, 0]))
        for name, found in (("first_food_date", first), ("food_date", food))
    }
    return xr.Dataset(
        variables,
        coords=coords,
        attrs={
            "first_food_from": "; ".join(origins[plant] for plant in some) or "as food_date",
            "food_from": food_from,
            "not_modelled": ", ".join(plant for plant in plants if plant not in days),
            "own_dates_unused": ", ".join(plant for plant in own if plant not in by_own),
            "spring": springtime.year,
        },
    )


def food_share(
    dates: npt.ArrayLike, first_food_date: npt.ArrayLike, food_date: npt.ArrayLike
) -> FloatArray:
    """Share of the need that spring food meets: a ramp from none to all between two dates.

    Parameters
    ----------
    dates, first_food_date, food_date : datetime64, broadcast together

    Returns
    -------
    ndarray of the broadcast shape, 0–1. NaT stands for "not by the end of the series": no
    share without a first food date; from a first date on NaN where ``food_date`` is NaT,
    because how steep the ramp is cannot be known.
    """
    when, first, full = np.broadcast_arrays(
        *(np.asarray(each, dtype="datetime64[s]") for each in (dates, first_food_date, food_date))
    )
    length = np.where(np.isnat(full), np.nan, (full - first).astype(float))
    since = (when - first).astype(float)
    ramp = np.where(length > 0.0, since / np.where(length > 0.0, length, 1.0), 1.0)
    ramp = np.where(np.isnat(full), np.nan, np.clip(ramp, 0.0, 1.0))
    return np.where(np.isnat(first) | (when < first), 0.0, ramp)


def _plant_days(
    plants: list[str],
    own: dict[str, OwnDates],
    springtime: Spring,
    past: PastSprings | None,
    sp: Species,
    seed: int,
) -> tuple[dict[str, FloatArray], dict[str, str], set[str]]:
    """Day of the year of each plant (member, draw), where it comes from, and whose is own."""
    days: dict[str, FloatArray] = {}
    origins: dict[str, str] = {}
    by_own: set[str] = set()
    members = len(springtime.daily_mean)
    for plant in plants:
        record = own.get(plant)
        fit = "" if record is None or past is None else fit_own(record, past, sp)
        kind, why = judged(fit, row=has_row(plant, sp), record=record)
        if kind == "none":
            continue
        if kind == "row":
            day = row_days(plant, springtime, sp)
            origins[plant] = f"{plant} (thermal time{why})"
        else:
            assert record is not None  # only records lead here
            by_own.add(plant)
            scores = _scores(f"food.{plant}", sp, seed)
            if kind == "sum":
                assert not isinstance(fit, str)
                day = own_sum_days(plant, fit.requirement, springtime, sp) + fit.error * scores
            else:
                spread = sp.food.date_spread
                if record.sd is not None and record.years >= sp.food.own_dates_least:
                    spread = record.sd
                day = record.mean + spread * scores
            years = f"{record.years} year{'s' if record.years > 1 else ''}"
            origins[plant] = f"{plant} (own dates, {record.stage}, {years}{why})"
        days[plant] = np.broadcast_to(day, (members, sp.draws or 1))
    return days, origins, by_own


def _generic_days(springtime: Spring, sp: Species, seed: int) -> FloatArray:
    """Leaf-out of a broadleaf wood, day of the year (member, draw)."""
    p = sp.food
    month, day = p.generic_chilling_start
    chilling_start = int(
        (np.datetime64(f"{springtime.year - 1:04d}-{month:02d}-{day:02d}", "D")
         - np.datetime64(f"{springtime.year:04d}-01-01", "D")) // _DAY + 1
    )  # fmt: skip
    springtime.require_from(chilling_start, "the generic leaf-out")
    ordinal, mean = springtime.ordinal, springtime.daily_mean
    warmth = thermal_time(mean, ordinal, start=p.generic_start, base=p.generic_base)
    cold = chilling_days(mean, ordinal, start=chilling_start, base=p.generic_base)
    # What is still missing only falls from New Year on; before it no day can be the one.
    beyond = np.where(ordinal >= p.generic_start, warmth - generic_requirement(cold, sp), -np.inf)
    central = springtime.reached(beyond, 0.0)
    return np.asarray(central + p.date_spread * _scores("food.generic", sp, seed))


def _scores(name: str, sp: Species, seed: int) -> FloatArray:
    """Normal scores (draw,), keyed by name; a single 0 for central values."""
    if sp.draws is None:
        return np.zeros(1)
    return np.asarray(ndtri(uniforms(name, sp.draws, seed)))
