"""Futures in bulk: animals spread over members and draws, carried on all cores, as Datasets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from os import cpu_count
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.nights import as_ns
from riskcast.base.streams import stream
from riskcast.physiology.compiled import Compiled, Engine, picked
from riskcast.physiology.diary import Diary, Page, Pages
from riskcast.physiology.events import (
    Course,
    Luck,
    Plan,
    cumulate,
    jump,
    rise_over_a_day,
    trailing_mean,
)
from riskcast.physiology.given import checked_masses, checked_onset, spread
from riskcast.physiology.torpor import empty_mass, spendable
from riskcast.species import Species

__all__ = [
    "Animals",
    "Job",
    "Outcome",
    "as_dataset",
    "as_spent",
    "carry",
    "endless",
    "fed",
    "fed_by_day",
    "moments",
]

FloatArray = npt.NDArray[np.float64]
_HOUR = np.timedelta64(1, "h")
_SECONDS_PER_HOUR = 3600.0
_HOURS_PER_DAY = 24.0
# Wakings are drawn in blocks, so a long winter needs no guess of their number.
_BLOCK = 32
# Together they bound the memory: 512 rows (a member with a draw each) are about 40 MB in a
# season of 5,000 hours, whatever the number of animals and members.
_ROWS_AT_ONCE, _MOST_THREADS = 512, 4


def _open_end(until: npt.NDArray[np.datetime64], start: np.datetime64) -> FloatArray:
    hours = (until.astype("datetime64[ns]") - start) / _HOUR
    return np.asarray(np.where(np.isnat(until), np.inf, hours), dtype=float)


@dataclass(frozen=True)
class Job:
    """Animals to carry: arrays (animal, member, draw); hours from the start of the nest."""

    begin: FloatArray
    allowance: FloatArray
    luck: Luck
    stop: FloatArray | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a job, (animal, member, draw)."""

    spent: FloatArray
    arousals: npt.NDArray[np.int64]
    empty: FloatArray
    pages: Pages | None = None


@dataclass(frozen=True)
class Animals:
    """Masses and onsets spread over (animal, member, draw)."""

    names: xr.DataArray
    mass: FloatArray
    limit: FloatArray
    begin: FloatArray
    drawn: Species
    luck: Luck

    @classmethod
    def of(
        cls,
        nest: xr.DataArray,
        body_mass_g: npt.ArrayLike | xr.DataArray,
        onset: xr.DataArray | np.datetime64 | None,
        drawn: Species,
        seed: int,
    ) -> Animals:
        masses = checked_masses(body_mass_g)
        names, draws = masses["animal"], drawn.draws or 1
        mass = spread(masses, "body_mass_g", names, nest, draws)
        begin = checked_onset(onset, as_ns(nest.time.values[0]))
        return cls(
            names=names,
            mass=mass,
            limit=empty_mass(mass, drawn),
            begin=spread(begin, "onset", names, nest, draws),
            drawn=drawn,
            luck=_luck([str(key) for key in names.values], draws, seed),
        )

    def job(self) -> Job:
        return Job(self.begin, spendable(self.mass, self.limit, self.drawn), self.luck)


def carry(
    nest: xr.DataArray,
    jobs: Sequence[Job],
    drawn: Species,
    season_terms: bool,
    diary: Diary | None = None,
    engine: Engine = "auto",
) -> list[Outcome]:
    """Run the event scheme for all jobs in one go, some members at a time on each core.

    A `diary` is kept of one job only, and always by NumPy.

    Some members at a time, because threads that only do short steps hinder each other: they
    hand the interpreter's lock to and fro.
    """
    # Nothing happens before the first animal goes in: leave those hours out.
    earliest = min(float(job.begin.min()) for job in jobs)
    first = max(int(min(earliest, nest.sizes["time"] - 1)), 0)
    values = np.ascontiguousarray(nest.values, dtype=float)
    t24 = trailing_mean(values, int(drawn.torpor.temperature_memory))
    rise = rise_over_a_day(t24, drawn)
    plan = Plan.of(nest.time.values[first:], drawn, season_terms=season_terms)

    # (member, draw, animal)
    begin = np.concatenate([job.begin for job in jobs]).transpose(1, 2, 0) - first
    allowance = np.concatenate([job.allowance for job in jobs]).transpose(1, 2, 0)
    stop = np.concatenate([_stop(job) for job in jobs]).transpose(1, 2, 0) - first
    luck = _together([job.luck for job in jobs])
    fast = diary is None and picked(engine, begin.size)
    compiled = Compiled(plan, luck) if fast else None

    def one(some: slice) -> Course:
        here, mean, risen = (series[some, first:] for series in (values, t24, rise))
        if compiled is not None:
            return compiled.carry(here, mean, risen, begin[some], allowance[some], stop[some])
        budget = cumulate(here, mean, risen, plan)
        page = None if diary is None else Page(diary, some, first)
        return jump(budget, begin[some], allowance[some], luck, stop[some], page)

    at_once = max(_ROWS_AT_ONCE // plan.draws, 1)
    starts = range(0, len(values), at_once)
    with ThreadPoolExecutor(max_workers=min(cpu_count() or 1, _MOST_THREADS)) as pool:
        courses = list(pool.map(one, [slice(m, m + at_once) for m in starts]))
    spent, arousals, empty = (
        np.concatenate([getattr(course, name) for course in courses]).transpose(2, 0, 1)
        for name in ("spent", "arousals", "empty_hour")
    )
    empty = empty + first
    written = [course.page for course in courses if course.page is not None]
    pages = Pages.of(written, first) if written else None
    ends = np.cumsum([len(job.begin) for job in jobs])
    return [
        Outcome(
            spent[end - len(job.begin) : end],
            arousals[end - len(job.begin) : end],
            empty[end - len(job.begin) : end],
            pages,
        )
        for job, end in zip(jobs, ends, strict=True)
    ]


def _stop(job: Job) -> FloatArray:
    return np.full(job.begin.shape, np.inf) if job.stop is None else job.stop


def _together(lucks: Sequence[Luck]) -> Luck:
    """The chance of several groups of animals, side by side."""
    if len(lucks) == 1:
        return lucks[0]

    def joined(kind: str) -> Callable[[int], FloatArray]:
        return cache(lambda k: np.concatenate([getattr(luck, kind)(k) for luck in lucks], axis=1))

    return Luck(targets=joined("targets"), searches=joined("searches"))


def endless(
    nest: xr.DataArray,
    until: xr.DataArray,
    onset: np.datetime64 | None,
    key: str,
    draws: int,
    seed: int,
) -> Job:
    """One animal whose reserve never ends, stopped at `until`."""
    start = as_ns(nest.time.values[0])
    end = until.copy(data=_open_end(until.values, start))
    begin = spread(checked_onset(onset, start), "onset", None, nest, draws)
    return Job(
        begin=begin,
        allowance=np.full(begin.shape, np.inf),
        luck=_luck([key], draws, seed),
        stop=spread(end, "until", None, nest, draws),
    )


def as_spent(nest: xr.DataArray, spent: FloatArray, draws: int) -> xr.DataArray:
    return xr.DataArray(
        spent[0],
        dims=("member", "draw"),
        coords={"member": nest["member"], "draw": np.arange(draws)},
        attrs={"units": "g g-1"},
        name="spent",
    )


def as_dataset(
    nest: xr.DataArray,
    animals: Animals,
    body: FloatArray,
    empty: FloatArray,
    arousals: npt.NDArray[np.int64] | None,
    issued: np.datetime64,
    feeding: str,
) -> xr.Dataset:
    """Hours as dates and days in hand."""
    hours, start = nest.sizes["time"], as_ns(nest.time.values[0])
    at = np.where(np.isfinite(empty), empty, float(hours))
    offset = (start - issued) / _HOUR
    variables: dict[str, Any] = {
        "body_mass_g": (body, {"units": "g"}),
        "days_in_hand": ((at + offset) / _HOURS_PER_DAY, {"units": "day"}),
        "reserve_empty": (
            moments(start, empty),
            {"note": "NaT: the reserve lasted to the end of the series"},
        ),
    }
    if arousals is not None:
        variables["arousals"] = (arousals, {"units": "1"})
    dims = ("animal", "member", "draw")
    return xr.Dataset(
        {name: (dims, values, attrs) for name, (values, attrs) in variables.items()},
        coords={
            "animal": animals.names,
            "member": nest["member"],
            "draw": np.arange(body.shape[-1]),
        },
        attrs={"feeding": feeding, "issued_at": str(issued)},
    )


def moments(start: np.datetime64, hours: FloatArray) -> npt.NDArray[np.datetime64]:
    """Hours from the start as dates; inf gives NaT."""
    never = ~np.isfinite(hours)
    seconds = np.where(never, 0.0, hours) * _SECONDS_PER_HOUR
    return np.where(never, np.datetime64("NaT"), start + seconds.astype("timedelta64[s]"))


def fed(animals: Animals, hours: float, drawn: Species) -> tuple[FloatArray, FloatArray]:
    """Mass with food at hand: a constant net change, measured with all wakings in it."""
    mass, limit, begin = animals.mass, animals.limit, animals.begin
    rate = np.asarray(drawn.reserve.fed_change_per_day)
    days = np.maximum(hours - begin, 0.0) / _HOURS_PER_DAY
    to_empty = np.divide(
        np.log(np.minimum(limit / mass, 1.0)),
        rate,
        out=np.full(mass.shape, np.inf),
        where=np.broadcast_to(rate < 0, mass.shape),
    )
    empty = np.where(mass <= limit, begin, begin + to_empty * _HOURS_PER_DAY)
    ran_out = empty < hours
    body = np.where(ran_out, np.minimum(limit, mass), mass * np.exp(rate * days))
    return body, np.where(ran_out, empty, np.inf)


def fed_by_day(animals: Animals, drawn: Species, diary: Diary) -> None:
    """Write down the mass of fed animals at the end of each day."""
    for day, end in enumerate(diary.ends):
        body = fed(animals, end, drawn)[0].reshape(len(animals.mass), -1)
        for a, masses in enumerate(body):
            which = np.full(masses.size, a)
            diary.see(which, np.full(masses.size, day), masses)


def _luck(keys: Sequence[str], draws: int, seed: int) -> Luck:
    """Chance keyed by animal; block b of its wakings has a stream of its own."""
    blocks: dict[tuple[str, int], FloatArray] = {}

    def block(kind: str, k: int) -> FloatArray:
        index, within = divmod(k, _BLOCK)
        if (kind, index) not in blocks:
            rows = []
            for key in keys:
                generator = stream(seed, "arousal", kind, key, str(index))
                if kind == "target":
                    rows.append(generator.standard_exponential((_BLOCK, draws)))
                else:
                    rows.append(generator.random((_BLOCK, draws)))
            blocks[(kind, index)] = np.stack(rows, axis=-1)
        return np.asarray(blocks[(kind, index)][within])

    return Luck(targets=lambda k: block("target", k), searches=lambda k: block("search", k))
