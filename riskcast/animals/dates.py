"""Dates of checks, strict to the declared format.

A date is read in the one format the site file declares, or from a true date cell, never by
trying formats until one fits. A swapped day and month cannot be seen in one date, only in
the sheet around it: see `riskcast.animals.swapped`.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal

from riskcast.animals.problem import Problem
from riskcast.animals.table import Cell, shown

__all__ = ["DateFormat", "Reading", "formats_like", "read_date"]

# Older than any sheet this program will meet: such a year is a slip of the keyboard.
_FIRST_YEAR = 1950

# Day numbers of a spreadsheet program (1900 system) for 1950 to 2100.
_DAY_NUMBERS = (18264, 73415)

_MONTHS = (
    *("jan", "feb", "mar", "apr", "may", "jun"),
    *("jul", "aug", "sep", "oct", "nov", "dec"),
)
_TOKEN = re.compile(r"YYYY|YY|MMM|MM|M|DD|D")
_PATTERNS = {
    "YYYY": r"(?P<year>\d{4})",
    "YY": r"(?P<year>\d{2})",
    "MMM": r"(?P<name>[A-Za-z]{3,9})\.?",
    "MM": r"(?P<month>\d{1,2})",
    "DD": r"(?P<day>\d{1,2})",
}
_TIME_OF_DAY = re.compile(r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*(Z|[+-]\d{2}:?\d{2})?$")
_NUMERIC = re.compile(r"(\d{1,4})([-/. ])(\d{1,2})\2(\d{2,4})")


@dataclass(frozen=True)
class DateFormat:
    """A declared order of day, month and year, such as ``DD/MM/YYYY`` or ``D MMM YY``."""

    text: str
    tokens: tuple[str, ...]
    pattern: re.Pattern[str]

    @classmethod
    def of(cls, text: str) -> DateFormat:
        """Take a format apart.

        Raises
        ------
        ValueError
            It does not hold one year, one month and one day.
        """
        tokens = tuple({"M": "MM", "D": "DD"}.get(t, t) for t in _TOKEN.findall(text.upper()))
        if sorted(token[0] for token in tokens) != ["D", "M", "Y"]:
            raise ValueError(
                f'"{text}" is not a date format: expected YYYY, MM and DD in the order of the '
                'sheet, such as "YYYY-MM-DD" or "DD/MM/YYYY"'
            )
        between = _TOKEN.split(text.upper())
        pattern = re.escape(between[0]) + "".join(
            _PATTERNS[token] + re.escape(gap)
            for token, gap in zip(tokens, between[1:], strict=True)
        )
        if "".join(between).strip() == "":
            # Without separators only full numbers keep day and month apart.
            pattern = pattern.replace(r"\d{1,2}", r"\d{2}")
        return cls(text, tokens, re.compile(pattern))

    @property
    def year_first(self) -> bool:
        return self.tokens[0].startswith("Y")

    def parse(self, text: str) -> dt.date | None:
        """The date, or None when the text is not exactly of this format."""
        numbers = self._numbers(text)
        return None if numbers is None else _date(*numbers)

    def not_before(self, text: str) -> dt.date | None:
        """The first day that a date such as 30 February can mean: of its month, or its year."""
        numbers = self._numbers(text)
        if numbers is None:
            return None
        year, month, _ = numbers
        return _date(year, month, 1) or _date(year, 1, 1)

    def _numbers(self, text: str) -> tuple[int, int, int] | None:
        """Year, month (0: no such name) and day as they stand there."""
        match = self.pattern.fullmatch(_TIME_OF_DAY.sub("", text.strip()))
        if match is None:
            return None
        parts = match.groupdict()
        year = int(parts["year"]) + (2000 if len(parts["year"]) == 2 else 0)
        if "name" in parts:
            short = parts["name"][:3].lower()
            month = _MONTHS.index(short) + 1 if short in _MONTHS else 0
        else:
            month = int(parts["month"])
        return year, month, int(parts["day"])

    def other(self) -> DateFormat | None:
        """The format with day and month in each other's place; None when months are named."""
        if "MMM" in self.tokens:
            return None
        text = self.text.upper().translate(str.maketrans("DM", "MD"))
        return DateFormat.of(text)


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


@dataclass(frozen=True)
class Reading:
    """One date cell: as declared, with day and month swapped, and what is wrong with it.

    `perhaps` lists what the date may be when it cannot be read as declared, so that a row from
    after the date of issue can still be told.
    """

    date: dt.date | None
    swapped: dt.date | None
    kind: Literal["text", "cell", "number", "none"]
    problem: Problem | None = None
    perhaps: tuple[dt.date, ...] = ()

    @property
    def ambiguous(self) -> bool:
        return self.date is not None and self.swapped not in (None, self.date)

    @property
    def other_order(self) -> bool:
        """Whether the text makes sense only with day and month in each other's place."""
        return self.problem is not None and self.problem.kind == "date_other_order"

    def surely_after(self, day: dt.date, *, either_order: bool = False) -> bool:
        """Whether every way to read the cell gives a date after `day`.

        With `either_order` a text that makes sense both ways may be meant either way.
        """
        ways = (self.date,) if self.date is not None else self.perhaps
        if either_order and self.kind == "text" and self.ambiguous and self.swapped is not None:
            ways = (*ways, self.swapped)
        return bool(ways) and all(way > day for way in ways)


def read_date(cell: Cell, declared: DateFormat, epoch: dt.datetime | None) -> Reading:
    """Read one cell, strictly.

    Parameters
    ----------
    cell : text is held to `declared`; a true date cell needs no format
    declared : the format of the site file
    epoch : day zero of a workbook, which gives sense to its day numbers; None in text files
    """
    if isinstance(cell, dt.datetime):
        cell = cell.date()
    if isinstance(cell, dt.date):
        return _sensible(cell, _date(cell.year, cell.day, cell.month), "cell", shown(cell))
    text = shown(cell)
    if not text:
        problem = Problem("date_blank", "no date.", "Give the day of the check.")
        return Reading(None, None, "none", problem)
    other = declared.other()
    swapped_date = other.parse(text) if other else None
    date = declared.parse(text)
    if date is not None:
        return _sensible(date, swapped_date, "text", text)
    numbered = _day_number(cell, text)
    if numbered is not None and epoch is not None and isinstance(cell, int | float):
        day_told = (epoch + dt.timedelta(days=numbered)).date()
        turned = _date(day_told.year, day_told.day, day_told.month)
        return _sensible(day_told, turned, "number", text)
    return _unreadable(text, declared, other, swapped_date, numbered)


def _sensible(
    date: dt.date,
    swapped_date: dt.date | None,
    kind: Literal["text", "cell", "number"],
    text: str,
) -> Reading:
    if date.year >= _FIRST_YEAR:
        return Reading(date, swapped_date, kind)
    problem = Problem("date_year", f"the year {date.year} cannot be meant.", "Correct the year.")
    return Reading(None, None, kind, problem)


def _day_number(cell: Cell, text: str) -> int | None:
    number = cell if isinstance(cell, int | float) and not isinstance(cell, bool) else None
    if number is None and re.fullmatch(r"\d{5}(\.\d+)?", text):
        number = float(text)
    low, high = _DAY_NUMBERS
    return int(number) if number is not None and low <= number <= high else None


def _unreadable(
    text: str,
    declared: DateFormat,
    other: DateFormat | None,
    swapped_date: dt.date | None,
    numbered: int | None,
) -> Reading:
    if swapped_date is not None and other is not None:
        problem = Problem(
            "date_other_order",
            f"no such date as {declared.text}; it only makes sense as {other.text}.",
            # No country writes year, day, month: one such date is a slip.
            "Correct the date."
            if declared.year_first
            else f'Correct the date, or set weights.date_format = "{other.text}".',
        )
        return Reading(None, swapped_date, "text", problem, (swapped_date,))
    if numbered is not None:
        usual = dt.date(1899, 12, 30) + dt.timedelta(days=numbered)
        problem = Problem(
            "date_number",
            f"a spreadsheet's day number ({usual.isoformat()} in most of them)?",
            "Format the column as dates in the spreadsheet program and save again.",
        )
        return Reading(None, None, "text", problem, (usual,))
    fits = [form for form in formats_like(text) if form.parse(text)]
    days = tuple(sorted({day for form in fits if (day := form.parse(text))}))
    if fits:
        ways = " or ".join(f'"{form.text}"' for form in fits)
        whichever = ", whichever the sheet uses" if len(fits) > 1 else ""
        remedy = f"Set weights.date_format = {ways}{whichever}."
        kind = "date_format_" + "_".join(form.text for form in fits)
    else:
        remedy, kind = "Correct the date.", "date_unreadable"
        first = declared.not_before(text)
        days = () if first is None else (first,)
    problem = Problem(kind, f"this file is declared {declared.text}.", remedy)
    return Reading(None, None, "text", problem, days)


def formats_like(text: str) -> list[DateFormat]:
    """Formats that people write dates of this look in; not each of them need read the text."""
    bare = _TIME_OF_DAY.sub("", text)
    match = _NUMERIC.fullmatch(bare)
    if match is not None:
        first, gap, _, last = match.groups()
        if len(first) == 4:
            return [DateFormat.of(f"YYYY{gap}MM{gap}DD")] if len(last) <= 2 else []
        year = "YYYY" if len(last) == 4 else "YY"
        orders = [f"DD{gap}MM{gap}{year}", f"MM{gap}DD{gap}{year}"]
        return [DateFormat.of(order) for order in orders] if len(last) in (2, 4) else []
    for form in ("D MMM YYYY", "D-MMM-YYYY", "D-MMM-YY", "D MMM YY"):
        if DateFormat.of(form).parse(bare):
            return [DateFormat.of(form)]
    return []
