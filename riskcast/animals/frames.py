"""Checked rows as DataFrames."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from riskcast.animals.entry import Entry
from riskcast.animals.faults import reason
from riskcast.animals.headings import NAMES
from riskcast.animals.table import Table, shown

__all__ = ["COLUMNS", "rejected_frame", "rows_frame"]

COLUMNS: tuple[str, ...] = (*NAMES, "weighed", "source_file", "source_row")
"""Columns of `Records.rows`."""

_TYPES = {
    "event_date": "datetime64[ns]",
    "body_mass_g": "float64",
    "weighed": "bool",
    "source_row": "int64",
}
_OWN = ("source_file", "source_row", "reason")


def rows_frame(entries: Sequence[Entry]) -> pd.DataFrame:
    """Sound rows, and the bare fact of the check for set-aside rows of known day and box."""
    records = []
    for entry in entries:
        if entry.event_date is None or not (entry.sound or (entry.sound_date and entry.box)):
            continue
        record: dict[str, object] = {
            **{name: getattr(entry, name) for name in NAMES},
            "event_date": pd.Timestamp(entry.event_date),
            "weighed": entry.sound and entry.body_mass_g is not None,
            "source_file": entry.table.source,
            "source_row": entry.row.number,
        }
        if not entry.sound:
            # Only the day and the box of a row set aside are relied on.
            record |= {"sex": "unknown", "life_stage": "unknown", "activity": "unknown"}
            record |= {"organism_id": "", "reproductive_condition": "", "remarks": ""}
            record["body_mass_g"] = None
        records.append(record)
    frame = pd.DataFrame.from_records(records, columns=list(COLUMNS))
    return frame.astype({name: _TYPES.get(name, "object") for name in COLUMNS})


def rejected_frame(entries: Sequence[Entry]) -> pd.DataFrame:
    """Rows set aside: file, row and reason, then the cells as they stood, as text."""
    records = []
    order: dict[str, None] = dict.fromkeys(_OWN)
    for entry in entries:
        headings = _headings(entry.table)
        order |= dict.fromkeys(headings)
        cells = [shown(cell) for cell in entry.row.cells]
        surplus = "; ".join(cell for cell in cells[len(headings) :] if cell)
        record: dict[str, object] = {
            "source_file": entry.table.source,
            "source_row": entry.row.number,
            "reason": reason(entry),
            **dict(zip(headings, cells, strict=False)),
        }
        if surplus:
            order["beyond the headings"] = None
            record["beyond the headings"] = surplus
        records.append(record)
    return pd.DataFrame.from_records(records, columns=list(order)).fillna("")


def _headings(table: Table) -> list[str]:
    """The headings of the sheet, each made different from the others and from ours."""
    names: list[str] = []
    for number, heading in enumerate(table.headings, start=1):
        name = heading or f"column {number}"
        taken = {*names, *_OWN}
        copy = 2
        while name in taken:
            name = f"{heading or 'column'} ({copy})"
            copy += 1
        names.append(name)
    return names
