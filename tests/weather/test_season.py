from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskcast.base.errors import InputMissingError, WeatherError
from riskcast.base.quantity import require_variable
from riskcast.weather import season
from riskcast.weather.dataset import PROVENANCE, Course, hours, stamps
from riskcast.weather.futures.ground import ground_of
from riskcast.weather.futures.join import axis_of, so_far

ISSUED = np.datetime64("2025-10-25T22:59:59", "ns")
ALL = ("air_temperature", "precipitation", "relative_humidity", "snow_depth", "wind_speed")


@pytest.fixture
def made(config, place):
    return season(config(), place, issued_at=ISSUED)


def codes(found):
    return [note.code for note in found.notes]


def at(dataset, when):
    return dataset.sel(time=when)


def test_the_contract(made):
    for dataset in (made.futures, made.past_years):
        for name in ALL:
            require_variable(dataset, name, dims=("member", "time"), step="1h")
        require_variable(dataset, "air_temperature", dims=("member", "time"), units="degC")
        assert dataset.attrs["Conventions"].startswith("CF-")
        # 9 °C and a tenth a year since 2000; July 2019 to June 2025 has its middle in 2022.
        assert float(dataset.annual_mean_air_temperature) == pytest.approx(11.2, abs=0.01)
    np.testing.assert_array_equal(made.futures.time, made.past_years.time)
    assert made.futures.time.values[0] == np.datetime64("2025-08-01T00")
    assert made.futures.time.values[-1] == np.datetime64("2026-05-31T23")
    assert made.futures.attrs["reference_time"] == "2025-10-25T06:00Z"
    assert made.age_hours == pytest.approx(17.0, abs=0.01)
    assert list(made.past_years.member.values) == [2019, 2020, 2021, 2022, 2023, 2024]
    assert codes(made) == []


def test_the_first_stretch_is_what_was_and_the_same_in_every_member(made, hourly, seven_years):
    """History to 08:00, then the forecast's own hours (first member) up to issue."""
    past = made.futures.sel(time=slice(None, ISSUED))
    assert (past.air_temperature == past.air_temperature.isel(member=0)).all()
    observed = hourly("2025-08-01T00", "2025-10-25T08")
    assert set(past.provenance.sel(time=observed).values) == {"observed"}
    assert set(past.provenance.sel(time=slice("2025-10-25T09", None)).values) == {"analysis"}
    with xr.open_dataset(seven_years) as history:
        np.testing.assert_array_equal(
            past.air_temperature.sel(time=observed).values[0],
            history.air_temperature.sel(time=observed).values,
        )
    with pytest.raises(KeyError):
        past.sel(time="2025-10-25T23:00")


def test_days_the_history_lacks_come_from_what_the_forecaster_knew(hourly):
    """First the history, then the days up to issue, then the first hours of the forecast."""
    axis = axis_of(np.datetime64("2025-10-25T12", "ns"))

    def course(first, temperature):
        hour = hours(hourly(first, "2025-10-27T00"))
        values = {"air_temperature": np.full((1, len(hour)), temperature)}
        none = np.zeros(len(hour), dtype=np.int8)
        return Course(int(hour[0]), np.zeros(1, dtype=int), values, none, none.astype(bool))

    history, before = course("2025-01-01T00", 1.0), course("2025-10-20T00", 2.0)
    history.values["air_temperature"][:, -72:] = np.nan  # from 24 October, 01:00
    before.values["air_temperature"][:, -48:] = np.nan  # from 25 October, 01:00
    forecast = course("2025-10-25T00", 3.0)
    head = so_far(history, forecast, axis, ["air_temperature"], before)
    taken = dict(zip(head.course.times, head.course.values["air_temperature"][0], strict=True))
    for when, value in (
        ("2025-10-24T00", 1.0),
        ("2025-10-24T01", 2.0),
        ("2025-10-25T00", 2.0),
        ("2025-10-25T01", 3.0),
        ("2025-10-25T12", 3.0),
    ):
        assert taken[np.datetime64(when, "ns")] == value, when
    assert PROVENANCE[head.provenance[-1]] == "analysis"
    assert PROVENANCE[head.provenance[0]] == "observed"
    assert len(head.course.times) == len(axis.head)


def test_days_that_were_lent_are_no_gap_and_keep_their_marks(
    config, place, tmp_path, hourly, weather_file
):
    """Five days missing inside the history, told by the past days of a forecast every 3 h."""
    with xr.open_dataset(config().history) as history:
        hole = (history.time > np.datetime64("2025-10-20T00")) & (
            history.time <= np.datetime64("2025-10-25T00")
        )
        history.where(~hole).to_netcdf(tmp_path / "h.nc")
    made = np.datetime64("2025-10-25T06", "ns")
    time = hourly("2025-10-10T00", "2025-11-04T21")[::3]
    file = weather_file(time, forecast_reference_time=made)
    file.to_netcdf(tmp_path / "f.nc")
    keys = {"history": tmp_path / "h.nc", "forecast": tmp_path / "f.nc"}
    found = season(config(**keys), place, issued_at=ISSUED)
    assert codes(found) == ["dressed_forecast"]
    days = found.futures.sel(time=slice("2025-10-20T01", "2025-10-25T00"))
    assert set(days.provenance.values) == {"analysis"}
    regular = days.time.dt.hour % 3 == 0
    assert set(days.filled.values[regular]) == {"none"}
    assert set(days.filled.values[~regular]) == {"interpolated"}
    later = found.futures.sel(time=slice("2025-10-25T01", "2025-10-25T08"))
    assert set(later.provenance.values) == {"observed"}


def test_then_members_then_past_winters(made, three_members, seven_years):
    futures = made.futures
    assert at(futures, "2025-10-25T23").provenance == "forecast"
    assert at(futures, "2025-11-04T23").provenance == "forecast"
    assert at(futures, "2025-11-05T00").provenance == "past_year"
    with xr.open_dataset(three_members) as forecast, xr.open_dataset(seven_years) as history:
        for member in futures.member.values:
            one = futures.sel(member=member)
            theirs = forecast.air_temperature.sel(member=one.forecast_member)
            assert at(one, "2025-10-29T05").air_temperature == theirs.sel(time="2025-10-29T05:00")
            year = int(one.past_year)
            for when, then in (
                ("2025-11-05T00:00", f"{year}-11-05T00:00"),
                ("2026-05-31T23:00", f"{year + 1}-05-31T23:00"),
            ):
                assert at(one, when).air_temperature == history.air_temperature.sel(time=then)
                same = at(made.past_years.sel(member=year), when)
                assert at(one, when).wind_speed == same.wind_speed


def test_every_past_winter_goes_with_every_third_of_the_forecast(made):
    """Three members and six winters: six futures, each winter once."""
    assert made.futures.sizes["member"] == 6
    assert sorted(made.futures.past_year.values) == list(range(2019, 2025))
    assert sorted(made.futures.forecast_member.values) == [0, 0, 1, 1, 2, 2]


def test_the_fade(made, three_members):
    """Over the last 48 h the share of the past year grows by a forty-ninth an hour.

    Of the air temperature that is so on the mean of the members; what they are apart is kept up.
    """
    last = np.datetime64("2025-11-04T23")
    with xr.open_dataset(three_members) as forecast:
        for k in (0, 1, 24, 47, 48, 60):
            when = last - np.timedelta64(k, "h")
            share = max(0.0, (48 - k) / 49)
            ours, plain = [], []
            for member in range(6):
                one = made.futures.sel(member=member, time=when)
                own = forecast.sel(member=one.forecast_member, time=when)
                theirs = made.past_years.sel(member=int(one.past_year), time=when)
                for name in ("relative_humidity", "wind_speed", "snow_depth"):
                    mixed = (1 - share) * own[name] + share * theirs[name]
                    assert one[name] == pytest.approx(float(mixed)), name
                rain = theirs if share > 0.5 else own
                assert one.precipitation == pytest.approx(float(rain.precipitation))
                ours.append(float(one.air_temperature))
                warm = [float(source.air_temperature) for source in (own, theirs)]
                plain.append((1 - share) * warm[0] + share * warm[1])
            assert np.mean(ours) == pytest.approx(np.mean(plain))
            wider = np.std(ours) / np.std(plain)
            away = np.array(ours) - np.mean(ours)
            np.testing.assert_allclose(away, wider * (plain - np.mean(plain)), atol=1e-9)
            assert wider == pytest.approx(1.0) if share == 0.0 else 1.0 < wider < 1.5


def test_rain_is_switched_not_blended(made):
    """In the made-up files it rains 0.9 mm in an hour or not at all."""
    assert set(np.unique(made.futures.precipitation)) == {0.0, 0.9}


def test_all_variables_of_a_past_year_stay_together(config, place, tmp_path, seven_years):
    """Every value of a winter carries its year, so strangers would be seen."""
    scales = {"air_temperature": 0.5, "relative_humidity": 2.0, "precipitation": 0.1}
    scales |= {"snow_depth": 0.01, "wind_speed": 0.5}

    def coded(time, winter, scale):
        return winter * scale * xr.where(time.dt.hour < 12, 1.0, 0.5)  # no sensor stands still

    with xr.open_dataset(seven_years) as history:
        winter = (history.time + np.timedelta64(184, "D")).dt.year - 2001
        for name, scale in scales.items():
            attrs = history[name].attrs
            history[name] = coded(history.time, winter, scale).assign_attrs(attrs)
        history.to_netcdf(tmp_path / "h.nc")
    found = season(config(history=tmp_path / "h.nc"), place, issued_at=ISSUED)
    tail = slice("2025-11-05T00", None)
    futures, past = found.futures.sel(time=tail), found.past_years.sel(time=tail)
    for name, scale in scales.items():
        expected = coded(futures.time, futures.past_year - 2000, scale)
        np.testing.assert_allclose(futures[name], expected.transpose("member", "time"), atol=1e-9)
        expected = coded(past.time, past.member - 2000, scale)
        np.testing.assert_allclose(past[name], expected.transpose("member", "time"), atol=1e-9)


def test_past_years_are_the_same_dates(made, seven_years):
    with xr.open_dataset(seven_years) as history:
        for year in (2019, 2024):
            one = made.past_years.air_temperature.sel(member=year)
            then = history.air_temperature.sel(
                time=slice(f"{year}-08-01T00", f"{year + 1}-05-31T23")
            )
            days = then.time.dt.strftime("%m-%d") != "02-29"
            np.testing.assert_array_equal(one.values, then.values[days.values])
    assert set(made.past_years.provenance.values) == {"past_year"}


def test_29_february_of_a_year_without(config, place, tmp_path, hourly, weather_file):
    made = np.datetime64("2023-11-01T06", "ns")
    time = hourly("2023-11-01T00", "2023-11-08T23")
    path = tmp_path / "forecast.nc"
    weather_file(time, 2, forecast_reference_time=made).to_netcdf(path)
    found = season(config(forecast=path, past_years=4), place, issued_at="2023-11-01T12:00")
    values = found.past_years.air_temperature
    leap, day_before = values.sel(time="2024-02-29"), values.sel(time="2024-02-28")
    np.testing.assert_array_equal(leap.sel(member=2022).values, day_before.sel(member=2022).values)
    assert not np.array_equal(leap.sel(member=2019), day_before.sel(member=2019))


def test_same_seed_same_bytes_other_seed_other_pairs(config, place):
    one, two = (season(config(), place, issued_at=ISSUED, seed=1) for _ in range(2))
    assert one.futures.identical(two.futures)
    assert one.past_years.identical(two.past_years)
    pairs = {
        tuple(season(config(), place, issued_at=ISSUED, seed=seed).futures.past_year.values)
        for seed in range(5)
    }
    assert len(pairs) > 1


@pytest.mark.parametrize(
    ("issued", "first", "last"),
    [
        ("2025-10-25T22:59:59", "2025-08-01T00", "2026-05-31T23"),
        ("2025-09-01T12:00", "2025-07-03T12", "2026-05-31T23"),
        ("2026-01-12T23:00", "2025-08-01T00", "2026-05-31T23"),
        ("2026-05-31T22:59:59", "2025-08-01T00", "2026-05-31T23"),
        ("2026-05-31T23:00", "2026-04-01T23", "2027-05-31T23"),
        ("2026-05-31T23:00:01", "2026-04-01T23", "2027-05-31T23"),
    ],
)
def test_the_axis(issued, first, last):
    axis = stamps(axis_of(np.datetime64(issued, "ns")).hour)
    assert (axis[0], axis[-1]) == (np.datetime64(first), np.datetime64(last))


def test_a_forecast_of_more_members_than_winters_spreads_the_winters_evenly(
    config, place, tmp_path, hourly, weather_file
):
    made = np.datetime64("2025-10-25T06", "ns")
    time = hourly("2025-10-25T00", "2025-11-04T23")
    weather_file(time, 51, forecast_reference_time=made).to_netcdf(tmp_path / "f.nc")
    found = season(config(forecast=tmp_path / "f.nc"), place, issued_at=ISSUED).futures
    assert list(found.forecast_member.values) == list(range(51))
    _, counts = np.unique(found.past_year, return_counts=True)
    assert set(counts) == {8, 9}


@pytest.fixture
def one_forecast(tmp_path, hourly, weather_file):
    """A single forecast of 25 October 2025, 06:00, for ten days."""
    made = np.datetime64("2025-10-25T06", "ns")
    time = hourly("2025-10-25T00", "2025-11-04T23")
    weather_file(time, forecast_reference_time=made).to_netcdf(tmp_path / "f.nc")
    return tmp_path / "f.nc"


def test_a_single_forecast_is_dressed_and_goes_on_with_every_winter(config, place, one_forecast):
    """Six winters make 24 members: each winter four times, with its own errors each time."""
    found = season(config(forecast=one_forecast), place, issued_at=ISSUED)
    (note,) = found.notes
    assert (note.code, note.numbers) == ("dressed_forecast", {"members": 24, "pairs": 0})
    winters, counts = np.unique(found.futures.past_year, return_counts=True)
    assert list(winters) == list(range(2019, 2025))
    assert set(counts) == {4}
    for member in (0, 7, 23):
        one = found.futures.sel(member=member)
        theirs = found.past_years.sel(member=int(one.past_year))
        tail = slice("2025-11-05T00", None)
        for name in ALL:
            np.testing.assert_array_equal(one[name].sel(time=tail), theirs[name].sel(time=tail))


def test_a_dressed_forecast_is_the_same_for_the_same_seed(config, place, one_forecast):
    one, two, other = (
        season(config(forecast=one_forecast), place, issued_at=ISSUED, seed=seed).futures
        for seed in (3, 3, 4)
    )
    assert one.identical(two)
    assert not np.array_equal(one.precipitation, other.precipitation)


def test_a_single_forecast_without_past_winters_to_dress_it_is_said_to_be_single(
    config, place, one_forecast
):
    found = season(config(forecast=one_forecast, past_years=4), place, issued_at=ISSUED)
    assert sorted(found.futures.past_year.values) == list(range(2021, 2025))
    assert codes(found) == ["single_forecast", "normals_not_possible"]


def test_an_old_forecast_is_used_and_said_to_be_old(config, place):
    found = season(config(max_age_hours=12), place, issued_at=ISSUED)
    (note,) = found.notes
    assert note.code == "stale_forecast"
    assert note.numbers == {"age_hours": 17.0, "max_age_hours": 12.0}


def test_fewer_past_years_than_asked(config, place):
    found = season(config(past_years=20), place, issued_at=ISSUED)
    (note,) = found.notes
    assert (note.code, note.numbers) == ("past_years_short", {"have": 7, "asked": 20})


def shorter(path, seven_years, first, drop=()):
    with xr.open_dataset(seven_years) as history:
        history.sel(time=slice(first, None)).drop_vars(drop).to_netcdf(path)
    return path


def test_three_winters_make_no_normal(config, place, tmp_path, seven_years):
    path = shorter(tmp_path / "h.nc", seven_years, "2022-07-01")
    found = season(config(history=path), place, issued_at=ISSUED)
    assert codes(found) == ["past_years_short", "normals_not_possible"]
    assert found.notes[1].numbers == {"have": 3, "needed": 5}
    assert found.past_years.sizes["member"] == 3
    assert found.futures.sizes["member"] == 3


def test_no_past_winter_no_future(config, place, tmp_path, seven_years):
    path = shorter(tmp_path / "h.nc", seven_years, "2025-03-01")
    with pytest.raises(WeatherError, match="holds no complete past winter") as raised:
        season(config(history=path), place, issued_at=ISSUED)
    assert "two years back" in str(raised.value)


def test_a_forecast_to_the_end_of_the_season_needs_no_past_winter(
    config, place, tmp_path, hourly, weather_file
):
    made = np.datetime64("2026-05-20T06", "ns")
    weather_file(hourly("2025-05-01T00", "2026-05-20T08")).to_netcdf(tmp_path / "h.nc")
    time = hourly("2026-05-20T00", "2026-06-03T23")
    weather_file(time, 4, forecast_reference_time=made).to_netcdf(tmp_path / "f.nc")
    keys = {"history": tmp_path / "h.nc", "forecast": tmp_path / "f.nc"}
    found = season(config(**keys), place, issued_at="2026-05-20T12:00")
    assert found.past_years.sizes["member"] == 0
    assert found.futures.sizes["member"] == 4
    assert found.futures.time.values[-1] == np.datetime64("2026-05-31T23")
    assert set(found.futures.provenance.values) == {"observed", "analysis", "forecast"}


def test_it_says_how_it_went_with_each_source(made, three_members, seven_years):
    assert [(s.role, s.source, s.used) for s in made.sources] == [
        ("forecast", three_members.name, True),
        ("history", seven_years.name, True),
    ]


def test_an_absent_variable_is_absent_and_told(config, place, tmp_path, seven_years):
    path = shorter(tmp_path / "h.nc", seven_years, None, drop=["snow_depth"])
    found = season(config(history=path), place, issued_at=ISSUED)
    assert "snow_depth" not in found.futures
    assert "snow_depth" not in found.past_years
    (note,) = found.notes
    assert note.numbers == {"name": "snow_depth", "source": "history"}


def soil_of(name, source, path, hole=None):
    """A copy of a file with soil temperature made of its air's, NaN in a stretch of hours."""
    with xr.open_dataset(source) as file:
        soil = (file.air_temperature / 2 + 5).assign_attrs(units="degC")
        if hole is not None:
            inside = (file.time >= np.datetime64(hole[0])) & (file.time <= np.datetime64(hole[1]))
            soil = soil.where(~inside).assign_attrs(units="degC")
        file.assign({name: soil}).to_netcdf(path)
    return path


def test_soil_is_measured_so_far_and_then_that_of_past_winters(
    config, place, tmp_path, seven_years, hourly
):
    """An ensemble has none, and the history ends days before issue: both are no obstacle."""
    hole = ("2025-10-20T01", "2025-10-26T00")
    path = soil_of("stl4", seven_years, tmp_path / "h.nc", hole)
    found = season(config(history=path), place, issued_at=ISSUED)
    assert codes(found) == ["soil_carried_on"]
    assert found.notes[0].numbers == {"date": "2025-10-20", "depth_cm": 194}
    futures, past = found.futures, found.past_years
    for dataset in (futures, past):
        require_variable(
            dataset, "soil_temperature", dims=("member", "time", "depth"), units="degC", step="1h"
        )
        assert dataset["depth"].values.tolist() == [1.945]
    soil = futures["soil_temperature"]
    assert soil.attrs["measured_until"] == "2025-10-20T00:00Z"
    known = hourly("2025-08-01T00", "2025-10-20T00")
    with xr.open_dataset(path) as history:
        np.testing.assert_array_equal(
            soil.sel(time=known).values[..., 0],
            np.broadcast_to(history["stl4"].sel(time=known).values, (6, len(known))),
        )
    lent = past["soil_temperature"].sel(member=futures["past_year"].values)
    after = slice("2025-10-20T01", None)
    np.testing.assert_array_equal(soil.sel(time=after).values, lent.sel(time=after).values)
    # What lacks is the soil's alone: the rest of the season is whole.
    assert set(futures["filled"].sel(time=known).values) == {"none"}


def test_a_gap_in_the_soil_is_closed_in_a_straight_line(
    config, place, tmp_path, seven_years, hourly
):
    path = soil_of("stl4", seven_years, tmp_path / "h.nc", ("2025-09-01T01", "2025-09-07T23"))
    found = season(config(history=path), place, issued_at=ISSUED)
    gap = found.futures["soil_temperature"].sel(time=hourly("2025-09-01T00", "2025-09-08T00"))
    assert np.diff(gap.values[0, :, 0], 2) == pytest.approx(0.0, abs=1e-9)
    assert codes(found) == ["soil_carried_on"]


@pytest.mark.parametrize(
    ("hole", "why"),
    [
        (("2025-08-01T00", "2025-08-20T00"), "so_far"),
        (("2021-11-01T00", "2022-03-01T00"), "past_years"),
    ],
)
def test_too_little_soil_is_none(config, place, tmp_path, seven_years, hole, why):
    path = soil_of("stl4", seven_years, tmp_path / "h.nc", hole)
    found = season(config(history=path), place, issued_at=ISSUED)
    assert "soil_temperature" not in found.futures
    assert "soil_temperature" not in found.past_years
    assert [(note.code, note.numbers["why"]) for note in found.notes] == [("soil_not_used", why)]


def test_soil_nobody_has_measured_for_a_month_is_none(config, place, tmp_path, seven_years):
    history = config(history=soil_of("stl4", seven_years, tmp_path / "h.nc")).history
    with xr.open_dataset(history) as file:
        course = Course(
            int(hours([file.time.values[0]])[0]),
            np.zeros(1, dtype=int),
            {"soil_temperature": file["stl4"].values[None, :, None]},
            np.zeros(file.sizes["time"], dtype=np.int8),
            np.zeros(file.sizes["time"], dtype=bool),
            np.array([1.945]),
        )
    axis = axis_of(np.datetime64("2025-05-20T00", "ns"))
    assert ground_of(course, axis, [2022])[0] is not None
    course.values["soil_temperature"][:, int(axis.now) - course.start - 31 * 24 :] = np.nan
    assert [n.numbers["why"] for n in ground_of(course, axis, [2022])[1]] == ["old"]


def test_soil_where_the_forecast_reaches_the_end_of_the_season(
    config, place, tmp_path, seven_years, hourly, weather_file
):
    """In late May no member needs a past winter: their mean lends the soil."""
    issued = np.datetime64("2025-05-25T12", "ns")
    made = np.datetime64("2025-05-25T06", "ns")
    file = weather_file(hourly("2025-05-25T00", "2025-06-08T00"), forecast_reference_time=made)
    file.to_netcdf(tmp_path / "f.nc")
    keys = {
        "forecast": tmp_path / "f.nc",
        "history": soil_of("stl4", seven_years, tmp_path / "h.nc", ("2025-05-20T01", "2026-01-01")),
    }
    found = season(config(**keys), place, issued_at=issued)
    after = slice("2025-05-20T01", None)
    lent = found.past_years["soil_temperature"].sel(time=after).mean("member")
    soil = found.futures["soil_temperature"].sel(time=after)
    np.testing.assert_allclose(soil, np.broadcast_to(lent, soil.shape))


def test_soil_of_the_forecast_alone_is_missed_by_nobody(config, place, tmp_path, three_members):
    path = soil_of("stl4", three_members, tmp_path / "f.nc")
    found = season(config(forecast=path), place, issued_at=ISSUED)
    assert "soil_temperature" not in found.futures
    assert codes(found) == []


def test_a_required_variable_is_required(config, place, tmp_path, seven_years):
    path = shorter(tmp_path / "h.nc", seven_years, None, drop=["precipitation"])
    with pytest.raises(WeatherError, match=r"weather.history has no precipitation"):
        season(config(history=path), place, issued_at=ISSUED)


def holed(path, source, first, last):
    with xr.open_dataset(source) as history:
        inside = (history.time >= np.datetime64(first)) & (history.time <= np.datetime64(last))
        history.where(~inside).to_netcdf(path)
    return path


def test_a_gap_in_the_season_is_filled_marked_and_told(config, place, tmp_path, seven_years):
    path = holed(tmp_path / "h.nc", seven_years, "2025-10-20T00", "2025-10-20T09")
    found = season(config(history=path), place, issued_at=ISSUED)
    filled = found.futures.filled.values == "past_year_mean"
    assert filled.sum() == 10
    assert found.futures.time.values[filled][0] == np.datetime64("2025-10-20T00")
    (note,) = found.notes
    assert note.code == "gap_filled"
    assert note.numbers["share_last_10_days"] == pytest.approx(10 / 240, abs=1e-3)


def test_too_wide_a_gap_is_not_enough_data(config, place, tmp_path, seven_years):
    path = holed(tmp_path / "h.nc", seven_years, "2025-10-22T00", "2025-10-25T08")
    with pytest.raises(WeatherError, match="not enough data because 72 of the last 240") as raised:
        season(config(history=path), place, issued_at=ISSUED)
    assert "The history covers 2018-07-01T00:00Z to 2025-10-21T23:00Z" in str(raised.value)
    assert "some past days" in str(raised.value)


def test_a_torn_past_winter_is_left_out(config, place, tmp_path, seven_years):
    path = holed(tmp_path / "h.nc", seven_years, "2021-12-01T00", "2022-01-31T00")
    found = season(config(history=path), place, issued_at=ISSUED)
    assert list(found.past_years.member.values) == [2018, 2019, 2020, 2022, 2023, 2024]
    path = holed(tmp_path / "i.nc", seven_years, "2021-12-01T00", "2021-12-10T00")
    found = season(config(history=path), place, issued_at=ISSUED)
    assert list(found.past_years.member.values) == list(range(2019, 2025))
    assert (found.past_years.filled == "past_year_mean").sum() == 9 * 24 + 1


def test_an_ensemble_is_no_history(config, place, three_members):
    with pytest.raises(WeatherError, match="holds 3 members"):
        season(config(history=three_members), place, issued_at=ISSUED)


def test_missing_files(config, place, tmp_path):
    for key in ("forecast", "history"):
        with pytest.raises(InputMissingError, match="no such file"):
            season(config(**{key: tmp_path / "none.nc"}), place, issued_at=ISSUED)


def test_attributions_of_both_files_stand_together(config, place, tmp_path, seven_years):
    with xr.open_dataset(seven_years) as history:
        words = {"attribution": "By Nowhere", "license": "CC0", "institution": "Nowhere"}
        history.assign_attrs(words).to_netcdf(tmp_path / "h.nc")
    rows = "".join(
        f"{str(t)[:16]},5.0,80,0.0\n"
        for t in np.arange("2025-10-25T00", "2025-11-05T00", dtype="datetime64[h]")
    )
    path = tmp_path / "forecast_20251025T0600.csv"
    heading = "time,temperature_2m (°C),relative_humidity_2m (%),precipitation (mm)\n"
    path.write_text(heading + rows, encoding="utf-8")
    found = season(config(history=tmp_path / "h.nc", forecast=path), place, issued_at=ISSUED)
    attrs = found.futures.attrs
    assert attrs["provider"] == "Open-Meteo"
    assert attrs["history_provider"] == "Nowhere"
    assert attrs["licence"] == "CC BY 4.0; CC0"
    assert attrs["attribution"] == (
        "Weather data by Open-Meteo.com (https://open-meteo.com/); By Nowhere"
    )
    assert {"no_variable", "dressed_forecast", "place_not_stated"} == set(codes(found))
