"""A weights file as rows of cells, before anything is understood.

The readers of text files and of workbooks end here; what a cell means is decided behind it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from riskcast.animals.headings import Columns

__all__ = ["Cell", "Row", "Table", "shown", "tidy"]

Cell = str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta | None


@dataclass(frozen=True)
class Row:
    """One line of the sheet, numbered as a spreadsheet program shows it.

    `merged` holds, for columns where a merged cell reaches down from a row above, its
    value. `broken` says why the line could not be taken apart, `remedy`
    what to do about it.
    """

    number: int
    cells: tuple[Cell, ...]
    latin: bool = False
    broken: str = ""
    remedy: str = ""
    merged: Mapping[int, Cell] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """The rows under one line of headings.

    `epoch` is day zero of the workbook's day numbers, None for a text file, which does not
    tell. `notes` say what was assumed in reading (``"code: file, words"``).
    """

    source: str
    headings: tuple[str, ...]
    header_row: int
    columns: Columns
    rows: tuple[Row, ...]
    epoch: dt.datetime | None = None
    notes: tuple[str, ...] = ()


def tidy(cell: Cell) -> Cell:
    """Text without the white space around it, as None when nothing is left."""
    if not isinstance(cell, str):
        return cell
    text = " ".join(cell.replace("\u00a0", " ").replace("\ufeff", "").split())
    return text or None


def shown(cell: Cell) -> str:
    """A cell as text: dates as ISO, whole numbers without a point."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, dt.datetime):
        midnight = cell.time() == dt.time()
        return cell.date().isoformat() if midnight else cell.isoformat(sep=" ")
    if isinstance(cell, dt.date | dt.time):
        return cell.isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() else repr(cell)
    return str(cell)
