"""Which animals are those? Current animals, weighings of the same animal, the last round."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from riskcast.base.nights import local_date

__all__ = ["CURRENT_COLUMNS", "current", "gains", "last_round"]

BoolArray = npt.NDArray[np.bool_]

CURRENT_COLUMNS: tuple[str, ...] = (
    "label",
    "key",
    "box",
    "organism_id",
    "sex",
    "life_stage",
    "activity",
    "reproductive_condition",
    "body_mass_g",
    "event_date",
    "age_days",
    "litter",
    "with_mother",
    "ranked",
    "why_not",
)
"""Columns of what `current` returns."""

_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)

# A winter year runs from July to June, as in the weather: an animal last seen before it began
# has lived through a winter since.
_WINTER_YEAR_MONTH = 7

# Orders animals of equal weight, so that the order of the sheet does not matter.
_TIES = ("life_stage", "sex", "activity", "reproductive_condition", "remarks")

_YOUNG = ("juvenile", "nestling")
_NURSING = re.compile(r"lactat|nursing|suckl|milk", re.IGNORECASE)


def current(
    rows: pd.DataFrame,
    *,
    issued_at: np.datetime64,
    timezone: str,
    stale_after_days: float,
    autumn_end: tuple[int, int],
    litter_young: int,
    litter_spread: float,
    independence_mass_g: float,
) -> pd.DataFrame:
    """The animals that count on the date of issue, one row each.

    A marked animal stands where it was weighed last. Unmarked animals are those of the
    latest check of each box: what an earlier check found cannot be told apart from them. A
    box whose latest check found nothing has none. Nobody last seen before 1 July of the
    current winter year is current.

    A weight older than `stale_after_days` is shown but not ranked. In winter its age is
    counted to `autumn_end`, because animals are not weighed after that.

    Parameters
    ----------
    rows : `Records.rows`
    issued_at : UTC
    timezone : of the site
    stale_after_days : days after which an autumn weight says too little
    autumn_end : month and day after which animals are not weighed any more
    litter_young, litter_spread : so many unmarked young beside a female, whose weights lie
        within this part of their mean, are taken for hers
    independence_mass_g : young lighter than that still depend on their mother, g

    Returns
    -------
    DataFrame in the order of boxes, lightest first in each, with the columns
    `CURRENT_COLUMNS`, whatever the order of `rows`:

    - label, for people: "box 14, 3rd of 5, weighed 18 October" counts from the lightest of
      the animals weighed in that check; "animal A7, box 14, weighed 18 October" is marked;
    - key, for random streams: the mark, or box, date and rank by mass;
    - age_days, between weighing and issue, days;
    - litter: a nestling; all young in one box with an adult female if she is nursing or one
      of them is lighter than `independence_mass_g`; else those of `litter_young` or more
      unmarked young that weigh alike around her. The unit is then the litter, never the
      single animal;
    - with_mother: a young animal in one box with an adult female;
    - ranked, and why_not: "weight_too_old" where it is False.
    """
    today = local_date(issued_at, timezone)
    winter_year = today.year if today.month >= _WINTER_YEAR_MONTH else today.year - 1
    begin = dt.date(winter_year, _WINTER_YEAR_MONTH, 1)
    counted_to = min(today, dt.date(winter_year, *autumn_end))
    dates = rows["event_date"]
    season = rows[(dates >= pd.Timestamp(begin)) & (dates <= pd.Timestamp(today))]
    season = season.assign(opened=season.groupby("box")["event_date"].transform("max"))
    checks = _checks(season, _Litters(litter_young, litter_spread, independence_mass_g))
    marked = checks[checks["organism_id"] != ""]
    latest = marked["event_date"] == marked.groupby("organism_id")["event_date"].transform("max")
    unmarked = checks[checks["organism_id"] == ""]
    last_check = unmarked["event_date"] == unmarked["opened"]
    animals = pd.concat([unmarked[last_check], marked[latest]])
    # The rows of a contradiction are set aside, so a mark stands once a day.
    animals = animals.drop_duplicates("key")
    age = (pd.Timestamp(today) - animals["event_date"]).dt.days
    stale = (pd.Timestamp(counted_to) - animals["event_date"]).dt.days > stale_after_days
    animals = animals.assign(
        age_days=age.astype("int64"),
        ranked=~stale,
        why_not=np.where(stale, "weight_too_old", ""),
    )
    order = sorted(
        range(len(animals)),
        key=lambda i: (
            _natural(animals["box"].iloc[i]),
            animals["rank"].iloc[i],
            animals["key"].iloc[i],
        ),
    )
    return animals.iloc[order][list(CURRENT_COLUMNS)].reset_index(drop=True)


@dataclass(frozen=True)
class _Litters:
    """What tells that young in one box with an adult female are hers."""

    young: int
    spread: float
    independence_mass_g: float


def _checks(rows: pd.DataFrame, litters: _Litters) -> pd.DataFrame:
    """Weighings with what their box check says about them: rank, label, key, litter."""
    weighed = rows[rows["weighed"]].copy()
    weighed = weighed.sort_values(
        ["event_date", "box", "body_mass_g", "organism_id", *_TIES], kind="stable"
    )
    litter, with_mother = np.zeros((2, len(weighed)), dtype=bool)
    rank = np.zeros(len(weighed), dtype="int64")
    label = np.empty(len(weighed), dtype=object)
    groups = weighed.groupby(["event_date", "box"], sort=False)
    for places in groups.indices.values():
        check = weighed.iloc[places]
        rank[places] = np.arange(1, len(places) + 1)
        litter[places], with_mother[places] = _family(check, litters)
        label[places] = [
            _label(row, number, len(places)) for number, (_, row) in enumerate(check.iterrows(), 1)
        ]
    day = weighed["event_date"].dt.strftime("%Y-%m-%d")
    plain = weighed["box"] + "|" + day + "|" + pd.Series(rank, weighed.index).astype(str)
    return weighed.assign(
        litter=litter,
        with_mother=with_mother,
        rank=rank,
        label=label,
        key=weighed["organism_id"].where(weighed["organism_id"] != "", plain),
    )


def _label(row: pd.Series[Any], number: int, total: int) -> str:
    mark, box, date = row["organism_id"], row["box"], row["event_date"]
    when = f"weighed {date.day} {_MONTHS[date.month - 1]}"
    if mark:
        return ", ".join(part for part in (f"animal {mark}", box and f"box {box}", when) if part)
    place = f", {_ordinal(number)} of {total}" if total > 1 else ""
    return f"box {box}{place}, {when}"


def _ordinal(number: int) -> str:
    teens = number % 100 in (11, 12, 13)
    return f"{number}{'th' if teens else {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th')}"


def _natural(text: str) -> tuple[bool, list[tuple[bool, int, str]]]:
    """Sorts box 9 before box 10, and animals without a box last."""
    parts = re.findall(r"\d+|\D+", text)
    return not text, [(not p.isdigit(), int(p) if p.isdigit() else 0, p) for p in parts]


def _family(check: pd.DataFrame, litters: _Litters) -> tuple[BoolArray, BoolArray]:
    """Litter and with_mother of the animals of one box check, lightest first."""
    stage = check["life_stage"]
    # Marked animals of which no box is known were not together.
    mothers = check[(check["box"] != "") & (stage == "adult") & (check["sex"] == "female")]
    with_mother = stage.isin(_YOUNG).to_numpy() & (len(mothers) > 0)
    nursing = any(_NURSING.search(signs) for signs in mothers["reproductive_condition"])
    unmarked = with_mother & (check["organism_id"] == "").to_numpy()
    masses_g = check["body_mass_g"].to_numpy()
    dependent = bool((masses_g[with_mother] < litters.independence_mass_g).any())
    alike = np.zeros(len(check), dtype=bool)
    alike[unmarked] = _alike(masses_g[unmarked], litters)
    nestling = (stage == "nestling").to_numpy()
    return nestling | (with_mother & (nursing or dependent)) | alike, with_mother


def _alike(masses_g: npt.NDArray[np.float64], litters: _Litters) -> BoolArray:
    """Which weights, sorted upwards, lie in a group that is large enough and weighs alike."""
    alike = np.zeros(len(masses_g), dtype=bool)
    for first in range(len(masses_g) - litters.young + 1):
        for last in range(first + litters.young, len(masses_g) + 1):
            group = masses_g[first:last]
            if group[-1] - group[0] <= litters.spread * group.mean():
                alike[first:last] = True
    return alike


def gains(rows: pd.DataFrame) -> pd.DataFrame:
    """What marked animals gained between one weighing and the next.

    Returns
    -------
    DataFrame, a row a pair, by animal and date: key and organism_id (the mark), life_stage
    at the first weighing, from_date, to_date, days, from_mass_g, gain_g, gain_g_per_day.
    Pairs across a winter are among them.
    """
    weighed = rows[rows["weighed"] & (rows["organism_id"] != "")]
    weighed = weighed.sort_values(["organism_id", "event_date", "source_row"], kind="stable")
    same = weighed.groupby("organism_id", sort=False)
    before = same[["event_date", "body_mass_g", "life_stage"]].shift()
    days = (weighed["event_date"] - before["event_date"]).dt.days
    pairs = pd.DataFrame(
        {
            "key": weighed["organism_id"],
            "organism_id": weighed["organism_id"],
            "life_stage": before["life_stage"],
            "from_date": before["event_date"],
            "to_date": weighed["event_date"],
            "days": days,
            "from_mass_g": before["body_mass_g"],
            "gain_g": weighed["body_mass_g"] - before["body_mass_g"],
        }
    )
    pairs = pairs[pairs["days"] > 0].astype({"days": "int64"})
    pairs["gain_g_per_day"] = pairs["gain_g"] / pairs["days"]
    return pairs.reset_index(drop=True)


def last_round(rows: pd.DataFrame) -> dt.date | None:
    """Date of the latest check in the rows, weighings and empty boxes alike; None without rows."""
    if rows.empty:
        return None
    return pd.Timestamp(rows["event_date"].max()).date()
