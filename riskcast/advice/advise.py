"""Numbers in, advice out: one for each role."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskcast.advice.levels import (
    CONCERNS,
    Option,
    concern_within_margin,
    hold,
    limited_level,
)
from riskcast.advice.model import LEVELS, ROLES, Action, Advice, Level, PreviousLevel, Role
from riskcast.advice.options import Situation, open_option, situation, young_with_mother
from riskcast.advice.watch import look_again
from riskcast.risk.assessment import Assessment, Concern, Reason, RiskResult
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = ["RISK_ORDER", "advise"]

RISK_ORDER = ("autumn_mass", "spring_food", "winter_arousal", "winter_reserve")
"""Which risk speaks first at equal level: those that a person can do most about."""


@dataclass(frozen=True)
class _View:
    """What one role sees of one risk."""

    risk: RiskResult
    concern: Concern | None
    option: Option | None
    level: Level

    @property
    def weight(self) -> tuple[int, bool, float, int]:
        """Level first, then whether something can be done, concern, and the fixed order."""
        concern = 0.5 if self.concern is None else CONCERNS.index(self.concern)
        order = -RISK_ORDER.index(self.risk.id)
        return (LEVELS.index(self.level), self.option is not None, concern, order)


def advise(
    assessment: Assessment,
    visits: Visits,
    sp: Species,
    *,
    roles: Iterable[Role] = ROLES,
    previous: Mapping[str, PreviousLevel] | None = None,
) -> tuple[Advice, ...]:
    """What each role should do, and by when.

    Parameters
    ----------
    assessment : the numbers
    visits : the site's planned visits and the rules of its group
    sp : edges and margins (``sp.visits``, ``sp.levels``, ``sp.risk``)
    roles : each once, in the order wanted
    previous : by role, what the last run told, at most ``sp.levels.memory_days`` old;
        None or absent = nothing holds the new level

    Returns
    -------
    tuple of Advice, one a role, in the order of `roles`
    """
    now = situation(assessment, visits, sp)
    told = previous or {}
    return tuple(_for_role(role, now, told.get(role)) for role in dict.fromkeys(roles))


def _for_role(role: Role, now: Situation, previous: PreviousLevel | None) -> Advice:
    lowered, raw, raised = (_leading(role, now, direction) for direction in (-1, 0, 1))
    level, held = hold(_level(lowered), _level(raw), _level(raised), previous)
    view = next((v for v in (raw, raised, lowered) if _level(v) == level), raw)
    option = view.option if view and _fits(view.option, view.level, level) else None
    action = option.action if option else _quiet_action(role, level, now)
    chosen = option or Option(action, visit_day=_visit_kept(action, now))
    return Advice(
        role=role,
        level=level,
        raw_level=_level(raw),
        action=action,
        by_date=chosen.decide_by or chosen.arrange_by,
        visit_day=chosen.visit_day,
        replaces=chosen.replaces,
        until=chosen.until,
        boxes=chosen.boxes,
        expected_animals=chosen.expected_animals,
        look_again=look_again(now.assessment, level, chosen.decide_by, now.sp),
        leading_risk=view.risk.id if view else None,
        reasons=_reasons(role, view, option, now),
        held_because=held,
    )


def _leading(role: Role, now: Situation, direction: int) -> _View | None:
    """The risk that asks most of this role; None when none is asked about."""
    views = []
    for risk in now.assessment.risks:
        if risk.status == "not_asked_now":
            continue
        concern = concern_within_margin(risk, now.assessment, now.sp, direction=direction)
        option = open_option(role, risk.id, concern, now)
        level = limited_level(
            concern,
            option,
            issued_on=now.assessment.issued_on,
            ground_nests=now.ground_nests,
            sp=now.sp,
        )
        views.append(_View(risk, concern, option, level))
    return max(views, key=lambda view: view.weight, default=None)


def _level(view: _View | None) -> Level:
    return view.level if view else "steady"


def _fits(option: Option | None, of_level: Level, level: Level) -> bool:
    """An option that asks for a decision is only told at the level it brings."""
    return option is not None and (option.decide_by is None or of_level == level)


def _quiet_action(role: Role, level: Level, now: Situation) -> Action:
    """What to say when nothing is open: keep to the plan, or leave well alone."""
    if role == "rehabilitator":
        return "no_change"
    if role == "coordinator":
        return "no_change" if level == "steady" else "look_again"
    if now.same_season:
        return "keep_visit"
    return "stay_away" if level != "steady" and now.ground_nests else "no_change"


def _visit_kept(action: Action, now: Situation) -> dt.date | None:
    return now.same_season if action == "keep_visit" else None


def _reasons(
    role: Role, view: _View | None, option: Option | None, now: Situation
) -> tuple[Reason, ...]:
    """Codes of the leading risk, then those of the advice itself."""
    reasons = list(view.risk.reasons) if view else []
    if option:
        reasons += option.reasons
    elif role == "monitor" and view and view.level != "steady":
        if view.risk.id == "autumn_mass" and now.choice.reason is not None:
            reasons.append(now.choice.reason)
        else:
            reasons.append(Reason(code="no_open_option"))
    elif role == "rehabilitator" and view and view.risk.id == "autumn_mass":
        reasons += young_with_mother(now)
    if now.ground_nests and view and view.level != "steady":
        reasons.append(Reason(code="in_ground_nests"))
    return tuple(reasons)
