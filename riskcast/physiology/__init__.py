"""What does a body do with that? Growth, onset, torpor, arousal, energy, emergence."""

from __future__ import annotations

from riskcast.physiology.torpor import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    mass_after,
    season_factor,
    spendable,
    torpid_rate,
)
from riskcast.physiology.winter import expected_spend, winter

__all__ = [
    "arousal_cost",
    "arousal_hazard",
    "arousal_length",
    "empty_mass",
    "expected_spend",
    "grams_per_ml_oxygen",
    "mass_after",
    "season_factor",
    "spendable",
    "torpid_rate",
    "winter",
]
