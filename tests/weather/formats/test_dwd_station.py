"""Zips of the German climate data centre, made up in the layout its description states.

``produkt_tu_stunde_*.txt``: STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor, MESS_DATUM as
YYYYMMDDHH in UTC, -999 missing, cells padded with blanks.
"""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather import read
from riskcast.weather.formats import dwd_station

GEOGRAPHY = (
    "Stations_id;Stationshoehe;Geogr.Breite;Geogr.Laenge;von_datum;bis_datum;Stationsname\r\n"
    "      12345;      10.00;  49.5000;   -4.0000;19900101;19991231;Irgendwo\r\n"
    "      12345;      80.00;  50.0100;   -4.0200;20000101;        ;Irgendwo\r\n"
)
AIR = (
    "STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor\r\n"
    "      12345;2020010100;    3;  -0.4;  93.0;eor\r\n"
    "      12345;2020010101;    3;-999.0;  94.0;eor\r\n"
    "      12345;2020010102;    3;   2.1;-999.0;eor\r\n"
).replace("-999.0", "  -999")
RAIN = (
    "STATIONS_ID;MESS_DATUM;QN_8;  R1;RS_IND;WRTR;eor\r\n"
    "      12345;2020010100;    3;   0.3;   1;   6;eor\r\n"
    "      12345;2020010101;    3;   0.0;   0;-999;eor\r\n"
    "      12345;2020010102;    3;  -999;-999;-999;eor\r\n"
)


def packed(kind, text, geography=GEOGRAPHY):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("Metadaten_Geographie_12345.txt", geography)
        archive.writestr("Metadaten_Parameter_12345.txt", "…")
        archive.writestr(f"produkt_{kind}_stunde_20200101_20200102_12345.txt", text)
    return data.getvalue()


def test_air_and_humidity_of_one_station(place):
    table = dwd_station.decode(packed("tu", AIR), "tu.zip", place, None)
    np.testing.assert_array_equal(table.values["air_temperature"], [[-0.4, np.nan, 2.1]])
    np.testing.assert_array_equal(table.values["relative_humidity"], [[93.0, 94.0, np.nan]])
    assert str(table.time[1])[:16] == "2020-01-01T01:00"
    # The station moved in 2000: the newer place counts.
    assert (table.cell, table.elevation_m) == ((50.01, -4.02), 80.0)
    assert table.attrs["attribution"] == "Source: Deutscher Wetterdienst"


def test_several_zips_of_a_station_make_one_course(tmp_path, place):
    (tmp_path / "tu.zip").write_bytes(packed("tu", AIR))
    (tmp_path / "rr.zip").write_bytes(packed("rr", RAIN))
    dataset = read(tmp_path, place)
    # The station lies 40 m below the site: 0.26 K; the missing hour is interpolated.
    expected = np.array([[-0.4, 0.85, 2.1]]) - 0.26
    np.testing.assert_allclose(dataset.air_temperature.values, expected, atol=1e-6)
    assert list(dataset.precipitation.values[0, :2]) == [0.3, 0.0]
    assert dataset.attrs["provider"] == "Deutscher Wetterdienst"


def test_rows_after_the_moment_are_left_out(place):
    as_of = np.datetime64("2020-01-01T01:59", "ns")
    assert dwd_station.decode(packed("tu", AIR), "tu.zip", place, as_of).time.size == 2
    early = np.datetime64("2019-01-01", "ns")
    assert dwd_station.decode(packed("tu", AIR), "tu.zip", place, early) is None


def test_a_missing_value_of_another_kind_does_not_become_no_rain(place):
    """The library makes zero of amounts below it."""
    text = RAIN.replace("   0.3;", "-999.9;")
    table = dwd_station.decode(packed("rr", text), "rr.zip", place, None)
    assert table.values["precipitation"][0, 0] == -999.9


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (packed("tu", AIR)[:-40], "damaged or cut off"),
        (packed("tu", AIR.replace("TT_TU", "TTTT")), "damaged or cut off"),
        (packed("tu", AIR, GEOGRAPHY.replace("Breite", "X")), "damaged or cut off"),
        (packed("tu", AIR.replace("2020010101", "01.01.2020")), "damaged or cut off"),
        (packed("sd", AIR), "expected hourly values of one kind"),
    ],
)
def test_what_is_not_read_is_refused(data, words, place, tmp_path):
    path = tmp_path / "station.zip"
    path.write_bytes(data)
    with pytest.raises(WeatherError, match=words):
        read(path, place)


def test_the_text_without_its_zip_has_no_place(place, tmp_path):
    path = tmp_path / "produkt_tu_stunde_20200101_20200102_12345.txt"
    path.write_text(AIR)
    with pytest.raises(WeatherError, match="Hand over the zip as it was downloaded"):
        read(path, place)
