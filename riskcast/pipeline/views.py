"""Other views of the same forecast: candidate days, animals, the chain behind a number."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskcast import advice, animals, report, species, weather
from riskcast.base.errors import UsageError
from riskcast.pipeline.day_by_day import day_by_day
from riskcast.pipeline.moment import moment
from riskcast.pipeline.other_luck import what_moves
from riskcast.pipeline.run import forecast as _forecast
from riskcast.pipeline.used import bounds
from riskcast.site import SCHEMA, Place, Site, Weights, load_site

if TYPE_CHECKING:
    from riskcast.advice import Table
    from riskcast.pipeline.run import Forecast, Progress
    from riskcast.risk import AnimalOutlook

__all__ = ["explain", "explain_by_day", "triage", "triage_found", "visits"]

# Has a forecast and past weather, and does not ask who asks.
_SERVICE = "open-meteo"

AsOf = dt.date | dt.datetime | None


def visits(
    site_path: str | Path,
    *,
    as_of: AsOf = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> Table:
    """Candidate days for the next box check, with what each would reach."""
    made = _made(site_path, as_of, offline, progress)
    return _dated(advice.visits_table(made.assessment, made.site.visits, made.sp), made)


def triage(
    site_path: str | Path,
    *,
    as_of: AsOf = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> Table:
    """One row an animal, most urgent first."""
    made = _made(site_path, as_of, offline, progress)
    return _dated(advice.triage_table(made.assessment, made.sp), made)


def triage_found(
    animals_file: str | Path,
    latitude: float,
    longitude: float,
    *,
    as_of: AsOf = None,
    forecast: str | None = None,
    history: str | None = None,
    timezone: str | None = None,
    elevation_m: float | None = None,
    site_path: str | Path | None = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> Table:
    """One row a found animal, most urgent first, in the weather of the place it came from.

    Parameters
    ----------
    animals_file : CSV, TSV or XLSX with name, date_found, event_date, body_mass_g,
        life_stage, in_care
    latitude, longitude : where the animals come from
    forecast, history : weather files without a site; None = the service that has both
    timezone : needed without a site
    elevation_m : needed without a site where the past weather comes from a service; None =
        the height of the file's own cell
    site_path : a site whose weather, species and rules are used
    offline : never touch the network

    Raises
    ------
    UsageError
        Neither a site nor what takes its place is given.
    """
    if site_path is not None:
        site = load_site(site_path)
    elif timezone:
        sources = (forecast or _SERVICE, history or _SERVICE)
        site = _nowhere(latitude, longitude, *sources, timezone, elevation_m)
    else:
        raise UsageError("Found animals need a site file, or the time zone of their place.")
    here = site.place.model_copy(update={"latitude": latitude, "longitude": longitude})
    site = site.model_copy(update={"place": here})
    now = moment(as_of, site.place.timezone)
    sp = species.load(site.species.name, site.override_values)
    found = animals.read_found(
        Path(animals_file), here, as_of=now.issued_at, live=now.live, bounds=bounds(sp)
    )
    made = _forecast(site, now, records=found.records, offline=offline, progress=progress)
    weighed = found.rows[found.rows["weighed"]]
    table = advice.triage_found(
        [_found(row) for row in weighed.to_dict("records")],
        made.assessment,
        made.sp,
        rehab_below_g=site.risk.rehab_below_g,
    )
    table = _dated(table, made)
    return advice.with_notes(table, [f"{fault.source}: {fault}" for fault in found.faults])


def explain(
    site_path: str | Path,
    *,
    as_of: AsOf = None,
    animal: str | None = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> str:
    """The chain behind the numbers of one animal; None = the most urgent.

    Raises
    ------
    UsageError
        No animal, or more than one, matches.
    """
    made = _made(site_path, as_of, offline, progress)
    chosen = report.find_animal(made.assessment, animal)
    return _chain(made, chosen, day_by_day(made, chosen))


def explain_by_day(
    site_path: str | Path,
    *,
    as_of: AsOf = None,
    animal: str | None = None,
    offline: bool = False,
    progress: Progress | None = None,
) -> tuple[str, Table]:
    """`explain`, and the same animal's winter as a table of days.

    Raises
    ------
    UsageError
        No animal, or more than one, matches; or it was not carried through the winter.
    """
    made = _made(site_path, as_of, offline, progress)
    chosen = report.find_animal(made.assessment, animal)
    days = day_by_day(made, chosen)
    if days is None:
        why = chosen.days_in_hand["none"].reason
        raise UsageError(
            f"No days to write down: {chosen.label} was not carried to spring ({why})."
        )
    return _chain(made, chosen, days), report.days_table(days)


def _chain(made: Forecast, chosen: AnimalOutlook, days: report.DayByDay | None) -> str:
    return report.chain(
        chosen,
        made.evidence,
        made.assessment,
        made.nest,
        made.sp,
        moves=what_moves(made, chosen),
        days=days,
    )


def _made(site_path: str | Path, as_of: AsOf, offline: bool, progress: Progress | None) -> Forecast:
    site = load_site(site_path)
    now = moment(as_of, site.place.timezone)
    return _forecast(site, now, offline=offline, progress=progress)


def _dated(table: Table, made: Forecast) -> Table:
    """The table with the age of the weather under it, and what else has to be told of it."""
    return advice.with_notes(table, advice.weather_sentences(made.assessment))


def _found(row: Mapping[Hashable, Any]) -> advice.FoundAnimal:
    return advice.FoundAnimal(
        name=row["organism_id"] or f"row {row['source_row']}",
        date_found=row["date_found"],
        event_date=row["event_date"].date(),
        body_mass_g=row["body_mass_g"],
        life_stage=row["life_stage"],
        in_care=row["in_care"],
    )


def _nowhere(
    latitude: float,
    longitude: float,
    forecast: str,
    history: str,
    timezone: str,
    elevation_m: float | None,
) -> Site:
    """A site for animals that have none; from a file its height is that of the file's cell."""
    place = Place(
        id="found-animals",
        name="Where the animals were found",
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m or 0.0,
        timezone=timezone,
    )
    if elevation_m is None:
        if history == _SERVICE:
            raise UsageError("The height of the place is needed, metres above the sea.")
        gap = weather.read(Path(history), place).attrs.get("height_gap_m")
        place = place.model_copy(update={"elevation_m": float(gap or 0.0)})
    return Site.model_validate(
        {
            "schema_": SCHEMA,
            "place": place,
            "weights": Weights.model_construct(files=()),
            "weather": {"forecast": _source(forecast), "history": _source(history)},
        }
    )


def _source(named: str) -> str:
    if named == "met-norway":
        raise UsageError("met-norway wants to know who asks: name it in a site file.")
    return named if named == _SERVICE else str(Path(named).absolute())
