"""Files that are either whole or not there."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes | str) -> Path:
    """Write beside the target, flush, then rename over it: a reader never sees half a file.

    Raises
    ------
    OSError
        The disk is full or the folder may not be written; the old file is untouched.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    except OSError as error:
        error.filename = str(path)  # what a person knows, not the passing name
        raise
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
    return path
