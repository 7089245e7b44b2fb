"""What a stretch of weather costs the reference animal, against the same dates in past years."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from riskcast.risk.assessment import Quantity
from riskcast.risk.evidence import NEXT_WEEK, TO_DATE, WEEK_DAYS, Evidence
from riskcast.risk.scores import quantity, rank_among

__all__ = ["Spending", "other_stretches", "spending", "split"]

_DAY = np.timedelta64(1, "D")
# A difference of less than this many days of reserve has no parts worth telling.
_LEAST_TO_SPLIT = 0.2


@dataclass(frozen=True)
class Spending:
    """Cost of one stretch, in days of reserve as a mean day of those dates in past years spends it.

    Attributes
    ----------
    days : length of the stretch, and so its cost in a normal year
    spent, ratio : (member, draw) days of reserve spent; the same over `days`
    extra_arousals : (member, draw) more than in the mean of the past years
    more_arousals, dearer_torpor, dearer_waking : (member, draw) days of reserve; in every
        future they add up to ``spent - days``
    above : (member, draw) whether it costs more than a quantile of the past years
    rank : among the past years and this one, 1 = the costliest
    """

    days: float
    spent: xr.DataArray
    ratio: xr.DataArray
    extra_arousals: xr.DataArray
    more_arousals: xr.DataArray
    dearer_torpor: xr.DataArray
    dearer_waking: xr.DataArray
    above: xr.DataArray
    rank: int


def spending(evidence: Evidence, stretch: str, days: float, above: float) -> Spending:
    """Compare a stretch of `evidence.spend` with the past years, draw by draw.

    More wakings are counted at the past years' cost of one, dearer wakings at this year's number.

    Parameters
    ----------
    stretch : name in `evidence.spend`
    days : its length
    above : quantile of the past years that `Spending.above` asks about
    """
    here, past = evidence.spend[stretch], evidence.past_spend[stretch]
    total, past_total = here["torpor"] + here["waking"], past["torpor"] + past["waking"]
    usual = past_total.mean("member")
    per_day = usual / days
    cost, past_cost = (
        here["waking"] / here["arousals"],
        past["waking"].mean("member") / past["arousals"].mean("member"),
    )
    extra_arousals = here["arousals"] - past["arousals"].mean("member")
    return Spending(
        days=days,
        spent=total / per_day,
        ratio=total / usual,
        extra_arousals=extra_arousals,
        more_arousals=extra_arousals * past_cost / per_day,
        dearer_torpor=(here["torpor"] - past["torpor"].mean("member")) / per_day,
        dearer_waking=here["arousals"] * (cost - past_cost) / per_day,
        above=total > past_total.quantile(above, "member"),
        rank=rank_among(float(total.mean()), past_total.mean("draw").values),
    )


def split(whole: Quantity, one: Spending, prefix: str = "") -> dict[str, Quantity]:
    """The median's parts, in the proportion of the parts' means, so that they add up to it."""
    means = {
        f"{prefix}from_more_arousals": float(one.more_arousals.mean()),
        f"{prefix}from_dearer_torpor": float(one.dearer_torpor.mean()),
        f"{prefix}from_dearer_waking": float(one.dearer_waking.mean()),
    }
    total = sum(means.values())
    unit = whole.unit
    if whole.value is None or abs(total) < _LEAST_TO_SPLIT or whole.value * total < 0:
        reason = "too_little_to_split"
        return {name: Quantity(value=None, unit=unit, reason=reason) for name in means}
    return {
        name: Quantity(value=round(whole.value * mean / total, 3), unit=unit)
        for name, mean in means.items()
    }


def other_stretches(evidence: Evidence, above: float) -> dict[str, Quantity]:
    """The next week, and the season so far, where they make sense on the day."""
    since = (evidence.issued_at.astype("datetime64[h]") - evidence.reference_onset) / _DAY
    found: dict[str, Quantity] = {}
    for name, prefix, days in ((NEXT_WEEK, "week_", WEEK_DAYS), (TO_DATE, "season_", since)):
        if name not in evidence.spend or name not in evidence.past_spend:
            continue
        one = spending(evidence, name, float(days), above)
        extra = quantity((one.spent - one.days).values, "day of reserve")
        found |= {
            f"{prefix}days_spent": quantity(one.spent.values, "day of reserve"),
            f"{prefix}days_spent_normal": Quantity(value=round(one.days, 3), unit="day of reserve"),
            f"{prefix}extra_days": extra,
            f"{prefix}extra_arousals": quantity(one.extra_arousals.values, "arousals"),
            **split(extra, one, prefix),
            f"{prefix}ratio": quantity(one.ratio.values, "1"),
            f"{prefix}rank": Quantity(value=one.rank, unit="1"),
        }
    return found
