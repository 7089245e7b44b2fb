"""The four risks: event, likelihood, consequence, and the numbers behind them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import xarray as xr

from riskcast.base.nights import local_date
from riskcast.risk.assessment import (
    AnimalOutlook,
    DateQuantity,
    Quantity,
    Reason,
    RiskId,
    RiskResult,
    WarmSpell,
    Window,
)
from riskcast.risk.confidence import confidence
from riskcast.risk.evidence import NEXT_DAYS, REFERENCE, Evidence
from riskcast.risk.outlook import days_vs_normal
from riskcast.risk.scores import (
    concern,
    date_quantity,
    likelihood_word,
    quantity,
    share,
)
from riskcast.risk.spending import other_stretches, spending, split
from riskcast.species import Species

__all__ = ["autumn_mass", "spring_food", "winter_arousal", "winter_reserve"]

_DAY = np.timedelta64(1, "D")


def autumn_mass(evidence: Evidence, animals: Sequence[AnimalOutlook], sp: Species) -> RiskResult:
    """Mass at onset below the target: the most affected animal, and how many.

    Likelihood: the largest share of any ranked animal. Consequence: the expected number of
    ranked animals below the target.
    """
    start = _month_day(evidence, sp.risk.autumn_start, autumn=True)
    ranked = [animal for animal in animals if animal.ranked and animal.share_short is not None]
    carried = evidence.autumn
    onset = (
        DateQuantity(value=None, reason="no_weights")
        if carried is None
        else date_quantity(carried["onset"].values, evidence.timezone)
    )
    window = Window(start=start, end=onset.value or _onset_day(evidence))
    if not _inside(evidence, window):
        return _not_asked("autumn_mass", window)
    if not ranked:
        return _no_data("autumn_mass", window, Reason(code="no_weights"))
    shares = [animal.share_short or 0.0 for animal in ranked]
    worst = ranked[int(np.argmax(shares))]
    expected = round(sum(shares), 2)
    likelihood = max(shares)
    short = sum(s > 0.5 for s in shares)  # more likely than not
    reasons = [
        Reason(code="short_animals", numbers={"n": short, "animals": len(ranked)}),
        Reason(
            code="most_affected",
            numbers={
                "label": worst.label,
                "box": worst.box,
                "body_mass_g": worst.body_mass_g,
                "share": likelihood,
                "grams_short": worst.grams_short.value,
                "gain_needed": worst.gain_needed.value,
                "gain_expected": worst.gain_expected.value,
            },
        ),
    ]
    cold = _cold_ahead(evidence, sp)
    if cold is not None:
        reasons.append(cold)
    return _assessed(
        "autumn_mass",
        window,
        likelihood,
        Quantity(value=expected, unit="animals"),
        evidence,
        sp,
        animals=ranked,
        quantities={
            "expected_short": Quantity(value=expected, unit="animals"),
            "most_affected_share": Quantity(value=likelihood, unit="1"),
            "grams_short_most": worst.grams_short,
            "gain_needed_most": worst.gain_needed,
            "gain_expected_most": worst.gain_expected,
            "animals_ranked": Quantity(value=len(ranked), unit="animals"),
        },
        dates={"onset": onset},
        reasons=tuple(reasons),
    )


def winter_arousal(evidence: Evidence, spell: WarmSpell | None, sp: Species) -> RiskResult:
    """Reserve the reference animal spends in the next days, against the same dates in past years.

    Event: above the past years' quantile, draw by draw. Days of reserve are counted in the
    mean spending of those dates, so a normal stretch costs as many days as it lasts. Beside it,
    without a say in the level: the same for the next week and the season so far.
    """
    window = Window(start=_onset_day(evidence), end=_median_day(evidence.emergence, evidence))
    if not _inside(evidence, window):
        return _not_asked("winter_arousal", window)
    missing = _too_few_years(evidence, sp)
    if missing is not None:
        return _no_data("winter_arousal", window, missing)
    if NEXT_DAYS not in evidence.spend:
        return _no_data("winter_arousal", window, Reason(code="series_too_short"))
    days = sp.risk.arousal_window
    stretch = spending(evidence, NEXT_DAYS, days, sp.risk.arousal_quantile)
    likelihood = share(stretch.above.values)
    extra_days = quantity((stretch.spent - days).values, "day of reserve")
    years = evidence.past_years
    reasons = [
        Reason(
            code="above_past_years",
            numbers={"window_days": days, "rank": stretch.rank, "of": years + 1},
        )
    ]
    if spell is not None:
        reasons.append(
            Reason(
                code="warm_spell",
                numbers={"start": str(spell.start), "end": str(spell.end), "days": spell.days},
            )
        )
    return _assessed(
        "winter_arousal",
        window,
        likelihood,
        extra_days,
        evidence,
        sp,
        quantities={
            "days_spent": quantity(stretch.spent.values, "day of reserve"),
            "days_spent_normal": Quantity(value=days, unit="day of reserve"),
            "extra_days": extra_days,
            "extra_arousals": quantity(stretch.extra_arousals.values, "arousals"),
            **split(extra_days, stretch),
            "ratio": quantity(stretch.ratio.values, "1"),
            "rank": Quantity(value=stretch.rank, unit="1"),
            "rank_of": Quantity(value=years + 1, unit="1"),
            **other_stretches(evidence, sp.risk.arousal_quantile),
        },
        reasons=tuple(reasons),
    )


def winter_reserve(
    evidence: Evidence,
    reference: AnimalOutlook,
    animals: Sequence[AnimalOutlook],
    sp: Species,
) -> RiskResult:
    """Days the reference animal loses against this site's normal winter."""
    food = date_quantity(evidence.food["food_date"].values, evidence.timezone)
    window = Window(start=_onset_day(evidence), end=food.value)
    if not _inside(evidence, window):
        return _not_asked("winter_reserve", window)
    missing = _too_few_years(evidence, sp)
    difference = days_vs_normal(REFERENCE, evidence, sp)
    if missing is not None or difference is None:
        return _no_data("winter_reserve", window, missing or Reason(code="no_past_years"))
    lost = quantity(np.maximum(-difference.values, 0.0), "day")
    likelihood = share(-difference.values > sp.risk.days_lost)
    ranked = [animal for animal in animals if animal.ranked]
    losing = sum(
        animal.days_vs_normal.value is not None and animal.days_vs_normal.value < -sp.risk.days_lost
        for animal in ranked
    )
    reasons = [Reason(code="days_lost", numbers={"days": lost.value})]
    spare = [
        (animal.days_to_spare["none"].value, animal)
        for animal in ranked
        if animal.days_to_spare["none"].value is not None
    ]
    if spare:
        least, lightest = min(spare, key=lambda pair: pair[0])
        reasons.append(
            Reason(code="lightest", numbers={"label": lightest.label, "days_to_spare": least})
        )
    return _assessed(
        "winter_reserve",
        window,
        likelihood,
        lost,
        evidence,
        sp,
        quantities={
            "days_vs_normal": reference.days_vs_normal,
            "days_to_spare_none": reference.days_to_spare["none"],
            "days_to_spare_found": reference.days_to_spare["found"],
            "days_in_hand_none": reference.days_in_hand["none"],
            "animals_losing": Quantity(value=losing, unit="animals"),
        },
        dates={"food_date": food},
        reasons=tuple(reasons),
    )


def spring_food(evidence: Evidence, sp: Species) -> RiskResult:
    """Emergence well before there is enough food, and what the wait costs."""
    zone = evidence.timezone
    emergence = date_quantity(evidence.emergence.values, zone)
    first = date_quantity(evidence.food["first_food_date"].values, zone)
    food = date_quantity(evidence.food["food_date"].values, zone)
    start = _month_day(evidence, sp.risk.spring_start, autumn=False)
    window = Window(start=start, end=food.value)
    if not _inside(evidence, window):
        return _not_asked("spring_food", window)
    # Food that comes after the series makes the gap this long at least.
    late = evidence.food_is_late
    ends = evidence.food["food_date"].fillna(evidence.end)
    gap = ((ends - evidence.emergence) / _DAY).transpose("member", "draw")
    gap_days = quantity(gap.values, "day", capped=late, reason="no_emergence")
    missing = _too_few_years(evidence, sp)
    if gap_days.value is None:
        return _no_data("spring_food", window, Reason(code="no_emergence"))
    if food.value is None:
        return _no_data("spring_food", window, Reason(code="no_food_date"))
    if missing is not None or NEXT_DAYS not in evidence.past_spend:
        return _no_data("spring_food", window, missing or Reason(code="series_too_short"))
    normal = evidence.past_spend[NEXT_DAYS]
    per_day = (normal["torpor"] + normal["waking"]).mean("member") / sp.risk.arousal_window
    spent = (evidence.gap_cost / per_day).transpose("member", "draw")
    # The longest waits are those whose end is not known: they cost no less than the others.
    spent = spent.where(~(late & gap.notnull()), spent.max())
    cost = quantity(spent.values, "day of reserve", capped=late)
    known = gap.values[~np.isnan(gap.values)]
    likelihood = share(known > sp.risk.gap)
    return _assessed(
        "spring_food",
        window,
        likelihood,
        cost,
        evidence,
        sp,
        quantities={"food_gap_days": gap_days, "gap_cost_days": cost},
        dates={"emergence": emergence, "first_food_date": first, "food_date": food},
        reasons=(Reason(code="gap", numbers={"days": gap_days.value}),),
    )


def _assessed(
    risk_id: RiskId,
    window: Window,
    likelihood: float,
    consequence: Quantity,
    evidence: Evidence,
    sp: Species,
    *,
    quantities: dict[str, Quantity],
    reasons: tuple[Reason, ...],
    dates: dict[str, DateQuantity] | None = None,
    animals: Sequence[AnimalOutlook] = (),
) -> RiskResult:
    """A result with its word, concern and confidence; the edges are ``risk.<id>_edges``."""
    level, why = confidence(evidence, sp, animals=animals)
    edges = getattr(sp.risk, f"{risk_id}_edges")
    return RiskResult(
        id=risk_id,
        status="assessed",
        window=window,
        likelihood=likelihood,
        likelihood_word=likelihood_word(likelihood, sp),
        consequence=consequence,
        concern=concern(likelihood, consequence.value or 0.0, edges, sp),
        confidence=level,
        confidence_reasons=why,
        quantities=quantities,
        dates=dates or {},
        reasons=reasons,
    )


def _cold_ahead(evidence: Evidence, sp: Species) -> Reason | None:
    """The first run of nights too cold to feed, if one comes within the forecast."""
    night = evidence.nights["night"].values.astype("datetime64[D]")
    ahead = night >= np.datetime64(evidence.issued_on, "D")
    forecast = evidence.futures.time.values[evidence.futures["provenance"].values == "forecast"]
    if forecast.size:
        ahead &= night <= forecast[-1].astype("datetime64[D]")
    middle = evidence.nights["midnight_temperature"].median("member").values
    limit = sp.autumn.midnight_temperature - 2 * sp.autumn.midnight_width
    cold = np.flatnonzero(ahead & (middle < limit))
    starts = [n for n in cold if n + 1 in cold and n + 2 in cold]
    if not starts:
        return None
    nest = evidence.nights["nest_temperature_10d"].median("member").values
    now = int(np.searchsorted(night, np.datetime64(evidence.issued_on, "D")))
    last = int(np.flatnonzero(ahead)[-1])
    return Reason(
        code="cold_ahead",
        numbers={
            "start": str(night[starts[0]]),
            "nest_now": round(float(nest[now]), 1),
            "nest_then": round(float(nest[last]), 1),
        },
    )


def _onset_day(evidence: Evidence) -> dt.date:
    return local_date(evidence.reference_onset, evidence.timezone)


def _median_day(moments: xr.DataArray, evidence: Evidence) -> dt.date | None:
    return date_quantity(moments.values, evidence.timezone).value


def _month_day(evidence: Evidence, month_day: Sequence[int], *, autumn: bool) -> dt.date:
    """That day of the winter the series ends in: its autumn, or its spring."""
    year = int(str(evidence.end)[:4]) - (1 if autumn else 0)
    return dt.date(year, int(month_day[0]), int(month_day[1]))


def _inside(evidence: Evidence, window: Window) -> bool:
    after = window.start is None or evidence.issued_on >= window.start
    before = window.end is None or evidence.issued_on <= window.end
    return after and before


def _too_few_years(evidence: Evidence, sp: Species) -> Reason | None:
    if evidence.past_years >= sp.risk.least_past_years:
        return None
    numbers = {"have": evidence.past_years, "needed": int(sp.risk.least_past_years)}
    return Reason(code="no_past_years", numbers=numbers)


def _not_asked(risk_id: RiskId, window: Window) -> RiskResult:
    numbers = {"start": str(window.start), "end": str(window.end)}
    reason = Reason(code="not_asked_now", numbers=numbers)
    return RiskResult(id=risk_id, status="not_asked_now", window=window, reasons=(reason,))


def _no_data(risk_id: RiskId, window: Window, reason: Reason) -> RiskResult:
    return RiskResult(id=risk_id, status="not_enough_data", window=window, reasons=(reason,))
