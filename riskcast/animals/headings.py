"""Which column is which: our names, our blank sheet, Darwin Core, and the keeper's own map.

Headings are compared without regard to capitals, spaces and underscores.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

from riskcast.animals.sheet import HEADINGS
from riskcast.base.errors import Fault
from riskcast.site.model import OurColumn

__all__ = [
    "NAMES",
    "Columns",
    "Header",
    "find_columns",
    "find_header",
    "missing_columns",
    "unmet_columns",
]

NAMES: tuple[str, ...] = get_args(OurColumn)
"""The names used inside riskcast, in the order of the columns of `Records.rows`."""

# Darwin Core terms (TDWG, dwc.tdwg.org/terms). individualID was replaced by organismID in
# 2014 and is still found in old exports. Darwin Core has no term for mass in a wide table,
# so that is taken as people write it, and so are other plain headings that can only mean one
# thing. "ID" may number the rows, "Animal" name the kind, "State" tell of the box: not taken.
_ALSO: dict[str, tuple[str, ...]] = {
    "event_date": ("eventDate", "Date of check"),
    "organism_id": ("organismID", "individualID", "Mark", "Animal ID", "Tag"),
    "box": ("locationID", "Box number", "Box no", "Box no.", "Box ID", "Nest box"),
    "life_stage": ("lifeStage", "Stage", "Age class"),
    "body_mass_g": (
        *("body mass (g)", "Body mass in g", "Body weight (g)", "Weight (g)", "Mass (g)"),
        *("Weight g", "Mass g", "Body mass", "Body weight", "Weight", "Mass"),
    ),
    "activity": ("Awake/torpid",),
    "reproductive_condition": ("reproductiveCondition",),
    "remarks": ("occurrenceRemarks", "organismRemarks", "Comments"),
}

# Titles, dates of issue and the like stand above the headings; nobody writes a page of them.
_SEARCHED_ROWS = 30


def _key(heading: str) -> str:
    text = unicodedata.normalize("NFKC", heading).casefold()
    return "".join(c for c in text if not c.isspace() and c not in "_\ufeff")


_KNOWN: dict[str, tuple[str, int]] = {
    _key(heading): (name, rank)
    for name in reversed(NAMES)
    for rank, heading in reversed(
        list(enumerate((name, HEADINGS[name], *_ALSO.get(name, ())))),
    )
}


@dataclass(frozen=True)
class Columns:
    """Where each of our names stands. Only remarks may be put together from several columns.

    `clashes` are names held by two equally good columns; `passed_over` pairs a heading that
    was recognised but not read with the heading read in its place.
    """

    places: Mapping[str, tuple[int, ...]]
    clashes: Mapping[str, tuple[str, ...]]
    passed_over: tuple[tuple[str, str], ...]
    mapped: frozenset[str]

    @property
    def missing(self) -> tuple[str, ...]:
        """What a weights table cannot do without and this one lacks."""
        lacking = [name for name in ("event_date", "body_mass_g") if name not in self.places]
        if "box" not in self.places and "organism_id" not in self.places:
            lacking.append("box or organism_id")
        return tuple(lacking)


@dataclass(frozen=True)
class Header:
    """A line taken for the headings: its position among the rows looked at, and its columns."""

    index: int
    columns: Columns

    @property
    def merit(self) -> tuple[bool, int]:
        """Sorts candidates: complete ones first, then those with more known headings."""
        return not self.columns.missing, len(self.columns.places)


def find_columns(headings: Sequence[str], column_map: Mapping[str, str]) -> Columns:
    """Match one line of headings with our names.

    Parameters
    ----------
    headings : the cells of the line, as text
    column_map : their heading -> our name; goes before everything recognised by itself
    """
    own = {_key(theirs): name for theirs, name in column_map.items()}
    found: dict[str, list[tuple[int, int]]] = {}
    mapped: set[str] = set()
    for place, heading in enumerate(headings):
        key = _key(heading)
        if not key:
            continue
        if key in own:
            found.setdefault(own[key], []).append((-1, place))
            mapped.add(key)
        elif key in _KNOWN:
            name, rank = _KNOWN[key]
            found.setdefault(name, []).append((rank, place))
    places: dict[str, tuple[int, ...]] = {}
    clashes: dict[str, tuple[str, ...]] = {}
    passed_over: list[tuple[str, str]] = []
    for name, candidates in found.items():
        if name == "remarks":
            places[name] = tuple(place for _, place in candidates)
            continue
        best = min(rank for rank, _ in candidates)
        chosen = [place for rank, place in candidates if rank == best]
        places[name] = (chosen[0],)
        if len(chosen) > 1:
            clashes[name] = tuple(headings[place] for place in chosen)
        passed_over += [
            (headings[place], headings[chosen[0]]) for rank, place in candidates if rank != best
        ]
    theirs = frozenset(heading for heading in column_map if _key(heading) in mapped)
    return Columns(places, clashes, tuple(passed_over), theirs)


def find_header(rows: Sequence[Sequence[str]], column_map: Mapping[str, str]) -> Header | None:
    """The first line near the top that holds all headings needed, else the one that knows most.

    None when there is no line with any text.
    """
    best: Header | None = None
    widest = -1
    for index, cells in enumerate(rows[:_SEARCHED_ROWS]):
        filled = sum(bool(cell) for cell in cells)
        if not filled:
            continue
        header = Header(index, find_columns(cells, column_map))
        if not header.columns.missing:
            return header
        # Without one known heading, the first of the widest lines is the likeliest.
        if (
            best is None
            or header.merit > best.merit
            or (not best.columns.places and not header.columns.places and filled > widest)
        ):
            best, widest = header, filled
    return best


def missing_columns(
    source: str, header_row: int, headings: Sequence[str], columns: Columns
) -> Fault:
    """The one fault that names all missing columns, the headings found, and the way out."""
    texts = [heading for heading in headings if heading]
    found = ", ".join(f'"{text}"' for text in texts) or "none"
    unknown = [text for text in texts if _key(text) not in _KNOWN and text not in columns.mapped]
    name = columns.missing[0].split()[0]
    example = unknown[0] if unknown else "your heading"
    return Fault(
        source=source,
        where=f"row {header_row}, headings",
        problem=f"no column for {' and '.join(columns.missing)}; found {found}.",
        remedy=(
            "Say in the site file under [weights.columns] which heading means what, "
            f'such as "{example}" = "{name}".'
        ),
    )


def unmet_columns(column_map: Mapping[str, str], tables: Sequence[Columns]) -> list[Fault]:
    """A fault for each heading of the keeper's map that no table has."""
    met = {theirs for columns in tables for theirs in columns.mapped}
    return [
        Fault(
            source="site file",
            where=f"[weights.columns] {theirs}",
            problem="no weights file has this heading.",
            remedy="Write it as it stands in the sheet, or take the line out.",
        )
        for theirs in column_map
        if tables and theirs not in met
    ]
