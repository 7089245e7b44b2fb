"""One row at a time: its fields, and everything that is wrong with it."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from riskcast.animals.cells import (
    UNITS,
    WORDS,
    bag_in_remarks,
    read_mass,
    read_name,
    read_text,
    read_word,
    weight_problem,
)
from riskcast.animals.dates import DateFormat, Reading, read_date
from riskcast.animals.mixed import mixed_formats
from riskcast.animals.problem import Problem
from riskcast.animals.swapped import swapped, swapped_problem
from riskcast.animals.table import Cell, Row, Table, shown

__all__ = ["Entry", "Rules", "entries_of"]

_WHOSE = Problem("no_place", "neither a box nor a mark: whose weight is this?", "Give the box.")
_NO_WEIGHT = Problem(
    "mass_blank",
    "no weight, though an animal was noted.",
    "Nothing to do if it was left unweighed on purpose.",
)
_MERGED = Problem(
    "merged",
    "a merged cell covers several rows; which of them is it for?",
    "Split the merged cells and fill each row.",
)


@dataclass(frozen=True)
class Rules:
    """What the site file and the species file say about the sheet."""

    declared: DateFormat
    unit: str
    bag_g: float | None
    bounds: Mapping[str, tuple[float, float]]
    last_day: dt.date
    live: bool


@dataclass
class Entry:
    """A row being checked; `problems` pairs a column with what is wrong there.

    `position` counts the rows that are read, so that rows left unread leave no trace.
    """

    table: Table
    row: Row
    position: int
    event_date: dt.date | None = None
    organism_id: str = ""
    box: str = ""
    sex: str = "unknown"
    life_stage: str = "unknown"
    body_mass_g: float | None = None
    activity: str = "unknown"
    reproductive_condition: str = ""
    remarks: str = ""
    problems: list[tuple[str, Problem]] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        return not self.problems

    @property
    def sound_date(self) -> bool:
        return self.event_date is not None and not any(c == "event_date" for c, _ in self.problems)

    def fault(self, column: str, problem: Problem) -> None:
        self.problems.append((column, problem))

    def original(self, column: str) -> str:
        """What stood in the sheet, as text."""
        places = self.table.columns.places.get(column.split()[0], ())
        texts = [shown(self.row.cells[place]) for place in places]
        return "; ".join(text for text in texts if text)


def entries_of(table: Table, rules: Rules) -> tuple[list[Entry], list[str]]:
    """The rows of a table up to the date of issue, each checked by itself, and notes.

    Later rows are dropped before anything is concluded from the sheet as a whole, unless
    the run is live: then a later row is a fault.
    """
    notes: Counter[str] = Counter()
    kept: list[tuple[Entry, Reading]] = []
    readings = [
        read_date(_cell(table, row, "event_date"), rules.declared, table.epoch)
        for row in table.rows
    ]
    # Dates up to the day that make sense in the other order only throw doubt on the order.
    doubted = not rules.declared.year_first and any(
        reading.other_order and not reading.surely_after(rules.last_day) for reading in readings
    )
    for row, reading in zip(table.rows, readings, strict=True):
        if rules.live or not reading.surely_after(rules.last_day, either_order=doubted):
            kept.append((Entry(table, row, len(kept)), reading))
    mixed = mixed_formats(
        [
            (entry.row.number, shown(_cell(table, entry.row, "event_date")))
            for entry, reading in kept
            if reading.kind == "text"
        ],
        rules.declared,
    )
    doubts = swapped([reading for _, reading in kept], rules.declared, rules.last_day)
    for position, (entry, reading) in enumerate(kept):
        notes["latin_1"] += entry.row.latin
        if entry.row.broken:
            entry.fault("", Problem("broken", entry.row.broken, entry.row.remedy))
            continue
        _fill_date(entry, reading, doubts.get(position), mixed, rules)
        notes["day_number"] += reading.kind == "number"
        _fill_words(entry, notes)
        _fill_mass(entry, rules, notes)
    return [entry for entry, _ in kept], _noted(table.source, notes)


def _noted(source: str, notes: Counter[str]) -> list[str]:
    return [
        f"{code}: {source}, {count} {'row' if code == 'latin_1' else 'cell'}{'s' * (count != 1)}"
        for code, count in sorted(notes.items())
        if count
    ]


def _cell(table: Table, row: Row, column: str) -> Cell:
    """The cell of a column; for dates and boxes, the merged cell that reaches down to it."""
    places = table.columns.places.get(column, ())
    if not places:
        return None
    own = row.cells[places[0]]
    if own is None and column in ("event_date", "box"):
        return row.merged.get(places[0])
    return own


def _fill_date(
    entry: Entry, reading: Reading, doubt: str | None, mixed: Problem | None, rules: Rules
) -> None:
    entry.event_date = reading.date
    if reading.problem is not None:
        undeclared = reading.problem.kind.startswith("date_format_") or (
            reading.other_order and not rules.declared.year_first
        )
        entry.fault("event_date", mixed if mixed and undeclared else reading.problem)
    elif doubt is not None:
        entry.fault("event_date", swapped_problem(reading, doubt, rules.declared))
    elif reading.date is not None and reading.date > rules.last_day:
        turned = reading.swapped
        hint = (
            f" Day and month swapped ({turned.isoformat()})?"
            if (turned is not None and turned <= rules.last_day)
            else ""
        )
        when = "this day has not come yet." if rules.live else "this is after the day asked about."
        entry.fault(
            "event_date",
            Problem("date_future", f"{when}{hint}", "Correct the date."),
        )


def _fill_words(entry: Entry, notes: Counter[str]) -> None:
    table, row = entry.table, entry.row
    entry.box = read_name(_cell(table, row, "box"), box=True)
    entry.organism_id = read_name(_cell(table, row, "organism_id"))
    entry.reproductive_condition = read_text(_cell(table, row, "reproductive_condition"))
    entry.remarks = read_text(entry.original("remarks"))
    for column in WORDS:
        word = read_word(_cell(table, row, column), column)
        if isinstance(word, Problem):
            entry.fault(column, word)
        else:
            setattr(entry, column, word)
    for column, places in table.columns.places.items():
        for place in places:
            if place not in row.merged or row.cells[place] is not None:
                continue
            if column in ("event_date", "box"):
                notes["merged_filled"] += 1
            elif column == "remarks":
                notes["merged_not_filled"] += 1
            else:
                entry.fault(column, _MERGED)
    if not entry.box and not entry.organism_id:
        entry.fault("box", _WHOSE)


def _fill_mass(entry: Entry, rules: Rules, notes: Counter[str]) -> None:
    mass = read_mass(_cell(entry.table, entry.row, "body_mass_g"))
    if isinstance(mass, Problem):
        entry.fault("body_mass_g", mass)
        return
    if mass is None:
        merged = any(column == "body_mass_g" for column, _ in entry.problems)
        if _animal_noted(entry) and not merged:
            entry.fault("body_mass_g", _NO_WEIGHT)
        return
    notes["decimal_comma"] += "," in entry.original("body_mass_g")
    # Units are powers of ten: the rounding only takes off what binary fractions add.
    mass_g = round(mass * UNITS[rules.unit] - (rules.bag_g or 0.0), 6)
    entry.body_mass_g = mass_g
    problem = weight_problem(
        mass_g, entry.life_stage, rules.bounds, bag_included=rules.bag_g is not None
    )
    if problem is not None:
        entry.fault("body_mass_g", problem)
    noted = bag_in_remarks(entry.remarks, bag_included=rules.bag_g is not None)
    if noted is not None:
        entry.fault("remarks", noted)


def _animal_noted(entry: Entry) -> bool:
    words = (entry.sex, entry.life_stage, entry.activity)
    return (
        bool(entry.organism_id or entry.reproductive_condition)
        or any(word != "unknown" for word in words)
        or any(column in WORDS for column, _ in entry.problems)
    )
