"""What does a body do with that? Growth, onset, torpor, arousal, energy, emergence."""

from __future__ import annotations

from riskcast.physiology.autumn import (
    autumn,
    feeding_response,
    gain_taper,
    nightly_hazard,
    onset_logit,
    own_gains,
)
from riskcast.physiology.daytime import season_turn, torpid_share
from riskcast.physiology.spend import expected_spend, spend_by_hour
from riskcast.physiology.spring import emergence, emergence_logit, gap_cost
from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    mass_after,
    mass_needed,
    season_factor,
    spendable,
    torpid_body_temperature,
    torpid_rate,
)
from riskcast.physiology.winter import spent_until, winter, winter_and_need

__all__ = [
    "arousal_cost",
    "arousal_hazard",
    "arousal_length",
    "autumn",
    "emergence",
    "emergence_logit",
    "empty_mass",
    "expected_spend",
    "feeding_response",
    "gain_taper",
    "gap_cost",
    "grams_per_ml_oxygen",
    "mass_after",
    "mass_needed",
    "nightly_hazard",
    "onset_logit",
    "own_gains",
    "season_factor",
    "season_turn",
    "spend_by_hour",
    "spendable",
    "spent_until",
    "torpid_body_temperature",
    "torpid_rate",
    "torpid_share",
    "winter",
    "winter_and_need",
]
