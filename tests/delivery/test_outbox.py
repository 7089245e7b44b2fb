"""The outbox: record, claim, send, mark; each message once, whatever breaks in between."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from riskcast.archive import FILE_NAME, Archive, StoredMessage
from riskcast.base.errors import ConfigError, DeliveryError, RiskcastError
from riskcast.delivery import (
    Delivered,
    NotSentError,
    RefusedError,
    UnclearFateError,
    left_behind,
    require_delivered,
    send_all,
)

NOW = "2025-10-28T06:00:00"


@dataclass
class Postman:
    """A transport that fails as told and remembers what it carried."""

    moods: dict[str, BaseException] = field(default_factory=dict)
    carried: list[tuple[str, bytes]] = field(default_factory=list)
    closed: int = 0
    watch: Callable[[str], None] = lambda _: None

    def send(self, recipient: str, eml: bytes) -> None:
        self.watch(recipient)
        if recipient in self.moods:
            raise self.moods[recipient]
        self.carried.append((recipient, eml))

    def close(self) -> None:
        self.closed += 1


def message(name: str) -> StoredMessage:
    return StoredMessage(f"<{name}@x.org>", f"{name}@example.org", "monitor", name.encode())


MESSAGES = [message(name) for name in ("ann", "bob", "cid")]


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    made = Archive(tmp_path)
    made.record("wood", "2025-10-27T23:59:59", "k", run="{}", messages=MESSAGES)
    return made


def outcomes(results: tuple[Delivered, ...]) -> list[str]:
    return [result.outcome for result in results]


def test_each_message_goes_out_once_over_one_transport(archive: Archive) -> None:
    first, second = Postman(), Postman()
    assert outcomes(send_all(archive, MESSAGES, first, now=NOW)) == ["sent"] * 3
    assert first.carried == [(m.recipient, m.eml) for m in MESSAGES]
    assert outcomes(send_all(archive, MESSAGES, second, now=NOW)) == ["already_sent"] * 3
    assert second.carried == []
    assert (first.closed, second.closed) == (1, 1)
    kept = archive.message("<ann@x.org>")
    assert kept is not None
    assert (kept.state, kept.sent_at) == ("sent", "2025-10-28T06:00:00.000000+00:00")


def test_a_message_is_recorded_as_under_way_before_it_leaves(archive: Archive) -> None:
    seen = []

    def watch(recipient: str) -> None:
        name = recipient.partition("@")[0]
        seen.append(archive.message_state(f"<{name}@x.org>"))

    send_all(archive, MESSAGES, Postman(watch=watch), now=NOW)
    assert seen == ["sending"] * 3


def test_one_message_nobody_recorded_holds_all_of_them_back(archive: Archive) -> None:
    postman = Postman()
    with pytest.raises(RiskcastError, match=r"not recorded, so not sent: <eve@x\.org>"):
        send_all(archive, [*MESSAGES, message("eve")], postman, now=NOW)
    assert postman.carried == []
    assert archive.message_state("<ann@x.org>") == "queued"


def test_what_is_sent_is_what_the_archive_holds(archive: Archive) -> None:
    changed = StoredMessage("<ann@x.org>", "thief@example.net", "monitor", b"other bytes")
    postman = Postman()
    send_all(archive, [changed], postman, now=NOW)
    assert postman.carried == [("ann@example.org", b"ann")]


def test_trouble_with_one_recipient_stops_no_other(archive: Archive) -> None:
    postman = Postman(
        {"ann@example.org": NotSentError("busy"), "bob@example.org": RefusedError("no such box")}
    )
    results = send_all(archive, MESSAGES, postman, now=NOW)
    assert outcomes(results) == ["failed", "refused", "sent"]
    assert str(results[0]) == "ann@example.org (monitor): not sent, will be tried again: busy"

    again = Postman()
    results = send_all(archive, MESSAGES, again, now="2025-10-28T07:00:00")
    assert outcomes(results) == ["sent", "refused", "already_sent"]
    assert results[1].note == "no such box"
    assert again.carried == [("ann@example.org", b"ann")]


def test_the_next_try_moves_away_with_every_failure_up_to_a_day(archive: Archive) -> None:
    postman = Postman({"ann@example.org": NotSentError("busy")})
    waits = []
    for _ in range(9):
        send_all(archive, MESSAGES[:1], postman, now="2025-10-28T00:00")
        kept = archive.message("<ann@x.org>")
        assert kept is not None
        assert kept.next_try is not None
        waits.append(kept.next_try[5:16])
    assert waits[:3] == ["10-28T00:30", "10-28T01:00", "10-28T02:00"]
    assert waits[-1] == waits[-2] == "10-29T00:00"


def test_a_lost_answer_is_reported_and_not_sent_again(archive: Archive) -> None:
    postman = Postman({"ann@example.org": UnclearFateError("Ask the recipient.")})
    (result,) = send_all(archive, MESSAGES[:1], postman, now=NOW)
    assert (result.outcome, result.note) == ("unknown", "Ask the recipient.")

    again = Postman()
    (result,) = send_all(archive, MESSAGES[:1], again, now="2025-10-28T07:00")
    assert (result.outcome, result.note) == ("unknown", "Ask the recipient.")
    assert again.carried == []


def test_a_crash_between_claim_and_mark_is_reported_and_not_sent_again(archive: Archive) -> None:
    postman = Postman({"bob@example.org": KeyboardInterrupt()})
    with pytest.raises(KeyboardInterrupt):
        send_all(archive, MESSAGES, postman, now=NOW)
    assert postman.closed == 1

    again = Postman()
    results = send_all(archive, MESSAGES, again, now="2025-10-28T06:05:00")
    assert outcomes(results) == ["already_sent", "unknown", "sent"]
    assert "2025-10-28T06:00 UTC" in results[1].note
    assert [recipient for recipient, _ in again.carried] == ["cid@example.org"]


def test_the_next_day_hears_of_what_was_left_behind_but_not_of_what_is_under_way(
    archive: Archive,
) -> None:
    archive.claim("<ann@x.org>", at="2025-10-28T06:00")
    archive.claim("<bob@x.org>", at="2025-10-29T05:59")
    (result,) = left_behind(archive, "wood", now="2025-10-29T06:00")
    assert (result.recipient, result.outcome) == ("ann@example.org", "unknown")
    assert left_behind(archive, "other wood", now="2025-10-29T06:00") == ()


def test_if_the_mark_cannot_be_written_nothing_more_is_sent_nor_this_one_twice(
    archive: Archive,
) -> None:
    def breaks(_: str) -> None:
        connection = sqlite3.connect(archive.folder / FILE_NAME)
        connection.executescript(
            "CREATE TRIGGER full BEFORE UPDATE ON messages WHEN new.state = 'sent' "
            "BEGIN SELECT RAISE(ABORT, 'no'); END;"
        )
        connection.close()

    postman = Postman(watch=breaks)
    with pytest.raises(RiskcastError):
        send_all(archive, MESSAGES, postman, now=NOW)
    assert [recipient for recipient, _ in postman.carried] == ["ann@example.org"]
    again = Postman({"bob@example.org": NotSentError("x"), "cid@example.org": NotSentError("x")})
    assert outcomes(send_all(archive, MESSAGES, again, now=NOW))[0] == "unknown"


def test_results_become_one_error_with_the_exit_code_that_fits() -> None:
    def result(outcome: str, name: str) -> Delivered:
        return Delivered("<1@x>", f"{name}@example.org", "monitor", outcome, "why")  # type: ignore[arg-type]

    require_delivered([])
    require_delivered([result("sent", "ann"), result("already_sent", "bob")])
    with pytest.raises(DeliveryError) as caught:
        require_delivered(
            [result("sent", "ann"), result("failed", "bob"), result("refused", "cid")]
        )
    assert caught.value.exit_code == 75
    assert "2 messages were" in str(caught.value)
    assert "bob@example.org" in str(caught.value)
    assert "cid@example.org" in str(caught.value)
    assert "ann@example.org" not in str(caught.value)
    with pytest.raises(DeliveryError, match="nobody knows"):
        require_delivered([result("unknown", "ann")])
    with pytest.raises(ConfigError, match="1 message was"):
        require_delivered([result("refused", "ann"), result("sent", "bob")])
