"""A real SMTP server (aiosmtpd) on loopback, and the settings and letters to use it with."""

from __future__ import annotations

import asyncio
import importlib.util
import shutil
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword


@dataclass(frozen=True)
class MailSettings:
    """The attributes of `riskcast.site.Mail` that delivery reads."""

    port: int
    host: str = "localhost"
    security: str = "none"
    username: str | None = None
    secret: str | None = field(default=None, repr=False)

    def password(self) -> str | None:
        return self.secret


@dataclass(frozen=True)
class Person:
    """The attributes of `riskcast.site.Recipient` that delivery reads."""

    name: str = "Site monitor"
    address: str = "monitor@example.org"
    role: str = "monitor"


@dataclass(frozen=True)
class WrittenLetter:
    role: str = "monitor"
    subject: str = "Check the boxes on Saturday 1 November"
    text: str = "Check the boxes on Saturday 1 November.\n\n.A line with a leading dot.\n"
    html: str | None = "<p>Check the boxes on <b>Saturday 1 November</b>.</p>\n"


@dataclass
class Inbox:
    """What the server took, and how it is told to answer."""

    taken: list[tuple[str, list[str], bytes]] = field(default_factory=list)
    mail_reply: str = "250 OK"
    rcpt_replies: dict[str, str] = field(default_factory=dict)
    data_replies: list[str] = field(default_factory=list)
    logins: dict[str, str] = field(default_factory=dict)
    attempts: int = 0
    connections: int = 0

    def recipients(self) -> list[str]:
        return [to for _, tos, _ in self.taken for to in tos]

    async def handle_EHLO(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        return responses

    async def handle_MAIL(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        if self.mail_reply.startswith("250"):
            envelope.mail_from = address
        return self.mail_reply

    async def handle_RCPT(  # noqa: N802
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        self.attempts += 1
        reply = self.rcpt_replies.get(address, "250 OK")
        if reply.startswith("250"):
            envelope.rcpt_tos.append(address)
        return reply

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        reply = self.data_replies.pop(0) if self.data_replies else "250 taken"
        if reply.startswith("250"):
            self.taken.append((envelope.mail_from, list(envelope.rcpt_tos), envelope.content))
        return reply

    def authenticate(
        self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        known = self.logins.get(data.login.decode())
        success = known is not None and data.password == known.encode()
        return AuthResult(success=success, handled=False)  # aiosmtpd words the answer


@pytest.fixture
def settings() -> type[MailSettings]:
    return MailSettings


@pytest.fixture
def person() -> type[Person]:
    return Person


@pytest.fixture
def letter() -> type[WrittenLetter]:
    return WrittenLetter


@pytest.fixture
def inbox() -> type[Inbox]:
    return Inbox


@dataclass
class RunningServer:
    port: int
    inbox: Inbox


class _Thread:
    """An event loop in a thread of its own, with servers on ports the system chose."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._servers: list[asyncio.Server] = []
        self._thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self._thread.start()

    def serve(self, make: Callable[[], Any], tls: ssl.SSLContext | None) -> int:
        async def start() -> int:
            server = await self.loop.create_server(make, "127.0.0.1", 0, ssl=tls)
            self._servers.append(server)
            return int(server.sockets[0].getsockname()[1])

        return asyncio.run_coroutine_threadsafe(start(), self.loop).result(timeout=10)

    def stop(self) -> None:
        async def settle() -> None:
            for server in self._servers:
                server.close()
            rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
            for task in rest:
                task.cancel()
            await asyncio.gather(*rest, return_exceptions=True)

        asyncio.run_coroutine_threadsafe(settle(), self.loop).result(timeout=10)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(timeout=10)
        self.loop.close()


@pytest.fixture
def serve() -> Iterator[Callable[..., RunningServer]]:
    """`serve(inbox, implicit_tls=…, **aiosmtpd options)` starts a server and says its port."""
    thread = _Thread()

    def start(
        inbox: Inbox | None = None, *, implicit_tls: ssl.SSLContext | None = None, **options: Any
    ) -> RunningServer:
        box = inbox or Inbox()
        if box.logins:
            options.setdefault("authenticator", box.authenticate)

        def make() -> SMTP:
            box.connections += 1
            return SMTP(box, hostname="mail.test", loop=thread.loop, **options)

        return RunningServer(thread.serve(make, implicit_tls), box)

    yield start
    thread.stop()


@dataclass(frozen=True)
class Certificate:
    cert: Path
    key: Path

    def server(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.cert, self.key)
        return context

    def client(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.cert))


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A self-made certificate for "localhost", good for two days."""
    folder = tmp_path_factory.mktemp("certificate")
    made = Certificate(folder / "cert.pem", folder / "key.pem")
    if importlib.util.find_spec("cryptography"):
        _with_cryptography(made)
    elif shutil.which("openssl"):
        _with_openssl(made)
    else:
        pytest.skip("a certificate needs the package cryptography or the program openssl")
    return made


def _with_openssl(made: Certificate) -> None:
    words = ["openssl", "req", "-x509", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    words += ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    words += ["-addext", "subjectAltName=DNS:localhost"]
    subprocess.run(
        [*words, "-keyout", str(made.key), "-out", str(made.cert)], check=True, capture_output=True
    )


def _with_cryptography(made: Certificate) -> None:
    import datetime as dt

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = dt.datetime.now(dt.UTC)
    cert = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    made.cert.write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    made.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
