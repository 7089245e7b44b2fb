"""The demonstration's site file and weights: invented, whole, and telling the story they should."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

from riskcast import animals, site, species

FOLDER = Path(__file__).parents[2] / "configs" / "alder-hanger"
ROUNDS = ["2025-05-17", "2025-07-19", "2025-08-16", "2025-09-20", "2025-10-18"]


@pytest.fixture(scope="module")
def wood() -> site.Site:
    return site.load_site(FOLDER / "site.toml")


@pytest.fixture(scope="module")
def records(wood: site.Site, hazel_dormouse: species.Species) -> animals.Records:
    p = hazel_dormouse.weights
    bounds = {
        "adult": (p.adult_min, p.adult_max),
        "juvenile": (p.juvenile_min, p.juvenile_max),
        "nestling": (p.nestling_min, p.nestling_max),
    }
    at = np.datetime64("2025-10-27T23:59")
    return animals.read(wood.weights, wood.place, as_of=at, live=True, bounds=bounds)


@pytest.fixture(scope="module")
def weighed(records: animals.Records) -> pd.DataFrame:
    return records.weighings


def test_site_file(wood: site.Site) -> None:
    text = (FOLDER / "site.toml").read_text("utf-8")
    assert "ALL OF THIS IS INVENTED" in text[:400]
    assert wood.visits.planned == (dt.date(2025, 11, 22), dt.date(2026, 4, 18))
    assert [person.role for person in wood.recipients] == [
        "monitor",
        "coordinator",
        "rehabilitator",
    ]
    assert all(person.address.endswith("@example.org") for person in wood.recipients)
    assert wood.mail is None


def test_every_line_of_the_site_file_has_a_word(wood: site.Site) -> None:
    """A newcomer learns from the file: each key is explained beside it or names itself."""
    plain = {"name", "address"}
    for line in (FOLDER / "site.toml").read_text("utf-8").splitlines():
        key = line.split("=")[0].strip()
        if "=" in line and not line.startswith("#") and key not in plain | {"schema"}:
            assert "#" in line, line


def test_no_row_is_set_aside(records: animals.Records) -> None:
    assert records.faults == ()
    assert records.n_used == records.n_rows == 5 * 60 + len(records.weighings) - _occupied(records)


def _occupied(records: animals.Records) -> int:
    return len(records.weighings.groupby(["event_date", "box"]))


def test_dates_are_dates_and_the_label_is_there() -> None:
    workbook = load_workbook(FOLDER / "weights.xlsx")
    sheet = workbook.worksheets[0]
    cells = [row[0] for row in sheet.iter_rows(min_row=2)]
    assert all(cell.is_date for cell in cells)
    assert any("INVENTED" in str(cell.value) for cell in sheet[2])
    assert "INVENTED" in str(workbook["About"]["A1"].value)


def test_made_again(load_module: Callable[[Path], ModuleType]) -> None:
    maker = load_module(FOLDER / "make_weights.py")
    made = load_workbook(io.BytesIO(maker.workbook_bytes()))
    kept = load_workbook(FOLDER / "weights.xlsx")
    assert made.sheetnames == kept.sheetnames
    for name in kept.sheetnames:
        assert list(made[name].values) == list(kept[name].values)
    assert maker.workbook_bytes() == maker.workbook_bytes()


def test_five_rounds_of_sixty_boxes(records: animals.Records, weighed: pd.DataFrame) -> None:
    opened = records.rows.groupby("event_date")["box"].nunique()
    assert [f"{day:%Y-%m-%d}" for day in opened.index] == ROUNDS
    assert (opened == 60).all()
    assert (weighed["body_mass_g"] % 0.5 == 0).all()  # a spring balance


def test_last_round(weighed: pd.DataFrame) -> None:
    last = weighed[weighed["event_date"] == ROUNDS[-1]]
    assert 18 <= len(last) <= 24
    assert last["box"].nunique() == 12
    adults = last[last["life_stage"] == "adult"]
    assert adults["body_mass_g"].between(22, 29).all()
    torpid = adults["activity"] == "torpid"
    assert 0 < torpid.sum() < len(adults)
    # In October torpid means fat (Juškaitis 2005, abstract).
    mass = last.groupby("activity")["body_mass_g"].mean()
    assert mass["torpid"] > mass["active"] + 4


def test_the_late_litter(weighed: pd.DataFrame) -> None:
    box = weighed[weighed["box"] == "14"]
    september = box[box["event_date"] == ROUNDS[3]]
    october = box[box["event_date"] == ROUNDS[4]]
    assert sorted(september["life_stage"]) == ["adult", *["nestling"] * 5]
    mother = september[september["life_stage"] == "adult"]
    assert mother["reproductive_condition"].tolist() == ["lactating"]
    assert october["life_stage"].tolist() == ["juvenile"] * 5
    assert october["body_mass_g"].between(8.5, 12).all()


def test_other_young_are_late_or_grown(weighed: pd.DataFrame) -> None:
    last = weighed[(weighed["event_date"] == ROUNDS[4]) & (weighed["box"] != "14")]
    young = last[last["life_stage"] == "juvenile"]["body_mass_g"]
    assert young[young < 15].between(11, 13.5).all()
    assert 2 <= (young < 15).sum() <= 3
    assert young[young >= 15].between(16, 21).all()


def test_marked_animals_grow_as_bodies_do(records: animals.Records, weighed: pd.DataFrame) -> None:
    marked = weighed[weighed["organism_id"] != ""]
    assert 0.25 < len(marked) / len(weighed) < 0.5
    assert (marked.groupby("organism_id").size() >= 2).sum() >= 8
    assert (marked.groupby("organism_id")["sex"].nunique() == 1).all()
    pairs = animals.gains(records.rows)
    young = pairs[pairs["life_stage"] == "juvenile"]["gain_g_per_day"]
    # 0.05 to 0.40 g a day in the wild (provisional range of the species file).
    assert young.between(0.05, 0.40).all()


def test_torpor_and_breeding_by_season(weighed: pd.DataFrame) -> None:
    pregnant = weighed[weighed["reproductive_condition"] == "pregnant"]
    # Pregnant females are never in deep torpor (Juškaitis 2005, abstract).
    assert (pregnant["activity"] == "active").all()
    assert pregnant["event_date"].dt.month.isin([5, 6, 7, 8]).all()
    spring = weighed[weighed["event_date"] == ROUNDS[0]]
    assert (spring["activity"] == "torpid").mean() > 0.5
