"""Current animals, gains of marked ones, the last round."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from riskcast.animals import current, gains, last_round
from riskcast.animals.history import CURRENT_COLUMNS

RULES = {
    "autumn_end": (11, 15),
    "litter_young": 3,
    "litter_spread": 0.3,
    "independence_mass_g": 0.0,
}


def at(rows, when="2025-10-27T20:00", stale=45, **more):
    return current(
        rows,
        issued_at=np.datetime64(when),
        timezone="Europe/London",
        stale_after_days=stale,
        **{**RULES, **more},
    )


def young(box, mass, date="2025-10-18", **more):
    return {"event_date": date, "box": box, "body_mass_g": mass, **more}


def empty(box, date):
    return {"event_date": date, "box": box, "life_stage": "unknown"}


def test_unmarked_animals_are_those_of_the_latest_check_of_each_box(rows_of):
    rows = rows_of(
        young("14", 8.0, "2025-09-20"),
        young("14", 11.5),
        young("14", 9.5),
        young("9", 12.0, "2025-09-20"),
    )
    animals = at(rows)
    assert tuple(animals.columns) == CURRENT_COLUMNS
    assert animals["label"].tolist() == [
        "box 9, weighed 20 September",
        "box 14, 1st of 2, weighed 18 October",
        "box 14, 2nd of 2, weighed 18 October",
    ]
    assert animals["key"].tolist() == ["9|2025-09-20|1", "14|2025-10-18|1", "14|2025-10-18|2"]
    assert animals["body_mass_g"].tolist() == [12.0, 9.5, 11.5]
    assert animals["age_days"].tolist() == [37, 9, 9]


def test_a_box_found_empty_has_no_animals_any_more(rows_of):
    rows = rows_of(young("14", 8.0, "2025-09-20"), empty("14", "2025-10-18"), young("15", 9.0))
    assert at(rows)["box"].tolist() == ["15"]
    assert at(rows, "2025-10-01T12:00")["box"].tolist() == ["14"], "not yet found empty"


def test_a_check_of_which_nothing_can_be_used_supersedes_an_older_one(read_file, tmp_path):
    path = tmp_path / "weights.csv"
    path.write_text(
        "event_date,box,organism_id,life_stage,sex,body_mass_g\n"
        "2025-09-20,14,,juvenile,male,9.5\n"
        "2025-10-18,14,A7,juvenile,male,185\n"
        "2025-10-18,15,,juvenile,male,18.5\n"
    )
    records = read_file(path)
    assert (records.n_rows, records.n_used) == (3, 2)
    assert at(records.rows)["box"].tolist() == ["15"]
    bare = records.rows.iloc[1]
    assert not bare["weighed"]
    assert bare[["organism_id", "life_stage", "sex"]].tolist() == ["", "unknown", "unknown"]
    assert np.isnan(bare["body_mass_g"])


def test_a_marked_animal_stands_once_where_it_was_last(rows_of):
    rows = rows_of(
        young("14", 12.0, "2025-09-20", organism_id="A7"),
        young("14", 11.0, "2025-09-20"),
        young("21", 15.5, "2025-10-18", organism_id="A7"),
        empty("21", "2025-10-25"),
    )
    animals = at(rows)
    assert animals["label"].tolist() == [
        "box 14, 1st of 2, weighed 20 September",
        "animal A7, box 21, weighed 18 October",
    ]
    assert animals["key"].tolist() == ["14|2025-09-20|1", "A7"]
    assert animals["body_mass_g"].tolist() == [11.0, 15.5]


def test_a_mark_without_a_box(rows_of):
    rows = rows_of({"event_date": "2025-10-18", "organism_id": "A7", "body_mass_g": 15.0},
                   young("2", 11.0))  # fmt: skip
    assert at(rows)["label"].tolist() == [
        "box 2, weighed 18 October",
        "animal A7, weighed 18 October",
    ]


def test_nobody_is_current_across_a_winter(rows_of):
    rows = rows_of(young("1", 18.0, "2025-06-30"), young("2", 18.0, "2025-07-01"), young("3", 18.0))
    assert at(rows)["box"].tolist() == ["2", "3"]
    assert at(rows, "2026-04-20T12:00")["box"].tolist() == ["2", "3"]
    assert at(rows, "2026-06-30T12:00")["box"].tolist() == ["2", "3"]
    assert at(rows, "2026-07-01T12:00").empty


@pytest.mark.parametrize(
    ("weighed", "issued", "ranked"),
    [
        ("2025-09-12", "2025-10-27", True),  # 45 days
        ("2025-09-11", "2025-10-27", False),  # 46 days
        ("2025-10-01", "2026-03-30", True),  # 45 days up to 15 November
        ("2025-09-30", "2026-03-30", False),
        ("2026-04-18", "2026-04-20", True),
    ],
)
def test_an_old_weight_is_shown_and_not_ranked(rows_of, weighed, issued, ranked):
    (animal,) = at(rows_of(young("1", 12.0, weighed)), f"{issued}T12:00").to_dict("records")
    assert animal["ranked"] is ranked
    assert animal["why_not"] == ("" if ranked else "weight_too_old")
    days = dt.date.fromisoformat(issued) - dt.date.fromisoformat(weighed)
    assert animal["age_days"] == days.days


def test_the_end_of_autumn_is_the_callers(rows_of):
    rows = rows_of(young("1", 12.0, "2025-10-01"))
    assert not at(rows, "2026-01-12T12:00", autumn_end=(12, 1))["ranked"].item()


def test_the_day_of_issue_is_the_sites(rows_of):
    rows = rows_of(young("1", 12.0, "2025-10-18"))
    assert at(rows, "2025-10-17T22:30").empty
    assert len(at(rows, "2025-10-17T23:30")) == 1, "past midnight in summer time"


def test_mothers_and_litters(rows_of):
    mother = {"sex": "female", "life_stage": "adult"}
    rows = rows_of(
        # 1: nursing mother, two young
        young("1", 21.0, **mother, reproductive_condition="Lactating"),
        young("1", 9.0),
        young("1", 14.0),
        # 2: mother without signs, three alike and one much bigger
        young("2", 21.0, **mother, reproductive_condition="none seen"),
        *[young("2", mass) for mass in (9.0, 9.5, 10.0, 16.0)],
        # 3: mother, two young: may be anybody's
        young("3", 21.0, **mother),
        *[young("3", mass) for mass in (9.0, 9.5)],
        # 4: three alike alone; 5: nestlings alone; 6: with a male
        *[young("4", mass) for mass in (9.0, 9.5, 10.0)],
        young("5", 4.0, life_stage="nestling"),
        young("6", 21.0, sex="male", life_stage="adult", reproductive_condition="lactating"),
        young("6", 9.0),
        # 7: mother, three alike of which one is marked
        young("7", 21.0, **mother),
        *[young("7", mass) for mass in (9.0, 9.5)],
        young("7", 9.5, organism_id="A1"),
    )
    animals = at(rows)
    found = {
        box: [tuple(pair) for pair in group[["litter", "with_mother"]].to_numpy().tolist()]
        for box, group in animals.groupby("box")
    }
    no, both, beside = (False, False), (True, True), (False, True)
    assert found == {
        "1": [both, both, no],
        "2": [both, both, both, beside, no],
        "3": [beside, beside, no],
        "4": [no, no, no],
        "5": [(True, False)],
        "6": [no, no],
        "7": [beside, beside, beside, no],
    }


@pytest.mark.parametrize(
    ("masses", "limits", "litter"),
    [
        # One young that cannot live alone yet: all young beside the female are hers.
        ((9.9, 14.0), {"independence_mass_g": 10.0}, [True, True, False]),
        ((10.0, 14.0), {"independence_mass_g": 10.0}, [False, False, False]),
        ((9.9, 14.0), {}, [False, False, False]),
        # How many must weigh how much alike is the caller's.
        ((11.0, 12.0), {"litter_young": 2}, [True, True, False]),
        ((11.0, 12.0), {"litter_young": 2, "litter_spread": 0.05}, [False, False, False]),
    ],
)
def test_what_makes_a_litter_is_the_callers(rows_of, masses, limits, litter):
    mother = young("1", 21.0, sex="female", life_stage="adult")
    animals = at(rows_of(mother, *[young("1", mass) for mass in masses]), **limits)
    assert animals["litter"].tolist() == litter


def test_young_below_independence_without_a_female_are_no_litter(rows_of):
    animals = at(rows_of(young("1", 8.0), young("1", 9.0)), independence_mass_g=10.0)
    assert not animals["litter"].any()


def test_marked_animals_without_a_box_are_no_family(rows_of):
    rows = rows_of(
        {"event_date": "2025-10-18", "organism_id": "A", "body_mass_g": 21.0, "sex": "female",
         "life_stage": "adult", "reproductive_condition": "lactating"},
        {"event_date": "2025-10-18", "organism_id": "B", "body_mass_g": 9.0},
    )  # fmt: skip
    assert not at(rows)[["litter", "with_mother"]].to_numpy().any()


def test_ordinals(rows_of):
    animals = at(rows_of(*[young("1", 5 + n / 10) for n in range(23)]))
    places = [label.split(", ")[1] for label in animals["label"]]
    assert [places[n - 1] for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 23)] == [
        f"{word} of 23"
        for word in "1st 2nd 3rd 4th 11th 12th 13th 21st 22nd 23rd".split()  # noqa: SIM905
    ]


_row = st.fixed_dictionaries(
    {
        "event_date": st.dates(dt.date(2025, 5, 1), dt.date(2025, 10, 31)),
        "box": st.sampled_from(["1", "2", "10", "B3"]),
        "body_mass_g": st.one_of(st.none(), st.integers(10, 60).map(lambda half: half / 2)),
        "life_stage": st.sampled_from(["adult", "juvenile", "nestling"]),
        "sex": st.sampled_from(["female", "male"]),
        "reproductive_condition": st.sampled_from(["", "lactating"]),
    }
)


@settings(derandomize=True, deadline=None)
@given(st.lists(_row, min_size=1, max_size=12), st.randoms(use_true_random=False))
def test_the_order_of_the_sheet_changes_nothing(rows_of, rows, random):
    first = at(rows_of(*rows))
    shuffled = list(rows)
    random.shuffle(shuffled)
    pd.testing.assert_frame_equal(first, at(rows_of(*shuffled)))
    assert first["key"].is_unique
    assert first["label"].is_unique
    assert first["body_mass_g"].notna().all()
    opened = [row for row in rows if row["event_date"] <= dt.date(2025, 10, 27)]
    for animal in first.itertuples():
        days = [row["event_date"] for row in opened if row["box"] == animal.box]
        assert animal.event_date.date() == max(days)


def test_gains_of_marked_animals(rows_of):
    rows = rows_of(
        young("14", 12.0, "2025-10-04", organism_id="A7"),
        young("14", 10.0, "2025-10-04"),
        young("21", 13.5, "2025-10-11", organism_id="A7"),
        young("14", 11.0, "2025-10-11"),
        young("21", 13.0, "2025-10-13", organism_id="A7"),
        young("3", 20.0, "2025-10-13", organism_id="B1"),
    )
    pairs = gains(rows.iloc[::-1])
    assert pairs["organism_id"].tolist() == ["A7", "A7"]
    assert pairs["key"].tolist() == ["A7", "A7"]
    assert pairs["from_date"].tolist() == [pd.Timestamp("2025-10-04"), pd.Timestamp("2025-10-11")]
    assert pairs["to_date"].tolist() == [pd.Timestamp("2025-10-11"), pd.Timestamp("2025-10-13")]
    assert pairs["days"].tolist() == [7, 2]
    assert pairs["from_mass_g"].tolist() == [12.0, 13.5]
    assert pairs["gain_g"].tolist() == [1.5, -0.5]
    assert pairs["gain_g_per_day"].tolist() == pytest.approx([1.5 / 7, -0.25])
    assert gains(rows.iloc[:2]).empty


def test_the_last_round_counts_empty_boxes(rows_of):
    rows = rows_of(young("14", 12.0, "2025-10-04"), empty("15", "2025-10-18"))
    assert last_round(rows) == dt.date(2025, 10, 18)
    assert last_round(rows.iloc[:0]) is None
    assert at(rows.iloc[:0]).empty
