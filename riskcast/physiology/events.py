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

from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_length,
    grams_per_ml_oxygen,
    log_arousal_hazard,
    season_factor,
    torpid_rate,
)
from riskcast.species import Species

__all__ = ["Budget", "Course", "Luck", "Plan", "cumulate", "jump", "trailing_mean"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
_DRAWS_AT_ONCE = 16


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


@dataclass(frozen=True)
class Budget:
    """One member's winter for every draw. Hours are counted from the start of the nest series.

    hazard, loss : (draw, hour + 1), cumulated from 0: arousals a torpid animal would meet;
        grams per gram (at the scale mass) it would lose
    nest : (hour,), °C
    """

    hazard: FloatArray
    loss: FloatArray
    nest: FloatArray
    plan: Plan

    @property
    def hours(self) -> int:
        return int(self.nest.shape[0])

    def waking(
        self, row: IntArray, hour: IntArray, chance: FloatArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Cost (grams per gram) and length (hours) of wakings that start in given hours.

        With `chance` below the search fraction the animal leaves the nest, in vain;
        without chances none does.
        """
        own, t = self.plan.narrow.rows(row), self.nest[hour]
        oxygen, length = arousal_cost(t, own), arousal_length(t, own)
        if chance is not None:
            leaves = chance < own.arousal.search_fraction
            oxygen = np.where(leaves, own.arousal.search_cost, oxygen)
            length = np.where(leaves, own.arousal.search_length, length)
        return self.plan.grams[row] * oxygen, length


@dataclass(frozen=True)
class Course:
    """What became of every future of one member; arrays (draw, animal).

    spent : grams per gram (at the scale mass) spent by the end, or when the reserve ran out
    arousals : wakings begun by then
    empty_hour : hour at which the reserve ran out; inf = it lasted to the end
    """

    spent: FloatArray
    arousals: IntArray
    empty_hour: FloatArray


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


def cumulate(nest: FloatArray, t24: FloatArray, plan: Plan) -> Budget:
    """Cumulate hazard and loss of one member for every draw.

    Parameters
    ----------
    nest, t24 : (hour,), °C
    plan : what the members have in common
    """
    draws = plan.sp.draws or 1
    hazard, loss = (np.empty((draws, nest.size + 1)) for _ in range(2))
    # A few draws at a time, so that what is worked on stays in the processor's cache.
    for some, columns in plan.blocks:
        log_hazard = log_arousal_hazard(t24, columns) + plan.log_season[some]
        log_hazard += np.log(columns.torpor.arousal_multiplier)
        _cumulate(np.exp(log_hazard, out=log_hazard), hazard[some])
        _cumulate(torpid_rate(nest, columns) * plan.grams[some, np.newaxis], loss[some])
    return Budget(hazard=hazard, loss=loss, nest=nest, plan=plan)


def jump(
    budget: Budget,
    start_hour: FloatArray,
    allowance: FloatArray,
    luck: Luck,
    end_hour: FloatArray | None = None,
) -> Course:
    """Carry animals from waking to waking until the reserve is gone or the time is up.

    Parameters
    ----------
    budget : one member's winter
    start_hour : (draw, animal), hour at which the animal falls torpid for the first time
    allowance : (draw, animal), grams per gram it may spend; ≤ 0 = nothing to spend
    luck : chance of the animals
    end_hour : (draw, animal), when each future stops; None = the end of the series

    Notes
    -----
    Draws come first so that neighbours look things up in the same row of the budget: a
    search that stays in the processor's cache is three times faster.
    """
    draws, shape = budget.hazard.shape[0], allowance.shape
    end = np.full(allowance.size, float(budget.hours))
    if end_hour is not None:
        end = np.minimum(end, end_hour.ravel())
    draw = np.repeat(np.arange(draws), shape[1])
    index = np.arange(draw.size)
    hour = np.clip(start_hour.ravel(), 0.0, end)
    limit = allowance.ravel()
    spent = np.zeros(draw.size)
    count = np.zeros(draw.size, dtype=np.int64)
    empty = np.full(draw.size, np.inf)

    none_left = limit <= 0
    empty[none_left] = hour[none_left]
    alive = ~none_left & (hour < end)
    state = (index[alive], draw[alive], hour[alive], np.zeros(int(alive.sum())))
    hazard_rows = _Rows(budget.hazard)
    loss_rows = _Rows(budget.loss)
    searching = bool(np.any(budget.plan.sp.arousal.search_fraction))

    k = 0
    while state[0].size:
        who, row, now, used = state
        loss_now = loss_rows.at(row, now)
        due = hazard_rows.at(row, now) + luck.targets(k).ravel()[who]
        wake = hazard_rows.invert(row, due)
        until = np.minimum(wake, end[who])
        after_bout = used + loss_rows.at(row, until) - loss_now
        out = after_bout >= limit[who]
        if out.any():
            gone = who[out]
            empty[gone] = loss_rows.invert(row[out], loss_now[out] + limit[gone] - used[out])
            spent[gone] = limit[gone]
        over = ~out & (wake >= end[who])
        spent[who[over]] = after_bout[over]

        go = ~out & ~over
        who, row, wake, used = who[go], row[go], wake[go], after_bout[go]
        count[who] += 1
        in_hour = np.minimum(wake.astype(np.int64), budget.hours - 1)
        chance = luck.searches(k).ravel()[who] if searching else None
        cost, length = budget.waking(row, in_hour, chance)
        done = np.minimum((end[who] - wake) / length, 1.0)
        charged = cost * (1.0 - (1.0 - done) ** 2)
        room = limit[who] - used
        out = charged >= room
        if out.any():
            gone = who[out]
            share = room[out] / cost[out]
            empty[gone] = wake[out] + length[out] * (1.0 - np.sqrt(1.0 - share))
            spent[gone] = limit[gone]
        used = used + charged
        over = ~out & (done < 1.0)
        spent[who[over]] = used[over]
        go = ~out & ~over
        state = (who[go], row[go], (wake + length)[go], used[go])
        at_end = state[2] >= end[state[0]]
        if at_end.any():
            spent[state[0][at_end]] = state[3][at_end]
            keep = ~at_end
            state = (state[0][keep], state[1][keep], state[2][keep], state[3][keep])
        k += 1
    return Course(
        spent.reshape(shape), count.reshape(shape), np.minimum(empty, np.inf).reshape(shape)
    )


class _Rows:
    """Piecewise linear, non-decreasing rows: value at an hour, and hour of a value.

    All rows are searched at once by laying them end to end, each lifted above the last.
    """

    def __init__(self, cumulated: FloatArray) -> None:
        self._values = cumulated
        self._width = cumulated.shape[1]
        # Room for any value asked beyond the end of a row, so that it stays in its row.
        self._lift = float(cumulated[:, -1].max()) + 1.0
        lifts = np.arange(cumulated.shape[0]) * self._lift
        self._flat = (cumulated + lifts[:, np.newaxis]).ravel()

    def at(self, row: IntArray, hour: FloatArray) -> FloatArray:
        left = np.minimum(hour.astype(np.int64), self._width - 2)
        start = row * self._width + left
        values = self._values.reshape(-1)
        low = values[start]
        return np.asarray(low + (hour - left) * (values[start + 1] - low))

    def invert(self, row: IntArray, value: FloatArray) -> FloatArray:
        """Hour at which a row reaches a value; inf where it never does."""
        values = self._values.reshape(-1)
        beyond = value > self._values[row, -1]
        inside = np.where(beyond, 0.0, value)
        found = np.searchsorted(self._flat, inside + row * self._lift, side="left")
        right = np.clip(found - row * self._width, 1, self._width - 1)
        start = row * self._width + right
        low, high = values[start - 1], values[start]
        step = high - low
        part = np.divide(inside - low, step, out=np.zeros_like(step), where=step > 0)
        return np.asarray(np.where(beyond, np.inf, right - 1 + np.clip(part, 0.0, 1.0)))


def _cumulate(per_hour: FloatArray, out: FloatArray) -> None:
    out[:, 0] = 0.0
    np.cumsum(np.broadcast_to(per_hour, (out.shape[0], out.shape[1] - 1)), axis=1, out=out[:, 1:])
