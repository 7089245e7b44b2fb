"""Dates written in more than one way in one sheet: no format to declare would be right."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from riskcast.animals.dates import DateFormat, formats_like
from riskcast.animals.problem import Problem, row_list

__all__ = ["mixed_formats"]


def mixed_formats(texts: Sequence[tuple[int, str]], declared: DateFormat) -> Problem | None:
    """The problem of dates that are not as declared, where no one format reads them all.

    Parameters
    ----------
    texts : row number and text of each date that is text
    declared : the format of the site file

    Returns
    -------
    None where some one format reads every date that can be read at all: then that format is
    the way out, and the dates say so themselves.
    """
    ways = [(number, text, _ways(text, declared)) for number, text in texts]
    told = [(number, text, forms) for number, text, forms in ways if forms]
    if not told or set.intersection(*(set(forms) for _, _, forms in told)):
        return None
    rows: defaultdict[str, list[int]] = defaultdict(list)
    for number, text, forms in told:
        as_declared = declared.parse(text) is not None
        rows[declared.text if as_declared else " or ".join(forms.values())].append(number)
    found = "; ".join(f"{form} in {row_list(numbers)}" for form, numbers in rows.items())
    return Problem(
        "date_mixed_formats",
        f"this file writes dates in more than one way: {found}.",
        "Write all of them in one way, and set weights.date_format to that.",
    )


def _ways(text: str, declared: DateFormat) -> dict[str, str]:
    """Formats that read a text, by what they match: two spellings of one format are one."""
    other = declared.other()
    asked = [declared, *formats_like(text)]
    # No country writes year, day, month.
    if other is not None and not declared.year_first:
        asked.append(other)
    return {form.pattern.pattern: form.text for form in reversed(asked) if form.parse(text)}
