"""Sending to a real SMTP server (aiosmtpd) on loopback."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from email import message_from_bytes, policy
from pathlib import Path
from typing import Any

import pytest

import riskcast.delivery
from riskcast.archive import Archive, StoredMessage
from riskcast.base.errors import ConfigError, DeliveryError
from riskcast.delivery import (
    NotSentError,
    RefusedError,
    SmtpTransport,
    as_bytes,
    build,
    send_all,
    stored,
)
from riskcast.site import Mail, Recipient

NOW = "2025-10-28T06:00:00"
SECRET = "kestrel-77=over+the/ridge"

# aiosmtpd warns when AUTH is offered without TLS: here on purpose, on loopback.
auth_without_tls = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")


@pytest.fixture
def naps() -> list[float]:
    return []


@pytest.fixture
def transport(naps: list[float]) -> Any:
    """`transport(settings, …)`: short patience, and naps noted instead of taken."""
    made: list[SmtpTransport] = []

    def make(mail: Any, **changes: Any) -> SmtpTransport:
        arguments: dict[str, Any] = {"timeout_s": 5.0, "sleep": naps.append}
        made.append(SmtpTransport(mail, **(arguments | changes)))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def post(letter: Any, person: Any) -> Callable[..., list[StoredMessage]]:
    """`post("ann@example.org", …)`: one finished message a recipient."""

    def make(*addresses: str) -> list[StoredMessage]:
        made = []
        for address in addresses:
            to = person(name="Jürgen", address=address)
            message = build(
                letter(subject="Prüfen – Samstag"),
                to,
                sender="riskcast <alerts@example.org>",
                reply_to=None,
                site_id="wood",
                issued_at="2025-10-27T23:59:59",
            )
            made.append(stored(message, to))
        return made

    return make


def test_a_message_arrives_byte_for_byte(
    serve: Any, settings: Any, transport: Any, post: Any, letter: Any
) -> None:
    server = serve()
    (message,) = post("ann@example.org")
    transport(settings(server.port)).send(message.recipient, message.eml)
    ((sender, recipients, content),) = server.inbox.taken
    assert (sender, recipients) == ("alerts@example.org", ["ann@example.org"])
    assert content == message.eml
    back = message_from_bytes(content, policy=policy.default)
    assert back["Subject"] == "Prüfen – Samstag"
    plain = back.get_body(("plain",))
    assert plain is not None
    assert plain.get_content().replace("\r\n", "\n") == letter().text  # leading dot and all


@auth_without_tls
def test_the_sections_of_a_site_file_are_enough(
    serve: Any, transport: Any, letter: Any, inbox: Any, tmp_path: Path
) -> None:
    box = inbox(logins={"rita": SECRET})
    server = serve(box, auth_required=True, auth_require_tls=False)
    (tmp_path / "password").write_text(SECRET + "\n")
    mail = Mail(
        host="127.0.0.1",
        port=server.port,
        security="none",
        username="rita",
        password_file=tmp_path / "password",
        from_="riskcast <alerts@example.org>",
        reply_to="keeper@example.org",
    )
    ann = Recipient(name="Ann", address="ann@example.org", role="coordinator")
    message = build(
        letter(role="coordinator"),
        ann,
        sender=mail.from_,
        reply_to=mail.reply_to,
        site_id="wood",
        issued_at="2025-10-27T23:59:59",
    )
    kept = stored(message, ann)
    transport(mail).send(kept.recipient, kept.eml)
    assert box.taken == [("alerts@example.org", ["ann@example.org"], kept.eml)]


def test_all_messages_of_a_run_share_one_connection_and_a_second_run_opens_none(
    serve: Any, settings: Any, transport: Any, post: Any, tmp_path: Path
) -> None:
    server = serve()
    messages = post("ann@example.org", "bob@example.org", "cid@example.org")
    archive = Archive(tmp_path)
    archive.record("wood", "2025-10-27T23:59:59", "k", run="{}", messages=messages)
    results = send_all(archive, messages, transport(settings(server.port)), now=NOW)
    assert {r.outcome for r in results} == {"sent"}
    assert server.inbox.connections == 1
    results = send_all(archive, messages, transport(settings(server.port)), now=NOW)
    assert {r.outcome for r in results} == {"already_sent"}
    assert server.inbox.connections == 1
    assert len(server.inbox.taken) == 3


def test_starttls_then_login_then_mail(
    serve: Any, settings: Any, transport: Any, post: Any, inbox: Any, certificate: Any
) -> None:
    box = inbox(logins={"rita": SECRET})
    server = serve(box, tls_context=certificate.server(), require_starttls=True, auth_required=True)
    mail = settings(server.port, security="starttls", username="rita", secret=SECRET)
    (message,) = post("ann@example.org")
    one = transport(mail, context=certificate.client())
    said = one.greeting()
    assert "TLSv1." in said
    assert 'login of "rita" is accepted' in said
    assert box.taken == []
    one.send(message.recipient, message.eml)
    assert box.recipients() == ["ann@example.org"]


def test_tls_from_the_first_byte(
    serve: Any, settings: Any, transport: Any, post: Any, certificate: Any
) -> None:
    server = serve(implicit_tls=certificate.server())
    (message,) = post("ann@example.org")
    one = transport(settings(server.port, security="tls"), context=certificate.client())
    one.send(message.recipient, message.eml)
    assert server.inbox.recipients() == ["ann@example.org"]
    assert "no login is configured" in one.greeting()


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_an_unknown_certificate_is_not_trusted(
    serve: Any, settings: Any, transport: Any, post: Any, certificate: Any, security: str
) -> None:
    implicit = certificate.server() if security == "tls" else None
    later = {} if implicit else {"tls_context": certificate.server()}
    server = serve(implicit_tls=implicit, **later)
    (message,) = post("ann@example.org")
    one = transport(settings(server.port, security=security))
    with pytest.raises(NotSentError, match=r"certificate of localhost:.* cannot be trusted"):
        one.send(message.recipient, message.eml)
    with pytest.raises(ConfigError, match="cannot be trusted"):
        one.greeting()
    assert server.inbox.taken == []


def test_a_certificate_for_another_name_is_not_trusted(
    serve: Any, settings: Any, transport: Any, certificate: Any
) -> None:
    server = serve(implicit_tls=certificate.server())
    mail = settings(server.port, host="127.0.0.1", security="tls")
    with pytest.raises(ConfigError, match=r"cannot be trusted .*127\.0\.0\.1"):
        transport(mail, context=certificate.client()).greeting()


def test_starttls_is_required_not_tried(serve: Any, settings: Any, transport: Any) -> None:
    server = serve()
    with pytest.raises(ConfigError, match="does not offer STARTTLS, and riskcast sends nothing"):
        transport(settings(server.port, security="starttls")).greeting()


def _as_if(monkeypatch: pytest.MonkeyPatch, port: int, server_port: int) -> None:
    """Let a well-known port lead to the test's server."""
    connect = socket.create_connection
    monkeypatch.setattr(
        socket,
        "create_connection",
        lambda address, *rest, **more: connect(
            (address[0], server_port if address[1] == port else address[1]), *rest, **more
        ),
    )


def test_port_587_with_tls_names_the_pair(
    serve: Any, settings: Any, transport: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    _as_if(monkeypatch, 587, serve().port)
    with pytest.raises(ConfigError) as caught:
        transport(settings(587, security="tls")).greeting()
    text = str(caught.value)
    assert text.startswith('Port 587 and security = "tls" do not go together')
    assert 'port 587 with security = "starttls"' in text


def test_port_465_with_starttls_names_the_pair(
    serve: Any,
    settings: Any,
    transport: Any,
    certificate: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _as_if(monkeypatch, 465, serve(implicit_tls=certificate.server()).port)
    with pytest.raises(ConfigError) as caught:
        transport(settings(465, security="starttls"), timeout_s=0.3).greeting()
    text = str(caught.value)
    assert text.startswith('Port 465 and security = "starttls" do not go together')
    assert 'port 465 with security = "tls"' in text


def test_none_is_for_this_machine_only(settings: Any) -> None:
    for host in ("mail.example.org", "192.0.2.7", "localhost.example.org", "10.0.0.1"):
        with pytest.raises(ConfigError, match="in the clear"):
            SmtpTransport(settings(25, host=host))
    for host in ("localhost", "127.0.0.1", "127.0.1.1", "::1"):
        SmtpTransport(settings(25, host=host))
    with pytest.raises(ConfigError, match="expected tls or starttls"):
        SmtpTransport(settings(25, security="maybe"))
    with pytest.raises(ConfigError, match="there is no password"):
        SmtpTransport(settings(25, username="rita"))


def test_nobody_there_and_no_such_name(
    settings: Any, transport: Any, naps: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound, not listening: refuses, and nobody else gets it
        one = transport(settings(taken.getsockname()[1], host="127.0.0.1"))
        with pytest.raises(DeliveryError, match="Nothing answers at 127"):
            one.greeting()
        with pytest.raises(NotSentError, match="Nothing answers"):
            one.send("ann@example.org", b"From: a@example.org\r\n\r\n")
        assert naps == [2.0, 8.0]
        with pytest.raises(NotSentError, match="Nothing answers"):
            one.send("bob@example.org", b"From: a@example.org\r\n\r\n")
        assert naps == [2.0, 8.0]  # the second recipient is not kept waiting too

    def unknown(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "create_connection", unknown)
    with pytest.raises(DeliveryError, match=r'No mail server named "mail\.invalid" was found'):
        transport(settings(465, host="mail.invalid", security="tls")).greeting()


def test_one_recipient_refused_for_good_one_for_now(
    serve: Any, settings: Any, transport: Any, post: Any, inbox: Any, tmp_path: Path, naps: Any
) -> None:
    replies = {
        "ann@example.org": "550 5.1.1 no such box",
        "bob@example.org": "450 4.2.0 greylisted",
    }
    box = inbox(rcpt_replies=replies)
    server = serve(box)
    messages = post("ann@example.org", "bob@example.org", "cid@example.org")
    archive = Archive(tmp_path)
    archive.record("wood", "2025-10-27T23:59:59", "k", run="{}", messages=messages)
    results = send_all(archive, messages, transport(settings(server.port)), now=NOW)
    assert [r.outcome for r in results] == ["refused", "failed", "sent"]
    assert '550 "5.1.1 no such box"' in results[0].note
    assert "[[recipients]]" in results[0].note
    assert '450 "4.2.0 greylisted"' in results[1].note
    assert box.recipients() == ["cid@example.org"]
    assert naps == [2.0, 8.0]
    assert (box.attempts, box.connections) == (5, 1)  # ann once, bob three times, cid once

    box.rcpt_replies.clear()
    results = send_all(archive, messages, transport(settings(server.port)), now=NOW)
    assert [r.outcome for r in results] == ["refused", "sent", "already_sent"]
    assert box.recipients() == ["cid@example.org", "bob@example.org"]


def test_a_busy_server_is_tried_again_within_the_run(
    serve: Any, settings: Any, transport: Any, post: Any, inbox: Any, naps: list[float]
) -> None:
    box = inbox(data_replies=["451 try later", "452 still full"])
    (message,) = post("ann@example.org")
    transport(settings(serve(box).port)).send(message.recipient, message.eml)
    assert (box.recipients(), naps) == (["ann@example.org"], [2.0, 8.0])


def test_the_message_itself_refused(
    serve: Any, settings: Any, transport: Any, post: Any, inbox: Any, naps: list[float]
) -> None:
    box = inbox(data_replies=["554 5.7.1 looks like spam"])
    (message,) = post("ann@example.org")
    with pytest.raises(RefusedError, match=r"refused the message.*looks like spam"):
        transport(settings(serve(box).port)).send(message.recipient, message.eml)
    assert naps == []


def test_a_sender_the_server_does_not_allow_is_a_setting_to_mend_not_a_lost_recipient(
    serve: Any, settings: Any, transport: Any, post: Any, inbox: Any, naps: list[float]
) -> None:
    box = inbox(mail_reply="553 5.7.1 not your address")
    (message,) = post("ann@example.org")
    with pytest.raises(NotSentError, match=r"does not let riskcast send.*\[mail\] from"):
        transport(settings(serve(box).port)).send(message.recipient, message.eml)
    assert naps == []


@auth_without_tls
def test_a_wrong_password_is_one_try_and_one_sentence(
    serve: Any,
    settings: Any,
    transport: Any,
    post: Any,
    inbox: Any,
    naps: list[float],
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    caplog.set_level(logging.DEBUG, logger="riskcast")
    box = inbox(logins={"rita": "something else"})
    server = serve(box, auth_required=True, auth_require_tls=False)
    one = transport(settings(server.port, username="rita", secret=SECRET))
    messages = post("ann@example.org", "bob@example.org")
    for message in messages:
        with pytest.raises(NotSentError, match='did not accept the login of "rita"') as caught:
            one.send(message.recipient, message.eml)
        assert SECRET not in str(caught.value)
        assert caught.value.__cause__ is None
        assert caught.value.__context__ is None
    assert (box.connections, naps) == (1, [])  # no hammering: accounts get locked
    with pytest.raises(ConfigError, match=r"\[mail\] username and the password"):
        one.greeting()
    out, err = capfd.readouterr()
    assert SECRET not in out + err + repr(one) + caplog.text


@auth_without_tls
def test_a_password_that_is_not_ascii_logs_in(
    serve: Any, settings: Any, transport: Any, inbox: Any
) -> None:
    box = inbox(logins={"förster": "Eichhörnchen"})
    server = serve(box, auth_required=True, auth_require_tls=False)
    mail = settings(server.port, username="förster", secret="Eichhörnchen")
    assert "is accepted" in transport(mail).greeting()
    with pytest.raises(ConfigError, match="did not accept"):
        transport(settings(server.port, username="förster", secret="Eichhorn-ö")).greeting()


def test_a_login_the_server_does_not_offer(serve: Any, settings: Any, transport: Any) -> None:
    for secret in (SECRET, "Eichhörnchen"):
        mail = settings(serve().port, username="rita", secret=secret)
        with pytest.raises(ConfigError, match="no way to log in") as caught:
            transport(mail).greeting()
        assert secret not in str(caught.value)


_SENDER = """
import sys
from dataclasses import dataclass
from pathlib import Path
from riskcast.archive import Archive
from riskcast.delivery import SmtpTransport, send_all

@dataclass
class Mail:
    port: int
    host: str = "127.0.0.1"
    security: str = "none"
    username: str | None = None

archive = Archive(Path(sys.argv[1]))
messages = archive.messages("wood")
print("ready", flush=True)
sys.stdin.readline()
for result in send_all(archive, messages, SmtpTransport(Mail(int(sys.argv[2]))), now="2025-10-28"):
    print(result.outcome)
"""


def test_two_runs_at_once_send_each_message_once(serve: Any, post: Any, tmp_path: Path) -> None:
    server = serve()
    addresses = [f"p{n}@example.org" for n in range(12)]
    archive = Archive(tmp_path)
    archive.record("wood", "2025-10-27T23:59:59", "k", run="{}", messages=post(*addresses))
    root = Path(riskcast.delivery.__file__).parents[2]
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", _SENDER, str(tmp_path), str(server.port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(root)},
        )
        for _ in range(2)
    ]
    for run in runs:
        assert run.stdout is not None
        assert run.stdout.readline() == "ready\n"
        assert run.stdin is not None
        run.stdin.write("go\n")
        run.stdin.flush()
    said = [run.communicate(timeout=60)[0].split() for run in runs]
    assert all(run.returncode == 0 for run in runs)
    assert sorted(server.inbox.recipients()) == sorted(addresses)
    assert (said[0] + said[1]).count("sent") == len(addresses)
    assert {m.state for m in archive.messages("wood")} == {"sent"}


def test_bytes_on_the_wire_are_those_of_the_file(letter: Any, person: Any, post: Any) -> None:
    (message,) = post("ann@example.org")
    back = message_from_bytes(message.eml, policy=policy.default)
    assert back["To"].addresses[0].addr_spec == message.recipient
    again = build(
        letter(subject="Prüfen – Samstag"),
        person(name="Jürgen", address="ann@example.org"),
        sender="riskcast <alerts@example.org>",
        reply_to=None,
        site_id="wood",
        issued_at="2025-10-27T23:59:59",
    )
    assert as_bytes(again) == message.eml
