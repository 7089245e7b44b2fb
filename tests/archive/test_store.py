"""The archive: one transaction, honest time, each message claimed once, clear faults.

Codes of SQLite's errors: sqlite.org/rescode.html.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from riskcast.archive import FILE_NAME, STATES, Archive, StoredMessage, database, instant
from riskcast.base.errors import DeliveryError, InputMissingError, RiskcastError

ISSUED = "2025-10-27T22:59:59"


def message(n: int = 1, eml: bytes = b"Subject: x\r\n\r\ny\r\n") -> StoredMessage:
    return StoredMessage(f"<{n}@example.org>", f"p{n}@example.org", "monitor", eml)


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "state" / "alder-hanger")


def rows(archive: Archive, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(archive.folder / FILE_NAME)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps no mode bits")
def test_folder_and_database_are_for_their_owner_only(archive: Archive) -> None:
    assert stat.S_IMODE(archive.folder.stat().st_mode) == 0o700
    assert stat.S_IMODE((archive.folder / FILE_NAME).stat().st_mode) == 0o600


def test_a_run_and_its_messages_come_back_as_they_went_in(archive: Archive) -> None:
    eml = bytes(range(256))
    assert archive.record("a", ISSUED, "k", run='{"é": 1}', messages=[message(1, eml)])
    assert archive.previous_run("a", "2025-10-28") == '{"é": 1}'
    kept = archive.message("<1@example.org>")
    assert kept is not None
    assert kept.eml == eml
    assert (kept.recipient, kept.role, kept.site_id) == ("p1@example.org", "monitor", "a")
    assert (kept.state, kept.tries, kept.sent_at) == ("queued", 0, None)


def test_the_same_run_again_changes_nothing(archive: Archive) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message(1, b"first")])
    before = rows(archive, "SELECT * FROM runs"), rows(archive, "SELECT * FROM messages")
    assert not archive.record("a", ISSUED, "k", run="other", messages=[message(1, b"second")])
    assert (rows(archive, "SELECT * FROM runs"), rows(archive, "SELECT * FROM messages")) == before


def test_a_known_message_keeps_bytes_and_state_when_a_later_run_brings_it_again(
    archive: Archive,
) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message(1, b"first")])
    archive.claim("<1@example.org>")
    archive.mark("<1@example.org>", "sent", "", ISSUED)
    assert archive.record("a", "2025-10-27T23:30", "k2", run="two", messages=[message(1, b"new")])
    kept = archive.message("<1@example.org>")
    assert kept is not None
    assert (kept.eml, kept.state) == (b"first", "sent")


def test_one_bad_message_takes_the_whole_run_back(archive: Archive) -> None:
    bad = StoredMessage("<2@example.org>", None, "monitor", b"")  # type: ignore[arg-type]
    with pytest.raises(RiskcastError):
        archive.record("a", ISSUED, "k", run="one", messages=[message(1), bad])
    assert rows(archive, "SELECT count(*) FROM runs") == [(0,)]
    assert rows(archive, "SELECT count(*) FROM messages") == [(0,)]


def test_previous_run_reads_nothing_from_the_moment_itself_or_later(archive: Archive) -> None:
    for day in ("2025-10-20T12:00", "2025-10-27T22:59:59", "2026-01-12T23:59:59"):
        archive.record("a", day, "k", run=day)
    archive.record("b", "2025-10-26T12:00", "k", run="another site")
    assert archive.previous_run("a", "2025-10-27T22:59:59") == "2025-10-20T12:00"
    assert archive.previous_run("a", "2025-10-27T23:00:00") == "2025-10-27T22:59:59"
    assert archive.previous_run("a", "2025-10-20T12:00") is None
    assert archive.previous_run("nowhere", "2030-01-01") is None


def test_moments_are_compared_as_moments_not_as_text(archive: Archive) -> None:
    # 01:30 in summer time is 00:30 UTC; numpy writes nine decimals and no zone.
    archive.record("a", "2025-10-26T01:30+01:00", "k", run="first")
    archive.record("a", "2025-10-26T00:45:00.000000000", "k", run="second")
    assert archive.previous_run("a", "2025-10-26T00:45Z") == "first"
    assert archive.previous_run("a", "2025-10-26T00:45:00.000001") == "second"
    with pytest.raises(ValueError, match="yesterday"):
        archive.previous_run("a", "yesterday")
    assert instant("2025-10-26T00:45").utcoffset() is not None


def test_of_two_runs_at_one_moment_the_one_recorded_last_counts(archive: Archive) -> None:
    archive.record("a", ISSUED, "sheet as first read", run="first")
    archive.record("a", ISSUED, "sheet corrected", run="second")
    assert archive.previous_run("a", "2025-10-28") == "second"


@pytest.mark.parametrize("final", ["sent", "refused"])
def test_a_settled_message_is_never_claimed_again(archive: Archive, final: str) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message()])
    assert archive.claim("<1@example.org>", at=ISSUED)
    archive.mark("<1@example.org>", final, "note", "2025-10-27T23:01")  # type: ignore[arg-type]
    assert not archive.claim("<1@example.org>")
    assert archive.message_state("<1@example.org>") == final
    with pytest.raises(RiskcastError, match=f"is {final}"):
        archive.mark("<1@example.org>", "failed", "", ISSUED)


def test_a_failed_message_may_be_claimed_again_and_counts_its_tries(archive: Archive) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message()])
    for tries in (1, 2, 3):
        assert archive.claim("<1@example.org>", at="2025-10-27T23:00")
        archive.mark("<1@example.org>", "failed", "busy\n now", ISSUED, next_try="2025-10-28T06:00")
        kept = archive.message("<1@example.org>")
        assert kept is not None
        assert (kept.state, kept.tries, kept.last_error) == ("failed", tries, "busy now")
        assert kept.next_try == "2025-10-28T06:00:00.000000+00:00"
    archive.claim("<1@example.org>")
    archive.mark("<1@example.org>", "sent", "", "2025-10-28T06:00")
    kept = archive.message("<1@example.org>")
    assert kept is not None
    assert (kept.sent_at, kept.last_error) == ("2025-10-28T06:00:00.000000+00:00", None)


def test_what_a_crash_left_in_sending_is_not_claimed_by_anyone(archive: Archive) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message(1), message(2)])
    archive.claim("<1@example.org>", at=ISSUED)
    again = Archive(archive.folder)
    assert not again.claim("<1@example.org>")
    assert [m.message_id for m in again.messages("a", "sending")] == ["<1@example.org>"]
    assert [m.message_id for m in again.messages("a")] == ["<1@example.org>", "<2@example.org>"]
    assert again.messages("b") == ()


def test_a_message_nobody_recorded_cannot_be_claimed_or_marked(archive: Archive) -> None:
    assert archive.message_state("<1@example.org>") is None
    with pytest.raises(RiskcastError, match="record it before it is sent"):
        archive.claim("<1@example.org>")
    with pytest.raises(RiskcastError, match="record it before it is sent"):
        archive.mark("<1@example.org>", "sent", "", ISSUED)


def test_only_a_claimed_message_is_marked_and_only_with_a_state_there_is(archive: Archive) -> None:
    archive.record("a", ISSUED, "k", run="one", messages=[message()])
    with pytest.raises(RiskcastError, match="is queued: only a claimed one"):
        archive.mark("<1@example.org>", "sent", "", ISSUED)
    archive.claim("<1@example.org>")
    for wrong in ("queued", "lost"):
        with pytest.raises(RiskcastError, match=wrong):
            archive.mark("<1@example.org>", wrong, "", ISSUED)  # type: ignore[arg-type]
    assert set(STATES) == {"queued", "sending", "sent", "failed", "refused"}


_CLAIMER = """
import sys
from pathlib import Path
from riskcast.archive import Archive
archive = Archive(Path(sys.argv[1]))
print("ready", flush=True)
sys.stdin.readline()
for n in range(int(sys.argv[2])):
    if archive.claim(f"<{n}@example.org>"):
        print(n, flush=True)
"""


def test_two_processes_claiming_at_once_share_the_messages_without_overlap(
    archive: Archive,
) -> None:
    count = 40
    archive.record("a", ISSUED, "k", run="one", messages=[message(n) for n in range(count)])
    root = Path(database.__file__).parents[2]
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", _CLAIMER, str(archive.folder), str(count)],
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
    claimed = [run.communicate("go\n", timeout=60)[0].split() for run in runs]
    assert all(run.returncode == 0 for run in runs)
    assert sorted(map(int, claimed[0] + claimed[1])) == list(range(count))


def test_a_run_waiting_for_another_that_never_ends_is_told_so(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "_BUSY_S", 0.05)
    holder = sqlite3.connect(archive.folder / FILE_NAME, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(DeliveryError, match="another run has held the archive"):
            archive.record("a", ISSUED, "k", run="one")
    finally:
        holder.close()
    assert archive.record("a", ISSUED, "k", run="one")


def test_a_full_disk_leaves_nothing_half_written(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive.record("a", ISSUED, "k", run="one")
    monkeypatch.setattr(database, "_PRAGMAS", ("PRAGMA max_page_count = 1",))
    with pytest.raises(DeliveryError, match=r"disk is full.*what is not recorded is not sent"):
        archive.record("a", "2025-10-28", "k", run="x" * 100_000, messages=[message()])
    assert rows(archive, "SELECT document FROM runs") == [("one",)]
    assert rows(archive, "SELECT count(*) FROM messages") == [(0,)]


def test_a_read_only_archive_still_tells_what_was_known(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive.record("a", ISSUED, "k", run="one")
    monkeypatch.setattr(database, "_PRAGMAS", ("PRAGMA query_only = ON",))
    opened = Archive(archive.folder)
    assert opened.previous_run("a", "2026-01-01") == "one"
    with pytest.raises(DeliveryError, match="may only be read"):
        opened.record("a", "2025-10-28", "k", run="two")


def test_a_damaged_archive_is_named_and_left_as_it_is(archive: Archive) -> None:
    path = archive.folder / FILE_NAME
    path.write_bytes(b"this is a shopping list, not a database" * 200)
    before = path.read_bytes()
    for attempt in (
        lambda: Archive(archive.folder),
        lambda: archive.record("a", ISSUED, "k", run="one"),
        lambda: archive.previous_run("a", ISSUED),
    ):
        with pytest.raises(InputMissingError, match=r"damaged.*backup"):
            attempt()
    assert path.read_bytes() == before


def test_pages_overwritten_in_the_middle_are_a_damaged_archive(archive: Archive) -> None:
    for n in range(50):
        archive.record("a", f"2025-10-{n % 28 + 1:02d}", str(n), run="x" * 3000)
    path = archive.folder / FILE_NAME
    content = bytearray(path.read_bytes())
    content[4096:] = b"not a page at all" * ((len(content) - 4096) // 17)
    path.write_bytes(content)
    with pytest.raises(InputMissingError, match="damaged"):
        Archive(archive.folder).previous_run("a", "2026-01-01")


def test_a_database_that_vanished_is_not_silently_begun_anew(archive: Archive) -> None:
    archive.record("a", ISSUED, "k", run="one")
    (archive.folder / FILE_NAME).unlink()
    with pytest.raises(InputMissingError, match="cannot be opened"):
        archive.record("a", ISSUED, "k", run="one")


def test_a_newer_layout_and_a_strange_database_are_left_alone(tmp_path: Path) -> None:
    newer = Archive(tmp_path / "newer")
    connection = sqlite3.connect(newer.folder / FILE_NAME)
    connection.execute("UPDATE schema SET version = 99")
    connection.commit()
    connection.close()
    with pytest.raises(InputMissingError, match="layout 99, this riskcast reads layout 1"):
        Archive(newer.folder)

    connection = sqlite3.connect(tmp_path / FILE_NAME)
    connection.execute("CREATE TABLE invoices (id INTEGER)")
    connection.commit()
    connection.close()
    with pytest.raises(InputMissingError, match="not an archive of riskcast"):
        Archive(tmp_path)


def test_a_folder_that_cannot_be_made_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputMissingError, match=r"\[archive\] folder"):
        Archive(tmp_path / "file" / "state")
