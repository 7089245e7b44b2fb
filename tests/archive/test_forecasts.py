from __future__ import annotations

import datetime as dt
import os

import pytest

from riskcast.archive import ForecastShelf
from riskcast.archive.forecasts import rounded_place


def utc(text):
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.fixture
def shelf(tmp_path):
    return ForecastShelf(tmp_path / "state" / "forecasts")


@pytest.mark.parametrize(
    ("latitude", "longitude", "expected"),
    [
        (50.04, -4.04, "50.0N004.0W"),
        (50.06, -4.06, "50.1N004.1W"),
        (-0.04, -0.04, "00.0N000.0E"),
        (-33.9, 151.2, "33.9S151.2E"),
        (50.0, 356.0, "50.0N004.0W"),
        (50.0, 180.0, "50.0N180.0E"),
        (50.0, -180.0, "50.0N180.0E"),
    ],
)
def test_places_are_rounded(latitude, longitude, expected):
    assert rounded_place(latitude, longitude) == expected


def test_the_same_forecast_is_kept_once(shelf):
    made = utc("2025-10-27T06:12:40")
    assert shelf.keep("met-norway", 50.01, -4.02, made, b"first")
    assert not shelf.keep("met-norway", 50.01, -4.02, made.replace(second=3), b"again")
    assert shelf.keep("met-norway", 50.01, -4.02, made.replace(minute=13), b"next minute")
    assert shelf.keep("met-norway", 50.11, -4.02, made, b"next cell")
    names = sorted(path.name for path in shelf.folder.iterdir())
    assert names == [
        "met-norway_50.0N004.0W_20251027T0612Z.nc",
        "met-norway_50.0N004.0W_20251027T0613Z.nc",
        "met-norway_50.1N004.0W_20251027T0612Z.nc",
    ]
    assert (shelf.folder / names[0]).read_bytes() == b"first"


def test_the_minute_is_utc(shelf):
    summer = dt.timezone(dt.timedelta(hours=1))
    shelf.keep("a", 50, -4, dt.datetime(2025, 7, 1, 0, 30, tzinfo=summer), b"")
    (one,) = shelf.kept()
    assert one.made_at == utc("2025-06-30T23:30")
    with pytest.raises(ValueError, match="zone"):
        shelf.keep("a", 50, -4, dt.datetime(2025, 7, 1), b"")


def test_only_others_cannot_read_it(shelf):
    shelf.keep("a", 50, -4, utc("2025-10-27T06:00"), b"x")
    assert shelf.folder.stat().st_mode & 0o077 == 0
    assert next(shelf.folder.iterdir()).stat().st_mode & 0o077 == 0


def test_the_newest_first_up_to_a_moment(shelf):
    for hour in (6, 18, 12):
        shelf.keep("open-meteo.ensemble.ifs_1", 50, -4, utc(f"2025-10-27T{hour:02}:00"), b"")
    shelf.keep("met-norway", 50, -4, utc("2025-10-27T13:00"), b"")
    shelf.keep("met-norway", 51, -4, utc("2025-10-27T11:00"), b"")
    (shelf.folder / "notes.txt").write_text("mine")
    (shelf.folder / "met-norway_50.0N004.0W_20250231T0600Z.nc").write_text("no such day")
    assert [one.made_at.hour for one in shelf.kept()] == [18, 13, 12, 11, 6]
    here = rounded_place(50, -4)
    found = shelf.kept(place=here, until=utc("2025-10-27T13:00"))
    assert [one.made_at.hour for one in found] == [13, 12, 6]
    found = shelf.kept(source="open-meteo.ensemble.ifs_1", until=utc("2025-10-27T11:59"))
    assert [one.made_at.hour for one in found] == [6]


def test_an_empty_shelf(shelf):
    assert shelf.kept() == ()
    assert shelf.prune(utc("2025-10-27T06:00")) == 0
    assert not shelf.folder.exists()


def test_the_old_ones_go(shelf):
    for day in (1, 2, 3):
        shelf.keep("a", 50, -4, utc(f"2025-10-0{day}T06:00"), b"")
    unfinished = shelf.folder / ".a_50.0N004.0W_20251001T0600Z.nc.x1.part"
    running = shelf.folder / ".a_50.0N004.0W_20251003T0600Z.nc.x2.part"
    for path, when in ((unfinished, "2025-10-01T06:00"), (running, "2025-10-03T06:00")):
        path.write_bytes(b"half")
        os.utime(path, (utc(when).timestamp(),) * 2)
    (shelf.folder / "notes.txt").write_text("mine")
    assert shelf.prune(utc("2025-10-02T06:00")) == 2
    assert [one.made_at.day for one in shelf.kept()] == [3, 2]
    assert not unfinished.exists()
    assert running.exists()
    assert (shelf.folder / "notes.txt").exists()


def test_a_source_that_is_no_name_is_refused(shelf):
    for name in ("", "../up", "A", "a b"):
        with pytest.raises(ValueError, match="source"):
            shelf.keep(name, 50, -4, utc("2025-10-27T06:00"), b"")
