"""What is told of the weather: everywhere, in letters, or to the keeper alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import riskcast.weather
from riskcast.advice import (
    advise,
    keeper_notes,
    note_sentences,
    short_text,
    weather_sentences,
)
from riskcast.advice.sentences import environment
from riskcast.risk import Reason

STALE = Reason(code="stale_forecast", numbers={"age_hours": 60.0, "max_age_hours": 36.0})
FEW = Reason(code="history_incomplete", numbers={"have": 7, "asked": 20})
FAILED = Reason(
    code="source_failed",
    numbers={"source": "secret-wood.csv", "problem": "open-meteo: no answer in 25 s."},
)
FULL = Reason(code="cache_not_kept", numbers={"problem": "No space left on device."})
SKEW = Reason(code="clock_skew", numbers={"hours": 3.0, "service": "open-meteo"})


@pytest.fixture
def told(autumn):
    """The autumn with these notes on its weather."""

    def with_notes(*notes):
        weather = autumn.weather.model_copy(update={"notes": notes})
        return autumn.model_copy(update={"weather": weather})

    return with_notes


def flat(text):
    return " ".join(text.split())


def test_age_is_told_everywhere_and_nothing_else_while_all_is_well(told):
    (age,) = weather_sentences(told(FULL, SKEW))
    assert age == "The forecast is from Monday 27 October 2025, 06:00 GMT, 12 hours before."


def test_old_and_unfinished_weather_is_told_everywhere(told, visits, sp):
    assessment = told(STALE, FEW)
    said = weather_sentences(assessment)
    assert said[1:] == (
        "The forecast is old: 60 hours, and our limit is 36.",
        "We have 7 of 20 past years so far. The rest comes with the next days' runs.",
    )
    short = flat(short_text(assessment, advise(assessment, visits, sp, roles=("monitor",))))
    for sentence in said:
        assert sentence in short


def test_weather_that_is_not_fresh_is_told_everywhere(told, visits, sp):
    """An outage takes all of a provider's sources at once: one sentence for all of them."""
    sources = ("open-meteo ensemble", "open-meteo forecast", "met-norway", "met-norway")
    notes = [
        Reason(code="source_failed", numbers={"source": source, "problem": "It is silent."})
        for source in sources
    ]
    assessment = told(notes[0], FEW, *notes[1:])
    expected = (
        "We could not have fresh weather from open-meteo ensemble, open-meteo forecast and"
        " met-norway, and used what else we had."
    )
    assert weather_sentences(assessment)[1] == expected
    assert len(weather_sentences(assessment)) == 3
    short = flat(short_text(assessment, advise(assessment, visits, sp, roles=("monitor",))))
    assert expected in short


@pytest.mark.parametrize("role", ["monitor", "coordinator", "rehabilitator"])
def test_several_failures_make_one_sentence_of_a_letter(told, letter, role):
    other = Reason(code="source_failed", numbers={"source": "met-norway", "problem": "Silent."})
    text = flat(letter(told(FAILED, FEW, other), role).text)
    assert text.count("and used what else we had") == 1
    assert ("from some sources" in text) == (role == "rehabilitator")
    assert ("from secret-wood.csv and met-norway" in text) == (role != "rehabilitator")


@pytest.mark.parametrize("role", ["monitor", "coordinator", "rehabilitator"])
def test_letters_tell_it_too_and_spare_people_the_keepers_trouble(told, letter, role):
    text = flat(letter(told(STALE, FEW, FAILED, FULL, SKEW), role).text)
    assert "60 hours, and our limit is 36" in text
    assert "7 of 20 past years so far" in text
    assert "and used what else we had" in text
    assert "our clock" not in text.lower()
    assert "keep what was fetched" not in text


def test_the_rehabilitator_is_told_no_name_of_a_file(told, letter):
    assert "secret-wood" in letter(told(FAILED), "monitor").text
    assert "secret-wood" not in letter(told(FAILED), "rehabilitator").text


def test_the_keeper_hears_why_and_the_way_out(told):
    said = keeper_notes((STALE, FEW, FAILED, FULL, SKEW))
    assert len(said) == 3
    assert "open-meteo: no answer in 25 s." in said[0]
    assert "No space left on device. See to the folder weather.cache." in said[1]
    assert "differ by 3 hours." in said[2]
    assert "Set the clock" in said[2]
    (hour,) = keeper_notes([Reason(code="clock_skew", numbers={**SKEW.numbers, "hours": -1.0})])
    assert "differ by 1 hour." in hour
    assert "run again tomorrow" in note_sentences([FEW])[0]


def test_every_code_of_the_weather_room_has_its_sentence():
    """A note nobody can put into words would stop a run at its last step."""
    room = Path(riskcast.weather.__file__).parent
    told = set(dir(environment().get_template("reasons.j2").module))
    codes = {
        code
        for path in room.rglob("*.py")
        for code in re.findall(r'\bNote\(\s*"(\w+)"', path.read_text("utf-8"))
    }
    assert len(codes) > 20
    assert codes <= told
