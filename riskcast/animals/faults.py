"""Problems of rows put together into faults: one line for one cause."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from riskcast.animals.entry import Entry
from riskcast.animals.problem import Problem, row_list
from riskcast.base.errors import Fault

__all__ = ["faults_of", "reason"]

# These have one cause for many rows by their nature.
_SHARED = frozenset(
    {"bag_check", "date_file_order", "date_mixed_cells", "date_mixed_formats", "mass_blank"}
)

# Others are put together when so many rows, and so much of the sheet, share them that the
# declaration is at fault and not the rows.
_SHARED_FROM_ROWS = 5
_SHARED_FROM_PART = 0.5

_Found = list[tuple[Entry, Problem]]


def reason(entry: Entry) -> str:
    """Why a row was set aside, for the side file."""
    return " ".join(
        f"{column + ': ' if column else ''}{problem.text} {problem.remedy}".strip()
        for column, problem in entry.problems
    )


def faults_of(entries: Sequence[Entry]) -> list[Fault]:
    """The faults of one table's rows, in the order of the rows.

    Rows left without a weight come last: that is often no mistake.
    """
    found: defaultdict[tuple[str, ...], _Found] = defaultdict(list)
    for entry in entries:
        for column, problem in entry.problems:
            shared = problem.kind in _SHARED
            key = (column, problem.kind, problem.text if shared else "")
            found[key].append((entry, problem))
    placed: list[tuple[tuple[bool, int], Fault]] = []
    for (column, kind, _), group in found.items():
        shared = kind in _SHARED or (
            len(group) >= _SHARED_FROM_ROWS and len(group) >= _SHARED_FROM_PART * len(entries)
        )
        for part in [group] if shared else [[one] for one in group]:
            first = part[0][0].row.number
            placed.append(((kind == "mass_blank", first), _fault(column, part)))
    return [fault for _, fault in sorted(placed, key=lambda pair: pair[0])]


def _fault(column: str, part: _Found) -> Fault:
    entry, problem = part[0]
    rows = row_list(e.row.number for e, _ in part)
    return Fault(
        source=entry.table.source,
        where=f"{rows}, {column}" if column else rows,
        problem=problem.text,
        value=entry.original(column) if column else "",
        remedy=problem.remedy,
    )
