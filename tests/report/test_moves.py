"""What the block says of numbers made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.report.moves import moves_block
from riskcast.risk.sensitivity import CostlyDay, Moves, Parts, Sensitivity

PARTS = Parts(sd=30.9, weather=0.02, parameters=0.86, both=0.01, luck=0.11)
SHARES = {
    "torpor.arousal_multiplier": 0.32,
    "torpor.q10": 0.2,
    "reserve.empty_mass_floor": 0.15,
    "torpor.rate_at_zero": 0.1,
    "arousal.cost_slope": 0.08,
    "reserve.mass_exponent": 0.01,
}


def days(*pairs: tuple[str, float]) -> tuple[CostlyDay, ...]:
    return tuple(CostlyDay(np.datetime64(day), extra, 0.1 + extra / 100) for day, extra in pairs)


WARM = days(
    ("2026-01-16", 0.7), ("2026-01-17", 0.6), ("2026-01-18", 0.8), ("2026-01-30", -0.4),
    ("2026-01-31", -0.3),
)  # fmt: skip


def moves(**changed) -> Moves:
    known = Sensitivity(PARTS, SHARES, 0.05)
    made = {"animal": "box 41", "days_in_hand": known, "days_vs_normal": known, "days": WARM}
    return Moves(**(made | changed))


def test_everything_in_twelve_lines(hazel_dormouse):
    lines = moves_block(moves(), hazel_dormouse)
    assert len(lines) <= 12
    text = "\n".join(lines)
    assert "What moves this number most: days in hand of box 41, no food found" in lines[0]
    assert "31 days (SD): parameters 86%, weather 2%, both together 1%" in text
    assert "of 6 parameters (up to 5% is not told from chance)" in text
    first, *others = [line.strip() for line in lines if " | derived: " in line]
    assert first.startswith("32%  torpor.arousal_multiplier, 0.42 to 0.91 | derived: wild, unfed")
    assert [line[:3] for line in others] == ["20%", "15%", "10%"]
    assert "16 to 18 January +2.1; 30 to 31 January -0.7" in text
    assert "+0.10 to +0.11 days of reserve" in text


def test_what_chance_may_give_is_not_named(hazel_dormouse):
    chance = Sensitivity(PARTS, SHARES, 0.5)
    lines = moves_block(moves(days_in_hand=chance, days_vs_normal=chance), hazel_dormouse)
    assert not any(name in line for name in SHARES for line in lines)
    assert "none of 6 parameters alone is told from chance (up to 50%)" in lines[2]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"days": None, "days_vs_normal": None}, "not known, too few past years"),
        ({"days": ()}, "none ahead is told apart"),
        ({"days_in_hand": Sensitivity(None, {}, 0.0)}, "all futures agree"),
        ({"animal": "reference"}, "days in hand of the reference animal"),
        ({"days": days(("2026-01-16", 0.7))}, "16 January +0.7"),
    ],
)
def test_what_else_there_is_to_say(changed, said, hazel_dormouse):
    text = "\n".join(moves_block(moves(**changed), hazel_dormouse))
    assert said in text
    assert "nan" not in text.casefold()
