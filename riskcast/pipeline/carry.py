"""Join the rooms: animals through autumn and winter, in this season and in the past years."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from riskcast import animals, habitat, physiology
from riskcast.pipeline.used import weather_notes
from riskcast.risk import NEXT_DAYS, NEXT_WEEK, REFERENCE, TO_DATE, WEEK_DAYS, Evidence, Feeding

if TYPE_CHECKING:
    from riskcast.animals import Records
    from riskcast.pipeline.moment import Moment
    from riskcast.site import Site
    from riskcast.species import Species
    from riskcast.weather import Season

__all__ = ["current_animals", "gather"]

_DAY = np.timedelta64(1, "D")
_HOUR = np.timedelta64(1, "h")


def gather(
    site: Site,
    now: Moment,
    sp: Species,
    records: Records,
    season: Season,
    nest: xr.DataArray,
    *,
    draws: int,
    seed: int,
) -> Evidence:
    """Finished Datasets of all rooms for one site, on common members and draws.

    Parameters
    ----------
    records, season : weights and weather as read
    nest : nest temperature of the futures (member, time), degC
    draws, seed : of all chance
    """
    chance: dict[str, Any] = {"draws": draws, "seed": seed}
    drawn = sp.draw(draws, seed)
    nights = habitat.nights(season.futures, site.place, sp, nest=nest)
    local: dict[str, Any] = {
        "timezone": site.place.timezone,
        "as_of": now.issued_at,
        "seed": seed,
    }
    past = season.past_years
    local["past"] = _as_it_was(season)
    food = habitat.food_dates(season.futures, site.habitat, drawn, **local)
    has_past = bool(past.sizes["member"])
    past_nest = habitat.nest_temperature(past, site.habitat, sp) if has_past else None
    past_nights = (
        habitat.nights(past, site.place, sp, nest=past_nest) if past_nest is not None else None
    )
    end = nest.time.values[-1] + _HOUR

    current = _carried(records, now, site, sp, nights, past_nights)
    carried = current[current["carried"]]
    autumn = (
        physiology.autumn(nights, carried, sp, normal_nights=past_nights, **chance)
        if len(carried)
        else None
    )
    onset = _reference_onset(nights, sp, past_nights, end, **chance)
    masses, onsets = _with_reference(autumn, onset, float(sp.risk.reference_mass))
    # What an animal needs counts from now, once the reference animal is in.
    need_from = max(onset, now.issued_at)
    unfed, spent_to_food = physiology.winter_and_need(
        nest,
        masses,
        sp,
        onset=onsets,
        until=food["food_date"],
        need_onset=need_from,
        issued_at=now.issued_at,
        **chance,
    )
    fed = physiology.winter(
        nest, masses, sp, onset=onsets, feeding="found", issued_at=now.issued_at, **chance
    )
    winter: dict[Feeding, xr.Dataset] = {"none": unfed, "found": fed}
    normal_winter = gate_share = None
    if past_nest is not None:
        normal_winter = physiology.winter(
            past_nest,
            _middle(masses),
            sp,
            onset=_middle_date(onsets),
            issued_at=now.issued_at,
            **chance,
        )
        past_food = habitat.food_dates(past, site.habitat, drawn, **local)["food_date"]
        adults = physiology.winter(
            past_nest, sp.risk.gate_masses, sp, onset=onset, feeding="found", **chance
        )
        reached = adults["reserve_empty"].fillna(end) >= past_food
        gate_share = float(reached.where(past_food.notnull()).mean())
    emergence = physiology.emergence(nights, sp, **chance)
    stretches = _stretches(now, onset, sp, end)
    return Evidence(
        issued_at=now.issued_at,
        issued_on=now.issued_on,
        end=end,
        timezone=site.place.timezone,
        draws=draws,
        seed=seed,
        target_mass_g=float(site.risk.target_mass_g or sp.autumn.target_mass),
        futures=season.futures,
        past=past,
        nights=nights,
        animals=current,
        autumn=autumn,
        winter=winter,
        normal_winter=normal_winter,
        reference_onset=onset,
        food=food,
        emergence=emergence,
        spend={
            name: physiology.expected_spend(nest, sp, stretch, **chance)
            for name, stretch in stretches.items()
        },
        past_spend={}
        if past_nest is None
        else {
            name: physiology.expected_spend(past_nest, sp, stretch, **chance)
            for name, stretch in stretches.items()
        },
        gap_cost=physiology.gap_cost(
            emergence, food["first_food_date"], food["food_date"], sp, **chance
        ),
        need_from=need_from,
        spent_to_food=spent_to_food,
        gate_share=gate_share,
        weather_notes=weather_notes(site, season),
    )


def _as_it_was(season: Season) -> xr.Dataset:
    """Past winters without the trend that brought them to today: plants met them as they were."""
    past = season.past_years
    rate = sum(
        float(note.numbers["degc_per_decade"])
        for note in season.notes
        if note.code == "trend_adjusted"
    )
    if not rate:
        return past
    winter = season.futures["time"].values[-1].astype("datetime64[Y]").astype(int) + 1970 - 1
    air = past["air_temperature"]
    shift = rate * (winter - past["member"]) / 10.0
    return past.assign(air_temperature=(air - shift).assign_attrs(air.attrs))


def _carried(
    records: Records,
    now: Moment,
    site: Site,
    sp: Species,
    nights: xr.Dataset,
    past_nights: xr.Dataset | None,
) -> pd.DataFrame:
    """Current animals, which of them the model can carry, and what their own weighings say."""
    current = current_animals(records, now, site, sp)
    weighed = current["event_date"].to_numpy().astype("datetime64[D]")
    first = nights["night"].values[0].astype("datetime64[D]")
    end = nights["night"].values[-1]
    spring = _month_day(end, sp.emergence.earliest, autumn=False)
    too_early, in_spring = weighed < first, weighed >= spring
    autumn_start = _month_day(end, sp.risk.autumn_start, autumn=True)
    asked = np.datetime64(now.issued_on, "D") >= autumn_start
    carried = current["ranked"].to_numpy(dtype=bool) & ~too_early & ~in_spring & asked
    why = np.where(
        in_spring,
        "weighed_in_spring",
        np.where(asked, current["why_not"].to_numpy(dtype=object), "not_asked_now"),
    )
    current = current.assign(carried=carried, why_not=np.where(carried, "", why))
    own = physiology.own_gains(animals.gains(records.rows), nights, sp, past_nights)
    return current.join(own, on="key")


def current_animals(records: Records, now: Moment, site: Site, sp: Species) -> pd.DataFrame:
    """The animals that count on the day of issue, by the species' own rules."""
    return animals.current(
        records.rows,
        issued_at=now.issued_at,
        timezone=site.place.timezone,
        stale_after_days=sp.autumn.stale_weight,
        autumn_end=tuple(sp.autumn.weighing_end),
        litter_young=int(sp.weights.litter_young),
        litter_spread=sp.weights.litter_spread,
        independence_mass_g=sp.autumn.independence_mass,
    )


def _reference_onset(
    nights: xr.Dataset,
    sp: Species,
    past_nights: xr.Dataset | None,
    end: np.datetime64,
    **chance: Any,
) -> np.datetime64:
    """Median onset of the reference animal over all futures."""
    earliest = _month_day(end, sp.onset.earliest, autumn=True)
    reference = pd.DataFrame(
        {
            "key": [REFERENCE],
            "body_mass_g": [float(sp.risk.reference_mass)],
            "event_date": [pd.Timestamp(earliest)],
            "life_stage": ["juvenile"],
            "sex": ["unknown"],
        }
    )
    course = physiology.autumn(
        nights, reference, sp, normal_nights=past_nights, fixed_mass=True, **chance
    )
    middle: np.datetime64 = np.sort(course["onset"].values.ravel())[course["onset"].size // 2]
    return middle


def _with_reference(
    autumn: xr.Dataset | None, onset: np.datetime64, mass_g: float
) -> tuple[xr.DataArray, xr.DataArray]:
    """Masses and onsets of the carried animals, and of the reference beside them."""
    coords = {"animal": [REFERENCE]}
    mass = xr.DataArray([mass_g], dims=("animal",), coords=coords)
    start = xr.DataArray([onset], dims=("animal",), coords=coords)
    if autumn is None:
        return mass, start
    template = autumn["body_mass_g"].isel(animal=[0]).assign_coords(coords)
    return (
        xr.concat([autumn["body_mass_g"], xr.full_like(template, mass_g)], "animal"),
        xr.concat(
            [
                autumn["onset"],
                xr.full_like(template, 0, dtype="datetime64[ns]").copy(
                    data=np.full(template.shape, onset)
                ),
            ],
            "animal",
        ),
    )


def _middle(values: xr.DataArray) -> xr.DataArray:
    """Median over the members, draw by draw: what the same animal brings into past winters."""
    return values.median("member") if "member" in values.dims else values


def _middle_date(values: xr.DataArray) -> xr.DataArray:
    if "member" not in values.dims:
        return values
    numbers = values.astype("datetime64[s]").astype("int64").median("member")
    return numbers.astype("int64").astype("datetime64[s]").astype("datetime64[ns]")


def _stretches(
    now: Moment, onset: np.datetime64, sp: Species, end: np.datetime64
) -> dict[str, tuple[np.datetime64, np.datetime64]]:
    """Stretches of weather whose cost is compared: none before the reference animal is in."""
    if now.issued_at < onset:
        return {}
    hour = now.issued_at.astype("datetime64[h]").astype("datetime64[ns]")
    ahead = {NEXT_DAYS: int(sp.risk.arousal_window), NEXT_WEEK: WEEK_DAYS}
    stretches = {
        name: (hour, hour + days * _DAY)
        for name, days in ahead.items()
        if hour + days * _DAY <= end
    }
    if hour - onset >= _DAY:
        stretches[TO_DATE] = (onset, hour)
    return stretches


def _month_day(end: np.datetime64, month_day: list[int], *, autumn: bool) -> np.datetime64:
    """That day of the winter the series ends in: its autumn, or its spring."""
    year = int(str(end)[:4]) - (1 if autumn else 0)
    return np.datetime64(f"{year:04d}-{month_day[0]:02d}-{month_day[1]:02d}", "D")
