"""The way data takes, from a site file to letters, top to bottom.

`forecast` joins weather, weights and the species into one `Forecast`; `run` adds advice,
letters, the archive and, when asked, the mail. The tables and the chain of `explain` are
read from the same forecast.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from riskcast import advice as advising
from riskcast import animals, delivery, habitat, report, risk, species
from riskcast.archive import Archive, StoredMessage
from riskcast.base.errors import UsageError
from riskcast.pipeline.carry import gather
from riskcast.pipeline.litter import as_logged
from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.reach import read_season
from riskcast.pipeline.used import (
    bounds,
    previous_levels,
    records_used,
    site_summary,
    weather_used,
)
from riskcast.pipeline.write import letters_to_messages, write_run
from riskcast.site import Site, load_site

if TYPE_CHECKING:
    from xarray import DataArray

    from riskcast.advice import Advice, Letter
    from riskcast.animals import Records
    from riskcast.delivery import Delivered
    from riskcast.risk import Assessment, Evidence
    from riskcast.species import Species
    from riskcast.weather import Season

__all__ = ["DRAWS", "SEED", "Forecast", "Run", "forecast", "run"]

DRAWS = 256
SEED = 0
Progress = Callable[[str], None]


def _silent(_: str) -> None:
    """Progress for those who do not want to see it."""


@dataclass(frozen=True)
class Forecast:
    """One site carried from weather and weights to numbers."""

    site: Site
    moment: Moment
    sp: Species
    season: Season
    records: Records
    nest: DataArray
    evidence: Evidence
    assessment: Assessment


@dataclass(frozen=True)
class Run:
    """A forecast with what was said of it, where it was written, and what became of the mail."""

    forecast: Forecast
    advice: tuple[Advice, ...]
    letters: tuple[Letter, ...]
    messages: tuple[StoredMessage, ...]
    assessment_json: str
    short_text: str
    folder: Path
    files: tuple[Path, ...]
    delivery: tuple[Delivered, ...] = ()

    @property
    def assessment(self) -> Assessment:
        return self.forecast.assessment

    @property
    def levels(self) -> dict[str, str]:
        """Level by role."""
        return {advice.role: advice.level for advice in self.advice}

    @property
    def records_note(self) -> str:
        """What was set aside of the weights, in lines for a person; empty if nothing was."""
        return self.forecast.records.note()

    @property
    def weather_note(self) -> str:
        """What went wrong on the way to the weather, a line each; empty if nothing did."""
        return "\n".join(advising.keeper_notes(self.assessment.weather.notes))


def run(
    site_path: str | Path,
    *,
    as_of: dt.date | dt.datetime | None = None,
    out: str | Path = "out",
    offline: bool = False,
    send: bool = False,
    draws: int = DRAWS,
    seed: int = SEED,
    progress: Progress | None = None,
) -> Run:
    """The whole way: numbers, advice, letters, files, archive and, with `send`, the mail.

    Parameters
    ----------
    site_path : the site's TOML file
    as_of : the moment to speak from; None = now
    out : folder that gets ``<site id>/<issued date>/``
    offline : never touch the network: weather comes from files and from what was fetched
    draws, seed : of all chance; a power of two, 256 or more for what is shown to people
    send : hand the letters to the site's mail server; each is recorded first, and sent once

    Raises
    ------
    RiskcastError
        Any of its branches; nothing is half written then.
    """
    say = progress or _silent
    site = load_site(site_path)
    now = moment(as_of, site.place.timezone)
    if send and not now.live:
        raise UsageError("--send goes with a run of now: a past --as-of is never mailed.")
    if send and offline:
        raise UsageError("--send needs the network, --offline forbids it: choose one.")
    if send and site.mail is None:
        raise UsageError("--send needs a [mail] section in the site file.")
    # Made before anything is computed: a password that cannot be had is told at once.
    transport = delivery.SmtpTransport(site.mail) if send and site.mail else None
    made = forecast(site, now, offline=offline, draws=draws, seed=seed, progress=say)

    say("advice and letters")
    archive = Archive(site.archive_folder)
    roles = tuple(dict.fromkeys(recipient.role for recipient in site.recipients))
    advice = advising.advise(
        made.assessment,
        site.visits,
        made.sp,
        roles=roles or advising.ROLES,
        previous=previous_levels(archive, made.assessment, made.sp),
    )
    letters = advising.letters(
        made.assessment, advice, site.visits, made.sp, rehab_below_g=site.risk.rehab_below_g
    )
    document = report.assessment_json(made.assessment, advice)
    messages = letters_to_messages(site, letters, made.assessment)
    short = advising.short_text(made.assessment, advice)

    say("files and archive")
    folder, files = write_run(Path(out), made.assessment, made.records, document, messages)
    archive.record(
        site.place.id,
        str(now.issued_at),
        hashlib.sha256(document.encode("utf-8")).hexdigest(),
        run=document,
        messages=messages if site.mail else (),
    )
    delivered: tuple[Delivered, ...] = ()
    if transport is not None:
        say("mail")
        sent_at = str(now.issued_at)
        delivered = (
            *delivery.left_behind(archive, site.place.id, now=sent_at),
            *delivery.send_all(archive, messages, transport, now=sent_at),
        )
    return Run(made, advice, letters, messages, document, short, folder, files, delivered)


def forecast(
    site: Site,
    now: Moment,
    *,
    records: Records | None = None,
    season: Season | None = None,
    offline: bool = False,
    draws: int = DRAWS,
    seed: int = SEED,
    progress: Progress | None = None,
) -> Forecast:
    """Carry weather and weights of one site to an assessment.

    `records` and `season` take the place of the site's own weights and weather, if they are
    given; a season has to be made with the same seed.
    """
    say = progress or _silent
    sp = species.load(site.species.name, site.override_values)
    if records is None:
        say("weights")
        records = animals.read(
            site.weights, site.place, as_of=now.issued_at, live=now.live, bounds=bounds(sp)
        )
    if season is None:
        say("weather")
        season = read_season(site, now, offline=offline, seed=seed, progress=say)
    say("nest temperature")
    site, sp, season = as_logged(site, now, sp, season)
    nest = habitat.nest_temperature(season.futures, site.habitat, sp)
    say("nights, growth, torpor, fat and food in every future")
    evidence = gather(site, now, sp, records, season, nest, draws=draws, seed=seed)
    say("risk")
    assessment = risk.assess(
        evidence,
        sp,
        site=site_summary(site, sp),
        weather=weather_used(site, season, now),
        records=records_used(records),
    )
    return Forecast(site, now, sp, season, records, nest, evidence, assessment)
