"""Found animals: the rehabilitator's list, one row an animal."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from riskcast.animals.dates import DateFormat, read_date
from riskcast.animals.reading import read_files
from riskcast.animals.records import Records, read
from riskcast.animals.table import Cell, Table, shown
from riskcast.base.errors import Fault, RiskcastError
from riskcast.site import Place, Weights

__all__ = ["FoundRecords", "read_found"]

# Their headings in the list, beside those of a sheet of weights.
_NAME, _FOUND, _CARE = "name", "date_found", "in_care"
_HEADINGS = (_NAME, _FOUND, "event_date", "body_mass_g", "life_stage", _CARE)
_YES_NO = {"yes": True, "y": True, "no": False, "n": False, "": False}


@dataclass(frozen=True, eq=False)
class FoundRecords:
    """The list as checked rows.

    rows : as `Records.rows` (organism_id = the name), with ``date_found`` (date or None) and
        ``in_care`` (bool) beside them
    records : the underlying `Records`; faults: all faults of the list
    """

    rows: pd.DataFrame
    records: Records
    faults: tuple[Fault, ...]


def read_found(
    path: Path,
    place: Place,
    *,
    as_of: np.datetime64,
    live: bool,
    bounds: Mapping[str, tuple[float, float]],
    date_format: str = "YYYY-MM-DD",
) -> FoundRecords:
    """Read a list of found animals: name, date_found, event_date, body_mass_g, life_stage, in_care.

    Parameters
    ----------
    path : CSV, TSV or XLSX
    place, as_of, live, bounds : as in `read`
    date_format : of both dates

    Raises
    ------
    as `read`; a row whose date_found or in_care cannot be read keeps its weight, and says so.
    No fault points at a site file: a list has none, and its remedies are of the list itself.
    """
    columns: dict[str, Literal["organism_id"]] = {_NAME: "organism_id"}
    config = Weights(files=(path,), columns={**columns}, date_format=date_format)
    try:
        records = read(config, place, as_of=as_of, live=live, bounds=bounds)
    except RiskcastError as error:
        told_here = [_of_the_list(fault, path, date_format) for fault in error.faults]
        raise type(error)(error.message, told_here) from error
    declared = DateFormat.of(date_format)
    faults: list[Fault] = list(records.faults)
    told: dict[tuple[str, int], tuple[dt.date | None, bool]] = {}
    used = set(zip(records.rows["source_file"], records.rows["source_row"], strict=True))
    for content in read_files([path], columns):
        for table in content.tables:
            for row in table.rows:
                key = (table.source, row.number)
                if key in used:
                    told[key] = (
                        _date(table, row.cells, declared, row.number, faults),
                        _care(table, row.cells, row.number, faults),
                    )
    keys = list(zip(records.rows["source_file"], records.rows["source_row"], strict=True))
    rows = records.rows.assign(
        date_found=pd.Series([told[key][0] for key in keys], dtype=object).to_numpy(),
        in_care=[told[key][1] for key in keys],
    )
    return FoundRecords(
        rows, records, tuple(_of_the_list(fault, path, date_format) for fault in faults)
    )


def _of_the_list(fault: Fault, path: Path, date_format: str) -> Fault:
    """The fault as it concerns a list, whose headings, unit and date format are fixed."""
    headings = f"Head the columns {', '.join(_HEADINGS)}."
    if fault.where == f"[weights.columns] {_NAME}":
        return Fault(path.name, "headings", f"no column for {_NAME}.", remedy=headings)
    problem = re.sub(r"this file is declared (.+)\.$", r"no date as \1.", fault.problem)
    remedy = fault.remedy
    column = fault.where.rpartition(", ")[2]
    if "[weights.columns]" in remedy:
        remedy = headings
    elif "weights.unit" in remedy:
        remedy = re.sub(r"Correct the sheet, or set weights\.unit.*", "Give it in g.", remedy)
    elif "weights.files" in remedy:
        remedy = "Name the list as a .csv or .xlsx file."
    elif column in ("event_date", _FOUND) and ("weights." in remedy or problem != fault.problem):
        remedy = f"Write it as {date_format}."
    return replace(fault, problem=problem, remedy=remedy)


def _cell(table: Table, cells: tuple[Cell, ...], heading: str) -> Cell:
    names = [name.strip().casefold().replace(" ", "_") for name in table.headings]
    place = names.index(heading) if heading in names else None
    return cells[place] if place is not None and place < len(cells) else None


def _date(
    table: Table, cells: tuple[Cell, ...], declared: DateFormat, number: int, faults: list[Fault]
) -> dt.date | None:
    cell = _cell(table, cells, _FOUND)
    if not shown(cell):
        return None
    reading = read_date(cell, declared, table.epoch)
    if reading.problem is not None:
        where = f"row {number}, {_FOUND}"
        problem = reading.problem
        faults.append(Fault(table.source, where, problem.text, shown(cell), problem.remedy))
    return reading.date


def _care(table: Table, cells: tuple[Cell, ...], number: int, faults: list[Fault]) -> bool:
    cell = _cell(table, cells, _CARE)
    if isinstance(cell, bool):
        return cell
    word = shown(cell).strip().casefold()
    if word not in _YES_NO:
        where = f"row {number}, {_CARE}"
        faults.append(Fault(table.source, where, "expected yes or no; taken as no.", word))
    return _YES_NO.get(word, False)
