"""The table of days and the lines of weeks, on a small winter whose numbers are read back."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from riskcast.physiology import winter
from riskcast.report.days import DayByDay, days_table, weeks_block

ONSET = np.datetime64("2020-11-20T16:00", "ns")
FOOD = np.datetime64("2021-04-20", "ns")
NUMBER = r"(\d+(?:\.\d+)?)"


@pytest.fixture(scope="module")
def course(nest_series, hazel_dormouse) -> DayByDay:
    hours = np.arange(200 * 24)
    nest = nest_series(5 + 3 * np.sin(hours / 500) + np.array([[0.0], [0.5]]), start="2020-11-01")
    made = {
        feeding: winter(
            nest, [14.0], hazel_dormouse, onset=ONSET, feeding=feeding, draws=64, daily=True
        ).isel(animal=0, drop=True)
        for feeding in ("none", "found")
    }
    shape = {"member": 2, "draw": 64}
    food = xr.DataArray(np.full((2, 64), FOOD), dims=shape)
    return DayByDay(
        label="box 41",
        shares_shown=True,
        issued_at=np.datetime64("2020-12-01T23:59:59", "ns"),
        onset=xr.DataArray(np.full((2, 64), ONSET), dims=shape),
        food_date=food,
        nest=nest,
        winter=made,
    )


def column(course: DayByDay, *words: str) -> np.ndarray:
    table = days_table(course)
    (place,) = (n for n, name in enumerate(table.columns) if all(word in name for word in words))
    return np.array([row[place] for row in table.rows])


def test_one_row_a_day_from_the_day_it_goes_in_to_the_end(course):
    table = days_table(course)
    days = [row[0] for row in table.rows]
    assert (days[0], days[-1], len(days)) == ("2020-11-20", "2021-05-19", 181)
    assert all(len(row) == len(table.columns) for row in table.rows)
    assert not any(value is None or value != value for row in table.rows for value in row[1:])
    headings = table.columns[1:]
    assert all(re.search(r"\((°C|g|1|share of futures)\)$", name) for name in headings)


def test_nest_and_shares_are_read_off_the_series(course):
    nest = course.nest.mean("member").sel(time="2021-01-05").mean()
    rows = [row[0] for row in days_table(course).rows]
    assert column(course, "nest temperature")[rows.index("2021-01-05")] == round(float(nest), 3)
    np.testing.assert_array_equal(column(course, "gone in"), 1.0)
    food = column(course, "enough food")
    assert (food[rows.index("2021-04-19")], food[rows.index("2021-04-20")]) == (0.0, 1.0)
    for words, feeding in (("no food found", "none"), ("food found: reserve", "found")):
        if feeding == "found":
            table = days_table(course)
            place = table.columns.index("food found: reserve gone (share of futures)")
            gone = np.array([row[place] for row in table.rows])
        else:
            gone = column(course, words, "reserve gone")
        empty = course.winter[feeding]["reserve_empty"]
        end = course.winter[feeding]["day"].values[-1] + np.timedelta64(1, "D")
        assert gone[-1] == pytest.approx(float((empty < end).mean()), abs=1e-4)
        assert (np.diff(gone) >= 0).all()
    assert column(course, "no food found", "reserve gone")[-1] > 0.5


def test_grams_spent_are_the_fall_of_the_mean_mass(course):
    spent = sum(column(course, f"spent {what}") for what in ("torpid", "warming", "searching"))
    fallen = 14.0 - float(course.winter["none"]["body_mass_g"].mean())
    assert spent.sum() == pytest.approx(fallen, abs=0.02)
    wakings = column(course, "wakings begun").sum()
    assert wakings == pytest.approx(float(course.winter["none"]["arousals"].mean()), abs=0.02)


def test_weeks_run_from_issue_to_food_and_hold_the_days_sums(course):
    lines = weeks_block(course)
    assert "Week by week for box 41, from issue to enough food" in lines[0]
    weeks = [line for line in lines if re.match(r"   \d+ [A-Z][a-z]+ +\d", line)]
    assert len(weeks) == 20
    assert weeks[0].startswith("   1 December ")
    assert weeks[-1].startswith("   13 April ")
    days = [row[0] for row in days_table(course).rows]
    first, last = days.index("2020-12-01"), days.index("2020-12-07")
    found = re.search(rf" {NUMBER} +{NUMBER} +{NUMBER} +{NUMBER}  \d", weeks[0].split("%")[1])
    wakings, torpid, awake, search = map(float, found.groups())
    inside = slice(first, last + 1)
    assert wakings == pytest.approx(column(course, "wakings begun")[inside].sum(), abs=0.06)
    assert torpid == pytest.approx(column(course, "spent torpid")[inside].sum(), abs=0.006)
    assert awake == pytest.approx(column(course, "spent warming")[inside].sum(), abs=0.006)
    assert search == 0
    mass = [column(course, "no food found", f" {p}% of futures")[last] for p in (50, 10, 90)]
    told = re.search(rf"{NUMBER} \({NUMBER} to {NUMBER}\)", weeks[0])
    assert [float(part) for part in told.groups()] == pytest.approx(mass, abs=0.06)


def test_a_share_is_never_none_and_never_all(course):
    text = "\n".join(weeks_block(course))
    assert ">95%" in text
    assert "<5%" in text
    assert not re.search(r"\b(100|0)%", text)


def test_shares_that_may_not_be_told_are_told_nowhere(course):
    """Behind the gate masses and wakings stay, shares with reserve go, and the reason is named."""
    shut = replace(course, shares_shown=False)
    lines = weeks_block(shut)
    text = "\n".join(lines)
    assert "not shown, for the reason under 8" in text
    assert "#" not in text
    assert "95%" not in text
    table = days_table(shut)
    for n, name in enumerate(table.columns):
        hidden = "reserve gone" in name
        assert all((row[n] is None) is hidden for row in table.rows), name


def test_without_a_food_date_weeks_run_to_the_end_of_the_season(course):
    never = course.food_date.copy(data=np.full((2, 64), np.datetime64("NaT", "ns")))
    lines = weeks_block(replace(course, food_date=never))
    assert lines[-1].startswith("   18 May ")
    early = course.food_date.copy(data=np.full((2, 64), ONSET))
    assert weeks_block(replace(course, food_date=early))[-1].strip().startswith("no week lies")


def test_the_reference_animal_is_called_so(course):
    assert "for the reference animal," in weeks_block(replace(course, label="reference"))[0]
