"""An animal's winter day by day: as a table for a file, and by the week for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.advice import Cell, Table
from riskcast.advice.words import date
from riskcast.base.nights import as_ns
from riskcast.risk import REFERENCE, Feeding

__all__ = ["DayByDay", "days_table", "weeks_block"]

FloatArray = npt.NDArray[np.float64]
_DAY = np.timedelta64(1, "D")
_WEEK = 7
_CASES: dict[Feeding, str] = {"none": "no food found", "found": "food found"}
_SPENT = {
    "torpid": "torpid",
    "waking": "warming and awake",
    "searching": "searching",
}
# A thousandth of a gram, a ten thousandth of a share: finer than the futures tell.
_DIGITS, _FINE_DIGITS = 3, 4
_BAR = 10
# As in letters: fewer than 1 in 20, more than 19 in 20.
_SELDOM = 0.05
_ABOUT_SHARES = {
    True: ["   Reserve left: share of futures whose reserve is not gone by then."],
    False: ["   Shares of futures with reserve are not shown, for the reason under 8."],
}


@dataclass(frozen=True)
class DayByDay:
    """What happens to one animal on each day (UTC), over all futures.

    label : of the animal
    onset, food_date : datetime64 over (member, draw); NaT in `food_date` = not by the end
    nest : nest temperature (member, time), degC
    winter : per feeding case, `physiology.winter` with ``daily``, without the animal's dimension
    issued_at : datetime64
    shares_shown : may shares of futures with reserve be told (the gate of the assessment)?
    """

    label: str
    shares_shown: bool
    issued_at: np.datetime64
    onset: xr.DataArray
    food_date: xr.DataArray
    nest: xr.DataArray
    winter: Mapping[Feeding, xr.Dataset]

    @property
    def days(self) -> npt.NDArray[np.datetime64]:
        """From the first day on which the animal goes in, in any future."""
        days = self.winter["none"]["day"].values
        return np.asarray(days[days + _DAY > self.onset.values.min()])

    def share_by(self, moments: xr.DataArray, last: npt.NDArray[np.datetime64]) -> FloatArray:
        """Share of futures in which something has happened by the end of each of some days."""
        stamps = np.sort(moments.values.ravel())  # NaT comes last
        known = stamps[~np.isnat(stamps)]
        return np.asarray(np.searchsorted(known, last + _DAY, side="left") / stamps.size)


def days_table(course: DayByDay) -> Table:
    """One row a day, from the first onset in any future to the end of the season.

    Shares without reserve are left empty where they may not be told. Nothing of it tells where
    the site lies.
    """
    days = course.days
    columns: dict[str, FloatArray | None] = {
        "nest temperature, mean of the courses of weather (°C)": _nest_by_day(course, days),
        "gone in (share of futures)": course.share_by(course.onset, days),
        "enough food (share of futures)": course.share_by(course.food_date, days),
    }
    for feeding, words in _CASES.items():
        winter = course.winter[feeding].sel(day=days)
        for share in winter["quantile"].values:
            columns[f"{words}: body mass, {share:.0%} of futures below (g)"] = (
                winter["daily_body_mass_g"].sel(quantile=share).values
            )
        gone = course.share_by(winter["reserve_empty"], days) if course.shares_shown else None
        columns[f"{words}: reserve gone (share of futures)"] = gone
        if feeding == "none":
            columns[f"{words}: wakings begun, mean of futures (1)"] = winter[
                "daily_arousals"
            ].values
            for name, what in _SPENT.items():
                columns[f"{words}: body mass spent {what}, mean of futures (g)"] = winter[
                    f"daily_spent_{name}_g"
                ].values
    rows: list[tuple[Cell, ...]] = [
        (str(day.astype("datetime64[D]")), *(_cell(*column, n) for column in columns.items()))
        for n, day in enumerate(days)
    ]
    return Table(f"{course.label}, day by day", ("date (UTC)", *columns), tuple(rows))


def _cell(name: str, values: FloatArray | None, n: int) -> Cell:
    digits = _DIGITS if "below (g)" in name or "°C" in name else _FINE_DIGITS
    return None if values is None else round(float(values[n]), digits)


def weeks_block(course: DayByDay) -> list[str]:
    """Lines of `riskcast explain`: a week each, from issue, or onset, to the food date.

    The food date is its median; where half of the futures have none, the end of the season.
    """
    head = [f"10  Week by week for {_named(course.label)}, from issue to enough food"]
    weeks = _weeks(course)
    if not weeks:
        return [*head, "   no week lies between going in and enough food"]
    unfed, fed = course.winter["none"], course.winter["found"]
    nest = dict(zip(course.days, _nest_by_day(course, course.days), strict=True))
    lines = [
        *head,
        "   Body mass at the week's end, g: median (10 % to 90 % of futures). Wakings, and g",
        "   spent on torpor, on warming and being awake, on searching: mean of futures; those",
        "   whose reserve is gone spend nothing. Fed animals: what waking costs is in their net",
        "   change. Before it goes in, an animal stands at its mass at onset. Weeks by UTC;",
        "   the last one ends where there is enough food.",
        *_ABOUT_SHARES[course.shares_shown],
        "",
        f"   {'':12s}{'':7s}no food found{'':{41 if course.shares_shown else 22}s}"
        f"g spent:{'':14s}food found",
        f"   {'week from':12s}{'nest':7s}{'body mass':21s}{_left('reserve left', course, 19)}"
        f"{'wakings  torpid   awake  search':33s}{'body mass':21s}{_left('reserve left', course)}",
    ]
    for week in weeks:
        here, last = unfed.sel(day=week), week[-1:]
        left = [1.0 - float(course.share_by(w["reserve_empty"], last)[0]) for w in (unfed, fed)]
        spent = (float(here[f"daily_spent_{name}_g"].sum()) for name in _SPENT)
        numbers = "".join(f"{grams:8.2f}" for grams in spent)
        line = (
            f"   {date(str(week[0].astype('datetime64[D]'))):12s}"
            f"{float(np.mean([nest[day] for day in week])):4.1f}   "
            f"{_mass(unfed, last[0]):21s}{_left(_bar(left[0]), course, 19)}"
            f"{float(here['daily_arousals'].sum()):7.1f}{numbers}  "
            f"{_mass(fed, last[0]):21s}{_left(_share(left[1]), course)}"
        )
        lines.append(line.rstrip())
    return lines


def _weeks(course: DayByDay) -> list[npt.NDArray[np.datetime64]]:
    days = course.days
    food = np.sort(course.food_date.values.ravel())
    middle = food[(food.size - 1) // 2]
    end = days[-1] + _DAY if np.isnat(middle) else as_ns(middle)
    inside = days[(days >= course.issued_at.astype("datetime64[D]")) & (days < end)]
    return [inside[n : n + _WEEK] for n in range(0, inside.size, _WEEK)]


def _nest_by_day(course: DayByDay, days: npt.NDArray[np.datetime64]) -> FloatArray:
    of_hour = course.nest.time.values.astype("datetime64[D]").astype("datetime64[ns]")
    hours = course.nest.mean("member").values
    place = np.searchsorted(days, of_hour)
    inside = (of_hour >= days[0]) & (of_hour <= days[-1])
    sums, counts = (
        np.bincount(place[inside], values, minlength=days.size)
        for values in (hours[inside], np.ones(int(inside.sum())))
    )
    return np.asarray(sums / counts)


def _mass(winter: xr.Dataset, day: np.datetime64) -> str:
    low, middle, high = (
        float(winter["daily_body_mass_g"].sel(quantile=share, day=day)) for share in (0.1, 0.5, 0.9)
    )
    return f"{middle:.1f} ({low:.1f} to {high:.1f})"


def _left(text: str, course: DayByDay, width: int = 0) -> str:
    return text.ljust(width) if course.shares_shown else ""


def _bar(share: float) -> str:
    filled = round(share * _BAR)
    return f"{'#' * filled}{'.' * (_BAR - filled)} {_share(share)}"


def _share(share: float) -> str:
    """Never none, never all: futures are not the whole truth."""
    if share < _SELDOM:
        return f"<{_SELDOM:.0%}"
    return f">{1 - _SELDOM:.0%}" if share > 1 - _SELDOM else f"{share:.0%}"


def _named(label: str) -> str:
    return "the reference animal" if label == REFERENCE else label
