"""The whole exchange ends in its time and size, whatever the server does."""

from __future__ import annotations

import gzip
import json
import threading
import time
import zlib

import pytest
import requests

from riskcast.weather.web import Clock, SourceError
from riskcast.weather.web.answer import Limits
from riskcast.weather.web.transport import Reply, TooLong, Transport

GOOD = {"hourly": {"temperature_2m": [7.1, 6.8]}}
RAW = json.dumps(GOOD).encode()
# Far above what the exchange takes, far below what the server would hold it.
GENEROUS_S = 5.0


@pytest.fixture
def drip(serve):
    """A server that sends its pieces one by one, 20 ms apart, for as long as the test runs."""

    def make(*pieces, then=b" "):
        def act(handler):
            for piece in pieces:
                handler.wfile.write(piece)
            while not server.over.wait(0.02):
                handler.wfile.write(then)
                handler.wfile.flush()

        server = serve(act)
        return server

    return make


@pytest.mark.parametrize(
    ("pieces", "then"),
    [
        ([b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n"], b" "),
        ([b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"], b"1\r\n \r\n"),
        ([b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"], b"0"),
        ([b"HTTP/1.1 200 OK\r\n"], b"X-More: 1\r\n"),
        ([b"HTTP/1.1 200 OK\r\nX-Long: "], b"x"),
        ([], b"H"),
    ],
    ids=["body", "chunks", "length of a chunk", "headers", "one header", "first line"],
)
def test_a_server_that_drips_is_left_in_time(pieces, then, drip, ask, make_web):
    server = drip(*pieces, then=then)
    began = time.monotonic()
    with pytest.raises(SourceError) as caught:
        ask(server, make_web(clock=Clock(), limits={"total_s": 0.3, "read_s": 2.0}))
    assert time.monotonic() - began < GENEROUS_S
    assert caught.value.what == "did not finish its answer within 0.3 s"


def test_all_tries_and_pauses_share_one_total(drip, ask, make_web):
    server = drip(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\n", then=b"")
    limits = {"total_s": 0.4, "read_s": 0.05, "tries": 1000, "back_off_s": 0.02, "jitter_s": 0.0}
    began = time.monotonic()
    with pytest.raises(SourceError, match=r"fell silent for 0.05 s|within 0.4 s"):
        ask(server, make_web(clock=Clock(), limits=limits))
    assert time.monotonic() - began < GENEROUS_S
    assert 1 < len(server.seen) < 1000


def test_the_thread_that_was_left_ends(drip, ask, make_web):
    server = drip(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
    with pytest.raises(SourceError):
        ask(server, make_web(clock=Clock(), limits={"total_s": 0.1}))
    for thread in [t for t in threading.enumerate() if t.name == "riskcast-web"]:
        thread.join(GENEROUS_S)
        assert not thread.is_alive()


def test_after_a_server_was_left_the_next_question_is_answered(drip, serve, reply, ask, make_web):
    web = make_web(clock=Clock(), limits={"total_s": 0.3})
    with pytest.raises(SourceError):
        ask(drip(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\n"), web)
    assert ask(serve(reply()), web).value == GOOD


def test_time_that_is_over_sends_nothing(serve, reply):
    server = serve(reply())
    request = requests.Request("GET", server.url).prepare()
    with pytest.raises(TooLong):
        Transport(Limits()).exchange(request, 0.0)
    assert server.seen == []


def test_too_large_by_its_length(serve, reply, ask, make_web):
    server = serve(reply(RAW))
    with pytest.raises(SourceError, match="sent more than 1e-05 MB"):
        ask(server, make_web(limits={"most_bytes": 10}))
    assert len(server.seen) == 1


def test_too_large_when_unpacked(serve, reply, ask, make_web):
    """20 MB of blanks packed into 20 kB."""
    packed = gzip.compress(b" " * 20_000_000)
    server = serve(reply(packed, Content_Encoding="gzip"))
    with pytest.raises(SourceError, match="sent more than 1 MB, which no honest answer needs"):
        ask(server, make_web(limits={"most_bytes": 1_000_000}))


def test_too_large_without_a_length(drip, ask, make_web):
    server = drip(b"HTTP/1.1 200 OK\r\n\r\n" + b"x" * 2000)
    with pytest.raises(SourceError, match="sent more than"):
        ask(server, make_web(limits={"most_bytes": 1000}))


@pytest.mark.parametrize(
    ("encoding", "pack"), [("gzip", gzip.compress), ("deflate", zlib.compress)]
)
def test_packed_bodies_are_unpacked(encoding, pack, serve, reply, ask):
    assert ask(serve(reply(pack(RAW), Content_Encoding=encoding))).value == GOOD


@pytest.mark.parametrize("bad", [gzip.compress(RAW)[:-20], b"\x1f\x8b" + b"\x00" * 30, RAW])
def test_a_damaged_packing_is_no_answer(bad, serve, reply, ask, make_web):
    server = serve(reply(bad, Content_Encoding="gzip"))
    with pytest.raises(SourceError, match=r"unpacked|cut off|empty"):
        ask(server, make_web(limits={"tries": 1}))


@pytest.mark.parametrize("kind", ["text/html", "application/octet-stream", "nonsense"])
def test_the_content_type_is_not_believed(kind, serve, reply, ask):
    assert ask(serve(reply(RAW, Content_Type=kind))).value == GOOD


def test_connections_are_kept_between_questions(serve, reply, ask, make_web):
    ports = []

    def act(handler):
        ports.append(handler.client_address[1])
        reply()(handler)

    web = make_web()
    server = serve(act)
    ask(server, web)
    ask(server, web)
    assert len(set(ports)) == 1


def sent_on(to, status=302, body=b""):
    def act(handler):
        handler.send_response_only(status)
        handler.send_header("Location", to(handler) if callable(to) else to)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    return act


class TestRedirects:
    @pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
    def test_followed_with_the_same_headers(self, status, serve, reply, ask):
        server = serve(sent_on("/v2/forecast?place=1", status), reply())
        answer = ask(server, headers={"User-Agent": "riskcast (keeper@example.org)"})
        assert answer.value == GOOD
        assert server.seen[1][0] == "/v2/forecast?place=1"
        assert server.seen[1][1]["user-agent"] == "riskcast (keeper@example.org)"

    def test_kept_under_the_question_that_was_asked(self, serve, reply, ask):
        server = serve(sent_on("/v2"), reply())
        ask(server, fresh_s=60)
        assert ask(server, fresh_s=60).from_cache
        assert len(server.seen) == 2

    def test_a_circle_ends(self, serve, ask):
        server = serve(sent_on(lambda handler: handler.path + "x"))
        with pytest.raises(SourceError, match="on and on"):
            ask(server)
        assert len(server.seen) == 6

    def test_the_body_of_a_redirect_is_not_read(self, serve, reply, ask, make_web):
        server = serve(sent_on("/v2", body=b"x" * 100_000), reply())
        assert ask(server, make_web(limits={"most_bytes": 1000})).value == GOOD

    def test_a_place_that_is_none(self, serve, ask):
        with pytest.raises(SourceError, match="address that cannot be used"):
            ask(serve(sent_on("gopher://127.0.0.1/")))


@pytest.mark.parametrize(
    ("value", "seconds"), [("7", 7), ("-1", None), ("soon", None), (None, None)]
)
def test_retry_after_in_seconds(value, seconds):
    headers = {} if value is None else {"Retry-After": value}
    assert Reply(503, headers, b"").retry_after_s == seconds
