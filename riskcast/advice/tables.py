"""A table before anybody has decided how it looks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

__all__ = ["Cell", "Table", "with_notes"]

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


def with_notes(table: Table, notes: Iterable[str]) -> Table:
    """The table with more sentences under it."""
    return replace(table, notes=(*table.notes, *notes))
