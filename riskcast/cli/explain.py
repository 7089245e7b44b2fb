"""``riskcast explain``: the chain behind a number."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from riskcast.cli.console import Console
from riskcast.cli.options import as_of_option, console_options, offline_option, site_argument

__all__ = ["explain"]

_EPILOG = """\b
Example:
  riskcast explain my-wood/site.toml
  riskcast explain my-wood/site.toml --animal "box 14, 3rd of 5" --as-of 2025-10-27
"""


@click.command(epilog=_EPILOG, short_help="The chain behind a number.")
@site_argument()
@click.option(
    "--animal",
    metavar="LABEL",
    help="As `riskcast triage` names it. Default: the most urgent one.",
)
@as_of_option
@offline_option
@console_options
def explain(
    site_file: Path, animal: str | None, as_of: dt.date | None, offline: bool, console: Console
) -> None:
    """From weather and weight to the advice, step by step.

    Each step shows its numbers, the parameters it used, their sources, and how well each is
    known. Then comes what moves the days in hand most: parameters, weather or luck, and which
    days ahead.
    """
    console.progress(f"riskcast explain {site_file}")
    from riskcast import pipeline

    text = pipeline.explain(
        site_file, as_of=as_of, animal=animal, offline=offline, progress=console.step
    )
    click.echo(text)
