"""Exports of litter loggers: made up, in the layouts that their programs write."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.site import TableLayout
from riskcast.weather.formats.logger import read_logger

# Numbered rows, a title above, the zone in a heading that holds a comma, an event at the end.
NUMBERED = (
    '"Plot Title: litter 3"\n'
    '"#","Date Time, GMT+01:00","Temp, °C (LGR S/N: 1234, SEN S/N: 1234)","Stopped"\n'
    '1,"01/13/20 12:00:00 AM",4.1,""\n'
    '2,"01/13/20 12:30:00 AM",4.3,""\n'
    '3,"01/13/20 01:00:00 AM",4.5,""\n'
    '4,"01/13/20 01:30:00 AM",4.7,""\n'
    '5,"01/13/20 01:40:00 AM",,"Logged"\n'
)
# Date and time apart, semicolons, decimal commas.
APART = (
    "Seriennummer: 77;;\nIntervall: 4 h;;\n\n"
    "Datum;Uhrzeit;Temperatur [°C]\n"
    "13.01.2020;00:00;4,0\n13.01.2020;04:00;6,0\n13.01.2020;08:00;4,0\n"
)
# A column of units, and stamps that are not on the hour.
UNITS = (
    "Part Number: A1\nMission in progress? true\n\nDate/Time,Unit,Value\n"
    "13/01/20 10:20:01,C,4.0\n13/01/20 11:20:01,C,7.0\n13/01/20 12:20:01,C,4.0\n"
)


@pytest.fixture
def logged(tmp_path):
    def read(text, layout=None, as_of=None, encoding="utf-8"):
        path = tmp_path / "litter.csv"
        path.write_bytes(text.encode(encoding))
        return read_logger(path, layout, as_of=as_of)

    return read


def hours_of(array):
    return [str(time)[:13] for time in array.time.values]


def test_half_hours_are_averaged_about_the_full_hour(logged):
    """Midnight has the readings from half past eleven on; the zone is one hour."""
    litter = logged(NUMBERED)
    assert hours_of(litter) == ["2020-01-12T23", "2020-01-13T00"]
    np.testing.assert_allclose(litter.values, [4.1, (4.3 + 4.5) / 2])
    assert litter.name == "litter_temperature"
    assert litter.dims == ("time",)
    assert litter.attrs["units"] == "degC"
    assert litter.attrs["step_minutes"] == 30


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16"])
def test_four_hourly_readings_are_interpolated(logged, encoding):
    litter = logged(APART, encoding=encoding)
    np.testing.assert_allclose(litter.values, [4, 4.5, 5, 5.5, 6, 5.5, 5, 4.5, 4])
    assert hours_of(litter)[0] == "2020-01-13T00"
    assert litter.attrs["step_minutes"] == 240


def test_readings_beside_the_hour_and_a_column_of_units(logged):
    """From 10:20 to 11:20 it warms by 3 K: at 11:00 two thirds of that are done."""
    litter = logged(UNITS)
    assert hours_of(litter) == ["2020-01-13T11", "2020-01-13T12"]
    np.testing.assert_allclose(litter.values, [4 + 2.0, 7 - 2.0], atol=0.01)


def test_fahrenheit(logged):
    litter = logged(APART.replace("°C", "°F").replace("4,0", "32,0").replace("6,0", "50,0"))
    np.testing.assert_allclose(litter.values[[0, 4]], [0.0, 10.0], atol=1e-9)


def test_a_gap_stays_a_gap(logged):
    rows = "".join(f"13.01.2020;{h:02d}:00;{h},0\n" for h in range(10) if h not in (4, 5))
    text = "Datum;Uhrzeit;Temperatur °C\n" + rows
    litter = logged(text)
    np.testing.assert_array_equal(litter.values, [0, 1, 2, 3, np.nan, np.nan, 6, 7, 8, 9])
    half = "time,temp (C)\n" + "".join(
        f"2020-01-13 {k // 2:02d}:{k % 2 * 30:02d},{k}\n" for k in range(12) if k not in (3, 4)
    )
    values = logged(half).values
    assert np.isnan(values).tolist() == [False, False, True, False, False, False]


def test_a_failed_reading_is_a_gap_by_its_text(logged):
    text = APART.replace("6,0", "Err")
    with pytest.raises(WeatherError, match=r'row 6, 2020-01-13T04:00, Temperatur .* "Err"'):
        logged(text)
    litter = logged(text, TableLayout(missing=("Err",)))
    assert np.isnan(litter.values[1:8]).all()


def test_the_order_of_day_and_month_is_told_by_the_rows_or_refused(logged):
    assert hours_of(logged(UNITS))[0] == "2020-01-13T11"  # no month 13
    american = UNITS.replace("13/01/20", "01/13/20")
    assert hours_of(logged(american))[0] == "2020-01-13T11"
    both = UNITS.replace("13/01/20", "02/01/20")
    with pytest.raises(WeatherError) as raised:
        logged(both)
    text = str(raised.value)
    assert '"DD/MM/YY hh:mm" or "MM/DD/YY hh:mm"' in text
    assert "Set time_format under [weather.logger_table] to one of them." in text
    layout = TableLayout(time_format="DD/MM/YY hh:mm:ss")
    assert hours_of(logged(both, layout))[0] == "2020-01-02T11"


def test_years_first_are_no_question(logged):
    text = "Timestamp,Temperature (C)\n2020/02/01 00:00,1\n2020/02/01 01:00,2\n"
    assert hours_of(logged(text)) == ["2020-02-01T00", "2020-02-01T01"]


def test_a_stamp_that_says_its_zone(logged):
    text = "timestamp,temp_C\n2020-02-01T01:00:00+01:00,1\n2020-02-01T02:00:00+01:00,2\n"
    assert hours_of(logged(text)) == ["2020-02-01T00", "2020-02-01T01"]


def test_the_clock_of_the_layout(logged):
    assert hours_of(logged(APART, TableLayout(utc_offset_hours=2)))[0] == "2020-01-12T22"
    with pytest.raises(WeatherError, match=r"its headings say GMT\+01:00, the site file 2 hours"):
        logged(NUMBERED, TableLayout(utc_offset_hours=2))
    assert hours_of(logged(NUMBERED, TableLayout(utc_offset_hours=1)))[0] == "2020-01-12T23"


def test_one_of_two_temperatures_has_to_be_named(logged):
    text = "Date,Temp air (°C),Temp litter (°C)\n2020-01-01 00:00,1,5\n2020-01-01 01:00,2,6\n"
    with pytest.raises(WeatherError) as raised:
        logged(text)
    assert '2 columns may be the temperature of the litter: "Temp air (°C)"' in str(raised.value)
    layout = TableLayout(columns={"Temp litter (°C)": "litter_temperature (degC)"})
    np.testing.assert_array_equal(logged(text, layout).values, [5, 6])


def test_headings_that_no_word_tells(logged):
    text = "a;b\n01.02.2020 00:00;5\n01.02.2020 01:00;6\n"
    with pytest.raises(WeatherError, match="no heading row was found"):
        logged(text)
    layout = TableLayout(
        columns={"b": "litter_temperature (degC)"}, time=("a",), time_format="DD.MM.YYYY hh:mm"
    )
    np.testing.assert_array_equal(logged(text, layout).values, [5, 6])


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ({"columns": {"c": "litter_temperature (degC)"}}, "the table has no such heading."),
        ({"columns": {"b": "air_temperature (degC)"}}, 'Write it as "litter_temperature (degC)".'),
        ({"columns": {"b": "litter_temperature"}}, "states no unit"),
        ({"columns": {"b": "litter_temperature (mm)"}}, "is not a unit known here"),
        ({"time_format": "hh:mm"}, "is no order of year, month, day and hour"),
        ({"time_format": "MM.DD.YYYY hh:mm:ss"}, "3 of 3 times cannot be read"),
    ],
)
def test_what_a_layout_gets_wrong_is_said(logged, layout, words):
    text = "a;b\n13.02.2020 00:00;5\n13.02.2020 01:00;6\n13.02.2020 02:00;6\n"
    usual = {"columns": {"b": "litter_temperature (degC)"}, "time": ("a",)}
    with pytest.raises(WeatherError) as raised:
        logged(text, TableLayout(**{**usual, **layout}))
    assert words in str(raised.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (APART.replace("6,0", "85,0"), "1 readings outside -50 to 60 degC."),
        (APART.replace("[°C]", ""), "states no unit; nothing is guessed"),
        (APART.replace("08:00", "04:00"), "1 readings are not later than the one before"),
        (APART.replace("04:00", "12:00").replace("08:00", "23:59"), "readings every 1"),
        (APART.replace("08:00", "8 Uhr"), "1 of 3 times cannot be read"),
        (APART.replace("4,0", "").replace("6,0", ""), "no row holds a reading"),
        (UNITS.replace("01,C,7", "01,F,7"), "the unit changes within the file (C, F)"),
        ("", "no heading row was found"),
    ],
)
def test_what_is_wrong_with_the_rows_is_said(logged, text, words):
    with pytest.raises(WeatherError) as raised:
        logged(text)
    assert words in str(raised.value)


def test_readings_after_the_moment_are_not_looked_at(logged):
    as_of = np.datetime64("2020-01-13T05:00", "ns")
    litter = logged(APART + "13.01.2020;12:00;broken\n", as_of=as_of)
    np.testing.assert_allclose(litter.values, [4, 4.5, 5, 5.5, 6])
    with pytest.raises(WeatherError, match="no reading by 2019-01-01T00:00Z"):
        logged(APART, as_of=np.datetime64("2019-01-01", "ns"))


def test_no_such_file(tmp_path):
    with pytest.raises(InputMissingError, match="cannot be opened"):
        read_logger(tmp_path / "none.csv")


def test_hours_before_the_first_and_after_the_last_value_are_left_out(logged):
    """Readings at 10:20, then hourly a day later: nothing is known of the hours between."""
    late = "".join(f"2020-01-14 {h:02d}:20,{4 + h}\n" for h in range(8, 12))
    litter = logged("Time,Temp (°C)\n2020-01-13 10:20,4\n" + late)
    assert hours_of(litter)[0] == "2020-01-14T09"
    assert hours_of(litter)[-1] == "2020-01-14T11"
    assert np.isfinite(litter.values).all()


def test_readings_with_no_full_hour_between_them(logged):
    with pytest.raises(WeatherError, match="no full hour lies between its readings"):
        logged("Time,Temp (°C)\n2020-01-13 10:05,4\n2020-01-13 10:55,4\n")
