from __future__ import annotations

import concurrent.futures
import datetime as dt

import invented_weather
import numpy as np
import pytest
import service_faults
import xarray as xr
from loopback import Services

from riskcast.site import OpenMeteo
from riskcast.weather import read
from riskcast.weather.kept.history import collect
from riskcast.weather.web import Limits, Web

NOW = np.datetime64("2025-11-10T09:30", "ns")
SECONDS = np.timedelta64(1, "s")


class Days:
    """A clock that stands still until a test moves it."""

    def __init__(self):
        self.at = NOW

    def now(self):
        return float((self.at - np.datetime64(0, "ns")) / SECONDS)

    def monotonic(self):
        return self.now()

    def sleep(self, seconds):
        self.at = self.at + np.timedelta64(round(seconds * 1e3), "ms")


@pytest.fixture
def clock():
    return Days()


@pytest.fixture
def services(clock):
    with Services(now=dt.datetime(2025, 11, 10, 9, 30, tzinfo=dt.UTC)) as running:
        yield running


class Keeper:
    """Collects history from the services on loopback, with a clock of its own."""

    def __init__(self, services, place, folder, clock):
        self.services, self.place, self.folder, self.clock = services, place, folder, clock
        self.lines = []
        self.runs = 0

    def collect(self, years=2, *, offline=False, issued_at=None, place=None, **settings):
        # A new folder for answers each time: the store of winters is what is on trial here.
        self.runs += 1
        limits = Limits(connect_s=1, read_s=1, total_s=3, tries=2, back_off_s=0.01, jitter_s=0)
        answers = self.folder / f"answers-{self.runs}"
        with Web(answers, offline=offline, limits=limits, clock=self.clock) as web:
            return collect(
                OpenMeteo(**self.services.open_meteo(**settings)),
                place or self.place,
                issued_at=self.clock.at if issued_at is None else np.datetime64(issued_at, "ns"),
                years=years,
                cache=self.folder,
                web=None if offline else web,
                now=self.clock.at,
                progress=self.lines.append,
            )

    def wait(self, hours):
        self.clock.at = self.clock.at + np.timedelta64(hours, "h")
        self.services.now += dt.timedelta(hours=hours)

    def asked(self):
        """Stretches asked for since the last call."""
        asked = self.services.asked("archive")
        self.services.requests.clear()
        return [(r.query["start_date"], r.query["end_date"]) for r in asked]

    def stored(self, model="era5_seamless"):
        folder = self.folder / "history" / f"open-meteo-{model}" / "50.0N004.0W"
        return sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []

    def file(self, year):
        return self.folder / "history/open-meteo-era5_seamless/50.0N004.0W" / f"{year}.nc"


@pytest.fixture
def keeper(services, place, tmp_path, clock):
    return Keeper(services, place, tmp_path, clock)


def noted(past, code):
    return [dict(note.numbers) for note in past.notes if note.code == code]


def test_the_running_season_first_then_the_newest_winters(keeper):
    past = keeper.collect(3)
    assert keeper.asked() == [
        ("2025-07-01", "2025-11-09"),
        ("2024-07-01", "2025-06-30"),
        ("2023-07-01", "2024-06-30"),
        ("2022-07-01", "2023-06-30"),
    ]
    assert keeper.lines == [
        "history of this season",
        "history 1 of 3 winters",
        "history 2 of 3 winters",
        "history 3 of 3 winters",
    ]
    assert keeper.stored() == ["2022.nc", "2023.nc", "2024.nc", "2025.nc"]
    assert (past.have, past.asked, past.problem, past.fetched) == (3, 3, "", True)
    assert past.notes == ()
    assert past.course.times[0] == np.datetime64("2022-07-01T00")
    # The archive is 120 h behind: hours it does not have yet are not taken for known.
    assert past.course.times[-1] == np.datetime64("2025-11-05T09")
    assert not past.course.gap.any()


def test_the_values_are_those_of_the_cell_at_the_height_of_the_site(keeper, place):
    """The invented ground lies at 100 m, the site at 120 m: 0.13 K colder (ICAO, 6.5 K/km)."""
    course = keeper.collect(1).course
    hour = course.start + np.arange(course.size)
    expected = invented_weather.temperature(hour, 50.0, -4.0) - 0.13
    np.testing.assert_allclose(course.values["air_temperature"][0], expected, atol=2e-6)
    assert course.attrs["lapse_correction_degc"] == -0.13
    for name in ("precipitation", "relative_humidity", "wind_speed", "snow_depth"):
        assert np.isfinite(course.values[name]).all(), name
    (query,) = {tuple(sorted(r.query)) for r in keeper.services.asked("archive")}
    assert "elevation" not in query


def test_sites_of_one_cell_share_it_without_a_request(keeper, make_place):
    own = keeper.collect(1).course
    keeper.asked()
    there = keeper.collect(1, place=make_place(50.03, -3.97, 320.0)).course
    assert keeper.asked() == []
    fall = own.values["air_temperature"] - there.values["air_temperature"]
    np.testing.assert_allclose(fall, 0.0065 * 200, atol=1e-9)
    assert there.attrs["cell_distance_km"] > own.attrs["cell_distance_km"]
    keeper.collect(1, place=make_place(50.06, -4.0))
    assert len(keeper.asked()) == 2


def test_only_the_centre_of_the_cell_leaves_the_machine(keeper, make_place):
    keeper.collect(1, place=make_place(50.0321, -3.9876))
    for request in keeper.services.asked("archive"):
        assert (request.query["latitude"], request.query["longitude"]) == ("50.00", "-4.00")


def test_the_running_winter_goes_on_from_its_last_known_days(keeper):
    first = keeper.collect(1).course
    keeper.asked()
    keeper.wait(6)
    keeper.collect(1)
    assert keeper.asked() == []  # the archive grows by a day a day
    keeper.wait(24)
    later = keeper.collect(1).course
    # Known to 5 November 09:00: asked again from five days before.
    assert keeper.asked() == [("2025-10-31", "2025-11-10")]
    assert later.times[-1] == np.datetime64("2025-11-06T15")
    np.testing.assert_array_equal(
        later.values["air_temperature"][:, : first.size], first.values["air_temperature"]
    )
    keeper.wait(24 * 300)
    keeper.collect(1)
    assert keeper.asked() == [("2026-07-01", "2026-09-06"), ("2025-07-01", "2026-06-30")]


def test_corrected_days_replace_preliminary_ones(keeper):
    before = keeper.collect(1).course

    def warmer(answer):
        column = answer["hourly"]["temperature_2m"]
        answer["hourly"]["temperature_2m"] = [None if v is None else v + 1.0 for v in column]

    keeper.wait(24)
    keeper.services.fail("archive", service_faults.edit(warmer))
    after = keeper.collect(1).course
    change = after.values["air_temperature"][0, : before.size] - before.values["air_temperature"][0]
    changed = before.times[np.abs(change) > 0.5]
    assert changed[0] == np.datetime64("2025-10-31T00")
    assert changed[-1] == np.datetime64("2025-11-05T09")


def test_a_past_moment_is_served_from_what_is_known_now_but_cut(keeper):
    past = keeper.collect(1, issued_at="2024-12-24T06:30")
    assert keeper.asked() == [("2024-07-01", "2025-06-30"), ("2023-07-01", "2024-06-30")]
    assert past.course.times[-1] == np.datetime64("2024-12-24T06")


@pytest.mark.parametrize("issued", ["2025-06-15T12:00", "2025-07-20T12:00"])
def test_in_summer_the_season_begins_before_july(keeper, issued):
    """60 days before issue lie in the winter year before: so do those of the past winters."""
    past = keeper.collect(1, issued_at=issued)
    years = [int(first[:4]) for first, _ in keeper.asked()]
    assert years == [2025, 2024, 2023]
    assert past.have == 1


def test_in_the_first_days_of_july_nothing_is_asked_of_the_new_year(keeper):
    keeper.wait(24 * 235)  # 3 July 2026
    past = keeper.collect(1)
    assert keeper.asked() == [("2025-07-01", "2026-06-30"), ("2024-07-01", "2025-06-30")]
    assert past.have == 1
    assert past.course.times[-1] == np.datetime64("2026-06-28T09")


def test_what_the_day_does_not_cover_is_fetched_on_the_next(keeper, tmp_path, clock):
    """A year of six variables is 15.6 calls (6 / 10 x 365 / 14); 36 of 40 may be spent."""

    def run():
        with Web(tmp_path / "web", clock=clock) as web:
            settings = OpenMeteo(**keeper.services.open_meteo(calls_a_day=40))
            now = clock.at
            return collect(
                settings, keeper.place, issued_at=now, years=4, cache=tmp_path, web=web, now=now
            )

    past = run()
    assert keeper.stored() == ["2024.nc", "2025.nc"]
    assert past.course is not None
    assert "it is asked again tomorrow" in past.problem
    have = [past.have]
    assert noted(past, "history_incomplete") == [{"have": 1, "asked": 4}]
    for _ in range(2):
        keeper.wait(24)
        past = run()
        have.append(past.have)
    assert have == [1, 3, 4]
    assert (past.problem, past.notes) == ("", ())


@pytest.mark.parametrize("limit", ["hourly", "daily"])
def test_a_limit_of_calls_is_waited_for_and_is_no_failure(keeper, limit):
    good = service_faults.content_type("application/json")
    reached = service_faults.refused(429, service_faults.LIMITS[limit])
    keeper.services.fail("archive", good, good, reached)
    past = keeper.collect(3)
    assert past.waits
    assert "(429)" in past.problem
    assert noted(past, "history_incomplete") == [{"have": 1, "asked": 3}]
    keeper.services.fail("archive", service_faults.status(503), times=None)
    assert not keeper.collect(3).waits


def test_a_failure_in_the_middle_keeps_what_is_there(keeper):
    good = service_faults.content_type("application/json")
    keeper.services.fail("archive", good, good, *[service_faults.status(503)] * 2)
    past = keeper.collect(3)
    assert keeper.stored() == ["2024.nc", "2025.nc"]
    assert (past.have, past.asked, past.fetched) == (1, 3, True)
    assert past.problem.startswith("open-meteo")
    assert noted(past, "history_incomplete") == [{"have": 1, "asked": 3}]
    keeper.asked()
    past = keeper.collect(3)
    assert [first for first, _ in keeper.asked()] == ["2023-07-01", "2022-07-01"]
    assert past.have == 3


def test_nothing_is_asked_when_offline(keeper):
    past = keeper.collect(2, offline=True)
    assert keeper.asked() == []
    assert past.course is None
    assert noted(past, "history_incomplete") == [{"have": 0, "asked": 2}]
    keeper.collect(2)
    keeper.asked()
    past = keeper.collect(2, offline=True)
    assert keeper.asked() == []
    assert (past.have, past.fetched) == (2, False)


def cut(path):
    path.write_bytes(path.read_bytes()[:5000])


def flip(path):
    content = bytearray(path.read_bytes())
    quarter = len(content) // 4
    content[quarter : 2 * quarter] = bytes(quarter)
    path.write_bytes(bytes(content))


@pytest.mark.parametrize("spoil", [cut, flip, lambda path: path.write_bytes(b"")])
def test_a_damaged_file_is_set_aside_and_fetched_again(keeper, spoil):
    whole = keeper.collect(2)
    keeper.asked()
    spoil(keeper.file(2024))
    past = keeper.collect(2)
    assert keeper.asked() == [("2024-07-01", "2025-06-30")]
    (told,) = noted(past, "cache_not_kept")
    assert "2024" in told["problem"]
    assert keeper.stored() == ["2023.nc", "2024.nc", "2024.nc.damaged", "2025.nc"]
    np.testing.assert_array_equal(
        past.course.values["air_temperature"], whole.course.values["air_temperature"]
    )
    assert keeper.collect(2).notes == ()


def test_what_no_weather_has_is_not_stored(keeper):
    def hot(answer):
        answer["hourly"]["temperature_2m"][1000] = 99.0

    good = service_faults.content_type("application/json")
    keeper.services.fail("archive", good, service_faults.edit(hot))
    past = keeper.collect(2)
    assert past.have == 1
    assert "99" in past.problem
    assert np.nanmax(past.course.values["air_temperature"]) < 50
    keeper.asked()
    keeper.wait(1)
    keeper.collect(2)
    assert keeper.asked() == []  # not again at once
    keeper.wait(24 * 31)
    past = keeper.collect(2)
    assert ("2024-07-01", "2025-06-30") in keeper.asked()
    assert past.have == 2


def gap_in(month):
    def change(answer):
        hourly = answer["hourly"]
        for name in hourly:
            if name != "time":
                hourly[name] = [
                    None if time.startswith(month) else value
                    for time, value in zip(hourly["time"], hourly[name], strict=True)
                ]

    return service_faults.edit(change)


def test_a_winter_with_a_gap_is_kept_and_asked_for_again_but_not_for_ever(keeper):
    keeper.services.fail("archive", gap_in("2025-02"), times=None)
    past = keeper.collect(1)
    assert past.have == 1
    february = (past.course.times >= np.datetime64("2025-02-01")) & (
        past.course.times < np.datetime64("2025-03-01")
    )
    assert past.course.gap[february].all()
    assert np.isnan(past.course.values["air_temperature"][0, february]).all()
    keeper.asked()
    asked = []
    for _ in range(6):
        keeper.wait(24 * 31)
        keeper.collect(1, issued_at="2025-11-10T09:30")
        asked += [span for span in keeper.asked() if span[0] == "2024-07-01"]
    assert len(asked) == 2  # three times in all


def test_the_gap_is_closed_when_the_service_has_it(keeper):
    keeper.services.fail("archive", gap_in("2025-02"), gap_in("2025-02"))
    keeper.collect(1)
    keeper.wait(24 * 31)
    past = keeper.collect(1)
    assert np.isfinite(past.course.values["air_temperature"]).all()


def test_years_the_service_does_not_have_stop_the_asking(keeper):
    good = service_faults.content_type("application/json")
    none = service_faults.status(400, {"error": True, "reason": "out of allowed range"})
    keeper.services.fail("archive", good, good, none, none, none, none)
    past = keeper.collect(6)
    assert len(keeper.asked()) == 4  # two refused, the rest can wait
    assert past.have == 1
    assert "out of allowed range" in past.problem


def test_what_will_never_come_is_not_promised(keeper):
    """Two winters that the service does not have: asked for three times, a month apart."""
    good = service_faults.content_type("application/json")
    none = service_faults.status(400, {"error": True, "reason": "out of allowed range"})
    promised = []
    for _ in range(4):
        keeper.services.mend()
        keeper.services.fail("archive", good, *([good] if not promised else []), none, none)
        past = keeper.collect(3, issued_at="2025-11-10T09:30")
        promised.append(bool(noted(past, "history_incomplete")))
        keeper.wait(24 * 31)
        keeper.services.mend()
    assert past.have == 1
    assert promised == [True, True, False, False]


def test_a_clock_that_ran_ahead_does_not_stop_the_refresh(keeper):
    keeper.clock.at = keeper.clock.at + np.timedelta64(20, "h")
    keeper.collect(1)
    keeper.asked()
    keeper.clock.at = keeper.clock.at - np.timedelta64(16, "h")
    keeper.collect(1)
    assert len(keeper.asked()) == 1


def test_a_variable_the_source_lacks_is_told_by_every_run(keeper):
    keeper.services.fail("archive", service_faults.all_null("snow_depth"), times=None)
    first, again = keeper.collect(1), keeper.collect(1, offline=True)
    for past in (first, again):
        assert "snow_depth" not in past.course.values
        codes = [(n.code, n.numbers["name"]) for n in past.course.notes if n.code == "null_column"]
        assert codes == [("null_column", "snow_depth")]


def test_a_wrong_address_marks_nothing(keeper):
    keeper.services.fail("archive", service_faults.status(404), times=None)
    past = keeper.collect(2)
    assert keeper.stored() == []
    assert past.course is None
    assert len(keeper.asked()) == 1


def test_another_model_starts_another_folder(keeper):
    keeper.collect(1)
    keeper.asked()
    keeper.collect(1, history_model="era5_land")
    assert len(keeper.asked()) == 2
    assert keeper.stored("era5_land") == keeper.stored() == ["2024.nc", "2025.nc"]


def test_a_store_that_cannot_be_written_stops_nothing(keeper):
    (keeper.folder / "history").write_text("a file where the folder should be")
    past = keeper.collect(2)
    assert past.have == 2
    (told,) = noted(past, "cache_not_kept")
    assert told["problem"] == "stored past weather cannot be read (Not a directory)"


def test_two_at_once_leave_whole_files(keeper, tmp_path, clock):
    """Both ask, both write; what is there in the end is what either of them had."""

    def run(number):
        with Web(tmp_path / f"web-{number}", clock=clock) as web:
            settings = OpenMeteo(**keeper.services.open_meteo())
            now = clock.at
            return collect(
                settings, keeper.place, issued_at=now, years=2, cache=tmp_path, web=web, now=now
            )

    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        one, two = pool.map(run, range(2))
    assert keeper.stored() == ["2023.nc", "2024.nc", "2025.nc"]
    again = keeper.collect(2, offline=True)
    assert again.notes == ()
    for past in (one, two):
        np.testing.assert_allclose(
            past.course.values["air_temperature"],
            again.course.values["air_temperature"],
            atol=2e-6,
        )


def test_only_others_cannot_read_it(keeper):
    keeper.collect(1)
    assert keeper.file(2024).stat().st_mode & 0o077 == 0


def test_any_reader_of_netcdf_reads_it(keeper, place):
    course = keeper.collect(1).course
    found = read(keeper.file(2024).parent, place)
    np.testing.assert_allclose(
        found.air_temperature, course.values["air_temperature"], rtol=0, atol=1e-9
    )
    with xr.open_dataset(keeper.file(2024)) as file:
        assert file.air_temperature.attrs["standard_name"] == "air_temperature"
        assert file.attrs["Conventions"] == "CF-1.11"
        assert "open-meteo" in file.attrs["attribution"].lower()
