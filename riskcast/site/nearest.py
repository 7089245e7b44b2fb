"""Which known word was probably meant?"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["nearest"]


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word closest to what was typed, "" if none is close.

    Case, blanks, dashes and underscores do not count, and "saturday" means "sat".
    """
    plain = {_plain(name): name for name in known}
    typed = _plain(word)
    close = difflib.get_close_matches(typed, plain, n=1, cutoff=0.7)
    if close:
        return plain[close[0]]
    longer = [name for key, name in plain.items() if typed and key and _begins(typed, key)]
    return longer[0] if len(longer) == 1 else ""


def _plain(word: str) -> str:
    return "".join(sign for sign in word.casefold() if sign.isalnum() or sign in "./")


def _begins(one: str, other: str) -> bool:
    # Two letters begin too many words to be a hint.
    return min(len(one), len(other)) > 2 and (one.startswith(other) or other.startswith(one))
