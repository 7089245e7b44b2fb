"""Tables: who is in most need, which day reaches whom, and what a found animal lacks."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from riskcast.advice import FoundAnimal, Table, triage_found, triage_table, visits_table

MONDAY = dt.date(2025, 10, 27)


def column(table: Table, name: str) -> list[Any]:
    place = next(i for i, heading in enumerate(table.columns) if heading.startswith(name))
    return [row[place] for row in table.rows]


class TestAnimals:
    def test_most_urgent_first_and_unranked_last(self, troubled, sp):
        table = triage_table(troubled, sp)
        spare = column(table, "days to spare, no food")
        assert spare[:-1] == sorted(spare[:-1])
        assert column(table, "animal")[-1].startswith("box 30")
        assert "not ranked: weighed in spring" in column(table, "remark")[-1]

    def test_days_come_before_shares(self, troubled, sp):
        assert triage_table(troubled, sp).columns[2:8] == (
            "days to spare, no food (d)",
            "days to spare, food found (d)",
            "against normal (d)",
            "against reference (d)",
            "fat lasts, no food",
            "fat lasts, food found",
        )

    def test_shares_only_with_the_gate(self, autumn, sp):
        table = triage_table(autumn, sp)
        assert not [name for name in table.columns if name.startswith("fat lasts")]
        assert any("No shares of futures" in note for note in table.notes)

    def test_shares_are_never_none_or_all(self, troubled, sp):
        assert column(triage_table(troubled, sp), "fat lasts, no food")[0] == "fewer than 1 in 20"

    def test_unknown_is_empty_and_never_zero(self, make, sp):
        animal = make.animal(MONDAY, "a", "1", 9.5, spare=(None, 3.0), share_short=None)
        table = triage_table(make.assessment(MONDAY, animals=(animal,)), sp)
        assert column(table, "days to spare, no food") == [None]
        assert column(table, "under target") == [None]

    def test_at_least_is_marked(self, make, sp):
        spare = {"none": make.quantity(4.0), "found": make.quantity(44.4, at_least=True)}
        animal = make.animal(MONDAY, "a", "1", 28.0, days_to_spare=spare)
        table = triage_table(make.assessment(MONDAY, animals=(animal,)), sp)
        assert column(table, "days to spare, food found") == ["44+"]

    def test_a_litter_is_one_row(self, make, autumn, sp):
        young = make.litter(MONDAY, "7", (8.5, 9.0, 9.5, 10.0))
        family = autumn.model_copy(update={"animals": (*autumn.animals, *young)})
        table = triage_table(family, sp)
        assert len(table.rows) == len(autumn.animals) + 1
        assert table.rows[0][:2] == ("box 7, litter of 4, 8.5 to 10 g, weighed 18 October", 8.5)
        assert column(table, "days to spare, no food")[0] == -112  # of the lightest
        assert column(table, "remark")[0] == "litter: numbers of the lightest"

    def test_a_reserve_that_may_be_gone_is_ordered_by_the_days_with_food(self, make, sp):
        over = {"none": make.quantity(-26.0), "found": make.quantity(9.0)}
        day = dt.date(2026, 1, 12)
        animals = (
            make.animal(day, "a", "1", 9.5, days_in_hand=over, spare=(-150.0, -40.0)),
            make.animal(day, "b", "2", 9.0, days_in_hand=over, spare=(-140.0, -80.0)),
            make.animal(day, "c", "3", 20.0, spare=(-160.0, -90.0)),
        )
        table = triage_table(make.assessment(day, animals=animals), sp)
        assert column(table, "body mass") == [9.0, 9.5, 20.0]
        assert column(table, "remark") == ["reserve may be gone", "reserve may be gone", ""]
        assert any(note.startswith("Reserve may be gone: ") for note in table.notes)
        sound = triage_table(make.assessment(day, animals=animals[2:]), sp)
        assert not any(note.startswith("Reserve may be gone") for note in sound.notes)

    def test_cautions_stand_under_every_table(self, autumn, visits, sp):
        for table in (
            triage_table(autumn, sp),
            visits_table(autumn, visits, sp),
            triage_found((), autumn, sp),
        ):
            assert any("needs a licence" in note for note in table.notes)
            assert {len(row) for row in table.rows} <= {len(table.columns)}


class TestVisits:
    def test_proposed_and_planned_are_marked(self, autumn, visits, sp):
        table = visits_table(autumn, visits, sp)
        remark = dict(zip(column(table, "day"), column(table, "remark"), strict=True))
        assert remark["2025-11-01"] == "proposed"
        assert remark["2025-11-22"] == "planned"
        assert set(remark.values()) == {"", "proposed", "planned"}
        assert column(table, "settle by")[0] == "2025-10-29"

    def test_how_a_litter_counts_is_said_where_there_is_one(self, autumn, make, visits, sp):
        said = "A litter counts as one."
        assert said not in visits_table(autumn, visits, sp).notes
        young = make.litter(MONDAY, "7", (8.5, 9.0))
        family = autumn.model_copy(update={"animals": (*autumn.animals, *young)})
        assert said in visits_table(family, visits, sp).notes

    def test_best_is_not_proposed_when_it_is_not_worth_it(self, make, visits, sp):
        mild = make.assessment(
            MONDAY, risks=(make.autumn_risk(),), animals=make.autumn_animals(MONDAY, cold=None)
        )
        table = visits_table(mild, visits, sp)
        assert "best, not clearly better than planned" in column(table, "remark")
        assert "No earlier day" in table.notes[0]

    def test_without_animals_no_day_has_a_value(self, make, visits, sp):
        table = visits_table(make.assessment(MONDAY), visits, sp)
        assert table.rows
        assert set(column(table, "value")) == {None}
        assert "No animal is ranked" in table.notes[0]

    def test_out_of_season_there_is_a_reason_and_no_day(self, winter, visits, sp):
        table = visits_table(winter, visits, sp)
        assert table.rows == ()
        assert "season of box checks is closed" in table.notes[0]

    def test_how_many_are_torpid_that_morning_in_tenths_and_never_none_or_all(
        self, autumn, visits, sp
    ):
        shares = dict.fromkeys(autumn.calendar.days, 0.5)
        shares |= {dt.date(2025, 11, 1): 0.71, dt.date(2025, 11, 2): 0.0}
        shares |= {dt.date(2025, 11, 8): 1.0, dt.date(2025, 11, 22): None}
        table = visits_table(with_torpid(autumn, shares), visits, sp)
        told = dict(zip(column(table, "day"), column(table, "torpid"), strict=True))
        assert told["2025-11-01"] == "7 of 10"
        assert told["2025-11-02"] == "fewer than 1 in 20"
        assert told["2025-11-08"] == "more than 19 in 20"
        assert told["2025-11-09"] == "5 of 10"
        assert told["2025-11-22"] == "gone to ground"
        notes = " ".join(table.notes)
        best = column(table, "day")[column(table, "remark").index("proposed")]
        assert best == "2025-11-01"
        assert "morning of Saturday 1 November: 7 of 10 animals still about." in notes
        assert "Be quick" in notes
        assert "no sign of death" in notes

    def test_nothing_is_said_of_torpor_where_nothing_is_known(self, autumn, visits, sp):
        table = visits_table(autumn, visits, sp)
        assert set(column(table, "torpid")) == {None}
        assert not any("orpid" in note or "ground" in note for note in table.notes)


def with_torpid(assessment, shares):
    calendar = assessment.calendar.model_copy(update={"torpid_in_box": tuple(shares.values())})
    return assessment.model_copy(update={"calendar": calendar})


class TestFound:
    @pytest.fixture
    def found(self):
        return (
            FoundAnimal(
                "Ash", dt.date(2025, 10, 20), dt.date(2025, 10, 25), 14.0, "juvenile", True
            ),
            FoundAnimal("Elm", dt.date(2025, 10, 26), dt.date(2025, 10, 26), 8.5, "juvenile"),
            FoundAnimal("Fir", None, None, 26.0, "adult"),
        )

    @pytest.fixture
    def place(self, make):
        in_hand = {"none": make.quantity(41.0), "found": make.quantity(90.0)}
        carried = make.animal(MONDAY, "Elm", "", 8.5, days_in_hand=in_hand, organism_id="Elm")
        return make.assessment(MONDAY, animals=(carried,))

    def test_fewest_days_in_hand_first_then_the_lightest(self, found, place, sp):
        assert column(triage_found(found, place, sp), "name") == ["Elm", "Ash", "Fir"]

    def test_what_each_lacks_in_both_cases(self, found, place, sp):
        table = triage_found(found, place, sp)
        assert column(table, "mass needed, no food") == [24.3] * 3
        assert column(table, "missing, no food") == [15.8, 10.3, 0.0]
        assert column(table, "missing, food found") == [4.3, 0.0, 0.0]

    def test_days_in_care_by_the_captive_gain(self, found, place, sp):
        # Derived gain of captive animals lighter than 18 g, 0.49 g a day (Pretzlaff 2021 raw
        # data): (18 - 8.5) / 0.49 = 19.4, (18 - 14) / 0.49 = 8.2. 12 to 18 g: 12 to 14 days.
        table = triage_found(found, place, sp)
        assert column(table, "days in care") == [20, 9, "none needed"]
        # from the issue for an animal outside, from the weighing for one in care
        assert column(table, "care until") == ["2025-11-16", "2025-11-03", None]
        twelve = FoundAnimal("Oak", None, None, 12.0)
        assert column(triage_found((twelve,), place, sp), "days in care") == [13]

    def test_an_agreed_target_takes_the_place_of_ours(self, found, place, sp):
        table = triage_found(found, place, sp, release_mass_g=20.0, rehab_below_g=12.0)
        assert column(table, "days in care") == [24, 13, "none needed"]
        assert any("20 g at 0.49 g a day" in note for note in table.notes)
        assert any("taking an animal in is 12 g" in note for note in table.notes)

    def test_days_in_hand_are_known_or_said_to_be_missing(self, found, place, sp):
        table = triage_found(found, place, sp)
        assert column(table, "days in hand, no food") == [41, None, None]
        assert any("No days in hand for Ash, Fir" in note for note in table.notes)

    def test_mass_needed_beyond_every_animal_is_not_a_number_to_reach(self, found, place, make, sp):
        needed = {
            "none": make.quantity(45.0, "g", at_least=True),
            "found": make.quantity(None, "g", reason="no_food_date"),
        }
        table = triage_found(found, place.model_copy(update={"mass_needed": needed}), sp)
        assert column(table, "mass needed, no food") == ["none lasts"] * 3
        assert column(table, "missing, no food") == [None] * 3
        assert column(table, "missing, food found") == [None] * 3

    def test_no_days_are_left_to_tell_where_the_reserve_may_be_gone(self, found, make, sp):
        over = {
            name: {"none": make.quantity(none), "found": make.quantity(fed)}
            for name, none, fed in (("Ash", -50.0, 9.0), ("Elm", -8.0, -2.0), ("Fir", 30.0, 60.0))
        }
        animals = tuple(
            make.animal(MONDAY, name, "", 12.0, days_in_hand=days) for name, days in over.items()
        )
        table = triage_found(found, make.assessment(MONDAY, animals=animals), sp)
        # without food both may be over: the days with food decide
        assert column(table, "name") == ["Elm", "Ash", "Fir"]
        assert column(table, "days in hand, no food") == ["may be gone", "may be gone", 30]
        assert column(table, "days in hand, food found") == ["may be gone", 9, 60]
        assert any(note.startswith("May be gone: ") for note in table.notes)
        sound = triage_found(found, make.assessment(MONDAY, animals=animals[2:]), sp)
        assert not any(note.startswith("May be gone: ") for note in sound.notes)

    def test_what_mass_needed_means_is_said(self, found, place, winter, sp):
        def notes(assessment):
            return " ".join(triage_found(found, assessment, sp).notes)

        assert "Mass needed: when winter sleep begins, to last until spring food" in notes(place)
        assert "Mass needed: now, to last until spring food in half of the futures" in notes(winter)

    def test_two_ways_and_no_order(self, found, place, sp):
        notes = " ".join(triage_found(found, place, sp).notes)
        assert "leave the animal, with its mother or alone, or speak to a licensed" in notes
        assert "This is no order." in notes
        assert "no release mass is published" in notes
        assert "Under 10 g an animal counts as a nestling" in notes
