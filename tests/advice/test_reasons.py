"""Every code has a sentence; a code without one is an error, not a silence."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest

from riskcast.advice.sentences import Sentences, environment
from riskcast.advice.units import Unit
from riskcast.base.errors import RiskcastError
from riskcast.risk import Reason

# code → numbers, a piece that the sentence must hold
CODES: dict[str, tuple[dict[str, Any], str]] = {
    "short_animals": ({"n": 3, "animals": 14}, "3 of 14 weighed animals are under 15 g"),
    "most_affected": (
        {
            "label": "box 14, 3rd of 5, weighed 18 October",
            "box": "14",
            "body_mass_g": 9.5,
            "share": 0.9,
            "grams_short": 3.4,
            "gain_needed": 0.35,
            "gain_expected": 0.15,
        },
        "in 9 of 10 futures. It would lack 3.4 g. It needs 0.35 g a day",
    ),
    "cold_ahead": ({"start": "2025-11-03", "nest_now": 10.4, "nest_then": 5.8}, "3 November"),
    "not_asked_now": ({"start": "2025-09-01", "end": "None"}, "do not ask"),
    "no_weights": ({}, "no weights"),
    "weights_unusable": ({}, "single row"),
    "no_past_years": ({"have": 3, "needed": 5}, "have 3 past years"),
    "series_too_short": ({}, "ends too soon"),
    "no_emergence": ({}, "may not come out before"),
    "no_food_date": ({}, "no date"),
    "above_past_years": ({"window_days": 14.0, "rank": 2, "of": 21}, "rank 2nd of 21 years"),
    "warm_spell": (
        {"start": "2026-01-14", "end": "2026-01-21", "days": 8},
        "14 to 21 January, 8 days long",
    ),
    "days_lost": ({"days": 5.1}, "5 days sooner"),
    "lightest": ({"label": "box 3, 1st of 2", "days_to_spare": -41.2}, "box 3, 1st of 2, ends 41"),
    "gap": ({"days": 12.0}, "12 days before there is enough food"),
    "warm_spring": ({}, "wake them early"),
    "better_day": (
        {
            "visit_day": "2025-11-01",
            "planned": "2025-11-22",
            "in_reach": 3.1,
            "planned_in_reach": 0.2,
            "unfit_weather": 0.3,
        },
        "reach about 3 of the light animals, on 22 November fewer than 1",
    ),
    "waiting_costs": (
        {"days": 7, "now": 3.1, "later": 1.2},
        "would lose about 2 of them",
    ),
    "no_better_day": ({"gain": 0.1}, "No earlier day"),
    "no_planned_visit": ({}, "never add one"),
    "outside_season": ({}, "season of box checks is closed"),
    "planned_outside_season": ({}, "outside the season"),
    "planned_beyond_calendar": ({}, "too far off"),
    "no_day_allowed": (
        {"earliest": "2025-11-27", "min_gap_days": 40, "notice_days": 2},
        "40 days since the last one and 2 days of notice",
    ),
    "heads_counted": ({}, "every animal of a litter"),
    "young_with_mother": ({"n": 2.7}, "About 3 light young are with the mother."),
    "no_open_option": ({}, "Nothing you can do"),
    "in_ground_nests": ({}, "out of reach"),
    "provisional_parameters": ({"n": 61}, "61 of our numbers"),
    "borrowed_parameters": ({"n": 70, "species": "hazel dormouse"}, "from the hazel dormouse"),
    "past_years_short": ({"have": 12, "asked": 20}, "12 past years of weather, not the 20"),
    "normals_not_possible": ({"have": 2, "needed": 5}, "With 2 past years"),
    "gap_filled": ({"share_last_10_days": 0.123, "hours": 30}, "12 % of the last 10 days"),
    "earlier_gap_filled": ({"hours": 40}, "a gap of 40 hours"),
    "single_forecast": ({}, "only one forecast"),
    "stale_forecast": ({"age_hours": 60.2, "max_age_hours": 36.0}, "60 hours, and our limit is 36"),
    "weights_old": ({"days": 30}, "30 days old"),
    "no_own_gains": ({}, "weighed twice"),
    "logger_unreadable": ({}, "could not read the nest logger"),
    "logger_too_short": ({}, "too few days"),
    "logger_used": (
        {"before_degc": 0.83, "after_degc": 0.41},
        "missed by 0.4 °C, before by 0.8 °C",
    ),
    "logger_no_gain": ({"before_degc": 0.83, "after_degc": 0.82}, "did not help"),
    "no_variable": ({"name": "wind_speed", "source": "a.nc"}, "no wind speed"),
    "soil_carried_on": ({"date": "2025-11-05", "depth_cm": 178}, "178 cm down is known up to"),
    "soil_not_used": ({"why": "past_years"}, "too little soil temperature in past years, so"),
    "forecast_ends": ({"date": "2025-11-06"}, "ends on 6 November"),
    "height_gap": ({"m": -140}, "140 m lower"),
    "cell_distance": ({"km": 11.2}, "11 km from the site"),
    "members_left_out": ({"have": 51, "used": 49}, "Of 51 courses"),
    "forecast_unreadable": ({"file": "f.nc"}, "forecast file f.nc"),
    "history_incomplete": ({"have": 7, "asked": 20}, "have 7 of 20 past years so far"),
    "source_failed": (
        {"source": "open-meteo ensemble", "problem": "open-meteo did not answer."},
        "fresh weather from open-meteo ensemble, and used what",
    ),
    "dressed_forecast": ({"members": 50, "pairs": 0}, "50 courses of it, by how far such"),
    "trend_adjusted": (
        {"degc_per_decade": 0.31, "years": 20},
        "warmer by their own trend: 0.31 °C in ten years, from 20 winters",
    ),
    "null_column": ({"name": "snow_depth", "source": "a.csv"}, "without values of snow depth"),
    "frozen_sensor": ({"hours": 90, "source": "a.csv"}, "stood still for 90 hours"),
    "hours_missing": (
        {"name": "air_temperature", "percent": 4.4, "nights": 12, "source": "a.csv"},
        "lack 4 % of their hours of air temperature, 12 nights among them",
    ),
    "daily_values": ({"days": 365, "source": "tn.nc"}, "highest temperature of 365 days"),
    "snow_as_water": ({"name": "sd", "source": "a.nc"}, "tell snow as the water in it"),
    "clock_skew": ({"hours": -2.5, "service": "open-meteo"}, "differ by 2.5 hours"),
    "version_ends": ({"service": "met-norway"}, "will soon end"),
    "cache_not_kept": ({"problem": "The disk is full."}, "keep what was fetched"),
    "forecast_not_kept": ({"problem": "The disk is full."}, "keep the forecast"),
    "place_not_stated": ({"file": "h.csv"}, "weather file h.csv"),
}


@pytest.fixture
def say(autumn, sp):
    return Sentences(autumn, sp)


@pytest.mark.parametrize("code", CODES)
def test_each_code_has_a_sentence_with_its_numbers(code, say):
    numbers, piece = CODES[code]
    said = say.reason(Reason(code=code, numbers=numbers))
    assert piece in said
    assert said[0].isupper() or said[0].isdigit()
    assert said.endswith(".")
    sentences = re.split(r"[.:](?:\s|$)", said)
    assert max(len(sentence.split()) for sentence in sentences) <= 25


def test_no_sentence_without_a_test():
    module = environment().get_template("reasons.j2").module
    macros = {name for name in vars(module) if not name.startswith("_")}
    assert macros - set(CODES) == {"held_within_margin"}  # needs an advice: tested with letters


def test_an_unknown_code_is_an_error(say):
    with pytest.raises(RiskcastError, match="no sentence for 'full_moon'"):
        say.reason(Reason(code="full_moon"))


def test_a_missing_number_is_an_error_that_names_the_code(say):
    with pytest.raises(RiskcastError, match=r"reasons\.j2, gap"):
        say.reason(Reason(code="gap"))


def test_a_letter_fails_rather_than_leave_a_code_out(autumn, letter):
    strange = tuple(
        risk.model_copy(update={"reasons": (Reason(code="full_moon"),)})
        if risk.id == "autumn_mass"
        else risk
        for risk in autumn.risks
    )
    with pytest.raises(RiskcastError, match="full_moon"):
        letter(autumn.model_copy(update={"risks": strange}))


@pytest.mark.parametrize(
    ("code", "numbers", "said"),
    [
        ("short_animals", {"n": 0, "animals": 5}, "none of 5 weighed animals are"),
        ("short_animals", {"n": 1, "animals": 5}, "1 of 5 weighed animals is"),
        ("above_past_years", {"window_days": 14.0, "rank": 1, "of": 21}, "none of the 20 past"),
        ("days_lost", {"days": 0.2}, "about when it does in a normal winter"),
        ("days_lost", {"days": -3.0}, "3 days later"),
        ("lightest", {"label": "a", "days_to_spare": 0.1}, "just as spring food comes"),
        ("lightest", {"label": "a", "days_to_spare": 8.0}, "8 days after spring food"),
        ("lightest", {"label": "a", "days_to_spare": None}, "a day we do not know"),
        ("gap", {"days": -4.0}, "should find enough food"),
        (
            "warm_spell",
            {"start": "2025-10-20", "end": "2025-10-29", "days": 10},
            "A warm spell is on: 20 to 29 October",
        ),
        ("young_with_mother", {"n": 1.2}, "About 1 light young animal is with the mother. It"),
        ("waiting_costs", {"days": 7, "now": 3.1, "later": 3.0}, "would cost little"),
        ("waiting_costs", {"days": 10, "now": 3.1, "later": None}, "cannot say what waiting 10"),
        ("no_past_years", {}, "We cannot say what is normal here"),
        ("gap_filled", {"share": 0.2}, "20 %"),
        ("dressed_forecast", {"members": 50, "pairs": 41}, "by how far it missed here on 41 days."),
        ("trend_adjusted", {"degc_per_decade": -0.1, "years": 20}, "colder by their own trend"),
        ("trend_adjusted", {"degc_per_decade": 0.1, "years": 20}, "normal here moves with them"),
        ("past_years_short", {"have": 1, "asked": 20}, "have 1 past year of weather"),
        ("normals_not_possible", {"have": 1, "needed": 5}, "With 1 past year of weather"),
        ("height_gap", {"m": 90.0}, "90 m higher"),
    ],
)
def test_other_turns_of_a_sentence(code, numbers, said, say):
    assert said in say.reason(Reason(code=code, numbers=numbers))


@pytest.mark.parametrize("code", ["most_affected", "lightest"])
def test_the_rehabilitator_hears_no_box(code, autumn, sp):
    numbers, _ = CODES[code]
    said = Sentences(autumn, sp, role="rehabilitator").reason(Reason(code=code, numbers=numbers))
    assert "box" not in said.lower()


@pytest.mark.parametrize(
    "code",
    [
        "bag_subtracted",
        "column_not_read",
        "day_number",
        "decimal_comma",
        "delimiter",
        "header_row",
        "latin_1",
        "merged_filled",
        "merged_not_filled",
        "read_as_xlsx",
        "utf_16",
        "worksheet_not_read",
    ],
)
def test_how_the_sheet_was_read_has_a_sentence(code, say):
    said = say.assumption(f"{code}: weights.csv, 3 cells")
    assert "weights.csv, 3 cells" in said
    assert code not in said


def test_an_unknown_way_of_reading_is_an_error(say):
    with pytest.raises(RiskcastError, match="guessed"):
        say.assumption("guessed: weights.csv")


@pytest.mark.parametrize(
    "code", ["weight_too_old", "weighed_in_spring", "not_asked_now", "not_carried"]
)
def test_each_way_not_to_be_ranked_has_words(code, say, make):
    animal = make.animal(dt.date(2025, 10, 27), "a", "1", 12.0, ranked=False, why_not=code)
    said = say.macro("animals.j2", "remark", Unit((animal,)))
    assert said.startswith("not ranked: ")
    assert code not in said


def test_an_unknown_way_not_to_be_ranked_is_an_error(say, make):
    animal = make.animal(dt.date(2025, 10, 27), "a", "1", 12.0, ranked=False, why_not="shy")
    with pytest.raises(RiskcastError, match="shy"):
        say.macro("animals.j2", "remark", Unit((animal,)))
