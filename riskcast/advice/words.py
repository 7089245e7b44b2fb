"""Numbers and dates as people say them: the filters of the templates.

Each takes a value and gives words. None gives "not known": missing is never zero.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from zoneinfo import ZoneInfo

__all__ = [
    "FILTERS",
    "by",
    "clock",
    "count",
    "date",
    "day",
    "days",
    "gain",
    "grams",
    "in_ten",
    "near",
    "number",
    "ordinal",
    "plain",
    "short_day",
    "span",
    "spread",
    "tenths",
    "wait",
]

UNKNOWN = "not known"

# Below and above these a share is told as "fewer than 1 in 20", "more than 19 in 20": the
# model is not good enough for never and always.
_RARE, _NEARLY_ALL = 0.05, 0.95
# From here to the edges the nearest tenth would be 0 or 10 of 10, or twice the truth.
_RARE_TENTH, _FULL_TENTH = 0.075, 0.925

Day = dt.date | str


def _as_date(value: Day) -> dt.date:
    return value if isinstance(value, dt.date) else dt.date.fromisoformat(value[:10])


def ordinal(number: int) -> str:
    """1 → "1st", 12 → "12th", 22 → "22nd"."""
    if 10 <= number % 100 <= 20:
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"


def date(value: Day | None) -> str:
    """ "22 November"."""
    if value is None:
        return UNKNOWN
    d = _as_date(value)
    return f"{d.day} {d:%B}"


def day(value: Day | None) -> str:
    """ "Saturday 1 November"."""
    return UNKNOWN if value is None else f"{_as_date(value):%A} {date(value)}"


def short_day(value: Day | None) -> str:
    """ "Sat 1 Nov", for subjects."""
    if value is None:
        return UNKNOWN
    d = _as_date(value)
    return f"{d:%a} {d.day} {d:%b}"


def near(value: Day, reference: Day) -> str:
    """ "the 22nd" in the month of the reference, else "22 December"."""
    d, other = _as_date(value), _as_date(reference)
    same = (d.year, d.month) == (other.year, other.month)
    return f"the {ordinal(d.day)}" if same else date(d)


def by(value: Day, issued_on: dt.date) -> str:
    """A last day: "Wednesday" within the week, else "Wednesday 12 November"."""
    d = _as_date(value)
    ahead = (d - issued_on).days
    if ahead <= 0:
        return "the end of today"
    return f"{d:%A}" if ahead < 7 else day(d)


def span(start: Day, end: Day) -> str:
    """ "14 to 21 January", "28 January to 4 February"."""
    first, last = _as_date(start), _as_date(end)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {date(last)}"
    return f"{date(first)} to {date(last)}"


def clock(moment: dt.datetime, timezone: str) -> str:
    """ "Monday 27 October 2025, 06:00 GMT", on the wall at the site. A bare time is UTC."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)
    wall = aware.astimezone(ZoneInfo(timezone))
    return f"{wall:%A} {wall.day} {wall:%B} {wall:%Y}, {wall:%H:%M %Z}"


def number(value: float | None) -> str:
    """One decimal below 10, whole above; a trailing .0 is dropped."""
    if value is None:
        return UNKNOWN
    text = f"{value:.1f}" if abs(value) < 10 else f"{value:.0f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text.replace("-", "−")


def grams(value: float | None) -> str:
    """ "9.5 g": one decimal, as a spring balance reads."""
    return UNKNOWN if value is None else f"{f'{value:.1f}'.removesuffix('.0')} g"


def gain(value: float | None) -> str:
    """ "0.35 g a day"."""
    return UNKNOWN if value is None else f"{value:.2f} g a day".replace("-", "−")


def days(value: float | None) -> str:
    """ "1 day", "12 days", whole, without a sign."""
    if value is None:
        return UNKNOWN
    whole = round(abs(value))
    return "1 day" if whole == 1 else f"{whole} days"


def wait(value: float) -> str:
    """ "a week", "10 days"."""
    return "a week" if round(value) == 7 else days(value)


def spread(value: float) -> str:
    """ "2 to 3", from 2.5: a middle that is not known better than by whole days."""
    low, high = math.floor(value), math.ceil(value)
    return f"{low} to {high}" if low < high else f"about {low}"


def count(value: float | None) -> str:
    """ "about 3", "fewer than 1": an expected number of animals."""
    if value is None:
        return UNKNOWN
    return "fewer than 1" if value < 0.5 else f"about {math.floor(value + 0.5)}"


def tenths(share: float, *, of: str = "in") -> str:
    """ "7 in 10"; never 0 or 10 of 10."""
    if share < _RARE:
        return "fewer than 1 in 20"
    if share > _NEARLY_ALL:
        return "more than 19 in 20"
    if share < _RARE_TENTH:
        return f"1 {of} 20"
    if share > _FULL_TENTH:
        return f"19 {of} 20"
    return f"{min(9, max(1, math.floor(share * 10 + 0.5)))} {of} 10"


def in_ten(share: float) -> str:
    """ "2 of 10 futures"."""
    return f"{tenths(share, of='of')} futures"


def plain(text: str) -> str:
    """Foreign text on one line, so that it cannot start a heading or an item."""
    return " ".join(str(text).split())


FILTERS: dict[str, Callable[..., str]] = {
    "by": by,
    "clock": clock,
    "count": count,
    "date": date,
    "day": day,
    "days": days,
    "gain": gain,
    "grams": grams,
    "in_ten": in_ten,
    "near": near,
    "number": number,
    "ordinal": ordinal,
    "plain": plain,
    "short_day": short_day,
    "span": span,
    "spread": spread,
    "tenths": tenths,
    "wait": wait,
}
