"""Text tables: Open-Meteo's layout as its documentation and stored answers show it, and ours."""

from __future__ import annotations

import gzip

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import csv

ABOUT = (
    "latitude,longitude,elevation,utc_offset_seconds,timezone,timezone_abbreviation\n"
    "50.01,-4.02,120.0,{offset},{zone}\n\n"
)
GMT = ABOUT.format(offset=0, zone="GMT,GMT")
HEADING = "time,temperature_2m (°C),relative_humidity_2m (%),precipitation (mm)\n"
ROWS = "2025-01-01T00:00,3.7,86,0.00\n2025-01-01T01:00,3.6,85,0.20\n2025-01-01T02:00,3.2,84,0.00\n"


@pytest.fixture
def table(tmp_path):
    def write(text, name="weather.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return write


def test_open_meteo_with_and_without_the_block_about_the_place(table, place):
    whole = read(table(GMT + HEADING + ROWS), place)
    cut = read(table("\n" + HEADING + ROWS, "cut.csv"), place)
    for dataset in (whole, cut):
        np.testing.assert_array_equal(dataset.air_temperature.values, [[3.7, 3.6, 3.2]])
        np.testing.assert_array_equal(dataset.relative_humidity.values, [[86, 85, 84]])
        np.testing.assert_array_equal(dataset.precipitation.values, [[0, 0.2, 0]])
        assert dataset.time.values[0] == np.datetime64("2025-01-01T00")
        assert dataset.attrs["licence"] == "CC BY 4.0"
        assert "Weather data by Open-Meteo.com" in dataset.attrs["attribution"]
        assert "https://open-meteo.com/" in dataset.attrs["attribution"]
    assert whole.attrs["cell_distance_km"] == pytest.approx(1.8, abs=0.1)
    assert "cell_distance_km" not in cut.attrs


def test_stamps_carry_one_offset_whatever_the_zone_says(table, place):
    """Berlin in January, asked for in July: the whole answer is 7200 s ahead of UTC."""
    about = ABOUT.format(offset=7200, zone="Europe/Berlin,CEST")
    dataset = read(table(about + HEADING + ROWS), place)
    assert dataset.time.values[0] == np.datetime64("2024-12-31T22")


def test_unix_time_is_utc_even_beside_an_offset(table, place):
    about = ABOUT.format(offset=7200, zone="Europe/Berlin,CEST")
    rows = "1735689600,3.7,86,0.00\n1735693200,3.6,85,0.20\n"
    dataset = read(table(about + HEADING + rows), place)
    assert dataset.time.values[0] == np.datetime64("2025-01-01T00")


def test_a_stated_zone_in_the_stamp_counts(table, place):
    text = "time,air_temperature\n2025-01-01T02:00+02:00,1\n2025-01-01T03:00+02:00,2\n"
    assert read(table(text), place).time.values[0] == np.datetime64("2025-01-01T00")


def test_units_are_read_from_the_heading(table, place):
    """precipitation_unit=inch turns the snow depth into feet as well."""
    text = (
        GMT + "time,temperature_2m (°F),precipitation (inch),snow_depth (ft),wind_speed_10m (km/h)"
        "\n2025-01-01T00:00,32,0.1,1,36\n2025-01-01T01:00,50,0,0,18\n"
    )
    dataset = read(table(text), place)
    np.testing.assert_allclose(dataset.air_temperature.values, [[0, 10]], atol=1e-9)
    np.testing.assert_allclose(dataset.precipitation.values, [[2.54, 0]])
    np.testing.assert_allclose(dataset.snow_depth.values, [[0.3048, 0]])
    np.testing.assert_allclose(dataset.wind_speed.values, [[10, 5]])


def test_members_and_holes_in_their_numbers(table, place):
    text = (
        GMT + "time,temperature_2m (°C),temperature_2m_member01 (°C),temperature_2m_member03 (°C),"
        "precipitation (mm),precipitation_member01 (mm),precipitation_member03 (mm),"
        "snow_depth (m)\n2025-01-01T00:00,1,2,3,0,0.1,0.3,0\n2025-01-01T01:00,1,2,3,0,0,0,0\n"
    )
    dataset = read(table(text), place)
    assert list(dataset.member.values) == [0, 1, 3]
    np.testing.assert_array_equal(dataset.air_temperature.values[:, 0], [1, 2, 3])
    np.testing.assert_array_equal(dataset.precipitation.values[:, 0], [0, 0.1, 0.3])
    assert "snow_depth" not in dataset  # only the control has it: absent, not zero


def test_a_model_named_behind_the_variable(table, place):
    text = (
        GMT + "time,temperature_2m_member01_icon_eu_eps (°C),precipitation_member01_icon_eu_eps "
        "(mm),temperature_2m_max (°C)\n2025-01-01T00:00,1,0,9\n2025-01-01T01:00,1,0,9\n"
    )
    dataset = read(table(text), place)
    assert dataset.attrs["model"] == "icon_eu_eps"
    assert list(dataset.member.values) == [1]
    mixed = text.replace("precipitation_member01_icon_eu_eps", "precipitation_member01_gfs025")
    with pytest.raises(WeatherError, match="mixes 2 models"):
        read(table(mixed), place)


def test_soil_layers_become_depths(table, place):
    text = (
        GMT + "time,temperature_2m (°C),soil_temperature_0_to_7cm (°C),soil_temperature_54cm (°C)\n"
        "2025-01-01T00:00,1,4,8\n2025-01-01T01:00,1,5,8\n"
    )
    soil = read(table(text), place).soil_temperature
    assert soil.dims == ("member", "time", "depth")
    np.testing.assert_allclose(soil.depth, [0.035, 0.54])
    np.testing.assert_array_equal(soil.values[0], [[4, 8], [5, 8]])


def test_the_daily_block_behind_is_left_alone(table, place):
    daily = "\ntime,temperature_2m_max (°C)\n2025-01-01,9.9\n"
    assert read(table(GMT + HEADING + ROWS + daily), place).sizes["time"] == 3


def test_our_plain_table_needs_no_units(table, place):
    text = "time,air_temperature,precipitation\n2025-01-01 00:00,3,0\n2025-01-01 01:00,4,1\n"
    dataset = read(table(text), place)
    np.testing.assert_array_equal(dataset.air_temperature.values, [[3, 4]])
    assert "attribution" not in dataset.attrs


def test_a_foreign_name_needs_them(table, place):
    text = "time,temperature_2m\n2025-01-01T00:00,3\n"
    with pytest.raises(WeatherError, match="states no units") as raised:
        read(table(text), place)
    assert 'Write the unit behind the name: "temperature_2m (…)"' in str(raised.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings_of_spreadsheets(table, place, encoding):
    text = (GMT + HEADING + ROWS).replace("\n", "\r\n")
    dataset = read(table(text, encoding=encoding), place)
    np.testing.assert_array_equal(dataset.air_temperature.values, [[3.7, 3.6, 3.2]])


def test_semicolons_and_decimal_commas(table, place):
    text = "time;air_temperature;precipitation\n2025-01-01T00:00;3,5;0\n2025-01-01T01:00;-4,25;0,1"
    dataset = read(table(text), place)
    np.testing.assert_array_equal(dataset.air_temperature.values, [[3.5, -4.25]])


def test_gzip(tmp_path, place):
    path = tmp_path / "weather.csv.gz"
    path.write_bytes(gzip.compress((GMT + HEADING + ROWS).encode()))
    assert read(path, place).sizes["time"] == 3


def test_words_in_a_column_are_named_with_row_and_value(table, place):
    text = GMT + HEADING + ROWS.replace("3.6,85", "3.6,wet")
    with pytest.raises(WeatherError) as raised:
        read(table(text), place)
    assert "row 6, 2025-01-01T01:00, relative_humidity_2m (%)" in str(raised.value)
    assert '"wet"' in str(raised.value)


def test_a_short_row_is_named(table, place):
    text = GMT + HEADING + ROWS + "2025-01-01T03:00,3.1\n"
    with pytest.raises(WeatherError, match=r"row 8.*1 of 4 rows do not have the 4 cells"):
        read(table(text), place)


def test_two_places_in_one_file_are_refused(table, place):
    two = GMT.replace("GMT,GMT\n", "GMT,GMT\n51.0,-4.0,10,0,GMT,GMT\n", 1)
    with pytest.raises(WeatherError, match="holds 2 places"):
        read(table(two + HEADING + ROWS), place)


def test_rows_after_the_moment_are_never_parsed(place):
    later = "2025-01-01T03:00,what,is,this,row\nnot a time\n\xff\xfe,,,\n"
    as_of = np.datetime64("2025-01-01T02:30", "ns")
    clean = csv.decode((GMT + HEADING + ROWS).encode(), "a.csv", place, as_of)
    poisoned = csv.decode((GMT + HEADING + ROWS + later).encode(), "a.csv", place, as_of)
    assert clean.faults == poisoned.faults == []
    np.testing.assert_array_equal(clean.time, poisoned.time)
    for name, values in clean.values.items():
        assert values.tobytes() == poisoned.values[name].tobytes()


def test_nothing_by_then_is_no_table(place):
    as_of = np.datetime64("2020-01-01", "ns")
    assert csv.decode((GMT + HEADING + ROWS).encode(), "a.csv", place, as_of) is None


def test_carriage_returns_alone_end_lines_too(table, place):
    """As spreadsheets save "CSV (Macintosh)"."""
    text = (GMT + HEADING + ROWS).replace("\n", "\r")
    np.testing.assert_array_equal(read(table(text), place).air_temperature[0], [3.7, 3.6, 3.2])


def test_ten_minute_rows_need_no_layout(table, place):
    """Six amounts of 0.1 mm make the hour; the state is that of the full hour."""
    rows = "".join(f"2025-01-01T{k // 6:02d}:{k % 6}0,{k / 6:.3f},0.1\n" for k in range(19))
    dataset = read(table("time,air_temperature,precipitation\n" + rows), place)
    np.testing.assert_allclose(dataset.air_temperature[0], [0, 1, 2, 3], atol=1e-3)
    np.testing.assert_allclose(dataset.precipitation[0, 1:], 0.6)


def test_a_number_that_stands_for_missing_is_sent_to_the_layout(table, place):
    rows = ROWS.replace("3.6", "-999")
    with pytest.raises(WeatherError, match=r"name it under missing in \[weather.table\]"):
        read(table(GMT + HEADING + rows), place)
