"""Put the numbers of one site together: the checked step of this room."""

from __future__ import annotations

import datetime as dt

import numpy as np

from riskcast.physiology import empty_mass, mass_needed
from riskcast.risk.assessment import (
    Assessment,
    Feeding,
    Gate,
    RecordsUsed,
    SiteSummary,
    WeatherUsed,
)
from riskcast.risk.evidence import Evidence
from riskcast.risk.hazards import autumn_mass, spring_food, winter_arousal, winter_reserve
from riskcast.risk.mornings import torpid_in_box
from riskcast.risk.outlook import mass_needed_quantities, outlook, reference_outlook
from riskcast.risk.warmth import calendar, warm_spell
from riskcast.species import Species

__all__ = ["assess", "fed_mass_needed"]

_DAY = np.timedelta64(1, "D")


def assess(
    evidence: Evidence,
    sp: Species,
    *,
    site: SiteSummary,
    weather: WeatherUsed,
    records: RecordsUsed,
) -> Assessment:
    """All numbers of one run.

    Parameters
    ----------
    evidence : finished Datasets of the other rooms
    sp : Species, central values
    site, weather, records : what is said about the inputs

    Returns
    -------
    Assessment, with animals in order of urgency: fewest days to spare first, unranked last
    """
    gate = _gate(evidence, sp)
    days = calendar(evidence.futures, evidence.issued_on, evidence.timezone, sp)
    spell = warm_spell(evidence.futures, evidence.past, evidence.issued_on, evidence.timezone, sp)
    reference = reference_outlook(evidence, sp, gate.passed)
    animals = sorted(
        (outlook(row, evidence, days, sp, gate.passed) for _, row in evidence.animals.iterrows()),
        key=lambda animal: (
            not animal.ranked,
            animal.days_to_spare["none"].value
            if animal.days_to_spare["none"].value is not None
            else np.inf,
            animal.body_mass_g,
            animal.key,
        ),
    )
    torpid = torpid_in_box(animals, evidence, days, sp)
    days = days.model_copy(update={"torpid_in_box": torpid})
    drawn = sp.draw(evidence.draws, evidence.seed)
    # To a food date beyond the series no mass is known to last.
    late, unknown = evidence.food_is_late, np.nan if evidence.food_mostly_late else np.inf
    needed: dict[Feeding, np.ndarray[tuple[int, ...], np.dtype[np.float64]]] = {
        "none": np.where(late, unknown, mass_needed(evidence.spent_to_food.values, drawn)),
        "found": np.where(late, unknown, fed_mass_needed(evidence, drawn)),
    }
    overrides = {
        name: parameter.note
        for name, parameter in sp.parameters.items()
        if parameter.status == "site"
    }
    return Assessment(
        site=site,
        # With its zone: the schema says date-time, and RFC 3339 has none without.
        issued_at=evidence.issued_at.astype("datetime64[s]").item().replace(tzinfo=dt.UTC),
        issued_on=evidence.issued_on,
        horizon=evidence.end.astype("datetime64[D]").item(),
        seed=evidence.seed,
        draws=evidence.draws,
        target_mass_g=evidence.target_mass_g,
        weather=weather,
        records=records,
        risks=(
            autumn_mass(evidence, animals, sp),
            winter_arousal(evidence, spell, sp),
            winter_reserve(evidence, reference, animals, sp),
            spring_food(evidence, sp),
        ),
        reference_animal=reference,
        animals=tuple(animals),
        mass_needed=mass_needed_quantities(needed, sp),
        warm_spell=spell,
        calendar=days,
        gate=gate,
        provisional_parameters=sum(p.status == "provisional" for p in sp.parameters.values()),
        overrides=overrides,
    )


def fed_mass_needed(
    evidence: Evidence, drawn: Species
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Mass that just lasts from onset, or from now if that is later, to the food date with food
    at hand, g; inf = none does.

    With a constant net change the share left is the same for every mass, so either the
    floor rules or no mass is enough.
    """
    days = ((evidence.food["food_date"] - evidence.need_from) / _DAY).transpose("member", "draw")
    left = np.exp(np.asarray(drawn.reserve.fed_change_per_day) * days.values)
    floor = empty_mass(0.0, drawn)
    return np.where(left >= np.asarray(drawn.reserve.empty_mass_share), floor / left, np.inf)


def _gate(evidence: Evidence, sp: Species) -> Gate:
    """Shares of futures are printed only where the model brings well-fed adults through."""
    needed = float(sp.risk.gate_share)
    if evidence.gate_share is None or evidence.past_years < sp.risk.least_past_years:
        return Gate(passed=False, share=None, needed=needed, reason="no_past_years")
    if np.isnan(evidence.gate_share):
        # No past spring had enough food before its series ended: nothing to be reached.
        return Gate(passed=False, share=None, needed=needed, reason="no_food_date")
    passed = evidence.gate_share >= needed
    return Gate(
        passed=passed,
        share=round(evidence.gate_share, 3),
        needed=needed,
        reason="" if passed else "adults_do_not_last",
    )
