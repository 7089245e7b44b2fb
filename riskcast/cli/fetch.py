"""``riskcast fetch``: weather into the cache, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import click

from riskcast.cli.console import Console
from riskcast.cli.options import console_options, site_argument

__all__ = ["fetch"]

_EPILOG = """\b
Example:
  riskcast fetch my-wood/site.toml
"""


@click.command(epilog=_EPILOG, short_help="Fetch forecast and past weather; compute nothing.")
@site_argument()
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@console_options
def fetch(site_file: Path, as_json: bool, console: Console) -> None:
    """Fetch the forecast and the weather of past winters, and say how old each is.

    It may be repeated at any time: what is there and fresh is not asked for again. Services
    limit how much they give in a day; past winters that are missing come with the next days.
    `riskcast run` fetches by itself: this is for the first time, or before going offline.
    """
    console.progress(f"riskcast fetch {site_file}")
    from riskcast import pipeline

    done = pipeline.fetch(site_file, progress=console.step)
    if as_json:
        click.echo(json.dumps(done.as_dict(), ensure_ascii=False, indent=2, allow_nan=False))
        return
    for line in (*done.lines, *done.notes):
        click.echo(line)
