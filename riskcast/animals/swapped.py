"""Day and month swapped: what gives it away, and what to say.

Spreadsheet programs swap days and months on import, and people type them in the order of
another country. No single date shows it; a sheet of dates often does. What is doubted is
set aside with the evidence, never corrected.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence

from riskcast.animals.dates import DateFormat, Reading
from riskcast.animals.problem import Problem

__all__ = ["swapped", "swapped_problem"]

# Two checks of one round lie at most this far apart; rounds lie weeks apart (common
# practice, no source).
_ROUND_DAYS = 3

# Fewer dates fall into order by chance too easily: four do so once in 24 times.
_ORDERED_DATES = 4

# Boxes are not opened in the coldest months (common practice, no source).
_NO_ROUND_MONTHS = frozenset({12, 1, 2})


def swapped_problem(reading: Reading, why: str, declared: DateFormat) -> Problem:
    """The problem of a date that the sheet around it says is swapped."""
    other = declared.other()
    meant = f"{reading.swapped.isoformat()}?" if reading.swapped else ""
    if why == "round":
        return Problem(
            "date_swapped",
            f"day and month may be swapped: {meant}",
            "Correct the date. If it is right, give the row its place in the order of dates.",
        )
    if why == "mixed":
        return Problem(
            "date_mixed_cells",
            "day and month may be swapped in the true date cells of this file: "
            "none has a day above 12, and every date above 12 is text.",
            "A spreadsheet program does this when it opens dates of another country. "
            "Correct the column so that all cells are true dates.",
        )
    form = other.text if other else ""
    can_declare = reading.kind == "text" and bool(form)
    return Problem(
        "date_file_order",
        {
            "other_order": f"the dates of this file that can be told apart read {form}, "
            f"but it is declared {declared.text}.",
            "order": "day and month may be swapped throughout: so read the dates run in "
            "order, as they stand they jump back and forth.",
            "season": "day and month may be swapped throughout: as they stand the boxes were "
            "opened in the depth of winter, swapped they make a round.",
            "future": "day and month may be swapped throughout: as they stand some lie in the "
            "future, swapped none does.",
        }[why],
        (f'Set weights.date_format = "{form}", or c' if can_declare else "C")
        + "orrect the dates. If they are right, sort the rows by date and write them "
        "year first (YYYY-MM-DD).",
    )


def swapped(readings: Sequence[Reading], declared: DateFormat, last_day: dt.date) -> dict[int, str]:
    """Which dates of one table may have day and month swapped, and what gives them away.

    Only dates that make sense both ways are doubted. The evidence, strongest first:

    ``other_order``
        some dates only make sense in the other order and none only in the declared one;
    ``mixed``
        in a workbook, true date cells all have days up to 12 and text cells all above;
    ``future``
        some lie after `last_day` as declared, none swapped;
    ``order``
        swapped, at least four dates run upwards row by row; as declared they jump back twice
        or more;
    ``season``
        as declared some lie in months when no boxes are opened, swapped none does and they
        make fewer rounds;
    ``round``
        a few dates stand alone in the sheet and break the order of the rows; swapped they
        fall into the round of the rows around them.

    Text that starts with the year is not doubted as a whole, only row by row: no country
    writes year, day, month.

    Returns
    -------
    Position in `readings` -> the kind of evidence. Nothing is corrected.
    """
    doubtful = [i for i, reading in enumerate(readings) if reading.ambiguous]
    why = _whole(readings, doubtful, declared, last_day)
    if why == "mixed":
        return {i: why for i in doubtful if readings[i].kind == "cell"}
    if why:
        return dict.fromkeys(doubtful, why)
    return dict.fromkeys(_strays(readings, doubtful), "round")


def _whole(
    readings: Sequence[Reading], doubtful: list[int], declared: DateFormat, last_day: dt.date
) -> str:
    told = [r for r in readings if r.date is not None and r.swapped is None]
    turned = [r for r in readings if r.date is None and r.swapped is not None]
    in_cells = [readings[i] for i in doubtful if readings[i].kind == "cell"]
    as_text = [r for r in readings if r.kind == "text" and (r.date or r.swapped)]
    if (
        len({r.date for r in in_cells}) > 1
        and as_text
        and all(r.date is None or r.swapped is None for r in as_text)
        and not any(r.kind == "cell" for r in told)
    ):
        return "mixed"
    only_text = all(readings[i].kind == "text" for i in doubtful)
    if told or not doubtful or (declared.year_first and only_text):
        return ""
    if turned:
        return "other_order"
    pairs = [(r.date, r.swapped) for r in (readings[i] for i in doubtful)]
    stated = [date for date, _ in pairs if date is not None]
    turned_dates = [date for _, date in pairs if date is not None]
    if any(date > last_day for date in turned_dates):
        return ""
    if any(date > last_day for date in stated):
        return "future"
    if any(date.month in _NO_ROUND_MONTHS for date in turned_dates):
        return ""
    if len(set(stated)) >= _ORDERED_DATES and _rising(turned_dates) and _falls(stated) > 1:
        return "order"
    in_winter = any(date.month in _NO_ROUND_MONTHS for date in stated)
    if only_text and in_winter and _rounds(turned_dates) <= _rounds(stated):
        return "season"
    return ""


def _rising(dates: Sequence[dt.date]) -> bool:
    return all(a <= b for a, b in itertools.pairwise(dates))


def _falls(dates: Sequence[dt.date]) -> int:
    """How often the dates jump back, in a sheet that runs upwards; 0 if it runs downwards."""
    if _rising(dates[::-1]):
        return 0
    return sum(a > b for a, b in itertools.pairwise(dates))


def _rounds(dates: Sequence[dt.date]) -> int:
    days = sorted(set(dates))
    return 1 + sum((b - a).days > _ROUND_DAYS for a, b in itertools.pairwise(days))


def _near(a: dt.date, b: dt.date) -> bool:
    return abs((a - b).days) <= _ROUND_DAYS


def _strays(readings: Sequence[Reading], doubtful: list[int]) -> list[int]:
    """Doubtful dates that stand alone and out of place; swapped they join the rows around."""
    dated = [(i, r.date) for i, r in enumerate(readings) if r.date is not None]
    place = {i: position for position, (i, _) in enumerate(dated)}
    strays: list[int] = []
    for date in sorted({d for i in doubtful if (d := readings[i].date)}):
        group = [i for i in doubtful if readings[i].date == date]
        turned = readings[group[0]].swapped
        company = [i for i, d in dated if _near(d, date) and i not in group]
        joined = [i for i, d in dated if turned and _near(d, turned) and i not in group]
        if company or turned is None or len(joined) < 2 or len(joined) <= len(group):
            continue
        inside = set(group)
        if all(_out_of_place(dated, place[i], inside, date, turned) for i in group):
            strays += group
    return strays


def _out_of_place(
    dated: Sequence[tuple[int, dt.date]],
    position: int,
    group: set[int],
    date: dt.date,
    turned: dt.date,
) -> bool:
    """Whether a date breaks the order of its rows, and swapped would fall in with them.

    The rows compared are the nearest above and below that are not of the same group.
    """
    above = next((d for i, d in reversed(dated[:position]) if i not in group), None)
    below = next((d for i, d in dated[position + 1 :] if i not in group), None)
    beside = [d for d in (above, below) if d is not None]
    in_place = ((above is None or above <= date) and (below is None or date <= below)) or (
        above is not None and below is not None and above >= date >= below
    )
    return not in_place and any(_near(d, turned) for d in beside)
