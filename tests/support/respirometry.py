"""One winter of hourly respirometry, and the plain estimators the species file rests on.

Data: the raw hours and weighings behind Pretzlaff, Radchuk, Turner & Dausmann 2021 (Journal of
Zoology, doi 10.1111/jzo.12862), first winter only: 13 captive, fed animals in outdoor boxes. They
are read where `RISKCAST_REAL_DATA` points and never copied. A later winter of the same study is
kept for an independent check: nothing here is fitted to it.

How they are read: latin-1; -9999 and blank are missing; sorted by animal and hour, the second of
two rows of one hour dropped; a new session after a gap of more than 2.1 h. Oxygen per gram is the
whole animal's divided by its own weighings, interpolated: the per-gram column of the file divides
some sessions by a wrong mass. Sessions last about two days and cut bouts at both ends, so hazards
are estimated, not mean bouts. Standard errors are clustered by animal throughout.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import least_squares, minimize
from scipy.special import digamma, gammaln

__all__ = [
    "BOX_EXCESS_K",
    "Estimate",
    "Fit",
    "FrailtyFit",
    "clustered_mean",
    "frailty_fit",
    "gains",
    "hazard_rows",
    "in_midwinter",
    "loss_rates",
    "mass_exponent",
    "phases",
    "poisson_fit",
    "read_hours",
    "read_masses",
    "spline_basis",
    "torpid_rates",
]

FloatArray = npt.NDArray[np.float64]
HOURS_FILE = "p21_winter_2009_10.csv"
MASSES_FILE = "p21_body_mass_2009_10_and_autumn_2011.csv"
BOX_EXCESS_K = 0.7  # nest of a torpid animal above the air of its box, mean of this winter
_LONGEST_GAP = pd.Timedelta("2.1h")
_HOUR = pd.Timedelta("1h")
# Notes of the observers (German): out of the box or about, and faults of the apparatus. The
# second holds the stem of the first ("rausschneiden": cut out), so it is taken away before.
_CUT_OUT = re.compile(r"rausschneiden[^|]*")
_ABOUT = re.compile("raus|rein|verl|aktiv|wach")


@dataclass(frozen=True)
class Estimate:
    """A number from the data, its standard error (clustered by animal) and how many it rests on."""

    value: float
    se: float
    n: int


def read_masses(folder: Path) -> pd.DataFrame:
    """Weighings: `animal`, `time`, `mass_g`; those of one animal on one day averaged."""
    raw = pd.read_csv(folder / MASSES_FILE, encoding="latin-1")
    table = pd.DataFrame(
        {
            "animal": raw["Individual"].astype(str).str.removeprefix("HM "),
            "time": pd.to_datetime(raw["Datum"], format="%d/%m/%y"),
            "mass_g": raw["Body_mass"],
        }
    ).dropna()
    return table.groupby(["animal", "time"], as_index=False).mass_g.mean()


def read_hours(folder: Path) -> pd.DataFrame:
    """One row an animal and hour, sorted, with session and mass.

    `air`, `nest`, `skin` (°C), `oxygen_ml_h`, `mass_g`, `rate` (mL O2 g-1 h-1), `state` (0 torpid,
    1 warm, -1 shallow or changing), `note`, `session`, `hours_in_session`, and `t24`: the mean
    of the air over the last 24 hours of the session, or as many as there were, + `BOX_EXCESS_K`.
    """
    raw = pd.read_csv(folder / HOURS_FILE, encoding="latin-1", low_memory=False)
    clock = raw[["Year", "Month", "Day", "Hour"]].set_axis(["year", "month", "day", "hour"], axis=1)

    def number(column: str) -> pd.Series:
        values = pd.to_numeric(raw[column], errors="coerce")
        return values.mask(values == -9999)

    hours = pd.DataFrame(
        {
            "animal": raw["ID_individual"].str.removeprefix("HM "),
            "time": pd.to_datetime(clock),
            "air": number("Ta_iBut"),
            "nest": number("Ti_iBut"),
            "skin": number("Tskin_h"),
            "oxygen_ml_h": number("MR_h"),
            "state": raw["energetic_state"],
            "note": raw["Note_MR"].fillna(""),
        }
    ).sort_values(["animal", "time"], kind="stable")
    hours = hours.drop_duplicates(["animal", "time"]).reset_index(drop=True)
    gap = hours.groupby("animal").time.diff()
    hours["session"] = (gap.isna() | (gap > _LONGEST_GAP)).cumsum()
    start = hours.groupby("session").time.transform("min")
    hours["hours_in_session"] = (hours.time - start) / _HOUR
    hours["t24"] = BOX_EXCESS_K + hours.groupby("session").air.transform(
        lambda air: air.rolling(24, min_periods=1).mean()
    )
    hours["mass_g"] = np.nan
    weighings = read_masses(folder)
    weighings = weighings[weighings.time < "2010-07-01"]
    for animal, rows in hours.groupby("animal"):
        own = weighings[weighings.animal == animal]
        hours.loc[rows.index, "mass_g"] = np.interp(
            _seconds(rows.time), _seconds(own.time), own.mass_g.to_numpy()
        )
    hours["rate"] = hours.oxygen_ml_h / hours.mass_g
    return hours


def in_midwinter(time: pd.Series) -> pd.Series:
    """15 November to 31 March: neither going in nor coming out."""
    return (time >= "2009-11-15") & (time < "2010-04-01")


def hazard_rows(hours: pd.DataFrame) -> pd.DataFrame:
    """Torpid hours whose next hour is in the same session, with `wakes`: is it not torpid?"""
    following = hours.groupby("session").state.shift(-1)
    at_risk = (hours.state == 0) & following.notna()
    rows = hours[at_risk].copy()
    rows["wakes"] = (following[at_risk] != 0).astype(float)
    return rows


def phases(hours: pd.DataFrame) -> pd.DataFrame:
    """Stretches out of torpor that begin and end within a session and reach full warmth.

    `cost` (mL O2 g-1, torpid baseline included), `oxygen_ml` (whole animal), `length_h`,
    `mass_g`, `temperature` (mean air + `BOX_EXCESS_K`), `left` (out of the box or about),
    `unmeasured` (hours without oxygen), `warming_h` and `cooling_h` (before the first and after
    the last warm hour).
    """
    out = []
    for _, rows in hours.groupby("session"):
        awake = (rows.state != 0).to_numpy()
        edges = np.flatnonzero(np.diff(np.r_[0, awake.astype(int), 0]))
        for first, end in zip(edges[::2], edges[1::2], strict=True):
            phase = rows.iloc[first:end]
            if first == 0 or end == len(rows) or not (phase.state == 1).any():
                continue
            warm = np.flatnonzero(phase.state == 1)
            notes = _CUT_OUT.sub("", " | ".join(phase.note))
            out.append(
                {
                    "animal": phase.animal.iloc[0],
                    "time": phase.time.iloc[0],
                    "length_h": float(len(phase)),
                    "cost": phase.rate.sum(),
                    "oxygen_ml": phase.oxygen_ml_h.sum(),
                    "mass_g": phase.mass_g.mean(),
                    "temperature": phase.air.mean() + BOX_EXCESS_K,
                    "left": _ABOUT.search(notes) is not None,
                    "unmeasured": int(phase.rate.isna().sum()),
                    "warming_h": float(warm[0]),
                    "cooling_h": float(len(phase) - 1 - warm[-1]),
                }
            )
    return pd.DataFrame(out)


@dataclass(frozen=True)
class Fit:
    """Coefficients and their covariance, clustered by animal."""

    coefficients: FloatArray
    covariance: FloatArray

    def estimate(self, index: int, n: int) -> Estimate:
        return Estimate(
            float(self.coefficients[index]), float(np.sqrt(self.covariance[index, index])), n
        )


def poisson_fit(
    x: FloatArray, y: FloatArray, cluster: npt.ArrayLike, offset: npt.ArrayLike = 0.0
) -> Fit:
    """ln E(y) = x·b + offset by Newton's method, with a sandwich covariance by cluster.

    Fits means, so costs and lengths (positive, not counts) may stand for y, too. Columns of x
    in which nothing happens have no maximum: an error says so.
    """
    b = np.zeros(x.shape[1])
    b[0] = np.log(y.mean()) - np.mean(offset)
    for _ in range(60):
        mu = np.exp(x @ b + offset)
        information = x.T @ (x * mu[:, None])
        step = np.linalg.solve(information, x.T @ (y - mu))
        b = b + step
        if np.abs(step).max() < 1e-9:
            break
    else:
        raise ArithmeticError("the Poisson fit has no maximum: a column without events?")
    scores = _by_cluster(x * (y - mu)[:, None], cluster)
    bread = np.linalg.inv(information)
    return Fit(b, _sandwich(bread, scores))


@dataclass(frozen=True)
class FrailtyFit:
    """Poisson regression in which each animal's hazard is times a gamma of mean 1."""

    coefficients: FloatArray
    variance: float
    log_likelihood: float


def frailty_fit(
    x: FloatArray, y: FloatArray, cluster: npt.ArrayLike, start: FloatArray
) -> FrailtyFit:
    """Gamma frailty by animal, integrated out in closed form (negative multinomial)."""
    _, code = np.unique(np.asarray(cluster), return_inverse=True)
    events = np.bincount(code, weights=y)

    def loss(p: FloatArray) -> tuple[float, FloatArray]:
        shape = np.exp(-p[-1])
        mu = np.exp(x @ p[:-1])
        total = np.bincount(code, weights=mu)
        by_animal = (
            gammaln(events + shape)
            - gammaln(shape)
            + shape * np.log(shape)
            - (events + shape) * np.log(total + shape)
        )
        luck = (events + shape) / (total + shape)  # expected frailty of each animal
        slope_in_shape = (
            digamma(events + shape) - digamma(shape) + np.log(shape) + 1 - np.log(total + shape)
        )
        gradient = np.r_[x.T @ (y - luck[code] * mu), -shape * (slope_in_shape - luck).sum()]
        return -float(by_animal.sum() + y @ (x @ p[:-1])), -gradient

    bounds = [(None, None)] * x.shape[1] + [(-9.0, 3.0)]
    found = minimize(loss, np.r_[start, -1.0], jac=True, method="L-BFGS-B", bounds=bounds)
    return FrailtyFit(found.x[:-1], float(np.exp(found.x[-1])), -float(found.fun))


def torpid_rates(temperature: FloatArray, rate: FloatArray, cluster: npt.ArrayLike) -> Fit:
    """Least squares of r0·Q10^(max(T, 0)/10) + slope·max(-T, 0): r0, Q10, cold slope.

    Least squares, not logarithms: costs add, so the mean rate counts.
    """

    def residual(p: FloatArray) -> FloatArray:
        model = p[0] * p[1] ** (np.maximum(temperature, 0) / 10) + p[2] * np.maximum(
            -temperature, 0
        )
        return np.asarray(model - rate)

    found = least_squares(residual, [0.08, 2.0, 0.05])
    bread = np.linalg.inv(found.jac.T @ found.jac)
    scores = _by_cluster(found.jac * found.fun[:, None], cluster)
    return Fit(found.x, _sandwich(bread, scores))


def mass_exponent(whole: FloatArray, mass_g: FloatArray, cluster: npt.ArrayLike) -> Estimate:
    """Slope of the logarithm of a whole animal's use on the logarithm of its mass."""
    x = np.column_stack([np.ones(whole.size), np.log(mass_g)])
    bread = np.linalg.inv(x.T @ x)
    b = bread @ x.T @ np.log(whole)
    left = np.log(whole) - x @ b
    # Few animals: the larger of the plain and the clustered error.
    plain = np.sqrt(left @ left / (whole.size - 2) * bread[1, 1])
    clustered = np.sqrt(_sandwich(bread, _by_cluster(x * left[:, None], cluster))[1, 1])
    return Estimate(float(b[1]), float(max(plain, clustered)), whole.size)


def clustered_mean(values: npt.ArrayLike, cluster: npt.ArrayLike) -> Estimate:
    """Mean over all rows, error clustered."""
    v = np.asarray(values, dtype=float)
    scores = _by_cluster((v - v.mean())[:, None], cluster)
    return Estimate(
        float(v.mean()), float(np.sqrt(_sandwich(np.eye(1) / v.size, scores)[0, 0])), v.size
    )


def gains(masses: pd.DataFrame) -> pd.DataFrame:
    """Gain between successive weighings from October to 11 November: `start_g`, `gain` (g/day)."""
    month_day = masses.time.dt.month * 100 + masses.time.dt.day
    autumn = masses[(month_day >= 1001) & (month_day <= 1111)].sort_values(["animal", "time"])
    group = autumn.groupby([autumn.animal, autumn.time.dt.year])
    days = group.time.diff() / pd.Timedelta("1D")
    change = group.mass_g.diff()
    out = pd.DataFrame(
        {"animal": autumn.animal, "start_g": autumn.mass_g - change, "gain": change / days}
    )
    return out.dropna()


def loss_rates(masses: pd.DataFrame) -> pd.Series:
    """Exponential change of mass a day, first to last weighing, mid November to May, by animal."""
    winter = masses[(masses.time >= "2009-11-15") & (masses.time < "2010-06-01")]
    ends = winter.sort_values("time").groupby("animal").agg(["first", "last"])
    days = (ends[("time", "last")] - ends[("time", "first")]) / pd.Timedelta("1D")
    return np.log(ends[("mass_g", "last")] / ends[("mass_g", "first")]) / days


def spline_basis(t: FloatArray, knots: FloatArray) -> FloatArray:
    """Natural cubic spline (linear beyond the ends), one column fewer than knots.

    Truncated powers, scaled by the square of the range (Harrell, Regression Modeling
    Strategies, § 2.4.5; from memory).
    """

    def cubed(shift: float) -> FloatArray:
        return np.asarray(np.maximum(t - shift, 0.0) ** 3)

    last, before = knots[-1], knots[-2]
    columns = [t]
    for knot in knots[:-2]:
        bent = (
            cubed(knot)
            - cubed(before) * (last - knot) / (last - before)
            + cubed(last) * (before - knot) / (last - before)
        )
        columns.append(bent / (last - knots[0]) ** 2)
    return np.column_stack(columns)


def _seconds(time: pd.Series) -> FloatArray:
    return time.to_numpy().astype("datetime64[s]").astype(float)


def _by_cluster(scores: FloatArray, cluster: npt.ArrayLike) -> FloatArray:
    names, code = np.unique(np.asarray(cluster), return_inverse=True)
    out = np.zeros((names.size, scores.shape[1]))
    np.add.at(out, code, scores)
    return out


def _sandwich(bread: FloatArray, scores: FloatArray) -> FloatArray:
    groups = len(scores)
    return bread @ (scores.T @ scores) @ bread * groups / (groups - 1)
