"""What is wrong with a cell or a row, before it is known how many rows share it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Problem"]


@dataclass(frozen=True)
class Problem:
    """A fault without its place. Problems of one `kind` may be reported together."""

    kind: str
    text: str
    remedy: str = ""
