"""The letters: what comes first, what is never left out, and what is never said."""

from __future__ import annotations

import datetime as dt
import html as html_module
import re
from typing import Any

import pytest

from riskcast.advice import PreviousLevel, advise, letters, short_text
from riskcast.risk import DateQuantity, Gate, Quantity, Reason, RecordsUsed

ROLES = ("monitor", "coordinator", "rehabilitator")
SEASONS = ("autumn", "winter", "spring")
PARTS = (
    "Why",
    "How sure we are",
    "What we do not know",
    "The case against",
    "Cautions",
    "The next word",
    "How old the data are",
    "Where the weather comes from",
)
MONDAY = dt.date(2025, 10, 27)


def flat(text: str) -> str:
    return " ".join(text.split())


def prose(html: str) -> str:
    """Text of an HTML part, as a reader without styles gets it."""
    body = html[html.index("<body") :]
    return flat(html_module.unescape(re.sub(r"<[^>]+>", " ", body)))


@pytest.mark.parametrize(
    ("season", "said"),
    [
        (
            "autumn",
            "Check the boxes on Saturday 1 November, not on the 22nd, if your licence and team "
            "allow. Settle it by Wednesday.",
        ),
        (
            "winter",
            "Stay away from the nests: no box check can help in the warm spell of 14 to 21 "
            "January. We look again on the 19th.",
        ),
        (
            "spring",
            "Keep your box check on 18 April and bring scales. Animals may be awake 12 days "
            "before there is enough food.",
        ),
    ],
)
def test_the_first_line_says_what_to_do_and_by_when(season, said, request, letter):
    written = letter(request.getfixturevalue(season))
    assert written.first_line == said
    assert flat(written.text).startswith(said)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("season", SEASONS)
class TestEveryLetter:
    @pytest.fixture
    def written(self, season: str, role: str, request: Any, letter: Any) -> Any:
        return letter(request.getfixturevalue(season), role)

    def test_parts_in_their_order(self, written):
        places = [written.text.index(f"\n\n{part}\n---") for part in PARTS]
        assert places == sorted(places)

    def test_cautions_are_always_there(self, written):
        text = flat(written.text)
        for caution in (
            "You need a licence",
            "Your local law and your licence come first",
            "Leave hibernating animals alone",
            "needs a vet or an experienced rehabilitator",
            "costs an animal 2 to 3 days of reserve",
            "Other causes of death are not counted",
        ):
            assert caution in text

    def test_likelihood_has_its_number_and_confidence_its_reason(self, written):
        text = flat(written.text)
        assert re.search(r"likely( as not)? \((\d+ in \d+|more than 19 in 20)\)", text)
        assert "Our confidence is low. 61 of our numbers rest on judgement" in text

    def test_nobody_is_promised_life_or_death(self, written):
        for part in (written.text, written.html):
            assert not re.search(r"surviv|mortalit|\bdies?\b|\bchance", part.lower())

    def test_subject_fits_and_says_when(self, written):
        assert len(written.subject) <= 78
        assert re.search(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ [A-Z][a-z]{2}", written.subject)
        assert "\n" not in written.subject

    def test_html_says_the_same(self, written):
        said = prose(written.html)
        rest = re.sub(r"\n-+\n", "\n", written.text)
        for line in re.split(r"\n\n+|\n- ", rest):
            assert flat(line.removeprefix("- ")) in said

    def test_html_stands_alone(self, written):
        page = written.html
        assert '<html lang="en">' in page
        assert page.count("<h1") == 1
        assert "<img" not in page
        assert "<script" not in page
        assert set(re.findall(r"#[0-9a-f]{6}", page)) == {"#ffffff", "#1a1a1a", "#0b3d6b"}

    def test_attribution_can_be_followed(self, written):
        assert "https://example.org/weather" in written.text
        assert '<a href="https://example.org/weather"' in written.html


class TestMove:
    @pytest.mark.parametrize("role", ["monitor", "coordinator", "rehabilitator"])
    def test_providers_are_named_as_they_ask(self, autumn, letter, role):
        """Open-Meteo's licence page (open-meteo.com/en/licence) gives the link word for word:
        ``<a href="https://open-meteo.com/">Weather data by Open-Meteo.com</a>``.
        """
        lines = (
            "Weather data by Open-Meteo.com (https://open-meteo.com/)",
            "Based on data from MET Norway (https://api.met.no/)",
        )
        weather = autumn.weather.model_copy(update={"attribution": lines})
        written = letter(autumn.model_copy(update={"weather": weather}), role)
        for line in lines:
            assert f"- {line}\n" in written.text
        plain = re.sub(r' style="[^"]*"', "", written.html)
        assert '<a href="https://open-meteo.com/">Weather data by Open-Meteo.com</a>' in plain
        assert '<a href="https://api.met.no/">Based on data from MET Norway</a>' in plain

    def test_what_goes_with_a_proposed_day(self, autumn, letter):
        text = flat(letter(autumn).text)
        assert "This day takes the place of Saturday 22 November. It is not one visit more." in text
        assert "If you cannot come, keep the planned day." in text
        assert "Waiting a week would lose about 1 of them." in text
        assert "Open first: boxes 15, 14, 9." in text
        assert "We look again on Wednesday 29 October" in text

    def test_the_case_against_counts_futures_without_need(self, autumn, letter):
        # likelihood 0.93: in 7 of 100 futures the most affected animal gets there
        assert "In 1 of 20 futures even the most affected animal gets" in flat(letter(autumn).text)

    def test_foul_weather_moves_the_first_line(self, make, letter):
        foul = make.assessment(
            MONDAY,
            risks=(make.autumn_risk(),),
            animals=make.autumn_animals(MONDAY),
            unfit={dt.date(2025, 11, 1): 0.7},
        )
        said = letter(foul).first_line
        assert said.startswith("Check the boxes on Sunday 2 November")
        assert said.endswith("by Thursday.")

    def test_mild_autumn_keeps_the_visit(self, make, letter):
        mild = make.assessment(
            MONDAY, risks=(make.autumn_risk(),), animals=make.autumn_animals(MONDAY, cold=None)
        )
        assert letter(mild).first_line == (
            "Keep your box check on 22 November. No earlier day would help enough."
        )


class TestAnimals:
    def test_order_within_a_line(self, troubled, letter):
        text = flat(letter(troubled).text)
        line = text[text.index("- Box 15, b") : text.index("- Box 14, a")]
        order = (
            "9 g.",
            "If it finds no food, its reserve ends 93 days before spring food.",
            "If it finds some, 9 days before spring food.",
            "Against a normal winter here: 4 days less.",
            "Against the reference animal: 41 days less.",
            "Fat lasts until food in fewer than 1 in 20 futures if it finds none, 6 of 10 if",
            "Other deaths are not counted.",
        )
        places = [line.index(piece) for piece in order]
        assert places == sorted(places)

    def test_shares_in_the_usual_case(self, troubled, letter):
        lasts = {"none": 0.21, "found": 0.6}
        animals = tuple(a.model_copy(update={"reserve_lasts": lasts}) for a in troubled.animals)
        text = flat(letter(troubled.model_copy(update={"animals": animals})).text)
        assert (
            "Fat lasts until food in 2 of 10 futures if it finds none, 6 of 10 if it does; "
            "other deaths not counted." in text
        )

    def test_no_shares_behind_a_closed_gate(self, troubled, letter):
        closed = troubled.model_copy(update={"gate": Gate(passed=False, share=0.4, needed=0.8)})
        text = flat(letter(closed).text)
        assert "Fat lasts" not in text
        assert "We give days and no shares of futures" in text

    def test_a_litter_stays_together(self, troubled, letter):
        text = flat(letter(troubled).text)
        assert "This is a litter: judge all of it together." in text
        assert "The mother is with it: never part them." in text
        rehabilitator = flat(letter(troubled, "rehabilitator").text)
        assert "Never part a litter from its mother." in rehabilitator

    def test_a_litter_of_one_check_is_one_line(self, autumn, make, letter):
        young = make.litter(MONDAY, "7", (8.5, 9.0, 9.5, 10.0))
        with_litter = autumn.model_copy(update={"animals": (*autumn.animals, *young)})
        text = flat(letter(with_litter).text)
        line = "Box 7, litter of 4, 8.5 to 10 g, weighed 18 October. Numbers of the lightest. If it"
        assert text.count("litter of 4") == 1
        assert line in text
        assert "112 days before spring food" in text  # of the lightest
        assert "110 days before spring food" not in text  # of the heaviest
        said = flat(letter(with_litter, "rehabilitator").text)
        assert "- Litter of 4, 8.5 to 10 g, weighed 18 October. Numbers of the lightest." in said
        assert "box" not in said.split("The light young")[1].split("How sure")[0].lower()
        # five single adults and juveniles and one litter: nothing is left over
        assert "in the full list" not in text

    def test_litters_of_two_boxes_stay_apart(self, autumn, make, letter):
        young = (*make.litter(MONDAY, "7", (9.0, 9.0)), *make.litter(MONDAY, "8", (8.0, 9.0)))
        text = flat(letter(autumn.model_copy(update={"animals": young})).text)
        assert "Box 7, litter of 2, 9 g, weighed" in text
        assert "Box 8, litter of 2, 8 to 9 g, weighed" in text

    def test_the_most_affected_of_a_litter_is_not_singled_out(self, autumn, make, letter):
        young = make.litter(MONDAY, "7", (8.5, 9.0, 9.5, 10.0))
        worst = autumn.risk("autumn_mass").reasons[1]
        numbers = {**worst.numbers, "label": young[0].label, "body_mass_g": 8.5}
        risk = make.autumn_risk(reasons=(worst.model_copy(update={"numbers": numbers}),))
        litter = autumn.model_copy(update={"animals": young, "risks": (risk, *autumn.risks[1:])})
        text = flat(letter(litter).text)
        assert "Most affected is box 7, litter of 4, 8.5 to 10 g, weighed 18 October." in text
        assert "We judge it by its animal of 8.5 g." in text
        assert "1 of 4" not in text
        said = flat(letter(litter, "rehabilitator").text)
        assert "The most affected is a litter of 4, 8.5 to 10 g, weighed 18 October." in said

    def test_a_reserve_that_may_be_gone_is_told_as_past(self, winter, make, letter):
        over = {"none": Quantity(value=-26.0, unit="day"), "found": Quantity(value=9.0, unit="day")}
        gone = tuple(
            make.animal(winter.issued_on, key, box, mass, days_in_hand=over, spare=spare)
            for key, box, mass, spare in (
                ("a", "1", 9.5, (-150.0, -40.0)),
                ("b", "2", 9.0, (-140.0, -80.0)),
            )
        )
        sound = make.animal(winter.issued_on, "c", "3", 20.0, spare=(-60.0, 25.0))
        assessment = winter.model_copy(update={"animals": (*gone, sound)})
        for role in ("monitor", "coordinator"):
            text = flat(letter(assessment, role).text)
            assert text.count("the reserve of 2 animals may be gone by now") == 1
            assert "its reserve may have ended 140 days before spring food" in text
            assert "If it found some, its reserve ends 80 days before spring food." in text
            assert "If it finds no food, its reserve ends 60 days before spring food." in text
            # the fewer days with food first: without food all of them are over
            assert text.index("Box 2, b") < text.index("Box 1, a") < text.index("Box 3, c")

    def test_the_tightest_reserve_may_be_past_and_that_of_a_litter(self, winter, make, letter):
        label = "box 15, 1 of 3, weighed 18 October"
        lightest = Reason(code="lightest", numbers={"label": label, "days_to_spare": -112.0})
        risk = winter.risk("winter_reserve").model_copy(update={"reasons": (lightest,)})
        risks = tuple(risk if r.id == risk.id else r for r in winter.risks)
        for days, said in ((-26.0, "may have ended"), (26.0, "ends")):
            hand = {
                "none": Quantity(value=days, unit="day"),
                "found": Quantity(value=90, unit="day"),
            }
            young = make.litter(winter.issued_on, "15", (8.0, 9.0, 9.5), days_in_hand=hand)
            changed = winter.model_copy(update={"risks": risks, "animals": young})
            assert (
                "The tightest reserve, of box 15, litter of 3, 8 to 9.5 g, weighed 18 October, "
                f"{said} 112 days before spring food." in flat(letter(changed).text)
            )
            told = flat(letter(changed, "rehabilitator").text)
            assert f"The tightest reserve {said} 112 days before spring food." in told

    def test_past_with_food_too(self, winter, make, letter):
        over = {
            "none": Quantity(value=-26.0, unit="day"),
            "found": Quantity(value=-2.0, unit="day"),
        }
        animal = make.animal(winter.issued_on, "a", "1", 9.5, days_in_hand=over, spare=(-150, -90))
        text = flat(letter(winter.model_copy(update={"animals": (animal,)})).text)
        assert "If it found some, it may have ended 90 days before spring food." in text
        assert "the reserve of 1 animal may be gone by now" in text

    def test_the_reference_animal_may_be_past_it_too(self, winter, make, letter):
        over = {"none": Quantity(value=-3.0, unit="day"), "found": Quantity(value=90.0, unit="day")}
        changed = winter.reference_animal.model_copy(update={"days_in_hand": over})
        text = flat(letter(winter.model_copy(update={"reference_animal": changed})).text)
        assert (
            "If the reference animal (18 g, first winter) found no food, its reserve may have "
            "ended 31 days before spring food." in text
        )

    def test_an_animal_that_is_not_ranked_is_shown_with_the_reason(self, troubled, letter):
        assert "Not ranked: weighed in spring" in flat(letter(troubled).text)

    def test_what_is_not_known_is_said(self, make, letter):
        unknown = make.quantity(None, reason="no_past_years")
        animal = make.animal(
            MONDAY, "a", "1", 9.5, short=0.8, spare=(None, None), days_vs_normal=unknown
        )
        text = flat(
            letter(make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=(animal,))).text
        )
        assert "its reserve ends on a day we do not know" in text
        assert "Against a normal winter here: not known." in text
        assert not re.search(r"\b(nan|none|null)\b", text.replace("finds none", "").lower())

    def test_a_value_cut_at_the_end_of_the_season_is_at_least_that(self, make, letter):
        spare = {
            "none": make.quantity(-3.0),
            "found": make.quantity(44.0, at_least=True),
        }
        animal = make.animal(MONDAY, "a", "1", 9.5, short=0.8, days_to_spare=spare)
        text = flat(
            letter(make.assessment(MONDAY, risks=(make.autumn_risk(),), animals=(animal,))).text
        )
        assert "44 days or more after spring food comes" in text


class TestRehabilitator:
    @pytest.mark.parametrize("season", [*SEASONS, "troubled"])
    def test_no_box_and_no_place(self, season, request, letter):
        written = letter(request.getfixturevalue(season), "rehabilitator")
        for part in (written.subject, written.text, written.html):
            assert not re.search(r"\bbox \d|boxes \d|Alder|alder", part)
        assert "near 50.0° N, 4.0° W. We round the place on purpose." in flat(written.text)

    def test_what_it_takes_and_how_long_there_is(self, autumn, letter):
        text = flat(letter(autumn, "rehabilitator", rehab_below_g=12.0).text)
        assert "If it finds no food, an animal needs 24.3 g" in text
        assert "Left as it is, with no food, it has 80 days in hand." in text
        # (18 - 9) g / 0.49 g a day = 18.4 days
        assert "In care it takes about 19 days to 18 g." in text
        assert "trust it little" in text
        assert "Your agreed mass for taking an animal in is 12 g." in text
        assert "This is no order." in text

    def test_days_that_are_over_are_no_days_in_hand(self, autumn, letter):
        """Days are told without a sign: eight days ago must not read as eight days to go."""
        over = {"none": Quantity(value=-8.0, unit="day"), "found": Quantity(value=2.0, unit="day")}
        animals = tuple(a.model_copy(update={"days_in_hand": over}) for a in autumn.animals)
        text = flat(letter(autumn.model_copy(update={"animals": animals}), "rehabilitator").text)
        assert "8 days in hand" not in text
        assert "If it found no food, its reserve may have ended 93 days before spring food." in text
        assert "the reserve of 3 animals may be gone by now" in text

    def test_only_the_light_young_are_named(self, autumn, letter):
        text = letter(autumn, "rehabilitator").text
        assert "24 g" not in text.split("The light young")[1].split("How sure")[0]

    def test_no_release_in_the_warm_spell(self, winter, letter):
        assert letter(winter, "rehabilitator").first_line == (
            "Release none now, nor right after the warm spell of 14 to 21 January: enough food "
            "comes about 2 May. We look again on the 19th."
        )

    def test_no_spell_date_in_the_subject(self, winter, letter):
        assert letter(winter, "rehabilitator").subject == (
            "Release none now, food about Sat 2 May, next word Mon 19 Jan"
        )

    def test_no_food_date_is_no_leave_to_release(self, winter, letter):
        risks = tuple(risk.model_copy(update={"dates": {}}) for risk in winter.risks)
        written = letter(winter.model_copy(update={"risks": risks}), "rehabilitator")
        assert written.first_line.startswith("Release none now")
        assert "we cannot say when enough will" in written.first_line
        assert written.subject == "Release none now, next word Mon 19 Jan"

    def test_a_plan_has_a_date(self, winter, spring, letter):
        said = flat(letter(winter, "rehabilitator").text)
        assert "Level: plan (arrange a longer stay by 19 January)." in said
        assert "Level: plan (arrange it by 15 April)." in flat(letter(spring).text)

    def test_what_it_takes_counts_from_now_once_they_sleep(self, autumn, winter, letter):
        before = flat(letter(autumn, "rehabilitator").text)
        assert (
            "an animal needs 24.3 g when winter sleep begins to last until spring food in half "
            "of the futures." in before
        )
        after = flat(letter(winter, "rehabilitator").text)
        assert (
            "an animal needs 12.8 g now to last until spring food in half of the futures." in after
        )
        assert "when winter sleep begins to last" not in after

    def test_a_bound_is_no_mass_to_reach(self, winter, letter):
        none = {
            "none": Quantity(value=45.0, unit="g", at_least=True),
            "found": Quantity(value=12.8, unit="g"),
        }
        text = flat(letter(winter.model_copy(update={"mass_needed": none}), "rehabilitator").text)
        assert "no mass now lasts until spring food in half of the futures." in text
        assert "45 g" not in text

    def test_heads_are_said_only_where_there_is_a_litter(self, autumn, make, letter):
        assert "every animal of a litter" not in flat(letter(autumn, "rehabilitator").text)
        assert "A litter counts as one." not in flat(letter(autumn).text)
        young = make.litter(MONDAY, "7", (8.5, 9.0, 10.0))
        with_litter = autumn.model_copy(update={"animals": (*autumn.animals, *young)})
        said = flat(letter(with_litter, "rehabilitator").text)
        assert "We expect about 5 light juveniles in reach of that check. We count every" in said
        assert "A litter counts as one." not in said
        assert "A litter counts as one." in flat(letter(with_litter).text)

    def test_young_with_their_mother_are_told_apart(self, autumn, make, letter):
        young = make.litter(MONDAY, "7", (8.5, 9.0, 10.0), with_mother=True)
        family = autumn.model_copy(update={"animals": (*autumn.animals, *young)})
        said = flat(letter(family, "rehabilitator").text)
        assert "We expect about 3 light juveniles" in said
        assert "About 3 light young are with the mother. They stay with her" in said
        only = flat(letter(autumn.model_copy(update={"animals": young}), "rehabilitator").text)
        assert "About 3 light young are with the mother." in only


class TestSpringDates:
    def test_our_own_floor_is_no_forecast(self, spring, make, letter, sp):
        month, day = (int(part) for part in sp.food.early_floor)
        text = flat(letter(self.dated(spring, make, first=dt.date(2026, month, day))).text)
        assert f"We do not count food before {day} March." in text
        assert "The first food should" not in text
        assert "Enough food should come about 17 April." in text

    def test_what_lies_behind_is_told_as_past(self, spring, make, letter):
        text = flat(
            letter(
                self.dated(spring, make, first=dt.date(2026, 3, 20), awake=dt.date(2026, 3, 25))
            ).text
        )
        assert "The first food should have come about 20 March." in text
        assert "animals have been awake from about 25 March on" in text
        assert "Enough food should come about 17 April." in text

    def test_what_lies_ahead_is_told_as_ahead(self, spring, letter):
        text = flat(letter(spring).text)
        assert "We expect animals awake from about 5 April." in text
        assert "The first food should come about 2 April." in text

    def test_food_that_is_there(self, spring, make, letter):
        later = self.dated(spring, make, first=dt.date(2026, 3, 20), food=dt.date(2026, 3, 28))
        text = flat(letter(later, "rehabilitator").text)
        assert "Enough food should have come about 28 March." in text
        assert "An animal let go before then" not in text

    @staticmethod
    def dated(spring, make, **dates):
        names = {"first": "first_food_date", "food": "food_date", "awake": "emergence"}
        risk = spring.risk("spring_food")
        changed = {names[key]: DateQuantity(value=value) for key, value in dates.items()}
        new = risk.model_copy(update={"dates": {**risk.dates, **changed}})
        risks = tuple(new if r.id == "spring_food" else r for r in spring.risks)
        return spring.model_copy(update={"risks": risks})


class TestSaidAloud:
    def test_how_to_open_a_box_is_not_said_to_who_stays_away(self, autumn, winter, spring, letter):
        how = "Open no box in heavy rain or strong wind."
        assert how in flat(letter(autumn).text)
        assert how in flat(letter(spring).text)
        assert how not in flat(letter(winter).text)

    def test_parts_that_do_not_add_up_are_left_out(self, winter, make, letter):
        assert "Of the 6.2 days more, 3.1 come from more wakings." in flat(letter(winter).text)
        risk = winter.risk("winter_arousal")
        unknown = {
            name: make.quantity(None, "day of reserve", reason="too_little_to_split")
            for name in ("from_more_arousals", "from_dearer_torpor", "from_dearer_waking")
        }
        new = risk.model_copy(update={"quantities": {**risk.quantities, **unknown}})
        risks = tuple(new if r.id == "winter_arousal" else r for r in winter.risks)
        text = flat(letter(winter.model_copy(update={"risks": risks})).text)
        assert "days more" not in text.split("Normal for these dates is 14.")[1].split(".")[0]
        assert "not known" not in text.split("Why")[1].split("Your animals")[0]

    def test_the_number_belongs_to_the_most_affected(self, autumn, letter):
        for role in ROLES:
            text = flat(letter(autumn, role).text)
            assert "that the most affected animal is under 15 g" in text
            assert "lightest animal" not in text

    def test_an_old_forecast_comes_before_everything_else(self, troubled, letter):
        for role in ROLES:
            text = flat(letter(troubled, role).text)
            care = text.index("Take this letter with care. The forecast behind it is 60 hours old")
            assert care < text.index("Why ---")

    def test_rows_of_the_sheet_five_at_most_with_remedy(self, troubled, letter):
        text = flat(letter(troubled).text)
        assert text.count("Correct the sheet, or set weights.unit.") == 5
        assert '- weights.xlsx, row 17, body_mass_g "195": an adult weighs 10 to 45 g.' in text
        assert "2 more rows are in the list beside this run." in text
        assert "We read the comma in a weight as a decimal point (weights.xlsx, 3 cells)." in text
        for role in ("coordinator", "rehabilitator"):
            assert "Rows of your sheet" not in letter(troubled, role).text

    def test_no_rows_no_heading(self, autumn, letter):
        assert "Rows of your sheet" not in letter(autumn).text

    def test_no_weights_is_said(self, make, letter):
        bare = make.assessment(
            MONDAY,
            risks=(make.no_data("autumn_mass", "no_weights"),),
            records=RecordsUsed(files=("weights.xlsx",), rows=0, used=0, last_check=None),
        )
        written = letter(bare)
        assert written.first_line == (
            "Keep your box check on 22 November and bring scales. We have no weights to judge by."
        )
        text = flat(written.text)
        assert "not enough data. We have no weights we can use" in text
        assert "No animal to show." in text
        assert "The sheet holds no box check we could use." in text

    def test_a_risk_not_asked_now_says_when_it_is(self, autumn, letter):
        text = flat(letter(autumn).text)
        assert (
            "Reserve spent in the days ahead: not asked now, only from 15 November to 5 April."
            in text
        )

    def test_a_held_level_says_why(self, make, letter):
        near = make.risk(
            "winter_arousal",
            "moderate",
            likelihood=0.34,
            consequence=make.quantity(1.6, "day of reserve"),
        )
        held = letter(
            make.assessment(dt.date(2026, 1, 12), risks=(near,)),
            previous={"monitor": PreviousLevel(level="steady", raw_level="steady")},
        )
        assert "Today's numbers alone say watch." in flat(held.text)
        assert "we stay with steady until the next run" in flat(held.text)

    def test_weather_without_a_source_or_a_date_is_said(self, make, letter):
        bare = make.weather(
            MONDAY, reference_time=None, age_hours=None, licence="", attribution=(), stale=True
        )
        text = flat(letter(make.assessment(MONDAY, weather=bare)).text)
        assert "The weather files name no source." in text
        assert "The forecast does not say when it was made." in text
        assert "We do not know how old the forecast behind it is." in text

    def test_times_are_those_of_the_wall(self, spring, letter):
        text = flat(letter(spring).text)
        assert "The forecast is from Monday 30 March 2026, 07:00 BST, 12 hours before." in text


def test_foreign_text_is_escaped_and_kept_on_its_line(autumn, letter):
    site = autumn.site.model_copy(update={"name": "Wood <b>\n# Cautions\n- none"})
    weather = autumn.weather.model_copy(
        update={"attribution": ('Weather by <i>"us"</i> https://example.org/a?b=1&c=2.',)}
    )
    written = letter(autumn.model_copy(update={"site": site, "weather": weather}), "coordinator")
    assert "\n" not in written.subject
    assert "<b>" not in written.html
    assert "&lt;b&gt;" in written.html
    assert '<a href="https://example.org/a?b=1&amp;c=2" ' in written.html
    assert written.text.count("\nCautions\n") == 1


def test_one_letter_a_role(autumn, visits, sp):
    advice = advise(autumn, visits, sp, roles=("coordinator", "rehabilitator"))
    assert [one.role for one in letters(autumn, advice, visits, sp)] == [
        "coordinator",
        "rehabilitator",
    ]


def test_same_numbers_same_bytes(troubled, letter):
    assert letter(troubled) == letter(troubled)


class TestShortText:
    @pytest.fixture
    def text(self, troubled, visits, sp):
        return short_text(troubled, advise(troubled, visits, sp))

    def test_first_line_of_each_role_then_risks_then_animals(self, text):
        said = flat(text)
        order = (
            "Alder Hanger (demonstration), Monday 27 October 2025, 18:00 GMT",
            "Monitor (act) Check the boxes on Saturday 1 November",
            "Coordinator (act) Ring the monitor",
            "Rehabilitator (act) Make room for",
            "Too light for winter: high concern, very likely (19 in 20)",
            "Reserve spent in the days ahead: not asked now.",
            "Most urgent animals Box 15, b, weighed 18 October: 9 g.",
        )
        places = [said.index(piece) for piece in order]
        assert places == sorted(places)

    def test_three_animals_within_the_width(self, text):
        assert text.count("With no food its reserve ends") == 3
        assert max(map(len, text.splitlines())) <= 78

    def test_no_animals(self, make, visits, sp):
        bare = make.assessment(MONDAY, risks=(make.no_data("autumn_mass", "no_weights"),))
        text = short_text(bare, advise(bare, visits, sp))
        assert "No weighed animal to show." in text
        assert "not enough data. We have no weights" in flat(text)
