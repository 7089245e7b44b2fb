"""The forecast of a run: each source asked in its turn, then what was kept of earlier ones.

::

    open-meteo ensemble -> open-meteo forecast -> met-norway -> a file    fresh: taken at once
                └───────────────┴──── kept copies ────┴────────┘          else the newest of all
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.site.fields import FORECAST_SERVICES as SERVICES
from riskcast.weather.access import Access, SourceReport
from riskcast.weather.dataset import Course, Note, hours, stamp
from riskcast.weather.files import assemble
from riskcast.weather.forecasts import newest
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.kept import issued
from riskcast.weather.kept.cell_store import of_site
from riskcast.weather.providers import met_norway, open_meteo
from riskcast.weather.providers.fetched import Fetched, unusable
from riskcast.weather.web import SourceError

if TYPE_CHECKING:
    from riskcast.site import Place, Weather
    from riskcast.weather.web import Web

__all__ = ["Candidate", "Kind", "Search", "report_on"]

# What a run fetched itself after the moment it speaks from counts as known: it takes a while.
_OWN_TIME = np.timedelta64(1, "h")

# Of forecasts nearly as new as each other the one named first counts: an ensemble of this
# morning is worth more than a single course of noon (common practice, no source).
_ABOUT_AS_NEW = np.timedelta64(12, "h")

# As many runs as past errors are learnt from at the least (`emos.LEAST_PAIRS`).
_ENOUGH_RUNS = 30

_RUNS = "open-meteo previous runs"


@dataclass(frozen=True)
class Kind:
    """One way to get a forecast from a service.

    label : for people; slug : in the names of kept files; ask : gets it
    """

    label: str
    slug: str
    ask: Callable[[Web], Fetched]


@dataclass(frozen=True)
class Candidate:
    """A forecast that could be used.

    Attributes
    ----------
    label : the source as the keeper knows it; of a kept one with "(kept)"
    slug : of its kind in the names of kept files; empty for a keeper's own file
    fresh : had in this run, and not older than is wanted
    """

    label: str
    slug: str
    course: Course
    made_at: np.datetime64
    fresh: bool
    notes: tuple[Note, ...] = ()


@dataclass
class Search:
    """One run's search, and how it went.

    Attributes
    ----------
    web : the network, or what is kept of it; None where no service is named
    reports : by label, in the order of trying
    failures : what each source that had nothing said
    notes : of the asking and keeping
    """

    config: Weather
    place: Place
    issued_at: np.datetime64
    access: Access
    web: Web | None
    reports: dict[str, SourceReport] = field(default_factory=dict)
    failures: list[WeatherError | InputMissingError] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    _had: dict[str, Candidate | None] = field(default_factory=dict)

    def forecast(self) -> Candidate | None:
        """The first source in order that has a fresh forecast, else the newest of all."""
        left: list[Candidate] = []
        slugs: list[str] = []
        for name in self.config.forecast:
            for found in self._of_source(name, slugs):
                if found.fresh:
                    return self._used(found, "forecast")
                left.append(found)
        left += [kept for slug in slugs if (kept := self._kept(slug)) is not None]
        if not left:
            return None
        last = max(one.made_at for one in left)
        return self._used(next(c for c in left if c.made_at >= last - _ABOUT_AS_NEW), "forecast")

    def before(self, chosen: Candidate) -> Course | None:
        """What a service knows of the days up to issue: they are no forecast any more.

        A reanalysis is days behind, and the members of an ensemble begin late. A fresh single
        forecast knows all days; of kept ones each knows those before it was made.
        """
        single = self._single()
        had = chosen if chosen.slug == single.slug else None
        if had is None and "open-meteo" in (*self.config.forecast, self.config.history):
            had = self._asked(single) if self.access.live else None
            if had is not None and had.fresh:
                self._used(had, "analysis")
        if had is not None and had.fresh:
            return self._up_to(had.course, self.issued_at)
        kept = self._recent([single]) or self._recent(self._kinds_of(chosen.slug))
        if kept is not None or had is None:
            return kept
        return self._up_to(had.course, min(self.issued_at, had.made_at + issued.RECENT))

    def _recent(self, kinds: Sequence[Kind]) -> Course | None:
        """The days before issue, as kept forecasts of these kinds know them."""
        for kind in kinds:
            course = issued.recent_days(self.access.shelf, [kind.slug], self.place, self.issued_at)
            if course is not None:
                label = f"{kind.label} (kept)"
                if not self._is_used(label):
                    self.reports[label] = replace(
                        report_on(course, label, "analysis"),
                        reached=False,
                        from_cache=True,
                        used=True,
                    )
                return course
        return None

    def _is_used(self, label: str) -> bool:
        return label in self.reports and self.reports[label].used

    def _kinds_of(self, slug: str) -> list[Kind]:
        return [k for name in SERVICES for k in self._kinds(name) if k.slug == slug]

    def pairs(self, chosen: Candidate, history: Course) -> Pairs | None:
        """Past errors of a single forecast: of those kept here, else of the service's own."""
        if not chosen.slug or len(chosen.course.member) > 1:
            return None
        shelf = self.access.shelf
        own = issued.pairs_with(shelf, chosen.slug, self.place, history, self.issued_at)
        runs = 0 if own is None else len(np.unique(own.valid[own.lead_day == 1])) // 24
        theirs = None
        if runs < _ENOUGH_RUNS and chosen.slug == self._single().slug and self.access.live:
            theirs = self._previous_runs()
        return theirs or own

    def _of_source(self, name: str, slugs: list[str]) -> list[Candidate]:
        """What one source has, asked kind by kind until one is fresh."""
        if name not in SERVICES:
            found = self._file(name)
            return [] if found is None else [found]
        had = []
        for kind in self._kinds(name):
            slugs.append(kind.slug)
            found = self._asked(kind) if self.access.live else None
            if found is not None:
                had.append(found)
                if found.fresh:
                    break
        return had

    def _kinds(self, name: str) -> tuple[Kind, ...]:
        if name == "open-meteo":
            return (self._ensemble(), self._single())
        if name != "met-norway":
            return ()
        settings, place, at = self.config.met_norway, self.place, self.issued_at
        label = "met-norway"
        return (Kind(label, label, lambda w: met_norway.fetch(w, settings, place, as_of=at)),)

    def _ensemble(self) -> Kind:
        settings, place, at = self.config.open_meteo, self.place, self.issued_at
        return Kind(
            "open-meteo ensemble",
            f"open-meteo.ensemble.{settings.ensemble_model}",
            lambda web: open_meteo.fetch_ensemble(web, settings, place, as_of=at),
        )

    def _single(self) -> Kind:
        settings, place, at = self.config.open_meteo, self.place, self.issued_at
        return Kind(
            "open-meteo forecast",
            f"open-meteo.forecast.{settings.forecast_model}",
            lambda web: open_meteo.fetch_forecast(web, settings, place, as_of=at),
        )

    def _file(self, paths: str) -> Candidate | None:
        label = paths.rstrip("/").rpartition("/")[2] or paths
        try:
            found = newest(paths, self.place, self.issued_at, self.config.table)
        except (WeatherError, InputMissingError) as error:
            self._failed(label, error)
            return None
        fresh = not self._old(found.reference_time)
        self.reports[label] = replace(
            report_on(found.course, label, "forecast", made_at=found.reference_time),
            stale=not fresh,
        )
        return Candidate(label, "", found.course, found.reference_time, fresh, found.notes)

    def _asked(self, kind: Kind) -> Candidate | None:
        """The service's answer, kept on the shelf; asked once a run."""
        if kind.label not in self._had:
            self._had[kind.label] = self._ask(kind)
        return self._had[kind.label]

    def _ask(self, kind: Kind) -> Candidate | None:
        assert self.web is not None
        self.access.progress(kind.label)
        try:
            got = kind.ask(self.web)
            made = self._known(got.reference_time, kind.label)
            cell, elevation_m = got.table.cell, got.table.elevation_m
            course = assemble([got.table], [], self.place, kind.label)
            weather = of_site(course, self.place, cell, elevation_m, made)
            # As it will be read from the shelf: a run of this moment made again has its numbers.
            again = issued.course_of(weather, kind.label, self.place)
        except WeatherError as error:
            self._failed(kind.label, unusable(kind.label, error))
            return None
        self.notes += got.notes
        self.notes += issued.keep(self.access.shelf, kind.slug, self.place, weather)
        old = got.stale or self._old(made)
        self.reports[kind.label] = replace(
            report_on(again, kind.label, "forecast", made_at=made),
            reached=got.asked,
            problem=got.problem,
            from_cache=got.from_cache,
            stale=old,
        )
        if got.problem:
            self._tell_failed(kind.label, got.problem)
        course = replace(again, attrs=course.attrs)
        return Candidate(kind.label, kind.slug, course, made, not old)

    def _kept(self, slug: str) -> Candidate | None:
        """The newest kept forecast of a kind that was known at issue."""
        shelf = self.access.shelf
        found = issued.newest_kept(shelf, [slug], self.place, self.issued_at)
        if found is None:
            return None
        label = f"{self._kinds_of(slug)[0].label} (kept)"
        self.reports[label] = replace(
            report_on(found.course, label, "forecast", made_at=found.made_at),
            reached=False,
            from_cache=True,
            stale=self._old(found.made_at),
        )
        return Candidate(label, slug, found.course, found.made_at, False, found.notes)

    def _previous_runs(self) -> Pairs | None:
        assert self.web is not None
        settings, at = self.config.open_meteo, self.issued_at
        try:
            return open_meteo.fetch_previous_runs(self.web, settings, self.place, as_of=at)
        except WeatherError as error:  # told to the keeper; the season can do without
            problem = " ".join(str(error).split())
            self.reports[_RUNS] = SourceReport(_RUNS, "forecast", False, problem)
            return None

    def _used(self, found: Candidate, role: str) -> Candidate:
        self.reports[found.label] = replace(self.reports[found.label], used=True, role=role)
        return found

    def _known(self, made: np.datetime64, label: str) -> np.datetime64:
        """When it was made, not later than issue.

        Raises
        ------
        WeatherError
            It was not known then.
        """
        if made > self.issued_at + _OWN_TIME:
            raise WeatherError(
                f"{label} gives the forecast of {stamp(made)}, which was not known at"
                f" {stamp(self.issued_at)}; set the clock of this computer, which seems to be"
                " behind."
            )
        return min(made, self.issued_at)

    def _old(self, made: np.datetime64) -> bool:
        hours_old = (self.issued_at - made) / np.timedelta64(1, "h")
        return bool(hours_old > self.config.max_age_hours)

    def _up_to(self, course: Course, until: np.datetime64) -> Course | None:
        size = min(int(hours([until])[0]) + 1 - course.start, course.size)
        if size < 1:
            return None
        return replace(
            course,
            member=course.member[:1],
            values={name: array[:1, :size] for name, array in course.values.items()},
            filled=course.filled[:size],
            gap=course.gap[:size],
        )

    def _failed(self, label: str, error: WeatherError | InputMissingError) -> None:
        problem = " ".join(str(error).split())
        answered = isinstance(error, WeatherError) and not isinstance(error, SourceError)
        self.reports[label] = SourceReport(label, "forecast", answered, problem)
        self.failures.append(error)
        self._tell_failed(label, problem)

    def _tell_failed(self, label: str, problem: str) -> None:
        if not self.access.offline:  # there nobody was asked, because the keeper said so
            self.notes.append(Note("source_failed", {"source": label, "problem": problem}))


def report_on(
    course: Course, source: str, role: str, *, made_at: np.datetime64 | None = None
) -> SourceReport:
    """How it went with a source that gave a course: what it covers, how far off, whose it is."""
    there = np.isfinite(course.values["air_temperature"]).any(axis=0)
    at = np.flatnonzero(there)
    away, gap = course.attrs.get("cell_distance_km"), course.attrs.get("height_gap_m")
    return SourceReport(
        source=source,
        role=role,
        reached=True,
        made_at=made_at,
        cell_distance_km=None if away is None else float(away),
        height_gap_m=None if gap is None else float(gap),
        first=course.times[at[0]] if len(at) else None,
        last=course.times[at[-1]] if len(at) else None,
        hours=len(at),
        licence=str(course.attrs.get("licence", "")),
        attribution=str(course.attrs.get("attribution", "")),
    )
