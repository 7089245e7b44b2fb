"""The three stretches of a season, joined: what was, what is forecast, what past years lend."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import WeatherError
from riskcast.base.streams import stream
from riskcast.weather.dataset import (
    FILLED,
    PROVENANCE,
    REQUIRED,
    Course,
    Note,
    Values,
    hours,
    stamp,
    stamps,
)
from riskcast.weather.futures.past import (
    gap_note,
    past_year_mean,
    recent_gap_share,
    same_dates,
    winter_year,
)
from riskcast.weather.quality.rows import SHORT_GAP, close_short_gaps

__all__ = [
    "FADE_HOURS",
    "Axis",
    "Joined",
    "axis_of",
    "covered",
    "futures",
    "past_years",
    "so_far",
    "usable",
]

Whole = npt.NDArray[np.int64]

# The nest column forgets its start within 60 days; autumn is followed from 1 August on.
_SPIN_UP_HOURS = 60 * 24

# Two days of fading from forecast to past year: shorter leaves a step of several degrees
# that would wake animals, longer gives away skill.
FADE_HOURS = 48

_OBSERVED, _ANALYSIS, _FORECAST, _PAST_YEAR = range(len(PROVENANCE))
_INTERPOLATED, _PAST_YEAR_MEAN = FILLED.index("interpolated"), FILLED.index("past_year_mean")


@dataclass(frozen=True)
class Axis:
    """The hours of a season, since 1970, and the last of them not later than issue."""

    hour: Whole
    now: int
    _winters: dict[int, Whole] = field(default_factory=dict, repr=False, compare=False)

    @property
    def head(self) -> Whole:
        """Hours up to issue."""
        return self.hour[self.hour <= self.now]

    @property
    def coming(self) -> Whole:
        """Hours after issue."""
        return self.hour[self.hour > self.now]

    @property
    def winter(self) -> int:
        """First year of the winter the season ends in."""
        return winter_year(int(self.hour[-1]))

    def in_winter(self, year: int) -> Whole:
        """The same dates of another winter."""
        if year not in self._winters:  # asked for once a variable
            self._winters[year] = same_dates(self.hour, year - self.winter)
        return self._winters[year]


@dataclass(frozen=True)
class Joined:
    """A course with the origin of each hour, and what each member is made of."""

    course: Course
    provenance: Whole
    past_year: Whole
    forecast_member: Whole
    notes: tuple[Note, ...]


def axis_of(issued_at: np.datetime64) -> Axis:
    """From 60 days before issue, or 1 August if earlier, to the next 31 May 23:00 UTC after it."""
    year = int(issued_at.astype("datetime64[Y]").astype(int)) + 1970
    if np.datetime64(f"{year}-05-31T23", "ns") <= issued_at:  # nothing is left of this one
        year += 1
    ends = np.array([f"{year - 1}-08-01T00", f"{year}-05-31T23"], dtype="datetime64[ns]")
    first, last = hours(ends)
    now = int(hours([issued_at])[0])
    return Axis(np.arange(min(int(first), now - _SPIN_UP_HOURS), int(last) + 1), now)


def usable(forecast: Course, now: int) -> int:
    """Number of hours of the forecast before one after `now` lacks a required variable."""
    after = max(now + 1 - forecast.start, 0)
    lacking = np.zeros(forecast.size, dtype=bool)
    for name in REQUIRED:
        lacking |= np.isnan(forecast.values[name]).any(axis=0)
    holes = np.flatnonzero(lacking[after:])
    return after + int(holes[0]) if len(holes) else forecast.size


def covered(forecast: Course, axis: Axis) -> Whole:
    """Hours of the season after issue that the forecast reaches, without a gap.

    Raises
    ------
    WeatherError
        It has no values for the hours after issue.
    """
    end = min(forecast.start + usable(forecast, axis.now), int(axis.hour[-1]) + 1)
    if end <= axis.now + 1 or forecast.start - axis.now - 1 > SHORT_GAP:
        raise WeatherError(
            "not enough data because the forecast has no values for the hours after issue,"
            f" {stamp(stamps([axis.now])[0])}. Download it again."
        )
    return np.arange(axis.now + 1, end)


def so_far(
    history: Course, forecast: Course, axis: Axis, names: list[str], before: Course | None = None
) -> Joined:
    """The season up to issue, the same in every member.

    Read from the history; where that has nothing, from `before`, the forecaster's best
    knowledge of those days, then from the hours of the forecast before issue (its first
    member); what is still missing is filled and marked.

    Raises
    ------
    WeatherError
        More than a fifth of the last ten days missing, or nothing to fill a gap from.
    """
    hour = axis.head
    provenance = np.full(len(hour), _OBSERVED)
    filled, missing = _marks(history, hour)
    lent, lacked, long_gap = (np.zeros(len(hour), dtype=bool) for _ in range(3))
    values: dict[str, Values] = {}
    for name in names:
        array = history.reach(name, hour)[None]
        for lender in (before, forecast):
            if lender is None or name not in lender.values:
                continue
            lacking = _holes(array)
            array = np.where(np.isnan(array), lender.reach(name, hour)[None], array)
            taken = lacking & ~_holes(array)
            filled[taken] = np.maximum(filled, _marks(lender, hour)[0])[taken]
            if name == "air_temperature":
                provenance[taken] = _ANALYSIS
            if name in REQUIRED:
                lent |= taken
        if name in REQUIRED:
            lacked |= _holes(array)
        array, closed = close_short_gaps(array)
        filled[closed] = _INTERPOLATED
        hole = _holes(array)
        values[name] = _with_usual(history, name, array, hour, hole)
        filled[hole] = _PAST_YEAR_MEAN
        long_gap |= hole
    missing = (missing & ~lent) | lacked
    try:
        share = recent_gap_share(missing)
    except WeatherError as error:
        raise WeatherError(f"{error.message} {_ends(history, forecast, axis)}") from None
    for name, array in values.items():
        empty = int(_holes(array).sum())
        if empty:
            raise WeatherError(
                f"not enough data because {name} is missing for {empty} h since"
                f" {stamp(stamps(hour[:1])[0])}, and no past year can stand in."
                f" {_ends(history, forecast, axis)}"
            )
    course = Course(int(hour[0]), np.zeros(1, dtype=np.int64), values, filled, missing)
    nobody = np.zeros(1, dtype=np.int64)
    return Joined(course, provenance, nobody, nobody, tuple(gap_note(share, long_gap)))


def past_years(history: Course, axis: Axis, years: list[int], names: list[str]) -> Course:
    """The same dates of each past winter, one member each, on the season's own axis.

    Raises
    ------
    WeatherError
        A gap of a past winter that no other winter can fill.
    """
    size = len(axis.hour)
    filled, gap = np.zeros(size, dtype=np.int8), np.zeros(size, dtype=bool)
    values: dict[str, Values] = {}
    for name in names:
        rows = []
        for year in years:
            hour = axis.in_winter(year)
            row = history.reach(name, hour)[None]
            at = np.clip(hour - history.start, 0, history.size - 1)
            hole = _holes(row)
            filled = np.maximum(filled, history.filled[at])
            filled[hole] = _PAST_YEAR_MEAN
            gap |= hole
            rows.append(_with_usual(history, name, row, hour, hole)[0])
        values[name] = np.stack(rows) if rows else np.zeros((0, size))
        if np.isnan(values[name]).any():
            raise WeatherError(
                f"not enough data because {name} of the past winters has gaps that no other"
                " winter can fill. Give weather.history a longer file."
            )
    member = np.array(years, dtype=np.int64)
    attrs = dict(history.attrs)
    return Course(int(axis.hour[0]), member, values, filled, gap, history.depth, attrs)


def futures(
    head: Joined,
    forecast: Course,
    past: Course,
    axis: Axis,
    seed: int,
    year: Whole | None = None,
) -> Joined:
    """The season so far, then each forecast member, then a past winter's same dates.

    Every past winter is used, spread evenly over the members: where the forecast has fewer
    members than there are winters, each goes on in several ways.
    While the forecast fades, the spread of the air temperature is kept up (`_spread_left`).

    Parameters
    ----------
    year : (member,) the past winter each member goes on with, index into `past`; None = by
        `seed`

    Raises
    ------
    WeatherError
        No forecast for the hours after issue, or no past winter to go on with.
    """
    reached, coming, n_head = covered(forecast, axis), axis.coming, len(axis.head)
    n_forecast = len(reached)
    n_tail = len(coming) - n_forecast
    if n_tail and not len(past.member):
        raise WeatherError(
            "not enough data because the history holds no complete past winter to go on with"
            " after the forecast. Give weather.history a file that reaches two years back."
        )
    if year is None:
        member, year = _pairs(len(forecast.member), len(past.member) if n_tail else 0, seed)
    else:
        member = np.arange(len(year))
    to_past = _fade(n_forecast, min(FADE_HOURS, n_forecast) if n_tail else 0)
    fading = slice(n_head, n_head + n_forecast)
    values: dict[str, Values] = {}
    for name, before in head.course.values.items():
        out = np.empty((len(member), len(axis.hour)))
        out[:, :n_head] = before
        own = [forecast.reach(name, reached, m) for m in range(len(forecast.member))]
        out[:, fading] = close_short_gaps(np.stack(own))[0][member]
        if n_tail:
            # Half of two showers is drizzle: switch, not blend.
            weight = np.round(to_past) if name == "precipitation" else to_past
            theirs = past.values[name][year]
            blend = out[:, fading] * (1 - weight) + theirs[:, fading] * weight
            if name == "air_temperature" and to_past.any():
                left = _spread_left(out[:, fading], theirs[:, fading], to_past)
                middle = blend.mean(axis=0)
                blend = middle + (blend - middle) / left
            out[:, fading] = blend
            out[:, fading.stop :] = theirs[:, fading.stop :]
        values[name] = out
    at = reached - forecast.start
    filled = past.filled.copy()
    filled[:n_head] = head.course.filled
    filled[fading] = np.where(at < 0, _INTERPOLATED, forecast.filled[np.maximum(at, 0)])
    provenance = np.full(len(axis.hour), _PAST_YEAR)
    provenance[:n_head], provenance[fading] = head.provenance, _FORECAST
    course = replace(past, member=np.arange(len(member)), values=values, filled=filled)
    label = past.member[year] if n_tail else np.full(len(member), axis.winter)
    return Joined(course, provenance, label, forecast.member[member], head.notes)


def _pairs(n_members: int, n_years: int, seed: int) -> tuple[Whole, Whole]:
    """Which forecast member and which past winter each future is made of."""
    copies = max(1, -(-n_years // n_members))
    member = np.tile(np.arange(n_members), copies)
    if not n_years:
        return member, np.zeros(len(member), dtype=np.int64)
    order = stream(seed, "weather", "past_year_of_member").permutation(n_years)
    return member, np.resize(order, len(member))


def _marks(course: Course, hour: Whole) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_]]:
    """`filled` and `gap` of a course at hours since 1970; nothing where it has none."""
    at = np.clip(hour - course.start, 0, course.size - 1)
    inside = at == hour - course.start
    return np.where(inside, course.filled[at], 0).astype(np.int8), inside & course.gap[at]


def _fade(n_forecast: int, n_fade: int) -> Values:
    """(n_forecast,) share of the past year in each hour of the forecast."""
    share = np.zeros(n_forecast)
    share[n_forecast - n_fade :] = np.arange(1, n_fade + 1) / (n_fade + 1)
    return share


def _spread_left(own: Values, theirs: Values, share: Values) -> Values:
    """(time,) share of the members' spread that is left where two courses are averaged, up to 1.

    Two unrelated courses vary by √½ of their spread half-way: futures would seem surer there
    than before and after. Variances and the covariance are those of the whole fade, so that
    nothing jumps; members that go over into the winter they were made of lose nothing.

    Parameters
    ----------
    own, theirs : (member, time)
    share : (time,) of `theirs`
    """
    fades = share > 0
    one, other = (c[:, fades] - c[:, fades].mean(axis=0) for c in (own, theirs))
    first, second = np.mean(one**2), np.mean(other**2)
    both = max(float(np.mean(one * other)), 0.0)
    whole = (1 - share) * first + share * second
    left = (1 - share) ** 2 * first + share**2 * second + 2 * share * (1 - share) * both
    safe = np.where(whole > 0, whole, 1.0)
    return np.where(whole > 0, np.sqrt(np.minimum(left / safe, 1.0)), 1.0)


def _holes(array: Values) -> npt.NDArray[np.bool_]:
    """(time,) hours at which a member or depth of (member, time[, depth]) has no value."""
    missing = np.isnan(array)
    return np.asarray(missing.any(axis=tuple(i for i in range(array.ndim) if i != 1)))


def _with_usual(
    history: Course, name: str, array: Values, hour: Whole, hole: npt.NDArray[np.bool_]
) -> Values:
    """Holes filled with other years' values; NaN stays where there is no other year."""
    if not hole.any():
        return array
    out = array.copy()
    usual = past_year_mean(history, name, hour[hole])
    out[:, hole] = np.where(np.isnan(out[:, hole]), usual, out[:, hole])
    return out


def _ends(history: Course, forecast: Course, axis: Axis) -> str:
    first, last = history.times[[0, -1]]
    return (
        f"The history covers {stamp(first)} to {stamp(last)}, the forecast begins at"
        f" {stamp(forecast.times[0])}, issue is at {stamp(stamps([axis.now])[0])}."
        " Download the history up to the day before issue, or the forecast with some past days."
    )
