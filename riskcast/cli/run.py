"""``riskcast run``: the whole way, from weather and weights to letters."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

import click

from riskcast.cli.console import Console
from riskcast.cli.options import (
    as_of_option,
    console_options,
    offline_option,
    over_everywhere,
    site_argument,
)

__all__ = ["LEVELS", "run"]

# As `riskcast.advice.LEVELS`, which would take too long to import for a help page.
LEVELS = ("steady", "watch", "plan", "act")

_REACHED = 1

_EPILOG = """\b
Example:
  riskcast run my-wood/site.toml
  riskcast run my-wood/site.toml --as-of 2025-10-27
  riskcast run my-wood/site.toml --send --fail-on act
"""


@click.command(epilog=_EPILOG, short_help="Forecast, advise, write and, if asked, mail.")
@site_argument()
@as_of_option
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    default=Path("out"),
    show_default=True,
    help="Folder that gets <site id>/<issued date>/ with assessment.json and the letters.",
)
@offline_option
@click.option("--send", is_flag=True, help="Mail the letters; each is sent once.")
@click.option("--json", "as_json", is_flag=True, help="Print assessment.json, not the text.")
@click.option(
    "--fail-on",
    type=click.Choice(LEVELS[1:]),
    metavar="LEVEL",
    help="Exit with 1 when anyone's level is watch, plan or act, or above.",
)
@console_options
@click.pass_context
def run(
    ctx: click.Context,
    site_file: Path,
    as_of: dt.date | None,
    out: Path,
    offline: bool,
    send: bool,
    as_json: bool,
    fail_on: str | None,
    console: Console,
) -> None:
    """Forecast, advise, write the letters, and with --send mail them.

    Prints the short text of the alert, or with --json the numbers behind it.
    """
    if send and as_of is not None and over_everywhere(as_of):
        raise click.UsageError(
            "--send with a past --as-of: people would get an old alert as if it were news. "
            "Leave one of the two out."
        )
    if send and offline:
        raise click.UsageError("--send needs the network that --offline forbids.")
    console.progress(f"riskcast run {site_file}")
    from riskcast import pipeline

    done = pipeline.run(
        site_file, as_of=as_of, out=out, offline=offline, send=send, progress=console.step
    )
    click.echo(done.assessment_json if as_json else done.short_text)
    console.note(done.records_note)
    console.note(done.weather_note)
    console.step(f"written to {done.folder}: {', '.join(file.name for file in done.files)}")
    for delivered in done.delivery:
        console.step(f"mail to {delivered}")
    if done.delivery:
        from riskcast.delivery import require_delivered

        require_delivered(done.delivery)
    if fail_on is not None and _reached(done.levels.values(), fail_on):
        ctx.exit(_REACHED)


def _reached(levels: Iterable[str], limit: str) -> bool:
    return any(LEVELS.index(level) >= LEVELS.index(limit) for level in levels)
