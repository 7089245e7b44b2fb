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
    light_in_reach,
)
from riskcast.risk.assessment import Assessment, Concern, Reason, RiskId
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = ["Situation", "open_option", "situation"]

_YOUNG = ("juvenile", "nestling")


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
        return Option("keep_visit_bring_scales", visit_day=now.coming)
    return None


def _coordinator(risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    if risk == "autumn_mass" and concern in ("moderate", "high") and now.choice.worth:
        return _move("ring_monitor", now)
    # A moderate concern in spring is not worth a call: the visit is planned anyway.
    if risk == "spring_food" and concern == "high" and now.coming:
        notice = dt.timedelta(days=now.visits.notice_days + 1)
        decide_by = max(now.coming - notice, now.assessment.issued_on)
        return Option("ring_monitor", decide_by=decide_by, visit_day=now.coming)
    return None


def _rehabilitator(risk: RiskId, concern: Concern | None, now: Situation) -> Option | None:
    if concern not in ("moderate", "high"):
        return None
    if risk == "autumn_mass":
        return _make_room(now)
    if risk == "winter_arousal":
        return Option("hold_back", until=_spell_end(now))
    if risk == "spring_food":
        food = now.assessment.risk("spring_food").dates.get("food_date")
        return Option("hold_back", until=food.value if food else None)
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
    """Room for the light young that the next box check may find."""
    best = now.choice.best
    day = best.day if now.choice.worth and best else now.same_season
    calendar = now.assessment.calendar.days
    if day is None or day not in calendar:
        return None
    young = tuple(a for a in now.assessment.animals if a.life_stage in _YOUNG)
    only_young = now.assessment.model_copy(update={"animals": young})
    expected = light_in_reach(only_young)[calendar.index(day)]
    if expected < now.sp.visits.room_animals:
        return None
    return Option("make_room", decide_by=day, visit_day=day, expected_animals=expected)


def _spell_end(now: Situation) -> dt.date:
    """End of the warm spell, or of the window in which the reserve is spent."""
    spell = now.assessment.warm_spell
    if spell is not None and spell.end >= now.assessment.issued_on:
        return spell.end
    return now.assessment.issued_on + dt.timedelta(days=int(now.sp.risk.arousal_window))


def _season_open(assessment: Assessment, visits: Visits, until: dt.date) -> bool:
    days = (until - assessment.issued_on).days
    return all(
        in_season(assessment.issued_on + dt.timedelta(days=i), visits.season)
        for i in range(days + 1)
    )
