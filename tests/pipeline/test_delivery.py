"""Letters on their way: through the pipeline and the command line to a real server on loopback.

Weather and weights are computed once for each moment and then kept (`computed_once`): what is
tested here begins after the numbers.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import functools
import socket
import sys
import threading
from email import message_from_bytes, policy

import pytest
import time_machine
from aiosmtpd.smtp import SMTP
from click.testing import CliRunner

from riskcast import delivery, pipeline
from riskcast.archive import Archive
from riskcast.base.errors import DeliveryError, UsageError
from riskcast.cli.app import app

EVENING = dt.datetime(2025, 10, 27, 20, 0, tzinfo=dt.UTC)
PEOPLE = ["monitor@example.org", "coordinator@example.org", "rehabilitator@example.org"]


class Inbox:
    """A server on 127.0.0.1: what it took, what it is told to answer, what to do meanwhile."""

    def __init__(self):
        self.taken = []
        self.refuse = {}
        self.meanwhile = None
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        self.server = None
        self.port = self._call(self._start(0))

    async def _start(self, port):
        self.server = await self.loop.create_server(
            lambda: SMTP(self, hostname="mail.test", loop=self.loop), "127.0.0.1", port
        )
        return self.server.sockets[0].getsockname()[1]

    async def _close(self):
        if self.server is not None:
            self.server.close()
            self.server = None
        rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)

    def _call(self, work):
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(timeout=10)

    def go_down(self):
        self._call(self._close())

    def come_back(self):
        self._call(self._start(self.port))

    def end(self):
        self.go_down()
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(timeout=10)
        self.loop.close()

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if address in self.refuse:
            return self.refuse[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        if self.meanwhile is not None:
            self.meanwhile(envelope)
        (to,) = envelope.rcpt_tos
        self.taken.append((to, envelope.content))
        return "250 taken"

    @property
    def people(self):
        return [to for to, _ in self.taken]


@pytest.fixture
def inbox():
    box = Inbox()
    yield box
    box.end()


@pytest.fixture(scope="module")
def computed():
    return {}


@pytest.fixture
def computed_once(monkeypatch, computed):
    """Numbers of one moment are computed by the first run that asks for them."""
    module = sys.modules["riskcast.pipeline.run"]
    real = module.forecast

    def once(site, now, **options):
        if now.issued_at not in computed:
            computed[now.issued_at] = real(site, now, **{**options, "draws": 64})
        return computed[now.issued_at]

    monkeypatch.setattr(module, "forecast", once)


@pytest.fixture
def impatient(monkeypatch):
    """No waits between the tries of one message."""
    monkeypatch.setattr(
        delivery, "SmtpTransport", functools.partial(delivery.SmtpTransport, pauses_s=())
    )


@pytest.fixture
def wood(tmp_path, small_site, inbox, computed_once, impatient):
    """The smaller demonstration with a mail server."""
    mail = (
        f'\n[mail]\nhost = "127.0.0.1"\nport = {inbox.port}\nsecurity = "none"\n'
        'from = "riskcast <alerts@example.org>"\nreply_to = "keeper@example.org"\n'
    )
    return small_site(tmp_path, mail)


@pytest.fixture
def send(tmp_path, wood):
    """`send(hours=0, *options)`: the command, so many hours after the evening of issue."""

    def call(*options, hours=0.0):
        with time_machine.travel(EVENING + dt.timedelta(hours=hours), tick=False):
            arguments = ["run", str(wood), "--send", "--out", str(tmp_path / "out"), *options]
            return CliRunner().invoke(app, arguments)

    return call


@pytest.fixture
def archive(tmp_path):
    return lambda: Archive(tmp_path / "archive")


def states(archive):
    return {record.recipient: record.state for record in archive().messages("alder-hanger")}


# --- sent -------------------------------------------------------------------------------------


def test_three_letters_arrive_as_they_were_kept(send, inbox, archive, tmp_path):
    done = send()
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Alder Hanger (demonstration), Monday 27 October 2025, 20:00 GMT")
    assert inbox.people == PEOPLE
    folder = tmp_path / "out" / "alder-hanger" / "2025-10-27"
    for (to, content), record in zip(inbox.taken, archive().messages("alder-hanger"), strict=True):
        role = to.partition("@")[0]
        assert record.recipient == to
        assert record.state == "sent"
        assert record.eml == content == (folder / f"alert-{role}-1.eml").read_bytes()
        message = message_from_bytes(content, policy=policy.default)
        assert message["Message-ID"] == record.message_id
        assert message["From"].addresses[0].addr_spec == "alerts@example.org"
        assert message["Reply-To"] == "keeper@example.org"
        assert message["Date"].datetime == EVENING
    assert archive().previous_run("alder-hanger", "2025-10-28") is not None


def test_the_run_is_kept_as_it_was_written(send, archive, tmp_path):
    send()
    document = tmp_path / "out" / "alder-hanger" / "2025-10-27" / "assessment.json"
    assert archive().previous_run("alder-hanger", "2025-10-28") == document.read_text("utf-8")


def test_a_second_run_sends_nothing_twice(send, inbox):
    assert send().exit_code == 0
    again = send("-v")
    assert again.exit_code == 0
    assert inbox.people == PEOPLE
    assert again.stderr.count("sent before, not sent again") == 3


def test_a_run_an_hour_later_with_the_same_advice_sends_nothing_twice(send, inbox):
    """The hour of writing and the age of the forecast stand in the letter: they are no news."""
    first, later = send(), send(hours=1.0)
    assert (first.exit_code, later.exit_code) == (0, 0)
    assert inbox.people == PEOPLE


def test_the_next_day_is_another_letter(send, inbox):
    send()
    assert send(hours=12.0).exit_code == 0
    assert inbox.people == PEOPLE * 2
    ids = {message_from_bytes(content)["Message-ID"] for _, content in inbox.taken}
    assert len(ids) == 6


def test_without_send_nothing_is_sent_and_a_later_run_may(wood, send, inbox, archive, tmp_path):
    with time_machine.travel(EVENING, tick=False):
        done = CliRunner().invoke(app, ["run", str(wood), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0
    assert inbox.taken == []
    assert set(states(archive).values()) == {"queued"}
    assert send().exit_code == 0
    assert inbox.people == PEOPLE


# --- recorded before it is sent -------------------------------------------------------------------


def test_each_message_is_recorded_before_the_server_has_it(send, inbox, archive):
    seen = []

    def look(envelope):
        unique = message_from_bytes(envelope.content)["Message-ID"]
        record = archive().message(unique)
        seen.append((record.state, record.eml == envelope.content))

    inbox.meanwhile = look
    assert send().exit_code == 0
    assert seen == [("sending", True)] * 3


def test_killed_while_sending_is_told_and_not_sent_again(send, inbox, archive, monkeypatch):
    """The process dies after the server took the first message, before that could be noted."""
    real = delivery.SmtpTransport.func.send

    def dies(self, recipient, eml):
        real(self, recipient, eml)
        raise KeyboardInterrupt

    monkeypatch.setattr(delivery.SmtpTransport.func, "send", dies)
    assert send().exit_code == 130
    assert inbox.people == PEOPLE[:1]
    assert states(archive) == dict(zip(PEOPLE, ["sending", "queued", "queued"], strict=True))

    monkeypatch.setattr(delivery.SmtpTransport.func, "send", real)
    later = send(hours=2.0)
    assert later.exit_code == 75
    assert inbox.people == PEOPLE  # nobody twice, nobody left out
    assert "monitor@example.org" in later.stderr
    assert "Ask the recipient" in later.stderr
    assert states(archive) == dict(zip(PEOPLE, ["sending", "sent", "sent"], strict=True))


def test_an_archive_that_cannot_keep_it_sends_nothing(send, inbox, monkeypatch):
    """Not recorded, so not sent."""

    def full(*_, **__):
        raise DeliveryError("the disk is full")

    monkeypatch.setattr(Archive, "record", full)
    assert send().exit_code == 75
    assert inbox.taken == []


# --- what goes wrong on the way -------------------------------------------------------------------


def test_server_down_loses_nothing_and_the_next_run_delivers(send, inbox, archive):
    inbox.go_down()
    done = send()
    assert done.exit_code == 75
    assert done.stdout.startswith("Alder Hanger")  # the result is there all the same
    assert "3 messages were not delivered for certain" in done.stderr
    assert set(states(archive).values()) == {"failed"}
    kept = {record.message_id for record in archive().messages("alder-hanger")}

    inbox.come_back()
    later = send(hours=1.0)
    assert later.exit_code == 0, later.output
    assert inbox.people == PEOPLE
    assert {message_from_bytes(content)["Message-ID"] for _, content in inbox.taken} == kept
    assert set(states(archive).values()) == {"sent"}


def test_one_bad_address_stops_nobody_else(send, inbox, archive):
    inbox.refuse["coordinator@example.org"] = "550 no such person"
    done = send()
    assert done.exit_code == 78
    assert "[[recipients]]" in done.stderr
    assert inbox.people == [PEOPLE[0], PEOPLE[2]]
    assert states(archive)["coordinator@example.org"] == "refused"


def test_a_server_of_another_kind_is_no_catastrophe(send, inbox, archive):
    """Something listens there that never greets as a mail server does."""
    inbox.go_down()
    with socket.create_server(("127.0.0.1", inbox.port)) as other:
        threading.Thread(target=lambda: other.accept()[0].close(), daemon=True).start()
        assert send().exit_code in (75, 78)
    assert "sent" not in states(archive).values()


# --- calls that make no sense -------------------------------------------------------------------


def test_a_past_moment_is_never_mailed(wood, send, inbox, archive, tmp_path):
    done = send("--as-of", "2025-10-26")
    assert done.exit_code == 2
    assert "as-of" in done.stderr
    with time_machine.travel(EVENING, tick=False), pytest.raises(UsageError, match="as-of"):
        # A moment of the same day is past too, though its day is not.
        pipeline.run(wood, as_of=EVENING - dt.timedelta(hours=3), out=tmp_path, send=True)
    assert inbox.taken == []
    assert archive().messages("alder-hanger") == ()


def test_today_as_of_is_now(send, inbox):
    """A bare date is the end of that day: not past yet."""
    assert send("--as-of", "2025-10-27").exit_code == 0
    assert inbox.people == PEOPLE


def test_send_needs_a_server_and_a_network(wood, send, small_site, tmp_path):
    assert send("--offline").exit_code == 2
    bare = small_site(tmp_path / "bare")
    with time_machine.travel(EVENING, tick=False):
        done = CliRunner().invoke(app, ["run", str(bare), "--send"])
    assert done.exit_code == 2
    assert "[mail]" in done.stderr


def test_a_run_without_network(wood, tmp_path, small_site, monkeypatch, inbox):
    """Neither with --offline nor without [mail] is a socket opened to anywhere."""

    def no_socket(*_, **__):
        raise AssertionError("a socket was opened")

    bare = small_site(tmp_path / "bare")
    monkeypatch.setattr(socket.socket, "connect", no_socket)
    monkeypatch.setattr(socket, "create_connection", no_socket)
    monkeypatch.setattr(socket, "getaddrinfo", no_socket)
    with time_machine.travel(EVENING, tick=False):
        for site, options in ((wood, ["--offline"]), (bare, [])):
            out = tmp_path / "out-offline"
            done = CliRunner().invoke(app, ["run", str(site), *options, "--out", str(out)])
            assert done.exit_code == 0, done.output
            assert len(list((out / "alder-hanger" / "2025-10-27").glob("*.eml"))) == 3
    assert inbox.taken == []


def test_check_greets_the_server_and_sends_nothing(wood, inbox):
    with time_machine.travel(EVENING, tick=False):
        done = CliRunner().invoke(app, ["check", str(wood)])
    assert done.exit_code == 0, done.output
    assert [line.split()[0] for line in done.stdout.splitlines() if line[:1] != " "] == ["ok"] * 7
    assert f"127.0.0.1:{inbox.port} answers" in done.stdout
    assert inbox.taken == []


def test_check_tells_of_a_server_that_is_down(wood, inbox):
    inbox.go_down()
    with time_machine.travel(EVENING, tick=False):
        done = CliRunner().invoke(app, ["check", str(wood)])
    assert done.exit_code in (75, 78)
    assert "FAULT  mail" in done.stdout
