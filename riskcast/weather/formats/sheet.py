"""Rows and cells of a text table of any make: quotes, blanks, decimal commas, odd separators."""

from __future__ import annotations

import csv
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from riskcast.weather.dataset import Values
from riskcast.weather.formats.text import SHOWN, delimiter_of, readable_text
from riskcast.weather.table import Table

__all__ = ["Sheet", "numbers_of", "split_row"]

_QUOTES = " '\"\r\t"


def split_row(line: str, delimiter: str) -> list[str]:
    """Cells of one row; "" as delimiter parts at blanks. Quoted cells may hold delimiters."""
    if not delimiter:
        return line.split()
    if '"' in line:
        line = line.strip("\r")
        return [cell.strip(_QUOTES) for cell in next(csv.reader([line], delimiter=delimiter), [])]
    return [cell.strip(_QUOTES) for cell in line.split(delimiter)]


@dataclass(frozen=True)
class Sheet:
    """A table below its heading row.

    Attributes
    ----------
    lines : of the whole file
    at : line of the heading row
    delimiter : "" where blanks part the cells
    headings : of the columns
    body : line numbers of the rows, blank ones left out
    """

    lines: Sequence[str]
    at: int
    delimiter: str
    headings: list[str]
    body: list[int]

    @classmethod
    def below(cls, lines: Sequence[str], at: int) -> Sheet:
        """The table whose heading row stands in line `at`."""
        heading = readable_text(lines[at])
        delimiter = delimiter_of(heading)
        if delimiter not in heading:
            delimiter = ""
        body = [k for k in range(at + 1, len(lines)) if lines[k].strip()]
        return cls(lines, at, delimiter, split_row(heading, delimiter), body)

    def row(self, k: int) -> list[str]:
        """Cells of a line."""
        return split_row(self.lines[k], self.delimiter)

    def stamps(self, columns: Sequence[int]) -> list[str]:
        """The cells of some columns of every row, joined by a blank; short rows give less."""
        return [
            " ".join(cells[i] for i in columns if i < len(cells))
            for cells in map(self.row, self.body)
        ]

    def cells(self, rows: Collection[int], table: Table) -> list[list[str]] | None:
        """Cells of some lines; None, and a fault of the table, where some are too short."""
        width = len(self.headings)
        found = [self.row(k) for k in rows]
        # A delimiter behind the last cell makes one more of it.
        found = [c[:-1] if len(c) == width + 1 and not c[-1] else c for c in found]
        ragged = [i for i, cells in enumerate(found) if len(cells) != width]
        if not ragged:
            return found
        first = ragged[0]
        problem = f"{len(ragged)} of {len(found)} rows do not have the {width} cells of the heading"
        problem += f" (this one has {len(found[first])})."
        shown = self.lines[list(rows)[first]].strip()[:SHOWN]
        table.fault(table.place_of(first), problem, shown, "Correct the row.")
        return None


def numbers_of(
    cells: Sequence[str], heading: str, table: Table, missing: Collection[str] = ()
) -> Values | None:
    """(row,) float64 of one column, NaN where missing; None, and a fault, where it holds words.

    Parameters
    ----------
    missing : texts that stand for no value, besides the empty cell, "NaN", "NA" and "null";
        numbers among them count by their value ("-99" is "-99.0")
    """
    text = pd.Series(list(cells), dtype=str).str.strip(_QUOTES)
    if text.str.contains(",", regex=False).any() and not text.str.contains(".", regex=False).any():
        text = text.str.replace(",", ".", regex=False)
    empty = text.str.casefold().isin({"", "nan", "na", "n/a", "null", "-nan"})
    empty |= text.isin([*missing, *(named.replace(",", ".") for named in missing)])
    values = np.array(pd.to_numeric(text.where(~empty), errors="coerce"), dtype=float)
    coded = pd.to_numeric(pd.Series(list(missing), dtype=str), errors="coerce").dropna()
    values[np.isin(values, coded.to_numpy(dtype=float))] = np.nan
    words = np.flatnonzero(~empty.to_numpy(bool) & np.isnan(values))
    words = np.array([i for i in words if pd.isna(pd.to_numeric(text.iloc[i], errors="coerce"))])
    if len(words):
        count = "1 cell is no number" if len(words) == 1 else f"{len(words)} cells are no numbers"
        where = f"{table.place_of(words[0])}, {heading}"
        shown = str(cells[words[0]]).strip()[:SHOWN]
        remedy = "Leave a missing value empty, or name its text under missing."
        table.fault(where, f"{count}.", shown, remedy)
        return None
    return values
