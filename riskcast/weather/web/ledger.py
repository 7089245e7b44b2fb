"""Calls spent at a service, so that its terms are kept before it has to say so.

Open-Meteo's free access allows 600 calls a minute, 5,000 an hour and 10,000 a day, where a
long or wide question counts as several (its page "Pricing", and its server's code). Runs of
one account share the count through a file. A minute and an hour are the last 60 s and 3600 s
here, which is never more than a service that counts by the clock would allow; a day is the
day of UTC.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from riskcast.weather.web.files import begun_anew, connect, in_words, set_aside

__all__ = ["HOUR_CALLS", "MINUTE_CALLS", "Full", "Ledger", "Ticket"]

# Open-Meteo's terms for access without a key.
MINUTE_CALLS = 600
HOUR_CALLS = 5_000

_MINUTE_S = 60.0
_HOUR_S = 3_600.0
_DAY_S = 86_400.0
# Enough that a row just outside a window is outside it after rounding, too.
_MOMENT_S = 0.01
# Float sums of weights such as 0.1 may end a hair above a limit they meet exactly.
_HAIR = 1e-6

_TABLES = (
    "CREATE TABLE IF NOT EXISTS spent (service TEXT NOT NULL, at REAL NOT NULL, "
    "calls REAL NOT NULL)",
    "CREATE INDEX IF NOT EXISTS spent_at ON spent (service, at)",
    "CREATE TABLE IF NOT EXISTS closed (service TEXT PRIMARY KEY, until REAL NOT NULL, "
    "today INTEGER NOT NULL)",
)
_STRIKE = "DELETE FROM spent WHERE rowid = ?"
_CLOSE = "INSERT OR REPLACE INTO closed VALUES (?, ?, ?)"

T = TypeVar("T")


@dataclass(frozen=True)
class Ticket:
    """Calls that were put down before they were made."""

    row: int


@dataclass(frozen=True)
class Full:
    """No room for the calls now.

    window : "minute", "hour", "day", or "closed" when the service itself said so
    wait_s : until there may be room
    today : the allowance of the day is what is used up
    """

    window: str
    wait_s: float
    today: bool = False


class Ledger:
    """The count of calls, in ``calls.sqlite`` or, where that cannot be, in memory.

    Attributes
    ----------
    problem : why the file could not be used; empty while all is well
    """

    def __init__(self, path: Path) -> None:
        self.problem = ""
        self._path = path
        self._memory: sqlite3.Connection | None = None
        self._whole(lambda _: None)

    def take(
        self, service: str, calls: float, now: float, calls_a_day: float | None = None
    ) -> Ticket | Full:
        """Put the calls down if they fit; they are spent from this moment on.

        `now` is in seconds since 1970 UTC. One question that alone is larger than the
        allowance of a minute or an hour passes when nothing else was spent in it.
        """

        def put_down(database: sqlite3.Connection) -> Ticket | Full:
            full = _full(database, service, calls, now, calls_a_day)
            if full is not None:
                return full
            if calls <= 0:
                return Ticket(0)
            # Rows of days ago, or of a clock that ran ahead, count for nothing.
            database.execute(
                "DELETE FROM spent WHERE at < ? OR at > ?", (now - 2 * _DAY_S, now + 2 * _DAY_S)
            )
            row = database.execute("INSERT INTO spent VALUES (?, ?, ?)", (service, now, calls))
            return Ticket(int(row.lastrowid or 0))

        return self._whole(put_down)

    def give_back(self, ticket: Ticket) -> None:
        """Strike calls that never left this computer."""
        self._whole(lambda database: database.execute(_STRIKE, (ticket.row,)))

    def close_until(self, service: str, until: float, *, today: bool) -> None:
        """Ask no more before that moment: the service said so itself."""
        row = (service, until, int(today))
        self._whole(lambda database: database.execute(_CLOSE, row))

    def spent_today(self, service: str, now: float) -> float:
        """Calls put down on this day of UTC."""
        return self._whole(lambda database: _spent(database, service, *_today(now)))

    def close(self) -> None:
        """Let go of the count in memory, where there is one."""
        if self._memory is not None:
            self._memory.close()
            self._memory = None

    def _whole(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Do the work in one transaction that no other run can come between."""
        for _ in range(2):
            if self._memory is not None:
                break
            try:
                return self._in_file(work)
            except (sqlite3.Error, OSError) as error:
                self._mend(error)
        else:
            self._count_in_memory()
        assert self._memory is not None
        return work(self._memory)

    def _in_file(self, work: Callable[[sqlite3.Connection], T]) -> T:
        with connect(self._path) as database:
            database.execute("BEGIN IMMEDIATE")
            self._fill(database)
            result = work(database)
            database.execute("COMMIT")
        return result

    def _mend(self, error: Exception) -> None:
        """Begin a damaged file anew; count in memory where there is another obstacle."""
        self.problem = in_words(error, self._path)
        try:
            if set_aside(self._path, error):
                self.problem = begun_anew(self._path)
                return
        except OSError:
            pass
        self._count_in_memory()

    def _count_in_memory(self) -> None:
        """From what the file still tells."""
        memory = sqlite3.connect(":memory:", isolation_level=None)
        self._fill(memory)
        with contextlib.suppress(sqlite3.Error, OSError), connect(self._path) as database:
            for table in ("spent", "closed"):
                rows = database.execute(f"SELECT * FROM {table}").fetchall()
                memory.executemany(f"INSERT INTO {table} VALUES (?, ?, ?)", rows)
        self._memory = memory

    @staticmethod
    def _fill(database: sqlite3.Connection) -> None:
        for statement in _TABLES:
            database.execute(statement)


def _full(
    database: sqlite3.Connection,
    service: str,
    calls: float,
    now: float,
    calls_a_day: float | None,
) -> Full | None:
    """What stands against these calls now, if anything."""
    closed = database.execute(
        "SELECT until, today FROM closed WHERE service = ?", (service,)
    ).fetchone()
    # An "until" of more than a day ahead was written under a clock that has been set since.
    if closed and now < closed[0] <= now + _DAY_S:
        return Full("closed", closed[0] - now, bool(closed[1]))
    if calls <= 0:
        return None
    if calls_a_day is not None:
        spent = _spent(database, service, *_today(now))
        if spent + calls > calls_a_day + _HAIR:
            return Full("day", _DAY_S - now % _DAY_S, True)
    for window, length, limit in (
        ("hour", _HOUR_S, HOUR_CALLS),
        ("minute", _MINUTE_S, MINUTE_CALLS),
    ):
        spent = _spent(database, service, now - length, now + _MINUTE_S)
        if spent > 0 and spent + calls > limit + _HAIR:
            return Full(window, _room_in(database, service, calls, now, length, limit))
    return None


def _room_in(
    database: sqlite3.Connection,
    service: str,
    calls: float,
    now: float,
    length: float,
    limit: float,
) -> float:
    """Seconds until enough of the window's calls are too old to count."""
    rows = database.execute(
        "SELECT at, calls FROM spent WHERE service = ? AND at > ? AND at <= ? ORDER BY at",
        (service, now - length, now + _MINUTE_S),
    ).fetchall()
    spent = sum(row[1] for row in rows)
    for at, weight in rows:
        spent -= weight
        if spent <= _HAIR or spent + calls <= limit + _HAIR:
            return float(at + length - now + _MOMENT_S)
    return length


def _today(now: float) -> tuple[float, float]:
    """From midnight UTC, itself included, to a moment ahead for clocks not quite in step."""
    return now - now % _DAY_S - _MOMENT_S, now + _MINUTE_S


def _spent(database: sqlite3.Connection, service: str, after: float, until: float) -> float:
    row = database.execute(
        "SELECT coalesce(sum(calls), 0.0) FROM spent WHERE service = ? AND at > ? AND at <= ?",
        (service, after, until),
    ).fetchone()
    return float(row[0])
