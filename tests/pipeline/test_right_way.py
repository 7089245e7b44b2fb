"""Change the weather or a weight, and the advice changes the right way.

Each test compares the smaller demonstration with itself after one change. Directions are
asserted, and the words that follow from them; sizes belong to the tests of the rooms. Chance is
the same on both sides, so a difference is the change's own.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from riskcast.advice import LEVELS

PLANNED = dt.date(2025, 11, 22)


def urgency(seen, role="monitor"):
    return LEVELS.index(seen.advice(role).level)


def warmer(by, start, end="2100-01-01"):
    """Air temperature raised (or lowered) between two moments."""

    def change(data):
        time = data["time"]
        inside = (time >= np.datetime64(start)) & (time < np.datetime64(end))
        attrs = data["air_temperature"].attrs
        data["air_temperature"] = (data["air_temperature"] + by * inside).assign_attrs(attrs)
        return data

    return change


def without_snow(change):
    def bare(data):
        data = change(data)
        data["snow_depth"] = (0.0 * data["snow_depth"]).assign_attrs(data["snow_depth"].attrs)
        return data

    return bare


def normal_for_the_dates(history):
    """The members keep their differences, their mean becomes that of the past years."""
    past = history["air_temperature"].squeeze(drop=True).sel(time=slice(None, "2025-06-30"))
    hour = past["time"].dt.strftime("%m-%d %H")
    usual = past.groupby(hour.rename("hour")).mean()

    def change(data):
        air = data["air_temperature"]
        calm = usual.sel(hour=air["time"].dt.strftime("%m-%d %H")).drop_vars("hour")
        smooth = calm.rolling(time=72, center=True, min_periods=1).mean()
        data["air_temperature"] = (air - air.mean("number") + smooth).assign_attrs(air.attrs)
        return data.transpose("number", "time", ...)

    return change


@pytest.fixture(scope="session")
def run_with(tmp_path_factory, small_weather, small_run):
    """`run_with(day, forecast=…, history=…, **values)`: the smaller demonstration, changed."""

    def run(day, *, forecast=None, history=None, **values):
        folder = tmp_path_factory.mktemp("changed")
        weather = small_weather.changed(folder / "w", day, forecast=forecast, history=history)
        return small_run(folder, day, **{**weather, **values})

    return run


@pytest.fixture
def young_with(tmp_path, weight_rows, write_weights):
    """The demonstration's sheet after a change to the light young of the last round."""

    def make(change):
        rows = [dict(row) for row in weight_rows]
        light = [
            row
            for row in rows
            if row["event_date"] == "2025-10-18"
            and row["life_stage"] == "juvenile"
            and row["body_mass_g"] < 15
        ]
        assert len(light) == 8
        for row in light:
            change(row)
        return [write_weights(tmp_path / "weights.csv", rows)]

    return make


def expected_short(seen):
    return seen.risk("autumn_mass").quantities["expected_short"].value


def won(seen):
    """Light animals that the proposed day reaches beyond the planned one."""
    numbers = next(r for r in seen.advice("monitor").reasons if r.code == "better_day").numbers
    return numbers["in_reach"] - numbers["planned_in_reach"]


def first_parting(run_with, young_with, day, more_g, forecast):
    """Runs in the usual and the changed weather, at the first added weight where advice parts."""
    for grams in more_g:

        def heavier(row, grams=grams):
            row["body_mass_g"] += grams

        files = young_with(heavier)
        pair = run_with(day, files=files), run_with(day, files=files, forecast=forecast)
        if len({seen.advice("monitor").action for seen in pair}) == 2:
            return pair
    pytest.fail(f"the weather decides nothing for litters {more_g} g heavier")


# --- autumn: 27 October 2025 -------------------------------------------------------------------


class TestWeights:
    def test_the_smaller_demonstration_tells_the_story_too(self, usual, dates):
        assert usual(dates[0]).advice("monitor").action == "move_visit_forward"

    def test_heavier_litter_keeps_the_planned_visit(self, usual, run_with, young_with, dates):
        def heavier(row):
            row["body_mass_g"] += 7.0

        seen = run_with(dates[0], files=young_with(heavier))
        advice = seen.advice("monitor")
        assert (advice.action, advice.visit_day) == ("keep_visit", PLANNED)
        assert seen.letter("monitor").first_line.startswith("Keep your box check on 22 November.")
        assert urgency(seen) < urgency(usual(dates[0]))
        assert expected_short(seen) < 0.5 < expected_short(usual(dates[0]))
        assert seen.risk("autumn_mass").concern == "low"
        assert seen.advice("rehabilitator").action == "no_change"

    def test_lighter_litter_is_not_less_urgent(self, usual, run_with, young_with, dates):
        def lighter(row):
            row["body_mass_g"] -= 1.5

        seen, before = run_with(dates[0], files=young_with(lighter)), usual(dates[0])
        assert expected_short(seen) > expected_short(before)
        assert urgency(seen) >= urgency(before)
        assert set(seen.advice("monitor").boxes) >= set(before.advice("monitor").boxes)

    def test_one_heavier_animal_moves_itself_and_no_other(self, usual, run_with, young_with, dates):
        """A stream of chance belongs to an animal, not to its place in the sheet."""

        def heavier(row):
            row["body_mass_g"] += 3.0 * (row["box"] == 41)

        seen, before = run_with(dates[0], files=young_with(heavier)), usual(dates[0])
        moved = {
            animal.key
            for animal, old in zip(
                sorted(seen.assessment.animals, key=lambda a: a.key),
                sorted(before.assessment.animals, key=lambda a: a.key),
                strict=True,
            )
            if animal != old
        }
        assert moved == {"41|2025-10-18|1"}
        new, old = seen.animal("box 41"), before.animal("box 41")
        assert new.share_short < old.share_short
        assert new.days_to_spare["none"].value > old.days_to_spare["none"].value

    def test_a_lower_target_asks_less(self, usual, run_with, dates):
        seen = run_with(dates[0], target_mass_g=12)
        assert expected_short(seen) < expected_short(usual(dates[0]))
        assert "under 12 g" in seen.letter("monitor").text

    def test_an_early_check_leaves_no_day_to_propose(
        self, usual, run_with, weight_rows, write_weights, tmp_path, dates
    ):
        """Checked two days ago: within the gap, no earlier day is proposed, however light."""
        rows = [
            {**row, "event_date": "2025-10-25"} if row["event_date"] == "2025-10-18" else row
            for row in weight_rows
        ]
        seen = run_with(dates[0], files=[write_weights(tmp_path / "weights.csv", rows)])
        days = seen.advice("monitor")
        assert days.visit_day is None or (days.visit_day - dt.date(2025, 10, 25)).days >= 14


@pytest.fixture(scope="module")
def milder(run_with, dates):
    return run_with(dates[0], forecast=warmer(+6.0, "2025-11-02T12"))


@pytest.fixture(scope="module")
def colder(run_with, dates):
    """The cold comes four days sooner, and harder."""
    return run_with(dates[0], forecast=warmer(-6.0, "2025-10-29T00"))


class TestAutumnWeather:
    def gone(self, seen):
        """Of the animals expected to be too light, the share gone to ground by the planned day."""
        at = seen.assessment.calendar.days.index(PLANNED)
        ranked = [a for a in seen.assessment.animals if a.ranked]
        short = sum(a.share_short for a in ranked)
        return 1 - sum(a.short_and_out[at] for a in ranked) / short

    def test_without_cold_fewer_are_short_and_a_new_day_wins_less(self, usual, milder, dates):
        before = usual(dates[0])
        assert expected_short(milder) < expected_short(before)
        assert urgency(milder) <= urgency(before)
        assert won(milder) < won(before)

    def test_without_cold_a_litter_of_middling_weight_is_left_for_the_planned_day(
        self, run_with, young_with, dates
    ):
        """About 3 g heavier than in the demonstration, the weather alone decides."""
        cold, mild = first_parting(
            run_with, young_with, dates[0], (3.0, 2.5, 3.5), warmer(+6.0, "2025-11-02T12")
        )
        assert cold.advice("monitor").action == "move_visit_forward"
        kept = mild.advice("monitor")
        assert (kept.action, kept.visit_day) == ("keep_visit", PLANNED)
        assert urgency(mild) < urgency(cold)

    def test_an_earlier_cold_calls_for_a_litter_that_could_have_waited(
        self, run_with, young_with, dates
    ):
        """The other edge, about 4 g heavier."""
        usual, colder = first_parting(
            run_with, young_with, dates[0], (4.0, 3.5, 4.5), warmer(-6.0, "2025-10-29T00")
        )
        assert usual.advice("monitor").action == "keep_visit"
        assert colder.advice("monitor").action == "move_visit_forward"
        assert urgency(colder) > urgency(usual)

    def test_without_cold_they_gain_more_and_go_in_later(self, usual, milder, dates):
        for label in ("box 14, 1st", "K08", "box 41"):
            new, old = milder.animal(label), usual(dates[0]).animal(label)
            assert new.gain_expected.value > old.gain_expected.value
            assert new.onset.value > old.onset.value
        assert self.gone(milder) < self.gone(usual(dates[0]))

    def test_without_cold_no_cold_is_told(self, usual, milder, dates):
        def codes(seen):
            return {reason.code for reason in seen.risk("autumn_mass").reasons}

        assert "cold_ahead" in codes(usual(dates[0]))
        assert "cold_ahead" not in codes(milder)

    def test_an_earlier_cold_is_not_less_urgent(self, usual, colder, dates):
        before = usual(dates[0])
        assert urgency(colder) >= urgency(before)
        assert expected_short(colder) > expected_short(before)
        assert colder.advice("monitor").action == "move_visit_forward"

    def test_an_earlier_cold_sends_them_to_ground_before_the_planned_day(
        self, usual, colder, dates
    ):
        assert self.gone(colder) > self.gone(usual(dates[0]))
        for label in ("box 14, 1st", "K08", "box 41"):
            assert colder.animal(label).onset.value < usual(dates[0]).animal(label).onset.value

    def test_a_storm_on_the_saturday_is_no_day_to_go(self, usual, run_with, dates):
        """Heavy rain in the visiting hours of 1 November in every member."""
        before = usual(dates[0])

        def storm(data):
            time = data["time"]
            day = (time >= np.datetime64("2025-11-01T08")) & (time < np.datetime64("2025-11-01T16"))
            attrs = data["precipitation"].attrs
            data["precipitation"] = data["precipitation"].where(~day, 6.0).assign_attrs(attrs)
            return data

        seen = run_with(dates[0], forecast=storm)
        at = seen.assessment.calendar.days.index(before.advice("monitor").visit_day)
        assert seen.assessment.calendar.unfit_weather[at] == 1.0
        assert seen.advice("monitor").visit_day != before.advice("monitor").visit_day


# --- winter: 12 January 2026 -------------------------------------------------------------------


def cost(seen):
    return seen.risk("winter_arousal").quantities["extra_days"].value


@pytest.fixture(scope="module")
def calm(run_with, small_weather, dates):
    return run_with(dates[1], forecast=normal_for_the_dates(small_weather.history))


class TestWarmSpell:
    def test_no_spell_no_word_of_one(self, usual, calm, dates):
        assert usual(dates[1]).assessment.warm_spell is not None
        assert calm.assessment.warm_spell is None
        for letter in calm.run.letters:
            assert "warm spell" not in letter.first_line
            assert "A warm spell is due" not in " ".join(letter.text.split())

    def test_no_spell_less_concern_and_fewer_days(self, usual, calm, dates):
        before = usual(dates[1])
        bands = ("low", "moderate", "high")
        now, then = (bands.index(s.risk("winter_arousal").concern) for s in (calm, before))
        assert now < then
        assert cost(calm) < cost(before)
        likelihood = [s.risk("winter_arousal").likelihood for s in (calm, before)]
        assert likelihood[0] < likelihood[1]

    def test_no_spell_nobody_is_told_to_stay_away_or_hold_back(self, usual, calm, dates):
        assert usual(dates[1]).advice("monitor").action == "stay_away"
        assert calm.advice("monitor").action == "no_change"
        assert calm.advice("rehabilitator").action == "no_change"
        assert set(calm.run.levels.values()) == {"steady"}

    def test_a_warmer_spell_costs_more(self, usual, run_with, dates):
        seen = run_with(dates[1], forecast=warmer(+2.0, "2026-01-14", "2026-01-22"))
        assert cost(seen) > cost(usual(dates[1]))
        more = [
            s.risk("winter_arousal").quantities["extra_arousals"].value
            for s in (seen, usual(dates[1]))
        ]
        assert more[0] > more[1] > 0


def lost(seen):
    return seen.assessment.reference_animal.days_vs_normal.value


class TestWinter:
    def shifted(self, run_with, dates, by, wrap=lambda change: change):
        change = wrap(warmer(by, "2025-11-20"))
        return run_with(dates[1], forecast=change, history=change)

    def test_the_warmer_the_winter_the_fewer_the_days(self, usual, run_with, dates):
        cool, warm = (self.shifted(run_with, dates, by) for by in (-2.0, +2.0))
        assert lost(warm) < lost(usual(dates[1])) < lost(cool)
        assert lost(warm) < -3.0

    def test_a_warm_winter_raises_the_concern(self, usual, run_with, dates):
        warm = self.shifted(run_with, dates, +4.0)
        before = usual(dates[1])
        assert warm.risk("winter_reserve").likelihood > before.risk("winter_reserve").likelihood
        assert warm.risk("winter_reserve").concern != "low"
        assert warm.risk("winter_reserve").quantities["animals_losing"].value > 0
        season = [s.risk("winter_arousal").quantities["season_ratio"].value for s in (warm, before)]
        assert season[0] > season[1]

    def test_hard_frost_on_bare_ground_costs_more_than_cool(self, run_with, dates):
        """Cold is not safe: below the set point the rate climbs (Geiser 1987)."""
        cool = self.shifted(run_with, dates, -3.0, without_snow)
        frost = self.shifted(run_with, dates, -16.0, without_snow)
        assert lost(frost) < lost(cool)

    def test_snow_shelters_from_frost(self, run_with, dates):
        def with_snow(change):
            def deep(data):
                data = change(data)
                attrs = data["snow_depth"].attrs
                white = data["time"] >= np.datetime64("2025-12-01")
                data["snow_depth"] = data["snow_depth"].where(~white, 0.5).assign_attrs(attrs)
                return data

            return deep

        bare = self.shifted(run_with, dates, -16.0, without_snow)
        white = self.shifted(run_with, dates, -16.0, with_snow)
        assert lost(white) > lost(bare)


def test_the_heavier_the_longer(run_with, write_weights, tmp_path, dates):
    """Light animals alike in all but mass, in steps well above what chance between them moves.

    Beyond about 20 g the order need not hold: fat animals go in sooner, and the mass at which
    the reserve is gone rises with the mass at onset.
    """
    rows = [
        {
            "event_date": "2025-10-18",
            "box": str(box),
            "body_mass_g": mass,
            "life_stage": "adult",
            "sex": "female",
            "activity": "torpid",
        }
        for box, mass in enumerate((10.5, 13.5, 16.5, 19.5), 1)
    ]
    files = [write_weights(tmp_path / "weights.csv", rows)]
    seen = run_with(dates[1], files=files)
    animals = sorted(seen.assessment.animals, key=lambda animal: animal.body_mass_g)
    for feeding in ("none", "found"):
        days = [animal.days_to_spare[feeding].value for animal in animals]
        assert days == sorted(days)
        assert days[0] < days[-1]
    unfed = [animal.days_to_spare["none"].value for animal in animals]
    assert all(np.diff(unfed) > 0)
    labels = [animal.label for animal in seen.assessment.animals]
    assert labels == [animal.label for animal in animals]  # the most urgent first


def test_food_never_shortens_the_reserve(each_run):
    reference = each_run.assessment.reference_animal
    for animal in (*each_run.assessment.animals, reference):
        if animal.ranked:
            fed, unfed = animal.days_in_hand["found"], animal.days_in_hand["none"]
            assert fed.value >= unfed.value


# --- spring: 30 March 2026 ---------------------------------------------------------------------


def gap(seen):
    return seen.risk("spring_food").quantities["food_gap_days"].value


def food(seen):
    return seen.risk("spring_food").dates["food_date"].value


class TestSpring:
    def test_a_warm_april_brings_food_sooner_and_closes_the_gap(self, usual, run_with, dates):
        warm = run_with(dates[2], forecast=warmer(+4.0, "2026-03-31"))
        late = run_with(dates[2], forecast=warmer(-4.0, "2026-03-31"))
        assert food(warm) < food(usual(dates[2])) < food(late)
        assert gap(warm) < gap(usual(dates[2]))
        assert gap(late) > gap(warm)

    def test_a_cold_march_wakes_them_later_and_the_wait_costs_less(self, usual, run_with, dates):
        """Food comes later too, so the gap in days moves little; what it costs falls."""
        cold = run_with(dates[2], history=warmer(-6.0, "2026-03-14"))
        before = usual(dates[2])
        for name in ("emergence", "food_date"):
            late, soon = (s.risk("spring_food").dates[name].value for s in (cold, before))
            assert late > soon
        assert gap(cold) <= gap(before)
        cost_of = [s.risk("spring_food").quantities["gap_cost_days"].value for s in (cold, before)]
        assert cost_of[0] < cost_of[1]

    def test_own_records_of_early_plants_move_the_food(self, usual, run_with, tmp_path, dates):
        """Oak and hawthorn in flower by 10 April in each of six springs."""
        text = "plant,stage,date\n" + "".join(
            f"{plant},flower,{year}-04-{8 + year % 5:02d}\n"
            for plant in ("oak", "hawthorn")
            for year in range(2019, 2025)
        )
        own = tmp_path / "food_dates.csv"
        own.write_text(text)
        seen = run_with(dates[2], food_dates=own)
        assert food(seen) < food(usual(dates[2]))
        assert gap(seen) < gap(usual(dates[2]))
