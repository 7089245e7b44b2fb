"""Every way a service can fail, played by a server, ends in one sentence of its own.

Texts of Open-Meteo's limits and errors as its server's source has them; MET Norway answers a
bad question with a page of HTML and one outside its area with 422 (its terms of service).
"""

from __future__ import annotations

import json
import re
import socket

import pytest
import requests
import urllib3

from riskcast.weather.web import SourceError
from riskcast.weather.web import words as of
from riskcast.weather.web.answer import Limits
from riskcast.weather.web.transport import Reply

MINUTE = "Minutely API request limit exceeded. Please try again in one minute."
HOUR = "Hourly API request limit exceeded. Please try again in the next hour."
DAY = "Daily API request limit exceeded. Please try again tomorrow."
CONCURRENT = "Too many concurrent requests"
# A body as MET Norway sends it with 400, from memory.
HTML_400 = b"""<!DOCTYPE html><html><head><title>400 Bad Request</title>
<style>h1 {color: red}</style></head>
<body><h1>400 Bad Request</h1><p>Latitude out of range: 151.37</p></body></html>"""


def no(reason):
    return {"error": True, "reason": reason}


def half(handler):
    """Promise a body, send half of it, reset."""
    handler.send_response_only(200)
    handler.send_header("Content-Length", "400")
    handler.end_headers()
    handler.wfile.write(b'{"hourly": {"time": [')
    handler.wfile.flush()
    reset(handler)


def reset(handler):
    """Close so that the other side sees a reset and no orderly end."""
    linger = b"\x01\x00\x00\x00\x00\x00\x00\x00"
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    handler.close_connection = True


def half_a_chunk(handler):
    handler.send_response_only(200)
    handler.send_header("Transfer-Encoding", "chunked")
    handler.end_headers()
    handler.wfile.write(b"40\r\n" + b"x" * 20)
    handler.close_connection = True


def circle(handler):
    handler.send_response_only(302)
    handler.send_header("Location", handler.path)
    handler.send_header("Content-Length", "0")
    handler.end_headers()


STATUS = {
    "question": (400, no("Cannot initialize TemperatureUnit from invalid String value x")),
    "question in HTML": (400, HTML_400),
    "who": (403, b""),
    "address": (404, no("Not Found")),
    "area": (422, b""),
    "minute": (429, no(MINUTE)),
    "hour": (429, no(HOUR)),
    "day": (429, no(DAY)),
    "concurrent": (429, no(CONCURRENT)),
    "often": (429, b""),
    "own fault": (500, no("Something went wrong.")),
    "gateway": (502, b"<html><h1>Bad Gateway</h1></html>"),
    "overloaded": (503, no("Overloaded")),
    "late": (504, b""),
    "odd": (418, b""),
}
SENTENCES = {
    "question": 'open-meteo did not accept the question (400): "Cannot initialize '
    'TemperatureUnit from invalid String value x"; check its address and models in the '
    "section [weather] of the site file.",
    "question in HTML": 'open-meteo did not accept the question (400): "400 Bad Request '
    'Latitude out of range: …"; check its address and models in the section [weather] of '
    "the site file.",
    "who": "open-meteo turned the question away (403); name a way to reach you as its "
    "user_agent in the site file, and ask less often.",
    "address": 'open-meteo knows no such address (404): "Not Found"; check its address and '
    "models in the section [weather] of the site file.",
    "area": "open-meteo has nothing for this place (422); choose another source of forecasts "
    "in the site file.",
    "minute": "open-meteo answers no more questions in this minute (429); it is asked again at "
    "the next run.",
    "hour": "open-meteo answers no more questions in this hour (429); it is asked again in the "
    "next hour.",
    "day": "open-meteo answers no more questions today (429); it is asked again tomorrow.",
    "concurrent": "open-meteo has too many questions of ours open at once (429); it is asked "
    "again at the next run.",
    "often": "open-meteo was asked too often (429); it is left in peace for 10 minutes.",
    "own fault": 'open-meteo had a fault of its own (500): "Something went wrong"; it is asked '
    "again at the next run.",
    "gateway": 'open-meteo is troubled behind its gateway (502): "Bad Gateway"; it is asked '
    "again at the next run.",
    "overloaded": 'open-meteo is overloaded or under repair (503): "Overloaded"; it is asked '
    "again at the next run.",
    "late": "open-meteo did not get its data in time (504); it is asked again at the next run.",
    "odd": "open-meteo gave an answer that is not understood (418); it is asked again at the "
    "next run.",
}


@pytest.fixture
def fail(ask, make_web):
    """fail(server) → the error of one try."""

    def once(server, **keys):
        with pytest.raises(SourceError) as caught:
            ask(server, make_web(limits={"tries": 1}), **keys)
        return caught.value

    return once


@pytest.mark.parametrize("fault", STATUS)
def test_sentence_of_a_status(fault, serve, reply, fail):
    status, body = STATUS[fault]
    assert str(fail(serve(reply(body, status=status)))) == SENTENCES[fault]


def test_every_sentence_is_one_and_its_own():
    whats = [s.split(";")[0] for s in SENTENCES.values()]
    assert len(set(whats)) == len(whats)
    for sentence in SENTENCES.values():
        assert sentence.count(";") == 1
        assert re.fullmatch(r"[^.]*(\.\w[^.]*)*\.", sentence.replace("user_agent", "x")), sentence


@pytest.mark.parametrize(
    ("act", "what"),
    [
        (half, "broke off the connection before the answer was whole"),
        (half_a_chunk, "broke off the connection before the answer was whole"),
        (reset, "broke off the connection before the answer was whole"),
        (circle, "sent the question on and on without an answer (5 redirects)"),
    ],
)
def test_sentence_of_a_broken_exchange(act, what, serve, fail):
    assert fail(serve(act)).what == what


@pytest.mark.parametrize(
    ("body", "what"),
    [
        (b"<!doctype HTML>\n<html><body>Log in</body></html>", "answered with a web page"),
        (b"\xef\xbb\xbf <html lang='en'>", "answered with a web page"),
        (b"Unexpected error while streaming data: timeoutReached", "failed while it was sending"),
        (
            b'{"hourly": {"time": ["2023-11-14T00:00", Unexpected error while streaming data: x',
            "failed while it was sending",
        ),
        (b'{"hourly": {"time": ["2023-11-', "sent an answer that is cut off or damaged"),
        (b"", "sent an empty answer"),
        (b" \r\n", "sent an empty answer"),
    ],
)
def test_sentence_of_a_body_that_is_none(body, what, serve, reply, fail):
    error = fail(serve(reply(body)))
    assert error.what.startswith(what)
    assert error.passing


def test_silence(serve, fail):
    server = None

    def quiet(handler):
        server.over.wait(5)

    server = serve(quiet)
    assert str(fail(server)) == (
        "open-meteo fell silent for 0.2 s; it is asked again at the next run."
    )


def test_nobody_there(fail):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # not listening: refused
        error = fail(f"http://127.0.0.1:{taken.getsockname()[1]}/v1")
    assert error.what == "refused the connection"
    assert not error.reached


def test_no_such_name(fail, monkeypatch):
    def unknown(*args, **keys):
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    error = fail("https://weather.invalid/v1")
    assert error.what == "was not found by its name"
    assert "online" in error.remedy
    assert not error.reached


@pytest.mark.parametrize(
    "url", ["api.example.org/v1", "http://", "gopher://127.0.0.1/", "http://[1/"]
)
def test_no_address(url, fail):
    error = fail(url)
    assert error.what == "has an address that cannot be used"
    assert not error.passing


@pytest.mark.parametrize(
    ("error", "what"),
    [
        (requests.exceptions.ConnectTimeout("x"), "took no connection within 6.1 s"),
        (requests.exceptions.ProxyError("x"), "is not reached through the proxy"),
        (requests.exceptions.SSLError("x"), "did not agree on an encrypted connection"),
        (requests.exceptions.ContentDecodingError("x"), "sent a body that cannot be unpacked"),
        (urllib3.exceptions.ProtocolError("x"), "broke off the connection"),
        (OSError("Network is unreachable"), "broke off the connection"),
    ],
)
def test_sentence_of_what_no_loopback_server_can_play(error, what):
    assert of.of_exception("open-meteo", error, Limits()).what.startswith(what)


def test_a_fault_of_ours_is_no_matter_of_the_network():
    assert of.of_exception("open-meteo", AssertionError("x"), Limits()) is None


@pytest.mark.parametrize(
    ("fault", "passing", "wait_s", "tomorrow"),
    [
        ("minute", True, 60, False),
        ("concurrent", True, 5, False),
        ("hour", False, 2700, False),
        ("day", False, 42_300, True),
        ("often", False, 600, False),
        ("question", False, None, False),
        ("own fault", True, None, False),
    ],
)
def test_when_asking_makes_sense_again(fault, passing, wait_s, tomorrow):
    """At 12:15 UTC the next hour is 2700 s away, midnight 42,300 s."""
    status, body = STATUS[fault]
    raw = body if isinstance(body, bytes) else json.dumps(body).encode()
    error = of.of_status("open-meteo", Reply(status, {}, raw), {}, 1_699_963_200.0 + 900)
    assert (error.passing, error.wait_s, error.retry_tomorrow) == (passing, wait_s, tomorrow)


class TestReason:
    """The service's own words are quoted short, on one line, and without the place."""

    PLACE = {"latitude": "51.37", "longitude": "-2.61", "altitude": "120"}  # noqa: RUF012

    def quote(self, reason):
        return of.reason_of(json.dumps(no(reason)).encode(), self.PLACE)

    def test_no_number_of_the_place_stays(self):
        said = self.quote("No data for 51.37/-2.61 at 120 m (grid 51.25, -2.5, near 2.61W)")
        assert said == "No data for …/… at … m (grid …, …, near …W)"

    def test_several_places_and_whole_degrees(self):
        params = {"lat": "50,51.37", "lon": "-4,+3"}
        body = b'{"reason": "lat 50 and 51.37, lon -4 and 3: 500 rows of 1950-01-01"}'
        assert of.reason_of(body, params) == "lat … and …, lon … and …: 500 rows of 1950-01-01"

    def test_dates_and_whole_numbers_stay(self):
        text = "Parameter 'start_date' is out of allowed range from 1940-01-01 to 2023-11-09"
        assert self.quote(text) == text

    def test_addresses_go(self):
        assert "latitude" not in self.quote("Bad https://api.example.org/v1?latitude=51 given")

    def test_short_clean_and_on_one_line(self):
        said = self.quote('Line "one"\n\x1b[31mline two\t' + "x" * 500)
        assert said.startswith("Line 'one' [31mline two x")
        assert len(said) == 140
        assert said.endswith("…")

    @pytest.mark.parametrize("body", [b"", b"[]", b'{"reason": 5}', b"null", b"\xff\xfe\x00"])
    def test_no_words_no_quote(self, body):
        assert of.reason_of(body, {}).strip("\ufffd\x00 ") == ""


def test_neither_sentence_nor_log_tells_the_place(serve, reply, fail, caplog):
    caplog.set_level("DEBUG")
    acts = [half, reset, circle, reply(no("bad 51.37"), status=400), reply(b"", status=500)]
    for act in acts:
        error = fail(serve(act))
        assert "51.37" not in str(error)
        assert "2.61" not in str(error)
        assert "127.0.0.1" not in str(error)
    assert "51.37" not in caplog.text
