"""The four risks on small, invented evidence: windows, order, parts, and what is not known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from riskcast import species
from riskcast.risk import REFERENCE
from riskcast.risk.assess import _gate, fed_mass_needed
from riskcast.risk.hazards import autumn_mass, spring_food, winter_arousal, winter_reserve
from riskcast.risk.outlook import days_vs_normal, outlook, reference_outlook
from riskcast.risk.warmth import calendar

SP = species.load("hazel_dormouse")


def animals_of(evidence, sp):
    days = calendar(evidence.futures, evidence.issued_on, evidence.timezone, sp)
    return [outlook(row, evidence, days, sp, True) for _, row in evidence.animals.iterrows()]


def reserve(evidence):
    animals = animals_of(evidence, SP)
    return winter_reserve(evidence, reference_outlook(evidence, SP, True), animals, SP)


def test_the_same_winter_as_the_past_costs_nothing_extra(make_evidence):
    evidence = make_evidence()
    difference = days_vs_normal(REFERENCE, evidence, SP)
    assert abs(float(difference.median())) < 1.0
    assert reserve(evidence).concern == "low"


def test_days_against_normal_are_paired_by_draw(make_evidence):
    """Between draws days in hand differ by weeks; paired with themselves they hardly do."""
    evidence = make_evidence()
    spread = float(evidence.winter["none"]["days_in_hand"].sel(animal=REFERENCE).std())
    assert float(days_vs_normal(REFERENCE, evidence, SP).std()) < spread / 3


def test_a_warmer_winter_loses_days_and_a_cooler_one_gains(make_evidence):
    warm, cool = (
        float(days_vs_normal(REFERENCE, make_evidence(shift=shift), SP).median())
        for shift in (2.0, -2.0)
    )
    assert warm < -5
    assert cool > 5
    assert reserve(make_evidence(shift=3.0)).likelihood > 0.9


def test_a_warm_spell_is_the_event_and_its_parts_add_up(make_evidence):
    usual = winter_arousal(make_evidence(), None, SP)
    warm = winter_arousal(make_evidence(spell=5.0), None, SP)
    assert warm.likelihood > 0.95
    assert usual.likelihood < 0.5
    q = warm.quantities
    parts = ("from_more_arousals", "from_dearer_torpor", "from_dearer_waking")
    assert sum(q[name].value for name in parts) == pytest.approx(q["extra_days"].value, abs=0.01)
    assert all(q[name].value > 0 for name in parts)
    assert q["rank"].value == 1
    assert q["rank_of"].value == 7


def test_nothing_extra_has_no_parts(make_evidence):
    quantities = winter_arousal(make_evidence(), None, SP).quantities
    assert quantities["from_more_arousals"].value is None
    assert quantities["from_more_arousals"].reason == "too_little_to_split"


def test_gap_and_its_cost(make_evidence):
    late = spring_food(make_evidence(issued_on="2026-03-30", food="2026-05-10"), SP)
    soon = spring_food(make_evidence(issued_on="2026-03-30", food="2026-04-12"), SP)
    assert late.quantities["food_gap_days"].value == 30
    assert late.likelihood == 1.0
    assert soon.likelihood == 0.0
    assert late.consequence.value > soon.consequence.value


@pytest.mark.parametrize("issued_on", ["2025-11-20", "2026-01-20"])
def test_spring_is_not_asked_about_in_winter(make_evidence, issued_on):
    assert spring_food(make_evidence(issued_on=issued_on), SP).status == "not_asked_now"


def test_autumn_is_not_asked_about_after_onset(make_evidence):
    evidence = make_evidence()
    assert autumn_mass(evidence, animals_of(evidence, SP), SP).status == "not_asked_now"


def test_too_few_past_years_are_a_reason(make_evidence):
    evidence = make_evidence(years=3)
    for result in (winter_arousal(evidence, None, SP), reserve(evidence)):
        assert result.status == "not_enough_data"
        assert result.reasons[0].code == "no_past_years"
        assert result.concern is None


def test_light_animals_are_short_and_heavy_ones_are_not(make_evidence):
    for mass_g, share in ((9.0, 1.0), (20.0, 0.0)):
        evidence = make_evidence(issued_on="2025-11-10", mass_g=mass_g)
        (animal,) = animals_of(evidence, SP)
        assert animal.share_short == share
        result = autumn_mass(evidence, [animal], SP)
        assert result.likelihood == share
        assert result.consequence.value == share


def test_an_animal_that_was_not_carried_has_reasons_for_numbers(make_evidence):
    evidence = make_evidence()
    row = evidence.animals.iloc[0].copy()
    row["carried"], row["why_not"] = False, "weight_too_old"
    days = calendar(evidence.futures, evidence.issued_on, evidence.timezone, SP)
    shown = outlook(row, evidence, days, SP, True)
    assert not shown.ranked
    assert shown.days_in_hand["none"].value is None
    assert shown.days_in_hand["none"].reason == "weight_too_old"


@pytest.mark.parametrize(
    ("change", "passed", "reason"),
    [
        ({"gate_share": 0.9}, True, ""),
        ({"gate_share": 0.7}, False, "adults_do_not_last"),
        ({"gate_share": None}, False, "no_past_years"),
        ({"years": 3}, False, "no_past_years"),
    ],
)
def test_gate(make_evidence, change, passed, reason):
    gate = _gate(make_evidence(**change), SP)
    assert (gate.passed, gate.reason) == (passed, reason)


def test_shares_are_held_back_by_the_gate(make_evidence):
    evidence = make_evidence()
    assert reference_outlook(evidence, SP, False).reserve_lasts is None
    lasts = reference_outlook(evidence, SP, True).reserve_lasts
    assert 0 <= lasts["none"] <= lasts["found"] <= 1


def test_mass_needed_with_food_just_lasts(make_evidence):
    evidence = make_evidence()
    drawn = SP.draw(evidence.draws, 0)
    needed = fed_mass_needed(evidence, drawn)[0]
    days = (np.datetime64("2026-04-20") - evidence.need_from) / np.timedelta64(1, "D")
    known = np.isfinite(needed)
    end = needed * np.exp(drawn.reserve.fed_change_per_day * days)
    limit = np.maximum(drawn.reserve.empty_mass_floor, drawn.reserve.empty_mass_share * needed)
    np.testing.assert_allclose(end[known], limit[known])
    assert known.mean() > 0.8


def test_mass_needed_counts_from_now_once_the_reference_animal_is_in(make_evidence):
    november, january = (
        float(make_evidence(issued_on=day).spent_to_food.mean())
        for day in ("2025-11-10", "2026-01-12")
    )
    assert january < 0.75 * november


def test_days_in_hand_of_the_reference_are_those_of_the_winter_step(make_evidence):
    evidence = make_evidence()
    shown = reference_outlook(evidence, SP, True).days_in_hand["none"]
    direct = evidence.winter["none"].sel(animal=REFERENCE)
    assert shown.value == pytest.approx(float(direct["days_in_hand"].median()), abs=0.01)


# --- food that comes after the series ---------------------------------------------------------


def _late(evidence, share):
    """The food date unknown in a share of the futures."""
    food = evidence.food["food_date"]
    never = np.arange(food.size).reshape(food.shape) < round(share * food.size)
    foods = evidence.food.assign(food_date=food.where(~never))
    cost = evidence.gap_cost.transpose(*food.dims).where(~never)
    return replace(evidence, food=foods, gap_cost=cost)


def test_unknown_food_dates_lengthen_the_gap_and_are_not_left_out(make_evidence):
    before = make_evidence(issued_on="2026-03-30")
    some = spring_food(_late(before, 0.3), SP)
    assert some.status == "assessed"
    assert (
        some.quantities["food_gap_days"].high
        > spring_food(before, SP).quantities["food_gap_days"].high
    )
    assert some.likelihood >= spring_food(before, SP).likelihood


def test_food_after_the_season_in_most_futures_is_a_reason_and_no_number(make_evidence):
    result = spring_food(_late(make_evidence(issued_on="2026-03-30"), 0.6), SP)
    assert (result.status, result.reasons[0].code) == ("not_enough_data", "no_food_date")
    assert not result.quantities


def test_days_to_spare_and_shares_without_a_food_date_are_reasons(make_evidence):
    late = _late(make_evidence(), 0.6)
    reference = reference_outlook(late, SP, gate_passed=True)
    assert reference.reserve_lasts is None
    for feeding in ("none", "found"):
        spare = reference.days_to_spare[feeding]
        assert (spare.value, spare.reason) == (None, "no_food_date")


def test_a_reserve_that_outlasts_the_series_is_not_counted_as_reaching_later_food(make_evidence):
    """Heavy animals last to the end, fed: where food is later than that, nobody knows."""
    before = make_evidence(mass_g=40.0)
    row = before.animals.iloc[0]
    days = calendar(before.futures, before.issued_on, before.timezone, SP)
    light = make_evidence(mass_g=12.0)
    for evidence in (before, light):
        late = outlook(row, _late(evidence, 0.4), days, SP, True).reserve_lasts
        now = outlook(row, evidence, days, SP, True).reserve_lasts
        assert late is not None
        assert now is not None
        assert late["none"] <= now["none"]


def test_a_gate_without_a_past_food_date_says_why(make_evidence):
    gate = _gate(make_evidence(gate_share=float("nan")), SP)
    assert (gate.passed, gate.share, gate.reason) == (False, None, "no_food_date")
