"""Tables as text, of whatever make: lines, cells, stamps in UTC, numbers.

The decoders of single formats know names and units; what all of them need stands here.
"""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from riskcast.weather.dataset import Times, Values
from riskcast.weather.table import Table

__all__ = [
    "SHOWN",
    "cell_at",
    "delimiter_of",
    "fine",
    "lines_of",
    "moment_of",
    "numbers",
    "readable_text",
    "states_zone",
    "unbracketed",
    "utc",
]

SHOWN = 40  # signs of a cell that a fault shows
_UNIX = re.compile(r"^-?\d{9,11}(\.0*)?$")
_ZONED = re.compile(r"(Z|[+-]\d\d:?\d\d)$")


def lines_of(data: bytes) -> list[str]:
    """Lines, byte for byte: only headings need an encoding, and a later row cannot spoil it."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        data = data.decode("utf-16", errors="replace").encode("utf-8")
    text = data.removeprefix(b"\xef\xbb\xbf").decode("latin-1")
    # Spreadsheets save "CSV (Macintosh)" with carriage returns alone.
    return text.split("\n" if "\n" in text else "\r")


def readable_text(line: str) -> str:
    """A line of `lines_of` in its own encoding: UTF-8, else that of western spreadsheets."""
    raw = line.encode("latin-1")
    try:
        return raw.decode("utf-8").strip("\r")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace").strip("\r")


def delimiter_of(line: str) -> str:
    """Comma, semicolon or tab: the one that stands most often in a line."""
    return max(",;\t", key=line.count)


def cell_at(line: str, delimiter: str, column: int) -> str:
    """One cell of a row, without quotes; "" where the row is too short."""
    parts = line.split(delimiter, column + 1)
    return parts[column].strip(" '\"\r") if len(parts) > column else ""


def unbracketed(heading: str) -> tuple[str, str | None]:
    """``temperature_2m (°C)`` as its name and its units."""
    match = re.match(r"^(.*?)\s*(?:[(\[]([^)\]]*)[)\]])?$", heading.strip())
    return (match[1].strip(), match[2]) if match else (heading, None)


def states_zone(text: str) -> bool:
    """Whether a stamp says its zone itself, or is Unix time."""
    iso = text[:4].isdigit() and ":" in text
    return bool(_UNIX.match(text) or (iso and _ZONED.search(text)))


def utc(stamps: Sequence[str], offset_s: float) -> Times:
    """(row,) datetime64[us] UTC, NaT where a stamp is not ISO 8601 or Unix seconds.

    Microseconds, because nanoseconds end in 2262 and turn the year 9999 into 1816.

    Parameters
    ----------
    offset_s : what the clock is ahead of UTC; a zone in the stamp itself counts more
    """
    first = stamps[0] if stamps else ""
    if _UNIX.match(first):
        seconds = pd.to_numeric(pd.Series(stamps), errors="coerce")
        index = pd.DatetimeIndex(pd.to_datetime(seconds, unit="s", errors="coerce"))
        offset_s = 0.0  # Unix time is UTC by definition, whatever the first block says
    else:
        index = pd.DatetimeIndex(
            pd.to_datetime(pd.Index(stamps), format="ISO8601", utc=True, errors="coerce")
        ).tz_localize(None)
        if _ZONED.search(first):
            offset_s = 0.0
    shifted = index - pd.Timedelta(seconds=offset_s)
    return np.asarray(shifted.to_numpy(), dtype="datetime64[us]")


def moment_of(text: str) -> np.datetime64:
    """A moment written as in ISO 8601, with its zone or in UTC.

    Raises
    ------
    ValueError
        It is written otherwise.
    """
    moment = dt.datetime.fromisoformat(text.strip())
    if moment.tzinfo is not None:
        moment = moment.astimezone(dt.UTC).replace(tzinfo=None)
    return np.datetime64(moment, "ns")


def fine(times: Times) -> Times:
    """(row,) datetime64[ns], NaT beyond what nanoseconds can say."""
    bounds = np.array(["1700-01-01", "2262-01-01"], dtype="datetime64[us]")
    inside = (times >= bounds[0]) & (times < bounds[1])
    return np.where(inside, times, np.datetime64("NaT")).astype("datetime64[ns]")


def numbers(
    rows: Sequence[str],
    delimiter: str,
    width: int,
    headings: dict[int, str],
    table: Table,
    missing: Sequence[str] = (),
) -> Values | None:
    """(row, column) float64, NaN where a cell is empty; None where rows cannot be parsed.

    Parameters
    ----------
    width : cells of the heading row; a row with another number of them is a fault
    headings : position → heading of the columns wanted; the result has their order
    table : gets the faults, one a column
    missing : texts that stand for no value, besides the empty cell and "NaN"
    """
    if not headings:
        return None
    counts = np.fromiter((row.count(delimiter) for row in rows), dtype=np.int64, count=len(rows))
    ragged = np.flatnonzero(counts != width - 1)
    if len(ragged):
        first = ragged[0]
        problem = f"{len(ragged)} of {len(rows)} rows do not have the {width} cells of the heading"
        problem += f" (this one has {counts[first] + 1})."
        shown = rows[first].strip()[:SHOWN]
        table.fault(table.place_of(first), problem, shown, "Download the file again.")
        return None
    decimal = "," if delimiter != "," and any("," in row for row in rows) else "."
    options: dict[str, Any] = {
        "sep": delimiter,
        "decimal": decimal,
        "header": None,
        "skipinitialspace": True,
        "usecols": sorted(headings),
        "na_values": list(missing),
        "engine": "c",
    }
    text = "\n".join(rows)
    order = [sorted(headings).index(position) for position in headings]
    try:
        frame = pd.read_csv(io.StringIO(text), dtype=np.float64, **options)
    except ValueError:
        words = pd.read_csv(io.StringIO(text), dtype=str, **options)
        _name_words(words, decimal, [headings[i] for i in sorted(headings)], table)
        return None
    return np.asarray(frame.to_numpy(dtype=np.float64)[:, order])


def _name_words(frame: pd.DataFrame, decimal: str, headings: list[str], table: Table) -> None:
    """One fault a column that holds text where numbers belong."""
    for i, heading in enumerate(headings):
        cells = frame.iloc[:, i]
        plain = cells.str.strip().str.replace(decimal, ".", regex=False)
        bad: npt.NDArray[np.bool_] = np.asarray(
            cells.notna() & pd.to_numeric(plain, errors="coerce").isna()
        )
        words = np.flatnonzero(bad)
        if len(words):
            where = f"{table.place_of(words[0])}, {heading}"
            count = (
                "1 cell is no number" if len(words) == 1 else f"{len(words)} cells are no numbers"
            )
            shown = str(cells.iloc[words[0]]).strip()[:SHOWN]
            table.fault(where, f"{count}.", shown, "Leave a missing value empty.")
