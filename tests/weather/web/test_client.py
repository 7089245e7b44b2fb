"""When a kept answer is used, when the service is asked, and what stands in when it fails."""

from __future__ import annotations

import email.utils
import json
import subprocess
import sys

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.web import NotWhole, SourceError

NOON = 1_699_963_200.0
GOOD = {"hourly": {"temperature_2m": [7.1, 6.8]}}
OTHER = {"hourly": {"temperature_2m": [1.0, 2.0]}}


def http_date(seconds):
    return email.utils.formatdate(seconds, usegmt=True)


def test_a_fresh_answer_tells_when_it_was_sent(serve, reply, ask):
    answer = ask(serve(reply()))
    assert answer.value == GOOD
    assert answer.fetched_at == np.datetime64("2023-11-14T12:00:00", "ns")
    assert answer.fetched_at.dtype == np.dtype("datetime64[ns]")
    assert (answer.from_cache, answer.stale, answer.problem, answer.notes) == (False, False, "", ())


def test_the_question_says_who_asks_and_takes_packed_answers(serve, reply, ask):
    server = serve(reply())
    ask(server)
    ask(server, headers={"User-Agent": "riskcast (keeper@example.org)"})
    agents = [headers["user-agent"] for _, headers in server.seen]
    assert agents[0].startswith("riskcast/")
    assert agents[1] == "riskcast (keeper@example.org)"
    assert "gzip" in server.seen[0][1]["accept-encoding"]
    assert server.seen[0][0].endswith("?latitude=51.37&longitude=-2.61")


def test_within_its_time_a_kept_answer_is_used_without_asking(serve, reply, ask, clock):
    server = serve(reply(), reply(OTHER, at=NOON + 3601))
    ask(server, fresh_s=3600)
    clock.seconds += 3599
    again = ask(server, fresh_s=3600)
    assert len(server.seen) == 1
    assert (again.value, again.from_cache, again.stale) == (GOOD, True, False)
    assert again.fetched_at == np.datetime64("2023-11-14T12:00", "ns")
    clock.seconds += 2
    assert ask(server, fresh_s=3600).value == OTHER
    assert len(server.seen) == 2


def test_without_a_time_the_service_is_always_asked(serve, reply, ask):
    server = serve(reply())
    ask(server)
    ask(server)
    assert len(server.seen) == 2


def test_the_same_question_in_another_order_is_the_same(serve, reply, ask):
    server = serve(reply())
    ask(server, fresh_s=60, params={"latitude": "51.37", "hourly": "a,b"})
    assert ask(server, fresh_s=60, params={"hourly": "a,b", "latitude": "51.37"}).from_cache


def test_another_place_is_another_question(serve, reply, ask):
    server = serve(reply())
    ask(server, fresh_s=60, params={"latitude": "51.37"})
    assert not ask(server, fresh_s=60, params={"latitude": "51.38"}).from_cache


def test_a_copy_of_a_clock_that_was_set_back_is_not_fresh(serve, reply, ask, clock):
    server = serve(reply())
    ask(server, fresh_s=3600)
    clock.seconds -= 7200
    ask(server, fresh_s=3600)
    assert len(server.seen) == 2


def test_a_later_bad_answer_leaves_the_good_copy(serve, reply, ask, make_web, clock):
    """What does not parse, and what is no 200, never replaces what did."""
    bad = [
        reply(b'{"hourly": {"temperature_2m": [7.'),
        reply({"error": True, "reason": "Something went wrong."}, status=500),
        reply(b"<!DOCTYPE html><html><body>Log in</body></html>"),
    ]
    server = serve(reply(), *bad)
    ask(server)
    for _ in bad:
        clock.seconds += 60
        answer = ask(server, make_web(limits={"tries": 1}))
        assert (answer.value, answer.from_cache, answer.stale) == (GOOD, True, True)
        assert answer.fetched_at == np.datetime64("2023-11-14T12:00", "ns")
    assert len(server.seen) == 4


def test_a_body_that_does_not_parse_is_not_kept(serve, reply, ask, make_web):
    server = serve(reply(b"[1, 2"))
    with pytest.raises(SourceError, match="cut off or damaged"):
        ask(server, make_web(limits={"tries": 1}))
    with pytest.raises(SourceError, match="offline"):
        ask(server, make_web(offline=True))


def test_a_refusal_of_parse_is_final_and_not_kept(serve, reply, ask, make_web):
    def refuse(_):
        raise WeatherError("open-meteo: no values for this place.")

    server = serve(reply())
    with pytest.raises(WeatherError, match="no values for this place"):
        ask(server, parse=refuse)
    assert len(server.seen) == 1
    with pytest.raises(SourceError, match="offline"):
        ask(server, make_web(offline=True))


def test_a_refusal_of_parse_lets_the_kept_copy_stand_in(serve, reply, ask):
    def choosy(body):
        if b"1.0" in body:
            raise WeatherError("open-meteo: the model stands still.")
        return json.loads(body)

    server = serve(reply(), reply(OTHER))
    ask(server, parse=choosy)
    answer = ask(server, parse=choosy)
    assert (answer.value, answer.stale) == (GOOD, True)
    assert answer.problem == "open-meteo: the model stands still."


def test_an_unknown_shape_is_said_and_not_asked_for_again(serve, reply, ask):
    server = serve(reply({"weather": []}))
    with pytest.raises(SourceError, match="shape that riskcast does not know"):
        ask(server, parse=lambda body: json.loads(body)["hourly"])
    assert len(server.seen) == 1


def test_not_whole_is_asked_again(serve, reply, ask, clock):
    def whole(body):
        if not body.endswith(b"}"):
            raise NotWhole("cut")
        return json.loads(body)

    server = serve(reply(b'{"a": [1'), reply())
    assert ask(server, parse=whole).value == GOOD
    assert len(clock.pauses) == 1


def test_pauses_grow_and_tries_end(serve, reply, ask, clock, make_web):
    said = []
    server = serve(reply(b"", status=503))
    web = make_web(progress=said.append, limits={"tries": 4, "back_off_s": 1.0, "jitter_s": 0.5})
    with pytest.raises(SourceError, match=r"\(tried 4 times\)"):
        ask(server, web)
    assert len(server.seen) == 4
    for pause, least in zip(clock.pauses, (1.0, 2.0, 4.0), strict=True):
        assert least <= pause <= least + 0.5
    assert [s for s in said if "again" in s][-1].endswith("(4 of 4)")


def test_no_pause_outlasts_the_time_there_is(serve, reply, ask, clock, make_web):
    server = serve(reply(b"", status=503, Retry_After="99"))
    with pytest.raises(SourceError) as caught:
        ask(server, make_web(limits={"total_s": 90.0}))
    assert (len(server.seen), clock.pauses) == (1, [])
    assert caught.value.wait_s == 99


def test_the_service_may_name_the_pause(serve, reply, ask, clock):
    server = serve(reply(b"", status=503, Retry_After="7"), reply())
    ask(server)
    assert clock.pauses == [7.0]


def test_offline_opens_no_socket(serve, reply, ask, make_web, clock):
    server = serve(reply())
    ask(server, fresh_s=3600)
    fresh = ask(server, make_web(offline=True), fresh_s=3600)
    assert (fresh.value, fresh.stale, fresh.problem) == (GOOD, False, "")
    clock.seconds += 7200
    old = ask(server, make_web(offline=True), fresh_s=3600)
    assert (old.value, old.stale) == (GOOD, True)
    assert "offline" in old.problem
    with pytest.raises(SourceError) as caught:
        ask(server, make_web(offline=True), params={"latitude": "1"})
    assert str(caught.value) == (
        "open-meteo was not asked, because this run is offline; run once without --offline."
    )
    assert len(server.seen) == 1


def test_keep_false_neither_keeps_nor_looks(serve, reply, ask, make_web):
    server = serve(reply())
    ask(server, keep=False)
    with pytest.raises(SourceError):
        ask(server, make_web(offline=True))


class TestExpiry:
    """MET Norway's terms: nothing before Expires, then If-Modified-Since verbatim, 304 = keep."""

    MODIFIED = "Tue, 14 Nov 2023 11:43:18 GMT"

    @pytest.fixture
    def sent(self, reply):
        def make(body=GOOD, at=NOON, life=1800, **keys):
            headers = {"Expires": http_date(at + life), "Last_Modified": self.MODIFIED}
            return reply(body, at=at, **(headers | keys))

        return make

    def test_not_before_expires(self, serve, sent, ask, clock):
        server = serve(sent())
        ask(server, obey_expiry=True)
        clock.seconds += 1799
        answer = ask(server, obey_expiry=True)
        assert len(server.seen) == 1
        assert (answer.from_cache, answer.stale) == (True, False)

    def test_a_little_later_by_chance_and_then_if_modified_since(self, serve, sent, ask, clock):
        later = NOON + 1800 + 121
        server = serve(sent(), sent(b"", at=later, status=304))
        ask(server, obey_expiry=True)
        clock.seconds = later
        answer = ask(server, obey_expiry=True)
        assert server.seen[1][1]["if-modified-since"] == self.MODIFIED
        assert (answer.value, answer.from_cache, answer.stale) == (GOOD, True, False)
        assert answer.fetched_at == np.datetime64("2023-11-14T12:00", "ns")
        assert answer.headers["Last-Modified"] == self.MODIFIED

    def test_not_modified_makes_the_copy_good_again(self, serve, sent, ask, clock):
        later = NOON + 1921
        server = serve(sent(), sent(b"", at=later, status=304))
        ask(server, obey_expiry=True)
        clock.seconds = later
        ask(server, obey_expiry=True)
        clock.seconds += 1799
        ask(server, obey_expiry=True)
        assert len(server.seen) == 2

    def test_a_changed_answer_replaces_the_copy(self, serve, sent, ask, clock):
        later = NOON + 1921
        server = serve(sent(), sent(OTHER, at=later))
        ask(server, obey_expiry=True)
        clock.seconds = later
        assert ask(server, obey_expiry=True).value == OTHER
        assert ask(server, obey_expiry=True).value == OTHER
        assert len(server.seen) == 2

    def test_life_is_by_the_services_clock(self, serve, sent, ask, clock):
        """Our clock is a day behind: Expires alone would keep the copy for a day."""
        server = serve(sent(at=NOON + 86_400))
        ask(server, obey_expiry=True)
        clock.seconds += 1921
        ask(server, obey_expiry=True)
        assert len(server.seen) == 2

    def test_no_copy_is_good_for_more_than_a_day(self, serve, sent, ask, clock):
        server = serve(sent(life=30 * 86_400))
        ask(server, obey_expiry=True)
        clock.seconds += 86_400 + 121
        ask(server, obey_expiry=True)
        assert len(server.seen) == 2

    @pytest.mark.parametrize("expires", ["0", "never", "Tue, 14 Nov 2023 11:00:00 GMT"])
    def test_an_expiry_that_is_none_lets_us_ask(self, serve, sent, ask, expires):
        server = serve(sent(Expires=expires))
        ask(server, obey_expiry=True)
        ask(server, obey_expiry=True)
        assert server.seen[1][1]["if-modified-since"] == self.MODIFIED

    def test_nothing_changed_but_nothing_readable_kept(self, serve, sent, ask, clock):
        """A copy of an older riskcast that no longer reads: asked again, without condition."""

        def new_parse(body):
            if b"7.1" in body:
                raise NotWhole("old")
            return json.loads(body)

        server = serve(sent(life=-1), sent(b"", status=304), sent(OTHER))
        ask(server, obey_expiry=True)
        assert ask(server, obey_expiry=True, parse=new_parse).value == OTHER
        assert "if-modified-since" in server.seen[1][1]
        assert "if-modified-since" not in server.seen[2][1]

    def test_203_is_used_and_said_and_asked_anew_without_condition(self, serve, sent, ask, clock):
        server = serve(sent(status=203))
        first = ask(server, obey_expiry=True, service="met-norway")
        assert [(n.code, dict(n.numbers)) for n in first.notes] == [
            ("version_ends", {"service": "met-norway"})
        ]
        clock.seconds += 1921
        ask(server, obey_expiry=True, service="met-norway")
        assert "if-modified-since" not in server.seen[1][1]

    def test_failing_after_expiry_the_copy_stands_in(self, serve, sent, reply, ask, clock):
        server = serve(sent(), reply(b"", status=502))
        ask(server, obey_expiry=True)
        clock.seconds += 1921
        answer = ask(server, obey_expiry=True)
        assert (answer.value, answer.stale) == (GOOD, True)
        assert answer.problem.startswith("open-meteo is troubled behind its gateway (502)")


@pytest.mark.parametrize(("ahead", "hours"), [(601, 0.2), (-7200, -2.0), (86_400, 24.0)])
def test_clocks_apart_are_noted(serve, reply, ask, ahead, hours):
    answer = ask(serve(reply(at=NOON + ahead)))
    assert [(n.code, dict(n.numbers)) for n in answer.notes] == [
        ("clock_skew", {"hours": hours, "service": "open-meteo"})
    ]
    assert answer.fetched_at == np.datetime64("2023-11-14T12:00", "ns")


@pytest.mark.parametrize(
    "headers",
    [
        {"at": NOON + 599},
        {"at": None},
        {"at": None, "Date": "yesterday"},
        {"at": NOON - 5000, "Age": "4990"},
    ],
)
def test_clocks_near_enough_or_not_told_are_not(serve, reply, ask, headers):
    assert ask(serve(reply(**headers))).notes == ()


def test_importing_it_reads_no_network_library():
    code = "import riskcast.weather.web, sys; print('requests' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
