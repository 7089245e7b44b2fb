"""SQLite files of the cache: private to the account, opened for a moment, waited for briefly."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

__all__ = ["begun_anew", "connect", "in_words", "is_held", "private_folder", "set_aside"]

# A write of a few MB by another run takes well under a second (common practice, no source).
BUSY_S = 5.0


def private_folder(folder: Path) -> Path:
    """Make the folder, closed to other accounts; one that is there stays as it is."""
    if not folder.is_dir():
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


@contextlib.contextmanager
def connect(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction on the file, written as a whole if the block ends well.

    Raises
    ------
    sqlite3.Error, OSError
        The file is damaged, may not be written, has no room, or was locked for too long.
    """
    private_folder(path.parent)
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    database = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    try:
        yield database
    finally:
        database.close()


def set_aside(path: Path, error: Exception) -> bool:
    """Move a damaged file out of the way, so that the next one starts well; True if moved.

    A file that may not be written, has no room, or is held by another run is not damaged, nor
    is one that another run has begun anew meanwhile.
    """
    if not _tells_damage(error) or not _is_damaged(path):
        return False
    path.replace(path.with_suffix(".damaged"))
    return True


def is_held(error: Exception) -> bool:
    """Another run holds the file, and did so for longer than we wait."""
    return isinstance(error, sqlite3.OperationalError) and "locked" in str(error)


def _tells_damage(error: Exception) -> bool:
    # OperationalError is the kind for locks, rights and room.
    return isinstance(error, sqlite3.DatabaseError) and not isinstance(
        error, sqlite3.OperationalError
    )


def _is_damaged(path: Path) -> bool:
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=BUSY_S)) as database:
            found = database.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        return _tells_damage(error)
    return bool(found and found[0] != "ok")


def in_words(error: Exception, path: Path) -> str:
    """Why a file of the cache cannot be used, a sentence; its name, not where it lies."""
    text = str(error).lower() if isinstance(error, sqlite3.Error) else ""  # else it has the path
    if "full" in text or "disk i/o" in text or getattr(error, "errno", None) == errno.ENOSPC:
        return f"There is no room on the disk for {path.name}, or the disk fails."
    if "readonly" in text or isinstance(error, PermissionError):
        return f"The file {path.name} may not be written."
    if is_held(error):
        return f"The file {path.name} was held by another run for too long."
    if _tells_damage(error):
        return f"The file {path.name} is damaged."
    return f"The file {path.name} cannot be opened in the folder of the cache."


def begun_anew(path: Path) -> str:
    """What is said of a damaged file that was set aside."""
    return f"The file {path.name} was damaged and is begun anew."
