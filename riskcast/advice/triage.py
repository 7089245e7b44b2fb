"""Which animals are in most need, and which days would reach them: tables.

One row a day, or one row an animal with the most urgent first. Found animals, which have
no site of their own, get theirs from the assessment of the place where they were found.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskcast.advice.sentences import Sentences
from riskcast.advice.tables import Cell, Table
from riskcast.advice.units import Unit, reserve_may_be_gone, units
from riskcast.advice.visits import (
    Candidate,
    candidate_days,
    choose_visit,
    gone_to_ground,
    litters_in_reach,
)
from riskcast.risk.assessment import AnimalOutlook, Assessment, Feeding, Quantity
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = [
    "FoundAnimal",
    "days_in_care",
    "triage_found",
    "triage_table",
    "visits_table",
]


@dataclass(frozen=True)
class FoundAnimal:
    """An animal that somebody found: one row of the rehabilitator's list.

    event_date : when it was weighed
    in_care : already taken in
    """

    name: str
    date_found: dt.date | None
    event_date: dt.date | None
    body_mass_g: float
    life_stage: str = "unknown"
    in_care: bool = False


def days_in_care(body_mass_g: float, sp: Species, target_g: float | None = None) -> int:
    """Days from a weight to a target at `autumn.captive_gain`, 0 if it is there already.

    An average of few captive animals; no release mass is published.
    """
    target = sp.autumn.captive_release_mass if target_g is None else target_g
    return math.ceil(max(target - body_mass_g, 0.0) / float(sp.autumn.captive_gain))


def visits_table(assessment: Assessment, visits: Visits, sp: Species) -> Table:
    """Candidate days of a box check: what each reaches and when it has to be settled."""
    say = Sentences(assessment, sp)
    choice = choose_visit(assessment, visits, sp)
    days = candidate_days(assessment, visits, sp)
    known = any(animal.ranked for animal in assessment.animals)
    rows: list[tuple[Cell, ...]] = []
    for day in days:
        remark = "remark_planned" if day.planned else ""
        if known and choice.best is not None and day.day == choice.best.day:
            remark = "remark_proposed" if choice.worth else "remark_best"
        rows.append(
            (
                day.day.isoformat(),
                f"{day.day:%a}",
                round(day.in_reach, 2) if known else None,
                round(day.unfit_weather, 2),
                round(day.value, 2) if known else None,
                round(day.gain, 2) if known else None,
                _torpid(day, assessment, say),
                day.decide_by.isoformat(),
                say.macro("tables.j2", remark) if remark else "",
            )
        )
    notes = [say.reason(choice.reason)] if choice.reason else []
    if not known:
        notes = [say.macro("tables.j2", "visits_no_animals")]
    reach = ["visits_reach"]
    if any(litters_in_reach(assessment, day.day) for day in days):
        reach.append("visits_litter")
    notes += [say.macro("tables.j2", n) for n in reach]
    notes += _torpid_notes(days, choice.best, assessment, say)
    notes += [say.macro("tables.j2", n) for n in ("visits_replaces", "caution")]
    return Table(
        title=say.macro("tables.j2", "visits_title"),
        columns=(
            "day",
            "weekday",
            "in reach (animals)",
            "unfit weather (share)",
            "value (animals)",
            "gain over planned (animals)",
            "torpid that morning",
            "settle by",
            "remark",
        ),
        rows=tuple(rows),
        notes=tuple(notes),
    )


def _torpid(day: Candidate, assessment: Assessment, say: Sentences) -> Cell:
    """How many of ten animals still about are torpid that morning; words where none is about."""
    if gone_to_ground(assessment, day.day):
        return say.macro("tables.j2", "gone_to_ground")
    return None if day.torpid is None else say.share(day.torpid)


def _torpid_notes(
    days: Sequence[Candidate], best: Candidate | None, assessment: Assessment, say: Sentences
) -> list[str]:
    notes = []
    if best is not None and best.torpid is not None:
        notes.append(say.macro("tables.j2", "visits_best", best.day, say.share(best.torpid)))
    if any(day.torpid is not None for day in days):
        notes.append(say.macro("tables.j2", "visits_torpid"))
    if any(gone_to_ground(assessment, day.day) for day in days):
        notes.append(say.macro("tables.j2", "visits_ground"))
    return notes


def triage_table(assessment: Assessment, sp: Species) -> Table:
    """One row an animal or litter, most urgent first: days to spare, comparisons, shares."""
    say = Sentences(assessment, sp)
    columns = [
        "animal",
        "body mass (g)",
        "days to spare, no food (d)",
        "days to spare, food found (d)",
        "against normal (d)",
        "against reference (d)",
    ]
    gate = assessment.gate.passed
    if gate:
        columns += ["fat lasts, no food", "fat lasts, food found"]
    columns += ["under target at onset", "short at onset (g)", "remark"]
    shown = units(assessment.animals)
    rows = tuple(_triage_row(unit, say, gate) for unit in shown)
    notes = ["triage_spare", "triage_vs", "triage_shares" if gate else "triage_no_shares"]
    if any(unit.animal.ranked and unit.reserve_may_be_gone for unit in shown):
        notes.append("triage_gone")
    if any(animal.litter for animal in assessment.animals):
        notes.append("triage_litter")
    return Table(
        title=say.macro("tables.j2", "triage_title"),
        columns=tuple(columns),
        rows=rows,
        notes=tuple(say.macro("tables.j2", note) for note in (*notes, "caution")),
    )


def triage_found(
    found: Sequence[FoundAnimal],
    assessment: Assessment,
    sp: Species,
    *,
    release_mass_g: float | None = None,
    rehab_below_g: float | None = None,
) -> Table:
    """One row a found animal: what it lacks, how long care would take, how long it has.

    Parameters
    ----------
    found : the animals
    assessment : of the place where they were found. An animal carried to spring in it
        (key, organism_id or label = its name) gets its days in hand.
    release_mass_g : mass the time in care runs to; None = `autumn.captive_release_mass`
    rehab_below_g : the agreed mass for taking an animal in; None = none agreed

    Notes
    -----
    Time in care starts at the weighing for an animal in care, at the issue for one that
    is not.
    """
    say = Sentences(assessment, sp, role="rehabilitator")
    target = sp.autumn.captive_release_mass if release_mass_g is None else release_mass_g
    outlooks = {animal.name: _outlook(animal.name, assessment) for animal in found}
    order = sorted(found, key=lambda animal: _urgency(animal, outlooks[animal.name]))
    rows = tuple(
        _found_row(animal, outlooks[animal.name], assessment, sp, target) for animal in order
    )
    notes = [say.macro("tables.j2", "found_care", target), say.macro("tables.j2", "found_days")]
    if any(outlook and reserve_may_be_gone(outlook) for outlook in outlooks.values()):
        notes.append(say.macro("tables.j2", "found_gone"))
    notes.append(say.macro("tables.j2", "found_needed"))
    unknown = [animal.name for animal in order if _days_unknown(outlooks[animal.name])]
    if unknown:
        notes.append(say.macro("tables.j2", "found_days_unknown", ", ".join(unknown)))
    if any(animal.body_mass_g < sp.autumn.independence_mass for animal in found):
        notes.append(say.macro("tables.j2", "found_young", sp.autumn.independence_mass))
    if rehab_below_g is not None:
        notes.append(say.macro("tables.j2", "found_below", rehab_below_g))
    notes += [say.macro("tables.j2", "found_options"), say.macro("tables.j2", "caution")]
    return Table(
        title=say.macro("tables.j2", "found_title"),
        columns=(
            "name",
            "life stage",
            "in care",
            "found",
            "weighed",
            "body mass (g)",
            "days in hand, no food (d)",
            "days in hand, food found (d)",
            "mass needed, no food (g)",
            "mass needed, food found (g)",
            "missing, no food (g)",
            "missing, food found (g)",
            "days in care (d)",
            "care until about",
        ),
        rows=rows,
        notes=tuple(notes),
    )


def _triage_row(unit: Unit, say: Sentences, gate: bool) -> tuple[Cell, ...]:
    animal = unit.animal
    cells: list[Cell] = [
        say.name(unit),
        round(animal.body_mass_g, 1),
        _whole(animal.days_to_spare["none"]),
        _whole(animal.days_to_spare["found"]),
        _whole(animal.days_vs_normal),
        _whole(animal.days_vs_reference),
    ]
    if gate:
        lasts = animal.reserve_lasts
        cells += [say.share(lasts["none"]), say.share(lasts["found"])] if lasts else [None, None]
    short = animal.grams_short.value
    cells += [
        None if animal.share_short is None else say.share(animal.share_short),
        None if short is None else round(short, 1),
        say.macro("animals.j2", "remark", unit),
    ]
    return tuple(cells)


def _found_row(
    animal: FoundAnimal,
    outlook: AnimalOutlook | None,
    assessment: Assessment,
    sp: Species,
    target: float,
) -> tuple[Cell, ...]:
    care_days = days_in_care(animal.body_mass_g, sp, target)
    start = animal.event_date if animal.in_care and animal.event_date else assessment.issued_on
    needed = [assessment.mass_needed[feeding] for feeding in _FEEDING]
    return (
        animal.name,
        animal.life_stage,
        "yes" if animal.in_care else "no",
        animal.date_found.isoformat() if animal.date_found else None,
        animal.event_date.isoformat() if animal.event_date else None,
        round(animal.body_mass_g, 1),
        *(_left(outlook.days_in_hand[feeding]) if outlook else None for feeding in _FEEDING),
        *(_needed(quantity) for quantity in needed),
        *(_missing(quantity, animal.body_mass_g) for quantity in needed),
        care_days or "none needed",
        (start + dt.timedelta(days=care_days)).isoformat() if care_days else None,
    )


_FEEDING: tuple[Feeding, Feeding] = ("none", "found")


def _urgency(animal: FoundAnimal, outlook: AnimalOutlook | None) -> tuple[float, float, float, str]:
    """Fewest days in hand first, with food where none may be left; then the lightest."""
    none, found = (
        math.inf if outlook is None or (days := outlook.days_in_hand[case].value) is None else days
        for case in _FEEDING
    )
    return (max(none, 0.0), found if none < 0 else math.inf, animal.body_mass_g, animal.name)


def _days_unknown(outlook: AnimalOutlook | None) -> bool:
    return outlook is None or outlook.days_in_hand["none"].value is None


def _outlook(name: str, assessment: Assessment) -> AnimalOutlook | None:
    for animal in assessment.animals:
        if name in (animal.key, animal.organism_id, animal.label):
            return animal
    return None


def _left(quantity: Quantity) -> Cell:
    """Days in hand; below zero there is no number of days left to tell."""
    if quantity.value is not None and quantity.value < 0:
        return "may be gone"
    return _whole(quantity)


def _whole(quantity: Quantity) -> Cell:
    """Days, whole; "120 or more" where the season ends before."""
    if quantity.value is None:
        return None
    days = round(quantity.value)
    return f"{days}+" if quantity.at_least else days


def _needed(needed: Quantity) -> Cell:
    """Mass needed, g; a bound that no animal meets is no mass to reach."""
    if needed.value is None:
        return None
    return "none lasts" if needed.at_least else round(needed.value, 1)


def _missing(needed: Quantity, mass_g: float) -> Cell:
    """What is needed beyond a mass, g, never below zero; None where there is no such mass."""
    if needed.value is None or needed.at_least:
        return None
    return round(max(needed.value - mass_g, 0.0), 1)
