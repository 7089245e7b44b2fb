"""One animal carried to spring: what it may lack, how long it lasts, against what."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.base.nights import as_ns, local_date
from riskcast.risk.assessment import AnimalOutlook, Calendar, DateQuantity, Feeding, Quantity
from riskcast.risk.evidence import REFERENCE, Evidence
from riskcast.risk.scores import date_quantity, quantity, share
from riskcast.species import Species

__all__ = ["days_vs_normal", "mass_needed_quantities", "outlook", "reference_outlook"]

_DAY = np.timedelta64(1, "D")
_NOON = np.timedelta64(12, "h")
_DIGITS = 3
_NEVER = np.datetime64("NaT", "ns")
FloatArray = npt.NDArray[np.float64]
FEEDINGS: tuple[Feeding, ...] = get_args(Feeding)


def outlook(
    row: pd.Series[Any], evidence: Evidence, days: Calendar, sp: Species, gate_passed: bool
) -> AnimalOutlook:
    """The outlook of one current animal; one that was not carried has reasons for numbers."""
    facts = _facts(row)
    if not row["carried"] or evidence.autumn is None:
        return AnimalOutlook(**facts, **_unknown(str(row["why_not"]) or "not_carried"))
    key, target = str(row["key"]), evidence.target_mass_g
    course = evidence.autumn.sel(animal=key)
    mass, onset = course["body_mass_g"].values, course["onset"].values
    short = mass < target
    weighed = as_ns(row["event_date"])
    until_onset = np.maximum((onset - weighed) / _DAY, 1.0)
    body_mass_g = float(row["body_mass_g"])
    middle_days = float(np.median(until_onset))
    noons = [as_ns(day) + _NOON for day in days.days]
    out = np.stack([onset > noon for noon in noons]) if noons else np.zeros((0, *onset.shape))
    return AnimalOutlook(
        **facts,
        share_short=share(short),
        grams_short=quantity(np.maximum(target - mass, 0.0), "g"),
        mass_at_onset=quantity(mass, "g"),
        onset=date_quantity(onset, evidence.timezone),
        gain_needed=quantity([max(target - body_mass_g, 0.0) / middle_days], "g day-1"),
        gain_expected=quantity((mass - body_mass_g) / until_onset, "g day-1"),
        still_out=_shares(out),
        short_and_out=_shares(out & short),
        **_winter(key, evidence, sp, gate_passed),
    )


def reference_outlook(evidence: Evidence, sp: Species, gate_passed: bool) -> AnimalOutlook:
    """The outlook of the reference animal: first winter, a set mass at the site's own onset."""
    mass = float(sp.risk.reference_mass)
    onset = local_date(evidence.reference_onset, evidence.timezone)
    asked = "reference_animal"
    return AnimalOutlook(
        key=REFERENCE,
        label=REFERENCE,
        life_stage="juvenile",
        body_mass_g=mass,
        share_short=None,
        grams_short=Quantity(value=None, unit="g", reason=asked),
        mass_at_onset=quantity([mass], "g"),
        onset=DateQuantity(value=onset, low=onset, high=onset),
        gain_needed=Quantity(value=None, unit="g day-1", reason=asked),
        gain_expected=Quantity(value=None, unit="g day-1", reason=asked),
        **_winter(REFERENCE, evidence, sp, gate_passed),
    )


def days_vs_normal(key: str, evidence: Evidence, sp: Species) -> xr.DataArray | None:
    """Days in hand minus the same animal's in the site's past winters, paired by draw.

    Same mass, same onset, same chance: only the weather differs. The normal of a draw is
    its median past winter. None = too few past years. Both are cut at the end of the
    series, so a difference beyond it does not show.

    Returns
    -------
    DataArray (member, draw), days; negative = days lost
    """
    if evidence.normal_winter is None or evidence.past_years < sp.risk.least_past_years:
        return None
    here = evidence.winter["none"]["days_in_hand"].sel(animal=key)
    normal = evidence.normal_winter["days_in_hand"].sel(animal=key).median("member")
    return here - normal


def mass_needed_quantities(
    needed_g: dict[Feeding, FloatArray], sp: Species
) -> dict[Feeding, Quantity]:
    """Mass at onset whose reserve just lasts to the food date; beyond any animal = at least."""
    ceiling = float(sp.weights.adult_max)
    return {
        feeding: quantity(needed_g[feeding], "g", ceiling=ceiling, reason="no_food_date")
        for feeding in FEEDINGS
    }


def _winter(key: str, evidence: Evidence, sp: Species, gate_passed: bool) -> dict[str, Any]:
    in_hand: dict[Feeding, Quantity] = {}
    to_spare: dict[Feeding, Quantity] = {}
    lasts: dict[Feeding, float] = {}
    food = evidence.food["food_date"].transpose("member", "draw")
    # Food that comes after the series counts at its end, unless that is most of the futures.
    late, unknown = evidence.food_is_late, evidence.food_mostly_late
    food = xr.full_like(food, _NEVER) if unknown else food.fillna(evidence.end)
    for feeding in FEEDINGS:
        course = evidence.winter[feeding].sel(animal=key)
        lasted = course["reserve_empty"].isnull().values
        days = course["days_in_hand"].values
        in_hand[feeding] = quantity(days, "day", capped=lasted)
        empty = course["reserve_empty"].fillna(evidence.end)
        spare = ((empty - food) / _DAY).transpose("member", "draw")
        to_spare[feeding] = quantity(spare.values, "day", capped=lasted, reason="no_food_date")
        if gate_passed and not unknown:
            # Whether a reserve that outlasts the series also outlasts the wait is not known.
            reached = (lasted | (spare.values >= 0)) & ~late
            lasts[feeding] = round(float(reached[~(lasted & late)].mean()), _DIGITS)
    difference = days_vs_normal(key, evidence, sp)
    vs_normal = (
        Quantity(value=None, unit="day", reason="no_past_years")
        if difference is None
        else quantity(difference.values, "day")
    )
    unfed = evidence.winter["none"]["days_in_hand"]
    vs_reference = (
        Quantity(value=None, unit="day", reason="reference_animal")
        if key == REFERENCE
        else quantity((unfed.sel(animal=key) - unfed.sel(animal=REFERENCE)).values, "day")
    )
    return {
        "days_in_hand": in_hand,
        "days_to_spare": to_spare,
        "days_vs_normal": vs_normal,
        "days_vs_reference": vs_reference,
        "reserve_lasts": lasts or None,
    }


def _facts(row: pd.Series[Any]) -> dict[str, Any]:
    return {
        "key": str(row["key"]),
        "label": str(row["label"]),
        "box": str(row["box"]),
        "organism_id": str(row["organism_id"]),
        "sex": str(row["sex"]),
        "life_stage": str(row["life_stage"]),
        "activity": str(row["activity"]),
        "body_mass_g": float(row["body_mass_g"]),
        "event_date": pd.Timestamp(row["event_date"]).date(),
        "age_days": int(row["age_days"]),
        "litter": bool(row["litter"]),
        "with_mother": bool(row["with_mother"]),
        "ranked": bool(row["ranked"]) and bool(row["carried"]),
        "why_not": str(row["why_not"]),
    }


def _unknown(reason: str) -> dict[str, Any]:
    def none(unit: str) -> Quantity:
        return Quantity(value=None, unit=unit, reason=reason)

    both = {feeding: none("day") for feeding in FEEDINGS}
    return {
        "grams_short": none("g"),
        "mass_at_onset": none("g"),
        "onset": DateQuantity(value=None, reason=reason),
        "gain_needed": none("g day-1"),
        "gain_expected": none("g day-1"),
        "days_in_hand": both,
        "days_to_spare": both,
        "days_vs_normal": none("day"),
        "days_vs_reference": none("day"),
    }


def _shares(flags: npt.NDArray[np.bool_]) -> tuple[float, ...]:
    return tuple(round(float(day.mean()), _DIGITS) for day in flags)
