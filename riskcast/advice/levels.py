"""From concern to level: what can still be done, and when a level may move.

Concern says how bad a risk is; a level says how much it asks of one person today. With
nothing left to do, the worst concern asks no more than to look again.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from riskcast.advice.model import LEVELS, Action, Level, PreviousLevel
from riskcast.risk.assessment import Assessment, Concern, Quantity, Reason, RiskResult
from riskcast.risk.scores import concern as score
from riskcast.species import Species

__all__ = [
    "CONCERNS",
    "Option",
    "concern_within_margin",
    "hold",
    "in_ground_nests",
    "limited_level",
]

CONCERNS: tuple[Concern, ...] = ("low", "moderate", "high")

_BY_CONCERN: dict[Concern, Level] = {"low": "steady", "moderate": "watch", "high": "plan"}


@dataclass(frozen=True)
class Option:
    """Something a role can still do about one risk.

    decide_by : last day to settle it; None = nothing has to be settled beforehand
    arrange_by : last day to get ready for what is planned anyway; moves no level
    """

    action: Action
    decide_by: dt.date | None = None
    arrange_by: dt.date | None = None
    visit_day: dt.date | None = None
    replaces: dt.date | None = None
    until: dt.date | None = None
    boxes: tuple[str, ...] = ()
    expected_animals: float | None = None
    reasons: tuple[Reason, ...] = ()


def limited_level(
    concern: Concern | None,
    option: Option | None,
    *,
    issued_on: dt.date,
    ground_nests: bool,
    sp: Species,
) -> Level:
    """Level of one risk for one role.

    Parameters
    ----------
    concern : None = asked about, but not enough data to say. Not knowing is no calm:
        it is watched.
    option : what the role can still do; None limits the level to watch
    ground_nests : animals sleep out of reach; nothing there is done in haste, so never
        above plan
    """
    level: Level = "watch" if concern is None else _BY_CONCERN[concern]
    if level == "steady":
        return level
    if option is None:
        level = _lower(level, "watch")
    elif option.decide_by is not None:
        days_left = (option.decide_by - issued_on).days
        soon = days_left <= sp.levels.act_within_days
        level = "act" if soon else _higher(level, "plan")
    return _lower(level, "plan") if ground_nests else level


def hold(
    lowered: Level, raw: Level, raised: Level, previous: PreviousLevel | None
) -> tuple[Level, Reason | None]:
    """The level to tell: the last one, unless the numbers are clearly past an edge.

    Parameters
    ----------
    lowered, raised : the level with likelihood and consequence moved down, up by the
        margin (`risk.margin_points`, `risk.margin_days`)
    raw : the level of the numbers as they are
    previous : what the last run told; None = nothing recent, no holding

    Returns
    -------
    level, and the reason why it is not `raw` (None when it is)

    Notes
    -----
    A level that is past its edge in two runs running moves without a margin. What has to
    be acted on within days is never held back: by the next run the chance may be gone.
    """
    if previous is None or raw == "act":
        return raw, None
    level = _lower(_higher(previous.level, lowered), raised)
    if LEVELS.index(raw) > LEVELS.index(level):
        level = _higher(level, _lower(raw, previous.raw_level))
    elif LEVELS.index(raw) < LEVELS.index(level):
        level = _lower(level, _higher(raw, previous.raw_level))
    if level == raw:
        return raw, None
    numbers: dict[str, float | int | str | None] = {"previous": previous.level, "raw": raw}
    return level, Reason(code="held_within_margin", numbers=numbers)


def concern_within_margin(
    risk: RiskResult, assessment: Assessment, sp: Species, *, direction: int
) -> Concern | None:
    """Concern with likelihood and consequence moved by the margin.

    Parameters
    ----------
    direction : -1 down, 0 as it is, +1 up

    Notes
    -----
    A consequence in days moves by `risk.margin_days`. A number of animals is a sum of
    shares: it moves by `risk.margin_points` for each animal ranked.
    """
    if direction == 0 or risk.concern is None:
        return risk.concern
    if risk.likelihood is None or risk.consequence is None or risk.consequence.value is None:
        return risk.concern
    step = _margin(risk, risk.consequence, sp)
    edges = getattr(sp.risk, f"{risk.id}_edges")
    return score(
        risk.likelihood + direction * sp.risk.margin_points,
        risk.consequence.value + direction * step,
        edges,
        sp,
    )


def in_ground_nests(assessment: Assessment) -> bool:
    """Do most animals sleep on the ground: after the median onset, before emergence?"""
    winter = assessment.risk("winter_arousal")
    autumn = assessment.risk("autumn_mass").dates.get("onset")
    spring = assessment.risk("spring_food").dates.get("emergence")
    onset = (
        (autumn.value if autumn else None)
        or winter.window.start
        or assessment.reference_animal.onset.value
    )
    emergence = (spring.value if spring else None) or winter.window.end
    if onset is None:
        return winter.status == "assessed"
    return onset <= assessment.issued_on and (emergence is None or assessment.issued_on < emergence)


def _margin(risk: RiskResult, consequence: Quantity, sp: Species) -> float:
    if consequence.unit.startswith("day"):  # days, or days of reserve
        return float(sp.risk.margin_days)
    ranked = risk.quantities.get("animals_ranked")
    animals = ranked.value if ranked and ranked.value is not None else 0.0
    return float(sp.risk.margin_points) * animals


def _lower(a: Level, b: Level) -> Level:
    return min(a, b, key=LEVELS.index)


def _higher(a: Level, b: Level) -> Level:
    return max(a, b, key=LEVELS.index)
