"""Bytes to tables: CSV, TSV and XLSX told apart by what is inside, not by the name."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from riskcast.animals.headings import missing_columns
from riskcast.animals.table import Table
from riskcast.animals.text import read_text
from riskcast.animals.workbook import read_workbook
from riskcast.base.errors import Fault, InputMissingError

__all__ = ["Content", "read_bytes", "read_files"]

# The first bytes of files that people rename or save under the wrong name.
_NOT_TABLES: tuple[tuple[bytes, str], ...] = (
    (b"%PDF-", "a PDF"),
    (b"\xd0\xcf\x11\xe0", "an old .xls workbook, or one locked with a password"),
    (b"\x1f\x8b", "a compressed file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{\\rtf", "a word processor's text"),
    (b"<", "a web page"),
)
_ZIP = b"PK\x03\x04"
_TABLE_REMEDY = "Save the sheet as .xlsx or .csv and name that file in weights.files."

# NUL does not occur in text. Only the beginning is looked at, so that what stands in a row
# further down cannot decide whether the others are read.
_LOOKED_AT_BYTES = 64


@dataclass(frozen=True)
class Content:
    """What one file holds: its tables, what is wrong with the file as a whole, notes."""

    source: str
    tables: tuple[Table, ...] = ()
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()


def read_files(paths: Sequence[Path], column_map: Mapping[str, str]) -> list[Content]:
    """Read all files, in the order given.

    Raises
    ------
    InputMissingError
        Names every file that is not there or cannot be opened.
    """
    held: list[tuple[str, bytes]] = []
    missing: list[Fault] = []
    for source, path in zip(_short_names(paths), paths, strict=True):
        try:
            held.append((source, path.read_bytes()))
        except FileNotFoundError:
            missing.append(
                Fault(str(path), "", "the file is not there.", remedy="Correct weights.files.")
            )
        except OSError as error:
            reason = (error.strerror or type(error).__name__).lower()
            missing.append(Fault(str(path), "", f"the file cannot be opened: {reason}."))
    if missing:
        raise InputMissingError("The weights cannot be read.", missing)
    return [read_bytes(data, source, column_map) for source, data in held]


def _short_names(paths: Sequence[Path]) -> list[str]:
    """File names, with their folder where two files have the same name."""
    names = [path.name for path in paths]
    return [
        f"{path.parent.name}/{path.name}" if names.count(path.name) > 1 else path.name
        for path in paths
    ]


def read_bytes(data: bytes, source: str, column_map: Mapping[str, str]) -> Content:
    """The tables in one file's bytes, or the faults that keep them from being read."""
    if not data.strip():
        fault = Fault(source, "", "the file is empty.", remedy="Save the sheet again.")
        return Content(source, faults=(fault,))
    if data.startswith(_ZIP):
        return _from_zip(data, source, column_map)
    start = data[:_LOOKED_AT_BYTES]
    kind = _not_a_table(start)
    if kind:
        fault = Fault(source, "", f"this is {kind}, not a table.", remedy=_TABLE_REMEDY)
        return Content(source, faults=(fault,))
    table = read_text(data, source, column_map)
    if isinstance(table, Fault):
        return Content(source, faults=(table,))
    return _checked(Content(source, tables=(table,)))


def _from_zip(data: bytes, source: str, column_map: Mapping[str, str]) -> Content:
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            members = set(archive.namelist())
    except zipfile.BadZipFile:
        members = set()
    if members and "xl/workbook.xml" not in members:
        problem = "this is not an .xlsx workbook but another kind of document."
        return Content(source, faults=(Fault(source, "", problem, remedy=_TABLE_REMEDY),))
    tables, faults, notes = read_workbook(data, source, column_map)
    if not source.lower().endswith((".xlsx", ".xlsm")):
        notes = [*notes, f"read_as_xlsx: {source}"]
    return _checked(Content(source, tuple(tables), tuple(faults), tuple(notes)))


def _not_a_table(start: bytes) -> str:
    for mark, kind in _NOT_TABLES:
        if start.lstrip().startswith(mark):
            return kind
    is_utf_16 = start.startswith((b"\xff\xfe", b"\xfe\xff"))
    return "a file of some other program" if b"\0" in start and not is_utf_16 else ""


def _checked(content: Content) -> Content:
    """Take out tables whose headings do not do, each with its fault."""
    tables: list[Table] = []
    faults = list(content.faults)
    notes = list(content.notes)
    for table in content.tables:
        columns = table.columns
        if columns.missing:
            faults.append(missing_columns(table.source, table.header_row, table.headings, columns))
            continue
        if columns.clashes:
            faults += [
                Fault(
                    table.source,
                    f"row {table.header_row}, headings",
                    f"more than one column holds {name}.",
                    " / ".join(headings),
                    "Keep one of them, or rename the other.",
                )
                for name, headings in columns.clashes.items()
            ]
            continue
        tables.append(table)
        notes += table.notes
        if table.header_row > 1:
            notes.append(f"header_row: {table.source}, row {table.header_row}")
        notes += [
            f'column_not_read: {table.source}, "{other}" beside "{taken}"'
            for other, taken in columns.passed_over
        ]
    return Content(content.source, tuple(tables), tuple(faults), tuple(notes))
