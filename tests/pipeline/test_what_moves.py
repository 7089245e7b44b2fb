"""What moves the numbers of the demonstration most: the same animals with other luck."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.streams import stream
from riskcast.pipeline.other_luck import what_moves
from riskcast.report.moves import moves_block
from riskcast.risk.sensitivity import drawn_parameters, first_order_shares


@pytest.fixture(scope="module")
def winter_moves(full_run, dates):
    made = full_run(dates[1]).run.forecast
    return made, what_moves(made, made.assessment.reference_animal)


def test_the_parameters_that_rule_the_reference_animal(winter_moves):
    """The multiplier carries the level of the hazard (sd of its logarithm 0.3), and what is left
    at the end is known to about 1 g of 18: they come before slopes and exponents."""
    _, moves = winter_moves
    told = list(moves.days_in_hand.told)
    assert "torpor.arousal_multiplier" in told[:2]
    assert "reserve.empty_mass_floor" in told
    # Nothing of food, emergence or autumn reaches an animal whose mass and onset are set.
    assert {name.partition(".")[0] for name in told} <= {"torpor", "arousal", "reserve"}


def test_shares_and_parts_fit_into_one(winter_moves):
    _, moves = winter_moves
    for found in (moves.days_in_hand, moves.days_vs_normal):
        parts = found.parts
        assert parts.weather + parts.parameters + parts.both + parts.luck == pytest.approx(1)
        assert sum(found.shares.values()) <= 1.05
        # Luck and weather cannot go with a parameter.
        assert sum(found.told.values()) <= parts.parameters + 0.05
    assert moves.days_in_hand.parts.parameters > 0.6
    # A warm spell lies ahead and each member has its own: paired days feel it far more.
    assert moves.days_vs_normal.parts.weather > 5 * moves.days_in_hand.parts.weather


def test_parameters_that_are_not_there_stay_below_the_line(winter_moves):
    made, moves = winter_moves
    evidence = made.evidence
    values = evidence.winter["none"]["days_in_hand"].sel(animal="reference").mean("member").values
    inputs = drawn_parameters(made.sp, evidence.draws, evidence.seed)
    noise = {f"noise {n}": stream(n, "noise").random(evidence.draws) for n in range(30)}
    shares = first_order_shares(inputs | noise, values)
    assert max(shares[name] for name in noise) < moves.days_in_hand.chance
    assert np.mean([shares[name] for name in noise]) == pytest.approx(0, abs=0.01)


def test_the_warm_spell_is_where_the_days_go(winter_moves):
    _, moves = winter_moves
    assert all(day.extra > 0 and day.per_degree > 0 for day in moves.days)
    # Within the forecast: beyond it futures are past winters, and differ from them by chance.
    issued = winter_moves[0].evidence.issued_at
    assert all(day.day - issued < np.timedelta64(16, "D") for day in moves.days)


@pytest.mark.parametrize("which", [0, "reference"])
def test_the_same_every_time(full_run, dates, which):
    made = full_run(dates[0]).run.forecast
    animal = (
        made.assessment.reference_animal if which == "reference" else made.assessment.animals[0]
    )
    once, again = (moves_block(what_moves(made, animal), made.sp) for _ in range(2))
    assert once == again
    assert len(once) <= 12


def test_luck_counts_for_more_in_an_animal_that_was_weighed(full_run, dates):
    """Vigour, the scale's error and the night it goes in come to the luck of its wakings."""
    made = full_run(dates[0]).run.forecast
    first = next(animal for animal in made.assessment.animals if animal.ranked)
    own, reference = (
        what_moves(made, animal).days_in_hand.parts.luck
        for animal in (first, made.assessment.reference_animal)
    )
    assert own > reference


def test_an_animal_that_was_not_carried_is_told_by_the_reference(full_run, dates):
    made = full_run(dates[1]).run.forecast
    left = [a for a in made.assessment.animals if a.days_in_hand["none"].value is None]
    if not left:
        animal = made.assessment.animals[0]
        unknown = animal.days_in_hand["none"].model_copy(update={"value": None, "reason": "x"})
        left = [animal.model_copy(update={"days_in_hand": {"none": unknown, "found": unknown}})]
    assert what_moves(made, left[0]).animal == "reference"


def test_without_past_years_days_and_normal_are_not_known(usual, dates, monkeypatch):
    made = usual(dates[1]).run.forecast
    monkeypatch.setattr("riskcast.pipeline.other_luck.days_vs_normal", lambda *_: None)
    moves = what_moves(made, made.assessment.reference_animal)
    assert moves.days is None
    assert moves.days_vs_normal is None
    assert moves.days_in_hand.parts is not None
