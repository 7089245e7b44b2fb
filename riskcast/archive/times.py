"""Moments as text: one spelling, so that text order is time order."""

from __future__ import annotations

import datetime as dt

__all__ = ["instant", "spelled"]


def instant(text: str) -> dt.datetime:
    """An ISO 8601 moment as an aware datetime; without a zone it is UTC, as everywhere here.

    Raises
    ------
    ValueError
        The text is no ISO 8601 moment.
    """
    moment = dt.datetime.fromisoformat(text)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=dt.UTC)


def spelled(text: str) -> str:
    """The same moment in UTC and of fixed width: ``2025-10-27T23:59:59.000000+00:00``."""
    return instant(text).astimezone(dt.UTC).isoformat(timespec="microseconds")
