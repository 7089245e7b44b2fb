"""A site's own records of spring: what is read of them, and all their faults at once."""

import datetime as dt

import pytest

from riskcast.base.errors import ConfigError, InputMissingError
from riskcast.habitat import read_own_dates

FULL = ("oak", "hawthorn")


@pytest.fixture
def write(tmp_path):
    def make(text, encoding="utf-8"):
        path = tmp_path / "food_dates.csv"
        path.write_bytes(text.encode(encoding))
        return path

    return make


def test_mean_and_spread_over_springs(write):
    path = write("plant,stage,date\nwillow,catkins,2018-03-10\nwillow,catkins,2019-03-14\n")
    willow = read_own_dates(path, full_need_plants=FULL)["willow"]
    assert (willow.stage, willow.years, willow.mean) == ("catkins", 2, 71.0)
    assert willow.sd == pytest.approx(8**0.5)


def test_one_spring_has_no_spread(write):
    path = write("plant,stage,date\nwillow,catkins,2018-03-10\n")
    assert read_own_dates(path, full_need_plants=FULL)["willow"].sd is None


def test_catkins_before_new_year_belong_to_the_spring_after(write):
    path = write("plant,stage,date\nhazel,catkins,2018-12-30\nhazel,catkins,2020-01-03\n")
    hazel = read_own_dates(path, full_need_plants=FULL)["hazel"]
    assert hazel.years == 2
    assert hazel.mean == pytest.approx((-1 + 3) / 2)


def test_semicolons_byte_order_mark_capitals_blank_lines_and_more_columns(write):
    path = write("﻿Plant;Note;Stage;Date\n Willow ;by the pond;CATKINS;2018-03-10\n\n;;;\n")
    assert read_own_dates(path, full_need_plants=FULL)["willow"].mean == 69.0


def test_a_plant_for_all_counts_from_its_flower(write):
    path = write(
        "plant,stage,date\noak,bud,2020-04-01\noak,leaf,2020-04-20\noak,catkins,2020-04-28\n"
        "hawthorn,leaf,2020-03-20\nwillow,bud,2020-02-20\nwillow,catkins,2020-03-10\n"
    )
    found = read_own_dates(path, full_need_plants=FULL)
    assert found["oak"].stage == "catkins"
    assert found["hawthorn"].stage == "leaf"
    assert found["willow"].stage == "bud"


def test_a_bud_of_a_plant_for_all_is_not_enough(write):
    path = write("plant,stage,date\noak,bud,2020-04-01\n")
    assert read_own_dates(path, full_need_plants=FULL) == {}


def test_all_faults_at_once(write):
    path = write(
        "plant,stage,date\nwillow,catkins,10/03/2018\n,flower,2019-03-14\n"
        "hazel,pollen,2019-03-14\nhazel,leaf,2019-02-30\nwillow,catkins,2019-03-12\n"
    )
    with pytest.raises(ConfigError) as caught:
        read_own_dates(path, full_need_plants=FULL)
    told = str(caught.value)
    assert "food_dates.csv: 4 faults" in told
    assert 'row 2, date "10/03/2018": not a date. Write it as 2025-04-19.' in told
    assert "row 3, plant: is empty." in told
    assert 'row 4, stage "pollen": not a known stage. Use one of catkins, bud' in told
    assert 'row 5, date "2019-02-30"' in told
    assert "row 6" not in told


def test_headings(write):
    with pytest.raises(ConfigError, match=r"no heading stage, date.*plant,stage,date"):
        read_own_dates(write("plant,when\nwillow,2018-03-10\n"), full_need_plants=FULL)
    with pytest.raises(ConfigError, match="no heading plant"):
        read_own_dates(write(""), full_need_plants=FULL)


def test_not_text(write):
    path = write("plant,stage,date\nhêtre,leaf,2020-04-20\n", encoding="latin-1")
    with pytest.raises(ConfigError, match="UTF-8"):
        read_own_dates(path, full_need_plants=FULL)


def test_no_file(tmp_path):
    with pytest.raises(InputMissingError, match=r"cannot read nothing\.csv"):
        read_own_dates(tmp_path / "nothing.csv", full_need_plants=FULL)


def test_later_rows_are_not_read(write):
    path = write(
        "plant,stage,date\nwillow,catkins,2018-03-10\nwillow,catkins,2019-03-01\nx,y,2019-03-02\n"
    )
    found = read_own_dates(path, full_need_plants=FULL, as_of=dt.date(2019, 2, 28))
    assert found["willow"].years == 1
    assert list(found) == ["willow"]


def test_all_faults_of_one_row_at_once(tmp_path):
    path = tmp_path / "food_dates.csv"
    path.write_text("plant,stage,date\n,blossom,31/04/2025\noak,flower,2025-09-05\n", "utf-8")
    with pytest.raises(ConfigError) as caught:
        read_own_dates(path, full_need_plants={"oak"})
    told = str(caught.value)
    for where in ("row 2, plant", "row 2, stage", "row 2, date", "row 3, date"):
        assert where in told
