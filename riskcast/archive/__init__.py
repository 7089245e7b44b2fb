"""What did we know and say, and when? Runs and messages, kept as plain documents by key."""

from __future__ import annotations

from riskcast.archive.database import FILE_NAME
from riskcast.archive.forecasts import ForecastShelf
from riskcast.archive.store import STATES, Archive, MessageRecord, StoredMessage
from riskcast.archive.times import instant

__all__ = [
    "FILE_NAME",
    "STATES",
    "Archive",
    "ForecastShelf",
    "MessageRecord",
    "StoredMessage",
    "instant",
]
