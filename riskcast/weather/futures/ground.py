"""Soil below the nest: what the history measured of it, then the course of past years.

Forecasts hardly tell of the soil, and where they do it is another model's soil than the
history's, a degree away. Two metres down a fortnight changes little: so the history alone
speaks, and after its last value each member takes the course of its own past winter. That
course is lent as it was, without this year's departure from it: how long a departure lasts is
physics of the soil, and `habitat.nest_temperature` adds it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from riskcast.weather.dataset import Course, Note, Values, stamps
from riskcast.weather.futures.join import Axis
from riskcast.weather.futures.past import LEAST_SHARE

__all__ = ["Ground", "ground_of", "with_futures", "with_past"]

Whole = npt.NDArray[np.int64]

_SOIL = "soil_temperature"
# With more than a fifth of the season so far missing, its soil is left out (as any optional
# variable), and so is soil that nobody has measured for a month: half its departure is gone.
_LEAST_SO_FAR = 0.8
_OLDEST_HOURS = 30 * 24


@dataclass(frozen=True)
class Ground:
    """The deepest level of soil the history has, on the dates of a season.

    Attributes
    ----------
    depth_m : below the soil's surface
    measured_until : last hour with a value, since 1970, not later than issue
    head : (hour up to then,) degC, short gaps closed in a straight line
    past : (past winter, hour of the season) degC
    """

    depth_m: float
    measured_until: int
    head: Values
    past: Values

    @property
    def note(self) -> Note:
        """How far the soil was measured, and how deep."""
        until = stamps([self.measured_until])[0]
        numbers: dict[str, float | int | str] = {
            "date": str(until.astype("datetime64[D]")),
            "depth_cm": round(self.depth_m * 100),
        }
        return Note("soil_carried_on", numbers)


def ground_of(history: Course, axis: Axis, years: list[int]) -> tuple[Ground | None, list[Note]]:
    """The soil for the season, and what has to be told; None where it is not to be had.

    Parameters
    ----------
    history : one member; ``soil_temperature`` (member, time, depth) where its source has it
    axis : hours of the season
    years : past winters the members go on with

    Returns
    -------
    ground, notes : ``soil_carried_on`` (date, depth_cm); or None and ``soil_not_used``
        (why: so_far | old | past_years) where there is soil, but too little; or None and none
    """
    if _SOIL not in history.values or not history.depth.size:
        return None, []
    level = int(np.argmax(history.depth))
    so_far = history.reach(_SOIL, axis.head)[:, level]
    there = np.isfinite(so_far)
    past = [history.reach(_SOIL, axis.in_winter(year))[:, level] for year in years]
    if not there.mean() >= _LEAST_SO_FAR:
        return None, [Note("soil_not_used", {"why": "so_far"})]
    last = int(np.flatnonzero(there)[-1])
    if len(so_far) - 1 - last > _OLDEST_HOURS:
        return None, [Note("soil_not_used", {"why": "old"})]
    if not past or min(float(np.isfinite(row).mean()) for row in past) < LEAST_SHARE:
        return None, [Note("soil_not_used", {"why": "past_years"})]
    ground = Ground(
        float(history.depth[level]),
        int(axis.head[last]),
        _closed(so_far[: last + 1]),
        np.stack([_closed(row) for row in past]),
    )
    return ground, [ground.note]


def with_past(past: Course, ground: Ground | None) -> Course:
    """Past winters with their soil, where there is any."""
    if ground is None:
        return past
    values = {**past.values, _SOIL: ground.past[..., np.newaxis]}
    return replace(past, values=values, depth=np.array([ground.depth_m]))


def with_futures(course: Course, past: Course, past_year: Whole, ground: Ground | None) -> Course:
    """A season's members with the soil measured so far, then that of their past winters.

    Parameters
    ----------
    course : the season, (member, time)
    past : of `with_past`, moved to today's climate where that was asked for
    past_year : (member,) first year of the winter each member goes on with; for one that is no
        past winter (the forecast reaches the end of the season) the mean of all stands in
    """
    if ground is None:
        return course
    lent = past.values[_SOIL]
    row = {int(year): lent[n] for n, year in enumerate(past.member)}
    soil = np.stack([row.get(int(year), lent.mean(axis=0)) for year in past_year])
    soil[:, : len(ground.head), 0] = ground.head
    return replace(course, values={**course.values, _SOIL: soil}, depth=past.depth)


def _closed(row: Values) -> Values:
    """Gaps closed in a straight line, ends held: deep soil has no day and hardly a week."""
    at = np.arange(len(row))
    there = np.isfinite(row)
    return np.interp(at, at[there], row[there])
