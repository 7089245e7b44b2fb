"""Walk the real way without sending anything, and say at each step how it went."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from riskcast import advice, animals, delivery, species
from riskcast.archive import Archive
from riskcast.base.errors import RiskcastError
from riskcast.pipeline.carry import current_animals
from riskcast.pipeline.fetch import beside_sources, source_line
from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.reach import read_season
from riskcast.pipeline.run import SEED, forecast
from riskcast.pipeline.used import bounds, weather_used
from riskcast.site import Site, load_site
from riskcast.weather import read_logger

if TYPE_CHECKING:
    import xarray as xr

    from riskcast.animals import Records
    from riskcast.pipeline.run import Forecast, Progress
    from riskcast.weather import Season

__all__ = ["CheckLine", "CheckReport", "check"]

T = TypeVar("T")


@dataclass(frozen=True)
class CheckLine:
    """One step: did it go well, what was it about, what is there to say."""

    ok: bool
    topic: str
    text: str


@dataclass
class CheckReport:
    """All steps that could be tried; `exit_code` is that of the first that failed, else 0."""

    lines: list[CheckLine] = field(default_factory=list)
    exit_code: int = 0

    def attempt(self, topic: str, step: Callable[[], T], say: Callable[[T], str]) -> T | None:
        """Try one step; a fault becomes a line instead of an end."""
        try:
            result = step()
        except RiskcastError as error:
            self.lines.append(CheckLine(False, topic, str(error)))
            self.exit_code = self.exit_code or error.exit_code
            return None
        self.lines.append(CheckLine(True, topic, say(result)))
        return result


def check(
    site_path: str | Path,
    *,
    as_of: dt.date | dt.datetime | None = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> CheckReport:
    """Site file, species, weights, weather, numbers and letters, archive, mail server.

    `offline` touches no network: neither weather services nor the mail server.

    Nothing is written but the archive's empty folder, and nothing is sent: the mail server
    is greeted and left.
    """
    say = progress or (lambda _: None)
    report = CheckReport()
    site = report.attempt("site file", lambda: load_site(site_path), _site_line)
    if site is None:
        return report
    now = moment(as_of, site.place.timezone)
    sp = report.attempt(
        "species",
        lambda: species.load(site.species.name, site.override_values),
        lambda found: (
            f"{found.vernacular_name}, {len(found.parameters)} parameters, "
            f"{len(site.species.override)} of them overridden here"
        ),
    )
    records = season = None
    if sp is not None:
        bounds_of_species = bounds(sp)
        say("weights")
        records = report.attempt(
            "weights",
            lambda: animals.read(
                site.weights,
                site.place,
                as_of=now.issued_at,
                live=now.live,
                bounds=bounds_of_species,
            ),
            lambda found: _weights(found, now, site, sp),
        )
    say("weather")
    season = report.attempt(
        "weather",
        lambda: read_season(site, now, offline=offline, seed=SEED, progress=say),
        lambda found: _weather(site, found, now),
    )
    logger, layout = site.weather.logger, site.weather.logger_table
    if logger is not None:
        report.attempt("logger", lambda: read_logger(logger, layout, as_of=now.issued_at), _logger)
    if records is not None and season is not None:
        report.attempt(
            "letters",
            lambda: _letters(forecast(site, now, records=records, season=season, progress=say)),
            lambda text: text,
        )
    report.attempt("archive", lambda: Archive(site.archive_folder), lambda found: f"{found.folder}")
    say("mail server")
    report.attempt("mail", lambda: _mail(site, offline), lambda text: text)
    return report


def _site_line(site: Site) -> str:
    people = len(site.recipients)
    visits = len(site.visits.planned)
    return f"{site.place.name}: {people} recipients, {visits} planned visits"


def _weights(records: Records, now: Moment, site: Site, sp: species.Species) -> str:
    current = current_animals(records, now, site, sp)
    lines = [str(count) for count in records.summary()]
    lines.append(
        f"{len(current)} current animals, {int(current['ranked'].sum())} of them ranked; "
        f"last check {animals.last_round(records.rows) or 'none'}"
    )
    lines += [f"  {fault}" for fault in records.faults]
    lines += [f"  note: {told}" for told in advice.sheet_sentences(records.assumptions)]
    return "\n".join(lines)


def _weather(site: Site, season: Season, now: Moment) -> str:
    used = weather_used(site, season, now)
    stale = ", STALE" if used.stale else ""
    lines = [
        f"{used.provider} {used.model}".strip()
        + f", issued {used.reference_time:%Y-%m-%d %H:%M} UTC, {used.age_hours:g} h old{stale}",
        f"{used.past_years} of {used.past_years_asked} past years, {used.members} members, "
        f"{used.filled_last_10_days:.0%} of the last 10 days filled",
    ]
    lines += [source_line(one, now.issued_at) for one in season.sources]
    lines += list(used.attribution)
    lines += [f"note: {told}" for told in beside_sources(used.notes)]
    return "\n".join(lines)


def _logger(litter: xr.DataArray) -> str:
    """What a logger in the litter recorded: when, how much of it, how cold and how warm."""
    values = litter.values
    missing = np.isnan(values)
    gaps = int(np.count_nonzero(np.diff(missing.astype(int)) == 1))  # both ends have a value
    first, last = (f"{time:%Y-%m-%d %H:%M}" for time in litter.indexes["time"][[0, -1]])
    lacking = f"{missing.sum()} of them missing in {gaps} gap{'s' * (gaps != 1)}"
    return (
        f"{litter.attrs['source']}: {values.size} hours from {first} to {last} UTC, "
        f"{lacking if gaps else 'none missing'}; a reading every {litter.attrs['step_minutes']} "
        f"minutes; {np.nanmin(values):.1f} to {np.nanmax(values):.1f} °C"
    )


def _letters(made: Forecast) -> str:
    told = advice.advise(made.assessment, made.site.visits, made.sp)
    letters = advice.letters(made.assessment, told, made.site.visits, made.sp)
    words = ", ".join(f"{one.role} {one.level}" for one in told)
    return f"{len(letters)} letters can be written ({words})"


def _mail(site: Site, offline: bool) -> str:
    if site.mail is None:
        return "no [mail] section: letters are written as files only"
    if offline:
        return f"{site.mail.host} was not greeted, because this check is offline"
    transport = delivery.SmtpTransport(site.mail)
    try:
        return transport.greeting()
    finally:
        transport.close()
