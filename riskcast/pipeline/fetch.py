"""Fetch the weather of a site into the cache, and tell how it went with each source."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskcast import advice
from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.reach import weather_access
from riskcast.risk import Reason
from riskcast.site import load_site
from riskcast.weather.sources import gather

if TYPE_CHECKING:
    from riskcast.pipeline.reach import Progress
    from riskcast.weather.access import SourceReport

__all__ = ["Fetched", "beside_sources", "fetch", "source_line"]

_HOUR = np.timedelta64(1, "h")


@dataclass(frozen=True)
class Fetched:
    """What there is of weather after fetching.

    Attributes
    ----------
    moment : when it was fetched
    sources : one report a source that was tried
    notes : sentences: what is still to come, what went wrong, each with the way out
    """

    moment: Moment
    sources: tuple[SourceReport, ...]
    notes: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """One line a source."""
        return tuple(source_line(one, self.moment.issued_at) for one in self.sources)

    @property
    def attribution(self) -> tuple[str, ...]:
        """The words that the providers of what is used want to see beside it, with address."""
        return tuple(dict.fromkeys(s.attribution for s in self.sources if s.used and s.attribution))

    def as_dict(self) -> dict[str, Any]:
        """All of it as plain values for JSON; what is not known is None."""
        return {
            "fetched_at": _stamp(self.moment.issued_at),
            "sources": [_plain(one, self.moment.issued_at) for one in self.sources],
            "notes": list(self.notes),
        }


def fetch(site_path: str | Path, *, progress: Progress | None = None) -> Fetched:
    """Forecast, the days since the past ends, and past winters, as far as limits allow.

    It can be repeated: what is there and fresh is not asked for again, and past winters that
    are still missing are fetched on. Nothing is computed, written elsewhere or sent.

    Raises
    ------
    InputMissingError, WeatherError
        No source had a usable forecast, or none past weather; what could be had is kept.
    """
    site = load_site(site_path)
    now = moment(None, site.place.timezone)
    found = gather(
        site.weather,
        site.place,
        issued_at=now.issued_at,
        access=weather_access(site, now, progress=progress),
        years=site.weather.past_years,
    )
    notes = [Reason(code=note.code, numbers=dict(note.numbers)) for note in found.notes]
    return Fetched(now, found.reports, beside_sources(notes))


def beside_sources(notes: Iterable[Reason]) -> tuple[str, ...]:
    """The notes as sentences, without those that the lines on the sources tell already."""
    return advice.note_sentences(note for note in notes if note.code != "source_failed")


def source_line(report: SourceReport, issued_at: np.datetime64) -> str:
    """How it went with one source: reached or why not, how old, how far off, how much, whose.

    Distance and height are not rounded: this is for the keeper's own screen, and tells
    whether the place is the right one.
    """
    head = f"{report.source}, {report.role}"
    if not (report.reached or report.used or report.from_cache):
        return f"{head}: not reached. {report.problem}".rstrip()
    parts = [_way(report)]
    if report.made_at is not None:
        age = _age_hours(report, issued_at)
        word = "issued" if report.role == "forecast" else "fetched"
        parts.append(f"{word} {_stamp(report.made_at)}, {age:.0f} h old")
    if report.cell_distance_km is not None and not np.isnan(report.cell_distance_km):
        away = f"grid cell {report.cell_distance_km:.1f} km away"
        if report.height_gap_m is not None and not np.isnan(report.height_gap_m):
            away += f", {report.height_gap_m:+.0f} m in height"
        parts.append(away)
    if report.hours and report.first is not None and report.last is not None:
        parts.append(f"{report.hours} hours from {_day(report.first)} to {_day(report.last)}")
    parts.append(report.licence or "licence not stated")
    return f"{head}: {'; '.join(parts)}" + (f". {report.problem}" if report.problem else "")


def _way(report: SourceReport) -> str:
    """How it was had, in a word or two."""
    way = "reached" if report.reached else "kept from before"
    if report.reached and report.from_cache:
        way = "reached, nothing newer"
    if report.stale:
        way = f"NOT FRESH, {way}"
    return way if report.used else f"{way}, not used"


def _age_hours(report: SourceReport, issued_at: np.datetime64) -> float | None:
    if report.made_at is None:
        return None
    # What was fetched after this run began is new.
    return round(max(float((issued_at - report.made_at) / _HOUR), 0.0), 1)


def _plain(report: SourceReport, issued_at: np.datetime64) -> dict[str, Any]:
    return {
        "source": report.source,
        "role": report.role,
        "reached": report.reached,
        "used": report.used,
        "from_cache": report.from_cache,
        "stale": report.stale,
        "problem": report.problem,
        "made_at": _stamp(report.made_at),
        "age_hours": _age_hours(report, issued_at),
        "cell_distance_km": _number(report.cell_distance_km),
        "height_gap_m": _number(report.height_gap_m),
        "first": _stamp(report.first),
        "last": _stamp(report.last),
        "hours": report.hours,
        "licence": report.licence,
        "attribution": report.attribution,
    }


def _number(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)


def _stamp(moment: np.datetime64 | None) -> str | None:
    return None if moment is None else f"{np.datetime_as_string(moment, unit='m')}Z"


def _day(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[D]"))
