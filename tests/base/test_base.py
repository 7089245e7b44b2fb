"""Foundations: nights across clock changes, checks at the doors, whole files, named streams."""

from __future__ import annotations

import datetime as dt
import os

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import ConfigError, Fault, fault_list
from riskcast.base.files import write_whole
from riskcast.base.nights import end_of_day, local_date, local_days, night_of, utc
from riskcast.base.quantity import require, require_variable
from riskcast.base.streams import stream

HOUR = np.timedelta64(1, "h")


@pytest.mark.parametrize(
    ("evening", "hours"), [("2025-10-25", 25), ("2026-03-28", 23), ("2025-12-01", 24)]
)
def test_nights_of_clock_changes_have_23_or_25_hours(evening, hours):
    start = np.datetime64(evening, "ns") - 24 * HOUR
    nights = night_of(start + np.arange(96) * HOUR, "Europe/London")
    assert int((nights == np.datetime64(evening)).sum()) == hours


def test_local_days_follow_the_clock_on_the_wall():
    days = local_days([np.datetime64("2025-07-01T23:30")], "Europe/London")
    assert str(days[0]) == "2025-07-02"
    assert local_date(np.datetime64("2025-12-01T23:30"), "Europe/London") == dt.date(2025, 12, 1)


def test_end_of_day_is_local():
    assert end_of_day(dt.date(2025, 7, 1), "Europe/London") == np.datetime64("2025-07-01T22:59:59")
    with pytest.raises(ValueError, match="no time zone"):
        utc(dt.datetime(2025, 7, 1))


def test_require_orders_dimensions_and_names_what_is_wrong():
    array = xr.DataArray(np.zeros((3, 2)), dims=("time", "member"), attrs={"units": "degC"})
    assert require(array, dims=("member", "time"), units="degC").shape == (2, 3)
    with pytest.raises(ValueError, match="expected units 'K', found 'degC'"):
        require(array, dims=("member", "time"), units="K")
    with pytest.raises(ValueError, match="expected a variable 'b'"):
        require_variable(xr.Dataset({"a": array}), "b", dims=("member", "time"))


def test_files_are_whole_or_not_there(tmp_path, monkeypatch):
    path = write_whole(tmp_path / "deep" / "a.txt", "first")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_whole(path, "second")
    assert path.read_text() == "first"
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_streams_depend_on_seed_and_names_only():
    a = stream(0, "x", "y").random(3)
    np.testing.assert_array_equal(a, stream(0, "x", "y").random(3))
    assert not np.array_equal(a, stream(1, "x", "y").random(3))
    assert not np.array_equal(a, stream(0, "xy").random(3))


def test_errors_show_all_faults_by_file():
    faults = [
        Fault("a.csv", "row 3, sex", "expected female, male or unknown.", "fem"),
        Fault("b.toml", "[site] latitude", "outside -90 to 90.", "95"),
        Fault("a.csv", "row 9", "no date."),
    ]
    text = str(ConfigError("Two files have faults.", faults))
    assert text.splitlines()[1] == "a.csv: 2 faults"
    assert 'row 3, sex "fem": expected' in text
    assert fault_list(faults).count("\n") == 4
