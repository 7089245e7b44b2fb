"""``riskcast visits`` and ``riskcast triage``: rows to choose from."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from riskcast.cli.console import Console
from riskcast.cli.options import (
    as_of_option,
    console_options,
    offline_option,
    read_near,
    site_argument,
)
from riskcast.cli.output import Format, output_options, show

__all__ = ["triage", "visits"]

_VISITS_EPILOG = """\b
Example:
  riskcast visits my-wood/site.toml
  riskcast visits my-wood/site.toml --as-of 2025-10-27 --csv
"""

_TRIAGE_EPILOG = """\b
Example:
  riskcast triage my-wood/site.toml
  riskcast triage my-wood/site.toml --animals found.csv
  riskcast triage --near 50.0,-4.0 --animals found.csv --timezone Europe/London \\
      --elevation 120

The list of found animals has the columns name, date_found, event_date, body_mass_g,
life_stage and in_care (yes or no).

Sick or underweight animals go to a vet or an experienced rehabilitator.
"""


@click.command(epilog=_VISITS_EPILOG, short_help="Candidate days for the next box check.")
@site_argument()
@as_of_option
@offline_option
@output_options
@console_options
def visits(
    site_file: Path, as_of: dt.date | None, offline: bool, form: Format, console: Console
) -> None:
    """Candidate days for the next box check: what each reaches, and when it has to be settled."""
    console.progress(f"riskcast visits {site_file}")
    from riskcast import pipeline

    table = pipeline.visits(site_file, as_of=as_of, offline=offline, progress=console.step)
    show(table, form)


@click.command(epilog=_TRIAGE_EPILOG, short_help="One row an animal, most urgent first.")
@site_argument(required=False)
@click.option(
    "--near", callback=read_near, metavar="LAT,LON", help="Where found animals come from."
)
@click.option(
    "--animals",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Found animals: CSV, TSV or XLSX, one row each.",
)
@click.option(
    "--forecast",
    metavar="PATH",
    help="Weather forecast file, folder or pattern; without a site. Default: open-meteo.",
)
@click.option(
    "--history", metavar="PATH", help="Past weather file; without a site. Default: open-meteo."
)
@click.option("--timezone", metavar="ZONE", help='As "Europe/London"; without a site.')
@click.option(
    "--elevation",
    type=click.FloatRange(-430, 8850),
    help="Metres above the sea; without a site. A file of past weather may say it.",
)
@as_of_option
@offline_option
@output_options
@console_options
def triage(
    site_file: Path | None,
    near: tuple[float, float] | None,
    animals: Path | None,
    forecast: str | None,
    history: str | None,
    timezone: str | None,
    elevation: float | None,
    as_of: dt.date | None,
    offline: bool,
    form: Format,
    console: Console,
) -> None:
    """One row an animal, most urgent first: those of a site, or found ones without a site."""
    by_hand = {
        "--forecast": forecast,
        "--history": history,
        "--timezone": timezone,
        "--elevation": elevation,
    }
    _refuse_nonsense(site_file, near, animals, by_hand)
    console.progress(f"riskcast triage {site_file or animals}")
    from riskcast import pipeline

    if animals is None:
        assert site_file is not None  # _refuse_nonsense saw to it
        table = pipeline.triage(site_file, as_of=as_of, offline=offline, progress=console.step)
    else:
        latitude, longitude = near or _place_of(site_file)
        table = pipeline.triage_found(
            animals,
            latitude,
            longitude,
            as_of=as_of,
            forecast=forecast,
            history=history,
            timezone=timezone,
            elevation_m=elevation,
            site_path=site_file,
            offline=offline,
            progress=console.step,
        )
    show(table, form)


def _refuse_nonsense(
    site_file: Path | None,
    near: tuple[float, float] | None,
    animals: Path | None,
    by_hand: dict[str, str | float | None],
) -> None:
    given = [option for option, value in by_hand.items() if value is not None]
    if site_file is not None and given:
        raise click.UsageError(f"{', '.join(given)}: the site file says that already.")
    if near is not None and animals is None:
        raise click.UsageError("--near goes with --animals, the list of found animals.")
    if site_file is not None:
        return
    if animals is None:
        raise click.UsageError("Name a SITE.toml, or --near and --animals for found animals.")
    lacking = ["--near"] if near is None else []
    if by_hand["--timezone"] is None:
        lacking.append("--timezone")
    if by_hand["--elevation"] is None and by_hand["--history"] in (None, "open-meteo"):
        lacking.append("--elevation")
    if lacking:
        raise click.UsageError(f"Without a SITE.toml, --animals also needs {', '.join(lacking)}.")


def _place_of(site_file: Path | None) -> tuple[float, float]:
    from riskcast.site import load_site

    assert site_file is not None  # _refuse_nonsense saw to it
    place = load_site(site_file).place
    return place.latitude, place.longitude
