"""Concern, limited by what can still be done, and held near an edge."""

from __future__ import annotations

import datetime as dt

import pytest

from riskcast.advice import PreviousLevel
from riskcast.advice.levels import (
    Option,
    concern_within_margin,
    hold,
    in_ground_nests,
    limited_level,
)

TODAY = dt.date(2025, 10, 27)
SOON, LATER = dt.date(2025, 11, 3), dt.date(2025, 11, 4)
MOVE_SOON = Option("move_visit_forward", decide_by=SOON)
MOVE_LATER = Option("move_visit_forward", decide_by=LATER)
SCALES = Option("keep_visit_bring_scales")


@pytest.mark.parametrize(
    ("concern", "option", "ground_nests", "level"),
    [
        ("low", None, False, "steady"),
        ("moderate", None, False, "watch"),
        ("high", None, False, "watch"),
        (None, None, False, "watch"),
        ("moderate", SCALES, False, "watch"),
        ("high", SCALES, False, "plan"),
        ("moderate", MOVE_LATER, False, "plan"),
        ("moderate", MOVE_SOON, False, "act"),
        ("high", MOVE_SOON, False, "act"),
        ("high", MOVE_LATER, False, "plan"),
        ("high", MOVE_SOON, True, "plan"),
        ("high", None, True, "watch"),
        ("low", SCALES, True, "steady"),
    ],
)
def test_level_of_one_risk(concern, option, ground_nests, level, sp):
    assert sp.levels.act_within_days == 7  # SOON is the seventh day, LATER the eighth
    found = limited_level(concern, option, issued_on=TODAY, ground_nests=ground_nests, sp=sp)
    assert found == level


def previous(level, raw=None):
    return PreviousLevel(level=level, raw_level=raw or level)


@pytest.mark.parametrize(
    ("lowered", "raw", "raised", "told", "level"),
    [
        # nothing was told: the numbers decide
        ("steady", "watch", "plan", None, "watch"),
        # just past an edge, up and down: the last word stands
        ("steady", "watch", "watch", previous("steady"), "steady"),
        ("watch", "watch", "plan", previous("plan"), "plan"),
        # past it by the margin
        ("watch", "watch", "plan", previous("steady"), "watch"),
        ("steady", "steady", "watch", previous("plan"), "watch"),
        ("steady", "steady", "steady", previous("plan"), "steady"),
        # one edge clearly, the next one not
        ("watch", "plan", "plan", previous("steady"), "watch"),
        # two runs running
        ("steady", "watch", "watch", previous("steady", "watch"), "watch"),
        ("watch", "watch", "plan", previous("plan", "watch"), "watch"),
        ("steady", "plan", "plan", previous("steady", "watch"), "watch"),
        # the last run pointed the other way: that is not two running
        ("steady", "watch", "watch", previous("steady", "steady"), "steady"),
        # days to act in are not spent waiting for a second run
        ("steady", "act", "act", previous("steady"), "act"),
        # and act ends when the option is gone
        ("watch", "watch", "watch", previous("act"), "watch"),
    ],
)
def test_hold(lowered, raw, raised, told, level):
    found, because = hold(lowered, raw, raised, told)
    assert found == level
    assert (because is None) == (found == raw)


def test_margin_moves_share_and_days(make, sp):
    # Concern of winter_arousal: likelihood 0.5 and 3.9 days are moderate by the table;
    # 2 days and 5 points more are high only if the consequence passes 4 days.
    risk = make.risk(
        "winter_arousal",
        "moderate",
        likelihood=0.63,
        consequence=make.quantity(3.9, "day of reserve"),
    )
    whole = make.assessment(TODAY, risks=(risk,))
    assert concern_within_margin(risk, whole, sp, direction=0) == "moderate"
    assert concern_within_margin(risk, whole, sp, direction=1) == "high"
    far = risk.model_copy(update={"likelihood": 0.2, "consequence": make.quantity(1.0)})
    assert concern_within_margin(far, whole, sp, direction=-1) == "low"


def test_margin_of_a_number_of_animals_is_points_for_each_ranked(make, sp):
    # Edge at 0.5 animals: 0.35 is within 5 points × 20 animals of it, not × 2.
    ranked = {"animals_ranked": make.quantity(20, "animals")}
    near = make.autumn_risk(
        "low", likelihood=0.5, consequence=make.quantity(0.35, "animals"), quantities=ranked
    )
    whole = make.assessment(TODAY, risks=(near,))
    assert concern_within_margin(near, whole, sp, direction=1) == "moderate"
    few = near.model_copy(update={"quantities": {"animals_ranked": make.quantity(2, "animals")}})
    assert concern_within_margin(few, whole, sp, direction=1) == "low"


def test_without_numbers_there_is_no_margin(make, sp):
    risk = make.risk("winter_reserve", "moderate", consequence=make.quantity(None))
    whole = make.assessment(TODAY, risks=(risk,))
    assert concern_within_margin(risk, whole, sp, direction=1) == "moderate"


def test_ground_nests_from_median_onset_to_emergence(autumn, winter, spring):
    assert not in_ground_nests(autumn)
    assert in_ground_nests(winter)
    assert in_ground_nests(spring)  # 30 March, before emergence on 5 April
    late = spring.model_copy(update={"issued_on": dt.date(2026, 4, 6)})
    assert not in_ground_nests(late)
    after_onset = autumn.model_copy(update={"issued_on": dt.date(2025, 11, 15)})
    assert in_ground_nests(after_onset)
