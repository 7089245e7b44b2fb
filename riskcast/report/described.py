"""The weather beside the risk: what it costs over three stretches, what others would call it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.advice.words import date
from riskcast.base.nights import local_days
from riskcast.habitat.spells import (
    DEFINITIONS,
    SpellDefinition,
    daily,
    limits_of,
    spell_counts,
    warm_days,
    winter_years,
)
from riskcast.report.figures import told
from riskcast.risk import Assessment, Evidence, Quantity
from riskcast.risk.scores import quantity
from riskcast.species import Species

__all__ = ["after_emergence", "cost_of_weather", "first_food_floor", "weather_itself"]

_SEEN = ("observed", "analysis")


def weather_itself(evidence: Evidence, sp: Species) -> list[str]:
    """Lines of `riskcast explain`: each definition, this season so far and the past years.

    This season: whole local days of this winter year (July to June) that had been observed at
    issue. Past years: the same days of each past winter, so that like is set beside like.
    Limits are those of the past years alone.

    Parameters
    ----------
    evidence : of the run
    sp : Species, central values; ``risk.least_past_years`` are needed for a limit
    """
    head = "How the weather itself is described (enters no risk; that comes from nest and fat)"
    days = _seen_days(evidence)
    if not days.size:
        return [head, "   not enough data because no whole day of this winter has been observed"]
    years = evidence.past_years
    beside = f"the same days of {years} past winters" if years else "no past winters"
    lines = [head, f"   {days[0]} to {days[-1]}, beside it {beside}"]
    values = {
        of: (_daily(evidence.futures, evidence, of), _daily(evidence.past, evidence, of))
        for of in {definition.of for definition in DEFINITIONS}
    }
    for definition in DEFINITIONS:
        here, past = values[definition.of]
        lines.append(f"   {definition.title} ({definition.source}):")
        lines.append(f"      {_counted(definition, here, past, days, sp)}")
    return lines


def cost_of_weather(assessment: Assessment) -> list[str]:
    """Lines of `riskcast explain`: days of reserve over a week, the window, the season so far.

    Those of the risk `winter_arousal`, so of the reference animal; where it is not assessed, why.
    """
    risk = assessment.risk("winter_arousal")
    head = "What this weather costs the reference animal, against the same dates in past winters"
    if risk.status == "not_asked_now":
        from_to = f"from {risk.window.start or 'onset'} to {risk.window.end or 'emergence'}"
        return [head, f"   not asked now: only {from_to}, while it is in its nest"]
    if risk.status != "assessed":
        why = risk.reasons[0]
        because = "the weather ends before the window does"
        if why.code == "no_past_years":
            because = f"{why.numbers['needed']} past winters are needed and there are "
            because += f"{why.numbers['have']}"
        return [head, f"   not enough data because {because}"]
    known = risk.quantities
    stretches = {"next week": "week_", "window of the risk": "", "season so far": "season_"}
    lines = [head]
    for words, prefix in stretches.items():
        if f"{prefix}days_spent" not in known:
            continue
        q = {
            name: told(known[f"{prefix}{name}"], unit=False)
            for name in ("days_spent", "extra_arousals", "ratio", "rank")
        }
        normal = known[f"{prefix}days_spent_normal"].value
        lines += [
            f"   {words}, {normal:.3g} days: {q['days_spent']} days of reserve, "
            f"{q['ratio']} of normal, rank {q['rank']} of "
            f"{told(known['rank_of'], unit=False)}; wakings above normal {q['extra_arousals']}",
            *_parts(known, prefix),
        ]
    return lines


def first_food_floor(evidence: Evidence, sp: Species) -> list[str]:
    """A line of `riskcast explain` where a rule of ours, and no forecast, dates the first food."""
    month, day = sp.food.early_floor
    floor = np.datetime64(f"{evidence.food.attrs['spring']}-{month:02d}-{day:02d}", "D")
    moments = evidence.food["first_food_date"].values.ravel()
    held = float((local_days(moments, evidence.timezone) == floor).mean())
    words = f"not believed before {date(str(floor))} (food.early_floor)"
    return [f"      {words}: so in {held:.0%} of futures"] if held > 0 else []


def after_emergence(evidence: Evidence, sp: Species) -> list[str]:
    """Lines of `riskcast explain`: the wait from emergence to enough food, and what it costs."""
    wait = (evidence.food["food_date"] - evidence.emergence) / np.timedelta64(1, "D")
    known = (evidence.gap_cost.notnull() & wait.notnull()).values
    late = float(evidence.food["food_date"].isnull().mean())
    if not known.any():
        return ["   the wait after emergence: not enough data because no future has both dates"]
    rate, scale = sp.parameters["arousal.awake_rate_per_day"], float(sp.reserve.scale_mass)
    grams = quantity(evidence.gap_cost.values * scale, "g")
    lines = [
        f"   wait from emergence to enough food {told(quantity(wait.values, 'day'))} "
        "(minus: food is there first)",
        f"   awake: {rate.value:g} ({rate.low:g} to {rate.high:g}) mL O2 per g and day, less the "
        "share that food meets: none before first food, rising evenly to all at enough food",
        f"   so the wait costs {told(grams)} of a body of {scale:g} g; days in hand leave it "
        "out: with no food found the animal is taken to stay in",
    ]
    if late > 0:
        lines.append(f"   no enough food before the series ends in {late:.0%} of futures: left out")
    return lines


def _parts(known: dict[str, Quantity], prefix: str) -> list[str]:
    """What the days more, or fewer, are made of."""
    names = {"more wakings": "more_arousals", "dearer torpor": "dearer_torpor",
             "dearer wakings": "dearer_waking"}  # fmt: skip
    parts = {words: known[f"{prefix}from_{name}"] for words, name in names.items()}
    if any(part.value is None for part in parts.values()):
        return ["      too near to normal to be split"]
    split = ", ".join(f"{part.value:+.2g} from {words}" for words, part in parts.items())
    return [f"      {known[f'{prefix}extra_days'].value:+.2g} days: {split}"]


def _counted(
    definition: SpellDefinition,
    here: xr.DataArray,
    past: xr.DataArray,
    days: npt.NDArray[np.datetime64],
    sp: Species,
) -> str:
    years, needed = past.sizes["member"], int(sp.risk.least_past_years)
    if definition.quantile is not None and years < needed:
        return (
            f"not enough data because the limit takes {needed} past winters and there are {years}"
        )
    months = days.astype("datetime64[M]").astype(int) % 12 + 1
    if definition.months and not np.isin(months, definition.months).any():
        return "not asked yet: December has not begun"
    limits = limits_of(past if years else here, definition)
    so_far = np.isin(here["day"].values.astype("datetime64[D]"), days)
    # All members share what was observed.
    season = warm_days(here.isel(member=[0]), limits, definition)[0, so_far]
    count, spells, longest = spell_counts(season, definition.least_days)
    told = "none"
    if spells:
        told = f"{_days(count)} in {spells} spell{'s' if spells > 1 else ''}"
        told += f", the longest {_days(longest)}" if spells > 1 else ""
    if not years:
        return told
    before = [
        spell_counts(row, definition.least_days)[0]
        for row in warm_days(past, limits, definition)[:, so_far]
    ]
    low, middle, high = np.quantile(before, [0.1, 0.5, 0.9])
    more = sum(other > count for other in before)
    return (
        f"{told}; in past winters {middle:.3g} ({low:.3g} to {high:.3g}) days, "
        f"more than now in {more} of {years}"
    )


def _seen_days(evidence: Evidence) -> npt.NDArray[np.datetime64]:
    """Whole local days of this winter year that had been observed at issue."""
    label = local_days(evidence.futures.time.values, evidence.timezone)
    seen = np.isin(evidence.futures["provenance"].values, _SEEN)
    days, first = np.unique(label, return_index=True)
    whole = np.minimum.reduceat(seen, first)
    this_winter = winter_years(days) == winter_years(days[-1:])
    return np.asarray(days[whole & this_winter])


def _daily(weather: xr.Dataset, evidence: Evidence, of: str) -> xr.DataArray:
    return daily(weather["air_temperature"], evidence.timezone, of)


def _days(number: int) -> str:
    return f"{number} day{'' if number == 1 else 's'}"
