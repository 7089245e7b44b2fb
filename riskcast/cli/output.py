"""One table, three ways: text that fits the terminal, CSV, JSON."""

from __future__ import annotations

import csv
import functools
import io
import json
import shutil
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Literal

import click

if TYPE_CHECKING:
    from riskcast.advice import Table

__all__ = ["TABLE_SCHEMA", "as_csv", "as_json", "as_text", "output_options", "show"]

TABLE_SCHEMA = "riskcast.table/1"

Format = Literal["text", "csv", "json"]

_UNKNOWN = "not known"
_GAP = "  "
# The first column says which animal or day the row is about: it stays whole up to here.
_FIRST = 28


def output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """``--json`` and ``--csv``, handed to the command as one `form`."""

    @click.option("--json", "as_json_", is_flag=True, help="Print JSON.")
    @click.option("--csv", "as_csv_", is_flag=True, help="Print CSV; notes go to stderr.")
    @functools.wraps(command)
    def with_form(*args: Any, as_json_: bool, as_csv_: bool, **kwargs: Any) -> Any:
        if as_json_ and as_csv_:
            raise click.UsageError("--json and --csv exclude each other.")
        form: Format = "json" if as_json_ else "csv" if as_csv_ else "text"
        return command(*args, form=form, **kwargs)

    return with_form


def show(table: Table, form: Format) -> None:
    """Print a table to stdout."""
    if form == "json":
        click.echo(as_json(table))
    elif form == "csv":
        click.echo(as_csv(table), nl=False)
        for note in table.notes:
            click.echo(note, err=True)
    else:
        click.echo(as_text(table, shutil.get_terminal_size().columns))


def as_json(table: Table) -> str:
    """The table as one object; what is not known is null."""
    rows = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
    document = {
        "schema": TABLE_SCHEMA,
        "title": table.title,
        "columns": list(table.columns),
        "rows": rows,
        "notes": list(table.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)


def as_csv(table: Table) -> str:
    """Headings and rows (RFC 4180 but for the line ends); what is not known is empty."""
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(table.rows)
    return held.getvalue()


def as_text(table: Table, width: int) -> str:
    """The table for reading, no wider than `width` signs where the words allow it.

    Columns are narrowed by breaking lines between words. Where even that is too wide, each
    row becomes a block of its own.
    """
    parts = [table.title, ""]
    if table.rows:
        cells = [[_shown(cell) for cell in row] for row in table.rows]
        widths = _widths(table.columns, cells, width)
        parts += _grid(table, cells, widths) if widths else _blocks(table.columns, cells, width)
    else:
        parts.append("No rows.")
    for note in table.notes:
        parts += ["", textwrap.fill(note, width)]
    return "\n".join(parts)


def _shown(cell: str | float | int | None) -> str:
    if cell is None:
        return _UNKNOWN
    return f"{cell:.4g}" if isinstance(cell, float) else str(cell)


def _widths(headings: Sequence[str], cells: Sequence[Sequence[str]], width: int) -> list[int]:
    """Width of each column; empty where the columns do not fit side by side."""
    columns = list(zip(headings, *cells, strict=True))
    widths = [max(map(len, column)) for column in columns]
    least = [
        max(len(word) for text in column for word in [*text.split(), ""]) for column in columns
    ]
    least[0] = max(least[0], min(widths[0], _FIRST))
    room = width - len(_GAP) * (len(columns) - 1)
    if sum(least) > room:
        return []
    while sum(widths) > room:
        loose = [i for i in range(len(widths)) if widths[i] > least[i]]
        # The first column gives way last.
        widest = max(loose, key=lambda i: (i != 0, widths[i]))
        widths[widest] -= 1
    return widths


def _grid(table: Table, cells: Sequence[Sequence[str]], widths: Sequence[int]) -> list[str]:
    to_right = [
        all(cell is None or isinstance(cell, int | float) for cell in column)
        for column in zip(*table.rows, strict=True)
    ]
    rule = _GAP.join("-" * width for width in widths)
    lines = [*_row(table.columns, widths, to_right, at_foot=True), rule]
    for row in cells:
        lines += _row(row, widths, to_right, at_foot=False)
    return lines


def _row(
    texts: Sequence[str], widths: Sequence[int], to_right: Sequence[bool], *, at_foot: bool
) -> list[str]:
    wrapped = [
        textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) or [""]
        for text, width in zip(texts, widths, strict=True)
    ]
    height = max(map(len, wrapped))
    padded = [
        [""] * (height - len(lines)) + lines if at_foot else lines + [""] * (height - len(lines))
        for lines in wrapped
    ]
    return [
        _GAP.join(
            text.rjust(width) if right else text.ljust(width)
            for text, width, right in zip(line, widths, to_right, strict=True)
        ).rstrip()
        for line in zip(*padded, strict=True)
    ]


def _blocks(headings: Sequence[str], cells: Sequence[Sequence[str]], width: int) -> list[str]:
    lines: list[str] = []
    for row in cells:
        lines += ["", row[0]] if lines else [row[0]]
        for heading, text in zip(headings[1:], row[1:], strict=True):
            lines.append(
                textwrap.fill(
                    f"{heading}: {text}", width, initial_indent="  ", subsequent_indent="    "
                )
            )
    return lines
