"""The demonstration on its three dates: what the first lines say, and the chain behind them.

Dates and words are those the scenario is built to show; every number is compared with the
assessment it must have come from.
"""

from __future__ import annotations

import datetime as dt
import re
import sys

import numpy as np
import pytest
from click.testing import CliRunner

from riskcast import report
from riskcast.advice import units
from riskcast.base.nights import local_date
from riskcast.cli.app import app
from riskcast.pipeline.day_by_day import day_by_day
from riskcast.pipeline.other_luck import what_moves

SATURDAY, PLANNED, IN_SPRING = dt.date(2025, 11, 1), dt.date(2025, 11, 22), dt.date(2026, 4, 18)


class TestAutumn:
    """27 October 2025: a late litter is light, and the cold comes before the planned visit."""

    @pytest.fixture
    def seen(self, full_run, dates):
        return full_run(dates[0])

    def test_monitor_is_asked_to_come_on_saturday(self, seen):
        assert seen.letter("monitor").first_line == (
            "Check the boxes on Saturday 1 November, not on the 22nd, if your licence and team "
            "allow. Settle it by Wednesday."
        )

    def test_the_days_are_those_of_the_advice(self, seen):
        advice = seen.advice("monitor")
        assert (advice.visit_day, advice.replaces) == (SATURDAY, PLANNED)
        notice = seen.run.forecast.site.visits.notice_days
        assert advice.by_date == SATURDAY - dt.timedelta(days=notice + 1)
        assert advice.level == "act"

    def test_the_new_day_keeps_the_gap_after_the_last_check(self, seen):
        last = seen.assessment.records.last_check
        assert last == dt.date(2025, 10, 18)
        assert (SATURDAY - last).days >= seen.run.forecast.site.visits.min_gap_days

    def test_more_of_the_light_animals_are_in_reach_on_the_new_day(self, seen):
        """Counted again here: litter mates in one box are one, the others count singly."""
        days = seen.assessment.calendar.days
        reach = {}
        for day in (SATURDAY, PLANNED):
            units: dict[str, float] = {}
            for animal in seen.assessment.animals:
                if animal.ranked:
                    unit = f"box {animal.box}" if animal.litter else animal.key
                    share = animal.short_and_out[days.index(day)]
                    units[unit] = max(units.get(unit, 0.0), share)
            reach[day] = sum(units.values())
        reason = next(r for r in seen.advice("monitor").reasons if r.code == "better_day")
        assert reason.numbers["in_reach"] == pytest.approx(reach[SATURDAY])
        assert reason.numbers["planned_in_reach"] == pytest.approx(reach[PLANNED])
        assert reach[SATURDAY] >= 1.5 * reach[PLANNED]

    def test_boxes_of_the_late_young_come_first(self, seen):
        assert set(seen.advice("monitor").boxes) == {"7", "14", "27", "41"}
        text = " ".join(seen.letter("monitor").text.split())
        assert "Open first: boxes" in text

    def test_coordinator_and_rehabilitator_hear_of_the_same_day(self, seen):
        coordinator = seen.letter("coordinator").first_line
        assert coordinator.startswith("Ring the monitor of Alder Hanger (demonstration) by Wed")
        assert "Saturday 1 November" in coordinator
        expected = seen.advice("rehabilitator").expected_animals
        line = seen.letter("rehabilitator").first_line
        assert line.startswith(f"Make room for about {expected:.0f} light juvenile")
        assert "by Saturday 1 November" in line

    def test_winter_and_spring_are_not_asked_about(self, seen):
        status = {risk.id: risk.status for risk in seen.assessment.risks}
        assert status.pop("autumn_mass") == "assessed"
        assert set(status.values()) == {"not_asked_now"}


class TestWinter:
    """12 January 2026: a warm spell is due while everything sleeps on the ground."""

    @pytest.fixture
    def seen(self, full_run, dates):
        return full_run(dates[1])

    def test_monitor_is_asked_to_stay_away(self, seen):
        assert seen.letter("monitor").first_line == (
            "Stay away from the nests: no box check can help in the warm spell of "
            "14 to 21 January. We look again on the 19th."
        )

    def test_the_dates_are_those_of_the_numbers(self, seen):
        spell = seen.assessment.warm_spell
        assert (spell.start, spell.end) == (dt.date(2026, 1, 14), dt.date(2026, 1, 21))
        assert spell.days == 8
        assert seen.advice("monitor").look_again == dt.date(2026, 1, 19)

    def test_the_spell_costs_more_than_the_same_days_of_past_years(self, seen):
        risk = seen.risk("winter_arousal")
        assert risk.status == "assessed"
        assert risk.concern == "high"
        assert risk.quantities["rank"].value <= 3
        parts = [risk.quantities[f"from_{p}"].value
                 for p in ("more_arousals", "dearer_torpor", "dearer_waking")]  # fmt: skip
        assert all(part > 0 for part in parts)
        assert sum(parts) == pytest.approx(risk.quantities["extra_days"].value, abs=0.01)

    def test_nobody_is_asked_to_go(self, seen):
        """Animals in ground nests: never above plan, and no visit day for anyone."""
        assert all(level in ("steady", "watch", "plan") for level in seen.run.levels.values())
        assert all(one.visit_day is None for one in seen.run.advice)

    def test_releases_wait_for_food_and_not_for_the_end_of_the_spell(self, seen):
        food = seen.risk("winter_reserve").dates["food_date"].value
        line = seen.letter("rehabilitator").first_line
        assert line.startswith(
            "Release none now, nor right after the warm spell of 14 to 21 January: "
            f"enough food comes about {food.day} {food:%B}."
        )
        assert seen.advice("rehabilitator").until == food > dt.date(2026, 3, 1)
        assert "21 Jan" not in seen.letter("rehabilitator").subject

    def test_what_may_be_over_is_told_as_past(self, seen):
        gone = [a for a in seen.assessment.animals
                if a.ranked and a.days_in_hand["none"].value < 0]  # fmt: skip
        assert gone
        text = " ".join(seen.letter("monitor").text.split())
        assert f"the reserve of {len(gone)} animals may be gone by now" in text
        assert text.count("its reserve may have ended") == min(len(gone), 8)


class TestSpring:
    """30 March 2026: awake early, food late."""

    @pytest.fixture
    def seen(self, full_run, dates):
        return full_run(dates[2])

    def test_monitor_keeps_the_visit_and_brings_scales(self, seen):
        gap = seen.risk("spring_food").quantities["food_gap_days"].value
        assert seen.letter("monitor").first_line == (
            "Keep your box check on 18 April and bring scales. "
            f"Animals may be awake {round(gap)} days before there is enough food."
        )
        assert gap > 7
        assert seen.advice("monitor").by_date == dt.date(2026, 4, 15)
        assert seen.advice("monitor").visit_day == IN_SPRING

    def test_the_gap_is_that_of_the_futures(self, seen):
        evidence = seen.run.forecast.evidence
        gap = (evidence.food["food_date"] - evidence.emergence) / np.timedelta64(1, "D")
        stated = seen.risk("spring_food").quantities["food_gap_days"]
        assert stated.value == pytest.approx(float(gap.median()), abs=0.01)
        share = float((gap > 7.0).where(gap.notnull()).mean())
        assert seen.risk("spring_food").likelihood == pytest.approx(share, abs=0.001)

    def test_releases_wait_for_food(self, seen):
        food = seen.risk("spring_food").dates["food_date"].value
        line = seen.letter("rehabilitator").first_line
        assert line.startswith(f"Hold back releases until about {food.day} {food:%B}")

    def test_autumn_is_not_asked_about(self, seen):
        assert seen.risk("autumn_mass").status == "not_asked_now"


def test_every_first_line_answers_what_and_when(each_run):
    """At most two short sentences, with a date in them."""
    for letter in each_run.run.letters:
        sentences = re.findall(r"[^.!?]+[.!?]", letter.first_line)
        assert 1 <= len(sentences) <= 2
        assert re.search(r"\d", letter.first_line)
        assert letter.text.split("\n\n")[0].replace("\n", " ") == letter.first_line


def test_the_printed_text_says_the_same(each_run):
    printed = " ".join(each_run.run.short_text.split())
    for letter in each_run.run.letters:
        assert " ".join(letter.first_line.split()) in printed


# --- explain: the chain's numbers are the assessment's ---------------------------------------

NUMBER = r"(−?-?\d+(?:\.\d+)?)"


def chain_of(seen, animal, **more):
    made = seen.run.forecast
    return report.chain(animal, made.evidence, made.assessment, made.nest, made.sp, **more)


def printed_after(text, words):
    """The three numbers `a (b to c)`, or the one number, that stand behind some words."""
    found = re.search(
        rf"{words} (?:at least )?{NUMBER}(?: \({NUMBER} to {NUMBER}\))?", text, re.MULTILINE
    )
    assert found, f"{words} is in the chain"
    return [float(group) for group in found.groups() if group is not None]


def numbers_of(quantity):
    """As explain prints them: days whole from ten on and to a tenth below, others to 3 digits."""
    spread = [quantity.value, quantity.low, quantity.high]
    shown = spread[:1] if quantity.low == quantity.high else spread
    if quantity.unit == "day":
        return [round(value, 0 if abs(value) >= 10 else 1) for value in shown]
    return [float(f"{value:.3g}") for value in shown]


@pytest.mark.parametrize("which", [0, 3, -1, "reference"])
def test_the_chain_ends_in_the_numbers_of_the_assessment(each_run, which):
    ranked = [animal for animal in each_run.assessment.animals if animal.ranked]
    reference = each_run.assessment.reference_animal
    animal = reference if which == "reference" else ranked[which]
    text = chain_of(each_run, animal)
    result = text[text.index("8  Result") :]
    for words, feeding in (("no food found:", "none"), ("   food found:", "found")):
        line = next(line for line in result.splitlines() if words in line)
        for quantity, what in (
            (animal.days_in_hand[feeding], "days in hand"),
            (animal.days_to_spare[feeding], "days to spare"),
        ):
            assert printed_after(line, what) == pytest.approx(numbers_of(quantity), rel=1e-3)
            assert ("at least" in line.split(what)[1].split(",")[0]) is quantity.at_least
    normal = printed_after(result, "against this site's normal winter")
    assert normal == pytest.approx(numbers_of(animal.days_vs_normal), rel=1e-3)
    if animal is reference:
        return
    others = printed_after(result, "against the reference animal")
    assert others == pytest.approx(numbers_of(animal.days_vs_reference), rel=1e-3)
    assert f"{animal.body_mass_g:g} g on {animal.event_date}" in text
    assert printed_after(text, "gain expected") == pytest.approx(
        numbers_of(animal.gain_expected), rel=1e-3
    )
    assert printed_after(text, "mass then") == pytest.approx(
        numbers_of(animal.mass_at_onset), rel=1e-3
    )
    onset = animal.onset
    assert f"onset {onset.value} ({onset.low} to {onset.high})" in text
    share = int(re.search(r"below target at onset in (\d+)%", text).group(1))
    assert share == pytest.approx(100 * animal.share_short, abs=0.51)


def test_the_chain_names_the_dates_of_spring(full_run, dates):
    seen = full_run(dates[2])
    text = chain_of(seen, seen.assessment.reference_animal)
    stated = seen.risk("spring_food").dates
    for words, name in (
        ("first food", "first_food_date"),
        ("enough food", "food_date"),
        ("emergence", "emergence"),
    ):
        quantity = stated[name]
        assert f"{words} {quantity.value} ({quantity.low} to {quantity.high})" in text


def test_the_chain_states_the_nest_it_used(each_run):
    made = each_run.run.forecast
    animal = each_run.assessment.reference_animal
    onset = made.evidence.reference_onset
    assert local_date(onset, made.evidence.timezone) == animal.onset.value
    inside = made.nest.sel(time=slice(np.datetime64(animal.onset.value, "ns"), None))
    text = chain_of(each_run, animal)
    nest, air = printed_after(text, "   mean")[0], printed_after(text, r"°C \(air")[0]
    assert nest == pytest.approx(float(inside.mean()), abs=0.051)
    outside = made.evidence.futures["air_temperature"].sel(time=inside.time)
    assert air == pytest.approx(float(outside.mean()), abs=0.051)
    shares = re.search(r"torpor (\d+)%, waking (\d+)%", text)
    assert sum(map(int, shares.groups())) in (99, 100, 101)


def test_the_chain_lists_every_parameter_it_used_with_status_and_source(each_run):
    made = each_run.run.forecast
    text = chain_of(each_run, each_run.assessment.reference_animal)
    steps = ("autumn", "onset", "emergence", "nest", "torpor", "arousal", "reserve", "food", "risk")
    for name, parameter in made.sp.parameters.items():
        if name.split(".")[0] in steps and parameter.use == "model":
            assert re.search(rf"^ +{re.escape(name)} = .*\| {parameter.status} \| "
                             rf"{parameter.source}:", text, re.MULTILINE), name  # fmt: skip
    for status in ("published", "derived", "surrogate", "common-practice", "provisional"):
        assert f"| {status} |" in text
    sources = text[text.index("\nSources\n") :]
    assert "Csorba" in sources
    assert "Pretzlaff" in sources


def test_the_days_are_those_of_the_futures_of_the_assessment(full_run, dates):
    """Day by day the same futures: their end, and so the days in hand, are the assessment's."""
    made = full_run(dates[1]).run.forecast
    ranked = next(a for a in made.assessment.animals if a.days_in_hand["none"].value is not None)
    for animal in (made.assessment.reference_animal, ranked):
        days = day_by_day(made, animal)
        for feeding in ("none", "found"):
            course = made.evidence.winter[feeding].sel(animal=animal.key, drop=True)
            for name in course.data_vars:
                given, again = course[name], days.winter[feeding][name]
                if given.dtype.kind == "M":
                    assert bool((given.isnull() == again.isnull()).all())
                    apart = abs(given - again).max() / np.timedelta64(1, "s")
                    assert not float(apart) > 1
                else:
                    np.testing.assert_allclose(again, given, rtol=1e-9)
            last = days.winter[feeding]["daily_body_mass_g"].isel(day=-1).sel(quantile=0.5)
            assert float(last) == pytest.approx(float(course["body_mass_g"].median()), abs=0.05)
        # What is told of the weeks is the assessment's too: half gone when the median says so.
        in_hand = animal.days_in_hand["none"]
        if not in_hand.at_least:
            until = days.issued_at + np.timedelta64(int(in_hand.value * 86_400), "s")
            some = np.array([until.astype("datetime64[D]")])
            unfed = days.winter["none"]["reserve_empty"]
            assert days.share_by(unfed, some - 2)[0] <= 0.5 <= days.share_by(unfed, some + 2)[0]


def test_explain_follows_each_date(each_run, monkeypatch):
    """The command prints the chain of the very run: what it computes is the same forecast."""
    views = sys.modules["riskcast.pipeline.views"]
    made = each_run.run.forecast

    def already_made(site, now, **_):
        assert site == made.site
        assert now.issued_at == made.moment.issued_at
        return made

    monkeypatch.setattr(views, "_forecast", already_made)
    day = each_run.assessment.issued_on.isoformat()
    call = ["explain", str(each_run.site), "--as-of", day]
    most_urgent = CliRunner().invoke(app, call)
    assert most_urgent.exit_code == 0, most_urgent.output
    first = units(each_run.assessment.animals)[0].animal
    days = day_by_day(made, first)
    expected = chain_of(each_run, first, moves=what_moves(made, first), days=days)
    assert most_urgent.stdout.rstrip() == expected.rstrip()
    assert "9  What moves this number most" in expected
    assert "10  Week by week for box 14" in expected or "10  Week by week for animal" in expected
    one = CliRunner().invoke(app, [*call, "--animal", "K13"])
    assert one.exit_code == 0
    assert "animal K13, box 14, weighed 18 October" in one.stdout.splitlines()[0]
    litter = CliRunner().invoke(app, [*call, "--animal", "box 14"])
    assert litter.exit_code == 2
    assert litter.stderr.count("box 14") >= 5


def test_the_chain_says_where_a_rule_of_ours_dates_the_first_food(each_run):
    """In this climate hazel would be out in winter: its food is not believed before 1 March."""
    text = chain_of(each_run, each_run.assessment.reference_animal)
    dates = each_run.run.forecast.evidence.food["first_food_date"].values.ravel()
    # In March noon UTC and local noon are on one day here.
    held = float((dates.astype("datetime64[D]") == np.datetime64("2026-03-01")).mean())
    assert held > 0
    assert f"not believed before 1 March (food.early_floor): so in {held:.0%} of futures" in text
