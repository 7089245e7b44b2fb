"""What weather services do wrong, against servers on loopback that do it: one sentence each time.

For every fault: the sentence names the service and not the place, the number of requests is
bounded, nothing that does not parse is kept, and a good answer kept before stays and stands in.
"""

from __future__ import annotations

import datetime as dt
import re
import time

import invented_weather
import numpy as np
import pytest
import service_faults as faults
from fault_cases import CASES, ONLY_OPEN_METEO
from loopback import Services

from riskcast.base.errors import WeatherError
from riskcast.site import MetNorway, OpenMeteo, Place
from riskcast.weather.providers import met_norway, open_meteo
from riskcast.weather.web import Clock, Limits, Web

PLACE = Place(
    id="test-wood", name="Test wood", latitude=52.1357, longitude=4.3579, elevation_m=100,
    timezone="Europe/London",
)  # fmt: skip

# Times so small that a test can wait for them; the drip alone takes all of total_s.
TINY = Limits(
    connect_s=2.0, read_s=0.3, total_s=1.5, tries=3, back_off_s=0.01, jitter_s=0.005, redirects=4
)


class ShiftedClock(Clock):
    """The real time, some hours on."""

    def __init__(self, hours=0.0):
        self.hours = hours

    def now(self):
        return time.time() + 3600 * self.hours


@pytest.fixture
def services():
    with Services() as running:
        yield running


@pytest.fixture
def make_web(tmp_path):
    made = []

    def make(hours=0.0, **keys):
        keys = {"limits": TINY, "clock": ShiftedClock(hours)} | keys
        made.append(Web(tmp_path / "cache", **keys))
        return made[-1]

    yield make
    for web in made:
        web.close()


def forecast(services, web):
    return open_meteo.fetch_forecast(web, OpenMeteo(**services.open_meteo()), PLACE)


def ensemble(services, web):
    return open_meteo.fetch_ensemble(web, OpenMeteo(**services.open_meteo()), PLACE)


def archive(services, web):
    first, last = (np.datetime64(day) for day in ("2024-10-01", "2024-10-31"))
    settings = OpenMeteo(**services.open_meteo())
    return open_meteo.fetch_archive(web, settings, 52.1, 4.4, first, last, PLACE)


def nordic(services, web):
    return met_norway.fetch(web, MetNorway(**services.met_norway()), PLACE)


FETCHERS = {
    "forecast": forecast, "ensemble": ensemble, "archive": archive, "met-norway": nordic
}  # fmt: skip
KNOWN_AS = {
    "forecast": "open-meteo", "ensemble": "open-meteo", "archive": "open-meteo",
    "met-norway": "met-norway",
}  # fmt: skip


def assert_a_sentence(text, service):
    """One line for the keeper: who, what, what now; no place, address, library or traceback."""
    assert service in text
    assert "\n" not in text.strip() or "fault" in text
    for secret in ("52.13", "4.35", "52.14", "4.36", "127.0.0.1", "http", "latitude="):
        assert secret not in text
    for jargon in ("Traceback", "urllib3", "requests.", "Errno", "HTTPConnection", "Exception"):
        assert jargon not in text
    assert re.search(r"[.!]$", text.strip())


@pytest.mark.parametrize("case", CASES, ids=str)
@pytest.mark.parametrize("service", ["forecast", "met-norway"])
def test_a_fault_is_a_sentence_and_leaves_nothing_behind(service, case, services, make_web):
    fetch, web = FETCHERS[service], make_web()
    services.fail(service, case.fault, times=None)
    began = time.monotonic()
    with pytest.raises(WeatherError) as raised:
        fetch(services, web)
    assert time.monotonic() - began < TINY.total_s + 5  # never the seconds the fault could last
    text = str(raised.value)
    assert_a_sentence(text, KNOWN_AS[service])
    assert case.told in text
    # A redirect is followed a few times within one question.
    most = TINY.redirects + 1 if case.name == "redirects" else 1 if case.once else TINY.tries
    assert services.count(service) == most
    with pytest.raises(WeatherError, match="offline"):  # so nothing was kept
        fetch(services, make_web(offline=True))


@pytest.mark.parametrize(
    ("service", "case"),
    [
        *(pytest.param("forecast", case, id=f"forecast-{case}") for case in CASES),
        # The slow ones are those of any service.
        *(
            pytest.param("met-norway", case, id=f"met-norway-{case}")
            for case in CASES
            if case.name not in ("drip", "silence")
        ),
    ],
)
def test_the_good_answer_of_before_stays_and_stands_in(service, case, services, make_web):
    fetch = FETCHERS[service]
    good = fetch(services, make_web())
    before = services.count(service)
    services.fail(service, case.fault, times=None)
    services.now = dt.datetime.now(dt.UTC) + dt.timedelta(hours=4)  # there is a new forecast
    for again in range(2):  # the second time shows that the first did not damage what is kept
        found = fetch(services, make_web(hours=4))
        assert found.stale
        assert found.from_cache
        assert_a_sentence(found.problem, KNOWN_AS[service])
        # A limit once told is kept to: then the sentence is that nobody asked.
        assert case.told in found.problem or (again and "was not asked" in found.problem)
        np.testing.assert_array_equal(
            found.table.values["air_temperature"], good.table.values["air_temperature"]
        )
        apart = abs(found.answer_fetched_at - good.answer_fetched_at)
        assert apart < np.timedelta64(1, "ms")
        assert found.reference_time == good.reference_time
    assert services.count(service) - before <= 2 * max(TINY.tries, TINY.redirects + 1)


@pytest.mark.parametrize("case", ONLY_OPEN_METEO, ids=str)
def test_an_answer_that_is_whole_and_useless(case, services, make_web):
    services.fail("forecast", case.fault, times=None)
    with pytest.raises(WeatherError) as raised:
        forecast(services, make_web())
    assert_a_sentence(str(raised.value), "open-meteo")
    assert case.told in str(raised.value)
    assert services.count("forecast") == 1
    with pytest.raises(WeatherError, match="offline"):
        forecast(services, make_web(offline=True))
    services.mend()
    assert not forecast(services, make_web()).stale


@pytest.mark.parametrize("case", [c for c in CASES if not c.once], ids=str)
def test_a_fault_that_passes_is_asked_over_and_not_seen(case, services, make_web):
    services.fail("forecast", case.fault, times=2)
    found = forecast(services, make_web())
    assert (found.stale, found.from_cache, found.problem) == (False, False, "")
    assert services.count("forecast") == 3


# --- what is no fault -----------------------------------------------------------------------


@pytest.mark.parametrize("service", list(FETCHERS))
def test_packed_answers_are_read(service, services, make_web):
    services.fail(service, faults.in_gzip())
    found = FETCHERS[service](services, make_web())
    assert np.isfinite(found.table.values["air_temperature"]).any()
    assert "gzip" in services.requests[-1].headers["accept-encoding"]


@pytest.mark.parametrize("service", list(FETCHERS))
@pytest.mark.parametrize("kind", ["text/plain", "text/html; charset=utf-8", "application/x-y"])
def test_the_right_body_under_a_wrong_name_is_read(service, kind, services, make_web):
    services.fail(service, faults.content_type(kind))
    assert not FETCHERS[service](services, make_web()).stale


def test_a_column_of_nulls_is_left_out_and_told(services, make_web):
    services.fail("forecast", faults.all_null("snow_depth"))
    table = forecast(services, make_web()).table
    assert "snow_depth" not in table.values
    assert "air_temperature" in table.values
    told = [n.numbers["name"] for n in table.notes if n.code == "null_column"]
    assert told == ["snow_depth"]


def test_a_member_that_is_missing_leaves_the_others_theirs(services, make_web):
    services.fail("ensemble", faults.without("temperature_2m_member02"))
    table = ensemble(services, make_web()).table
    assert len(table.member) == 50
    assert 2 not in table.member
    hour = invented_weather.hours_of(table.time)
    third = invented_weather.temperature(hour, 52.25, 4.25, member=3)
    there = np.isfinite(table.values["air_temperature"][list(table.member).index(3)])
    np.testing.assert_allclose(
        table.values["air_temperature"][list(table.member).index(3)][there], third[there]
    )


def test_units_that_change_between_two_calls_are_read_from_each(services, make_web):
    """Asked for are °C and m/s; once the answer says °F, km/h and feet, and means it."""
    first = forecast(services, make_web()).table
    change = [
        faults.in_units("temperature_2m", "°F", lambda v: v * 1.8 + 32),
        faults.in_units("wind_speed_10m", "km/h", lambda v: v * 3.6),
        faults.in_units("snow_depth", "ft", lambda v: v / 0.3048),
        faults.in_units("precipitation", "inch", lambda v: v / 25.4),
    ]
    services.fail("forecast", *change, times=None)
    second = forecast(services, make_web(hours=4)).table
    assert services.count("forecast") == 2
    for name in ("air_temperature", "wind_speed", "snow_depth", "precipitation"):
        np.testing.assert_allclose(second.values[name], first.values[name], atol=1e-6)


@pytest.mark.parametrize("hours", [3.0, -26.0])
@pytest.mark.parametrize("service", ["forecast", "met-norway"])
def test_clocks_apart_are_told_and_the_answer_is_used(service, hours, services, make_web):
    services.fail(service, faults.clock_off(hours))
    found = FETCHERS[service](services, make_web())
    assert not found.stale
    (note,) = [n for n in found.notes if n.code == "clock_skew"]
    assert note.numbers["hours"] == pytest.approx(hours, abs=0.1)


# --- MET Norway's rules ---------------------------------------------------------------------


def test_met_norway_is_not_asked_before_its_time_and_then_only_whether_it_changed(
    services, make_web
):
    first = nordic(services, make_web())
    again = nordic(services, make_web())
    assert services.count("met-norway") == 1
    assert again.from_cache
    assert not again.stale
    services.now = dt.datetime.now(dt.UTC)  # the same hour: nothing changed
    later = nordic(services, make_web(hours=1))
    assert services.count("met-norway") == 2
    asked = services.asked("met-norway")[-1]
    assert asked.headers["if-modified-since"]
    if asked.status == 304:  # else the hour changed while this ran
        np.testing.assert_array_equal(
            later.table.values["air_temperature"], first.table.values["air_temperature"]
        )
        assert not later.stale
    assert all(len(r.query["lat"].partition(".")[2]) <= 4 for r in services.requests)
