"""Runs and messages: what is recorded, claimed, marked and read back.

The life of a message::

    queued ──claim──> sending ──mark──> sent
      failed ──claim──^      ├────────> failed    (tried again by a later run)
                             ├────────> refused   (not tried again)
                             └─ crash:  stays in sending, fate unknown; never sent again by itself

No row is ever deleted: the archive keeps every run and every Message-ID.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from riskcast.archive.database import prepare, reading, writing
from riskcast.archive.times import spelled
from riskcast.base.errors import RiskcastError

__all__ = ["STATES", "Archive", "MessageRecord", "State", "StoredMessage"]

State = Literal["queued", "sending", "sent", "failed", "refused"]
STATES: tuple[State, ...] = get_args(State)

# A note is one line for a person; a server that answers with a page is cut off here.
_NOTE_LENGTH = 500

_COLUMNS = (
    "message_id, recipient, role, eml, site_id, issued_at, state, tries, claimed_at, next_try, "
    "last_error, sent_at"
)


@dataclass(frozen=True)
class StoredMessage:
    """A message as it will be sent: its id (with angle brackets), to whom, and all its bytes."""

    message_id: str
    recipient: str
    role: str
    eml: bytes


@dataclass(frozen=True)
class MessageRecord(StoredMessage):
    """A message with what became of it. Times are ISO 8601 in UTC; None = has not happened."""

    site_id: str
    issued_at: str
    state: State
    tries: int
    claimed_at: str | None
    next_try: str | None
    last_error: str | None
    sent_at: str | None


class Archive:
    """One folder with one database of runs and messages.

    Parameters
    ----------
    folder
        Made with mode 0700 if missing; the database in it with mode 0600.

    Raises
    ------
    InputMissingError, DeliveryError
        As `riskcast.archive.database.prepare`. Every method raises the same two when the
        database cannot be read or written (locked, full, read-only, damaged).
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._path = prepare(folder)

    def __repr__(self) -> str:
        return f"Archive({str(self.folder)!r})"

    def record(
        self,
        site_id: str,
        issued_at: str,
        key: str,
        *,
        run: str,
        messages: Sequence[StoredMessage] = (),
    ) -> bool:
        """Keep a run and its queued messages, in one transaction.

        The same run again (same site, moment and key) changes nothing. A message whose id is
        already known keeps its bytes and its state, so that what was sent stays what is kept.

        Parameters
        ----------
        issued_at
            ISO 8601; without a zone, UTC.
        key
            Hash of everything the run was computed from.
        run
            The document to keep, as text.

        Returns
        -------
        True if the run is new.
        """
        moment = spelled(issued_at)
        with writing(self._path) as database:
            identity = (site_id, moment, key)
            added = database.execute(
                "INSERT INTO runs (site_id, issued_at, key, document) VALUES (?, ?, ?, ?) "
                "ON CONFLICT (site_id, issued_at, key) DO NOTHING",
                (*identity, run),
            ).rowcount
            (run_id,) = database.execute(
                "SELECT run_id FROM runs WHERE site_id = ? AND issued_at = ? AND key = ?", identity
            ).fetchone()
            database.executemany(
                "INSERT INTO messages "
                "(message_id, run_id, site_id, recipient, role, issued_at, eml, state) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, 'queued') ON CONFLICT (message_id) DO NOTHING",
                [
                    (m.message_id, run_id, site_id, m.recipient, m.role, moment, m.eml)
                    for m in messages
                ],
            )
        return added == 1

    def previous_run(self, site_id: str, before: str) -> str | None:
        """The newest run of the site issued strictly before a moment; later ones are not read.

        Of several runs issued at one moment (a corrected sheet), the one recorded last.
        """
        with reading(self._path) as database:
            row = database.execute(
                "SELECT document FROM runs WHERE site_id = ? AND issued_at < ? "
                "ORDER BY issued_at DESC, run_id DESC LIMIT 1",
                (site_id, spelled(before)),
            ).fetchone()
        return None if row is None else str(row[0])

    def message(self, message_id: str) -> MessageRecord | None:
        """Everything kept about one message, or None if it was never recorded."""
        with reading(self._path) as database:
            row = database.execute(
                f"SELECT {_COLUMNS} FROM messages WHERE message_id = ?", (message_id,)
            ).fetchone()
        return None if row is None else MessageRecord(*row)

    def messages(self, site_id: str, state: State | None = None) -> tuple[MessageRecord, ...]:
        """The messages of a site, oldest first; of one state only if given."""
        with reading(self._path) as database:
            rows = database.execute(
                f"SELECT {_COLUMNS} FROM messages WHERE site_id = ? AND (? IS NULL OR state = ?) "
                "ORDER BY issued_at, rowid",
                (site_id, state, state),
            ).fetchall()
        return tuple(MessageRecord(*row) for row in rows)

    def message_state(self, message_id: str) -> State | None:
        """The state of one message, or None if it was never recorded."""
        found = self.message(message_id)
        return None if found is None else found.state

    def claim(self, message_id: str, *, at: str | None = None) -> bool:
        """Take a queued or failed message for sending: True for exactly one of all who ask.

        False if it is sent, refused, or in `sending`: there another run is at work, or one was
        cut off and nobody knows whether the message went out.
        """
        with writing(self._path) as database:
            taken = database.execute(
                "UPDATE messages SET state = 'sending', tries = tries + 1, claimed_at = ?, "
                "next_try = NULL WHERE message_id = ? AND state IN ('queued', 'failed')",
                (None if at is None else spelled(at), message_id),
            ).rowcount
            if not taken:
                _require_known(database, message_id)
        return taken == 1

    def mark(
        self, message_id: str, state: State, note: str, at: str, *, next_try: str | None = None
    ) -> None:
        """Say what became of a claimed message.

        Parameters
        ----------
        state
            sent, failed (to be tried again) or refused (not to be); ``sending`` keeps it
            claimed and only adds the note: handed over, but the answer never came.
        note
            One line for a person, without secrets; empty for none.

        Raises
        ------
        RiskcastError
            The message is unknown, or was not claimed: what is sent stays sent.
        """
        if state not in STATES or state == "queued":
            raise RiskcastError(f"a claimed message cannot be marked {state!r}")
        line = " ".join(note.split())[:_NOTE_LENGTH] or None
        with writing(self._path) as database:
            marked = database.execute(
                "UPDATE messages SET state = ?, last_error = ?, next_try = ?, sent_at = ? "
                "WHERE message_id = ? AND state = 'sending'",
                (
                    state,
                    line,
                    None if next_try is None else spelled(next_try),
                    spelled(at) if state == "sent" else None,
                    message_id,
                ),
            ).rowcount
            if not marked:
                found = _require_known(database, message_id)
                raise RiskcastError(
                    f"message {message_id} is {found}: only a claimed one can be marked {state}"
                )


def _require_known(database: sqlite3.Connection, message_id: str) -> str:
    row = database.execute(
        "SELECT state FROM messages WHERE message_id = ?", (message_id,)
    ).fetchone()
    if row is None:
        raise RiskcastError(
            f"message {message_id} is not in the archive: record it before it is sent"
        )
    return str(row[0])
