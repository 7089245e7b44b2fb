"""Services that fail while a run gathers its weather: the next source, the kept, the way out.

One site that names Open-Meteo and then MET Norway, on servers of loopback; see
`test_service_faults` for the sentence of each fault by itself.
"""

from __future__ import annotations

import datetime as dt
import errno
import multiprocessing
import os
import re
import sqlite3
import time

import numpy as np
import pytest
import service_faults as faults
from fault_cases import CASES
from loopback import Services

from riskcast.archive import ForecastShelf
from riskcast.base.errors import WeatherError
from riskcast.site import MetNorway, OpenMeteo, Place, Weather
from riskcast.weather.access import Access
from riskcast.weather.sources import gather
from riskcast.weather.web import Clock, Limits, Web

PLACE = Place(
    id="test-wood", name="Test wood", latitude=52.1357, longitude=4.3579, elevation_m=100,
    timezone="Europe/London",
)  # fmt: skip
TINY = Limits(
    connect_s=2.0, read_s=0.5, total_s=2.0, tries=2, back_off_s=0.01, jitter_s=0.005, redirects=3
)
YEARS = 1

# One of each kind, where the sentences themselves are not what is tested.
SOME = ("400", "429-day", "503", "page-with-200", "streaming-half", "reset", "silence", "redirects")
KINDS = [case for case in CASES if case.name in SOME]


class ShiftedClock(Clock):
    """The real time, some hours on."""

    def __init__(self, hours=0.0):
        self.hours = hours

    def now(self):
        return time.time() + 3600 * self.hours


def now(hours=0.0):
    return np.datetime64(round(time.time() + 3600 * hours), "s").astype("datetime64[ns]")


@pytest.fixture
def services():
    with Services() as running:
        yield running


def settings(services, forecast=("open-meteo", "met-norway"), **more):
    return Weather(
        forecast=forecast,
        history="open-meteo",
        past_years=YEARS,
        **{
            "open-meteo": OpenMeteo(**services.open_meteo()),
            "met-norway": MetNorway(**services.met_norway()),
        },
        **more,
    )


@pytest.fixture
def run(services, tmp_path):
    """run(hours=…) gathers the weather, some hours on."""

    def go(hours=0.0, config=None, offline=False, shelf=True, limits=TINY):
        access = Access(
            cache=tmp_path / "cache",
            shelf=ForecastShelf(tmp_path / "kept") if shelf else None,
            offline=offline,
        )
        clock = ShiftedClock(hours)
        with Web(access.cache, offline=offline, limits=limits, clock=clock) as web:
            return gather(
                config or settings(services), PLACE, issued_at=now(hours), access=access,
                years=YEARS, web=web,
            )  # fmt: skip

    return go


def by_label(found):
    return {report.source: report for report in found.reports}


def failed(found):
    return {
        n.numbers["source"]: n.numbers["problem"] for n in found.notes if n.code == "source_failed"
    }


def assert_private(text):
    for secret in ("52.13", "52.14", "4.35", "4.36", "127.0.0.1", "http:", "Traceback"):
        assert secret not in text


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_next_source_is_tried_and_the_one_that_failed_is_told(case, services, run):
    """What was kept is older than it may be, so a fresh forecast of another service counts."""
    run()
    services.fail("ensemble", case.fault, times=None)
    services.fail("forecast", case.fault, times=None)
    before = {name: services.count(name) for name in ("ensemble", "forecast")}
    services.now = dt.datetime.now(dt.UTC) + dt.timedelta(hours=14)
    found = run(hours=14)
    reports = by_label(found)
    used = [r.source for r in found.reports if r.used and r.role == "forecast"]
    assert used == ["met-norway"]
    assert found.history.size > 24 * 365 * YEARS
    told = failed(found)
    for label in ("open-meteo ensemble", "open-meteo forecast"):
        # After a limit is told, the same service is not asked for its other forecast.
        assert case.told in told[label] or "was not asked" in told[label]
        assert "\n" not in told[label]
        assert_private(told[label])
        assert told[label] == reports[label].problem
    most = max(TINY.tries, TINY.redirects + 1)
    for name, count in before.items():
        assert services.count(name) - count <= most


@pytest.mark.parametrize("case", KINDS, ids=str)
def test_when_all_fail_the_newest_that_was_kept_stands_in(case, services, run):
    good = run()
    for name in ("ensemble", "forecast", "archive", "met-norway"):
        services.fail(name, case.fault, times=None)
    found = run(hours=14)
    np.testing.assert_array_equal(
        found.forecast.course.values["air_temperature"],
        good.forecast.course.values["air_temperature"],
    )
    assert found.forecast.reference_time == good.forecast.reference_time
    assert [r.source for r in found.reports if r.used and r.role == "forecast"]
    assert {"open-meteo ensemble", "open-meteo forecast"} <= set(failed(found))
    # The past that was known stays known.
    np.testing.assert_array_equal(
        found.history.values["air_temperature"][:, : good.history.size],
        good.history.values["air_temperature"],
    )


def test_when_nothing_was_ever_had_each_source_says_why_and_the_way_out_is_told(services, run):
    services.fail("ensemble", faults.refused(503, "The service is overloaded"), times=None)
    services.fail("forecast", faults.truncated(), times=None)
    services.fail("met-norway", faults.html(200), times=None)
    with pytest.raises(WeatherError) as raised:
        run()
    text = str(raised.value)
    for told in ("overloaded or under repair", "cut off or damaged", "web page"):
        assert told in text
    for name in ("open-meteo ensemble", "open-meteo forecast", "met-norway"):
        assert name in text
    assert "Try again later, or give weather.forecast a file" in text
    assert_private(text)
    assert services.count("archive") == 0  # without a forecast there is no run: nothing spent


@pytest.mark.parametrize("case", KINDS, ids=str)
def test_an_archive_that_fails_at_first_is_an_error_that_says_so(case, services, run):
    services.fail("archive", case.fault, times=None)
    with pytest.raises(WeatherError) as raised:
        run()
    assert "open-meteo archive" in str(raised.value)
    assert case.told in str(raised.value)
    assert_private(str(raised.value))
    assert services.count("archive") <= 2 * max(TINY.tries, TINY.redirects + 1)
    services.mend()
    # Limits that were told hold for up to a day.
    hours = 26.0 if case.name.startswith("429") else 0.1
    services.now = dt.datetime.now(dt.UTC) + dt.timedelta(hours=hours)
    assert run(hours=hours).history.size > 24 * 365 * YEARS


def test_offline_opens_nothing_and_tells_no_failures(services, run):
    good = run()
    before = services.count()
    found = run(hours=3, offline=True)
    assert services.count() == before
    assert failed(found) == {}
    np.testing.assert_array_equal(
        found.forecast.course.values["air_temperature"],
        good.forecast.course.values["air_temperature"],
    )


def test_a_member_missing_and_a_column_of_nulls_stop_nothing(services, run):
    services.fail("ensemble", faults.without("temperature_2m_member07"))
    services.fail("archive", faults.all_null("snow_depth"), times=None)
    found = run()
    assert len(found.forecast.course.member) == 50
    assert "snow_depth" not in found.history.values


def test_a_change_of_units_in_the_archive_changes_nothing(services, run, tmp_path):
    plain = run().history
    (tmp_path / "cache").rename(tmp_path / "cache-of-before")
    services.fail(
        "archive", faults.in_units("temperature_2m", "°F", lambda v: v * 1.8 + 32), times=None
    )
    other = run().history
    np.testing.assert_allclose(
        other.values["air_temperature"], plain.values["air_temperature"], atol=0.02
    )


# --- the machine --------------------------------------------------------------------------


def test_a_cache_that_may_only_be_read_stops_nothing_and_loses_nothing(
    services, run, tmp_path, monkeypatch
):
    """As for another account's cache; played, because root may write wherever it wants."""
    good = run()
    kept = {p: p.read_bytes() for p in (tmp_path / "cache").rglob("*.nc")}
    connect = sqlite3.connect

    def connect_to_read(database, *args, **keys):
        connection = connect(database, *args, **keys)
        if str(database) != ":memory:":
            connection.execute("PRAGMA query_only = ON")
        return connection

    def denied(*_args, **_keys):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(sqlite3, "connect", connect_to_read)
    monkeypatch.setattr("tempfile.mkstemp", denied)
    services.now = dt.datetime.now(dt.UTC) + dt.timedelta(hours=13)
    found = run(hours=13)
    monkeypatch.undo()
    used = [r.source for r in found.reports if r.used and r.role == "forecast"]
    assert used == ["open-meteo ensemble"]
    assert found.forecast.reference_time > good.forecast.reference_time
    codes = [n.code for n in found.notes]
    assert "cache_not_kept" in codes
    assert "forecast_not_kept" in codes
    assert kept == {p: p.read_bytes() for p in (tmp_path / "cache").rglob("*.nc")}
    assert run(hours=13).forecast.course.size  # and writable again, it goes on


def test_a_cache_that_is_a_file_stops_nothing(services, run, tmp_path):
    """Root may write into a read-only folder; nobody can write into a file as a folder."""
    (tmp_path / "cache").write_text("no folder")
    found = run()
    assert by_label(found)["open-meteo ensemble"].used
    assert found.history.size > 24 * 365 * YEARS
    assert "cache_not_kept" in [n.code for n in found.notes]


def test_a_full_disk_stops_nothing_and_is_told(services, run, tmp_path, monkeypatch):
    """Writing fails as it does on a full disk, from the first byte on."""
    connect = sqlite3.connect

    def full(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    class Full(sqlite3.Connection):
        def execute(self, sql, *args):
            if sql.lstrip().upper().startswith(("INSERT", "REPLACE", "CREATE", "UPDATE")):
                raise sqlite3.OperationalError("database or disk is full")
            return super().execute(sql, *args)

    def connect_to_full(database, *args, **keys):
        in_memory = str(database) == ":memory:"
        return connect(database, *args, **(keys if in_memory else {"factory": Full} | keys))

    monkeypatch.setattr(sqlite3, "connect", connect_to_full)
    monkeypatch.setattr("riskcast.base.files.os.replace", full)
    found = run()
    monkeypatch.undo()
    assert by_label(found)["open-meteo ensemble"].used
    assert found.history.size > 24 * 365 * YEARS
    codes = {n.code for n in found.notes}
    assert "cache_not_kept" in codes
    assert "forecast_not_kept" in codes
    left = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert left <= {"answers.sqlite", "calls.sqlite"}  # nothing half written


def _gather_alone(folder, urls, nordic, barrier, results):
    """One of two runs at once, in a process of its own."""
    config = Weather(
        forecast=("open-meteo",), history="open-meteo", past_years=YEARS,
        **{"open-meteo": OpenMeteo(**urls), "met-norway": MetNorway(**nordic)},
    )  # fmt: skip
    access = Access(cache=folder / "cache", shelf=ForecastShelf(folder / "kept"))
    barrier.wait(20)
    try:
        found = gather(config, PLACE, issued_at=now(), access=access, years=YEARS)
    except Exception as error:
        results.put(repr(error))
        return
    notes = [n.code for n in found.notes]
    results.put((float(np.nansum(found.history.values["air_temperature"])), notes))


def test_two_runs_at_once_on_one_cache(services, run, tmp_path):
    """Two processes that begin together: both end well, and the cache serves a third."""
    spawn = multiprocessing.get_context("spawn")
    barrier, results = spawn.Barrier(2), spawn.Queue()
    arguments = (tmp_path, services.open_meteo(), services.met_norway(), barrier, results)
    both = [spawn.Process(target=_gather_alone, args=arguments) for _ in range(2)]
    for one in both:
        one.start()
    told = [results.get(timeout=60) for _ in both]
    for one in both:
        one.join(20)
    assert [one.exitcode for one in both] == [0, 0]
    sums, notes = zip(*told, strict=True)
    assert sums[0] == sums[1]
    assert not {"cache_not_kept", "source_failed"} & {code for some in notes for code in some}
    before = services.count()
    found = run(config=settings(services, ("open-meteo",)), offline=True)
    assert services.count() == before
    assert float(np.nansum(found.history.values["air_temperature"])) == sums[0]


# --- the command ----------------------------------------------------------------------------


@pytest.fixture
def command(tmp_path, monkeypatch):
    """riskcast …, with the small limits, in an empty folder."""
    from click.testing import CliRunner

    from riskcast.cli.app import app
    from riskcast.weather import sources

    def small(access):
        return Web(access.cache, offline=access.offline, progress=access.progress, limits=TINY)

    monkeypatch.setattr(sources, "_web", small)
    monkeypatch.chdir(tmp_path)
    return lambda *args: CliRunner().invoke(app, list(args), prog_name="riskcast")


@pytest.fixture
def site(command, services, tmp_path):
    where = ("--latitude", "52.1357", "--longitude", "4.3579", "--elevation", "100")
    assert command("new", "wood", *where, "--timezone", "Europe/London").exit_code == 0
    path = tmp_path / "wood/site.toml"
    text = re.sub(r"(?m)^past_years = .*$", f"past_years = {YEARS}", path.read_text("utf-8"))
    text, hits = re.subn(r"(?m)^forecast = .*$", 'forecast = "open-meteo"', text)
    assert hits == 1
    head, visits, tail = text.partition("[visits]")
    kept = 'cache = "fetched"\n' + services.site_lines()
    ours = '[archive]\nfolder = "kept"\n'  # not that of who runs the tests
    path.write_text(f"{head}{kept}{visits}{tail}{ours}", "utf-8")
    return str(path)


@pytest.mark.parametrize("case", KINDS, ids=str)
def test_the_command_ends_in_sentences_and_its_exit_code(case, services, site, command):
    """69: a service is not available; as for other commands of this kind (sysexits.h)."""
    for name in ("ensemble", "forecast"):
        services.fail(name, case.fault, times=None)
    done = command("fetch", site)
    assert done.exit_code == 69, done.output
    said = done.stdout + done.stderr
    assert "open-meteo ensemble" in said
    assert "open-meteo forecast" in said
    assert case.told in " ".join(said.split())
    assert_private(said)
    assert done.exception is None or isinstance(done.exception, SystemExit)


def test_the_command_goes_on_without_a_cache(services, site, command, tmp_path):
    (tmp_path / "wood/fetched").write_text("no folder")
    done = command("fetch", site)
    assert done.exit_code == 0, done.output
    assert "reached" in done.stdout
    assert "fetched" in done.stdout + done.stderr
