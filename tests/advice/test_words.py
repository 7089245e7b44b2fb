"""Numbers and dates as people say them."""

from __future__ import annotations

import datetime as dt

import pytest

from riskcast.advice import words

NOV_1, NOV_22 = dt.date(2025, 11, 1), dt.date(2025, 11, 22)


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (1, "1st"),
        (2, "2nd"),
        (3, "3rd"),
        (4, "4th"),
        (11, "11th"),
        (12, "12th"),
        (13, "13th"),
        (21, "21st"),
        (22, "22nd"),
        (30, "30th"),
        (111, "111th"),
    ],
)
def test_ordinal(number, said):
    assert words.ordinal(number) == said


def test_dates():
    assert words.date(NOV_22) == "22 November"
    assert words.day("2025-11-01") == "Saturday 1 November"
    assert words.short_day(NOV_1) == "Sat 1 Nov"
    assert words.near(NOV_22, NOV_1) == "the 22nd"
    assert words.near(dt.date(2025, 12, 6), NOV_1) == "6 December"
    assert words.near(dt.date(2026, 11, 22), NOV_1) == "22 November"
    assert words.span("2026-01-14", "2026-01-21") == "14 to 21 January"
    assert words.span("2026-01-28", "2026-02-04") == "28 January to 4 February"


def test_a_last_day_is_a_weekday_within_the_week():
    monday = dt.date(2025, 10, 27)
    assert words.by("2025-10-29", monday) == "Wednesday"
    assert words.by("2025-11-02", monday) == "Sunday"
    assert words.by("2025-11-03", monday) == "Monday 3 November"
    assert words.by(monday, monday) == "the end of today"


def test_clock_is_the_wall_of_the_site():
    summer = dt.datetime(2026, 3, 30, 6, 0, tzinfo=dt.UTC)
    assert words.clock(summer, "Europe/London") == "Monday 30 March 2026, 07:00 BST"
    assert words.clock(summer.replace(tzinfo=None), "Europe/London").endswith("07:00 BST")
    winter = dt.datetime(2026, 1, 12, 23, 30, tzinfo=dt.UTC)
    assert words.clock(winter, "Europe/Berlin") == "Tuesday 13 January 2026, 00:30 CET"


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "fewer than 1 in 20"),
        (0.049, "fewer than 1 in 20"),
        (0.05, "1 in 20"),
        (0.08, "1 in 10"),
        (0.249, "2 in 10"),
        (0.25, "3 in 10"),
        (0.7, "7 in 10"),
        (0.92, "9 in 10"),
        (0.94, "19 in 20"),
        (0.95, "19 in 20"),
        (0.951, "more than 19 in 20"),
        (1.0, "more than 19 in 20"),
    ],
)
def test_shares_are_never_none_and_never_all(share, said):
    assert words.tenths(share) == said


def test_no_share_is_told_as_0_or_10_of_10():
    told = {words.in_ten(i / 1000) for i in range(1001)}
    assert not {text for text in told if text.startswith(("0 ", "10 "))}
    assert len(told) == 13  # nine tenths, two twentieths, two ends


def test_amounts():
    assert words.grams(9.0) == "9 g"
    assert words.grams(9.54) == "9.5 g"
    assert words.gain(0.352) == "0.35 g a day"
    assert words.days(-0.9) == "1 day"
    assert words.days(12.4) == "12 days"
    assert words.number(-2.24) == "−2.2"
    assert words.number(-0.01) == "0"
    assert words.number(20.2) == "20"
    assert words.count(0.4) == "fewer than 1"
    assert words.count(2.5) == "about 3"
    assert words.spread(2.5) == "2 to 3"
    assert words.spread(3.0) == "about 3"
    assert words.wait(7.0) == "a week"
    assert words.wait(10) == "10 days"


@pytest.mark.parametrize("say", [words.date, words.day, words.grams, words.days, words.number])
def test_what_is_not_known_is_said(say):
    assert say(None) == "not known"


def test_foreign_text_stays_on_its_line():
    assert words.plain("Wood\n# Cautions\n- none") == "Wood # Cautions - none"
