"""The event scheme compiled, where the extra ``scale`` (numba) is installed.

The same steps as `events.jump`, one future at a time, without arrays in between; the numbers
agree to about 1e-12 (the exponential of the processor and that of the compiler may differ in
the last bit). Nothing needs it: it pays from some hundred thousand futures on.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from math import exp, inf, sqrt
from threading import Lock
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from riskcast.physiology.events import Budget, Course, Luck, Plan, cumulate

__all__ = ["Compiled", "Engine", "picked"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Engine = Literal["auto", "numpy", "numba"]

# Loading numba and the kernel takes about what NumPy takes for so many futures. The choice
# hangs on the size alone, so that the same inputs give the same bytes in every run.
_WORTH_FUTURES = 250_000
# So many wakings are handed to the kernel at a time.
_WAKINGS = 32
_LOADING = Lock()


def picked(engine: Engine, futures: int) -> bool:
    """Should the compiled scheme do the work?

    Raises
    ------
    ModuleNotFoundError
        "numba" is asked for and not installed.
    """
    if engine == "numpy":
        return False
    installed = find_spec("numba") is not None
    if engine == "numba" and not installed:
        raise ModuleNotFoundError("engine 'numba': not installed; pip install 'riskcast[scale]'")
    if engine == "numba":
        return True
    return installed and futures >= _WORTH_FUTURES and _loads()


class Compiled:
    """`events.cumulate` and `events.jump` for some members, a few draws of one at a time.

    So few that what is cumulated stays in the processor's cache, and memory is next to nothing.
    """

    def __init__(self, plan: Plan, luck: Luck) -> None:
        own = plan.narrow.arousal
        self._parts = [(some, plan.part(some)) for some, _ in plan.blocks]
        self._searching = bool(np.any(own.search_fraction))
        self._waking = np.stack(
            [
                np.broadcast_to(np.asarray(value, dtype=float), (plan.draws,))
                for value in (
                    own.cost_at_reference,
                    own.cost_slope,
                    own.reference_temperature,
                    own.length_at_reference,
                    own.length_slope,
                    own.length_floor_temperature,
                    own.length_ceiling_temperature,
                    own.search_fraction,
                    own.search_cost,
                    own.search_length,
                    plan.grams,
                )
            ],
            axis=1,
        )
        self._ahead = cache(lambda kind, k: _stacked(getattr(luck, kind), k))

    def carry(
        self,
        nest: FloatArray,
        t24: FloatArray,
        rise: FloatArray,
        start_hour: FloatArray,
        allowance: FloatArray,
        end_hour: FloatArray,
    ) -> Course:
        """As `events.jump`: the weather (member, hour), all others (member, draw, animal)."""
        course = Course(
            spent=np.zeros(allowance.shape),
            arousals=np.zeros(allowance.shape, dtype=np.int64),
            empty_hour=np.full(allowance.shape, inf),
        )
        for m in range(len(nest)):
            for some, plan in self._parts:
                here, mean, risen = (series[m : m + 1] for series in (nest, t24, rise))
                budget = cumulate(here, mean, risen, plan)
                given = start_hour[m, some], allowance[m, some], end_hour[m, some]
                # Views: the kernel writes into the course.
                out = course.spent[m, some], course.arousals[m, some], course.empty_hour[m, some]
                self._jump(budget, some, *given, *out)
        return course

    def _jump(
        self,
        budget: Budget,
        some: slice,
        start_hour: FloatArray,
        allowance: FloatArray,
        end_hour: FloatArray,
        spent: FloatArray,
        arousals: IntArray,
        empty: FloatArray,
    ) -> None:
        limit, end = allowance.ravel(), np.minimum(float(budget.hours), end_hour.ravel())
        now = np.clip(start_hour.ravel(), 0.0, end)
        empty.reshape(-1)[:] = np.where((limit <= 0) & (now < end), now, inf)
        who, k = np.flatnonzero((limit > 0) & (now < end)), 0
        out = spent.reshape(-1), arousals.reshape(-1), empty.reshape(-1)
        hazard, loss = budget.hazard, budget.loss
        with _LOADING:
            kernel = _kernel()
        while who.size:
            targets = self._ahead("targets", k)[some]
            chances = self._ahead("searches", k)[some] if self._searching else targets
            still = kernel(
                who,
                *(now, *out, limit, end),
                *(targets, chances, self._searching, self._waking[some]),
                *(budget.nest[0], budget.hours),
                *(hazard.values, hazard.last, hazard.table, hazard.spacing, hazard.bins),
                *(loss.values, loss.last),
            )
            who, k = who[still], k + _WAKINGS


def _stacked(chance: Callable[[int], FloatArray], k: int) -> FloatArray:
    """The chances of the next wakings, (draw, animal, waking)."""
    return np.stack([chance(i) for i in range(k, k + _WAKINGS)], axis=-1)


@cache
def _loads() -> bool:
    """An installed numba may still refuse the NumPy beside it: then NumPy does the work."""
    try:
        import_module("numba")
    except ImportError:
        return False
    return True


@cache
def _kernel() -> Any:
    """`_carry`, compiled; kept on disk where there is a folder for it."""
    numba, extending = import_module("numba"), import_module("numba.extending")
    for small in (_at, _invert):
        extending.register_jitable(small)
    try:
        return numba.njit(nogil=True, cache=True)(_carry)
    except RuntimeError:  # neither the package nor the account has a folder to write in
        return numba.njit(nogil=True)(_carry)


def _at(values: Any, start: int, width: int, hour: float) -> float:
    left = min(int(hour), width - 2)
    low = values[start + left]
    return float(low + (hour - left) * (values[start + left + 1] - low))


def _invert(values: Any, start: int, width: int, value: float, low: int, high: int) -> float:
    """Hour of a value that is reached between two hours of a row."""
    # Rows are nearly straight over some hours: guess by proportion, then walk the rest.
    first, last = values[start + low], values[start + high]
    right = low
    if first < value <= last:
        right = min(low + 1 + int((high - low) * (value - first) / (last - first)), high)
    while values[start + right] < value:
        right += 1
    while right > low and values[start + right - 1] >= value:
        right -= 1
    right = max(right, 1)
    lower = values[start + right - 1]
    return float(right - 1 + (value - lower) / (values[start + right] - lower))


def _carry(
    who: Any,
    now: Any,
    spent: Any,
    arousals: Any,
    empty: Any,
    limit: Any,
    end: Any,
    targets: Any,
    chances: Any,
    searching: bool,
    waking: Any,
    nest: Any,
    hours: int,
    hazard: Any,
    hazard_last: Any,
    table: Any,
    spacing: float,
    bins: int,
    loss: Any,
    loss_last: Any,
) -> Any:
    """Some wakings of each future; True for those that are still on their way."""
    still = np.zeros(who.size, dtype=np.bool_)
    width, animals = hours + 1, targets.shape[1]
    for i in range(who.size):
        future = who[i]
        draw, animal = future // animals, future % animals
        first = draw * width
        hour, used, count = now[future], spent[future], arousals[future]
        most, stop = limit[future], end[future]
        own = waking[draw]
        going = True
        for k in range(targets.shape[2]):
            # Asleep.
            room = most - used
            value = _at(hazard, first, width, hour) + targets[draw, animal, k]
            wake = inf
            if value <= hazard_last[draw]:
                place = draw * (bins + 2) + min(int(value / spacing), bins)
                wake = _invert(hazard, first, width, value, table[place], table[place + 1])
            until = min(wake, stop)
            start = _at(loss, first, width, hour)
            burnt = _at(loss, first, width, until) - start
            if burnt >= room:
                value = start + room
                moment = inf
                if value <= loss_last[draw]:
                    right = int(np.ceil(until))
                    moment = _invert(loss, first, width, value, int(hour), right)
                empty[future], used, going = moment, most, False
                break
            used += burnt
            if wake >= stop:
                going = False
                break
            # Awake.
            count += 1
            t = nest[min(int(wake), hours - 1)]
            held = min(max(t, own[5]), own[6])
            cost = own[0] * exp(own[1] * (t - own[2]))
            length = own[3] * exp(own[4] * (held - own[2]))
            if searching and chances[draw, animal, k] < own[7]:
                cost, length = own[8], own[9]
            cost *= own[10]
            room -= burnt
            part = min((stop - wake) / length, 1.0)
            burnt = cost * (1.0 - (1.0 - part) ** 2)
            if burnt >= room:
                empty[future] = wake + length * (1.0 - sqrt(1.0 - room / cost))
                used, going = most, False
                break
            used += burnt
            hour = wake + length
            if hour >= stop:
                going = False
                break
        now[future], spent[future], arousals[future] = hour, used, count
        still[i] = going
    return still
