"""Mail servers that hang, hang up, contradict themselves or repeat secrets.

A well-behaved server cannot be asked to misbehave byte by byte, so this one is a script on a bare
socket. When a message counts as taken is RFC 5321 §6.1: with the answer to the final dot, not
before.
"""

from __future__ import annotations

import base64
import logging
import socket
import struct
import threading
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from riskcast.archive import Archive, StoredMessage
from riskcast.base.errors import ConfigError, DeliveryError
from riskcast.delivery import NotSentError, SmtpTransport, UnclearFateError, left_behind, send_all

NOW = "2025-10-28T06:00:00"
SECRET = "kestrel-77  over+the/ridge"
HANG, DROP = "HANG", "DROP"

_ANSWERS = {
    "GREETING": "220 script ready",
    "EHLO": "250-script\r\n250 AUTH PLAIN LOGIN",
    "AUTH": "235 come in",
    "MAIL": "250 OK",
    "RCPT": "250 OK",
    "DATA": "354 go on",
    ".": "250 taken",
    "RSET": "250 OK",
    "QUIT": "221 bye",
}


@dataclass(frozen=True)
class Mail:
    port: int
    host: str = "127.0.0.1"
    security: str = "none"
    username: str | None = None
    secret: str | None = field(default=None, repr=False)

    def password(self) -> str | None:
        return self.secret


@dataclass
class ScriptedServer:
    """Answers each connection by its own script; the last script serves all that follow."""

    scripts: list[dict[str, Any]]
    taken: list[bytes] = field(default_factory=list)
    seen: list[str] = field(default_factory=list)
    connections: int = 0

    def __post_init__(self) -> None:
        self._over = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        # Small, so that a large message is still being sent when the connection breaks.
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8192)
        self.port = int(self._listener.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def stop(self) -> None:
        self._over.set()
        with socket.socket() as knock:  # wakes accept()
            knock.connect(("127.0.0.1", self.port))
        for thread in self._threads:
            thread.join(timeout=10)
        self._listener.close()

    def _accept(self) -> None:
        while True:
            connection, _ = self._listener.accept()
            if self._over.is_set():
                connection.close()
                return
            script = _ANSWERS | self.scripts[min(self.connections, len(self.scripts) - 1)]
            self.connections += 1
            thread = threading.Thread(target=self._talk, args=(connection, script), daemon=True)
            thread.start()
            self._threads.append(thread)

    def _talk(self, connection: socket.socket, script: dict[str, Any]) -> None:
        with connection, connection.makefile("rb") as lines:
            try:
                if not self._answer(connection, script, "GREETING", b""):
                    return
                while line := lines.readline():
                    verb = line.split()[0].decode().upper()
                    self.seen.append(verb)
                    if not self._answer(connection, script, verb, line) or verb == "QUIT":
                        return
                    if verb == "DATA" and str(script["DATA"]).startswith("354"):
                        body = self._body(connection, lines, script)
                        if body is None:
                            return
                        if str(script["."]).startswith("250"):
                            self.taken.append(body)  # before the answer: then the test looks
                        if not self._answer(connection, script, ".", body):
                            return
            except OSError:
                return

    def _body(self, connection: socket.socket, lines: Any, script: dict[str, Any]) -> bytes | None:
        if script.get("MIDWAY") == DROP:
            lines.read(10)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return None
        body = b""
        while (line := lines.readline()) not in (b".\r\n", b""):
            body += line
        return body

    def _answer(
        self, connection: socket.socket, script: dict[str, Any], verb: str, line: bytes
    ) -> bool:
        """False when the connection ends here."""
        answer = script.get(verb, "500 what?")
        if answer == HANG:
            self._over.wait(timeout=30)
            return False
        if answer == DROP:
            return False
        text = answer(line) if callable(answer) else answer
        connection.sendall(text if isinstance(text, bytes) else text.encode() + b"\r\n")
        return True


@pytest.fixture
def scripted() -> Iterator[Any]:
    running: list[ScriptedServer] = []

    def start(*scripts: dict[str, Any]) -> ScriptedServer:
        running.append(ScriptedServer(list(scripts) or [{}]))
        return running[-1]

    yield start
    for server in running:
        server.stop()


@pytest.fixture
def transport() -> Iterator[Any]:
    made: list[SmtpTransport] = []

    def make(server: ScriptedServer, *, mail: Mail | None = None, **changes: Any) -> SmtpTransport:
        arguments: dict[str, Any] = {"timeout_s": 1.0, "pauses_s": (0.0, 0.0)}
        made.append(SmtpTransport(mail or Mail(server.port), **(arguments | changes)))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.close()


def eml(size: int = 0) -> bytes:
    return b"From: riskcast <a@example.org>\r\n\r\nhello\r\n" + b"x" * 70 * size + b"\r\n"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = Archive(tmp_path)
    made.record("wood", "2025-10-27T23:59:59", "k", run="{}", messages=messages())
    return made


def messages() -> list[StoredMessage]:
    return [
        StoredMessage(f"<{name}@x.org>", f"{name}@example.org", "monitor", eml())
        for name in ("ann", "bob")
    ]


@pytest.mark.parametrize("fault", [HANG, DROP])
@pytest.mark.parametrize("verb", ["GREETING", "EHLO", "MAIL", "RCPT", "DATA"])
def test_a_server_lost_before_the_message_is_tried_three_times_then_left(
    scripted: Any, transport: Any, verb: str, fault: str
) -> None:
    server = scripted({verb: fault})
    with pytest.raises(NotSentError) as caught:
        transport(server, timeout_s=0.1).send("ann@example.org", eml())
    assert f"127.0.0.1:{server.port}" in str(caught.value)
    assert server.connections == 3
    assert server.taken == []


@pytest.mark.parametrize("fault", [HANG, DROP])
def test_a_server_lost_after_the_last_byte_may_have_taken_it(
    scripted: Any, transport: Any, archive: Archive, fault: str
) -> None:
    server = scripted({".": fault}, {})
    results = send_all(archive, messages(), transport(server), now=NOW)
    assert [r.outcome for r in results] == ["unknown", "sent"]
    assert "may have arrived. Ask the recipient." in results[0].note
    assert server.connections == 2

    results = send_all(archive, messages(), transport(server), now="2025-10-28T07:00")
    assert [r.outcome for r in results] == ["unknown", "already_sent"]
    assert server.connections == 2
    (left,) = left_behind(archive, "wood", now="2025-10-29T06:00")
    assert left.recipient == "ann@example.org"


def test_a_connection_reset_within_the_message_was_not_taken_and_is_tried_again(
    scripted: Any, transport: Any
) -> None:
    server = scripted({"MIDWAY": DROP}, {})
    large = eml(100_000)  # 7 MB: more than the sockets between hold
    transport(server, timeout_s=5.0).send("ann@example.org", large)
    assert server.connections == 2
    assert server.taken == [large]


def test_a_server_that_recovers_gets_every_message_once(
    scripted: Any, transport: Any, archive: Archive
) -> None:
    server = scripted({"GREETING": "421 starting"}, {"MAIL": DROP}, {})
    results = send_all(archive, messages(), transport(server), now=NOW)
    assert [r.outcome for r in results] == ["sent", "sent"]
    assert (len(server.taken), server.connections) == (2, 3)


def test_a_server_that_closes_with_421_between_messages_is_called_again(
    scripted: Any, transport: Any, archive: Archive
) -> None:
    server = scripted({"RCPT": "421 shutting down"}, {})
    results = send_all(archive, messages(), transport(server), now=NOW)
    assert [r.outcome for r in results] == ["sent", "sent"]
    assert server.connections == 2


def test_a_server_that_drops_one_message_every_time_still_serves_the_others(
    scripted: Any, transport: Any, archive: Archive
) -> None:
    server = scripted({"DATA": DROP}, {"DATA": DROP}, {"DATA": DROP}, {})
    results = send_all(archive, messages(), transport(server), now=NOW)
    assert [r.outcome for r in results] == ["failed", "sent"]
    assert "broke the connection off" in results[0].note
    later = send_all(archive, messages(), transport(server), now="2025-10-28T07:00")
    assert [r.outcome for r in later] == ["sent", "already_sent"]
    assert len(server.taken) == 2


def test_a_server_away_fails_all_messages_without_waiting_for_each(
    scripted: Any, transport: Any, archive: Archive
) -> None:
    server = scripted({"GREETING": HANG})
    results = send_all(archive, messages(), transport(server, timeout_s=0.1), now=NOW)
    assert [r.outcome for r in results] == ["failed", "failed"]
    assert server.connections == 3
    kept = archive.message("<bob@x.org>")
    assert kept is not None
    assert (kept.state, kept.tries) == ("failed", 1)


def test_all_messages_together_have_one_limit_of_time(scripted: Any, transport: Any) -> None:
    server = scripted({"RCPT": "450 later"})
    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    one = transport(server, total_s=10.0, pauses_s=(4.0, 4.0), sleep=sleep, clock=lambda: now[0])
    with pytest.raises(NotSentError, match="cannot take the recipient now"):
        one.send("ann@example.org", eml())
    assert now[0] == 8.0
    with pytest.raises(NotSentError):
        one.send("bob@example.org", eml())
    assert now[0] == 8.0  # a pause of 4 s no longer fits into the 2 s left
    now[0] = 11.0
    one.close()
    with pytest.raises(NotSentError, match="The 10 s for sending are over"):
        one.send("cid@example.org", eml())


@pytest.mark.parametrize("answer", [b"\xff\xfe\x00garbage\r\n", b"2" * 20_000 + b"\r\n", b"\r\n"])
def test_nonsense_instead_of_a_greeting_is_an_error_in_words(
    scripted: Any, transport: Any, answer: bytes
) -> None:
    with pytest.raises((DeliveryError, ConfigError), match=r"127\.0\.0\.1") as caught:
        transport(scripted({"GREETING": answer})).greeting()
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 500


def test_nonsense_after_the_message_leaves_its_fate_open(scripted: Any, transport: Any) -> None:
    with pytest.raises(UnclearFateError):
        transport(scripted({".": b"2" * 20_000 + b"\r\n"})).send("ann@example.org", eml())


def test_a_server_that_turns_everyone_away_for_good(scripted: Any, transport: Any) -> None:
    server = scripted({"GREETING": "554 no service for you"})
    with pytest.raises(ConfigError, match=r'turned riskcast away \(554 "no service for you"\)'):
        transport(server).greeting()
    with pytest.raises(NotSentError):
        transport(server).send("ann@example.org", eml())
    assert server.connections == 2


def _echo(line: bytes) -> str:
    word = line.split()[-1]
    try:
        plain = base64.b64decode(word).decode().replace("\0", " ")
    except ValueError:
        plain = ""
    return f"535 you said {word.decode()} that is {plain}"


def test_no_secret_gets_out_even_if_the_server_repeats_it(
    scripted: Any,
    transport: Any,
    archive: Archive,
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    caplog.set_level(logging.DEBUG)
    only_plain = (
        "250-script\r\n250 AUTH PLAIN"  # else smtplib goes on to LOGIN and its answer counts
    )
    server = scripted({"EHLO": only_plain, "AUTH": _echo, "RCPT": f"550 {SECRET}"})
    mail = Mail(server.port, username="rita", secret=SECRET)
    one = transport(server, mail=mail)
    results = send_all(archive, messages(), one, now=NOW)
    assert [r.outcome for r in results] == ["failed", "failed"]
    with pytest.raises(ConfigError) as caught:
        transport(server, mail=mail).greeting()
    server.scripts[0]["AUTH"] = "235 come in"
    results += send_all(archive, messages(), transport(server, mail=mail), now=NOW)
    assert results[-1].outcome == "refused"

    said = [str(result) for result in results]
    said += ["".join(traceback.format_exception(caught.value)), repr(caught.value.__context__)]
    said += [repr(one), caplog.text, *capfd.readouterr()]
    assert sum("***" in text for text in said) >= len(results)
    everything = "\n".join(said).encode() + (archive.folder / "riskcast.sqlite3").read_bytes()
    forms = [SECRET, " ".join(SECRET.split()), f"\0rita\0{SECRET}", f"rita\0rita\0{SECRET}"]
    for form in forms:
        assert form.encode() not in everything
        assert base64.b64encode(form.encode()) not in everything
