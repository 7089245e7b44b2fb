"""What happens day by day: quantiles of body mass, wakings, and what the reserve went on.

Futures are counted, not kept: for every animal and day a histogram of body mass between the
least and the most that animal can weigh. Memory goes with animals × days × steps, whatever
the number of members and draws, and as counts add up in any order, all cores may write.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
import numpy.typing as npt

from riskcast.physiology.rows import Rows
from riskcast.species import Species

__all__ = ["QUANTILES", "Diary", "Page", "Pages", "days_of"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9)
# Of a reserve of 13 g one step is 0.025 g: a twentieth of what a spring balance shows.
_STEPS = 512
# `add.at` is a hundred times faster with a number of the array's own kind.
_ONE = np.int32(1)
_HOURS_PER_DAY = 24.0
_HOUR = np.timedelta64(1, "h")
_DAY = np.timedelta64(1, "D")


def days_of(times: npt.NDArray[np.datetime64]) -> tuple[npt.NDArray[np.datetime64], FloatArray]:
    """Calendar days (UTC) of an hourly series, and the hour of the series at which each ends.

    The last day ends with the series.
    """
    start, hours = times[0], len(times)
    first, last = (moment.astype("datetime64[D]") for moment in (start, times[-1]))
    days = np.arange(first, last + _DAY)
    ends = ((days + _DAY).astype("datetime64[ns]") - start.astype("datetime64[ns]")) / _HOUR
    return days.astype("datetime64[ns]"), np.minimum(ends, float(hours))


class Diary:
    """Counts of futures by animal and day, written by all pages.

    Parameters
    ----------
    mass : (animal, member, draw), g, at onset
    least, most : same shape, g; between these it stays
    ends : (day,), hour at which each day ends
    sp : the drawn species
    """

    def __init__(
        self,
        mass: FloatArray,
        least: FloatArray,
        most: FloatArray,
        ends: FloatArray,
        sp: Species,
    ) -> None:
        animals = len(mass)
        self.mass, self.ends, self.sp = mass, ends, sp
        self._least = least.reshape(animals, -1).min(axis=1)
        width = most.reshape(animals, -1).max(axis=1) - self._least
        self._step = np.where(width > 0, width, 1.0) / _STEPS
        # How many futures are in a step on a day; and changes that hold from a day on.
        shape = (animals, len(ends) + 1, _STEPS)
        self._seen, self._change = (np.zeros(shape, dtype=np.int32) for _ in range(2))
        self.wakings = np.zeros((animals, len(ends)), dtype=np.int64)
        self._lock = Lock()

    def see(self, animal: IntArray, day: IntArray, mass: FloatArray) -> None:
        """Count futures whose animal weighs so much at the end of a day."""
        place = self._place(animal, day, mass)
        with self._lock:
            np.add.at(self._seen.reshape(-1), place, _ONE)

    def see_from(self, animal: IntArray, day: IntArray, mass: FloatArray, change: int) -> None:
        """Count (or no longer count) them at that mass from a day on."""
        place = self._place(animal, day, mass)
        with self._lock:
            np.add.at(self._change.reshape(-1), place, np.int32(change))

    def wake(self, animal: IntArray, day: IntArray) -> None:
        with self._lock:
            np.add.at(self.wakings.reshape(-1), animal * len(self.ends) + day, np.int64(1))

    def quantiles(self) -> FloatArray:
        """Body mass, (animal, quantile, day), g: exact to one step."""
        animals, days = self.wakings.shape
        out = np.empty((animals, len(QUANTILES), days))
        for a in range(animals):
            change = self._change[a, :-1].cumsum(axis=0)
            up_to = (self._seen[a, :-1] + change).cumsum(axis=1)
            for i, share in enumerate(QUANTILES):
                wanted = share * up_to[:, -1]
                step = (up_to < wanted[:, np.newaxis]).sum(axis=1)
                above = np.take_along_axis(up_to, step[:, np.newaxis], axis=1)[:, 0]
                before = np.maximum(step - 1, 0)[:, np.newaxis]
                below = np.take_along_axis(up_to, before, axis=1)[:, 0]
                below = np.where(step > 0, below, 0)
                part = step + (wanted - below) / np.maximum(above - below, 1)
                out[a, i] = self._least[a] + part * self._step[a]
        return out

    def _place(self, animal: IntArray, day: IntArray, mass: FloatArray) -> IntArray:
        above = (mass - self._least.take(animal)) / self._step.take(animal)
        step = np.clip(above.astype(np.int64), 0, _STEPS - 1)
        return np.asarray((animal * (len(self.ends) + 1) + day) * _STEPS + step)


class Page:
    """What is written down about some members; flat arrays over (member, draw, animal).

    torpid, waking, searching : grams per gram (at the scale mass) spent on each; a search is
        a waking in which the animal leaves the nest
    first, last : hour of the first and the last waking; inf = none
    grams : (torpid, waking, searching; animal, day), body mass spent on each day, g, summed
        over these futures. Each page has its own, so that sums do not hang on which core was first
    """

    def __init__(self, diary: Diary, members: slice, first_hour: int) -> None:
        mass = diary.mass[:, members].transpose(1, 2, 0)
        self.shape = mass.shape
        self._diary = diary
        self._mass = np.ascontiguousarray(mass).reshape(-1)
        # `mass_after`, with what does not depend on the cost made once.
        reserve = diary.sp.reserve
        rest = np.broadcast_to(1.0 - np.asarray(reserve.mass_exponent), mass.shape[1:2])
        self._power = (mass ** rest[:, np.newaxis]).reshape(-1)
        self._per_cost, self._root = rest * reserve.scale_mass**rest, 1.0 / rest
        self._ends = diary.ends - first_hour
        self.torpid, self.waking, self.searching = (np.zeros(mass.size) for _ in range(3))
        self.first, self.last = (np.full(mass.size, np.inf) for _ in range(2))
        # One day more than there are: where a stretch that ends with the series goes on, by 0 g.
        self._days = len(self._ends) + 1
        self._grams = np.zeros(3 * mass.shape[2] * self._days)

    def asleep(
        self,
        who: IntArray,
        start: FloatArray,
        until: FloatArray,
        used: FloatArray,
        burnt: FloatArray,
        loss: Rows,
        row: IntArray,
    ) -> None:
        """A stretch of torpor of each of some futures; `used` before it, `burnt` in it."""
        self.torpid[who] += burnt
        which, day = self._days_ended(start, until)
        row = row.take(which)
        since = loss.at(row, self._ends.take(day)) - loss.at(row, start.take(which))
        mass = self._see(who.take(which), day, used.take(which) + since)
        self._spend(np.zeros_like(who), who, (start, until), (used, used + burnt), which, day, mass)

    def awake(
        self,
        who: IntArray,
        wake: FloatArray,
        until: FloatArray,
        used: FloatArray,
        burnt: FloatArray,
        cost: FloatArray,
        length: FloatArray,
        leaves: BoolArray | None,
    ) -> None:
        """A waking of each of some futures, along the profile of `events`."""
        self.first[who] = np.minimum(self.first[who], wake)
        self.last[who] = wake
        self._diary.wake(who % self.shape[2], self._ended(wake))
        if leaves is None:
            self.waking[who] += burnt
        else:
            self.waking[who] += np.where(leaves, 0.0, burnt)
            self.searching[who] += np.where(leaves, burnt, 0.0)
        which, day = self._days_ended(wake, until)
        part = (self._ends.take(day) - wake.take(which)) / length.take(which)
        since = cost.take(which) * (1.0 - (1.0 - np.minimum(part, 1.0)) ** 2)
        mass = self._see(who.take(which), day, used.take(which) + since)
        kind = np.ones_like(who) if leaves is None else np.where(leaves, 2, 1)
        self._spend(kind, who, (wake, until), (used, used + burnt), which, day, mass)

    def close(self, start: FloatArray, end: FloatArray, spent: FloatArray) -> None:
        """Count at its mass at onset what has not gone in yet, at its last mass what has ended."""
        who = np.arange(self._mass.size)
        animal, zero = who % self.shape[2], np.zeros_like(who)
        onset, last = (self._ended(h) for h in (start, end))
        self._diary.see_from(animal, zero, self._mass, +1)
        self._diary.see_from(animal, onset, self._mass, -1)
        self._diary.see_from(animal, last, self._left(who, spent), +1)

    def _ended(self, hour: FloatArray) -> IntArray:
        """How many days have ended by an hour; all are whole but the first and the last."""
        before_last = len(self._ends) - 1
        since = np.floor((hour - self._ends[0]) / _HOURS_PER_DAY) + 1.0
        whole = np.clip(since, 0.0, float(before_last)).astype(np.int64)
        return np.asarray(whole + (hour >= self._ends[-1]))

    def _days_ended(self, start: FloatArray, until: FloatArray) -> tuple[IntArray, IntArray]:
        """Days that end in (start, until]: which stretch, which day."""
        first, stop = (self._ended(h) for h in (start, until))
        count = stop - first
        which = np.repeat(np.arange(count.size), count)
        before = np.cumsum(count) - count
        return which, np.arange(which.size) - before.take(which) + first.take(which)

    def _see(self, who: IntArray, day: IntArray, spent: FloatArray) -> FloatArray:
        mass = self._left(who, spent)
        self._diary.see(who % self.shape[2], day, mass)
        return mass

    def _spend(
        self,
        kind: IntArray,
        who: IntArray,
        between: tuple[FloatArray, FloatArray],
        spent: tuple[FloatArray, FloatArray],
        which: IntArray,
        day: IntArray,
        mass: FloatArray,
    ) -> None:
        """Share out by day what stretches cost in body mass: their mass falls from day to day.

        `which` stretches end a `day` at a `mass`; that day's loss ends there, the next begins.
        """
        place = (kind * self.shape[2] + who % self.shape[2]) * self._days
        begin, end = (self._ended(hour) for hour in between)
        before, after = (self._left(who, cost) for cost in spent)
        ended = place.take(which) + day
        places = np.concatenate([place + begin, ended, ended + 1, place + end])
        grams = np.concatenate([before, -mass, mass, -after])
        self._grams += np.bincount(places, grams, minlength=self._grams.size)

    @property
    def grams(self) -> FloatArray:
        return self._grams.reshape(3, self.shape[2], self._days)[..., :-1]

    def _left(self, who: IntArray, spent: FloatArray) -> FloatArray:
        draw = who // self.shape[2] % self.shape[1]
        left = self._power.take(who) - self._per_cost.take(draw) * spent
        return np.asarray(np.maximum(left, 0.0) ** self._root.take(draw))


@dataclass(frozen=True)
class Pages:
    """What was written down on the way, (animal, member, draw); see `Page`.

    grams : (kind, animal, day), mean over all futures
    """

    torpid: FloatArray
    waking: FloatArray
    searching: FloatArray
    first: FloatArray
    last: FloatArray
    grams: FloatArray

    @classmethod
    def of(cls, pages: Sequence[Page], first_hour: int) -> Pages:
        def joined(name: str) -> FloatArray:
            parts = [getattr(page, name).reshape(page.shape) for page in pages]
            return np.concatenate(parts).transpose(2, 0, 1)

        futures = sum(page.torpid.size for page in pages) / pages[0].shape[2]
        return cls(
            torpid=joined("torpid"),
            waking=joined("waking"),
            searching=joined("searching"),
            first=joined("first") + first_hour,
            last=joined("last") + first_hour,
            grams=np.sum([page.grams for page in pages], axis=0) / futures,
        )
