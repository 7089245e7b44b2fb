"""Letters are read on a phone, in a car park, by people who are not statisticians.

Limits: sentences of at most 25 words (GOV.UK style), mean at most 15, automated readability
index at most 8 over the mail. ARI = 4.71 characters/words + 0.5 words/sentences - 21.43
(Senter & Smith 1967), counted here: letters and digits are the characters.
"""

from __future__ import annotations

import datetime as dt
import itertools
import re
from typing import Any

import pytest

from riskcast.advice import ROLES, advise, letters

SEASONS = ("autumn", "winter", "spring")
MOST_WORDS, MEAN_WORDS, MOST_ARI = 25, 15, 8

JARGON = [
    "ensemble",
    "quantile",
    "percentile",
    "median",
    "stochastic",
    "probability",
    "parameter",
    "euthermi",
    "q10",
    "metabol",
    "phenolog",
    "hindcast",
    "posterior",
    "calibrat",
    "provisional",
    "hypotherm",
    "photoperiod",
    "thermal",
    "respirom",
    "algorithm",
    "simulat",
    "threshold",
    "anomal",
    "climatolog",
    "baseline",
    "mitigat",
    "optimi",
    "utili",
    "leverag",
    "robust",
]
# Other words for what the glossary names: box, young, waking, reserve, likelihood, concern.
SYNONYMS = [
    "nestbox",
    "tube",
    "pup",
    "cub",
    "kit",
    "offspring",
    "hatchling",
    "awakening",
    "arousal",
    "hibernacul",
    "danger",
    "hazard",
    "threat",
    "severity",
    "chance",
    "odds",
    "probab",
    "starv",
    "mortal",
    "surviv",
]


def sentences(text: str) -> list[str]:
    """Sentences of a letter. Addresses are not prose; headings and items end a sentence."""
    text = re.sub(r"https?://\S+", "", text)
    lines: list[str] = []
    for line in text.splitlines():
        if re.fullmatch(r"-+", line) or not line.strip():
            lines.append(".")
        elif line.startswith("- "):
            lines.append(". " + line[2:])
        else:
            lines.append(line)
    body = re.sub(r"(?<=\d)\.(?=\d)", "", " ".join(lines))  # a decimal point ends nothing
    parts = re.split(r"[.!?]+", body)
    return [part.strip() for part in parts if re.search(r"\w", part)]


def words(sentence: str) -> list[str]:
    return re.findall(r"[\w'’°%−-]*\w[\w'’°%-]*", sentence)


def readability_index(text: str) -> float:
    found = sentences(text)
    every = [word for sentence in found for word in words(sentence)]
    characters = sum(sum(c.isalnum() for c in word) for word in every)
    return 4.71 * characters / len(every) + 0.5 * len(every) / len(found) - 21.43


def test_the_counter_counts():
    text = "We met the dog. It ran to the box at 9.5 g!\n\n\nWhy\n---\n- One two, https://a.b/c.d\n"
    assert [len(words(s)) for s in sentences(text)] == [4, 8, 1, 2]
    assert readability_index("The cat sat. The dog ran.") == pytest.approx(
        4.71 * 18 / 6 + 0.5 * 6 / 2 - 21.43
    )


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("season", SEASONS)
class TestEveryLetter:
    @pytest.fixture
    def text(self, season: str, role: str, request: Any, letter: Any) -> str:
        return str(letter(request.getfixturevalue(season), role).text)

    def test_no_long_sentence(self, text):
        assert [s for s in sentences(text) if len(words(s)) > MOST_WORDS] == []

    def test_short_on_average(self, text):
        counts = [len(words(s)) for s in sentences(text)]
        assert sum(counts) / len(counts) <= MEAN_WORDS

    def test_easy_to_read(self, text):
        assert readability_index(text) <= MOST_ARI

    def test_no_jargon(self, text):
        assert [word for word in JARGON if word in text.lower()] == []

    def test_one_name_per_idea(self, text):
        found = re.findall(rf"\b(?:{'|'.join(SYNONYMS)})\w*", text.lower())
        assert found == []

    def test_lines_fit(self, text):
        long = [line for line in text.splitlines() if len(line) > 78 and "://" not in line]
        assert long == []


@pytest.mark.parametrize("role", ROLES)
def test_with_shares_and_everything_wrong_it_stays_readable(role, troubled, letter):
    text = letter(troubled, role).text
    assert [s for s in sentences(text) if len(words(s)) > MOST_WORDS] == []
    assert readability_index(text) <= MOST_ARI


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("season", SEASONS)
@pytest.mark.parametrize("with_mother", [False, True])
def test_with_litters_and_reserves_that_may_be_gone(
    role, season, with_mother, request, make, letter
):
    assessment = request.getfixturevalue(season)
    over = {"none": make.quantity(-9.0), "found": make.quantity(-2.0)}
    young = (
        *make.litter(assessment.issued_on, "7", (8.5, 9.0, 10.0), with_mother=with_mother),
        *make.litter(assessment.issued_on, "8", (8.0, 9.0), days_in_hand=over),
    )
    reference = assessment.reference_animal.model_copy(update={"days_in_hand": over})
    changed = {"animals": (*assessment.animals, *young), "reference_animal": reference}
    text = letter(assessment.model_copy(update=changed), role).text
    counts = [len(words(sentence)) for sentence in sentences(text)]
    assert max(counts) <= MOST_WORDS
    assert sum(counts) / len(counts) <= MEAN_WORDS
    assert readability_index(text) <= MOST_ARI


ANSWERS = (None, "low", "moderate", "high", "no_data")
DATES = (dt.date(2025, 9, 20), dt.date(2025, 10, 27), dt.date(2026, 1, 12), dt.date(2026, 4, 6))
# Every 13th of the 625 mixes: 13 and 5 have no common factor, so each answer meets each other.
MIXES = list(itertools.product(ANSWERS, repeat=4))[::13]


@pytest.mark.parametrize("mix", MIXES, ids=lambda mix: "-".join(map(str, mix)))
def test_any_mix_of_risks_gives_three_plain_letters(mix, make, visits, sp):
    issued_on = DATES[MIXES.index(mix) % len(DATES)]
    ids = ("autumn_mass", "winter_arousal", "winter_reserve", "spring_food")
    codes = ("no_weights", "series_too_short", "no_past_years", "no_food_date")
    risks = tuple(
        make.no_data(name, code) if answer == "no_data" else make.risk(name, answer)
        for name, code, answer in zip(ids, codes, mix, strict=True)
    )
    animals = make.autumn_animals(issued_on)
    assessment = make.assessment(issued_on, risks=risks, animals=animals)
    written = letters(assessment, advise(assessment, visits, sp), visits, sp)
    assert [letter.role for letter in written] == list(ROLES)
    for letter in written:
        assert [s for s in sentences(letter.text) if len(words(s)) > MOST_WORDS] == []
        assert readability_index(letter.text) <= MOST_ARI
        assert len(letter.subject) <= 78
        assert len(sentences(letter.first_line)) == 2
