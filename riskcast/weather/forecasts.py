"""Which forecast was the newest that was known: chosen by reference time, never by looking on."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError
from riskcast.weather.dataset import Course, Note, hours, stamp
from riskcast.weather.files import expand, load
from riskcast.weather.formats.by_content import reference_time
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.table import refuse

if TYPE_CHECKING:
    from riskcast.site import Place, TableLayout

__all__ = ["Forecast", "date_in_name", "newest"]

_DATE = re.compile(
    r"(?<!\d)((?:19|20)\d\d)-?(0[1-9]|1[0-2])-?(0[1-9]|[12]\d|3[01])"
    r"(?:[T_ -]?([01]\d|2[0-3])[:h-]?([0-5]\d)?(?:[:-]?[0-5]\d)?Z?)?(?!\d)"
)
_LISTED = 6


@dataclass(frozen=True)
class Forecast:
    """A forecast and when it was made.

    Attributes
    ----------
    course : its members, from before or just after issue on
    before : the same provider's best knowledge of the days up to issue, one member, where it
        comes apart from the members; None = the forecast's own first hours
    pairs : past errors of this source; None = none known
    """

    course: Course
    reference_time: np.datetime64
    notes: tuple[Note, ...] = ()
    before: Course | None = None
    pairs: Pairs | None = None


def date_in_name(name: str) -> np.datetime64 | None:
    """Reference time in a file's name: ``…2025-10-27….csv``, ``…20251027T0600….nc`` (UTC).

    A date without an hour is 00:00 of that day. None where the name has no date.
    """
    match = _DATE.search(name)
    if match is None:
        return None
    year, month, day, hour, minute = match.groups()
    text = f"{year}-{month}-{day}T{hour or '00'}:{minute or '00'}"
    try:
        return np.datetime64(text, "ns")
    except ValueError:  # 31 February
        return None


def newest(
    paths: str,
    place: Place,
    issued_at: np.datetime64,
    table: TableLayout | None = None,
) -> Forecast:
    """Newest forecast made not later than `issued_at` that reaches beyond it.

    A file whose name carries a later date is not opened. A damaged file among others is
    passed over, and told if its name says that it would have been the newest.

    Parameters
    ----------
    paths : file, folder or glob
    table : how to read text tables that do not say it themselves, ``[weather.table]``

    Raises
    ------
    InputMissingError
        No such file.
    WeatherError
        No forecast was made by then, or the newest one cannot be used.
    """
    files = expand(paths)
    dated: list[tuple[np.datetime64, Path]] = []
    later: list[str] = []
    damaged: list[tuple[Path, WeatherError]] = []
    for path in files:
        named = date_in_name(path.name)
        if named is not None and named > issued_at:
            later.append(f"{path.name} ({stamp(named)})")
            continue
        try:
            made = _reference_time(path, named)
        except WeatherError as error:
            damaged.append((path, error))
            continue
        if made > issued_at:
            later.append(f"{path.name} ({stamp(made)})")
        else:
            dated.append((made, path))
    if not dated:
        raise _none_usable(damaged, later, issued_at)
    made, path = max(dated, key=lambda item: (item[0], item[1].name))
    notes = []
    for other, _ in damaged:
        named = date_in_name(other.name)
        if named is not None and named > made:
            notes.append(Note("forecast_unreadable", {"file": other.name}))
    course = load([path], place, None, table)
    if course.start + course.size - 1 <= int(hours([issued_at])[0]):
        raise refuse(
            path.name,
            "",
            f"the newest forecast (made {stamp(made)}) ends at {stamp(course.times[-1])}, before"
            f" {stamp(issued_at)}.",
            remedy="Download today's forecast.",
        )
    return Forecast(course, made, tuple(notes))


def _reference_time(path: Path, named: np.datetime64 | None) -> np.datetime64:
    """What the file says, else what its name says."""
    stated = reference_time(path, path.name)
    made = stated if stated is not None else named
    if made is None:
        raise refuse(
            path.name,
            "",
            "nothing says when this forecast was made.",
            remedy="Put the date into its name, such as forecast_2025-10-27.csv or"
            " forecast_20251027T0600.csv (UTC).",
        )
    return made


def _none_usable(
    damaged: list[tuple[Path, WeatherError]], later: list[str], issued_at: np.datetime64
) -> WeatherError:
    faults = [fault for _, error in damaged for fault in error.faults]
    if not later:
        return WeatherError(f"no forecast made by {stamp(issued_at)} can be used.", faults)
    shown = ", ".join(sorted(later)[:_LISTED])
    more = f" and {len(later) - _LISTED} more" if len(later) > _LISTED else ""
    return WeatherError(
        f"no forecast made by {stamp(issued_at)}: found {shown}{more}, made later."
        " Give weather.forecast a file made by then, or a later --as-of.",
        faults,
    )
