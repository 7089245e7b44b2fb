"""Ten-minute and unpunctual stations onto full hours, by numbers that can be added by hand."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.site import TableLayout
from riskcast.weather import read
from riskcast.weather.formats.full_hours import onto_full_hours
from riskcast.weather.table import Table


def table_of(first, count, minutes, **values):
    time = np.datetime64(first, "ns") + np.arange(count) * np.timedelta64(minutes, "m")
    row = np.arange(count) + 2
    made = {name: np.asarray(array, dtype=float)[np.newaxis] for name, array in values.items()}
    return Table("t.csv", time, row, "row", np.zeros(1, dtype=np.int64), made)


def test_ten_minutes():
    """02:00 holds the reading of 02:00, and the rain of the six rows from 01:10 to 02:00."""
    k = np.arange(13)
    table = table_of("2020-01-01T01:00", 13, 10, air_temperature=k, precipitation=k / 10)
    onto_full_hours(table)
    assert [str(time)[:16] for time in table.time] == [
        "2020-01-01T01:00",
        "2020-01-01T02:00",
        "2020-01-01T03:00",
    ]
    np.testing.assert_array_equal(table.values["air_temperature"], [[0, 6, 12]])
    # The first hour has one of its six rows only.
    np.testing.assert_allclose(table.values["precipitation"], [[np.nan, 2.1, 5.7]])
    assert list(table.row) == [2, 8, 14]


def test_a_rate_is_averaged():
    table = table_of("2020-01-01T01:10", 6, 10, air_temperature=[1] * 6, precipitation=[6] * 6)
    table.rate = True
    onto_full_hours(table)
    np.testing.assert_array_equal(table.values["precipitation"], [[6.0]])


def test_a_missing_row_makes_the_hour_missing_not_drier():
    rain = np.array([1, 1, np.nan, 1, 1, 1, 1, 1, 1, 1, 1, 1.0])
    air = np.where(np.isin(np.arange(12), (5, 6)), np.nan, 3.0)
    table = table_of("2020-01-01T01:10", 12, 10, air_temperature=air, precipitation=rain)
    onto_full_hours(table)
    np.testing.assert_array_equal(table.values["precipitation"], [[np.nan, 6.0]])
    np.testing.assert_array_equal(table.values["air_temperature"], [[3.0, 3.0]])


def test_an_unpunctual_hourly_station():
    """Readings at 50 past: at the full hour a sixth of the way to the next one."""
    table = table_of("2020-01-01T00:50", 3, 60, air_temperature=[0, 6, 12], precipitation=[1, 2, 3])
    onto_full_hours(table)
    np.testing.assert_allclose(table.values["air_temperature"], [[1.0, 7.0]])
    np.testing.assert_array_equal(table.values["precipitation"], [[1.0, 2.0]])


def test_layers_of_the_soil():
    soil = np.stack([np.arange(13.0), np.arange(13.0) * 2], axis=-1)
    table = table_of("2020-01-01T01:00", 13, 10, soil_temperature=soil)
    onto_full_hours(table)
    np.testing.assert_array_equal(table.values["soil_temperature"], [[[0, 0], [6, 12], [12, 24]]])


def test_readings_too_far_apart_leave_a_gap():
    air = np.full(25, np.nan)
    air[[0, 3, 20, 24]] = [0.0, 3.0, 20.0, 24.0]
    table = table_of("2020-01-01T00:10", 25, 10, air_temperature=air)
    onto_full_hours(table)
    assert np.isnan(table.values["air_temperature"]).tolist() == [[True, True, True, False]]


@pytest.mark.parametrize("minutes", [60, 180])
def test_full_hours_are_left_alone(minutes):
    table = table_of("2020-01-01T00:00", 4, minutes, air_temperature=[0, 1, 2, 3])
    before = table.time.copy()
    onto_full_hours(table)
    np.testing.assert_array_equal(table.time, before)


def test_through_a_layout(tmp_path, place):
    rows = "".join(f"01.01.2020 {k // 4:02d}:{k % 4 * 15:02d};{k / 4};0.5\n" for k in range(48))
    (tmp_path / "station.csv").write_text("time;T;R\n" + rows)
    layout = TableLayout(
        columns={"T": "air_temperature (degC)", "R": "precipitation (mm)"},
        time_format="DD.MM.YYYY hh:mm",
    )
    dataset = read(tmp_path / "station.csv", place, table=layout)
    np.testing.assert_array_equal(dataset.air_temperature.values[0], np.arange(12.0))
    np.testing.assert_array_equal(dataset.precipitation.values[0, 1:], [2.0] * 11)
    three = layout.model_copy(update={"time_format": "DD.MM.YYYY hh:mm"})
    beside = "".join(f"01.01.2020 {k:02d}:30;{k / 4};0\n" for k in range(0, 24, 3))
    (tmp_path / "station.csv").write_text("time;T;R\n" + beside)
    with pytest.raises(WeatherError, match="not on the full hour"):
        read(tmp_path / "station.csv", place, table=three)
