"""The stores help where they can and are never an obstacle: damaged, read-only, full, shared."""

from __future__ import annotations

import json
import os
import pickle
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing

import pytest

from riskcast.weather.web import SourceError, files
from riskcast.weather.web.cache import KEEP_DAYS, AnswerCache
from riskcast.weather.web.ledger import Ledger, Ticket

NOON = 1_699_963_200.0
DAY = 86_400.0
GOOD = {"hourly": {"temperature_2m": [7.1, 6.8]}}
OTHER = {"hourly": {"temperature_2m": [1.0, 2.0]}}


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "cache"


def problems(answer):
    assert {note.code for note in answer.notes} <= {"cache_not_kept"}
    return [note.numbers["problem"] for note in answer.notes]


def refuse_writing(path):
    """Make SQLite itself treat a file as read-only, also for the administrator.

    A file whose "write version" (byte 18) is above 2 may be read but not written (SQLite's
    description of its file format, section 1.3.3).
    """
    raw = bytearray(path.read_bytes())
    raw[18] = 3
    path.write_bytes(raw)


def test_only_this_account_may_look(serve, reply, ask, folder):
    ask(serve(reply()), weight=1)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    names = {path.name for path in folder.iterdir()}
    assert names == {"answers.sqlite", "calls.sqlite"}
    for name in names:
        assert stat.S_IMODE((folder / name).stat().st_mode) == 0o600


def test_a_folder_of_the_keepers_own_keeps_its_mode(serve, reply, ask, folder):
    folder.mkdir(mode=0o755)
    folder.chmod(0o755)
    ask(serve(reply()))
    assert stat.S_IMODE(folder.stat().st_mode) == 0o755


def test_a_file_of_the_cache_runs_no_code(serve, reply, ask, folder):
    """Rows are packed JSON; a pickle put in their place is not opened."""
    marker = folder / "ran"

    class Trap:
        def __reduce__(self):
            return (marker.touch, ())

    server = serve(reply(), reply(OTHER))
    ask(server)
    with closing(sqlite3.connect(folder / "answers.sqlite")) as database, database:
        database.execute("UPDATE answers SET value = ?", (pickle.dumps(Trap()),))
    answer = ask(server, fresh_s=60)
    assert (answer.value, answer.from_cache) == (OTHER, False)
    assert not marker.exists()


def test_answers_nobody_asked_for_are_forgotten(serve, reply, ask, make_web, clock, folder):
    ask(serve(reply()), params={"latitude": "1"})
    clock.seconds += (KEEP_DAYS - 1) * DAY
    ask(serve(reply(at=None)), make_web(), params={"latitude": "2"})
    assert len(AnswerCache(folder, clock.seconds).responses) == 2
    clock.seconds += 2 * DAY
    assert len(AnswerCache(folder, clock.seconds).responses) == 1


@pytest.mark.parametrize("name", ["answers.sqlite", "calls.sqlite"])
@pytest.mark.parametrize(
    "content", [b"no database at all" * 100, b"SQLite format 3\x00" + b"x" * 900]
)
def test_a_damaged_file_is_set_aside_and_begun_anew(
    name, content, serve, reply, ask, make_web, folder
):
    folder.mkdir()
    (folder / name).write_bytes(content)
    server = serve(reply())
    first = ask(server, make_web(), weight=1, fresh_s=60)
    assert first.value == GOOD
    assert problems(first) == [f"The file {name} was damaged and is begun anew."]
    assert (folder / name).with_suffix(".damaged").read_bytes() == content
    again = ask(server, make_web(), weight=1, fresh_s=60)
    assert (again.from_cache, again.notes) == (True, ())


def test_damage_within_a_good_file_is_found_when_it_is_met(serve, reply, ask, make_web, folder):
    """The schema is whole, a page further on is not."""
    big = {"hourly": {"temperature_2m": list(os.urandom(60_000))}}
    server = serve(reply(big), reply(at=None))
    web = make_web()
    ask(server, web)
    path = folder / "answers.sqlite"
    raw = bytearray(path.read_bytes())
    raw[4096:] = b"\xff" * (len(raw) - 4096)
    path.write_bytes(raw)
    answer = ask(server, web, fresh_s=60)
    assert answer.value == GOOD
    assert problems(answer) == ["The file answers.sqlite was damaged and is begun anew."]
    assert ask(server, make_web(), fresh_s=60).from_cache


def test_a_read_only_cache_is_read_and_not_written(serve, reply, ask, make_web, folder, clock):
    server = serve(reply(), reply(OTHER))
    ask(server, make_web(), fresh_s=60)
    refuse_writing(folder / "answers.sqlite")
    kept = ask(server, make_web(), fresh_s=60)
    assert (kept.value, kept.from_cache) == (GOOD, True)
    clock.seconds += 61
    asked = ask(server, make_web(), fresh_s=60)
    assert asked.value == OTHER
    assert problems(asked) == ["The file answers.sqlite may not be written."]
    assert ask(server, make_web(offline=True)).value == GOOD


def test_a_read_only_count_goes_on_in_memory(serve, reply, ask, make_web, folder):
    server = serve(reply())
    ask(server, make_web(), weight=60, calls_a_day=100)
    refuse_writing(folder / "calls.sqlite")
    web = make_web()
    answer = ask(server, web, params={"latitude": "1"}, weight=30, calls_a_day=100)
    assert problems(answer) == ["The file calls.sqlite may not be written."]
    assert web.left_today("open-meteo", 100) == 10.0


def test_a_folder_that_cannot_be_made(serve, reply, ask, make_web, tmp_path):
    (tmp_path / "file").write_text("no folder")
    server = serve(reply())
    web = make_web(folder=tmp_path / "file" / "cache")
    answer = ask(server, web, weight=60, calls_a_day=100)
    assert answer.value == GOOD
    assert problems(answer) == [
        "The file answers.sqlite cannot be opened in the folder of the cache.",
        "The file calls.sqlite cannot be opened in the folder of the cache.",
    ]
    with pytest.raises(SourceError, match="today's share"):
        ask(server, web, weight=60, calls_a_day=100)


def test_a_full_file_keeps_what_it_has(serve, reply, ask, make_web, folder, monkeypatch, clock):
    """SQLite's own limit of pages stands for a disk without room."""
    server = serve(reply(), reply({"noise": list(os.urandom(200_000))}))
    ask(server)
    connect = sqlite3.connect

    def small(*args, **keys):
        database = connect(*args, **keys)
        database.execute("PRAGMA max_page_count = 8")
        return database

    monkeypatch.setattr(sqlite3, "connect", small)
    full = ask(server)
    assert len(full.value["noise"]) == 200_000
    assert problems(full) == ["There is no room on the disk for answers.sqlite, or the disk fails."]
    assert ask(server, make_web(offline=True)).value == GOOD


FULL = """
import json, resource, sys
from pathlib import Path
from riskcast.weather.web import Web
limit = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
with Web(Path(sys.argv[1])) as web:
    answer = web.get("open-meteo", sys.argv[2], {}, parse=json.loads, weight=1.0, calls_a_day=9)
    print(json.dumps([len(answer.value["noise"]), [n.numbers["problem"] for n in answer.notes]]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files there")
@pytest.mark.parametrize("limit", [0, 60_000])
def test_a_disk_that_is_really_full(limit, serve, reply, folder):
    """The system refuses to let any file grow beyond the limit."""
    server = serve(reply({"noise": list(os.urandom(200_000))}, at=None))
    words = [sys.executable, "-c", FULL, str(folder), server.url, str(limit)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    size, said = json.loads(done.stdout)
    assert size == 200_000
    assert "There is no room on the disk for answers.sqlite, or the disk fails." in said
    assert done.stderr == ""


def test_a_file_held_by_another_run_is_not_waited_for_long(
    serve, reply, ask, make_web, folder, monkeypatch
):
    server = serve(reply(), reply(OTHER))
    ask(server)
    monkeypatch.setattr(files, "BUSY_S", 0.05)
    with closing(sqlite3.connect(folder / "answers.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        answer = ask(server, make_web(), fresh_s=60)
        other.execute("ROLLBACK")
    assert answer.value == OTHER
    assert problems(answer) == ["The file answers.sqlite was held by another run for too long."]
    assert not (folder / "answers.damaged").exists()
    assert ask(server, make_web(offline=True)).value == GOOD


MANY = """
import json, sys
from pathlib import Path
from riskcast.weather.web import Web
with Web(Path(sys.argv[1])) as web:
    for n in range(24):
        answer = web.get("open-meteo", sys.argv[2], {"n": str(n % 8)}, parse=json.loads, weight=1.0)
        assert answer.value == {"noise": [7] * 5000}, answer
        assert answer.notes == (), answer.notes
"""


def test_two_runs_at_once_on_one_cache(serve, reply, ask, make_web, folder):
    server = serve(reply({"noise": [7] * 5000}, at=None))
    words = [sys.executable, "-c", MANY, str(folder), server.url]
    runs = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [run.communicate(timeout=60)[1] for run in runs]
    assert [run.returncode for run in runs] == [0, 0], said
    assert len(server.seen) == 48
    with closing(sqlite3.connect(folder / "answers.sqlite")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert database.execute("SELECT count(*) FROM answers").fetchone() == (8,)
    with closing(sqlite3.connect(folder / "calls.sqlite")) as database:
        assert database.execute("SELECT sum(calls) FROM spent").fetchone() == (48.0,)


def test_two_runs_that_both_find_damage(folder, clock):
    """The second finds the file whole again and leaves it."""
    folder.mkdir()
    (folder / "calls.sqlite").write_bytes(b"x" * 4096)
    first = Ledger(folder / "calls.sqlite")
    first.take("open-meteo", 5.0, NOON)
    assert isinstance(Ledger(folder / "calls.sqlite").take("open-meteo", 5.0, NOON), Ticket)
    assert first.spent_today("open-meteo", NOON) == 10.0
    late = sqlite3.DatabaseError("file is not a database")
    assert files.set_aside(folder / "calls.sqlite", late) is False
