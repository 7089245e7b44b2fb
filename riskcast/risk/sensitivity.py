"""What moves this result most: uncertain numbers, weather and luck, and which days.

All of it is read from futures that were carried anyway. Draw k is one set of parameters in
every member, so the variance between draws is that of the parameters and of the animal's own
luck; the same animal carried once more with other luck tells the two apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.fft import dct
from scipy.special import betaincinv

from riskcast.base.nights import as_ns, local_days
from riskcast.physiology.spend import spend_by_hour
from riskcast.species import Species

__all__ = [
    "CostlyDay",
    "Moves",
    "Parts",
    "Sensitivity",
    "chance_share",
    "costly_days",
    "daily_cost",
    "drawn_parameters",
    "first_order_shares",
    "parts_of_variance",
    "runs_of_days",
    "sensitivity",
]

FloatArray = npt.NDArray[np.float64]
# Cosines fitted to a parameter's ranks: the first alone holds 99 % of a straight line, four
# also follow a bend or a double turn. Each further one costs a degree of freedom.
_COSINES = 4
# One column without any effect in twenty sets of columns may pass for an effect.
_SURE = 0.95
_MOST_DAYS = 5
_HOUR = np.timedelta64(1, "h")
_DEGREE = 1.0
_STANDARD_ERRORS = 2.0
_LEAST_HOURS, _HOURS_PER_DAY = 23, 24


@dataclass(frozen=True)
class Parts:
    """Variance of a number over its futures, in parts that add up to 1.

    sd : standard deviation over all futures, in the number's own unit
    weather : between members; parameters : between draws; both : what a draw makes of one
        member and not of another; luck : the animal's own
    """

    sd: float
    weather: float
    parameters: float
    both: float
    luck: float


@dataclass(frozen=True)
class Sensitivity:
    """What moves one number of one animal.

    parts : None where all futures agree
    shares : first-order share of the number's variance by parameter, greatest first; small
        ones may lie below zero, as estimates do
    chance : a share below this is not told from that of a column without effect
    """

    parts: Parts | None
    shares: Mapping[str, float]
    chance: float

    @property
    def told(self) -> dict[str, float]:
        """The shares that chance alone would hardly give."""
        return {name: share for name, share in self.shares.items() if share > self.chance}


@dataclass(frozen=True)
class CostlyDay:
    """A local day that costs the reference animal more, or less, than past years' same date.

    extra : days of reserve above that date's mean in past years (1 = it costs twice as much)
    per_degree : days of reserve that +1 °C in the nest, on this day only, would add
    """

    day: np.datetime64
    extra: float
    per_degree: float


@dataclass(frozen=True)
class Moves:
    """What moves the numbers of one animal most.

    animal : its label
    days_in_hand : with no food found
    days_vs_normal : None = too few past years
    days : of the reference animal; None = too few past years
    """

    animal: str
    days_in_hand: Sensitivity
    days_vs_normal: Sensitivity | None
    days: tuple[CostlyDay, ...] | None


def drawn_parameters(sp: Species, draws: int, seed: int) -> dict[str, FloatArray]:
    """Every uncertain parameter that results read, with its draws (draw,)."""
    drawn = sp.draw(draws, seed)
    return {
        name: np.asarray(getattr(drawn.groups[section], key), dtype=float)
        for name, parameter in sp.parameters.items()
        if parameter.distribution != "fixed" and parameter.use == "model"
        for section, _, key in [name.partition(".")]
    }


def first_order_shares(
    inputs: Mapping[str, npt.ArrayLike], output: npt.ArrayLike
) -> dict[str, float]:
    """Share of an output's variance that goes with each input alone: Var(E[Y|X]) / Var(Y).

    The output, in the order of an input, is fitted with a few cosines of the rank; what they
    hold of its variance, less what they would hold of noise, is the share. From given draws,
    no further run (Plischke 2010, 2012: EASI and COSI; first-order index: Saltelli et al.
    2008; correction for the degrees of freedom as in Tissot & Prieur 2012). From memory of
    these papers; the tests hold it against indices known in closed form.

    Parameters
    ----------
    inputs : arrays (draw,) by name; independent of each other, else their shares overlap
    output : (draw,)

    Returns
    -------
    dict in the order of `inputs`; 0 for an input of one value. Estimates, unbiased for an
    input without effect, so they may lie a little below zero. With 256 draws the standard
    error is about 0.01 near zero and 0.04 near a half. An effect with more than two turns over
    the input's range, or one in combination with others only, does not show.

    Raises
    ------
    ValueError
        The output does not vary, has missing values, or does not match the inputs.
    """
    y = np.asarray(output, dtype=float)
    columns = {name: np.asarray(values, dtype=float) for name, values in inputs.items()}
    if any(values.shape != y.shape for values in columns.values()) or y.ndim != 1:
        raise ValueError(f"inputs: expected arrays of shape {y.shape}, one value a draw")
    if len(y) <= _COSINES + 1:
        raise ValueError(f"output: {len(y)} draws are too few, {_COSINES + 2} are needed")
    if not np.isfinite(y).all() or y.min() == y.max():
        raise ValueError("output: expected numbers that vary, none of them missing")
    return {name: _corrected(_held(values, y), len(y)) for name, values in columns.items()}


def _held(x: FloatArray, y: FloatArray) -> float:
    """What the first cosines over the rank of x hold of the variance of y."""
    if x.min() == x.max():
        # One value has no ranks: the order of the draws would stand in for them.
        return _COSINES / (len(y) - 1)
    power = np.square(dct(y[np.argsort(x, kind="stable")], type=2, norm="ortho"))
    return float(power[1 : _COSINES + 1].sum() / power[1:].sum())


def _corrected(held: float, n: int) -> float:
    return 1.0 - (1.0 - held) * (n - 1) / (n - 1 - _COSINES)


def chance_share(draws: int, columns: int) -> float:
    """Greatest `first_order_shares` that so many columns without effect reach: its 95 % quantile.

    The variance that m of n − 1 orthogonal columns hold of noise follows Beta(m/2,
    (n − 1 − m)/2), here to the power 1/columns for the greatest of them. A single such
    column scores 0 in the mean; before the correction it would be m/(n − 1), 1.6 % of the
    variance with 256 draws.
    """
    rest = draws - 1 - _COSINES
    held = float(betaincinv(_COSINES / 2, rest / 2, _SURE ** (1 / columns)))
    return _corrected(held, draws)


def parts_of_variance(values: xr.DataArray, other_luck: xr.DataArray) -> Parts | None:
    """Split the variance of a number into weather, parameters, both together, and luck.

    Two-way analysis of variance, members crossed with draws, components from expected mean
    squares (Searle, Casella & McCulloch 1992, textbook; from memory). An animal's luck is
    the same in every member of a draw, so it hides in the draws. Half the mean square of
    the difference between two lucks takes it out again.

    Parameters
    ----------
    values : (member, draw)
    other_luck : (member, draw), some of the members: same weather and parameters, other luck

    Returns
    -------
    Parts; components estimated below zero are none. None where all futures agree.
    """
    y = values.transpose("member", "draw")
    twin = other_luck.transpose("member", "draw")
    between_members, between_draws, rest = _components(y.values, known_mean=False)
    apart = (y.sel(member=twin["member"]).values - twin.values) / np.sqrt(2.0)
    _, steady_luck, passing_luck = _components(apart, known_mean=True)
    parts = np.maximum(
        [
            between_members,
            between_draws - steady_luck,
            rest - passing_luck,
            steady_luck + passing_luck,
        ],
        0.0,
    )
    if not parts.sum() > 0:
        return None
    weather, parameters, both, luck = (float(part) for part in parts / parts.sum())
    return Parts(float(y.values.std()), weather, parameters, both, luck)


def _components(values: FloatArray, *, known_mean: bool) -> tuple[float, float, float]:
    """Variance components of rows, columns and the rest; a known mean is nought."""
    rows, columns = values.shape
    mean = 0.0 if known_mean else values.mean()
    by_row, by_column = values.mean(axis=1), values.mean(axis=0)
    if known_mean:
        # The difference of two lucks has no weather in it: rows carry nothing of their own.
        left = values - by_column
        within = float(np.square(left).sum() / max(columns * (rows - 1), 1))
        return 0.0, float(np.square(by_column).mean() - within / rows), within
    left = values - by_row[:, np.newaxis] - by_column + mean
    within = float(np.square(left).sum() / max((rows - 1) * (columns - 1), 1))
    of_rows = float(np.square(by_row - mean).sum() / max(rows - 1, 1)) - within / columns
    of_columns = float(np.square(by_column - mean).sum() / max(columns - 1, 1)) - within / rows
    return of_rows, of_columns, within


def sensitivity(
    values: xr.DataArray, other_luck: xr.DataArray, inputs: Mapping[str, npt.ArrayLike]
) -> Sensitivity:
    """Parts and first-order shares of one number of one animal.

    Parameters
    ----------
    values, other_luck : see `parts_of_variance`
    inputs : drawn parameters (draw,) by name, see `drawn_parameters`

    Returns
    -------
    Sensitivity; shares are of the variance over all futures, weather and luck included, and
    are taken on the mean over members.
    """
    parts = parts_of_variance(values, other_luck)
    by_draw = values.mean("member").values
    if parts is None or by_draw.min() == by_draw.max():
        return Sensitivity(parts, {}, 0.0)
    scale = float(by_draw.var(ddof=1)) / parts.sd**2
    shares = {name: share * scale for name, share in first_order_shares(inputs, by_draw).items()}
    order = sorted(shares, key=lambda name: (-shares[name], name))
    chance = chance_share(len(by_draw), len(shares)) * scale
    return Sensitivity(parts, {name: shares[name] for name in order}, chance)


def daily_cost(
    nest: xr.DataArray,
    sp: Species,
    days: npt.NDArray[np.datetime64],
    timezone: str,
    *,
    warmer: np.datetime64 | None = None,
) -> FloatArray:
    """Mean cost of each local day to an animal in hibernation, at the central parameters.

    `physiology.spend_by_hour` without draws, summed by day.

    Parameters
    ----------
    nest : DataArray (member, time), degC, hourly
    days : (day,), consecutive local days inside the series
    warmer : a day whose hours are 1 °C warmer; the days after it remember that

    Returns
    -------
    ndarray (member, day), grams per gram at the scale mass
    """
    times = nest.time.values
    of_hour = local_days(times, timezone)
    inside = np.flatnonzero((of_hour >= days[0]) & (of_hour <= days[-1]))
    t = np.asarray(nest.values, dtype=float)
    if warmer is not None:
        t = t + np.where(of_hour == warmer, _DEGREE, 0.0)
    hours = slice(int(inside[0]), int(inside[-1]) + 1)
    hourly = spend_by_hour(t, times, hours, sp)
    starts = np.flatnonzero(np.r_[True, np.diff(of_hour[inside]) > np.timedelta64(0, "D")])
    return np.asarray(np.add.reduceat(hourly.torpor + hourly.waking, starts, axis=1))


def costly_days(
    nest: xr.DataArray,
    past_nest: xr.DataArray,
    sp: Species,
    *,
    start: np.datetime64,
    end: np.datetime64,
    timezone: str,
    most: int = _MOST_DAYS,
) -> tuple[CostlyDay, ...]:
    """The days ahead that differ most in cost from the same dates in past years.

    Parameters
    ----------
    nest, past_nest : nest temperature (member, time), degC, on the same times: futures, and
        past winters
    start, end : the whole local days between these moments are looked at
    most : how many days to name

    Returns
    -------
    CostlyDay by date, at most `most`; none that differs by less than two standard errors of
    the past years' mean, so beyond a forecast there is hardly one. Means over members; the
    +1 °C is carried through the day itself and the memory it leaves on the next ones.

    Raises
    ------
    ValueError
        Fewer than two past years: nothing tells what is usual.
    """
    if past_nest.sizes["member"] < 2:
        raise ValueError("past_nest: expected two past years or more")
    days = _whole_days(nest.time.values, start, end, timezone)
    if not len(days):
        return ()
    cost = daily_cost(nest, sp, days, timezone).mean(axis=0)
    past = daily_cost(past_nest, sp, days, timezone)
    usual = past.mean(axis=0)
    extra = cost / usual - 1.0
    # By this much the mean of so many past winters may miss the date's own by chance.
    by_chance = _STANDARD_ERRORS * past.std(axis=0, ddof=1) / np.sqrt(len(past)) / usual
    order = np.argsort(-np.abs(extra), kind="stable")
    chosen = np.sort(order[np.abs(extra)[order] > by_chance[order]][:most])
    memory_days = 1 + int(np.ceil(sp.torpor.temperature_memory / _HOURS_PER_DAY)) * 2
    found = []
    for n in chosen:
        some = days[n : n + memory_days]
        warmer = daily_cost(nest, sp, some, timezone, warmer=days[n]).mean(axis=0)
        added = (warmer - cost[n : n + memory_days]) / usual[n : n + memory_days]
        found.append(CostlyDay(days[n], float(extra[n]), float(added.sum())))
    return tuple(found)


def _whole_days(
    times: npt.NDArray[np.datetime64], start: np.datetime64, end: np.datetime64, timezone: str
) -> npt.NDArray[np.datetime64]:
    """Local days whose hours all lie between two moments; that of a clock change has 23."""
    inside = times[(times >= as_ns(start)) & (times + _HOUR <= as_ns(end))]
    days, hours = np.unique(local_days(inside, timezone), return_counts=True)
    return days[hours >= _LEAST_HOURS]


def runs_of_days(found: Sequence[CostlyDay]) -> list[list[CostlyDay]]:
    """Days that follow on each other, together."""
    runs: list[list[CostlyDay]] = []
    for one in found:
        if runs and one.day - runs[-1][-1].day == np.timedelta64(1, "D"):
            runs[-1].append(one)
        else:
            runs.append([one])
    return runs
