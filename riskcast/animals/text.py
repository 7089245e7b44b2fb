"""CSV and TSV: bytes to rows, whatever program and country they come from."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from riskcast.animals.headings import Columns, Header, find_header
from riskcast.animals.table import Cell, Row, Table, shown, tidy
from riskcast.base.errors import Fault

__all__ = ["read_text"]

_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}

# A note may run over a few lines; a quotation mark left open would run to the end of the file.
_LONGEST_CELL_LINES = 20

_QUOTE_IT = "Put the cell in quotation marks, or save the file with semicolons."

# Enough for a title, a blank line and headings of several lines.
_HEAD_LINES = 60


@dataclass(frozen=True)
class _Line:
    text: str
    latin: bool


@dataclass(frozen=True)
class _Record:
    cells: tuple[str, ...]
    latin: bool
    broken: str = ""
    remedy: str = ""


def read_text(data: bytes, source: str, column_map: Mapping[str, str]) -> Table | Fault:
    """The table in a text file, or the fault that keeps it from being one.

    The delimiter is the one under which a line near the top holds the most headings we
    know. Each line that is not UTF-8 is read as Latin-1, line by line, so that one old line
    does not change the reading of the others.
    """
    lines, notes = _decode(data, source)
    found: tuple[Header, str, list[_Record]] | None = None
    for delimiter in _DELIMITERS:
        head = _records(lines[:_HEAD_LINES], delimiter, width=None)
        header = find_header([record.cells for record in head], column_map)
        if header is not None and (found is None or _merit(header, head) > _merit(*_of(found))):
            found = header, delimiter, head
    if found is None:
        return Fault(source, "", "the file is empty.", remedy="Save the sheet again and check it.")
    header, delimiter, head = found
    headings = head[header.index].cells
    if delimiter == ";":
        notes.append(f"delimiter: {source}, {_DELIMITERS[delimiter]}")
    rows = [
        _row(number, record, len(headings), header.columns if delimiter == "," else None)
        for number, record in enumerate(_records(lines, delimiter, len(headings)), start=1)
        if number > header.index + 1 and any(record.cells)
    ]
    return Table(
        source=source,
        headings=headings,
        header_row=header.index + 1,
        columns=header.columns,
        rows=tuple(rows),
        notes=tuple(notes),
    )


def _merit(header: Header, head: list[_Record]) -> tuple[bool, int, int]:
    return *header.merit, len(head[header.index].cells)


def _of(found: tuple[Header, str, list[_Record]]) -> tuple[Header, list[_Record]]:
    return found[0], found[2]


def _decode(data: bytes, source: str) -> tuple[list[_Line], list[str]]:
    for mark, encoding in (
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(mark):
            text = data[len(mark) :].decode(encoding, errors="replace")
            lines = [_Line(line, latin=False) for line in io.StringIO(text, newline="")]
            return lines, [f"utf_16: {source}"]
    lines = []
    for raw in data.removeprefix(codecs.BOM_UTF8).splitlines(keepends=True):
        try:
            lines.append(_Line(raw.decode("utf-8"), latin=False))
        except UnicodeDecodeError:
            # cp1252 is Latin-1 with the curly quotes and dashes office programs put in.
            lines.append(_Line(raw.decode("cp1252", errors="replace"), latin=True))
    return lines, []


def _records(lines: Sequence[_Line], delimiter: str, width: int | None) -> list[_Record]:
    records = []
    position = 0
    while position < len(lines):
        taken, closed = _lines_of_record(lines, position, delimiter, width)
        texts = [line.text for line in lines[position : position + taken]]
        latin = any(line.latin for line in lines[position : position + taken])
        cells = tuple(shown(tidy(cell)) for cell in _split(texts, delimiter))
        if closed:
            records.append(_Record(cells, latin))
        else:
            records.append(
                _Record(
                    cells,
                    latin,
                    broken="a quotation mark is opened and never closed.",
                    remedy="Take it out, or close it.",
                )
            )
        position += taken
    return records


def _lines_of_record(
    lines: Sequence[_Line], start: int, delimiter: str, width: int | None
) -> tuple[int, bool]:
    """How many lines the record at `start` takes, and whether its quotation marks close.

    An open quotation mark takes further lines only as long as these do not look like rows
    of their own: one slip of the keyboard must not swallow the rows below it.
    """
    texts = [lines[start].text]
    if _closed(texts, delimiter):
        return 1, True
    for line in lines[start + 1 : start + _LONGEST_CELL_LINES]:
        fresh = _closed([line.text], delimiter) and len(_split([line.text], delimiter)) == width
        if fresh:
            break
        texts.append(line.text)
        if _closed(texts, delimiter):
            return len(texts), True
    return 1, False


def _closed(texts: list[str], delimiter: str) -> bool:
    probe = [*texts, "next"]
    try:
        reader = csv.reader(probe, delimiter=delimiter, skipinitialspace=True)
        return sum(1 for _ in reader) > 1
    except csv.Error:
        return True


def _split(texts: list[str], delimiter: str) -> list[str]:
    try:
        return next(csv.reader(texts, delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:  # a cell longer than the csv module takes: not a weights row
        return ["".join(texts)[:200]]


def _row(number: int, record: _Record, width: int, columns: Columns | None) -> Row:
    """One row, padded to the headings; `columns` only where a comma parts the cells."""
    cells = tuple(tidy(cell) for cell in record.cells)
    broken, remedy = record.broken, record.remedy
    if not broken and any(cells[width:]):
        broken = f"{len(cells)} cells stand under {width} headings."
        remedy = f"A comma inside a number or a note? {_QUOTE_IT}"
    elif not broken and columns is not None and _split_by_its_comma(cells, width, columns):
        broken = "the weight seems to be parted by its own comma."
        remedy = _QUOTE_IT
    padded = cells + (None,) * (width - len(cells))
    return Row(number, padded, latin=record.latin, broken=broken, remedy=remedy)


def _split_by_its_comma(cells: tuple[Cell, ...], width: int, columns: Columns) -> bool:
    """Whether 19,5 became a weight of 19 and a bare 5 in the next cell.

    Seen where the row has a cell too many, or where the 5 landed in the remarks.
    """
    (mass,) = columns.places.get("body_mass_g", (len(cells),))
    if mass + 1 >= len(cells):
        return False
    whole, rest = (shown(cell) for cell in cells[mass : mass + 2])
    in_remarks = mass + 1 in columns.places.get("remarks", ())
    digits = re.fullmatch(r"\d+", whole) and re.fullmatch(r"\d{1,3}", rest)
    return bool(digits) and (in_remarks or len(cells) > width)
