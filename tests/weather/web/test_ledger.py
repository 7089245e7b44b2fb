"""Calls are counted before they are made, for a minute, an hour and a day, by all runs.

Limits of Open-Meteo's free access: 600 calls a minute, 5,000 an hour, 10,000 a day (its page
on prices and terms).
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from riskcast.weather.web import SourceError
from riskcast.weather.web.ledger import HOUR_CALLS, MINUTE_CALLS, Full, Ledger, Ticket

NOON = 1_699_963_200.0
DAY = 86_400.0
WHO = "open-meteo"


@pytest.fixture
def ledger(tmp_path):
    return Ledger(tmp_path / "cache" / "calls.sqlite")


def test_limits_are_those_of_the_terms():
    assert (MINUTE_CALLS, HOUR_CALLS) == (600, 5_000)


def test_a_minute_holds_600_calls(ledger):
    assert isinstance(ledger.take(WHO, 400.0, NOON), Ticket)
    assert isinstance(ledger.take(WHO, 200.0, NOON + 20), Ticket)
    full = ledger.take(WHO, 0.1, NOON + 30)
    assert isinstance(full, Full)
    assert full.window == "minute"
    assert full.wait_s == pytest.approx(30, abs=0.1)
    assert not full.today


def test_room_comes_when_enough_has_aged(ledger):
    """400 at 0 s and 200 at 20 s: 100 more fit at 60 s, 450 more only at 80 s."""
    ledger.take(WHO, 400.0, NOON)
    ledger.take(WHO, 200.0, NOON + 20)
    assert ledger.take(WHO, 100.0, NOON + 30).wait_s == pytest.approx(30, abs=0.1)
    late = ledger.take(WHO, 450.0, NOON + 30)
    assert late.wait_s == pytest.approx(50, abs=0.1)
    assert isinstance(ledger.take(WHO, 450.0, NOON + 30 + late.wait_s), Ticket)


def test_an_hour_holds_5000_calls(ledger):
    for minute in range(10):
        assert isinstance(ledger.take(WHO, 500.0, NOON + 61 * minute), Ticket)
    full = ledger.take(WHO, 1.0, NOON + 700)
    assert (full.window, full.today) == ("hour", False)
    assert full.wait_s == pytest.approx(2900, abs=0.1)
    assert isinstance(ledger.take(WHO, 1.0, NOON + 700 + full.wait_s), Ticket)


def test_a_day_ends_at_midnight_utc(ledger):
    for hour in range(3):
        ledger.take(WHO, 30.0, NOON + 3600 * hour)
    full = ledger.take(WHO, 11.0, NOON + 4 * 3600, calls_a_day=100)
    assert (full.window, full.today) == ("day", True)
    assert full.wait_s == pytest.approx(8 * 3600)
    assert isinstance(ledger.take(WHO, 10.0, NOON + 4 * 3600, calls_a_day=100), Ticket)
    assert isinstance(ledger.take(WHO, 100.0, NOON + DAY / 2, calls_a_day=100), Ticket)


def test_the_first_moment_of_a_day_counts(ledger):
    midnight = NOON - NOON % DAY
    ledger.take(WHO, 60.0, midnight)
    assert ledger.spent_today(WHO, midnight + 5) == 60.0
    assert ledger.spent_today(WHO, midnight + DAY) == 0.0


def test_sums_of_tenths_reach_the_limit_exactly(ledger):
    for _ in range(10):
        assert isinstance(ledger.take(WHO, 0.1, NOON, calls_a_day=1), Ticket)
    assert isinstance(ledger.take(WHO, 0.1, NOON, calls_a_day=1), Full)


def test_one_large_question_passes_alone(ledger):
    assert isinstance(ledger.take(WHO, 700.0, NOON), Ticket)
    assert isinstance(ledger.take(WHO, 700.0, NOON + 10), Full)
    assert isinstance(ledger.take(WHO, 700.0, NOON + 60.1), Ticket)


def test_services_are_counted_apart(ledger):
    ledger.take(WHO, 600.0, NOON)
    assert isinstance(ledger.take("another", 600.0, NOON), Ticket)


def test_what_was_not_sent_is_given_back(ledger):
    ticket = ledger.take(WHO, 600.0, NOON)
    ledger.give_back(ticket)
    assert ledger.spent_today(WHO, NOON) == 0.0


def test_a_service_that_closed_stays_closed_until_then(ledger):
    ledger.close_until(WHO, NOON + 900, today=False)
    full = ledger.take(WHO, 0.0, NOON + 100)
    assert (full.window, full.wait_s) == ("closed", 800)
    assert isinstance(ledger.take(WHO, 1.0, NOON + 900), Ticket)


def test_a_clock_that_ran_ahead_does_not_block_for_ever(ledger):
    """Entries of next year, made before the clock was set right."""
    ledger.take(WHO, 600.0, NOON + 365 * DAY, calls_a_day=600)
    ledger.close_until(WHO, NOON + 365 * DAY, today=True)
    assert isinstance(ledger.take(WHO, 600.0, NOON, calls_a_day=600), Ticket)


def test_the_count_outlives_the_run(tmp_path):
    Ledger(tmp_path / "calls.sqlite").take(WHO, 42.0, NOON)
    assert Ledger(tmp_path / "calls.sqlite").spent_today(WHO, NOON + 9) == 42.0


def test_old_entries_are_forgotten(ledger):
    ledger.take(WHO, 1.0, NOON)
    ledger.take(WHO, 1.0, NOON + 3 * DAY)
    assert ledger._in_file(lambda d: d.execute("SELECT count(*) FROM spent").fetchone()[0]) == 1


TAKE = """
import sys
from pathlib import Path
from riskcast.weather.web.ledger import Ledger, Ticket
ledger = Ledger(Path(sys.argv[1]))
took = sum(isinstance(ledger.take("open-meteo", 7.0, 1_699_963_200.0), Ticket) for _ in range(60))
print(took, ledger.problem)
"""


def test_two_processes_never_take_more_than_there_is(tmp_path):
    """Each wants 420 of a minute's 600; together they get 85 times 7, that is 595."""
    words = [sys.executable, "-c", TAKE, str(tmp_path / "calls.sqlite")]
    runs = [subprocess.Popen(words, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    said = [run.communicate()[0].strip() for run in runs]
    assert sum(int(s) for s in said) == 85
    assert Ledger(tmp_path / "calls.sqlite").spent_today(WHO, NOON) == 595.0


class TestAsked:
    """The client asks the ledger first."""

    def test_calls_are_put_down_before_the_question_is_sent(self, serve, reply, ask, tmp_path):
        seen = []

        def act(handler):
            count = Ledger(tmp_path / "cache" / "calls.sqlite").spent_today(WHO, NOON)
            seen.append(count)
            reply()(handler)

        ask(serve(act), weight=15.6, calls_a_day=100)
        assert seen == [15.6]

    def test_each_try_counts(self, serve, reply, ask, make_web):
        web = make_web()
        ask(serve(reply(b"", status=503), reply()), web, weight=2.0, calls_a_day=100)
        assert web.left_today(WHO, 100) == 96.0

    def test_what_reached_nobody_counts_nothing(self, ask, make_web):
        web = make_web(limits={"tries": 2})
        with pytest.raises(SourceError, match="refused"):
            ask("http://127.0.0.1:1/", web, weight=2.0, calls_a_day=100)
        assert web.left_today(WHO, 100) == 100.0

    def test_services_of_one_first_word_share(self, serve, reply, ask, make_web):
        web = make_web()
        ask(serve(reply()), web, service="open-meteo archive", weight=30, calls_a_day=100)
        assert web.left_today("open-meteo ensemble", 100) == 70.0

    def test_a_kept_answer_costs_nothing(self, serve, reply, ask, make_web):
        web, server = make_web(), serve(reply())
        for _ in range(2):
            ask(server, web, fresh_s=60, weight=30, calls_a_day=100)
        assert web.left_today(WHO, 100) == 70.0

    def test_a_minute_is_waited_for(self, serve, reply, ask, make_web, clock):
        said = []
        web = make_web(progress=said.append)
        server = serve(reply(at=None))
        ask(server, web, weight=600)
        clock.seconds += 15
        ask(server, web, weight=1)
        assert clock.pauses == [pytest.approx(45, abs=0.1)]
        assert "waiting 45 s for open-meteo's limit of calls a minute" in said

    def test_longer_than_the_time_there_is_is_not(self, serve, reply, ask, make_web, clock):
        web, server = make_web(limits={"total_s": 30.0}), serve(reply())
        ask(server, web, weight=600)
        with pytest.raises(SourceError) as caught:
            ask(server, web, params={"latitude": "1"}, weight=1)
        assert str(caught.value) == (
            "open-meteo was not asked: the calls it allows in a minute are spent; "
            "it is asked again after 12:01 UTC."
        )
        assert clock.pauses == []

    def test_an_hour_and_a_day_are_not_waited_for(self, serve, reply, ask, make_web, clock):
        web, server = make_web(), serve(reply(at=None))
        ask(server, web, weight=90, calls_a_day=100)
        with pytest.raises(SourceError) as caught:
            ask(server, web, params={"latitude": "1"}, weight=20, calls_a_day=100)
        assert str(caught.value) == (
            "open-meteo was not asked: today's share of the calls it allows is spent; "
            "it is asked again tomorrow."
        )
        assert caught.value.retry_tomorrow
        assert caught.value.wait_s == 43_200
        assert not caught.value.reached
        assert len(server.seen) == 1

    def test_a_question_larger_than_a_day_says_so(self, serve, reply, ask):
        with pytest.raises(SourceError, match="counts as 157 calls, more than the 100 it allows"):
            ask(serve(reply()), weight=157, calls_a_day=100)

    def test_after_daily_limit_reached_nobody_asks_today(self, serve, reply, ask, make_web, clock):
        reason = "Daily API request limit exceeded. Please try again tomorrow."
        server = serve(reply({"error": True, "reason": reason}, status=429), reply(at=None))
        with pytest.raises(SourceError, match="no more questions today"):
            ask(server)
        clock.seconds += 3600
        with pytest.raises(SourceError, match="it said earlier that its limit"):
            ask(server, make_web(), service="open-meteo archive")
        assert len(server.seen) == 1
        clock.seconds += DAY / 2
        ask(server, make_web())
        assert len(server.seen) == 2

    def test_after_minutely_limit_one_minute_is_waited(self, serve, reply, ask, clock):
        reason = "Minutely API request limit exceeded. Please try again in one minute."
        server = serve(reply({"error": True, "reason": reason}, status=429), reply(at=None))
        ask(server)
        assert clock.pauses == [60.0]

    def test_with_a_kept_copy_it_stands_in(self, serve, reply, ask, make_web, clock):
        web, server = make_web(), serve(reply(at=None))
        ask(server, web, weight=90, calls_a_day=100)
        answer = ask(server, web, weight=90, calls_a_day=100)
        assert answer.stale
        assert "tomorrow" in answer.problem
