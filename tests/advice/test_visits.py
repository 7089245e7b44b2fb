"""Which day reaches most light animals that are still out, and is it worth moving for?"""

from __future__ import annotations

import datetime as dt

import pytest

from riskcast.advice import candidate_days, choose_visit
from riskcast.advice.visits import (
    boxes_in_reach,
    gone_to_ground,
    in_season,
    light_in_reach,
    next_planned,
    torpid_on,
)

MONDAY = dt.date(2025, 10, 27)
SAT_1, SUN_2, SAT_22 = dt.date(2025, 11, 1), dt.date(2025, 11, 2), dt.date(2025, 11, 22)


def days(assessment, visits, sp):
    return [c.day for c in candidate_days(assessment, visits, sp)]


def test_torpid_on_tells_gone_to_ground_from_not_known(autumn):
    days = autumn.calendar.days
    known = autumn.calendar.model_copy(
        update={"torpid_in_box": tuple(None if day > SAT_1 else 0.4 for day in days)}
    )
    told = autumn.model_copy(update={"calendar": known})
    assert torpid_on(told, SAT_1) == 0.4
    assert not gone_to_ground(told, SAT_1)
    assert torpid_on(told, SUN_2) is None
    assert gone_to_ground(told, SUN_2)
    for assessment, day in ((autumn, SAT_1), (told, days[-1] + dt.timedelta(days=1))):
        assert torpid_on(assessment, day) is None
        assert not gone_to_ground(assessment, day)


def changed(visits, **changes):
    return visits.model_copy(update=changes)


def test_candidates_are_weekend_days_up_to_the_planned_one(autumn, visits, sp):
    found = days(autumn, visits, sp)
    assert found[:3] == [SAT_1, SUN_2, dt.date(2025, 11, 8)]
    assert found[-1] == SAT_22
    assert {day.weekday() for day in found} == {5, 6}


def test_two_clear_days_lie_between_decision_and_visit(autumn, visits, sp):
    first = candidate_days(autumn, visits, sp)[0]
    assert first.decide_by == dt.date(2025, 10, 29)
    assert first.decide_by.strftime("%A") == "Wednesday"


def test_a_day_whose_decision_is_past_is_not_proposed(autumn, visits, sp):
    late = changed(visits, notice_days=4)  # to be settled on 27 October: today
    assert days(autumn, late, sp)[0] == SAT_1
    too_late = changed(visits, notice_days=5)
    assert days(autumn, too_late, sp)[0] == SUN_2


def test_never_within_the_gap_after_the_last_check(autumn, visits, sp):
    # 18 October + 14 days = 1 November, the first day that is allowed
    assert days(autumn, visits, sp)[0] == SAT_1
    assert days(autumn, changed(visits, min_gap_days=15), sp)[0] == SUN_2


def test_a_planned_visit_of_the_past_counts_as_a_check(autumn, visits, sp):
    planned = changed(visits, planned=(dt.date(2025, 10, 26), SAT_22))
    assert days(autumn, planned, sp)[0] == dt.date(2025, 11, 9)


def test_any_weekday_where_the_group_names_none(autumn, visits, sp):
    assert days(autumn, changed(visits, weekdays=()), sp)[0] == SAT_1
    early = autumn.model_copy(
        update={"records": autumn.records.model_copy(update={"last_check": None})}
    )
    assert days(early, changed(visits, weekdays=()), sp)[0] == dt.date(2025, 10, 30)


def test_value_is_light_animals_still_out_in_fit_weather(autumn, visits, sp):
    first, *_, planned = candidate_days(autumn, visits, sp)
    assert first.in_reach == pytest.approx(0.85 + 0.93 + 0.74)
    assert first.value == pytest.approx((0.85 + 0.93 + 0.74) * 0.9)
    assert planned.value == 0.0
    assert planned.planned
    assert first.gain == first.value


def test_the_first_fit_day_is_chosen_and_worth_it(autumn, visits, sp):
    choice = choose_visit(autumn, visits, sp)
    assert choice.worth
    assert choice.best is not None
    assert choice.best.day == SAT_1
    assert choice.planned == SAT_22


def test_foul_weather_on_the_best_day_moves_it_to_the_next(make, visits, sp):
    foul = make.assessment(
        MONDAY,
        risks=(make.autumn_risk(),),
        animals=make.autumn_animals(MONDAY),
        unfit={SAT_1: 0.7},
    )
    choice = choose_visit(foul, visits, sp)
    assert choice.best is not None
    assert choice.best.day == SUN_2


def test_a_hair_of_a_difference_keeps_the_earlier_day(make, visits, sp):
    same = make.assessment(
        MONDAY,
        risks=(make.autumn_risk(),),
        animals=make.autumn_animals(MONDAY),
        unfit={SAT_1: 0.12, SUN_2: 0.1},
    )
    choice = choose_visit(same, visits, sp)
    assert choice.best is not None
    assert choice.best.day == SAT_1


def test_waiting_a_week_is_told(autumn, visits, sp):
    choice = choose_visit(autumn, visits, sp)
    # 8 November, five days into a cold that empties the wood in ten
    assert choice.week_later == pytest.approx((0.85 + 0.93 + 0.74) * 0.5, abs=0.01)


def test_mild_autumn_is_not_worth_a_move(make, visits, sp):
    mild = make.assessment(
        MONDAY, risks=(make.autumn_risk(),), animals=make.autumn_animals(MONDAY, cold=None)
    )
    choice = choose_visit(mild, visits, sp)
    assert not choice.worth
    assert choice.reason is not None
    assert choice.reason.code == "no_better_day"


def test_a_small_gain_is_not_worth_a_move_however_large_the_ratio(make, visits, sp):
    one = make.animal(MONDAY, "a", "1", 13.0, short=0.4, out_until=dt.date(2025, 11, 3))
    few = make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=(one,))
    choice = choose_visit(few, visits, sp)
    assert choice.best is not None
    assert choice.best.gain == pytest.approx(0.36)
    assert not choice.worth


def test_a_small_ratio_is_not_worth_a_move_however_large_the_gain(make, visits, sp):
    many = tuple(make.animal(MONDAY, f"a{i}", str(i), 11.0, short=0.9) for i in range(8))
    going = tuple(
        make.animal(MONDAY, f"b{i}", f"2{i}", 11.0, short=0.5, out_until=dt.date(2025, 11, 3))
        for i in range(2)
    )
    full = make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=(*many, *going))
    choice = choose_visit(full, visits, sp)
    assert choice.best is not None
    assert choice.best.gain > sp.visits.worth_animals
    assert not choice.worth


def test_the_unit_is_the_litter(make, visits, sp):
    litter = tuple(
        make.animal(MONDAY, f"y{i}", "21", 7.0, short=0.9 + i / 100, litter=True) for i in range(4)
    )
    single = make.animal(MONDAY, "z", "22", 9.0, short=0.5)
    reach = light_in_reach(make.assessment(MONDAY, animals=(*litter, single)))
    assert reach[0] == pytest.approx(0.93 + 0.5)


def test_animals_that_are_not_ranked_count_nothing(make):
    stale = make.animal(MONDAY, "a", "1", 9.0, short=0.9, ranked=False, why_not="weights_old")
    assert set(light_in_reach(make.assessment(MONDAY, animals=(stale,)))) == {0.0}


def test_boxes_of_light_animals_surest_first(autumn, sp):
    assert boxes_in_reach(autumn, SAT_1, sp) == ("15", "14", "9")
    assert boxes_in_reach(autumn, SAT_22, sp) == ()


def test_no_planned_visit_none_is_added(autumn, visits, sp):
    choice = choose_visit(autumn, changed(visits, planned=()), sp)
    assert choice.best is None
    assert choice.reason is not None
    assert choice.reason.code == "no_planned_visit"


def test_a_spring_visit_is_not_spent_in_autumn(autumn, visits, sp):
    spring_only = changed(visits, planned=(dt.date(2026, 4, 18),))
    assert candidate_days(autumn, spring_only, sp) == ()
    assert not choose_visit(autumn, spring_only, sp).worth


def test_nothing_to_choose_in_winter(winter, visits, sp):
    choice = choose_visit(winter, visits, sp)
    assert choice.best is None
    assert choice.reason is not None
    assert choice.reason.code == "outside_season"


def test_no_day_left_says_which_rule_forbids_it(autumn, visits, sp):
    choice = choose_visit(autumn, changed(visits, min_gap_days=40), sp)
    assert choice.best is None
    assert choice.reason is not None
    assert choice.reason.code == "no_day_allowed"
    assert choice.reason.numbers["min_gap_days"] == 40


def test_a_visit_of_today_is_not_moved(make, visits, sp):
    today = make.assessment(SAT_22, animals=make.autumn_animals(SAT_22, cold=None))
    assert next_planned(visits, SAT_22) == SAT_22
    assert not choose_visit(today, visits, sp).worth


@pytest.mark.parametrize(
    ("day", "season", "inside"),
    [
        (dt.date(2025, 11, 30), ("04-01", "11-30"), True),
        (dt.date(2025, 12, 1), ("04-01", "11-30"), False),
        (dt.date(2025, 4, 1), ("04-01", "11-30"), True),
        (dt.date(2025, 1, 10), ("10-01", "02-28"), True),
        (dt.date(2025, 6, 10), ("10-01", "02-28"), False),
    ],
)
def test_season_may_run_over_new_year(day, season, inside):
    assert in_season(day, season) is inside
