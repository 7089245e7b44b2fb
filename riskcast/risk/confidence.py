"""How far to trust a risk, apart from how likely it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from riskcast.risk.assessment import AnimalOutlook, Confidence, Reason
from riskcast.risk.evidence import Evidence
from riskcast.species import Species

__all__ = ["confidence"]

# Each of these alone makes confidence low: the numbers rest on something other than they say.
_WEIGHTY = {
    "gap_filled",
    "history_incomplete",
    "normals_not_possible",
    "past_years_short",
    "single_forecast",
    "stale_forecast",
    "weights_old",
}
# So is a species whose numbers are in part those of another one.
_BORROWED = "borrowed_parameters"
# A single forecast is as weighty until its own errors are known.
_DRESSED = "dressed_forecast"
_TELLING = {"no_variable", _DRESSED, *_WEIGHTY}


def confidence(
    evidence: Evidence, sp: Species, *, animals: Sequence[AnimalOutlook] = ()
) -> tuple[Confidence, tuple[Reason, ...]]:
    """Level and reasons. High is never given while provisional numbers carry the result.

    Parameters
    ----------
    animals : the weighed animals the risk rests on, if it does
    """
    reasons = [note for note in evidence.weather_notes if note.code in _TELLING]
    if animals:
        ages = [animal.age_days for animal in animals if animal.age_days is not None]
        age = int(np.median(ages)) if ages else 0
        if age > sp.risk.weight_old:
            reasons.append(Reason(code="weights_old", numbers={"days": age}))
        if "own_gain" not in evidence.animals or evidence.animals["own_gain"].isna().all():
            reasons.append(Reason(code="no_own_gains"))
    provisional = sum(p.status == "provisional" for p in sp.parameters.values())
    if provisional:
        reasons.append(Reason(code="provisional_parameters", numbers={"n": provisional}))
    if sp.borrowed:
        n = sum(sp.parameters[name].use == "model" for name in sp.borrowed)
        told: dict[str, int | str] = {"n": n, "species": sp.borrowed_from}
        reasons.append(Reason(code=_BORROWED, numbers=told))
    codes = {reason.code for reason in reasons}
    guessed = any(reason.code == _DRESSED and not reason.numbers["pairs"] for reason in reasons)
    # Growth in autumn rests on judgement unless the site's own animals were weighed twice.
    weighty = codes & {"no_own_gains", _BORROWED, *_WEIGHTY}
    level: Confidence = "low" if weighty or guessed else "medium"
    return level, tuple(reasons)
