"""What is wrong with a cell or a row, before it is known how many rows share it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Problem", "row_list"]

_LISTED_ROWS = 4


@dataclass(frozen=True)
class Problem:
    """A fault without its place. Problems of one `kind` may be reported together."""

    kind: str
    text: str
    remedy: str = ""


def row_list(numbers: Iterable[int]) -> str:
    """Rows for a person: "row 2", "rows 2, 5", "rows 2 to 13 (12 rows)"."""
    listed = list(numbers)
    if len(listed) == 1:
        return f"row {listed[0]}"
    if len(listed) <= _LISTED_ROWS:
        return "rows " + ", ".join(map(str, listed))
    return f"rows {listed[0]} to {listed[-1]} ({len(listed)} rows)"
