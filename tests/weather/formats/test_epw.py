"""EPW by its data dictionary (EnergyPlus documentation, Auxiliary Programs)."""

from __future__ import annotations

import epw_file
import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import epw


def _values(k):
    return {
        "air_temperature": round(5 + k / 10, 1),
        "dew_point": 3.0,
        "relative_humidity": 80,
        "wind_speed": 3.5,
        "snow_depth_cm": 4,
        "precipitation": 0.4,
        "collected_h": 1.0,
    }


def decode(text, place, as_of=None):
    return epw.decode(text.encode("latin-1"), "wood.epw", place, as_of)


def test_hours_end_at_the_stamp_in_local_standard_time(place):
    text = epw_file.head(offset=1.0) + epw_file.days("2020-01-31", 2, _values)
    table = decode(text, place)
    assert str(table.time[0])[:16] == "2020-01-31T00:00"  # hour 1, an hour ahead of UTC
    assert str(table.time[23])[:16] == "2020-01-31T23:00"  # hour 24
    assert str(table.time[-1])[:16] == "2020-02-01T23:00"
    assert (table.cell, table.elevation_m) == ((50.0, -4.0), 120.0)
    np.testing.assert_allclose(table.values["air_temperature"][0, :3], [5.0, 5.1, 5.2])
    np.testing.assert_allclose(table.values["snow_depth"], 0.04)
    np.testing.assert_array_equal(table.values["wind_speed"][0, :2], [3.5, 3.5])
    assert list(table.row[:2]) == [9, 10]


def test_what_the_dictionary_calls_missing_is_missing(place):
    """Dry bulb and dew point from 99.9, the others from 999 on."""
    text = epw_file.head() + epw_file.days("2020-01-01", 1, lambda k: _values(k) if k else {})
    table = decode(text, place)
    for name in ("air_temperature", "relative_humidity", "wind_speed", "snow_depth",
                 "precipitation"):  # fmt: skip
        assert np.isnan(table.values[name][0]).tolist() == [True] + [False] * 23


@pytest.mark.parametrize("hours", [0, 6, 99])
def test_rain_that_is_not_of_one_hour_is_missing(hours, place):
    """An amount of zero collected over no time would be a dry winter that nobody measured."""
    rows = epw_file.days("2020-01-01", 1, lambda k: {**_values(k), "collected_h": hours})
    assert "precipitation" not in decode(epw_file.head() + rows, place).values


def test_humidity_from_the_dew_point_where_it_is_not_there(place):
    rows = epw_file.days("2020-01-01", 1, lambda k: {"air_temperature": 5.0, "dew_point": 1.8359})
    table = decode(epw_file.head() + rows, place)
    np.testing.assert_allclose(table.values["relative_humidity"], 80.0, atol=1e-3)


def test_a_typical_year_is_no_winter(place):
    months = epw_file.days("1995-01-31", 1, _values) + epw_file.days("1988-02-01", 1, _values)
    with pytest.raises(WeatherError, match="a typical year"):
        decode(epw_file.head() + months, place)
    relabelled = epw_file.head().replace("Made up", "IWEC Data")
    with pytest.raises(WeatherError, match=r'"IWEC Data": a typical year'):
        decode(relabelled + epw_file.days("2020-01-01", 1, _values), place)


@pytest.mark.parametrize("origin", ["Country Met Service", "Ministry of the Sky", "Made-up"])
def test_words_that_end_like_a_typical_year_are_none(place, origin):
    text = epw_file.head().replace("Made up", origin) + epw_file.days("2020-01-01", 2, _values)
    assert decode(text, place).attrs["provider"] == origin


def test_a_gap_of_some_days_is_not_a_typical_year(place):
    rows = epw_file.days("2020-01-01", 1, _values) + epw_file.days("2020-03-05", 1, _values)
    assert decode(epw_file.head() + rows, place).time.size == 48


def test_a_file_of_somewhere_else(place, tmp_path):
    path = tmp_path / "far.epw"
    path.write_text(epw_file.head(latitude=40.0) + epw_file.days("2020-01-01", 1, _values))
    with pytest.raises(WeatherError, match="the site lies outside the file"):
        read(path, place)


def test_a_first_row_without_a_place(place):
    text = epw_file.head().replace("50.0", "north", 1) + epw_file.days("2020-01-01", 1, _values)
    with pytest.raises(WeatherError, match=r"row 1.*latitude, longitude"):
        decode(text, place)


def test_words_and_short_rows_are_named(place):
    rows = epw_file.days("2020-01-01", 1, _values)
    with pytest.raises(WeatherError, match=r'row 10, 2020-01-01T02:00, air_temperature "mild"'):
        decode(epw_file.head() + rows.replace("?9?9?9,5.1", "?9?9?9,mild"), place)
    with pytest.raises(WeatherError, match="1 of 25 rows do not have the 35 cells"):
        decode(epw_file.head() + rows + "2020,1,2,1,60,?9,5.0\n", place)


def test_rows_after_the_moment_are_never_parsed(place):
    text = epw_file.head() + epw_file.days("2020-01-01", 1, _values) + "2020,1,2,1,60,?9,what\n"
    table = decode(text, place, np.datetime64("2020-01-02T00", "ns"))
    assert table.time.size == 24
    assert decode(text, place, np.datetime64("2019-01-01", "ns")) is None


def test_through_the_door_of_all_files(place, tmp_path):
    path = tmp_path / "wood.epw"
    path.write_text(epw_file.head() + epw_file.days("2020-01-01", 2, _values))
    dataset = read(tmp_path, place)
    assert dataset.sizes["time"] == 48
    assert float(dataset.air_temperature[0, 1]) == pytest.approx(5.1)
    assert dataset.attrs["provider"] == "Made up"
