"""Tables read by a layout: three real stations by values read off their files, then the faults.

Real files (origin in the MANIFEST of their folder): A15 daily De Bilt, A16 daily Suffolk,
A17 hourly Hesse; A18, hourly De Bilt, is the witness for the hours made of A15's days.
"""

from __future__ import annotations

import csv
import gzip

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.site import TableLayout
from riskcast.weather import read
from riskcast.weather.formats import knmi, station

DE_BILT = "A15_knmi260_debilt_daily_1993_2002.csv"
DE_BILT_HOURLY = "A18_knmi260_debilt_hourly_2000.txt.gz"
SUFFOLK = "A16_aquacrop_suffolk_daily_1991_2021.txt.gz"
HESSE = "A17_schwingbach_hourly_2014_2016_DERIVED_dates_repaired.csv.gz"

OF_DE_BILT = TableLayout(
    columns={
        "Tmin": "air_temperature_min (degC)",
        "Tmax": "air_temperature_max (degC)",
        "Hum": "vapour_pressure (kPa)",
        "Wind": "wind_speed (m/s)",
        "Rain": "precipitation (mm)",
    },
    time=("DD", "MM", "YYYY"),
    time_format="DD MM YYYY",
    latitude=52.1,
    longitude=5.18,
    elevation_m=2,
)
OF_SUFFOLK = TableLayout(
    columns={
        "Tmin(C)": "air_temperature_min (degC)",
        "Tmax(C)": "air_temperature_max (degC)",
        "Prcp(mm)": "precipitation (mm)",
    },
    time=("Day", "Month", "Year"),
    time_format="DD/MM/YYYY",
)
OF_HESSE = TableLayout(
    columns={
        "airtemp_degC": "air_temperature (degC)",
        "relhum_perc": "relative_humidity (%)",
        "rain_mmday": "precipitation (mm/day)",
        "windspeed_ms": "wind_speed (m/s)",
    },
    elevation_m=260.0,
)


@pytest.mark.real_data
def test_an_hourly_station(real_data, make_place):
    """A17. First row 0.8146 °C, 93.3833 %, 2.6194 m/s; last -5.242 °C. Rain is a rate a day."""
    path = real_data / "weather" / HESSE
    dataset = read(path, make_place(50.5, 8.55, 160.0), table=OF_HESSE)
    assert dataset.sizes["time"] == 26304
    with gzip.open(path, "rt") as file:
        rain = [float(row["rain_mmday"]) for row in csv.DictReader(file)]
    assert float(dataset.precipitation.sum()) == pytest.approx(sum(rain) / 24)
    first, last = dataset.isel(member=0, time=0), dataset.isel(member=0, time=-1)
    # The station stands 100 m above the site: 0.65 K by the standard atmosphere.
    assert float(first.air_temperature) == pytest.approx(0.8146 + 0.65)
    assert float(last.air_temperature) == pytest.approx(-5.242 + 0.65)
    assert float(first.relative_humidity) == 93.3833
    assert float(first.wind_speed) == 2.6194
    assert set(dataset.filled.values) == {"none"}


@pytest.mark.real_data
def test_daily_extremes_in_columns_parted_by_tabs(real_data, make_place):
    """A16. 1 January 1991: 2.65 to 9.37 °C, 4.9 mm; 31 December 2021: 9.32 to 13.3 °C."""
    path = real_data / "weather" / SUFFOLK
    dataset = read(path, make_place(52.2, 1.0, 50.0), table=OF_SUFFOLK).isel(member=0)
    assert dataset.sizes["time"] == 24 * 11323
    day = dataset.isel(time=slice(0, 24))
    assert str(day.time.values[0])[:13] == "1991-01-01T01"
    assert float(day.precipitation.sum()) == pytest.approx(4.9)
    air = day.air_temperature.values
    assert air.min() >= 2.65
    assert air.max() == pytest.approx(9.37, abs=0.1)
    end = dataset.air_temperature.values[-24:]
    assert 9.32 <= end.min() <= end.max() <= 13.3
    assert set(dataset.filled.values) == {"diurnal_model"}
    with gzip.open(path, "rt") as file:
        total = sum(float(row["Prcp(mm)"]) for row in csv.DictReader(file, delimiter="\t"))
    assert float(dataset.precipitation.sum()) == pytest.approx(total)


@pytest.mark.real_data
def test_hours_made_of_days_against_the_same_station_s_hours(real_data, make_place):
    """A15 and A18, De Bilt 2000. Root mean square of the differences: 1.5 K, and 10 % of
    humidity (which A15 has as vapour pressure); sums of rain agree day by day."""
    place = make_place(52.1, 5.18, 2.0)
    made = read(real_data / "weather" / DE_BILT, place, table=OF_DE_BILT).isel(member=0)
    text = gzip.decompress((real_data / "weather" / DE_BILT_HOURLY).read_bytes())
    known = knmi.decode(text, DE_BILT_HOURLY, place, None)
    year = made.sel(time=known.time)

    def apart(name):
        return float(np.sqrt(np.mean((year[name].values - known.values[name][0]) ** 2)))

    assert apart("air_temperature") < 1.7
    assert apart("relative_humidity") < 12.0
    days = year.precipitation.values.reshape(-1, 24).sum(axis=1)
    np.testing.assert_allclose(
        days, known.values["precipitation"][0].reshape(-1, 24).sum(axis=1), atol=1e-9
    )


# Made-up tables from here on.

HOURLY = TableLayout(
    columns={"Luft": "air_temperature (degF)", "Regen": "precipitation (inch)"},
    time=("Datum", "Zeit"),
    time_format="DD.MM.YYYY hh:mm",
    utc_offset_hours=1,
    missing=("-99", "defekt"),
)
ROWS = (
    "Station Waldrand\n\nDatum;Zeit;Luft;Regen\n"
    "31.01.2020;23:00;32,0;0,1\n01.02.2020;00:00;defekt;0\n01.02.2020;01:00;50,0;-99\n"
)


def decode(text, place, layout, as_of=None):
    return station.decode(text.encode(), "station.csv", place, as_of, layout)


def test_parts_of_a_time_a_clock_units_and_missing_texts(place):
    table = decode(ROWS, place, HOURLY)
    assert [str(time)[:16] for time in table.time] == [
        "2020-01-31T22:00",
        "2020-01-31T23:00",
        "2020-02-01T00:00",
    ]
    np.testing.assert_allclose(table.values["air_temperature"], [[0.0, np.nan, 10.0]], atol=1e-9)
    np.testing.assert_allclose(table.values["precipitation"], [[2.54, 0.0, np.nan]])
    assert list(table.row) == [4, 5, 6]
    assert [note.code for note in table.notes] == ["place_not_stated"]
    assert table.attrs == {}


def test_hour_24_am_and_pm_and_two_figures_of_a_year(place):
    layout = HOURLY.model_copy(update={"time_format": "DD.MM.YYYY hh:mm"})
    late = decode(ROWS.replace("31.01.2020;23:00", "30.01.2020;24:00"), place, layout)
    assert str(late.time[0])[:16] == "2020-01-30T23:00"
    american = TableLayout(
        columns={"T": "air_temperature (degC)"}, time=("at",), time_format="MM/DD/YY hh:mm:ss am"
    )
    text = "at,T\n01/31/20 11:00:00 PM,1\n02/01/20 12:00:00 AM,2\n02/01/20 12:00:00 PM,3\n"
    assert [str(time)[:13] for time in decode(text, place, american).time] == [
        "2020-01-31T23",
        "2020-02-01T00",
        "2020-02-01T12",
    ]


def test_commas_inside_quotes(place):
    layout = TableLayout(columns={"Temp, shade": "air_temperature (degC)"})
    text = 'time,"Temp, shade",remark\n2020-01-01 00:00,1.5,"wind, rain"\n2020-01-01 01:00,2,\n'
    np.testing.assert_array_equal(
        decode(text, place, layout).values["air_temperature"], [[1.5, 2.0]]
    )


def test_columns_parted_by_blanks(place):
    layout = TableLayout(
        columns={"T": "air_temperature (degC)"}, time=("YYYYMMDDhh",), time_format="YYYYMMDDhh"
    )
    text = "YYYYMMDDhh   T   U\n2020010100  1.0  90\n2020010101 -1.5  91\n"
    table = decode(text, place, layout)
    np.testing.assert_array_equal(table.values["air_temperature"], [[1.0, -1.5]])
    assert str(table.time[1])[:13] == "2020-01-01T01"


def test_soil_by_its_depth_and_vapour_pressure_as_humidity(place):
    layout = TableLayout(
        columns={
            "T": "air_temperature (degC)",
            "e": "vapour_pressure (hPa)",
            "s50": "soil_temperature_50cm (degC)",
            "s5": "soil_temperature_5cm (degC)",
        }
    )
    table = decode("time;T;e;s50;s5\n2020-01-01 00:00;5;6,98;7;6\n", place, layout)
    np.testing.assert_allclose(table.depth, [0.05, 0.5])
    np.testing.assert_array_equal(table.values["soil_temperature"], [[[6.0, 7.0]]])
    # By hand: saturated at 5 °C is 8.721 hPa (Alduchov & Eskridge 1996): 80.04 %.
    np.testing.assert_allclose(table.values["relative_humidity"], [[80.04]], atol=0.05)


def test_our_own_headings_with_another_way_of_writing_time(place):
    layout = TableLayout(time_format="DD/MM/YYYY hh:mm", utc_offset_hours=1)
    text = "time,air_temperature,wind_speed_10m (km/h)\n13/01/2020 01:00,3,36\n"
    table = decode(text, place, layout)
    assert str(table.time[0])[:16] == "2020-01-13T00:00"
    assert table.values["wind_speed"][0, 0] == pytest.approx(10.0)


def test_all_that_does_not_fit_is_said_at_once(place):
    layout = TableLayout(
        columns={
            "Lufft": "air_temperature (degC)",
            "Regen": "percipitation (mm)",
            "Wind": "wind_speed (furlong)",
            "Boden": "soil_temperature (degC)",
        },
        time=("Dattum", "Zeit"),
        time_format="DD.MM hh:MM",
    )
    with pytest.raises(WeatherError) as raised:
        decode("Datum;Zeit;Luft;Regen;Wind;Boden\n", place, layout)
    text = str(raised.value)
    for words in (
        '[weather.table] columns."Lufft" "Lufft": the table has no such heading. Did you mean '
        '"Luft"?',
        'columns."Regen" "percipitation": is no name of ours. Did you mean "precipitation"?',
        'columns."Wind" "furlong": is not a unit known here.',
        'Write the unit behind the name: "wind_speed (m/s)".',
        'Name its depth too, as in "soil_temperature_10cm (degC)".',
        '[weather.table] time "Dattum": the table has no such heading. Did you mean "Datum"?',
        '[weather.table] time_format "DD.MM hh:MM": is no order of year, month, day and hour.',
    ):
        assert words in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"time_format": "MM.DD.YYYY hh:mm"},
            'row 4 "31.01.2020 23:00": 1 of 3 times are not written as "MM.DD.YYYY hh:mm".',
        ),
        ({"time_format": None}, "[weather.table] time_format: is missing"),
        ({"time": ()}, 'no column is called time. The table has "Datum", "Zeit", "Luft", "Regen".'),
        ({"missing": ("-99",)}, 'row 5, 2020-01-31T23:00, Luft "defekt": 1 cell is no number.'),
        (
            {"columns": {"Regen": "precipitation (mm)"}},
            "row 3: no column holds the air temperature.",
        ),
        (
            {"columns": {"Luft": "air_temperature (C)", "Regen": "air_temperature (C)"}},
            'two columns for air_temperature: "Luft" and "Regen".',
        ),
        (
            {"columns": {"Luft": "air_temperature_min (C)", "Regen": "air_temperature_max (C)"}},
            "air_temperature_min is one value a day, but the times of this table have hours.",
        ),
    ],
)
def test_what_a_fault_says(change, words, place):
    with pytest.raises(WeatherError) as raised:
        decode(ROWS, place, HOURLY.model_copy(update=change))
    assert words in str(raised.value)


def test_a_short_row_is_named(place):
    with pytest.raises(WeatherError, match=r"row 5.*1 of 3 rows do not have the 4 cells"):
        decode(ROWS.replace(";defekt;0", ";0"), place, HOURLY)


def test_a_station_far_away_is_refused(place):
    far = HOURLY.model_copy(update={"latitude": 40.0, "longitude": -4.0})
    with pytest.raises(WeatherError, match="the site lies outside the file"):
        decode(ROWS, place, far)


def test_rows_after_the_moment_are_never_parsed(place):
    as_of = np.datetime64("2020-02-01T00:30", "ns")
    table = decode(ROWS + "later;rows;are;no;table\n", place, HOURLY, as_of)
    assert table.time.size == 3
    assert table.faults == []
    assert decode(ROWS, place, HOURLY, np.datetime64("2019-01-01", "ns")) is None


def test_days_that_are_not_over_are_not_known(place):
    layout = TableLayout(
        columns={"lo": "air_temperature_min (degC)", "hi": "air_temperature_max (degC)"},
        time_format="DD.MM.YYYY",
    )
    text = "time,lo,hi\n01.01.2020,1,5\n02.01.2020,2,6\n"
    assert decode(text, place, layout, np.datetime64("2020-01-02T23", "ns")).time.size == 1
    assert decode(text, place, layout).daily
    poisoned = decode(text + "soon,x\n", place, layout, np.datetime64("2020-01-02T23", "ns"))
    assert poisoned.time.size == 1


def test_the_layout_is_for_tables_that_have_its_headings(tmp_path, place):
    """One site file: its history is a station's table, its forecast a service's."""
    (tmp_path / "station.csv").write_text(ROWS, encoding="utf-8")
    plain = "time,air_temperature\n2020-02-01T01:00,7\n2020-02-01T02:00,8\n"
    (tmp_path / "plain.csv").write_text(plain, encoding="utf-8")
    joined = read([tmp_path / "plain.csv", tmp_path / "station.csv"], place, table=HOURLY)
    np.testing.assert_allclose(joined.air_temperature.values, [[0.0, 5.0, 10.0, 7.0, 8.0]])
    named = TableLayout(columns={"Luft": "air_temperature (degF)"}, time=("time",))
    assert read(tmp_path / "plain.csv", place, table=named).sizes["time"] == 2
    with pytest.raises(WeatherError, match=r"Say under \[weather.table\] which heading is what"):
        read(tmp_path / "station.csv", place)
