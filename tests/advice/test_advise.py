"""Who does what, by when, on the three dates and when things change."""

from __future__ import annotations

import datetime as dt

import pytest

from riskcast.advice import ROLES, PreviousLevel, advise
from riskcast.advice.watch import look_again
from riskcast.risk import DateQuantity, Window

MONDAY = dt.date(2025, 10, 27)


def one(assessment, visits, sp, role="monitor", previous=None):
    return advise(assessment, visits, sp, roles=(role,), previous=previous)[0]


def codes(advice):
    return [reason.code for reason in advice.reasons]


class TestAutumn:
    def test_monitor_moves_the_visit(self, autumn, visits, sp):
        advice = one(autumn, visits, sp)
        assert advice.action == "move_visit_forward"
        assert advice.level == "act"
        assert advice.visit_day == dt.date(2025, 11, 1)
        assert advice.replaces == dt.date(2025, 11, 22)
        assert advice.by_date == dt.date(2025, 10, 29)
        assert advice.look_again == dt.date(2025, 10, 29)
        assert advice.boxes == ("15", "14", "9")
        assert advice.leading_risk == "autumn_mass"
        assert {"better_day", "waiting_costs", "most_affected"} <= set(codes(advice))

    def test_coordinator_rings_before_it_is_settled(self, autumn, visits, sp):
        advice = one(autumn, visits, sp, "coordinator")
        assert advice.action == "ring_monitor"
        assert advice.by_date == dt.date(2025, 10, 29)

    def test_rehabilitator_makes_room_and_hears_no_box(self, autumn, visits, sp):
        advice = one(autumn, visits, sp, "rehabilitator")
        assert advice.action == "make_room"
        assert advice.expected_animals == pytest.approx(0.85 + 0.93 + 0.74)
        assert advice.visit_day == dt.date(2025, 11, 1)
        assert advice.boxes == ()

    def test_rehabilitator_hears_heads_and_the_monitor_units(self, make, visits, sp):
        litter = make.litter(MONDAY, "7", (8.5, 9.0, 9.5, 10.0))
        single = make.animal(MONDAY, "s", "9", 10.0, short=0.8, out_until=dt.date(2025, 11, 3))
        assessment = make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=(*litter, single))
        room = one(assessment, visits, sp, "rehabilitator")
        assert room.expected_animals == pytest.approx(4 * 0.9 + 0.8)
        assert "heads_counted" in codes(room)
        better = next(r for r in one(assessment, visits, sp).reasons if r.code == "better_day")
        assert better.numbers["in_reach"] == pytest.approx(0.9 + 0.8)
        assert better.numbers["litters"] == 1

    def test_young_with_their_mother_need_no_place(self, make, visits, sp):
        litter = make.litter(MONDAY, "7", (8.5, 9.0, 9.5), with_mother=True)
        single = make.animal(MONDAY, "s", "9", 10.0, short=0.8, out_until=dt.date(2025, 11, 3))
        risks = (make.autumn_risk(),)
        both = make.assessment(MONDAY, risks=risks, animals=(*litter, single))
        room = one(both, visits, sp, "rehabilitator")
        assert room.expected_animals == pytest.approx(0.8)
        apart = next(r for r in room.reasons if r.code == "young_with_mother")
        assert apart.numbers["n"] == pytest.approx(3 * 0.9)
        # none but those: no place is asked for, and they are told all the same
        alone = one(make.assessment(MONDAY, risks=risks, animals=litter), visits, sp, ROLES[2])
        assert alone.action == "no_change"
        assert "young_with_mother" in codes(alone)

    def test_heavier_litter_keeps_the_plan(self, make, visits, sp):
        heavy = tuple(
            make.animal(MONDAY, f"a{i}", str(i), 16.0, short=0.04, out_until=dt.date(2025, 11, 3))
            for i in range(3)
        )
        fine = make.assessment(MONDAY, risks=(make.autumn_risk("low"),), animals=heavy)
        for role, action in zip(ROLES, ("keep_visit", "no_change", "no_change"), strict=True):
            advice = one(fine, visits, sp, role)
            assert (advice.level, advice.action) == ("steady", action)
        assert one(fine, visits, sp).visit_day == dt.date(2025, 11, 22)

    def test_mild_autumn_keeps_the_plan_at_watch(self, make, visits, sp):
        mild = make.assessment(
            MONDAY, risks=(make.autumn_risk(),), animals=make.autumn_animals(MONDAY, cold=None)
        )
        advice = one(mild, visits, sp)
        assert (advice.level, advice.action) == ("watch", "keep_visit")
        assert "no_better_day" in codes(advice)
        # Light animals are still expected on the planned day: room is wanted then.
        room = one(mild, visits, sp, "rehabilitator")
        assert (room.action, room.visit_day) == ("make_room", dt.date(2025, 11, 22))

    def test_a_low_concern_moves_nothing_whatever_the_gain(self, make, visits, sp):
        calm = make.assessment(
            MONDAY, risks=(make.autumn_risk("low"),), animals=make.autumn_animals(MONDAY)
        )
        assert one(calm, visits, sp).action == "keep_visit"

    def test_no_option_never_above_watch(self, autumn, visits, sp):
        blocked = visits.model_copy(update={"planned": (dt.date(2026, 4, 18),)})
        for role in ROLES:
            assert one(autumn, blocked, sp, role).level == "watch"
        assert "no_planned_visit" not in codes(one(autumn, visits, sp))

    def test_a_decision_that_can_wait_is_a_plan(self, make, visits, sp):
        early = dt.date(2025, 10, 20)
        assessment = make.assessment(
            early, risks=(make.autumn_risk(),), animals=make.autumn_animals(early)
        )
        later = visits.model_copy(update={"min_gap_days": 15})
        advice = one(assessment, later, sp)
        assert advice.visit_day == dt.date(2025, 11, 2)
        assert (advice.by_date - early).days > sp.levels.act_within_days
        assert (advice.level, advice.action) == ("plan", "move_visit_forward")

    def test_never_above_plan_when_most_sleep_on_the_ground(self, autumn, visits, sp):
        onset = {"onset": DateQuantity(value=dt.date(2025, 10, 20))}
        risks = tuple(
            r.model_copy(update={"dates": onset}) if r.id == "autumn_mass" else r
            for r in autumn.risks
        )
        advice = one(autumn.model_copy(update={"risks": risks}), visits, sp)
        assert advice.level == "plan"
        assert "in_ground_nests" in codes(advice)

    def test_colder_autumn_makes_it_more_worth(self, make, visits, sp):
        found = []
        for cold in (dt.date(2025, 11, 20), dt.date(2025, 11, 10), dt.date(2025, 11, 3)):
            animals = make.autumn_animals(MONDAY, cold=cold)
            found.append(
                one(
                    make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=animals),
                    visits,
                    sp,
                ).action
            )
        assert found == ["keep_visit", "move_visit_forward", "move_visit_forward"]


class TestWinter:
    def test_monitor_stays_away(self, winter, visits, sp):
        advice = one(winter, visits, sp)
        assert (advice.level, advice.action) == ("watch", "stay_away")
        assert advice.look_again == dt.date(2026, 1, 19)
        assert advice.leading_risk == "winter_arousal"
        assert "no_open_option" in codes(advice)
        assert advice.visit_day is None

    def test_coordinator_looks_again(self, winter, visits, sp):
        advice = one(winter, visits, sp, "coordinator")
        assert (advice.level, advice.action) == ("watch", "look_again")

    def test_rehabilitator_waits_for_food_and_not_for_the_end_of_the_spell(
        self, winter, visits, sp
    ):
        advice = one(winter, visits, sp, "rehabilitator")
        assert (advice.level, advice.action) == ("plan", "hold_back")
        assert advice.until == dt.date(2026, 5, 2)

    def test_nobody_waits_for_food_that_is_there(self, winter, visits, sp):
        dates = {"food_date": DateQuantity(value=winter.issued_on)}
        risks = tuple(risk.model_copy(update={"dates": dates}) for risk in winter.risks)
        advice = one(winter.model_copy(update={"risks": risks}), visits, sp, "rehabilitator")
        assert (advice.level, advice.action) == ("watch", "no_change")

    def test_without_a_food_date_no_day_is_given(self, winter, visits, sp):
        risks = tuple(risk.model_copy(update={"dates": {}}) for risk in winter.risks)
        advice = one(winter.model_copy(update={"risks": risks}), visits, sp, "rehabilitator")
        assert (advice.action, advice.until) == ("hold_back", None)

    def test_no_warm_spell_nothing_to_do(self, make, visits, sp):
        calm = make.assessment(
            dt.date(2026, 1, 12),
            risks=(make.risk("winter_arousal", "low"), make.risk("winter_reserve", "low")),
        )
        for role in ROLES:
            assert one(calm, visits, sp, role).action == "no_change"
            assert one(calm, visits, sp, role).level == "steady"


class TestSpring:
    def test_monitor_keeps_the_visit_and_brings_scales(self, spring, visits, sp):
        advice = one(spring, visits, sp)
        assert (advice.level, advice.action) == ("plan", "keep_visit_bring_scales")
        assert advice.visit_day == dt.date(2026, 4, 18)
        assert advice.replaces is None
        assert advice.leading_risk == "spring_food"
        # to be arranged before the notice of the team begins, and no level moves by it
        assert advice.by_date == dt.date(2026, 4, 15)

    def test_coordinator_rings_before_the_notice_is_over(self, spring, visits, sp):
        advice = one(spring, visits, sp, "coordinator")
        assert (advice.level, advice.action) == ("plan", "ring_monitor")
        assert advice.by_date == dt.date(2026, 4, 15)

    def test_rehabilitator_waits_for_food(self, spring, visits, sp):
        advice = one(spring, visits, sp, "rehabilitator")
        assert (advice.action, advice.until) == ("hold_back", dt.date(2026, 4, 17))

    def test_early_food_closes_the_gap_and_the_advice(self, make, visits, sp):
        fed = make.assessment(dt.date(2026, 3, 30), risks=(make.risk("spring_food", "low"),))
        assert one(fed, visits, sp).level == "steady"
        assert one(fed, visits, sp, "rehabilitator").action == "no_change"

    def test_what_can_be_done_leads_over_what_cannot(self, make, visits, sp):
        both = make.assessment(
            dt.date(2026, 3, 30),
            risks=(make.risk("spring_food", "moderate"), make.risk("winter_arousal", "high")),
        )
        advice = one(both, visits, sp)
        assert (advice.leading_risk, advice.level) == ("spring_food", "watch")
        assert advice.action == "keep_visit_bring_scales"


class TestUnknown:
    def test_no_weights_is_not_calm(self, make, visits, sp):
        bare = make.no_data("autumn_mass", "no_weights")
        advice = one(make.assessment(MONDAY, risks=(bare,)), visits, sp)
        assert (advice.level, advice.action) == ("watch", "keep_visit_bring_scales")
        assert "no_weights" in codes(advice)
        for role in ("coordinator", "rehabilitator"):
            assert one(make.assessment(MONDAY, risks=(bare,)), visits, sp, role).level == "watch"

    def test_nothing_is_asked_in_summer(self, make, visits, sp):
        summer = dt.date(2025, 7, 10)
        window = Window(start=dt.date(2025, 9, 1), end=dt.date(2025, 11, 14))
        asleep = make.assessment(summer, risks=(make.risk("autumn_mass", window=window),))
        advice = one(asleep, visits, sp)
        assert advice.level == "steady"
        assert advice.leading_risk is None
        assert advice.look_again == dt.date(2025, 9, 1)


class TestHolding:
    def test_a_concern_just_over_the_edge_is_held(self, make, visits, sp):
        near = make.risk(
            "winter_arousal",
            "moderate",
            likelihood=0.34,
            consequence=make.quantity(1.6, "day of reserve"),
        )
        assessment = make.assessment(dt.date(2026, 1, 12), risks=(near,))
        before = {"monitor": PreviousLevel(level="steady", raw_level="steady")}
        held = one(assessment, visits, sp, previous=before)
        assert (held.level, held.raw_level) == ("steady", "watch")
        assert held.held_because is not None
        assert held.held_because.code == "held_within_margin"

    def test_two_runs_running_move_it(self, make, visits, sp):
        near = make.risk(
            "winter_arousal",
            "moderate",
            likelihood=0.34,
            consequence=make.quantity(1.6, "day of reserve"),
        )
        assessment = make.assessment(dt.date(2026, 1, 12), risks=(near,))
        before = {"monitor": PreviousLevel(level="steady", raw_level="watch")}
        moved = one(assessment, visits, sp, previous=before)
        assert (moved.level, moved.held_because) == ("watch", None)

    def test_a_clear_case_moves_at_once(self, winter, visits, sp):
        before = {"monitor": PreviousLevel(level="steady", raw_level="steady")}
        assert one(winter, visits, sp, previous=before).level == "watch"

    def test_act_is_not_held(self, autumn, visits, sp):
        before = {"monitor": PreviousLevel(level="steady", raw_level="steady")}
        assert one(autumn, visits, sp, previous=before).level == "act"

    def test_act_ends_when_the_day_has_passed(self, autumn, visits, sp):
        before = {"monitor": PreviousLevel(level="act", raw_level="act")}
        closed = visits.model_copy(update={"min_gap_days": 40})
        advice = one(autumn, closed, sp, previous=before)
        assert (advice.level, advice.action) == ("watch", "keep_visit")

    def test_a_held_level_keeps_its_action(self, make, visits, sp):
        # Concern fell from moderate to low by a hair: the visit that was proposed stands.
        animals = make.autumn_animals(MONDAY)
        hair = make.autumn_risk("low", likelihood=0.31, consequence=make.quantity(1.45, "animals"))
        assessment = make.assessment(MONDAY, risks=(hair,), animals=animals)
        before = {"monitor": PreviousLevel(level="act", raw_level="act")}
        advice = one(assessment, visits, sp, previous=before)
        assert (advice.level, advice.raw_level) == ("act", "steady")
        assert advice.action == "move_visit_forward"

    def test_roles_are_held_apart(self, autumn, visits, sp):
        before = {"coordinator": PreviousLevel(level="steady", raw_level="steady")}
        assert one(autumn, visits, sp, "monitor", before).held_because is None


def test_each_role_once_in_the_order_asked(autumn, visits, sp):
    found = advise(autumn, visits, sp, roles=("rehabilitator", "monitor", "rehabilitator"))
    assert [advice.role for advice in found] == ["rehabilitator", "monitor"]


def test_the_higher_the_level_the_sooner_the_next_look(autumn, sp):
    days = [
        (look_again(autumn, level, None, sp) - MONDAY).days
        for level in ("steady", "watch", "plan", "act")
    ]
    assert days == [14, 7, 7, 3]
    tomorrow = look_again(autumn, "act", MONDAY, sp)
    assert tomorrow == dt.date(2025, 10, 28)
