"""The one SQLite file: how it is made, opened, locked, and what its errors mean to a keeper.

The rollback journal (SQLite's default) is used, not the write-ahead log: the state folder
may lie on a network share, where the log's shared memory does not work. Every connection
lives for one transaction, so nothing stays open between them and a crash leaves no lock.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from riskcast.base.errors import DeliveryError, InputMissingError, RiskcastError

__all__ = ["FILE_NAME", "SCHEMA_VERSION", "prepare", "reading", "writing"]

FILE_NAME = "riskcast.sqlite3"
SCHEMA_VERSION = 1

# A transaction here takes milliseconds: who waits longer than this waits for something stuck.
_BUSY_S = 15.0

_PRAGMAS: tuple[str, ...] = ("PRAGMA foreign_keys = ON",)

_SCHEMA = """
CREATE TABLE schema (version INTEGER NOT NULL);
CREATE TABLE runs (
    run_id      INTEGER PRIMARY KEY,
    site_id     TEXT NOT NULL,
    issued_at   TEXT NOT NULL,
    key         TEXT NOT NULL,
    document    TEXT NOT NULL,
    recorded_at TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')),
    UNIQUE (site_id, issued_at, key)
);
CREATE TABLE messages (
    message_id TEXT PRIMARY KEY,
    run_id     INTEGER NOT NULL REFERENCES runs (run_id),
    site_id    TEXT NOT NULL,
    recipient  TEXT NOT NULL,
    role       TEXT NOT NULL,
    issued_at  TEXT NOT NULL,
    eml        BLOB NOT NULL,
    state      TEXT NOT NULL CHECK (state IN ('queued', 'sending', 'sent', 'failed', 'refused')),
    tries      INTEGER NOT NULL DEFAULT 0,
    claimed_at TEXT,
    next_try   TEXT,
    last_error TEXT,
    sent_at    TEXT
);
CREATE INDEX messages_by_site ON messages (site_id, state);
"""


def prepare(folder: Path) -> Path:
    """Make the folder (0700) and the database (0600) where they are missing; check the schema.

    Returns
    -------
    Path of the database file.

    Raises
    ------
    InputMissingError
        It cannot be made or opened, is damaged, or is no archive this version can read.
    DeliveryError
        The disk is full, or another run holds the archive.
    """
    path = folder / FILE_NAME
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            # SQLite would make the file with the user's umask: open to others on most machines.
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except OSError as error:
        raise InputMissingError(
            f"{path}: the archive cannot be made here ({error.strerror}). "
            "Name a folder you may write to under [archive] folder."
        ) from error
    if not _version_is_ours(path):
        with writing(path) as database:
            if not _tables(database):  # another run may have been quicker
                for statement in _SCHEMA.split(";"):
                    database.execute(statement)
                database.execute("INSERT INTO schema VALUES (?)", (SCHEMA_VERSION,))
    return path


def _version_is_ours(path: Path) -> bool:
    """False for an empty file; an error for anything that is neither empty nor ours."""
    with reading(path) as database:
        tables = _tables(database)
        if not tables:
            return False
        if not {"schema", "runs", "messages"} <= tables:
            raise InputMissingError(
                f"{path}: this database is not an archive of riskcast. It was left as it is. "
                "Name another folder under [archive] folder."
            )
        (version,) = database.execute("SELECT version FROM schema").fetchone() or (0,)
    if version != SCHEMA_VERSION:
        raise InputMissingError(
            f"{path}: this archive has layout {version}, this riskcast reads layout "
            f"{SCHEMA_VERSION}. It was left as it is. Use the version of riskcast that wrote it, "
            "or a newer one."
        )
    return True


def _tables(database: sqlite3.Connection) -> set[str]:
    found = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    return {name for (name,) in found}


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection for one reading; SQLite's errors arrive explained."""
    with _explained(path), contextlib.closing(_connected(path)) as database:
        yield database


@contextlib.contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction that holds the write lock from its first statement: all of it or nothing."""
    with _explained(path), contextlib.closing(_connected(path)) as database:
        database.execute("BEGIN IMMEDIATE")
        try:
            yield database
            database.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                database.execute("ROLLBACK")
            raise


def _connected(path: Path) -> sqlite3.Connection:
    # mode=rw: a file that vanished must not come back empty, having forgotten what was sent.
    database = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=_BUSY_S, isolation_level=None
    )
    try:
        for pragma in _PRAGMAS:
            database.execute(pragma)
    except BaseException:
        database.close()
        raise
    return database


@contextlib.contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _in_plain_words(path, error) from error


def _in_plain_words(path: Path, error: sqlite3.Error) -> RiskcastError:
    # An extended code carries its primary code in the low byte (sqlite.org/rescode.html).
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
    match code:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return DeliveryError(
                f"{path}: another run has held the archive for {_BUSY_S:.0f} s. Nothing was "
                "recorded or sent. Let it finish or stop it, then run again."
            )
        case sqlite3.SQLITE_FULL:
            return DeliveryError(
                f"{path}: the disk is full, so this run could not be recorded, and what is not "
                "recorded is not sent. Make room, then run again."
            )
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_PERM | sqlite3.SQLITE_AUTH:
            return DeliveryError(
                f"{path}: the archive may only be read, so this run could not be recorded, and "
                "what is not recorded is not sent. Allow writing to the file and its folder, "
                "then run again."
            )
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return InputMissingError(
                f"{path}: the archive is damaged ({error}). It was left as it is. Put back a copy "
                "from your backup. If you have none, move the file away: riskcast begins a new "
                "one, but no longer knows what it has sent."
            )
        case sqlite3.SQLITE_CANTOPEN:
            return InputMissingError(
                f"{path}: the archive cannot be opened ({error}). Check that the file is there "
                "and that you may read and write it and its folder."
            )
        case sqlite3.SQLITE_IOERR:
            return DeliveryError(
                f"{path}: the disk failed while the archive was in use ({error}). Check the disk "
                "and its free space, then run again."
            )
        case _:
            return RiskcastError(f"{path}: the archive failed unexpectedly ({error}).")
