"""How a command ends: one code for each kind of trouble, and words a keeper can act on."""

from __future__ import annotations

import errno
import os
import sys
import traceback
from typing import Any, TypeGuard

import click

from riskcast.base.errors import DeliveryError, InputMissingError, RiskcastError

__all__ = ["Commands", "debugging"]

_INTERRUPTED = 130
_DEBUG = "RISKCAST_DEBUG"

# What the operating system says when a name is wrong or a person may not use it.
_REFUSED = (FileNotFoundError, PermissionError, NotADirectoryError, IsADirectoryError)

# No room passes: the next run may find some. The archive ends alike when it is full.
_FULL = (errno.ENOSPC, errno.EDQUOT)


def debugging() -> bool:
    return bool(os.environ.get(_DEBUG))


class Commands(click.Group):
    """A group whose commands may raise: every ending has its exit code.

    Errors of riskcast carry theirs. What the operating system refuses by name is an input
    that is missing; a full disk is a trouble that passes. Anything else is our own fault: one
    sentence, and the trace only where ``RISKCAST_DEBUG`` is set, because a trace may quote
    what it should not.
    """

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, BrokenPipeError):
            raise
        except (KeyboardInterrupt, click.Abort):
            click.echo("Stopped. Files are written whole or not at all; run it again.", err=True)
            ctx.exit(_INTERRUPTED)
        except RiskcastError as error:
            _say(str(error))
            _trace()
            ctx.exit(error.exit_code)
        except Exception as error:
            ctx.exit(_end_of(error))


def _end_of(error: Exception) -> int:
    """Say what happened, and return the exit code."""
    code = RiskcastError.exit_code
    if isinstance(error, OSError) and error.errno in _FULL:
        _say("The disk is full. Files are written whole or not at all. Make room, then run again.")
        code = DeliveryError.exit_code
    elif _refused(error):
        _say(f"{error.filename}: {error.strerror}. Correct the name, or who may use it.")
        code = InputMissingError.exit_code
    else:
        way_on = (
            "Please report what follows."
            if debugging()
            else f"Set {_DEBUG}=1, run it again, and report what it then prints."
        )
        name = type(error).__name__
        _say(f"riskcast stopped at a fault of its own ({name}), not of yours. {way_on}")
    _trace()
    return code


def _refused(error: Exception) -> TypeGuard[OSError]:
    if not isinstance(error, OSError) or not error.filename:
        return False
    return isinstance(error, _REFUSED) or error.errno == errno.EROFS


def _say(text: str) -> None:
    first, _, rest = text.strip().partition("\n")
    click.secho(first, bold=True, err=True)
    if rest:
        click.echo(rest, err=True)


def _trace() -> None:
    if debugging():
        click.echo(_without_secrets(traceback.format_exc()), err=True)


def _without_secrets(text: str) -> str:
    """A password can only have been fetched where the site room is loaded."""
    password = sys.modules.get("riskcast.site.password")
    return password.masked(text) if password else text
