"""What moves an animal's numbers most: the same animal once more, with other luck.

Only `riskcast explain` asks; a run does not come here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from riskcast import habitat, physiology
from riskcast.risk import REFERENCE
from riskcast.risk.outlook import days_vs_normal
from riskcast.risk.sensitivity import Moves, costly_days, drawn_parameters, sensitivity

if TYPE_CHECKING:
    from riskcast.pipeline.run import Forecast
    from riskcast.risk import AnimalOutlook, Evidence

__all__ = ["what_moves"]

# Luck is the same in every member of a draw: the draws tell its size, a few members do.
_FEW_MEMBERS = 8


def what_moves(made: Forecast, animal: AnimalOutlook) -> Moves:
    """Sensitivity of an animal's days in hand and days against normal, and the costly days.

    Parameters
    ----------
    made : a forecast; nothing of it changes
    animal : of its assessment. One that was not carried is told by the reference animal
    """
    evidence, sp = made.evidence, made.sp
    if animal.days_in_hand["none"].value is None:
        animal = made.assessment.reference_animal
    values = evidence.winter["none"]["days_in_hand"].sel(animal=animal.key)
    against = days_vs_normal(animal.key, evidence, sp)
    past_nest = (
        None if against is None else habitat.nest_temperature(evidence.past, made.site.habitat, sp)
    )
    mass, onset = _with_other_luck(made, animal, past_nest)
    inputs = drawn_parameters(sp, evidence.draws, evidence.seed)
    few = _few(made.nest)
    twin = _days(few, mass, onset, made)
    in_hand = sensitivity(values, twin, inputs)
    if against is None or past_nest is None or evidence.normal_winter is None:
        return Moves(animal.label, in_hand, None, None)
    years = _few(past_nest)
    usual = evidence.normal_winter["days_in_hand"].sel(animal=animal.key, member=years["member"])
    twin_usual = _days(years, _middle(mass), _middle(onset), made)
    # Both normals from the same few winters: what differs is luck alone.
    apart = (twin - twin_usual.median("member")) - (values - usual.median("member"))
    end = np.sort(evidence.food["food_date"].values.ravel())[evidence.food["food_date"].size // 2]
    return Moves(
        animal.label,
        in_hand,
        sensitivity(against, against + apart, inputs),
        costly_days(
            made.nest,
            past_nest,
            sp,
            start=evidence.need_from,
            end=evidence.end if np.isnat(end) else end,
            timezone=evidence.timezone,
        ),
    )


def _with_other_luck(
    made: Forecast, animal: AnimalOutlook, past_nest: xr.DataArray | None
) -> tuple[xr.DataArray, xr.DataArray]:
    """Mass and onset of the animal under another name, which is what its luck hangs on."""
    evidence, sp = made.evidence, made.sp
    name = f"{animal.key}, with other luck"
    if animal.key == REFERENCE:
        named: dict[str, Any] = {"dims": ("animal",), "coords": {"animal": [name]}}
        return (
            xr.DataArray([animal.body_mass_g], **named),
            xr.DataArray([evidence.reference_onset], **named),
        )
    past_nights = (
        None
        if past_nest is None
        else habitat.nights(evidence.past, made.site.place, sp, nest=past_nest)
    )
    row = evidence.animals[evidence.animals["key"] == animal.key].assign(key=name)
    course = physiology.autumn(
        evidence.nights, row, sp, normal_nights=past_nights, **_chance(evidence)
    )
    return course["body_mass_g"], course["onset"]


def _days(
    nest: xr.DataArray, mass: xr.DataArray, onset: xr.DataArray, made: Forecast
) -> xr.DataArray:
    """Days in hand (member, draw) in some of the weather."""
    if "member" in mass.dims:
        mass, onset = (each.sel(member=nest["member"]) for each in (mass, onset))
    course = physiology.winter(
        nest, mass, made.sp, onset=onset, issued_at=made.evidence.issued_at,
        **_chance(made.evidence),
    )  # fmt: skip
    return course["days_in_hand"].isel(animal=0, drop=True)


def _middle(values: xr.DataArray) -> xr.DataArray:
    """Median over the members, draw by draw: what the same animal brings into past winters."""
    if "member" not in values.dims:
        return values
    if values.dtype.kind != "M":
        return values.median("member")
    seconds = values.astype("datetime64[s]").astype("int64").median("member")
    return seconds.astype("int64").astype("datetime64[s]").astype("datetime64[ns]")


def _few(nest: xr.DataArray) -> xr.DataArray:
    """Some members, evenly from all."""
    last = nest.sizes["member"] - 1
    return nest.isel(member=np.unique(np.linspace(0, last, _FEW_MEMBERS).round().astype(int)))


def _chance(evidence: Evidence) -> dict[str, Any]:
    return {"draws": evidence.draws, "seed": evidence.seed}
