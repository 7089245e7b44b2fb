"""Where words go: results to stdout, progress and faults to stderr."""

from __future__ import annotations

import os
import sys

import click

__all__ = ["Console", "colour_wanted"]


def colour_wanted() -> bool | None:
    """False or True where the environment decides (no-color.org), None: only on a terminal."""
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return False if os.environ.get("TERM") == "dumb" else None


class Console:
    """Says how the work goes on: only to a person who is watching, or who asked for it.

    Parameters
    ----------
    verbose, quiet : what was asked for; neither = progress where stderr is a terminal
    """

    def __init__(self, *, verbose: bool = False, quiet: bool = False) -> None:
        self.talks = not quiet and (verbose or sys.stderr.isatty())

    def progress(self, text: str) -> None:
        """One line on stderr."""
        if self.talks:
            click.secho(text, dim=True, err=True)

    def step(self, text: str) -> None:
        """One stage of the work, under the line that named the work."""
        self.progress(f"  {text}")

    def note(self, text: str) -> None:
        """Something the keeper has to see, watching or not; nothing if empty."""
        if text:
            click.echo(text, err=True)
