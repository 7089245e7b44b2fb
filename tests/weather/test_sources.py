from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
import service_faults
import time_machine
from loopback import Services

from riskcast.archive import ForecastShelf
from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.site import MetNorway, OpenMeteo, Weather
from riskcast.weather import season
from riskcast.weather.access import Access
from riskcast.weather.dataset import hours
from riskcast.weather.kept import issued
from riskcast.weather.kept.cell_store import of_site
from riskcast.weather.sources import gather
from riskcast.weather.web import Limits, Web

ISSUED = np.datetime64("2025-10-25T22:59:59", "ns")
START = dt.datetime(2025, 11, 10, 9, 30, tzinfo=dt.UTC)
TINY = Limits(connect_s=1, read_s=1, total_s=3, tries=1, back_off_s=0.01, jitter_s=0)
DOWN = service_faults.status(503)
SINGLE = "open-meteo.forecast.best_match"
ENSEMBLE = "open-meteo.ensemble.ecmwf_ifs025"


@pytest.fixture
def access(tmp_path):
    return Access(cache=tmp_path / "cache", offline=True)


# --- files ----------------------------------------------------------------------------------


def test_files_are_read_as_named(config, place, access):
    found = gather(config(), place, issued_at=ISSUED, access=access, years=6)
    assert found.forecast.reference_time == np.datetime64("2025-10-25T06")
    assert found.forecast.before is None
    assert found.history.times[-1] == np.datetime64("2025-10-25T08")
    assert found.notes == ()
    forecast, history = found.reports
    assert (forecast.role, forecast.source, forecast.used) == ("forecast", "forecast.nc", True)
    assert (forecast.first, forecast.hours) == (np.datetime64("2025-10-25T00"), 11 * 24)
    assert (history.role, history.source, history.reached) == ("history", "history.nc", True)
    assert history.last == np.datetime64("2025-10-25T08")
    assert history.cell_distance_km == 0.0


def test_a_history_of_several_members_is_no_history(config, place, access, three_members):
    with pytest.raises(WeatherError, match="3 members"):
        gather(config(history=three_members), place, issued_at=ISSUED, access=access, years=6)


def test_all_that_is_missing_is_named_at_once(config, place, access, tmp_path):
    named = config(history=tmp_path / "no_history.nc", forecast=tmp_path / "no_forecast.nc")
    with pytest.raises(InputMissingError) as raised:
        gather(named, place, issued_at=ISSUED, access=access, years=6)
    assert "no_history.nc" in str(raised.value)
    assert "no_forecast.nc" in str(raised.value)


def test_the_second_file_where_the_first_is_missing(config, place, access, three_members):
    named = config().model_copy(update={"forecast": ("/no/such.nc", str(three_members))})
    found = gather(named, place, issued_at=ISSUED, access=access, years=6)
    assert [(r.source, r.used) for r in found.reports[:2]] == [
        ("such.nc", False),
        ("forecast.nc", True),
    ]
    assert "no such file" in found.reports[0].problem


# --- services -------------------------------------------------------------------------------


@pytest.fixture
def traveller():
    with time_machine.travel(START, tick=True) as moving:
        yield moving


@pytest.fixture
def services(traveller):
    with Services() as running:
        yield running


def moment():
    return np.datetime64(dt.datetime.now(dt.UTC).replace(tzinfo=None), "ns")


@pytest.fixture
def shelf(tmp_path):
    return ForecastShelf(tmp_path / "shelf")


@pytest.fixture
def run(services, place, tmp_path, shelf):
    """run(…) gathers from the services on loopback."""

    def go(*, issued_at=None, web="web", weather=None, years=1, place=place, **reach):
        keys = {"forecast": ("open-meteo", "met-norway"), "history": "open-meteo"}
        config = Weather(
            **{
                **keys,
                "past_years": years,
                "open-meteo": OpenMeteo(**services.open_meteo()),
                "met-norway": MetNorway(**services.met_norway()),
                **(weather or {}),
            }
        )
        reach = {"cache": tmp_path / "cache", "shelf": shelf} | reach
        access = Access(**reach)
        with Web(tmp_path / web, offline=access.offline, limits=TINY) as network:
            return gather(
                config,
                place,
                issued_at=moment() if issued_at is None else np.datetime64(issued_at, "ns"),
                access=access,
                years=years,
                web=network,
            )

    return go


def notes_of(found):
    return [(note.code, note.numbers.get("source")) for note in found.notes]


def used(found):
    return {report.source: report.role for report in found.reports if report.used}


def test_a_run_with_all_services_well(run, services, shelf):
    found = run()
    assert len(found.forecast.course.member) == 51
    assert found.forecast.reference_time == np.datetime64("2025-11-10T09:30")
    assert used(found) == {
        "open-meteo ensemble": "forecast",
        "open-meteo forecast": "analysis",
        "open-meteo archive": "history",
    }
    assert notes_of(found) == []
    assert services.count("met-norway") == services.count("previous-runs") == 0
    assert [one.source for one in shelf.kept()] == [SINGLE, ENSEMBLE]
    for report in found.reports:
        assert report.reached, report
        assert not report.problem
        assert "Open-Meteo" in report.attribution
        assert report.licence == "CC BY 4.0"
        assert report.made_at is not None
        assert report.hours > 24 * 10
        assert report.cell_distance_km is not None
        assert report.height_gap_m is not None


def test_a_kept_answer_counts_as_reached_only_if_the_service_was_asked(run, services):
    first = {"weather": {"forecast": ("met-norway",)}}
    services.expires_s = -1.0  # over at once: asked again, and told that nothing changed

    def how(found):
        return {r.source: (r.reached, r.from_cache) for r in found.reports}

    assert how(run(**first))["met-norway"] == (True, False)
    again = how(run(**first))
    assert again["met-norway"] == (True, True)
    assert again["open-meteo forecast"] == (False, True)
    offline = how(run(**first, offline=True))
    assert offline["met-norway"] == (False, True)


def test_no_hour_lies_between_the_archive_and_issue(run):
    """The archive ends 120 h before, the ensemble begins 3 days before: a day and a half lacks."""
    found = run()
    now = int(hours([moment()])[0])
    before, history = found.forecast.before, found.history
    assert history.start + history.size - 1 < found.forecast.course.start - 24
    assert before.start < history.start + history.size
    assert before.start + before.size - 1 == now
    assert len(before.member) == 1


def test_the_single_forecast_where_the_ensemble_fails(run, services):
    services.fail("ensemble", DOWN)
    found = run()
    assert len(found.forecast.course.member) == 1
    assert used(found) == {"open-meteo forecast": "forecast", "open-meteo archive": "history"}
    assert notes_of(found) == [("source_failed", "open-meteo ensemble")]
    failed = found.reports[0]
    assert (failed.source, failed.reached, failed.used) == ("open-meteo ensemble", False, False)
    assert failed.problem.startswith("open-meteo")
    now = int(hours([moment()])[0])
    assert found.forecast.before.start + found.forecast.before.size - 1 == now
    assert len(np.unique(found.forecast.pairs.lead_day)) == 7  # of the service's own past runs


def test_the_next_service_where_both_fail(run, services, shelf):
    services.fail("ensemble", DOWN)
    services.fail("forecast", DOWN)
    found = run()
    assert used(found) == {"met-norway": "forecast", "open-meteo archive": "history"}
    assert [source for _, source in notes_of(found)] == [
        "open-meteo ensemble",
        "open-meteo forecast",
    ]
    assert found.forecast.pairs is None
    assert [one.source for one in shelf.kept()] == ["met-norway"]


def test_met_norway_first_and_the_days_before_from_the_other(run, services):
    found = run(weather={"forecast": ("met-norway",)})
    assert used(found) == {
        "met-norway": "forecast",
        "open-meteo forecast": "analysis",
        "open-meteo archive": "history",
    }
    assert services.count("ensemble") == 0
    now = int(hours([moment()])[0])
    assert found.forecast.before.start + found.forecast.before.size - 1 == now


def fail_all(services):
    for name in ("ensemble", "forecast", "met-norway", "archive", "previous-runs"):
        services.fail(name, DOWN, times=None)


def test_the_kept_forecast_where_all_fail(run, services, traveller):
    first = run()
    traveller.shift(dt.timedelta(hours=20))
    fail_all(services)
    found = run(web="another")  # its answers are gone too: only the shelf is left
    assert found.forecast.reference_time == first.forecast.reference_time
    np.testing.assert_array_equal(
        found.forecast.course.values["air_temperature"],
        first.forecast.course.values["air_temperature"],
    )
    report = next(r for r in found.reports if r.source == "open-meteo ensemble (kept)")
    assert (report.used, report.reached, report.from_cache, report.stale) == (
        True,
        False,
        True,
        False,
    )
    assert [source for _, source in notes_of(found)] == [
        "open-meteo ensemble",
        "open-meteo forecast",
        "met-norway",
        "open-meteo archive",
    ]
    traveller.shift(dt.timedelta(hours=20))
    found = run(web="another")
    report = next(r for r in found.reports if r.used and r.role == "forecast")
    assert report.stale  # 40 hours old, 36 are wanted


def test_a_fresh_single_forecast_before_an_old_ensemble(run, services, traveller):
    run()
    traveller.shift(dt.timedelta(hours=20))
    services.fail("ensemble", DOWN)
    found = run()
    assert used(found)["open-meteo forecast"] == "forecast"
    assert ("source_failed", "open-meteo ensemble") in notes_of(found)
    old = next(r for r in found.reports if r.source == "open-meteo ensemble")
    assert (old.stale, old.from_cache, old.reached, old.used) == (True, True, False, False)
    assert old.problem


def test_nothing_at_all_tells_each_source_and_the_way_out(run, services):
    fail_all(services)
    with pytest.raises(WeatherError) as raised:
        run()
    told = str(raised.value)
    assert told.startswith("no source has a forecast.")
    assert sum("503" in line for line in told.splitlines()) == 3
    for name in ("open-meteo", "met-norway", "Try again later, or give weather.forecast a file"):
        assert name in told
    assert "open-meteo archive" not in told  # it was not asked: nothing is wrong with it
    assert services.count("archive") == 0  # past winters can wait for a run that has a forecast


def test_values_that_cannot_be_make_one_sentence(run, services):
    """They parse, so it is the checks of all weather that refuse them, with many words."""

    def fahrenheit_unsaid(document):
        for name, values in document["hourly"].items():
            if name.startswith("temperature_2m"):
                document["hourly"][name] = [value * 9 / 5 + 80 for value in values]

    services.fail("ensemble", service_faults.edit(fahrenheit_unsaid), times=None)
    found = run()
    assert used(found)["open-meteo forecast"] == "forecast"
    report = next(r for r in found.reports if r.source == "open-meteo ensemble")
    assert report.problem.startswith("open-meteo ensemble sent an answer that cannot be used (")
    assert "1 fault" not in report.problem
    assert report.problem.count(". ") == 0


def test_no_history_is_no_weather(run, services):
    services.fail("archive", DOWN, times=None)
    with pytest.raises(WeatherError) as raised:
        run()
    told = str(raised.value)
    assert told.startswith("no source has past weather.")
    assert "open-meteo" in told.splitlines()[1]
    assert "give weather.history a file" in told


def test_offline_asks_nobody(run, services):
    with pytest.raises(WeatherError, match="run once without --offline"):
        run(offline=True)
    assert services.count() == 0
    first = run()
    services.requests.clear()
    again = run(offline=True)
    assert services.count() == 0
    assert notes_of(again) == []
    for one, two in (
        (first.forecast.course, again.forecast.course),
        (first.history, again.history),
    ):
        assert one.start == two.start
        for name, array in one.values.items():
            np.testing.assert_array_equal(array, two.values[name])


def test_offline_without_the_cache_still_has_the_shelf(run, services):
    first = run()
    services.requests.clear()
    again = run(offline=True, web="another")
    assert services.count() == 0
    assert used(again)["open-meteo ensemble (kept)"] == "forecast"
    assert used(again)["open-meteo forecast (kept)"] == "analysis"
    one, two = first.forecast, again.forecast
    for name, array in one.course.values.items():
        np.testing.assert_array_equal(array, two.course.values[name])
    np.testing.assert_array_equal(
        one.before.values["air_temperature"], two.before.values["air_temperature"]
    )


def test_a_past_moment_knows_only_what_was_kept_by_then(run, services, traveller):
    then = run(issued_at="2025-11-10T09:30:30")
    traveller.shift(dt.timedelta(days=9))
    run()
    services.requests.clear()
    again = run(issued_at="2025-11-10T12:00", live=False)
    assert services.count("ensemble", "forecast", "met-norway", "previous-runs") == 0
    assert again.forecast.reference_time == np.datetime64("2025-11-10T09:30")
    np.testing.assert_array_equal(
        again.forecast.course.values["precipitation"], then.forecast.course.values["precipitation"]
    )
    assert again.forecast.before.times[-1] == np.datetime64("2025-11-10T12:00")
    # The archive has those days by now, and nothing later is read.
    assert again.history.times[-1] == np.datetime64("2025-11-10T12:00")


def test_a_past_moment_without_kept_forecasts(run, services):
    run()
    services.requests.clear()
    with pytest.raises(WeatherError) as raised:
        run(issued_at="2024-12-01T12:00", live=False)
    assert "made by 2024-12-01T12:00Z was kept" in str(raised.value)
    assert "--as-of" in str(raised.value)
    assert services.count() == 0


def test_what_was_fetched_after_the_moment_was_not_known_then(run):
    """Only a clock that is behind makes a run of now get the forecast of later."""
    with pytest.raises(WeatherError, match=r"not known at 2025-11-10T06:00Z") as raised:
        run(issued_at="2025-11-10T06:00")
    assert "set the clock of this computer" in str(raised.value)
    assert "--as-of" not in str(raised.value)
    found = run(issued_at="2025-11-10T09:12")  # the run itself takes a while
    assert found.forecast.reference_time == np.datetime64("2025-11-10T09:12")


def test_a_file_where_the_services_fail(run, services, tmp_path, hourly, weather_file):
    fail_all(services)
    services.mend("archive")
    path = tmp_path / "mine_20251110T0600.nc"
    weather_file(hourly("2025-11-10T00", "2025-11-20T23"), members=3).to_netcdf(path)
    found = run(weather={"forecast": ("open-meteo", str(path))})
    assert used(found)["mine_20251110T0600.nc"] == "forecast"


def test_an_old_file_lets_the_next_source_try(run, services, tmp_path, hourly, weather_file):
    path = tmp_path / "mine_20251107T0600.nc"
    weather_file(hourly("2025-11-07T00", "2025-11-20T23"), members=3).to_netcdf(path)
    sources = {"forecast": (str(path), "open-meteo")}
    found = run(weather=sources)
    assert used(found)["open-meteo ensemble"] == "forecast"
    assert found.reports[0].stale
    fail_all(services)
    services.mend("archive")
    found = run(weather=sources, web="another", shelf=None)
    assert used(found)["mine_20251107T0600.nc"] == "forecast"


def test_a_shelf_that_cannot_be_written_stops_nothing(run, tmp_path):
    (tmp_path / "full").write_text("a file where the folder should be")
    found = run(shelf=ForecastShelf(tmp_path / "full"))
    assert used(found)["open-meteo ensemble"] == "forecast"
    assert {code for code, _ in notes_of(found)} == {"forecast_not_kept"}


def test_past_errors_of_the_own_shelf_where_there_are_enough(run, services, shelf, place):
    """35 days of runs, each 0.5 °C warmer than what came."""
    history = run().history
    for day in range(35):
        made = moment() - np.timedelta64(24 * (day + 12), "h")
        start = int(hours([made])[0])
        hour = start + np.arange(120)
        values = {
            "air_temperature": history.reach("air_temperature", hour)[None] + 0.5,
            "precipitation": np.zeros((1, 120)),
        }
        course = replace(
            history,
            start=start,
            values=values,
            filled=np.zeros(120, dtype=np.int8),
            gap=np.zeros(120, dtype=bool),
            depth=np.zeros(0),
        )
        issued.keep(shelf, SINGLE, place, of_site(course, place, (50.0, -4.0), 100.0, made))
    services.fail("ensemble", DOWN)
    services.requests.clear()
    found = run(web="another")
    pairs = found.forecast.pairs
    np.testing.assert_allclose(pairs.forecast_degc - pairs.observed_degc, 0.5, atol=1e-5)
    assert set(pairs.lead_day) == {0, 1, 2, 3, 4}
    assert services.count("previous-runs") == 0


def test_days_before_come_from_kept_runs_where_no_service_has_them(run, services, traveller):
    """MET Norway has no past; a station file as history may end some days ago."""
    services.fail("forecast", DOWN, times=None)
    for _ in range(3):
        found = run(weather={"forecast": ("met-norway",)})
        traveller.shift(dt.timedelta(hours=24))
    before = found.forecast.before
    assert before.size >= 48
    assert np.isfinite(before.values["air_temperature"]).all()


def test_a_whole_season_of_services(services, place, tmp_path, shelf):
    config = Weather(
        **{
            "forecast": ("open-meteo", "met-norway"),
            "history": "open-meteo",
            "past_years": 6,
            "open-meteo": OpenMeteo(**services.open_meteo()),
            "met-norway": MetNorway(**services.met_norway()),
        }
    )
    lines = []
    access = Access(cache=tmp_path / "cache", shelf=shelf, progress=lines.append)
    at = moment()
    made = season(config, place, issued_at=at, access=access)
    assert "history 6 of 6 winters" in lines
    assert list(made.past_years.member.values) == list(range(2019, 2025))
    assert {str(w) for w in made.futures.provenance.values} == {
        "observed",
        "analysis",
        "forecast",
        "past_year",
    }
    assert "Open-Meteo" in made.futures.attrs["attribution"]
    again = season(config, place, issued_at=at, access=replace(access, offline=True))
    assert again.futures.identical(made.futures)
