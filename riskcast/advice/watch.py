"""When do we look again?"""

from __future__ import annotations

import datetime as dt

from riskcast.advice.model import LEVELS, Level
from riskcast.risk.assessment import Assessment
from riskcast.species import Species

__all__ = ["look_again"]


def look_again(
    assessment: Assessment, level: Level, decide_by: dt.date | None, sp: Species
) -> dt.date:
    """The day of the next word.

    The higher the level, the sooner; never later than the last day to settle what is
    proposed, so that it is settled on the newest forecast. With no risk asked about
    (summer) it is the day on which the next one is.
    """
    issued_on = assessment.issued_on
    tomorrow = issued_on + dt.timedelta(days=1)
    if decide_by is None and all(r.status == "not_asked_now" for r in assessment.risks):
        starts = [
            risk.window.start
            for risk in assessment.risks
            if risk.window.start is not None and risk.window.start > issued_on
        ]
        if starts:
            return min(starts)
    days = int(sp.levels.look_again_days[LEVELS.index(level)])
    usual = issued_on + dt.timedelta(days=days)
    return usual if decide_by is None else max(tomorrow, min(usual, decide_by))
