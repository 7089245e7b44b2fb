"""A single forecast made many: its usual errors put on, with the weather of past years as pattern.

Air temperature of member m at a lead is::

    usual(t) + a + b (forecast(t) - usual(t)) + σ z_m(t)

z_m is the standardised anomaly that past winter m had on these dates. So errors hang together
over the hours as weather does (Clark et al. 2004, J. Hydrometeor. 5, take the order of the
members from past dates for the same reason), and what each member does at the end of the
forecast is what its past winter did: it goes on with that winter without a seam. As skill
fades b goes to 0 and σ to the usual spread, and the member *is* its past winter.

a, b and σ are those of the source's own past errors (`emos`, fitted to standardised anomalies
as in Dabernig et al. 2017, Q. J. R. Meteorol. Soc. 143) where at least 30 pairs of the same
lead are known; elsewhere a general kernel about the forecast (affine kernel dressing: Bröcker
& Smith 2008, Tellus 60A; for one member its width cannot come from Silverman's rule).

Rain is never mixed: each member takes its rain from the forecast up to some hour and from its
past winter after it, a shower being whole in either. Humidity, wind and snow go over to
the past winter about the same hour, over two days: to the hours its pattern was taken from, so that
they belong together. Relative humidity is carried, not the dew point: so the dew point moves with
the temperature and never exceeds it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from riskcast.base.streams import stream
from riskcast.weather.dataset import FILLED, Course, Values, hours
from riskcast.weather.futures.pairs import Pairs
from riskcast.weather.futures.past import NORMAL_YEARS, Usual, usual
from riskcast.weather.quality.rows import close_short_gaps

__all__ = ["LEAST_MEMBERS", "Dressed", "Errors", "dress", "general_errors", "own_errors"]

Whole = npt.NDArray[np.int64]

# Shares of futures are told in tenths and twentieths: fewer members cannot carry them.
LEAST_MEMBERS = 20

# Where there are fewer winters, each serves again with what it had some days before or after
# (standardised, so that the season does not matter).
_SHIFTS_DAYS = (0, 10, -10, -20, -30)

# The general width, as a share of the usual spread: logistic growth of errors (Dalcher & Kalnay
# 1987, Tellus 39A; form from memory). Share at lead 0 and growth per day are derived: least
# squares on the provider's own error estimate of temperature, by lead, in one MOSMIX forecast
# (Deutscher Wetterdienst, element E_TTT, station at 53.92° N 10.23° E, 20 December 2021; it
# levels off at 3.35 K). One station and one winter day: provisional, until own pairs are known.
_SHARE_AT_0 = 0.22
_GROWTH_A_DAY = 0.466

# The present is known: errors set in over the first hours (common practice, no source).
_SETTLING_HOURS = 3.0

# As long as the fade to past years at the end of every forecast.
_CHANGE_HOURS = 48

_HOURS_A_DAY = 24


@dataclass(frozen=True)
class Errors:
    """How a forecast misses, in units of the usual spread, by hour of lead.

    The outcome is N(a + b x, spread²), x the standardised anomaly that is forecast.

    Attributes
    ----------
    a, b, spread : (time,)
    """

    a: Values
    b: Values
    spread: Values


@dataclass(frozen=True)
class Dressed:
    """A forecast with members.

    Attributes
    ----------
    course : (member, time), hours after issue
    year : (member,) which past winter each goes on with, index into those given
    """

    course: Course
    year: Whole


def general_errors(lead_hours: npt.ArrayLike) -> Errors:
    """Errors of a forecast nothing is known about.

    Its anomalies vary as much as those of the weather; then the regression on them has the
    slope √(1 - spread²), and beyond the reach of skill nothing of the forecast is left
    (Murphy & Epstein 1989, Mon. Wea. Rev. 117: the decomposition of the mean square error).

    Parameters
    ----------
    lead_hours : from when the forecast was made, not below 0
    """
    lead = np.asarray(lead_hours, dtype=float) / _HOURS_A_DAY
    spread = _grown(_SHARE_AT_0, lead)
    return Errors(np.zeros_like(lead), np.sqrt(1.0 - spread**2), spread)


def _grown(spread: float | Values, days: Values) -> Values:
    """A spread so many days of lead later (earlier: below 0), by logistic growth."""
    return np.asarray(1.0 / (1.0 + (1.0 / spread - 1.0) * np.exp(-_GROWTH_A_DAY * days)))


def own_errors(
    pairs: Pairs, history: Course, lead_hours: npt.ArrayLike, shift_degc: float = 0.0
) -> tuple[Errors, int]:
    """Errors of this source, fitted day of lead by day of lead; general ones where none are known.

    Days of lead without enough pairs go on from the nearest day that has them, by the growth of
    the general errors: a forecast does not lose its skill on the day its record ends. Between
    the middles of the days the numbers are interpolated, so that nothing jumps.

    Parameters
    ----------
    shift_degc : what is usual is moved by this much, as in `dress`

    Returns
    -------
    errors, and the fewest different days behind a fitted lead (0 = all are general)
    """
    from riskcast.weather.futures.emos import LEAST_PAIRS, fit_emos  # the optimiser loads slowly

    lead = np.asarray(lead_hours, dtype=float)
    day = np.arange(int(lead.max()) // _HOURS_A_DAY + 2)
    middle = (day + 0.5) * _HOURS_A_DAY
    general = general_errors(middle)
    a, b, spread = general.a.copy(), general.b.copy(), general.spread.copy()
    normal = usual(history, "air_temperature", hours(pairs.valid))
    mean = normal.mean + shift_degc
    forecast = (pairs.forecast_degc - mean) / normal.spread
    observed = (pairs.observed_degc - mean) / normal.spread
    known = np.isfinite(forecast) & np.isfinite(observed)
    fewest, fitted = 0, []
    for at in day:
        mine = known & (pairs.lead_day == at)
        # Hours of one day miss alike: only days count as pairs.
        days = len(np.unique(pairs.valid[mine].astype("datetime64[D]")))
        if days < LEAST_PAIRS:
            continue
        fit = fit_emos(forecast[mine], observed[mine])
        a[at], b[at], spread[at] = fit.a, fit.b, fit.spread
        fewest = min(fewest, days) if fewest else days
        fitted.append(at)
    if fitted:
        nearest = np.array(fitted)[np.abs(np.subtract.outer(day, fitted)).argmin(axis=1)]
        a, b, spread = _carried_on(Errors(a[nearest], b[nearest], spread[nearest]), day - nearest)
    curves = (np.interp(lead, middle, curve) for curve in (a, b, spread))
    return Errors(*curves), fewest


def _carried_on(errors: Errors, days: Values) -> tuple[Values, Values, Values]:
    """a, b and spread so many days of lead after (before: below 0) those that are known."""
    known = np.minimum(errors.spread, 1.0)  # no skill to lose
    spread = np.where(days == 0, errors.spread, _grown(known, days))
    lost = np.maximum(1.0 - known**2, np.finfo(float).eps)
    keeps = np.where(days == 0, 1.0, np.sqrt((1.0 - np.minimum(spread, 1.0) ** 2) / lost))
    b = np.minimum(errors.b * keeps, np.maximum(errors.b, 1.0))
    return errors.a * np.minimum(keeps, 1.0), b, spread


def dress(
    forecast: Course,
    past: Course,
    history: Course,
    *,
    coming: Whole,
    errors: Errors,
    shift_degc: float = 0.0,
    seed: int = 0,
) -> Dressed | None:
    """Members of a single forecast, each with the past winter it goes on with.

    Parameters
    ----------
    forecast : one member, finite at the hours `coming`
    past : (member = past winter, time) on the axis of the season, finite
    history : what the usual weather is taken from
    coming : (time,) hours since 1970 after issue that the forecast covers
    errors : how it misses at those hours
    shift_degc : what past winters were moved by on the mean, the usual weather with them
    seed : which past winter leaves the forecast's rain when

    Returns
    -------
    Dressed
        None where past winters are fewer than five: they cannot tell what is usual.
    """
    if len(past.member) < NORMAL_YEARS:
        return None
    year, later, normal, pattern = _patterns(past, history, coming, shift_degc)
    if not np.isfinite(pattern).all():
        return None
    own = {
        name: close_short_gaps(forecast.reach(name, coming)[None])[0][0]
        for name in forecast.values
        if name in past.values and name != "soil_temperature"  # see `ground`
    }
    anomaly = (own["air_temperature"] - normal.mean) / normal.spread
    missed = errors.a + (errors.b - 1.0) * anomaly + errors.spread * pattern
    settling = -np.expm1(-(coming - coming[0] + 1) / _SETTLING_HOURS)
    values = {"air_temperature": own["air_temperature"] + settling * normal.spread * missed}
    to_past = _leaving(errors, year, seed)
    for name, array in own.items():
        if name == "air_temperature":
            continue
        weight = np.round(to_past) if name == "precipitation" else to_past
        theirs = past.values[name][year[:, None], coming - past.start + later[:, None]]
        values[name] = (1.0 - weight) * array + weight * theirs
    inside = np.clip(coming - forecast.start, 0, forecast.size - 1)
    filled = np.where(
        coming < forecast.start, FILLED.index("interpolated"), forecast.filled[inside]
    )
    course = replace(
        forecast,
        start=int(coming[0]),
        member=np.arange(len(year)),
        values=values,
        filled=filled.astype(np.int8),
        gap=np.zeros(len(coming), dtype=bool),
    )
    return Dressed(course, year)


def _patterns(
    past: Course, history: Course, coming: Whole, shift_degc: float
) -> tuple[Whole, Whole, Usual, Values]:
    """Past winter of each member, by how many hours later, what is usual, standardised anomalies.

    Over the members the anomalies are centred: the forecast, not the luck of twenty winters,
    says where their middle lies.
    """
    fitting = [
        24 * days
        for days in _SHIFTS_DAYS
        if coming[0] + 24 * days >= past.start and coming[-1] + 24 * days < past.start + past.size
    ]
    copies = min(-(-LEAST_MEMBERS // len(past.member)), len(fitting))
    later = np.array(fitting[:copies])
    wanted = coming + later[:, None]
    normal = usual(history, "air_temperature", wanted.ravel())
    mean = normal.mean.reshape(wanted.shape) + shift_degc
    spread = normal.spread.reshape(wanted.shape)
    theirs = past.values["air_temperature"][:, wanted - past.start]
    pattern = ((theirs - mean) / spread).swapaxes(0, 1).reshape(-1, len(coming))
    year = np.tile(np.arange(len(past.member)), copies)
    centred = pattern - pattern.mean(axis=0)
    return year, np.repeat(later, len(past.member)), Usual(mean[0], spread[0]), centred


def _leaving(errors: Errors, year: Whole, seed: int) -> Values:
    """(member, time) share of the past winter: 0, then rising over two days to 1.

    The share of members that still follow the forecast is its share of explained variance,
    counted from what it is at the first hour.
    """
    explained = np.maximum(1.0 - errors.spread**2, 0.0)
    order = stream(seed, "weather", "leaving_the_forecast").permutation(len(year))
    least = (order + 0.5) / len(year) * explained[0]
    stays = np.minimum.accumulate(explained)[None] > least[:, None]
    begins = np.maximum(stays.sum(axis=1) - _CHANGE_HOURS // 2, 0)
    share = (np.arange(1, len(explained) + 1) - begins[:, None]) / (_CHANGE_HOURS + 1)
    return np.asarray(np.clip(share, 0.0, 1.0))
