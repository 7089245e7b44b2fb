"""On which line of a TOML text does a key stand? The standard parser does not tell."""

from __future__ import annotations

import re
from collections.abc import Mapping

__all__ = ["line_of", "lines_of_keys"]

Key = tuple[str | int, ...]

_PART = r"""(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")


def lines_of_keys(text: str) -> dict[Key, int]:
    """Path of each section and key to its line, counted from 1.

    The sections of an array, ``[[recipients]]``, are numbered from 0, as in the parsed file.
    Keys inside braces are not found: the line of what holds them is near enough.
    """
    lines: dict[Key, int] = {}
    counts: dict[Key, int] = {}
    section: Key = ()
    for number, row in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(row)
        if header:
            section = _parts(header.group(2))
            if header.group(1) == "[[":
                counts[section] = counts.get(section, -1) + 1
                section = (*section, counts[section])
            lines.setdefault(section, number)
            continue
        key = _KEY.match(row)
        if key:
            lines.setdefault((*section, *_parts(key.group(1))), number)
    return lines


def line_of(path: Key, lines: Mapping[Key, int]) -> int:
    """Line of a key, or of the innermost thing around it that has one; 0 if nothing has."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return 0


def _parts(dotted: str) -> Key:
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))
