"""What one person is advised: plain, frozen, ready for ``assessment.json``."""

from __future__ import annotations

import datetime as dt
from typing import Literal

import pydantic

from riskcast.risk.assessment import Reason, RiskId

__all__ = ["LEVELS", "ROLES", "Action", "Advice", "Level", "PreviousLevel", "Role"]

Role = Literal["monitor", "coordinator", "rehabilitator"]
Level = Literal["steady", "watch", "plan", "act"]
Action = Literal[
    "move_visit_forward",
    "keep_visit",
    "keep_visit_bring_scales",
    "stay_away",
    "ring_monitor",
    "look_again",
    "make_room",
    "hold_back",
    "no_change",
]

ROLES: tuple[Role, ...] = ("monitor", "coordinator", "rehabilitator")
LEVELS: tuple[Level, ...] = ("steady", "watch", "plan", "act")
"""From change nothing, look again on a date, arrange by a date, to do it before a date."""


class PreviousLevel(pydantic.BaseModel):
    """What this role was told by the last run, out of the archive.

    level : the level that was told
    raw_level : the level the numbers gave, before it was held
    """

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")

    level: Level
    raw_level: Level


class Advice(pydantic.BaseModel):
    """What one role should do, and by when. The reasons are codes; templates say them.

    by_date : last day on which the action can still be settled or arranged; None = nothing
        to settle
    visit_day : day of the box check that the action is about
    replaces : the planned day it takes the place of (never one more visit)
    until : day of what is to be waited for (the coming of enough food)
    boxes : where the animals are that the visit is for; empty for the rehabilitator
    expected_animals : light young to expect, every animal of a litter counted, those with
        their mother left out
    look_again : when the next word comes
    leading_risk : the risk the action answers; None when none is asked about
    held_because : why `level` is not `raw_level`; None when it is
    """

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")

    role: Role
    level: Level
    raw_level: Level
    action: Action
    by_date: dt.date | None = None
    visit_day: dt.date | None = None
    replaces: dt.date | None = None
    until: dt.date | None = None
    boxes: tuple[str, ...] = ()
    expected_animals: float | None = None
    look_again: dt.date
    leading_risk: RiskId | None = None
    reasons: tuple[Reason, ...] = ()
    held_because: Reason | None = None
