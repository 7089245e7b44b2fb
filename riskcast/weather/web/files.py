"""SQLite files of the cache: private to the account, opened for a moment, waited for briefly."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

__all__ = ["connect", "in_words", "private_folder", "set_aside"]

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


def set_aside(path: Path) -> bool:
    """Move a damaged file out of the way, so that the next one starts well; True if moved.

    A file that may not be written, has no room, or is held by another run is not damaged.
    """
    if not _is_damaged(path):
        return False
    path.replace(path.with_suffix(".damaged"))
    return True


def _is_damaged(path: Path) -> bool:
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=BUSY_S)) as database:
            found = database.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError:
        return False
    except sqlite3.DatabaseError:
        return True
    return bool(found and found[0] != "ok")


def in_words(error: Exception, path: Path) -> str:
    """Why a file of the cache cannot be used; its name, not where it lies."""
    text = str(error).lower()
    if "full" in text or "disk i/o" in text:
        return f"there is no room on the disk for {path.name}, or the disk fails"
    if "readonly" in text or isinstance(error, PermissionError):
        return f"{path.name} may not be written"
    if "locked" in text or "busy" in text:
        return f"{path.name} was held by another run for too long"
    if "malformed" in text or "not a database" in text:
        return f"{path.name} is damaged"
    return f"{path.name} cannot be opened in the folder of the cache"
