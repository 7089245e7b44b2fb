"""The next week, the next fortnight, the season so far: each against the same dates of past years.

The parts are an identity (mean spending = torpor + number of wakings × cost of one), held here in
every single future; the weather is invented.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast import species
from riskcast.risk import NEXT_DAYS, NEXT_WEEK, TO_DATE
from riskcast.risk.hazards import winter_arousal
from riskcast.risk.spending import spending

SP = species.load("hazel_dormouse")
QUANTILE = SP.risk.arousal_quantile
DAYS = {NEXT_WEEK: 7.0, NEXT_DAYS: 14.0, TO_DATE: 60.0}


@pytest.mark.parametrize("stretch", [NEXT_WEEK, NEXT_DAYS, TO_DATE])
def test_parts_add_up_in_every_future(make_evidence, stretch):
    one = spending(make_evidence(shift=1.0, spell=3.0), stretch, DAYS[stretch], QUANTILE)
    parts = one.more_arousals + one.dearer_torpor + one.dearer_waking
    np.testing.assert_allclose(parts, (one.spent - one.days).transpose(*parts.dims), atol=1e-9)
    assert (one.ratio * one.days).values == pytest.approx(one.spent.values)


@pytest.mark.parametrize("stretch", [NEXT_WEEK, NEXT_DAYS, TO_DATE])
def test_a_normal_stretch_costs_as_many_days_as_it_lasts(make_evidence, stretch):
    one = spending(make_evidence(years=12), stretch, DAYS[stretch], QUANTILE)
    assert float(one.spent.mean()) == pytest.approx(DAYS[stretch], rel=0.1)


def test_a_spell_ahead_shows_in_what_is_ahead_alone(make_evidence):
    usual, warm = (
        winter_arousal(make_evidence(spell=spell), None, SP).quantities for spell in (0.0, 5.0)
    )
    for name in ("week_ratio", "ratio"):
        assert warm[name].value > usual[name].value * 1.2
    assert warm["season_ratio"].value == usual["season_ratio"].value
    assert warm["week_days_spent_normal"].value == 7.0
    assert warm["days_spent_normal"].value == 14.0
    assert warm["week_rank"].value == 1


@pytest.mark.parametrize("prefix", ["week_", "", "season_"])
def test_parts_of_the_median_add_up(make_evidence, prefix):
    q = winter_arousal(make_evidence(shift=2.0, spell=4.0), None, SP).quantities
    parts = ("from_more_arousals", "from_dearer_torpor", "from_dearer_waking")
    total = sum(q[f"{prefix}{name}"].value for name in parts)
    assert total == pytest.approx(q[f"{prefix}extra_days"].value, abs=0.01)
    assert q[f"{prefix}days_spent"].value - q[f"{prefix}days_spent_normal"].value == (
        pytest.approx(q[f"{prefix}extra_days"].value, abs=0.01)
    )
    assert q[f"{prefix}extra_arousals"].value > 0


def test_a_stretch_that_makes_no_sense_is_not_there(make_evidence):
    evidence = make_evidence()
    for spend in (evidence.spend, evidence.past_spend):
        spend.pop(TO_DATE)
    q = winter_arousal(evidence, None, SP).quantities
    assert not [name for name in q if name.startswith("season_")]
    assert "week_ratio" in q
