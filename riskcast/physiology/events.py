"""From arousal to arousal: the exact event scheme behind `winter`.

Hazard and torpid loss depend on the weather and the draw, not on the animal. They are
cumulated once per member and draw; every animal then jumps from one arousal to the next by
inverting the cumulated hazard. Within an hour both are constant, so the cumulants are
piecewise linear and the jumps exact:

- the hazard rests while the animal is awake and starts again when it is torpid;
- an empty reserve is found by inverting the loss inside the bout, not at the next arousal;
- a waking spends its oxygen along a stated profile, rewarming first: the rate falls
  linearly from twice its mean to nothing, so the share spent after a fraction x of the
  time is 1 − (1 − x)²;
- the k-th waking of an animal uses its k-th stored exponential, whatever the date, the
  scenario or the weather.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from riskcast.physiology.diary import Page
from riskcast.physiology.rows import Rows
from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_length,
    grams_per_ml_oxygen,
    log_arousal_hazard,
    rise_factor,
    season_factor,
    torpid_rate,
)
from riskcast.species import Species

__all__ = [
    "Budget",
    "Course",
    "Luck",
    "Plan",
    "cumulate",
    "jump",
    "rise_over_a_day",
    "trailing_mean",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
_DRAWS_AT_ONCE = 16
# Steps of the table of hazards: about ten hours each in a winter.
_BINS = 512


@dataclass(frozen=True)
class Plan:
    """What all members of a run have in common.

    sp : the drawn species; `narrow` holds the few sections a waking needs
    log_season : (draw, hour), logarithm of the season's factor on the hazard
    blocks : some draws at a time, with their numbers as columns
    grams : (draw,), grams per mL of oxygen
    """

    sp: Species
    narrow: Species
    log_season: FloatArray
    blocks: tuple[tuple[slice, Species], ...]
    grams: FloatArray

    @property
    def draws(self) -> int:
        return len(self.grams)

    @property
    def rising(self) -> bool:
        """Does warming as such count? Off in the species file as it ships."""
        return bool(np.any(self.sp.torpor.hazard_rise_slope))

    @classmethod
    def of(cls, times: npt.ArrayLike, sp: Species, *, season_terms: bool) -> Plan:
        """Prepare for hours that start at `times`; without season terms the factor is 1."""
        draws, hours = sp.draws or 1, np.asarray(times).size
        season = season_factor(times, sp.columns()) if season_terms else np.ones(hours)
        slices = [
            slice(first, min(first + _DRAWS_AT_ONCE, draws))
            for first in range(0, draws, _DRAWS_AT_ONCE)
        ]
        return cls(
            sp=sp,
            narrow=sp.only("arousal"),
            log_season=np.broadcast_to(np.log(season), (draws, hours)),
            blocks=tuple((some, sp.some(some).columns()) for some in slices),
            grams=np.broadcast_to(grams_per_ml_oxygen(sp).ravel(), (draws,)),
        )

    def part(self, some: slice) -> Plan:
        """The same for some of the draws, in one block."""
        sp = self.sp.some(some)
        return Plan(
            sp=sp,
            narrow=sp.only("arousal"),
            log_season=self.log_season[some],
            blocks=((slice(0, sp.draws), sp.columns()),),
            grams=self.grams[some],
        )


@dataclass(frozen=True)
class Budget:
    """Some members' winter for every draw; a row is one member with one draw, draws fastest.

    Hours are counted from the start of the nest series.

    hazard, loss : cumulated from 0, hours + 1 long: arousals a torpid animal would meet;
        grams per gram (at the scale mass) it would lose
    nest : (member, hour), °C
    """

    hazard: Rows
    loss: Rows
    nest: FloatArray
    plan: Plan

    @property
    def hours(self) -> int:
        return int(self.nest.shape[1])

    def waking(
        self, row: IntArray, hour: IntArray, chance: FloatArray | None
    ) -> tuple[FloatArray, FloatArray, BoolArray | None]:
        """Cost (grams per gram) and length (hours) of wakings that start in given hours.

        With `chance` below the search fraction the animal leaves the nest, in vain: the
        third result. Without chances none does.
        """
        member, draw = np.divmod(row, self.plan.draws)
        own = self.plan.narrow.rows(draw)
        t = self.nest.reshape(-1).take(member * self.hours + hour)
        oxygen, length = arousal_cost(t, own), arousal_length(t, own)
        leaves = None
        if chance is not None:
            leaves = np.asarray(chance < own.arousal.search_fraction)
            oxygen = np.where(leaves, own.arousal.search_cost, oxygen)
            length = np.where(leaves, own.arousal.search_length, length)
        return self.plan.grams.take(draw) * oxygen, length, leaves


@dataclass(frozen=True)
class Course:
    """What became of every future of some members; arrays (member, draw, animal).

    spent : grams per gram (at the scale mass) spent by the end, or when the reserve ran out
    arousals : wakings begun by then
    empty_hour : hour at which the reserve ran out; inf = it lasted to the end
    page : what was written down on the way, where asked
    """

    spent: FloatArray
    arousals: IntArray
    empty_hour: FloatArray
    page: Page | None = None


@dataclass(frozen=True)
class Luck:
    """Chance of each animal, reused across weather, dates and scenarios.

    targets(k) and searches(k) give the k-th exponential and uniform, shape (draw, animal).
    """

    targets: Callable[[int], FloatArray]
    searches: Callable[[int], FloatArray]


def trailing_mean(values: FloatArray, hours: int) -> FloatArray:
    """Mean of the last `hours` along the last axis; at the start, of what there is."""
    total = np.cumsum(values, axis=-1, dtype=float)
    out = total.copy()
    out[..., hours:] -= total[..., :-hours]
    counts = np.minimum(np.arange(1, values.shape[-1] + 1), hours)
    return np.asarray(out / counts)


def rise_over_a_day(t24: FloatArray, sp: Species) -> FloatArray:
    """How far T24 lies above its value one memory before, °C; 0 where there is no before."""
    memory = int(sp.torpor.temperature_memory)
    rise = np.zeros_like(t24)
    rise[..., memory:] = t24[..., memory:] - t24[..., :-memory]
    return rise


def cumulate(nest: FloatArray, t24: FloatArray, rise: FloatArray, plan: Plan) -> Budget:
    """Cumulate hazard and loss of some members for every draw.

    Parameters
    ----------
    nest, t24 : (member, hour), °C
    rise : (member, hour), see `rise_over_a_day`; °C
    plan : what the members have in common
    """
    members, hours = nest.shape
    hazard, loss = (np.empty((members, plan.draws, hours + 1)) for _ in range(2))
    # A few draws at a time, so that what is worked on stays in the processor's cache.
    for m in range(members):
        for some, columns in plan.blocks:
            log_hazard = log_arousal_hazard(t24[m], columns) + plan.log_season[some]
            # A multiplier of 0 is an animal that never wakes: log 0 is −inf, its hazard 0.
            with np.errstate(divide="ignore"):
                log_hazard += np.log(columns.torpor.arousal_multiplier)
            if plan.rising:
                log_hazard += np.log(rise_factor(rise[m], columns))
            _cumulate(np.exp(log_hazard, out=log_hazard), hazard[m, some])
            per_hour = torpid_rate(nest[m], columns) * plan.grams[some, np.newaxis]
            _cumulate(per_hour, loss[m, some])
    rows = (members * plan.draws, hours + 1)
    return Budget(Rows(hazard.reshape(rows), _BINS), Rows(loss.reshape(rows)), nest, plan)


def jump(
    budget: Budget,
    start_hour: FloatArray,
    allowance: FloatArray,
    luck: Luck,
    end_hour: FloatArray | None = None,
    page: Page | None = None,
) -> Course:
    """Carry animals from waking to waking until the reserve is gone or the time is up.

    Parameters
    ----------
    budget : some members' winter
    start_hour : (member, draw, animal), hour at which it falls torpid for the first time
    allowance : (member, draw, animal), grams per gram it may spend; ≤ 0 = nothing to spend
    luck : chance of the animals, the same in every member
    end_hour : (member, draw, animal), when each future stops; None = the end of the series
    page : writes down every stretch of torpor and every waking; None = only how it ends

    Notes
    -----
    Animals come last so that neighbours look things up in the same row of the budget, which
    then stays in the processor's cache.
    """
    hazard, loss, shape = budget.hazard, budget.loss, allowance.shape
    end = np.full(allowance.size, float(budget.hours))
    if end_hour is not None:
        end = np.minimum(end, end_hour.ravel())
    limit = allowance.ravel()
    hour = np.clip(start_hour.ravel(), 0.0, end)
    done = _Done(limit, hour, end)
    searching = bool(np.any(budget.plan.sp.arousal.search_fraction))
    one_member = shape[1] * shape[2]

    who = np.flatnonzero((limit > 0) & (hour < end))
    row = who // shape[2]
    whose = who % one_member
    now, used, k = hour.take(who), np.zeros(who.size), 0
    while who.size:
        stop, room = end.take(who), limit.take(who) - used
        # Asleep: until the hazard met reaches the animal's next target.
        start = loss.at(row, now)
        wake = hazard.invert(row, hazard.at(row, now) + luck.targets(k).ravel().take(whose))
        until = np.minimum(wake, stop)
        burnt = loss.at(row, until) - start
        gone = burnt >= room
        if gone.any():
            moment = loss.invert(row[gone], start[gone] + room[gone], now[gone], until[gone])
            done.emptied(who[gone], moment)
            until[gone] = moment
        over = ~gone & (wake >= stop)
        done.lasted(who[over], used[over] + burnt[over])
        if page is not None:
            page.asleep(who, now, until, used, np.minimum(burnt, room), loss, row)
        go = np.flatnonzero(~(gone | over))
        who, row, whose = who.take(go), row.take(go), whose.take(go)
        wake, stop = wake.take(go), stop.take(go)
        used, room = used.take(go) + burnt.take(go), room.take(go) - burnt.take(go)

        # Awake: the oxygen of one waking, rewarming first.
        done.arousals[who] += 1
        in_hour = np.minimum(wake.astype(np.int64), budget.hours - 1)
        chance = luck.searches(k).ravel().take(whose) if searching else None
        cost, length, leaves = budget.waking(row, in_hour, chance)
        part = np.minimum((stop - wake) / length, 1.0)
        burnt = cost * (1.0 - (1.0 - part) ** 2)
        gone = burnt >= room
        now = wake + length
        until = np.minimum(now, stop)
        if gone.any():
            spent_part = 1.0 - np.sqrt(1.0 - room[gone] / cost[gone])
            until[gone] = wake[gone] + length[gone] * spent_part
            done.emptied(who[gone], until[gone])
        if page is not None:
            page.awake(who, wake, until, used, np.minimum(burnt, room), cost, length, leaves)
        used = used + burnt
        over = ~gone & (now >= stop)
        done.lasted(who[over], used[over])
        go = np.flatnonzero(~(gone | over))
        who, row, whose = who.take(go), row.take(go), whose.take(go)
        now, used = now.take(go), used.take(go)
        k += 1
    if page is not None:
        page.close(hour, np.where(np.isfinite(done.empty), done.empty, end), done.spent)
    return Course(
        spent=done.spent.reshape(shape),
        arousals=done.arousals.reshape(shape),
        empty_hour=done.empty.reshape(shape),
        page=page,
    )


class _Done:
    """Where futures that have ended are written down."""

    def __init__(self, limit: FloatArray, hour: FloatArray, end: FloatArray) -> None:
        self._limit = limit
        self.spent = np.zeros(limit.size)
        self.arousals = np.zeros(limit.size, dtype=np.int64)
        # Whoever has nothing to spend is empty as soon as it goes in, if it does.
        self.empty = np.where((limit <= 0) & (hour < end), hour, np.inf)

    def emptied(self, who: IntArray, moment: FloatArray) -> None:
        self.empty[who] = moment
        self.spent[who] = self._limit[who]

    def lasted(self, who: IntArray, spent: FloatArray) -> None:
        self.spent[who] = spent


def _cumulate(per_hour: FloatArray, out: FloatArray) -> None:
    out[:, 0] = 0.0
    np.cumsum(np.broadcast_to(per_hour, (out.shape[0], out.shape[1] - 1)), axis=1, out=out[:, 1:])
