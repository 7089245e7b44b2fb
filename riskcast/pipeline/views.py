"""Other views of the same forecast: candidate days, animals, the chain behind a number."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskcast import advice, animals, report, species, weather
from riskcast.base.errors import UsageError
from riskcast.pipeline.moment import moment
from riskcast.pipeline.run import forecast as _forecast
from riskcast.pipeline.used import bounds
from riskcast.site import SCHEMA, Place, Site, Weights, load_site

if TYPE_CHECKING:
    from riskcast.advice import Table
    from riskcast.pipeline.run import Forecast, Progress

__all__ = ["explain", "triage", "triage_found", "visits"]

AsOf = dt.date | dt.datetime | None


def visits(site_path: str | Path, *, as_of: AsOf = None, progress: Progress | None = None) -> Table:
    """Candidate days for the next box check, with what each would reach."""
    made = _made(site_path, as_of, progress)
    return advice.visits_table(made.assessment, made.site.visits, made.sp)


def triage(site_path: str | Path, *, as_of: AsOf = None, progress: Progress | None = None) -> Table:
    """One row an animal, most urgent first."""
    made = _made(site_path, as_of, progress)
    return advice.triage_table(made.assessment, made.sp)


def triage_found(
    animals_file: str | Path,
    latitude: float,
    longitude: float,
    *,
    as_of: AsOf = None,
    forecast: str | None = None,
    history: str | None = None,
    timezone: str | None = None,
    site_path: str | Path | None = None,
    progress: Progress | None = None,
) -> Table:
    """One row a found animal, most urgent first, in the weather of the place it came from.

    Parameters
    ----------
    animals_file : CSV, TSV or XLSX with name, date_found, event_date, body_mass_g,
        life_stage, in_care
    latitude, longitude : where the animals come from
    forecast, history, timezone : weather files and zone, needed without a site
    site_path : a site whose weather, species and rules are used

    Raises
    ------
    UsageError
        Neither a site nor the weather files are given.
    """
    if site_path is not None:
        site = load_site(site_path)
    elif forecast and history and timezone:
        site = _nowhere(latitude, longitude, forecast, history, timezone)
    else:
        raise UsageError("Found animals need a site file, or forecast, history and time zone.")
    here = site.place.model_copy(update={"latitude": latitude, "longitude": longitude})
    site = site.model_copy(update={"place": here})
    now = moment(as_of, site.place.timezone)
    sp = species.load(site.species.name, site.override_values)
    found = animals.read_found(
        Path(animals_file), here, as_of=now.issued_at, live=now.live, bounds=bounds(sp)
    )
    made = _forecast(site, now, records=found.records, progress=progress)
    weighed = found.rows[found.rows["weighed"]]
    table = advice.triage_found(
        [_found(row) for row in weighed.to_dict("records")],
        made.assessment,
        made.sp,
        rehab_below_g=site.risk.rehab_below_g,
    )
    return advice.with_notes(table, [f"{fault.source}: {fault}" for fault in found.faults])


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
    return _forecast(site, moment(as_of, site.place.timezone), progress=progress)


def _found(row: Mapping[Hashable, Any]) -> advice.FoundAnimal:
    return advice.FoundAnimal(
        name=row["organism_id"] or f"row {row['source_row']}",
        date_found=row["date_found"],
        event_date=row["event_date"].date(),
        body_mass_g=row["body_mass_g"],
        life_stage=row["life_stage"],
        in_care=row["in_care"],
    )


def _nowhere(latitude: float, longitude: float, forecast: str, history: str, timezone: str) -> Site:
    """A site for animals that have none: its height is that of the weather's own cell."""
    place = Place(
        id="found-animals",
        name="Where the animals were found",
        latitude=latitude,
        longitude=longitude,
        elevation_m=0.0,
        timezone=timezone,
    )
    gap = weather.read(Path(history), place).attrs.get("height_gap_m")
    return Site.model_validate(
        {
            "schema_": SCHEMA,
            "place": place.model_copy(update={"elevation_m": float(gap or 0.0)}),
            "weights": Weights.model_construct(files=()),
            "weather": {
                "forecast": str(Path(forecast).absolute()),
                "history": str(Path(history).absolute()),
            },
        }
    )
