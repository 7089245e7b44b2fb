"""What each role can still do about each risk, on the day of issue.

One function a role. None means there is nothing left to do but look again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskcast.advice.levels import Option, in_ground_nests
from riskcast.advice.model import Role
from riskcast.advice.visits import (
    VisitChoice,
    boxes_in_reach,
    choose_visit,
    in_season,
    litters_in_reach,
)
from riskcast.risk.assessment import AnimalOutlook, Assessment, Concern, Reason, RiskId
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = ["Situation", "open_option", "situation", "young_with_mother"]

_YOUNG = ("juvenile", "nestling")

# An expected number below this is told as none: half an animal rounds up to one.
_ONE_ANIMAL = 0.5


@dataclass(frozen=True)
class Situation:
    """What the options depend on, worked out once.

    coming : the next planned visit if it lies before the end of the forecast season
    same_season : `coming`, if the visiting season is open from now until then
    """

    assessment: Assessment
    visits: Visits
    sp: Species
    choice: VisitChoice
    ground_nests: bool
    coming: dt.date | None
    same_season: dt.date | None


def situation(assessment: Assessment, visits: Visits, sp: Species) -> Situation:
    """Work out the visit to propose and where the animals are."""
    choice = choose_visit(assessment, visits, sp)
    planned = choice.planned
    coming = planned if planned is not None and planned <= assessment.horizon else None
    return Situation(
        assessment=assessment,
        visits=visits,
        sp=sp,
        choice=choice,
        ground_nests=in_ground_nests(assessment),
        coming=coming,
        same_season=coming if coming and _season_open(assessment, visits, coming) else None,
    )


def open_option(role: Role, risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    """What `role` can do about `risk` at this concern; None when no option is open."""
    return _OPTIONS[role](risk, concern, now)


def _monitor(risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    if risk == "autumn_mass":
        if concern is None and now.same_season:
            return Option("keep_visit_bring_scales", visit_day=now.same_season)
        if concern in ("moderate", "high") and now.choice.worth:
            return _move("move_visit_forward", now)
    if risk == "spring_food" and concern in ("moderate", "high") and now.coming:
        arrange_by = _before_notice(now.coming, now)
        return Option("keep_visit_bring_scales", arrange_by=arrange_by, visit_day=now.coming)
    return None


def _coordinator(risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    if risk == "autumn_mass" and concern in ("moderate", "high") and now.choice.worth:
        return _move("ring_monitor", now)
    # A moderate concern in spring is not worth a call: the visit is planned anyway.
    if risk == "spring_food" and concern == "high" and now.coming:
        decide_by = _before_notice(now.coming, now)
        return Option("ring_monitor", decide_by=decide_by, visit_day=now.coming)
    return None


def _rehabilitator(risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    if concern not in ("moderate", "high"):
        return None
    if risk == "autumn_mass":
        return _make_room(now)
    # Asked about once winter sleep has begun: the end of a warm spell is no day for a release.
    if risk in ("winter_arousal", "spring_food"):
        food = _food_date(now.assessment)
        there = food is not None and food <= now.assessment.issued_on
        return None if there else Option("hold_back", until=food)
    return None


_OPTIONS: dict[Role, Callable[[RiskId, Concern | None, Situation], Option | None]] = {
    "monitor": _monitor,
    "coordinator": _coordinator,
    "rehabilitator": _rehabilitator,
}


def _move(action: str, now: Situation) -> Option:
    choice = now.choice
    best = choice.best
    assert best is not None  # a choice that is worth it has a day
    assert choice.planned is not None
    better = Reason(
        code="better_day",
        numbers={
            "visit_day": best.day.isoformat(),
            "planned": choice.planned.isoformat(),
            "in_reach": best.in_reach,
            "planned_in_reach": choice.planned_in_reach,
            "unfit_weather": best.unfit_weather,
            "litters": max(litters_in_reach(now.assessment, d) for d in (best.day, choice.planned)),
        },
    )
    waiting = Reason(
        code="waiting_costs",
        numbers={
            "days": int(now.sp.visits.waiting_days),
            "now": best.in_reach,
            "later": choice.week_later,
        },
    )
    return Option(
        action="move_visit_forward" if action == "move_visit_forward" else "ring_monitor",
        decide_by=best.decide_by,
        visit_day=best.day,
        replaces=choice.planned,
        boxes=boxes_in_reach(now.assessment, best.day, now.sp),
        reasons=(better, waiting),
    )


def _make_room(now: Situation) -> Option | None:
    """Room for the light young that the next box check may find.

    Every animal of a litter needs a place, so heads are counted. Young that are with their
    mother stay with her: they are told apart.
    """
    day = _next_check(now)
    if day is None:
        return None
    alone = _light_young(now, day, with_mother=False)
    expected = sum(share for _, share in alone)
    if expected < now.sp.visits.room_animals:
        return None
    litters = any(animal.litter and share > 0 for animal, share in alone)
    counted = (Reason(code="heads_counted"),) if litters else ()
    return Option(
        "make_room",
        decide_by=day,
        visit_day=day,
        expected_animals=expected,
        reasons=(*counted, *young_with_mother(now)),
    )


def young_with_mother(now: Situation) -> tuple[Reason, ...]:
    """The light young of the next check that need no place, told where there is one or more."""
    day = _next_check(now)
    if day is None:
        return ()
    expected = sum(share for _, share in _light_young(now, day, with_mother=True))
    if expected < _ONE_ANIMAL:
        return ()
    return (Reason(code="young_with_mother", numbers={"n": expected}),)


def _next_check(now: Situation) -> dt.date | None:
    """The day proposed, or the planned one, if the calendar knows it."""
    best = now.choice.best
    day = best.day if now.choice.worth and best else now.same_season
    return day if day in now.assessment.calendar.days else None


def _light_young(
    now: Situation, day: dt.date, *, with_mother: bool
) -> list[tuple[AnimalOutlook, float]]:
    """Ranked young with the share of the futures in which a check meets them too light."""
    i = now.assessment.calendar.days.index(day)
    return [
        (animal, animal.short_and_out[i])
        for animal in now.assessment.animals
        if animal.ranked
        and animal.short_and_out
        and animal.life_stage in _YOUNG
        and animal.with_mother is with_mother
    ]


def _food_date(assessment: Assessment) -> dt.date | None:
    """When there should be enough food, by whichever risk knows it."""
    for risk in ("spring_food", "winter_reserve"):
        food = assessment.risk(risk).dates.get("food_date")
        if food is not None and food.value is not None:
            return food.value
    return None


def _before_notice(visit_day: dt.date, now: Situation) -> dt.date:
    """Last day to arrange something for a visit; today where the notice has begun."""
    notice = dt.timedelta(days=now.visits.notice_days + 1)
    return max(visit_day - notice, now.assessment.issued_on)


def _season_open(assessment: Assessment, visits: Visits, until: dt.date) -> bool:
    days = (until - assessment.issued_on).days
    return all(
        in_season(assessment.issued_on + dt.timedelta(days=i), visits.season)
        for i in range(days + 1)
    )
