"""DWD's point forecast: the library's reading against the XML taken apart by hand.

Real file A14 (origin in the MANIFEST of its folder): MOSMIX_L of one station, December 2021.
"""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.formats import mosmix

FILE = "A14_dwd_mosmix_A762_20211220.kmz"

HEAD = """<?xml version="1.0" encoding="ISO-8859-1" standalone="yes"?>
<kml:kml xmlns:dwd="https://opendata.dwd.de/weather/lib/pointforecast_dwd_extension_V1_0.xsd"
 xmlns:kml="http://www.opengis.net/kml/2.2"><kml:Document><kml:ExtendedData>
<dwd:ProductDefinition><dwd:ProductID>MOSMIX</dwd:ProductID>
<dwd:IssueTime>2025-12-20T21:00:00.000Z</dwd:IssueTime>
<dwd:ForecastTimeSteps><dwd:TimeStep>2025-12-20T22:00:00.000Z</dwd:TimeStep>
<dwd:TimeStep>2025-12-20T23:00:00.000Z</dwd:TimeStep></dwd:ForecastTimeSteps>
</dwd:ProductDefinition></kml:ExtendedData>"""
STATION = """<kml:Placemark><kml:name>{name}</kml:name><kml:description>SOMEWHERE</kml:description>
<kml:ExtendedData>
<dwd:Forecast dwd:elementName="TTT"><dwd:value> {air} 271.15 </dwd:value></dwd:Forecast>
<dwd:Forecast dwd:elementName="Td"><dwd:value> 270.15 270.15 </dwd:value></dwd:Forecast>
<dwd:Forecast dwd:elementName="RR1c"><dwd:value> 0.30 - </dwd:value></dwd:Forecast>
<dwd:Forecast dwd:elementName="SnCv"><dwd:value> 0.05 0.04 </dwd:value></dwd:Forecast>
</kml:ExtendedData><kml:Point><kml:coordinates>{place}</kml:coordinates></kml:Point>
</kml:Placemark>"""
TAIL = "</kml:Document></kml:kml>"


def kml(*stations):
    body = "".join(STATION.format(name=name, air=air, place=place) for name, air, place in stations)
    return (HEAD + body + TAIL).encode("latin-1")


HERE = ("A1", "273.15", "-4.01,50.02,80.0")
FAR = ("B2", "253.15", "10.0,50.0,900.0")


def test_kelvin_metres_and_missing_values(place):
    table = mosmix.decode(kml(HERE), "m.kml", place, None)
    np.testing.assert_allclose(table.values["air_temperature"], [[0.0, -2.0]], atol=1e-9)
    np.testing.assert_array_equal(table.values["precipitation"], [[0.3, np.nan]])
    np.testing.assert_array_equal(table.values["snow_depth"], [[0.05, 0.04]])
    # By hand: exp(17.625 (-3 / 240.04 + 2 / 241.04)) = 0.9286
    assert table.values["relative_humidity"][0, 1] == pytest.approx(92.86, abs=0.01)
    assert (table.cell, table.elevation_m) == ((50.02, -4.01), 80.0)
    assert table.forecast
    assert table.attrs["attribution"] == "Source: Deutscher Wetterdienst"
    assert str(mosmix.reference_time(kml(HERE), "m.kml"))[:16] == "2025-12-20T21:00"


def test_of_all_stations_the_nearest_one(place):
    table = mosmix.decode(kml(FAR, HERE, FAR), "all.kml", place, None)
    assert table.values["air_temperature"][0, 0] == pytest.approx(0.0)
    with pytest.raises(WeatherError, match="the site lies outside the file"):
        raise WeatherError(faults=mosmix.decode(kml(FAR), "far.kml", place, None).faults)


def test_a_number_standing_for_missing_is_not_set_to_zero(place):
    """The library makes zero of precipitation below it: such a value has to reach the check."""
    body = kml(HERE).replace(b" 0.30 - ", b" -999 0.10 ")
    assert mosmix.decode(body, "m.kml", place, None).values["precipitation"][0, 0] == -999.0


def test_steps_later_than_the_moment_are_left_out(place):
    as_of = np.datetime64("2025-12-20T22:00", "ns")
    assert mosmix.decode(kml(HERE), "m.kml", place, as_of).time.size == 1
    assert mosmix.decode(kml(HERE), "m.kml", place, as_of - np.timedelta64(1, "h")) is None


def packed(*files):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for name, body in files:
            archive.writestr(name, body)
    return data.getvalue()


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (kml(HERE)[:-300], "damaged or cut off"),
        (packed(("a.kml", kml(HERE)))[:-30], "damaged or cut off"),
        (packed(("a.kml", b""), ("b.kml", b"")), "damaged or cut off"),
        (kml(HERE).replace(b" 271.15 ", b" "), "damaged or cut off"),
        (kml(HERE).replace(b"271.15", b"cold"), "damaged or cut off"),
        (kml(), "holds no station"),
        (b"<?xml version='1.0'?><kml:kml></kml:kml>", "no MOSMIX forecast"),
    ],
)
def test_damaged_files_are_refused(data, problem, place):
    with pytest.raises(WeatherError, match=problem):
        mosmix.decode(data, "m.kmz", place, None)


@pytest.mark.real_data
def test_a_real_forecast_against_its_own_xml(real_data, make_place):
    """A14: first steps read off the file: 271.05 and 270.65 K, dew point 270.45 K, 1.03 m/s."""
    data = (real_data / "weather" / FILE).read_bytes()
    table = mosmix.decode(data, FILE, make_place(53.92, 10.23, 38.0), None)
    np.testing.assert_allclose(table.values["air_temperature"][0, :2], [-2.1, -2.5], atol=1e-9)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        xml = archive.read(archive.namelist()[0]).decode("latin-1")

    def raw(element):
        text = re.search(rf'elementName="{element}">\s*<dwd:value>(.*?)</dwd:value>', xml, re.S)[1]
        return np.array([np.nan if word == "-" else float(word) for word in text.split()])

    steps = re.findall(r"<dwd:TimeStep>(.*?)\.000Z</dwd:TimeStep>", xml)
    assert list(np.datetime_as_string(table.time, unit="s")) == steps
    np.testing.assert_allclose(table.values["air_temperature"][0], raw("TTT") - 273.15)
    np.testing.assert_array_equal(table.values["precipitation"][0], raw("RR1c"))
    np.testing.assert_array_equal(table.values["wind_speed"][0], raw("FF"))
    assert "snow_depth" not in table.values
    # Humidity by another formula: Magnus over water with the coefficients of WMO-No. 8 (from
    # memory: 17.62 and 243.12).
    t, td = raw("TTT") - 273.15, raw("Td") - 273.15
    other = 100 * np.exp(17.62 * td / (243.12 + td) - 17.62 * t / (243.12 + t))
    np.testing.assert_allclose(table.values["relative_humidity"][0], other, atol=0.1)
    assert str(mosmix.reference_time(data, FILE))[:16] == "2021-12-20T21:00"
    assert table.cell == (53.92, 10.23)
    assert table.elevation_m == 38.0
