"""The message: headers, structure and bytes.

Witness: Python's own parser (`email.policy.default`), and the rules of RFC 5322 (lines, Date,
Message-ID), RFC 2046 §5.1.4 (alternatives, plainest first), RFC 3834 §5 (Auto-Submitted), RFC 2369
§3.2 (List-Unsubscribe), RFC 2047 (words that are not ASCII).
"""

from __future__ import annotations

import datetime as dt
import re
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

import pytest

from riskcast.base.errors import ConfigError
from riskcast.delivery import as_bytes, build, eml_name, stored

ISSUED = "2025-10-27T23:59:59"


def made(letter: Any, recipient: Any, **changes: Any) -> EmailMessage:
    arguments: dict[str, Any] = {
        "sender": "riskcast <alerts@mail.example.org>",
        "reply_to": "keeper@example.org",
        "site_id": "alder-hanger",
        "issued_at": ISSUED,
    }
    return build(letter, recipient, **(arguments | changes))


def parsed(message: EmailMessage) -> EmailMessage:
    found = message_from_bytes(as_bytes(message), policy=policy.default)
    assert isinstance(found, EmailMessage)
    assert not found.defects
    for part in found.walk():
        assert not part.defects
    return found


def lines(part: Any) -> str:
    """The text of a part; on the wire its lines end in CRLF (RFC 5322 §2.1)."""
    return str(part.get_content()).replace("\r\n", "\n")


def test_headers_are_read_back_as_written(letter: Any, person: Any) -> None:
    back = parsed(made(letter(), person(name="Ann Other", address="ann@example.org")))
    assert back["From"].addresses[0].addr_spec == "alerts@mail.example.org"
    assert back["From"].addresses[0].display_name == "riskcast"
    assert back["To"].addresses[0].addr_spec == "ann@example.org"
    assert back["To"].addresses[0].display_name == "Ann Other"
    assert back["Reply-To"] == "keeper@example.org"
    assert back["Subject"] == "Check the boxes on Saturday 1 November"
    assert back["Date"].datetime == dt.datetime(2025, 10, 27, 23, 59, 59, tzinfo=dt.UTC)
    assert back["Auto-Submitted"] == "auto-generated"
    assert back["Content-Language"] == "en"
    assert back["List-Unsubscribe"] == "<mailto:keeper@example.org?subject=stop>"
    assert re.fullmatch(r"<[0-9a-f]{32}@mail\.example\.org>", back["Message-ID"])
    assert back["MIME-Version"] == "1.0"
    assert "In-Reply-To" not in back
    for name in ("From", "To", "Subject", "Date", "Message-ID", "Reply-To"):
        assert len(back.get_all(name)) == 1  # RFC 5322 §3.6: at most one of each


def test_the_plain_part_comes_first_and_both_parts_are_whole(letter: Any, person: Any) -> None:
    text = "Nest 3 °C, “cold”, 15 g – " * 20 + "\n\n.dot\nFrom here on\ntrailing space \n"
    html = "<p>3 °C &amp; colder — a=b</p>\n" + "<i>x</i>" * 200 + "\n"
    back = parsed(made(letter(text=text, html=html), person()))
    assert back.get_content_type() == "multipart/alternative"
    kinds = [part.get_content_type() for part in back.iter_parts()]
    assert kinds == ["text/plain", "text/html"]
    contents = [lines(part) for part in back.iter_parts()]
    assert contents == [text, html]
    assert [part.get_content_charset() for part in back.iter_parts()] == ["utf-8", "utf-8"]


def test_a_letter_without_html_is_one_plain_part(letter: Any, person: Any) -> None:
    back = parsed(made(letter(html=None), person()))
    assert back.get_content_type() == "text/plain"
    assert lines(back) == letter().text


def test_bytes_are_seven_bit_with_crlf_and_short_lines(letter: Any, person: Any) -> None:
    long = letter(
        subject="Ärgerlich lange Überschrift über den nächsten Besuch: " + "ö" * 120,
        text="ü" * 3000 + "\n" + "x" * 3000 + "\n",
        html="<p>" + "ß" * 3000 + "</p>\n",
    )
    raw = as_bytes(made(long, person(name="Zoë " * 30)))
    assert raw.isascii()
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", raw)
    assert raw.endswith(b"\r\n")
    assert max(map(len, raw.split(b"\r\n"))) <= 78  # RFC 5322 §2.1.1


@pytest.mark.parametrize(
    "subject",
    ["Überprüfung am 1. November – 15 g", "巢箱检查", "plain", "a = b? c_d", ""],
)
def test_subjects_in_any_language_survive(letter: Any, person: Any, subject: str) -> None:
    message = made(letter(subject=subject), person())
    assert message["Subject"] == subject
    assert parsed(message)["Subject"] == subject


@pytest.mark.parametrize("length", range(60, 100))
def test_no_header_begins_with_an_empty_line(letter: Any, person: Any, length: int) -> None:
    """A subject that just fits into one line may be put below its name; readers stumble there."""
    subject = ("Check the boxes on Saturday: " + "ash oak " * 20)[: length - 1] + "."
    raw = as_bytes(made(letter(subject=subject), person(name="Site monitor of " + "oak " * 12)))
    assert not re.search(rb"^[A-Za-z-]+:[ \t]*\r\n", raw, re.MULTILINE)
    assert max(map(len, raw.split(b"\r\n"))) <= 78
    assert parsed(made(letter(subject=subject), person()))["Subject"] == subject


@pytest.mark.parametrize("name", ["Jürgen Groß", "O'Neil, Pat (deputy)", '"quoted"', "林", ""])
def test_names_in_any_language_survive(letter: Any, person: Any, name: str) -> None:
    to = parsed(made(letter(), person(name=name)))["To"].addresses
    assert [(a.display_name, a.addr_spec) for a in to] == [(name, "monitor@example.org")]


def test_a_name_that_looks_like_an_address_adds_no_recipient(letter: Any, person: Any) -> None:
    sly = person(name="x <thief@example.net>, y")
    to = parsed(made(letter(), sly))["To"].addresses
    assert [a.addr_spec for a in to] == ["monitor@example.org"]


def test_a_sender_with_a_name_that_is_not_ascii(letter: Any, person: Any) -> None:
    back = parsed(made(letter(), person(), sender="Försterei <wald@example.org>"))
    assert back["From"].addresses[0].display_name == "Försterei"
    assert back["Message-ID"].endswith("@example.org>")


def test_the_date_keeps_the_zone_it_was_given(letter: Any, person: Any) -> None:
    back = parsed(made(letter(), person(), issued_at="2025-07-01T08:00:00+01:00"))
    assert back["Date"] == "Tue, 01 Jul 2025 08:00:00 +0100"


def test_a_following_message_names_the_one_before(letter: Any, person: Any) -> None:
    back = parsed(made(letter(), person(), in_reply_to="<abc@example.org>"))
    assert (back["In-Reply-To"], back["References"]) == ("<abc@example.org>", "<abc@example.org>")


def test_without_reply_to_the_sender_is_asked_to_stop(letter: Any, person: Any) -> None:
    back = parsed(made(letter(), person(), reply_to=None))
    assert "Reply-To" not in back
    assert back["List-Unsubscribe"] == "<mailto:alerts@mail.example.org?subject=stop>"


def test_the_same_run_gives_the_same_bytes(letter: Any, person: Any) -> None:
    assert as_bytes(made(letter(), person())) == as_bytes(made(letter(), person()))


def test_the_id_tells_messages_apart_and_repeats_for_a_repeated_run(
    letter: Any, person: Any
) -> None:
    first = made(letter(), person())["Message-ID"]
    same = [
        made(letter(), person(), issued_at="2025-10-27T06:00"),  # an earlier run that day
        made(letter(text=letter().text + "\nWe wrote this at 06:00.\n"), person()),
        made(letter(html=None), person()),
        made(letter(), person(name="Renamed")),
        made(letter(), person(address="monitor@EXAMPLE.org")),
        made(letter(), person(), in_reply_to="<abc@example.org>"),
        made(letter(), person(), sender="Other name <alerts@mail.example.org>"),
    ]
    other = [
        made(letter(text="Fresh forecast.\n"), person()),
        made(letter(subject="Keep the planned day"), person()),
        made(letter(role="coordinator"), person()),
        made(letter(), person(address="other@example.org")),
        made(letter(), person(), issued_at="2025-10-28T00:00"),
        made(letter(), person(), site_id="other-wood"),
    ]
    assert {message["Message-ID"] for message in same} == {first}
    ids = [message["Message-ID"] for message in other]
    assert len({first, *ids}) == len(other) + 1


def test_site_and_recipient_are_not_readable_in_the_id(letter: Any, person: Any) -> None:
    raw = as_bytes(made(letter(html=None), person(name="N", address="zq@example.net"))).decode()
    assert "alder" not in raw
    assert not re.search(r"Message-ID:.*zq", raw)


def test_what_the_archive_keeps_is_the_message(letter: Any, person: Any) -> None:
    message = made(letter(), person())
    kept = stored(message, person())
    assert kept.message_id == message["Message-ID"]
    assert (kept.recipient, kept.role) == ("monitor@example.org", "monitor")
    assert kept.eml == as_bytes(message)


@pytest.mark.parametrize("character", ["\n", "\r", "\r\n", "\0", "\x85", "\u2028"])
def test_no_input_writes_headers_of_its_own(letter: Any, person: Any, character: str) -> None:
    payload = f"x{character}Bcc: thief@example.net"
    cases: list[tuple[Any, Any, dict[str, Any]]] = [
        (letter(subject=payload), person(), {}),
        (letter(), person(name=payload), {}),
        (letter(), person(address=f"monitor@example.org{character}Bcc: t@example.net"), {}),
        (letter(), person(), {"sender": f"riskcast <a@example.org>{character}Bcc: t@example.net"}),
        (letter(), person(), {"reply_to": f"a@example.org{character}Bcc: t@example.net"}),
        (letter(), person(), {"in_reply_to": f"<a@b>{character}Bcc: t@example.net"}),
    ]
    for written, recipient, changes in cases:
        with pytest.raises(ConfigError) as caught:
            made(written, recipient, **changes)
        assert "recipient monitor@example.org" in str(caught.value)
        assert "headers of its own" in str(caught.value)
        assert f"x{character}" not in str(caught.value)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "monitor",
        "monitor@",
        "@example.org",
        "a@b@c",
        "a@example.org, b@example.org",
        "a b@c.org",
        "mönitor@example.org",
        "monitor@wäldchen.example",
    ],
)
def test_what_is_no_address_is_named_with_its_recipient(
    letter: Any, person: Any, address: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        made(letter(), person(address=address))
    (fault,) = caught.value.faults
    assert fault.where == "[[recipients]] address"
    assert address[:80] in fault.source


def test_all_faults_of_a_message_come_at_once(letter: Any, person: Any) -> None:
    with pytest.raises(ConfigError) as caught:
        made(letter(subject="a\nb"), person(address="nobody"), sender="two@x.org, three@x.org")
    wheres = {fault.where for fault in caught.value.faults}
    assert wheres == {"subject", "[[recipients]] address", "[mail] from"}


def test_file_names_are_plain(letter: Any) -> None:
    assert eml_name("rehabilitator", 2) == "alert-rehabilitator-2.eml"
    for role, n in (("../x", 1), ("", 1), ("monitor", 0)):
        with pytest.raises(ValueError, match="no file name"):
            eml_name(role, n)
