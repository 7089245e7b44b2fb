"""MET Norway: one real recorded answer read to the values in it, and the service's rules.

A08 is Locationforecast 2.0 complete for London as another project recorded it on 20 July 2020:
55 hourly steps, then 27 of six hours. The values beside it were read by hand in the file.
"""

from __future__ import annotations

import datetime as dt
import json
from types import SimpleNamespace

import invented_weather
import numpy as np
import pytest
import service_faults
from loopback import Services

from riskcast import __version__
from riskcast.base.errors import WeatherError
from riskcast.site import MetNorway
from riskcast.weather.air import relative_humidity
from riskcast.weather.files import assemble
from riskcast.weather.providers import met_norway
from riskcast.weather.web import NotWhole, Web

AGENT = "riskcast tests (keeper@example.org)"


@pytest.fixture
def london(make_place):
    return make_place(51.5, -0.1, 25.0)


@pytest.fixture
def a08(real_data):
    (path,) = (real_data / "weather").glob("A08_*.json")
    return json.loads(path.read_bytes())["data"]


def body(document):
    return json.dumps(document).encode()


def at(table, name, when):
    (i,) = np.flatnonzero(table.time == np.datetime64(when))
    return float(table.values[name][0, i])


# --- the recorded answer ---------------------------------------------------------------------


def test_a08_hours_as_they_stand_in_it(a08, london):
    table = met_norway.read(body(a08), "A08", london)
    assert at(table, "air_temperature", "2020-07-20T12:00") == 19.6
    assert at(table, "air_temperature", "2020-07-20T14:00") == 20.6
    assert at(table, "relative_humidity", "2020-07-20T13:00") == 39.5
    assert at(table, "wind_speed", "2020-07-22T17:00") == 3.3
    assert at(table, "air_temperature", "2020-07-23T06:00") == 13.5  # a step of six hours
    assert at(table, "air_temperature", "2020-07-29T06:00") == 17.4  # the last one
    # 11:00 is left out: the rain of the hour before it is not in the answer.
    assert table.time[0] == np.datetime64("2020-07-20T12:00")
    assert len(table.time) == 54 + 27 * 6 - 5  # 17:00 to 18:00 is still one hour
    assert table.elevation_m == 25.0
    assert table.cell == (51.5, -0.1)
    assert table.attrs["reference_time"] == "2020-07-20T01:30Z"
    assert table.forecast
    assert "snow_depth" not in table.values


def test_a08_becomes_a_course_without_gaps(a08, london):
    table = met_norway.read(body(a08), "A08", london)
    course = assemble([table], [], london, "A08")
    assert course.size == 211
    assert not course.gap.any()
    # 26 steps of six hours have five hours between them each.
    assert (course.filled == 1).sum() == 26 * 5
    assert course.attrs["height_gap_m"] == 0.0


def test_a08_extremes_of_six_hours_are_reached_and_not_passed(a08, london):
    """2020-07-23T12:00 22.5, 18:00 20.5, between them 22.9 at most and 19.9 at least."""
    table = met_norway.read(body(a08), "A08", london)
    inside = (table.time > np.datetime64("2020-07-23T12")) & (
        table.time < np.datetime64("2020-07-23T18")
    )
    air = table.values["air_temperature"][0, inside]
    assert 22.7 < air.max() <= 22.9
    assert 19.9 <= air.min() < 20.3


def test_a08_rain_belongs_to_the_hour_that_ends(a08, london):
    series = a08["properties"]["timeseries"]
    series[2]["data"]["next_1_hours"]["details"]["precipitation_amount"] = 1.7  # 13:00 to 14:00
    table = met_norway.read(body(a08), "A08", london)
    assert at(table, "precipitation", "2020-07-20T14:00") == 1.7
    assert at(table, "precipitation", "2020-07-20T13:00") == 0.0


def test_a08_rain_of_six_hours_is_shared_out_and_none_is_lost(a08, london):
    table = met_norway.read(body(a08), "A08", london)
    # 28 July 18:00 says 0.2 mm for what follows, 29 July 00:00 says 0.3 mm.
    assert at(table, "precipitation", "2020-07-28T18:00") == 0.0
    assert at(table, "precipitation", "2020-07-28T19:00") == pytest.approx(0.2 / 6)
    assert at(table, "precipitation", "2020-07-29T00:00") == pytest.approx(0.2 / 6)
    assert at(table, "precipitation", "2020-07-29T06:00") == pytest.approx(0.3 / 6)
    series = a08["properties"]["timeseries"]
    ones = [s["data"]["next_1_hours"]["details"]["precipitation_amount"] for s in series[:55]]
    sixes = [s["data"]["next_6_hours"]["details"]["precipitation_amount"] for s in series[55:81]]
    assert table.values["precipitation"].sum() == pytest.approx(sum(ones) + sum(sixes))


def test_a08_humidity_between_long_steps_follows_the_dew_point(a08, london):
    table = met_norway.read(body(a08), "A08", london)
    # 23 July 06:00 dew point 9.5, 12:00 9.3: at 09:00 it is 9.4.
    air = at(table, "air_temperature", "2020-07-23T09:00")
    told = at(table, "relative_humidity", "2020-07-23T09:00")
    assert told == pytest.approx(float(relative_humidity(air, 9.4)))


def test_a08_its_own_hours_thinned_to_every_sixth_come_back(a08, london):
    """Measured when this was written: 0.64 °C, straight lines 0.83 °C, over a day and a half."""
    whole = met_norway.read(body(a08), "A08", london)
    a08["properties"]["timeseries"] = steps(a08)[1:38:6]
    thin = met_norway.read(body(a08), "A08", london)
    hourly = whole.values["air_temperature"][0, np.isin(whole.time, thin.time)]
    first = at(whole, "air_temperature", "2020-07-20T12:00")
    lines = np.interp(np.arange(37), np.arange(0, 37, 6), np.r_[first, hourly[5::6]])[1:]

    def rmse(guess):
        return float(np.sqrt(np.mean((guess - hourly) ** 2)))

    made = thin.values["air_temperature"][0]
    assert len(made) == 36
    assert rmse(made) < 0.8 * rmse(lines)
    assert made.max() == pytest.approx(hourly.max(), abs=0.02)


def test_steps_after_as_of_are_not_looked_at(a08, london):
    a08["properties"]["timeseries"][4]["data"]["instant"]["details"]["air_temperature"] = "warm"
    until = np.datetime64("2020-07-20T14:00", "ns")
    table = met_norway.read(body(a08), "A08", london, until)
    assert table.time[-1] == until
    assert met_norway.read(body(a08), "A08", london, np.datetime64("2020-07-01", "ns")) is None


def test_the_provider_is_credited(a08, london):
    attrs = met_norway.read(body(a08), "A08", london).attrs
    assert attrs["attribution"] == "Based on data from MET Norway (https://api.met.no/)"
    assert attrs["licence"] == "NLOD 2.0 / CC BY 4.0"
    assert attrs["provider"] == "MET Norway"


# --- what may be different -------------------------------------------------------------------


def steps(document):
    return document["properties"]["timeseries"]


def test_a_variable_that_is_not_offered_here_is_absent(a08, london):
    for step in steps(a08):
        del step["data"]["instant"]["details"]["wind_speed"]
        del step["data"]["instant"]["details"]["dew_point_temperature"]
    table = met_norway.read(body(a08), "A08", london)
    assert table.values.keys() == {"air_temperature", "relative_humidity", "precipitation"}
    # without dew points humidity is a straight line: 76.4 at 06:00, 42.6 at 12:00
    assert at(table, "relative_humidity", "2020-07-23T09:00") == pytest.approx(59.5)


def test_missing_rain_is_missing_and_never_zero(a08, london):
    del steps(a08)[2]["data"]["next_1_hours"]
    table = met_norway.read(body(a08), "A08", london)
    assert np.isnan(at(table, "precipitation", "2020-07-20T14:00"))


def test_a_step_without_temperature_is_bridged(a08, london):
    del steps(a08)[2]["data"]["instant"]["details"]["air_temperature"]
    table = met_norway.read(body(a08), "A08", london)
    (i,) = np.flatnonzero(table.time == np.datetime64("2020-07-20T13:00"))
    assert table.filled[i] == 1
    assert table.values["air_temperature"][0, i] == pytest.approx(20.1, abs=0.1)  # 19.6, 20.6


def test_what_stands_behind_a_longer_step_is_left_out(a08, london):
    del steps(a08)[58]  # 23 July 12:00: now twelve hours to the next
    table = met_norway.read(body(a08), "A08", london)
    assert table.time[-1] == np.datetime64("2020-07-23T06:00")


def test_the_unit_of_the_answer_counts_even_misspelt(a08, london):
    a08["properties"]["meta"]["units"]["air_temperature"] = "celcius"
    a08["properties"]["meta"]["units"]["wind_speed"] = "km/h"
    table = met_norway.read(body(a08), "A08", london)
    assert at(table, "air_temperature", "2020-07-20T12:00") == 19.6
    assert at(table, "wind_speed", "2020-07-20T12:00") == pytest.approx(2.7 / 3.6)
    del a08["properties"]["meta"]["units"]["air_temperature"]
    assert "states no units" in met_norway.read(body(a08), "A08", london).faults[0].problem


def test_longitude_comes_first(a08, make_place):
    """GeoJSON: [lon, lat, altitude]. Read the other way round London lies off Somalia."""
    table = met_norway.read(body(a08), "A08", make_place(51.51, -0.12, 40.0))
    assert not table.faults
    assert table.attrs["cell_distance_km"] == pytest.approx(1.8, abs=0.1)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda s: s[3].update(time="yesterday"), "not on full hours"),
        (lambda s: s.insert(0, s.pop(5)), "not in the order of time"),
        (lambda s: s[3]["data"]["instant"]["details"].update(air_temperature="mild"), "mild"),
        (lambda s: s.__delitem__(slice(1, None)), "no two steps follow"),
    ],
)
def test_steps_that_cannot_be_read_are_faults(a08, london, change, told):
    change(steps(a08))
    table = met_norway.read(body(a08), "A08", london)
    assert told in str(table.faults[0])


@pytest.mark.parametrize(
    "document",
    [[], {}, {"properties": {"timeseries": []}}, {"properties": None}, {"hourly": {}}, "text"],
)
def test_other_json_is_refused(london, document):
    with pytest.raises(WeatherError, match=r"no Locationforecast"):
        met_norway.read(body(document), "answer.json", london)


def test_a_damaged_file_is_refused(london):
    with pytest.raises(WeatherError, match=r"damaged or cut off"):
        met_norway.read(b'{"type":"Feature","prop', "answer.json", london)


# --- the service's rules ---------------------------------------------------------------------

NOW = np.datetime64("2020-07-20T11:44:31", "ns")


class Recorder:
    """Stands for the network: keeps the question, and reads a body with the asker's reader."""

    def __init__(self, document):
        self.body = document if isinstance(document, bytes) else body(document)
        self.asked = 0

    def get(self, service, url, params, *, parse, **options):
        self.asked += 1
        self.service, self.url, self.params, self.options = service, url, params, options
        return SimpleNamespace(
            value=parse(self.body),
            fetched_at=NOW,
            from_cache=False,
            stale=False,
            problem="",
            headers={},
            notes=(),
            asked=True,
        )


def test_it_is_asked_with_who_asks_and_where_roughly(a08, make_place):
    web = Recorder(a08)
    place = make_place(51.498765, -0.123456, 27.0)
    got = met_norway.fetch(web, MetNorway(user_agent=AGENT), place, as_of=NOW)
    assert web.service == "met-norway"
    assert web.url == "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    assert web.params == {"lat": "51.50", "lon": "-0.12", "altitude": "30"}
    assert web.options["headers"] == {"User-Agent": AGENT}
    assert web.options["obey_expiry"]
    assert "fresh_s" not in web.options
    assert got.reference_time == np.datetime64("2020-07-20T01:30")
    assert got.answer_fetched_at == NOW


def test_an_address_alone_is_sent_with_the_program_s_name(a08, london):
    """Terms of service: "identify your application", not only its user."""
    web = Recorder(a08)
    met_norway.fetch(web, MetNorway(user_agent="keeper@example.org"), london, as_of=NOW)
    assert web.options["headers"] == {"User-Agent": f"keeper@example.org riskcast/{__version__}"}


def test_nobody_is_asked_without_saying_who_asks(a08, london):
    web = Recorder(a08)
    with pytest.raises(WeatherError, match=r"user_agent"):
        met_norway.fetch(web, MetNorway(), london, as_of=NOW)
    assert web.asked == 0


def test_without_the_provider_s_time_that_of_fetching_counts(a08, london):
    del a08["properties"]["meta"]["updated_at"]
    got = met_norway.fetch(Recorder(a08), MetNorway(user_agent=AGENT), london, as_of=NOW)
    assert got.reference_time == np.datetime64("2020-07-20T11:44")
    assert got.table.attrs["reference_time_is"] == "time of fetching"


@pytest.mark.parametrize(
    ("now", "told"),
    [
        ("2020-07-29T06:00", "no value after 2020-07-29T06:00Z"),
        ("2020-07-22T02:00", "stands still"),
    ],
)
def test_a_forecast_that_is_over_or_stands_still_is_refused(a08, london, now, told):
    with pytest.raises(WeatherError) as error:
        met_norway.fetch(
            Recorder(a08), MetNorway(user_agent=AGENT), london, as_of=np.datetime64(now, "ns")
        )
    assert told in str(error.value)


def test_a_forecast_of_elsewhere_is_refused(a08, make_place):
    with pytest.raises(WeatherError, match=r"outside the file"):
        met_norway.fetch(
            Recorder(a08), MetNorway(user_agent=AGENT), make_place(54.0, -2.0), as_of=NOW
        )


def test_a_page_instead_of_an_answer_is_worth_asking_again(london):
    with pytest.raises(NotWhole):
        met_norway.fetch(Recorder(b"<html>502"), MetNorway(user_agent=AGENT), london, as_of=NOW)


def test_it_comes_over_the_network(tmp_path, make_place):
    place = make_place(50.123456, -4.098765, 123.0)
    now = np.datetime64("2025-10-27T09:20:31", "ns")
    with Services() as services, Web(tmp_path) as web:
        services.now = dt.datetime(2025, 10, 27, 9, 20, 31, tzinfo=dt.UTC)
        settings = MetNorway(**services.met_norway())
        got = met_norway.fetch(web, settings, place, as_of=now)
        (request,) = services.asked("met-norway")
    assert request.query == {"lat": "50.12", "lon": "-4.10", "altitude": "120"}
    assert request.headers["user-agent"] == settings.user_agent
    assert got.reference_time == np.datetime64("2025-10-27T09:00")
    hour = invented_weather.hours_of(got.table.time)
    true = invented_weather.temperature(hour, 50.12, -4.1, 0, 120.0)
    air, given = got.table.values["air_temperature"][0], got.table.filled == 0
    assert air[given].tolist() == true[given].tolist()
    # A day of 3 K either side: between steps of six hours no straight line comes so near.
    assert np.sqrt(np.mean((air - true)[~given] ** 2)) < 0.4
    assert got.table.time[-1] > now + np.timedelta64(8, "D")


@pytest.mark.parametrize(
    ("code", "remedy"),
    [
        (400, "check url under [weather.met-norway] in the site file."),
        (403, "name a way to reach you as its user_agent in the site file, and ask less often."),
        (422, "choose another source of forecasts in the site file."),
    ],
)
def test_a_refusal_is_told_with_what_to_change(tmp_path, make_place, code, remedy):
    place = make_place(50.123456, -4.098765, 123.0)
    with Services() as services, Web(tmp_path) as web:
        services.fail("met-norway", service_faults.status(code), times=None)
        with pytest.raises(WeatherError) as error:
            met_norway.fetch(web, MetNorway(**services.met_norway()), place)
        assert services.count() == 1
    assert str(error.value).endswith(f"({code}); {remedy}")
