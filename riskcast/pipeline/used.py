"""What is said about the inputs of a run, and what earlier runs said."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskcast import animals
from riskcast.advice import PreviousLevel
from riskcast.archive import Archive
from riskcast.risk import (
    Assessment,
    Reason,
    RecordsUsed,
    SetAside,
    SiteSummary,
    WeatherUsed,
)

if TYPE_CHECKING:
    from riskcast.animals import Records
    from riskcast.pipeline.moment import Moment
    from riskcast.site import Site
    from riskcast.species import Species
    from riskcast.weather import Season

__all__ = [
    "bounds",
    "previous_levels",
    "records_used",
    "site_summary",
    "weather_notes",
    "weather_used",
]

# Places of animals that must not be found leave the machine to about ten kilometres.
_PLACE_DIGITS = 1

# With a public grid, an exact height or distance draws a line through the very place.
_HEIGHT_STEP_M = 10
_DISTANCE_STEP_KM = 5
_LAST_DAYS = 10
_NOT_MISSING = ("none", "diurnal_model")
_HOUR = np.timedelta64(1, "h")


def bounds(sp: Species) -> dict[str, tuple[float, float]]:
    """Plausible weights by life stage, from the species file, g."""
    group = sp.weights
    return {
        stage: (getattr(group, f"{stage}_min"), getattr(group, f"{stage}_max"))
        for stage in ("adult", "juvenile", "nestling")
    }


def site_summary(site: Site, sp: Species) -> SiteSummary:
    """The site with its place rounded: to 0.1 degrees, and to 10 m in height."""
    place = site.place
    return SiteSummary(
        id=place.id,
        name=place.name,
        latitude=round(place.latitude, _PLACE_DIGITS),
        longitude=round(place.longitude, _PLACE_DIGITS),
        elevation_m=_rounded(place.elevation_m, _HEIGHT_STEP_M),
        timezone=place.timezone,
        boxes=place.boxes,
        species=sp.name,
        vernacular_name=sp.vernacular_name,
    )


def weather_used(site: Site, season: Season, now: Moment) -> WeatherUsed:
    """Source, age and completeness of the weather.

    The distance to the grid cell is rounded to 5 km and the gap in height to 10 m: exact, they
    would give the place of the site away to anybody who has the grid.
    """
    futures, attrs = season.futures, season.futures.attrs
    reference = attrs.get("reference_time")
    age = None
    issued = None
    if reference:
        stamp = np.datetime64(str(reference).removesuffix("Z"), "ns")
        age = round(float((now.issued_at - stamp) / _HOUR), 1)
        issued = pd.Timestamp(stamp, tz="UTC").to_pydatetime()
    limit = float(site.weather.max_age_hours)
    return WeatherUsed(
        provider=str(attrs.get("provider", "file")),
        model=str(attrs.get("model", "")),
        reference_time=issued,
        age_hours=age,
        max_age_hours=limit,
        stale=age is not None and age > limit,
        members=int(futures.sizes["member"]),
        past_years=int(season.past_years.sizes["member"]),
        past_years_asked=int(site.weather.past_years),
        filled_last_10_days=_filled(season, now),
        cell_distance_km=_coarse(attrs.get("cell_distance_km"), _DISTANCE_STEP_KM),
        height_gap_m=_coarse(attrs.get("height_gap_m"), _HEIGHT_STEP_M),
        licence=str(attrs.get("licence", "")),
        attribution=_lines(attrs.get("attribution")),
        notes=weather_notes(site, season),
    )


def weather_notes(site: Site, season: Season) -> tuple[Reason, ...]:
    """What has to be told of the weather, and of what was given and not used.

    Distances and heights are rounded as in `weather_used`.
    """
    notes = [
        Reason(code=note.code, numbers=_hidden(note.code, note.numbers)) for note in season.notes
    ]
    if any(note.code == "history_incomplete" for note in notes):
        # The same shortness; this one says that it will pass.
        notes = [note for note in notes if note.code != "past_years_short"]
    return tuple(notes)


def records_used(records: Records) -> RecordsUsed:
    """Which weights were read, and what was set aside."""
    return RecordsUsed(
        files=tuple(Path(file).name for file in records.files),
        rows=records.n_rows,
        used=records.n_used,
        last_check=animals.last_round(records.rows),
        set_aside=tuple(
            SetAside(
                source=fault.source,
                where=fault.where,
                value=fault.value,
                problem=fault.problem,
                remedy=fault.remedy,
            )
            for fault in records.faults
        ),
        assumptions=tuple(records.assumptions),
    )


def previous_levels(
    archive: Archive, assessment: Assessment, sp: Species
) -> Mapping[str, PreviousLevel]:
    """By role, what the last run on an earlier day said, if that is recent enough to matter."""
    midnight = dt.datetime.combine(assessment.issued_on, dt.time())
    document = archive.previous_run(assessment.site.id, midnight.isoformat())
    if document is None:
        return {}
    last: dict[str, Any] = json.loads(document)
    age = assessment.issued_on - dt.date.fromisoformat(last["issued_on"])
    if age.days > sp.levels.memory_days:
        return {}
    return {
        advice["role"]: PreviousLevel(level=advice["level"], raw_level=advice["raw_level"])
        for advice in last["advice"]
    }


def _filled(season: Season, now: Moment) -> float:
    """Share of the last days' hours that were missing and filled in.

    Hours made of a file's own lowest and highest temperature of the day were not missing: that
    is another doubt, told as ``daily_values``. A day without its values is missing.
    """
    times = season.futures.time.values
    recent = (times <= now.issued_at) & (times > now.issued_at - np.timedelta64(_LAST_DAYS, "D"))
    filled = ~np.isin(season.futures["filled"].values[recent], _NOT_MISSING)
    return round(float(filled.mean()), 3) if filled.size else 0.0


def _hidden(code: str, numbers: Mapping[str, Any]) -> dict[str, Any]:
    """The numbers of a note, those that tell the place rounded."""
    step = {"height_gap": ("m", _HEIGHT_STEP_M), "cell_distance": ("km", _DISTANCE_STEP_KM)}
    told = dict(numbers)
    if code in step:
        name, size = step[code]
        told[name] = _coarse(told[name], size)
    return told


def _coarse(value: Any, step: int) -> float | None:
    missing = value is None or np.isnan(float(value))
    return None if missing else _rounded(float(value), step)


def _rounded(value: float, step: int) -> float:
    return float(step * round(value / step))


def _lines(value: Any) -> tuple[str, ...]:
    if not value:
        return ()
    texts = value.split("; ") if isinstance(value, str) else value
    return tuple(map(str, texts))
