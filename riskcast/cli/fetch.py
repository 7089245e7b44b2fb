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
  riskcast fetch my-wood/site.toml --json

\b
--json prints fetched_at, sources and notes. Each of the sources has:
  source, role     its name; forecast, history or analysis (days in between)
  reached, used    it answered in this run; a run would be made of it
  from_cache       it was fetched before
  stale            it is past its time, and nothing fresher could be had
  problem          one sentence; empty where all went well
  made_at          of a forecast; of past weather, when it was fetched (UTC)
  age_hours        since then
  cell_distance_km, height_gap_m   of its grid cell, seen from the site
  first, last, hours               from when to when, and hours with values
  licence, attribution
What is not known is null.

\b
Exit codes: 0 there is weather for a run, also where it is old or not yet
whole; 66 a file is missing; 69 no source had a forecast, or none past
weather; 78 faults in the site file; 130 stopped by you.
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
    for line in (*done.lines, *done.attribution, *done.notes):
        click.echo(line)
