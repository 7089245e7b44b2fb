"""``riskcast explain``: the chain behind a number."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from riskcast.base.files import write_whole
from riskcast.cli.console import Console
from riskcast.cli.options import as_of_option, console_options, offline_option, site_argument
from riskcast.cli.output import as_csv

__all__ = ["explain"]

_EPILOG = """\b
Example:
  riskcast explain my-wood/site.toml
  riskcast explain my-wood/site.toml --animal "box 14, 3rd of 5" --as-of 2025-10-27
  riskcast explain my-wood/site.toml --animal reference --days days.csv

The CSV has one row a day: nest temperature, body mass, wakings, and what the
reserve went on, without food and with it. It does not say where the site is.
"""


def _writable(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    """Before anything is computed: folders on the way are made, files on the way are none."""
    if value is not None:
        if not value.name:
            raise click.BadParameter("give the name of a file.")
        nearest = next(parent for parent in value.absolute().parents if parent.exists())
        if not nearest.is_dir():
            raise click.BadParameter(f"{nearest} is a file, not a folder.")
    return value


@click.command(epilog=_EPILOG, short_help="The chain behind a number.")
@site_argument()
@click.option(
    "--animal",
    metavar="LABEL",
    help="As `riskcast triage` names it. Default: the most urgent one.",
)
@click.option(
    "--days",
    "days_file",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_writable,
    metavar="FILE.csv",
    help="Also write the animal's winter day by day, as CSV; replaces an older file.",
)
@as_of_option
@offline_option
@console_options
def explain(
    site_file: Path,
    animal: str | None,
    days_file: Path | None,
    as_of: dt.date | None,
    offline: bool,
    console: Console,
) -> None:
    """From weather and weight to the advice, step by step.

    Each step shows its numbers, the parameters it used, their sources, and how well each is
    known. Then comes what moves the days in hand most: parameters, weather or luck, and which
    days ahead. Last comes its winter by the week, until there is enough food.
    """
    console.progress(f"riskcast explain {site_file}")
    from riskcast import pipeline

    if days_file is None:
        text = pipeline.explain(
            site_file, as_of=as_of, animal=animal, offline=offline, progress=console.step
        )
        click.echo(text)
        return
    text, table = pipeline.explain_by_day(
        site_file, as_of=as_of, animal=animal, offline=offline, progress=console.step
    )
    # Before the text: whoever asked for the file learns first if it cannot be had.
    write_whole(days_file, as_csv(table))
    click.echo(text)
    console.step(f"written to {days_file}: {len(table.rows)} days")
