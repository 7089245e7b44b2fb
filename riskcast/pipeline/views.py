"""Other views of the same forecast: candidate days, animals, the chain behind a number."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from riskcast import advice, report
from riskcast.pipeline.moment import moment
from riskcast.pipeline.run import Progress, forecast
from riskcast.site import load_site

if TYPE_CHECKING:
    from riskcast.advice import Table
    from riskcast.pipeline.run import Forecast

__all__ = ["explain", "triage", "visits"]

AsOf = dt.date | dt.datetime | None


def visits(site_path: str | Path, *, as_of: AsOf = None, progress: Progress | None = None) -> Table:
    """Candidate days for the next box check, with what each would reach."""
    made = _made(site_path, as_of, progress)
    return advice.visits_table(made.assessment, made.site.visits, made.sp)


def triage(site_path: str | Path, *, as_of: AsOf = None, progress: Progress | None = None) -> Table:
    """One row an animal, most urgent first."""
    made = _made(site_path, as_of, progress)
    return advice.triage_table(made.assessment, made.sp)


def explain(
    site_path: str | Path,
    *,
    as_of: AsOf = None,
    animal: str | None = None,
    progress: Progress | None = None,
) -> str:
    """The chain behind the numbers of one animal; None = the most urgent.

    Raises
    ------
    UsageError
        No animal, or more than one, matches.
    """
    made = _made(site_path, as_of, progress)
    chosen = report.find_animal(made.assessment, animal)
    return report.chain(chosen, made.evidence, made.assessment, made.nest, made.sp)


def _made(site_path: str | Path, as_of: AsOf, progress: Progress | None) -> Forecast:
    site = load_site(site_path)
    return forecast(site, moment(as_of, site.place.timezone), progress=progress)
