"""Where the mail password comes from. It is never kept in a model, and never in a message.

What the keeper wrote as the name of a file or as a command is not repeated in an error
either: people paste the password itself there.
"""

from __future__ import annotations

import os
import shlex
import subprocess
from pathlib import Path

from riskcast.base.errors import ConfigError, Fault

__all__ = ["ENVIRONMENT", "find_password", "masked"]

ENVIRONMENT = "RISKCAST_SMTP_PASSWORD"

# What was fetched, so that `masked` knows what must not be shown.
_fetched: set[str] = set()

# A password store may ask a person to unlock it; longer than this and nobody is there.
_PATIENCE_S = 60


def find_password(file: Path | None, command: str | None) -> str | None:
    """From the file, else the command's first line, else the environment; None if none is set.

    Raises
    ------
    ConfigError
        The file cannot be read or is empty; the command fails, is silent, or hangs.
    """
    if file is not None:
        password: str | None = _from_file(file)
    elif command is not None:
        password = _from_command(command)
    else:
        password = os.environ.get(ENVIRONMENT) or None
    if password:
        _fetched.add(password)
    return password


def masked(text: str) -> str:
    """The text with every password known to this process shown as ``***``."""
    known = {*_fetched, os.environ.get(ENVIRONMENT, "")} - {""}
    # As it stands, and as Python prints it inside another text.
    for password in sorted(known, key=len, reverse=True):
        text = text.replace(password, "***").replace(repr(password)[1:-1], "***")
    return text


def _from_file(file: Path) -> str:
    try:
        lines = file.read_text("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise _fault(
            "password_file",
            f"the file cannot be read ({why}).",
            "Name a file that holds the password and nothing else.",
        ) from None
    if not lines or not lines[0]:
        raise _fault("password_file", "the file is empty.", "Write the password into it.")
    return lines[0]


def _from_command(command: str) -> str:
    try:
        done = subprocess.run(
            shlex.split(command), stdout=subprocess.PIPE, timeout=_PATIENCE_S, check=False
        )
        text = done.stdout.decode("utf-8")
    except (OSError, ValueError):
        problem = "the command cannot be run."
    except subprocess.TimeoutExpired:
        problem = f"no answer for {_PATIENCE_S} seconds."
    else:
        lines = text.splitlines()
        if done.returncode == 0 and lines and lines[0]:
            return lines[0]
        problem = (
            f"the command ended with code {done.returncode}."
            if done.returncode
            else "the command printed nothing."
        )
    raise _fault("password_command", problem, "Run it by hand: it has to print the password.")


def _fault(key: str, problem: str, remedy: str) -> ConfigError:
    return ConfigError(
        "There is no password for the mail server.",
        [Fault("site file", f"[mail] {key}", problem, remedy=remedy)],
    )
