from __future__ import annotations

from dataclasses import replace

import netCDF4
import numpy as np
import pytest

from riskcast.archive import ForecastShelf
from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.dataset import Course, hours
from riskcast.weather.forecasts import newest
from riskcast.weather.kept.cell_store import of_site, pack, unpack
from riskcast.weather.kept.issued import course_of, keep, newest_kept, pairs_with, recent_days

MADE = np.datetime64("2025-10-25T06:12", "ns")
CELL, CELL_HEIGHT_M = (50.05, -4.1), 210.0
SOURCE = "open-meteo.forecast.best_match"


def course(place, first="2025-10-24T00", days=8, members=3, shift=0.0, **changes):
    """Values with one decimal at the cell, carried to the site as files are."""
    size = days * 24
    hour = np.arange(size)
    step = np.round(8 + 5 * np.sin(2 * np.pi * hour / 24) + shift, 1)
    wet = np.where(hour % 5 == 0, 0.3, 0.0)
    values = {
        "air_temperature": step + np.arange(members)[:, None] / 10 + 0.0065 * (CELL_HEIGHT_M - 120),
        "precipitation": np.tile(wet, (members, 1)),
        "soil_temperature": np.tile(np.round(step / 2, 1)[:, None], (members, 1, 2)),
    }
    filled = np.zeros(size, dtype=np.int8)
    filled[-6:] = 2
    gap = np.zeros(size, dtype=bool)
    gap[10] = True
    attrs = {
        "provider": "Test service",
        "model": "ifs_1",
        "licence": "CC BY 4.0",
        "attribution": "Data of a test",
        "cell_distance_km": 9.1,
        "height_gap_m": 90.0,
        "lapse_correction_degc": 0.585,
    }
    start = int(hours([np.datetime64(first)])[0])
    made = Course(start, np.arange(members), values, filled, gap, np.array([0.035, 0.175]), attrs)
    return replace(made, **changes)


def weather(place, made_at=MADE, **changes):
    return of_site(course(place, **changes), place, CELL, CELL_HEIGHT_M, made_at)


@pytest.fixture
def shelf(tmp_path):
    return ForecastShelf(tmp_path / "shelf")


def test_what_is_kept_comes_back_to_float32(place, shelf):
    """24 bits of mantissa: below 32 the step is 2^-19, 1.9e-6 (IEEE 754-2019, table 3.5)."""
    own = course(place)
    assert keep(shelf, SOURCE, place, weather(place)) == ()
    found = newest_kept(shelf, [SOURCE], place, np.datetime64("2025-10-26T00:00", "ns"))
    assert found is not None
    assert (found.source, found.made_at, found.notes) == (SOURCE, MADE, ())
    assert found.course.start == own.start
    for name, array in own.values.items():
        np.testing.assert_allclose(found.course.values[name], array, rtol=0, atol=2e-6)
    np.testing.assert_array_equal(found.course.member, own.member)
    np.testing.assert_array_equal(found.course.filled, own.filled)
    np.testing.assert_array_equal(found.course.gap, own.gap)
    np.testing.assert_array_equal(found.course.depth, own.depth)
    for key in ("provider", "model", "licence", "attribution", "height_gap_m"):
        assert found.course.attrs[key] == own.attrs[key]
    # 0.05° of latitude and 0.1° of longitude at 50° N: 5.6 and 7.1 km, 9.1 together.
    assert found.course.attrs["cell_distance_km"] == 10.0


def test_any_reader_of_netcdf_reads_it(place, shelf):
    keep(shelf, SOURCE, place, weather(place))
    (one,) = shelf.kept()
    found = read(one.path, place)
    np.testing.assert_allclose(
        found.air_temperature, course(place).values["air_temperature"], rtol=0, atol=2e-6
    )
    np.testing.assert_allclose(found.depth, [0.035, 0.175])
    assert found.attrs["height_gap_m"] == 90.0
    again = newest(str(shelf.folder), place, np.datetime64("2025-10-26T00:00", "ns"))
    assert again.reference_time == MADE


def test_neither_name_nor_content_tells_the_wood(make_place, shelf):
    """MET Norway sends the place of the question back; fine grids have a cell every 2 km."""
    wood = make_place(50.123456, -4.098765, 123.0)
    exact = replace(weather(wood), cell=(50.12, -4.1234))
    keep(shelf, SOURCE, wood, exact)
    (one,) = shelf.kept()
    with netCDF4.Dataset(one.path) as file:
        assert (float(file["latitude"][...]), float(file["longitude"][...])) == (50.1, -4.1)
        told = " ".join(str(file.getncattr(name)) for name in file.ncattrs())
    for part in ("50.12", "4.12", "4.09", "123"):
        assert part not in one.path.name + told
    # Half a cell away is 5 km at most: what the numbers of a run say of it stays the same.
    found = newest_kept(shelf, [SOURCE], wood, np.datetime64("2025-10-26T00:00", "ns"))
    assert found.course.attrs["cell_distance_km"] == 0.0


def test_another_site_of_the_cell_gets_its_own_height(place, make_place, shelf):
    keep(shelf, SOURCE, place, weather(place))
    there = make_place(50.02, -4.03, 310.0)
    found = newest_kept(shelf, [SOURCE], there, np.datetime64("2025-10-26T00:00", "ns"))
    own = course(place).values["air_temperature"]
    np.testing.assert_allclose(
        found.course.values["air_temperature"], own - 0.0065 * 190, rtol=0, atol=2e-6
    )


def test_it_is_compressed(place):
    """51 members of 15 days: less than one byte is left of the four of each value."""
    many = weather(place, days=15, members=51)
    assert len(pack(many)) < sum(array.size for array in many.values.values())


@pytest.mark.parametrize(
    ("issued", "expected"),
    [
        ("2025-10-25T06:11", None),
        ("2025-10-25T06:12", "2025-10-25T06:12"),
        ("2025-10-26T18:11", "2025-10-25T06:12"),
        ("2025-10-26T18:12", "2025-10-26T18:12"),
        ("2025-11-20T00:00", None),  # no kept forecast reaches so far
    ],
)
def test_nothing_made_later_is_taken(place, shelf, issued, expected):
    for made in ("2025-10-25T06:12", "2025-10-26T18:12"):
        keep(shelf, SOURCE, place, weather(place, np.datetime64(made, "ns")))
    found = newest_kept(shelf, [SOURCE], place, np.datetime64(issued, "ns"))
    assert (None if found is None else found.made_at) == (
        None if expected is None else np.datetime64(expected)
    )


def test_only_the_sources_asked_for(place, shelf):
    keep(shelf, "met-norway", place, weather(place))
    issued = np.datetime64("2025-10-26T00:00", "ns")
    assert newest_kept(shelf, [SOURCE], place, issued) is None
    keep(shelf, SOURCE, place, weather(place))
    assert newest_kept(shelf, ["met-norway", SOURCE], place, issued).source == "met-norway"
    assert newest_kept(shelf, [SOURCE, "met-norway"], place, issued).source == SOURCE


def test_a_damaged_one_is_passed_over_and_told(place, shelf):
    keep(shelf, SOURCE, place, weather(place))
    keep(shelf, SOURCE, place, weather(place, np.datetime64("2025-10-25T18:00", "ns")))
    newer = shelf.kept()[0].path
    newer.write_bytes(newer.read_bytes()[:3000])
    found = newest_kept(shelf, [SOURCE], place, np.datetime64("2025-10-26T00:00", "ns"))
    assert found.made_at == MADE
    (note,) = found.notes
    assert (note.code, note.numbers) == ("forecast_unreadable", {"file": newer.name})
    assert newer.exists()


@pytest.mark.parametrize("at", [0.1, 0.3, 0.5, 0.7])
def test_a_flipped_byte_is_found_out_or_changes_nothing(place, at):
    whole = weather(place)
    content = bytearray(pack(whole))
    content[int(at * len(content))] ^= 0xFF
    try:
        found = unpack(bytes(content), "kept.nc")
    except WeatherError as error:
        assert "kept.nc" in str(error)  # noqa: PT017
    else:
        for name, array in whole.values.items():
            np.testing.assert_allclose(found.values[name], array, rtol=0, atol=2e-6)


def test_a_shelf_that_cannot_be_written_stops_nothing(place, tmp_path):
    (tmp_path / "shelf").write_text("a file where the folder should be")
    (note,) = keep(ForecastShelf(tmp_path / "shelf"), SOURCE, place, weather(place))
    assert note.code == "forecast_not_kept"
    assert note.numbers["problem"]


def test_a_full_disk_stops_nothing(place, shelf, monkeypatch):
    def full(self, *_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ForecastShelf, "keep", full)
    (note,) = keep(shelf, SOURCE, place, weather(place))
    assert note.numbers == {"problem": "No space left on device"}


def test_no_shelf_keeps_nothing(place):
    assert keep(None, SOURCE, place, weather(place)) == ()
    assert newest_kept(None, [SOURCE], place, MADE) is None


def test_those_of_two_winters_ago_go(place, shelf):
    keep(shelf, SOURCE, place, weather(place, MADE - np.timedelta64(401, "D")))
    keep(shelf, SOURCE, place, weather(place, MADE - np.timedelta64(399, "D")))
    keep(shelf, SOURCE, place, weather(place))
    assert [one.made_at.year for one in shelf.kept()] == [2025, 2024]


def history_of(place, first, days):
    """What came: 8 °C throughout, at the site."""
    start = int(hours([np.datetime64(first)])[0])
    size = days * 24
    values = {"air_temperature": np.full((1, size), 8.0), "precipitation": np.zeros((1, size))}
    filled = np.zeros(size, dtype=np.int8)
    return Course(start, np.zeros(1, dtype=np.int64), values, filled, np.zeros(size, dtype=bool))


def test_pairs_are_matched_by_lead(place, shelf):
    """A forecast 0.1 °C too warm a day of lead: the errors tell the lead they came from."""
    made = np.datetime64("2025-10-25T00:00", "ns")
    one = course(place, first="2025-10-25T00", days=5, members=1)
    lead = np.maximum(np.arange(5 * 24) - 1, 0) // 24
    values = {**one.values, "air_temperature": (8.0 + lead / 10)[None]}
    one = replace(one, values=values, filled=np.zeros(120, dtype=np.int8))
    keep(shelf, SOURCE, place, of_site(one, place, CELL, CELL_HEIGHT_M, made))
    history = history_of(place, "2025-10-20T00", 8)  # to 27 October 23:00
    issued = np.datetime64("2025-10-28T00:00", "ns")
    pairs = pairs_with(shelf, SOURCE, place, history, issued)
    error = pairs.forecast_degc - pairs.observed_degc
    np.testing.assert_allclose(error, pairs.lead_day / 10, atol=2e-6)
    assert list(np.bincount(pairs.lead_day)) == [24, 24, 23]
    assert pairs.valid.min() == np.datetime64("2025-10-25T01:00")
    assert pairs.valid.max() == np.datetime64("2025-10-27T23:00")


def test_runs_of_the_same_day_and_filled_hours_make_no_pairs(place, shelf):
    history = history_of(place, "2025-10-20T00", 10)
    history.filled[24 * 6] = 1  # 26 October 00:00
    for made in ("2025-10-25T00:00", "2025-10-25T06:00", "2025-10-25T23:00"):
        own = course(place, first="2025-10-25T00", days=3, members=1)
        own = replace(own, filled=np.zeros(72, dtype=np.int8))
        at = np.datetime64(made, "ns")
        keep(shelf, SOURCE, place, of_site(own, place, CELL, CELL_HEIGHT_M, at))
    pairs = pairs_with(shelf, SOURCE, place, history, np.datetime64("2025-10-30T00:00", "ns"))
    first = (pairs.valid <= np.datetime64("2025-10-25T23:00")).sum()
    assert first == 23  # only the run of 00:00 has leads so early; 06:00 is too near to 23:00
    assert np.datetime64("2025-10-26T00:00") not in pairs.valid
    assert pairs_with(shelf, "met-norway", place, history, MADE) is None


def test_recent_days_come_from_the_first_hours_of_each_run(place, shelf):
    for day, shift in ((24, 0.0), (25, 1.0), (26, 2.0)):
        made = np.datetime64(f"2025-10-{day}T06:00", "ns")
        keep(shelf, SOURCE, place, weather(place, made, first=f"2025-10-{day}T06", shift=shift))
    issued = np.datetime64("2025-10-26T09:30", "ns")
    found = recent_days(shelf, [SOURCE], place, issued)
    assert found.times[0] == np.datetime64("2025-10-24T06:00")
    assert found.times[-1] == np.datetime64("2025-10-26T09:00")
    assert list(found.member) == [0]
    rise = found.values["air_temperature"][0]
    base = course(place, first="2025-10-24T06").values["air_temperature"][0, : found.size]
    expected = np.repeat([0.0, 1.0, 2.0], [24, 24, 4])
    np.testing.assert_allclose(rise - base, expected, atol=2e-6)
    assert recent_days(shelf, ["met-norway"], place, issued) is None


def test_course_of_refuses_what_no_weather_has(place):
    odd = weather(place)
    odd.values["air_temperature"][0, 5] = 99.0
    with pytest.raises(WeatherError, match="99 degC"):
        course_of(odd, "kept.nc", place)


def test_an_old_run_does_not_pass_for_what_was(place, shelf):
    """Two days of a forecast stand in for the days before issue, its second week does not."""
    keep(shelf, SOURCE, place, weather(place, first="2025-10-20T00", days=15))
    found = recent_days(shelf, [SOURCE], place, np.datetime64("2025-11-03T00:00", "ns"))
    assert found.times[0] == np.datetime64("2025-10-20T00")
    assert found.times[-1] == np.datetime64("2025-10-27T06")
