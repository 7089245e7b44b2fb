"""Which animal `riskcast explain` is asked about."""

from __future__ import annotations

import datetime as dt

import pytest

from riskcast.base.errors import UsageError
from riskcast.report import find_animal
from riskcast.risk import AnimalOutlook, Assessment, Quantity


def animal(key: str, box: str, spare: float, *, mark: str = "", litter: bool = False):
    days = {feeding: Quantity(value=spare, unit="day") for feeding in ("none", "found")}
    label = f"animal {mark}, box {box}" if mark else f"box {box}, {key}"
    return AnimalOutlook.model_construct(
        key=key, label=f"{label}, weighed 18 October", box=box, organism_id=mark, litter=litter,
        body_mass_g=10.0, event_date=dt.date(2025, 10, 18), ranked=True, days_to_spare=days,
        days_in_hand={feeding: Quantity(value=50.0, unit="day") for feeding in days},
    )  # fmt: skip


ASSESSMENT = Assessment.model_construct(
    animals=(
        animal("1st of 2", "7", -90.0, litter=True),
        animal("2nd of 2", "7", -80.0, litter=True),
        animal("A7", "14", -100.0, mark="A7"),
        animal("single", "41", 20.0),
    ),
    reference_animal=animal("reference", "", 0.0),
)


@pytest.mark.parametrize(
    ("wanted", "key"),
    [
        (None, "A7"),
        ("A7", "A7"),
        ("box 14", "A7"),
        ("BOX 41", "single"),
        ("box 41, single, weighed 18 October", "single"),
        ("box 7, litter of 2, 8.5 to 10 g, weighed 18 October", "1st of 2"),
        ("2nd of 2", "2nd of 2"),
        ("reference", "reference"),
    ],
)
def test_labels_marks_boxes_and_litters(wanted, key):
    found = find_animal(ASSESSMENT, wanted)
    assert found.key == key


def test_no_match_lists_what_there_is():
    with pytest.raises(UsageError, match="no animal matches") as caught:
        find_animal(ASSESSMENT, "box 99")
    assert "animal A7, box 14" in str(caught.value)


def test_several_matches_are_listed():
    with pytest.raises(UsageError, match="animals match"):
        find_animal(ASSESSMENT, "weighed 18 October")
