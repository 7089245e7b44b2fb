"""What did we weigh? The site's sheets as one table of checked rows.

Rows that cannot be used are set aside with their original cells and the reason; the others
are used. Nothing is corrected and nothing is lost.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskcast.animals.cells import UNITS
from riskcast.animals.crosscheck import find_bags, find_duplicates, spell_alike
from riskcast.animals.dates import DateFormat
from riskcast.animals.entry import Entry, Rules, entries_of
from riskcast.animals.faults import faults_of
from riskcast.animals.frames import COLUMNS, rejected_frame, rows_frame
from riskcast.animals.headings import NAMES, unmet_columns
from riskcast.animals.reading import Content, read_files
from riskcast.base.errors import ConfigError, Fault, NoUsableRecordsError
from riskcast.base.nights import local_date

if TYPE_CHECKING:
    from riskcast.site import Place, Weights

__all__ = ["COLUMNS", "FileCount", "Records", "read", "rejected_csv"]

_STAGES = ("adult", "juvenile", "nestling")


@dataclass(frozen=True)
class FileCount:
    """How many rows of one file were set aside and how many used."""

    file: str
    rows: int
    set_aside: int
    used: int

    def __str__(self) -> str:
        rows = "row" if self.rows == 1 else "rows"
        return f"{self.file}: {self.set_aside} of {self.rows} {rows} set aside, {self.used} used"


@dataclass(frozen=True, eq=False)
class Records:
    """The weights of a site, up to the date of issue.

    Attributes
    ----------
    rows : DataFrame
        One row a measurement, in the order of the sheets, with the columns `COLUMNS`:
        event_date (datetime64[ns], midnight), organism_id ("" for most), box ("" when only
        the mark is known), sex (female, male, unknown), life_stage (adult, juvenile,
        nestling, unknown), body_mass_g (g, the bag taken off), activity (active, torpid,
        unknown), reproductive_condition, remarks, weighed, source_file, source_row.

        Where `weighed` is False the row says only that the box was opened that day:
        it was found empty, or none of what stands there can be used. `body_mass_g` is NaN
        in these rows and in no others. They keep older animals of the box from being
        taken for current ones.
    faults : what is wrong, by file and row, with the remedy
    rejected : rows set aside: source_file, source_row, reason, then the original cells
    files : the files, as named in faults and rows
    assumptions : what was taken for granted in reading, each ``"code: file, words"``.
        Codes: column_not_read, day_number, decimal_comma, delimiter, header_row, latin_1,
        merged_filled, merged_not_filled, bag_subtracted, read_as_xlsx, utf_16,
        worksheet_not_read
    counts : the numbers of each file, in the order of `files`
    """

    rows: pd.DataFrame
    faults: tuple[Fault, ...]
    rejected: pd.DataFrame
    files: tuple[str, ...]
    assumptions: tuple[str, ...]
    counts: tuple[FileCount, ...]

    @property
    def n_rows(self) -> int:
        """Rows read."""
        return sum(count.rows for count in self.counts)

    @property
    def n_used(self) -> int:
        """Rows read and not set aside."""
        return sum(count.used for count in self.counts)

    @property
    def weighings(self) -> pd.DataFrame:
        """The rows that hold a weight."""
        return self.rows[self.rows["weighed"]]

    def summary(self) -> tuple[FileCount, ...]:
        """The numbers of each file; ``str`` of one is a line for people."""
        return self.counts

    def note(self) -> str:
        """What was set aside, in lines for a person; empty when all is well."""
        if not self.faults:
            return ""
        lines: list[str] = []
        counted = {count.file: str(count) for count in self.counts}
        by_source: dict[str, list[Fault]] = {}
        for fault in self.faults:
            by_source.setdefault(fault.source, []).append(fault)
        for source, faults in by_source.items():
            lines.append(counted.pop(_file_of(source), source))
            lines += [f"  {fault}" for fault in faults]
        return "\n".join(lines)


def read(
    config: Weights,
    place: Place,
    *,
    as_of: np.datetime64,
    live: bool,
    bounds: Mapping[str, tuple[float, float]],
) -> Records:
    """Read and check the weights named in a site file.

    Parameters
    ----------
    config : the section ``[weights]`` of the site file
    place : gives the time zone in which a day ends
    as_of : UTC; rows of later days are not read at all, whatever they hold
    live : the run is about now, so that a later day is a fault of the sheet
    bounds : life stage (adult, juvenile, nestling) -> lightest and heaviest plausible weight, g

    Returns
    -------
    Records
        Without rows if the site names no weights file.

    Raises
    ------
    ConfigError
        The declared unit, date format, bag or column map make no sense.
    InputMissingError
        Names all files that are not there or cannot be opened.
    NoUsableRecordsError
        Not one row can be used; carries all faults.
    ValueError
        `bounds` lacks a life stage.
    """
    rules = _rules(config, local_date(as_of, place.timezone), live=live, bounds=bounds)
    contents = read_files([Path(path) for path in config.files], config.columns)
    tables: list[tuple[Content, list[Entry]]] = []
    notes: list[str] = []
    for content in contents:
        notes += content.notes
        for table in content.tables:
            entries, assumed = entries_of(table, rules)
            notes += assumed
            tables.append((content, entries))
    everything = [entry for _, entries in tables for entry in entries]
    spell_alike(everything)
    find_bags(everything, bag_included=rules.bag_g is not None)
    find_duplicates(everything)
    faults = [fault for content in contents for fault in content.faults]
    tables_read = [table for content in contents for table in content.tables]
    faults += unmet_columns(config.columns, [table.columns for table in tables_read])
    for _, entries in tables:
        faults += faults_of(entries)
    used = [entry for entry in everything if entry.sound]
    if rules.bag_g is not None:
        weighed = sum(entry.body_mass_g is not None for entry in used)
        notes.append(f"bag_subtracted: {rules.bag_g:g} g, {weighed} weight{'s' * (weighed != 1)}")
    if config.files and not used:
        raise NoUsableRecordsError(_nothing(rules, everything, faults), faults)
    return Records(
        rows=rows_frame(everything),
        faults=tuple(faults),
        rejected=rejected_frame([entry for entry in everything if not entry.sound]),
        files=tuple(content.source for content in contents),
        assumptions=tuple(notes),
        counts=tuple(
            _count(c.source, [e for owner, es in tables for e in es if owner is c])
            for c in contents
        ),
    )


def _nothing(rules: Rules, entries: Sequence[Entry], faults: Sequence[Fault]) -> str:
    if entries or faults:
        return "The weights hold no row that can be used."
    return f"The weights hold no row up to {rules.last_day.isoformat()}."


def _count(source: str, entries: Sequence[Entry]) -> FileCount:
    used = sum(entry.sound for entry in entries)
    return FileCount(source, len(entries), len(entries) - used, used)


def _file_of(source: str) -> str:
    """The file of a source that names a worksheet with it."""
    return source.split(', worksheet "')[0]


def _rules(
    config: Weights,
    last_day: dt.date,
    *,
    live: bool,
    bounds: Mapping[str, tuple[float, float]],
) -> Rules:
    lacking = [stage for stage in _STAGES if stage not in bounds]
    if lacking:
        raise ValueError(f"bounds: no range for {', '.join(lacking)}")
    faults = []
    declared = None
    try:
        declared = DateFormat.of(config.date_format)
    except ValueError as error:
        faults.append(Fault("site file", "[weights] date_format", f"{error}."))
    if config.unit not in UNITS:
        faults.append(
            Fault(
                "site file",
                "[weights] unit",
                "no such unit.",
                config.unit,
                f"Choose one of {', '.join(UNITS)}.",
            )
        )
    if config.bag_included and config.bag_mass_g is None:
        faults.append(
            Fault(
                "site file",
                "[weights] bag_mass_g",
                "the weights include the bag, but its mass is not given.",
                remedy="Weigh the empty bag and set bag_mass_g, or set bag_included = false.",
            )
        )
    faults += [
        Fault(
            "site file",
            f"[weights.columns] {theirs}",
            "riskcast has no column of this name.",
            ours,
            f"Choose one of {', '.join(NAMES)}.",
        )
        for theirs, ours in config.columns.items()
        if ours not in NAMES
    ]
    if faults or declared is None:
        raise ConfigError("The weights cannot be read as declared.", faults)
    return Rules(
        declared=declared,
        unit=config.unit,
        bag_g=config.bag_mass_g if config.bag_included else None,
        bounds=dict(bounds),
        last_day=last_day,
        live=live,
    )


def rejected_csv(records: Records) -> str:
    """The rows set aside as the text of a CSV file, for the keeper to correct from.

    Original cells as they stood, before them file, row and reason. Writing the file is left
    to the caller.
    """
    return records.rejected.to_csv(index=False, lineterminator="\n")
