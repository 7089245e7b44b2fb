"""Rows against each other: bags left in, rows entered twice, one thing spelled two ways."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from statistics import median

from riskcast.animals.cells import says_without_bag
from riskcast.animals.entry import Entry
from riskcast.animals.problem import Problem

__all__ = ["find_bags", "find_duplicates", "spell_alike"]

# One heavy animal is an animal; several in one check are a habit of weighing.
_BAG_ROWS = 3

# Days between checks that may be compared: within them even a fattening animal gains less
# than a bag weighs.
_BAG_NEIGHBOUR_DAYS = 10

# Comparing two days of a round takes enough animals that chance does not sort them: the odds
# that five of ten random weights are the five heaviest are 1 in 252. Young weigh alike by
# litter, so some have to be adults.
_BAG_COMPARED_ROWS = 5
_BAG_COMPARED_ADULTS = 3

# The lightest bag worth finding (common practice, no source).
_BAG_SHIFT_G = 4.0

_TWICE = "Delete one of them."


def spell_alike(entries: Sequence[Entry]) -> None:
    """Give a box or a mark written with different capitals its first spelling."""
    for name in ("box", "organism_id"):
        first: dict[str, str] = {}
        for entry in entries:
            text = getattr(entry, name)
            setattr(entry, name, first.setdefault(text.casefold(), text))


def find_bags(entries: Iterable[Entry], *, bag_included: bool) -> None:
    """Set aside the checks in which the bag seems to have been weighed with the animals.

    A check is all rows of one day. It is doubted when at least three of its animals, and at
    least half, are too heavy by no more than a bag; or when every animal is heavier than the
    heaviest of its age on other days of the same round. A note "without bag" in one of its
    rows settles the matter. Where the site file takes the bag off, nothing is done.
    """
    if bag_included:
        return
    by_day: defaultdict[dt.date, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry.sound_date and entry.event_date and entry.body_mass_g is not None:
            by_day[entry.event_date].append(entry)
    doubted = [
        day
        for day, check in sorted(by_day.items())
        if not any(says_without_bag(entry.remarks) for entry in check)
        and (_too_heavy(check) or _heavier_than_the_round(day, by_day))
    ]
    for day in doubted:
        problem = Problem(
            "bag_check",
            f"the weights of {day.isoformat()} look as if the bag had been left in.",
            'Take the bag off, or write "without bag" into the notes of one row of that day.',
        )
        for entry in by_day[day]:
            entry.problems = [(c, p) for c, p in entry.problems if p.kind != "mass_bag"]
            entry.fault("body_mass_g", problem)


def _too_heavy(check: Sequence[Entry]) -> bool:
    heavy = [e for e in check if any(p.kind == "mass_bag" for _, p in e.problems)]
    return len(heavy) >= _BAG_ROWS and 2 * len(heavy) >= len(check)


def _heavier_than_the_round(day: dt.date, by_day: defaultdict[dt.date, list[Entry]]) -> bool:
    around: defaultdict[str, list[float]] = defaultdict(list)
    for other, check in by_day.items():
        if other != day and abs((other - day).days) <= _BAG_NEIGHBOUR_DAYS:
            for entry in check:
                if entry.sound and entry.body_mass_g is not None:
                    around[entry.life_stage].append(entry.body_mass_g)
    compared = [
        (entry.life_stage, entry.body_mass_g)
        for entry in by_day[day]
        if entry.sound and entry.body_mass_g is not None and entry.life_stage in around
    ]
    adults = sum(stage == "adult" for stage, _ in compared)
    enough = min(len(compared), sum(map(len, around.values()))) >= _BAG_COMPARED_ROWS
    if not enough or adults < _BAG_COMPARED_ADULTS:
        return False
    above = all(mass > max(around[stage]) for stage, mass in compared)
    shift = median(mass - median(around[stage]) for stage, mass in compared)
    return above and shift >= _BAG_SHIFT_G


def find_duplicates(entries: Iterable[Entry]) -> None:
    """Set aside rows that are certainly in the sheets twice.

    Marked animals: the same mark on the same day. The same row again is a duplicate and the
    first stays; two different rows contradict each other and neither is used.

    Unmarked animals: brothers and sisters in one box may weigh the same, so equal rows side
    by side are two animals. A duplicate is the record of a whole box repeated: elsewhere in
    the sheet, in another file, or right below as a block of different rows.
    """
    entries = list(entries)
    _marked([e for e in entries if e.organism_id and e.sound and e.body_mass_g is not None])
    boxes: defaultdict[tuple[dt.date | None, str], list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry.box and entry.sound_date:
            boxes[entry.event_date, entry.box].append(entry)
    for check in boxes.values():
        _unmarked(check)


def _facts(entry: Entry) -> tuple[object, ...]:
    return (
        entry.event_date,
        entry.box,
        entry.organism_id,
        entry.body_mass_g,
        entry.sex,
        entry.life_stage,
        entry.activity,
    )


def _place(entry: Entry) -> str:
    return f"row {entry.row.number} of {entry.table.source}"


def _marked(entries: Sequence[Entry]) -> None:
    same_day: defaultdict[tuple[dt.date | None, str], list[Entry]] = defaultdict(list)
    for entry in entries:
        same_day[entry.event_date, entry.organism_id].append(entry)
    for group in same_day.values():
        first, *others = group
        if all(_facts(entry) == _facts(first) for entry in others):
            for entry in others:
                text = f"the same animal and weight as {_place(first)}."
                entry.fault("organism_id", Problem("duplicate", text, _TWICE))
            continue
        for entry in group:
            other = next(e for e in group if _facts(e) != _facts(entry))
            text = f"this animal stands here twice that day, differently: see {_place(other)}."
            entry.fault("organism_id", Problem("contradiction", text, "Keep the right one."))


def _unmarked(check: Sequence[Entry]) -> None:
    seen: list[list[Entry]] = []
    for run in _runs(check):
        rows = [e for e in run if not e.organism_id and e.sound and e.body_mass_g is not None]
        half = len(rows) // 2
        facts = [_facts(entry) for entry in rows]
        twice = len(rows) % 2 == 0 and facts[:half] == facts[half:] and len(set(facts)) > 1
        for block in [rows[:half], rows[half:]] if twice else [rows]:
            twin = next((b for b in seen if _multiset(b) == _multiset(block)), None)
            if twin is None:
                seen.append(block)
                continue
            for entry, original in zip(block, twin, strict=True):
                text = f"the record of this box repeats {_place(original)}."
                remedy = f"{_TWICE} If these are more animals, put them below the others."
                entry.fault("box", Problem("duplicate", text, remedy))


def _multiset(block: Sequence[Entry]) -> list[str]:
    return sorted(map(repr, map(_facts, block)))


def _runs(check: Sequence[Entry]) -> list[list[Entry]]:
    """The rows of a box check, parted where rows of something else stand between."""
    runs: list[list[Entry]] = []
    for entry in check:
        before = runs[-1][-1] if runs else None
        if (
            before is not None
            and before.table is entry.table
            and before.position + 1 == entry.position
        ):
            runs[-1].append(entry)
        else:
            runs.append([entry])
    return runs
