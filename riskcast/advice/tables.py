"""A table before anybody has decided how it looks."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Cell", "Table"]

Cell = str | float | int | None


@dataclass(frozen=True)
class Table:
    """Rows for the screen, for CSV or JSON.

    columns : headings, with the unit in brackets
    rows : cells in the order of `columns`; None = not known (never zero)
    notes : sentences that have to stand under the table
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()
