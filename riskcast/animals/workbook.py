"""XLSX workbooks: every worksheet with our headings, true dates, merged cells, formulas."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from riskcast.animals.headings import Header, find_header, missing_columns
from riskcast.animals.sheet import GUIDE_TITLE
from riskcast.animals.table import Cell, Row, Table, shown, tidy
from riskcast.base.errors import Fault

__all__ = ["read_workbook"]


def read_workbook(
    data: bytes, source: str, column_map: Mapping[str, str]
) -> tuple[list[Table], list[Fault], list[str]]:
    """All worksheets that hold weights, the faults of the file, and what was not read.

    A worksheet is read when some line near its top holds the headings needed. Others
    (notes, sums) are passed over and named.
    """
    try:
        workbook = _open(data, stored_results=False)
        results = _open(data, stored_results=True) if _has_formulas(workbook) else workbook
    except Exception as error:  # openpyxl lets many kinds through from a damaged file
        return [], [_damaged(source, error)], []
    tables: dict[str, Table] = {}
    passed_over: list[str] = []
    nearest: tuple[Header, tuple[str, ...]] | None = None
    for sheet in workbook.worksheets:
        if sheet.title == GUIDE_TITLE:
            continue
        grid = _grid(sheet, results[sheet.title])
        header = find_header([[shown(cell) for cell in line] for line in grid], column_map)
        if header is None:
            continue
        headings = tuple(shown(cell) for cell in grid[header.index])
        if header.columns.missing or sheet.sheet_state != "visible":
            passed_over.append(sheet.title)
            if nearest is None or header.merit > nearest[0].merit:
                nearest = header, headings
            continue
        tables[sheet.title] = _table(sheet, grid, header, headings, source, workbook.epoch)
    if not tables:
        if nearest is None:
            return [], [Fault(source, "", "the file is empty.", remedy="Fill in the sheet.")], []
        return [], [_no_table(source, *nearest)], []
    notes = [f'worksheet_not_read: {source}, "{title}"' for title in passed_over]
    if len(tables) == 1:
        return list(tables.values()), [], notes
    named = [
        replace(table, source=f'{source}, worksheet "{title}"') for title, table in tables.items()
    ]
    return named, [], notes


def _no_table(source: str, header: Header, headings: tuple[str, ...]) -> Fault:
    if header.columns.missing:
        return missing_columns(source, header.index + 1, headings, header.columns)
    return Fault(
        source,
        "",
        "the worksheet with the weights is hidden, so it was not read.",
        remedy="Show the worksheet, or move it to a file of its own.",
    )


def _damaged(source: str, error: Exception) -> Fault:
    return Fault(
        source,
        "",
        f"the workbook cannot be opened ({type(error).__name__}).",
        remedy="Open it in a spreadsheet program and save it as .xlsx without a password.",
    )


def _open(data: bytes, *, stored_results: bool) -> Any:
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        # Extensions openpyxl leaves out (drop-downs, colour rules) carry no weights.
        warnings.simplefilter("ignore")
        return load_workbook(io.BytesIO(data), data_only=stored_results)


def _has_formulas(workbook: Any) -> bool:
    return any(
        cell.data_type == "f"
        for sheet in workbook.worksheets
        for line in sheet.iter_rows()
        for cell in line
    )


def _grid(sheet: Any, results: Any) -> list[list[Cell]]:
    """Cells of a worksheet; a formula gives its stored result, or itself when it has none."""
    grid: list[list[Cell]] = []
    for line in sheet.iter_rows(min_row=1, min_col=1):
        cells: list[Cell] = []
        for cell in line:
            value = cell.value
            if cell.data_type == "f":
                stored = results.cell(row=cell.row, column=cell.column).value
                value = stored if stored is not None else f"={str(value).removeprefix('=')}"
            cells.append(tidy(value))
        grid.append(cells)
    return grid


def _table(
    sheet: Any,
    grid: list[list[Cell]],
    header: Header,
    headings: tuple[str, ...],
    source: str,
    epoch: Any,
) -> Table:
    header_row = header.index + 1
    merges = [merge.bounds for merge in sheet.merged_cells.ranges]
    # A heading merged over two lines: the second is part of the headings, not a row.
    first = 1 + max([header_row, *(bottom for _, top, _, bottom in merges if top <= header_row)])
    covered: dict[int, dict[int, Cell]] = {}
    for left, top, _, bottom in merges:
        value = grid[top - 1][left - 1] if top >= first else None
        for row in range(top + 1, bottom + 1):
            if value is not None:
                covered.setdefault(row, {})[left - 1] = value
    # A row that has nothing of its own is only the lower part of a tall cell.
    rows = [
        Row(number, tuple(cells), merged=covered.get(number, {}))
        for number, cells in enumerate(grid, start=1)
        if number >= first and any(cell is not None for cell in cells)
    ]
    return Table(
        source=source,
        headings=headings,
        header_row=header_row,
        columns=header.columns,
        rows=tuple(rows),
        epoch=epoch,
    )
