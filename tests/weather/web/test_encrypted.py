"""Encrypted services: a certificate made for the test, trusted only where it is named."""

from __future__ import annotations

import datetime as dt
import importlib.util
import ipaddress
import shutil
import ssl
import subprocess

import pytest

from riskcast.weather.web import SourceError

GOOD = {"hourly": {"temperature_2m": [7.1, 6.8]}}


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """(certificate, key) for 127.0.0.1, good for two days."""
    folder = tmp_path_factory.mktemp("certificate")
    made = folder / "cert.pem", folder / "key.pem"
    if importlib.util.find_spec("cryptography"):
        with_cryptography(*made)
    elif shutil.which("openssl"):
        with_openssl(*made)
    else:
        pytest.skip("a certificate needs the package cryptography or the program openssl")
    return made


def with_openssl(cert, key):
    words = ["openssl", "req", "-x509", "-nodes", "-days", "2", "-subj", "/CN=loopback"]
    words += ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    words += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)]
    subprocess.run(words, check=True, capture_output=True)


def with_cryptography(cert, key):
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "loopback")])
    at = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
    now = dt.datetime.now(dt.UTC)
    signed = (
        x509.CertificateBuilder(name, name, private.public_key(), x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=2))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.SubjectAlternativeName([at]), critical=False)
        .sign(private, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    plain = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    cert.write_bytes(signed.public_bytes(pem))
    key.write_bytes(private.private_bytes(pem, *plain))


@pytest.fixture
def encrypted(certificate, serve):
    def make(*acts):
        server = serve(*acts)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*certificate)
        server.http.socket = context.wrap_socket(server.http.socket, server_side=True)
        return server

    return make


@pytest.fixture
def trusted(certificate, monkeypatch):
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(certificate[0]))


def test_an_unknown_certificate_is_refused_at_once(encrypted, reply, ask, clock):
    server = encrypted(reply())
    with pytest.raises(SourceError, match="could not prove who it is"):
        ask(server)
    assert server.seen == []
    assert clock.pauses == []


@pytest.mark.usefixtures("trusted")
def test_a_trusted_one_is_read(encrypted, reply, ask):
    assert ask(encrypted(reply())).value == GOOD


@pytest.mark.usefixtures("trusted")
def test_never_sent_on_to_an_open_address(encrypted, serve, reply, ask):
    plain = serve(reply())

    def sent_on(handler):
        handler.send_response_only(302)
        handler.send_header("Location", plain.url)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    with pytest.raises(SourceError, match="not encrypted, which is not followed"):
        ask(encrypted(sent_on))
    assert plain.seen == []


def test_an_open_port_where_an_encrypted_one_was_meant(serve, reply, ask, make_web):
    url = serve(reply()).url.replace("http:", "https:")
    with pytest.raises(SourceError, match="did not agree on an encrypted connection"):
        ask(url, make_web(limits={"tries": 1}))
