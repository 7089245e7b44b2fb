"""Is another day better than the planned one, and which?

A day is worth what it reaches: the number of animals that are then still out of winter
sleep and would be too light at its start, in futures with weather fit for a visit. A
proposed day takes the place of the next planned one. It is never one visit more.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskcast.advice.units import unit_key
from riskcast.risk.assessment import AnimalOutlook, Assessment, Reason
from riskcast.species import Species

if TYPE_CHECKING:
    from riskcast.site import Visits

__all__ = [
    "Candidate",
    "VisitChoice",
    "boxes_in_reach",
    "candidate_days",
    "choose_visit",
    "gone_to_ground",
    "in_season",
    "light_in_reach",
    "litters_in_reach",
    "next_planned",
    "torpid_on",
]

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True)
class Candidate:
    """One allowed day of a box check.

    in_reach : animals then still out and too light at their onset, expected number;
        a litter counts as one
    unfit_weather : share of the futures (0-1) with weather unfit for a visit
    value : in_reach × (1 - unfit_weather), animals
    gain : value less that of the planned day, animals
    decide_by : last day to settle it, `notice_days` clear days before the visit
    torpid : share of the animals still about that are likely to be torpid in their box that
        morning; None where hardly any is about, or nothing is known (`gone_to_ground` tells which)
    planned : True for the day that is planned already
    """

    day: dt.date
    in_reach: float
    unfit_weather: float
    value: float
    gain: float
    decide_by: dt.date
    torpid: float | None = None
    planned: bool = False


@dataclass(frozen=True)
class VisitChoice:
    """What the candidates come to.

    planned : the next planned visit, None if there is none
    planned_in_reach : what it would reach in fit weather, animals; None where the calendar
        ends before it
    best : earliest day about as good as the best, None when no day is allowed
    worth : the gain is large enough, whatever the concern
    week_later : what `best` would reach `visits.waiting_days` later, animals
    reason : code that says why there is no better day; None when there is one
    """

    planned: dt.date | None
    planned_in_reach: float | None = None
    best: Candidate | None = None
    worth: bool = False
    week_later: float | None = None
    reason: Reason | None = None


def in_season(day: dt.date, season: Sequence[str]) -> bool:
    """Is the day inside the visiting season (two "MM-DD", ends included, may wrap)?"""
    start, end = season
    mark = f"{day:%m-%d}"
    return start <= mark <= end if start <= end else mark >= start or mark <= end


def next_planned(visits: Visits, issued_on: dt.date) -> dt.date | None:
    """The next planned visit, on the day of issue or later."""
    return min((day for day in visits.planned if day >= issued_on), default=None)


def light_in_reach(assessment: Assessment) -> tuple[float, ...]:
    """Animals by day of the calendar: still out and too light at onset, expected number.

    Ranked animals only. The young of a litter in one box are one unit: their most
    affected member stands for all.
    """
    together = _together(assessment)
    return tuple(
        float(sum(max(animal.short_and_out[i] for animal in unit) for unit in together))
        for i in range(len(assessment.calendar.days))
    )


def litters_in_reach(assessment: Assessment, day: dt.date) -> int:
    """Litters of several light young that a check on that day may reach, all counted as one."""
    if day not in assessment.calendar.days:
        return 0
    i = assessment.calendar.days.index(day)
    return sum(
        len(unit) > 1 and max(animal.short_and_out[i] for animal in unit) > 0
        for unit in _together(assessment)
    )


def boxes_in_reach(assessment: Assessment, day: dt.date, sp: Species) -> tuple[str, ...]:
    """Boxes to open first on a day: those of light animals still out, surest first."""
    if day not in assessment.calendar.days:
        return ()
    i = assessment.calendar.days.index(day)
    share: dict[str, float] = {}
    for animal in _ranked(assessment):
        if animal.box and animal.short_and_out[i] >= sp.visits.box_share:
            share[animal.box] = max(share.get(animal.box, 0.0), animal.short_and_out[i])
    return tuple(sorted(share, key=lambda box: (-share[box], _natural(box))))


def torpid_on(assessment: Assessment, day: dt.date) -> float | None:
    """Share of the animals still about that are likely to be torpid that morning; None where
    hardly any is about or the calendar does not say (`gone_to_ground` tells the two apart)."""
    calendar = assessment.calendar
    if day not in calendar.days or not calendar.torpid_in_box:
        return None
    return calendar.torpid_in_box[calendar.days.index(day)]


def gone_to_ground(assessment: Assessment, day: dt.date) -> bool:
    """Is hardly any animal about on that day, so that boxes are likely to be empty?"""
    known = day in assessment.calendar.days and bool(assessment.calendar.torpid_in_box)
    return known and torpid_on(assessment, day) is None


def candidate_days(assessment: Assessment, visits: Visits, sp: Species) -> tuple[Candidate, ...]:
    """Each allowed day from the issue to the planned visit, the planned day last.

    Allowed is a day that lies after the issue and before the planned visit; in the
    visiting season without a break up to the planned visit (a spring visit is not spent
    in autumn); on one of the group's weekdays; at least `min_gap_days` after the last
    check; and far enough off to leave `notice_days` clear days after the decision.

    Returns
    -------
    tuple of Candidate, empty outside the season, without a planned visit, or where the
    calendar of the assessment ends before the planned visit: what cannot be compared
    is not proposed.
    """
    planned = next_planned(visits, assessment.issued_on)
    values = _values(assessment)
    if planned is None or planned not in values:
        return ()
    level = values[planned][2]
    allowed = _allowed(assessment, visits, planned)
    return tuple(
        _candidate(day, values, level, visits, torpid_on(assessment, day), planned=day == planned)
        for day in (*allowed, planned)
        if in_season(day, visits.season)
    )


def choose_visit(assessment: Assessment, visits: Visits, sp: Species) -> VisitChoice:
    """The day to propose in place of the planned one, and whether it is worth it.

    Worth it when the day reaches at least `visits.worth_animals` more animals and
    `visits.worth_ratio` times as many as the planned day. Among days within
    `visits.same_value` of the best the earliest is taken.
    """
    issued_on = assessment.issued_on
    planned = next_planned(visits, issued_on)
    if planned is None:
        return VisitChoice(None, reason=Reason(code="no_planned_visit"))
    if not in_season(issued_on, visits.season):
        return VisitChoice(planned, reason=Reason(code="outside_season"))
    days = candidate_days(assessment, visits, sp)
    if not days:
        return VisitChoice(planned, reason=Reason(code="planned_beyond_calendar"))
    earlier = [day for day in days if not day.planned]
    kept = next((day for day in days if day.planned), None)
    if kept is None:
        return VisitChoice(planned, reason=Reason(code="planned_outside_season"))
    if not earlier:
        return VisitChoice(planned, kept.in_reach, reason=_why_no_day(assessment, visits))
    most = max(day.value for day in earlier)
    best = next(day for day in earlier if day.value >= most * (1 - sp.visits.same_value))
    worth = best.gain >= sp.visits.worth_animals and (
        best.value >= sp.visits.worth_ratio * kept.value
    )
    return VisitChoice(
        planned=planned,
        planned_in_reach=kept.in_reach,
        best=best,
        worth=worth,
        week_later=_reached_later(assessment, best.day, sp),
        reason=None if worth else Reason(code="no_better_day", numbers={"gain": best.gain}),
    )


def _ranked(assessment: Assessment) -> list[AnimalOutlook]:
    return [animal for animal in assessment.animals if animal.ranked and animal.short_and_out]


def _together(assessment: Assessment) -> list[list[AnimalOutlook]]:
    together: dict[str, list[AnimalOutlook]] = defaultdict(list)
    for animal in _ranked(assessment):
        together[unit_key(animal)].append(animal)
    return list(together.values())


def _natural(box: str) -> tuple[int, str]:
    """Box 9 before box 10, names after numbers."""
    digits = "".join(c for c in box if c.isdigit())
    return (int(digits), box) if digits else (10**9, box)


def _values(assessment: Assessment) -> dict[dt.date, tuple[float, float, float]]:
    """In reach, unfit and value by day."""
    calendar = assessment.calendar
    reach = light_in_reach(assessment)
    return {
        day: (n, unfit, n * (1 - unfit))
        for day, n, unfit in zip(calendar.days, reach, calendar.unfit_weather, strict=True)
    }


def _candidate(
    day: dt.date,
    values: dict[dt.date, tuple[float, float, float]],
    level: float,
    visits: Visits,
    torpid: float | None,
    *,
    planned: bool,
) -> Candidate:
    in_reach, unfit, value = values[day]
    return Candidate(
        day=day,
        in_reach=in_reach,
        unfit_weather=unfit,
        value=value,
        gain=value - level,
        decide_by=_decide_by(day, visits),
        torpid=torpid,
        planned=planned,
    )


def _decide_by(day: dt.date, visits: Visits) -> dt.date:
    return day - dt.timedelta(days=visits.notice_days + 1)


def _earliest(assessment: Assessment, visits: Visits) -> dt.date:
    """First day that keeps the gap after the last check.

    A planned visit of the past counts as a check even if its sheet has not come in:
    to err this way disturbs nobody.
    """
    issued_on = assessment.issued_on
    checks = [day for day in visits.planned if day < issued_on]
    if assessment.records.last_check is not None:
        checks.append(assessment.records.last_check)
    after_issue = issued_on + dt.timedelta(days=1)
    if not checks:
        return after_issue
    return max(after_issue, max(checks) + dt.timedelta(days=visits.min_gap_days))


def _allowed(assessment: Assessment, visits: Visits, planned: dt.date) -> Iterable[dt.date]:
    earliest = _earliest(assessment, visits)
    days = [day for day in assessment.calendar.days if day < planned]
    if not all(in_season(day, visits.season) for day in days):
        return
    for day in days:
        on_weekday = not visits.weekdays or _WEEKDAYS[day.weekday()] in visits.weekdays
        if day >= earliest and on_weekday and _decide_by(day, visits) >= assessment.issued_on:
            yield day


def _why_no_day(assessment: Assessment, visits: Visits) -> Reason:
    earliest = _earliest(assessment, visits)
    numbers: dict[str, float | int | str | None] = {
        "earliest": earliest.isoformat(),
        "min_gap_days": visits.min_gap_days,
        "notice_days": visits.notice_days,
    }
    return Reason(code="no_day_allowed", numbers=numbers)


def _reached_later(assessment: Assessment, day: dt.date, sp: Species) -> float | None:
    """In reach after the wait; None where the calendar ends before."""
    later = day + dt.timedelta(days=int(sp.visits.waiting_days))
    if later not in assessment.calendar.days:
        return None
    return light_in_reach(assessment)[assessment.calendar.days.index(later)]
