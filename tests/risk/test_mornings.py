"""Which share of the animals still about is torpid in its box, morning by morning."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from riskcast.physiology import torpid_share
from riskcast.risk.assessment import Calendar
from riskcast.risk.mornings import box_mornings, torpid_in_box
from riskcast.risk.outlook import outlook

ISSUED = "2025-11-10"


def calendar_of(first: str, number: int) -> Calendar:
    start = dt.date.fromisoformat(first)
    days = tuple(start + dt.timedelta(days=i) for i in range(number))
    even = (0.0,) * number
    return Calendar(days=days, unfit_weather=even, warmest=even, coldest=even)


def with_onset(
    autumn: xr.Dataset, day: str, share: float = 1.0, mass_g: float = 16.0
) -> xr.Dataset:
    """Onset on a day in a share of the futures, in the rest at the beginning."""
    onset = autumn["onset"].values.copy()
    onset[..., : round(share * onset.shape[-1])] = np.datetime64(day, "ns")
    return autumn.assign(
        onset=(autumn["onset"].dims, onset),
        body_mass_g=(autumn["onset"].dims, np.full(onset.shape, mass_g)),
    )


@pytest.fixture
def seen(make_evidence, hazel_dormouse):
    def look(first: str = ISSUED, number: int = 3, day: str = "2025-11-30", **more):
        evidence = make_evidence(issued_on=ISSUED)
        changes = {key: more.pop(key) for key in list(more) if key in ("futures", "animals")}
        evidence = replace(evidence, autumn=with_onset(evidence.autumn, day, **more), **changes)
        days = calendar_of(first, number)
        animals = [
            outlook(row, evidence, days, hazel_dormouse, False)
            for _, row in evidence.animals.iterrows()
        ]
        return torpid_in_box(animals, evidence, days, hazel_dormouse), animals, evidence, days

    return look


def test_one_animal_by_hand(seen, hazel_dormouse):
    shares, animals, _, _ = seen(mass_g=14.0)
    # 6 °C of air all day; the animal keeps its 14 g; 10 to 12 November are days 314 to 316.
    by_hand = torpid_share(
        6.0 + hazel_dormouse.nest.box_excess,
        animals[0].body_mass_g,
        [314, 315, 316],
        hazel_dormouse,
    )
    np.testing.assert_allclose(shares, by_hand, atol=5e-4)
    assert 0.05 < shares[0] < 0.95


def test_it_grows_on_a_straight_line_from_the_weighing_to_the_onset(seen, hazel_dormouse):
    shares, animals, _, _ = seen(mass_g=20.0)
    # Weighed on 18 October at 14 g, 20 g on 30 November: 23 of 43 days are gone by 10 November.
    mass = 14.0 + 6.0 * 23 / 43
    by_hand = torpid_share(6.0 + hazel_dormouse.nest.box_excess, mass, 314, hazel_dormouse)
    assert shares[0] == pytest.approx(float(by_hand), abs=5e-4)
    assert animals[0].onset.value == dt.date(2025, 11, 30)


def test_only_the_morning_counts_and_every_member(seen, make_evidence, hazel_dormouse):
    futures = make_evidence(issued_on=ISSUED).futures
    hour = futures.time.dt.hour.values  # Greenwich: local time in November
    air = np.where((hour >= hazel_dormouse.risk.visit_first_hour) & (hour < 12), 2.0, 25.0)
    air = air + np.array([0.0, 6.0, 12.0])[:, np.newaxis]
    futures = futures.assign(air_temperature=(("member", "time"), air))
    shares, animals, evidence, days = seen(mass_g=14.0, futures=futures)
    boxes = box_mornings(evidence.futures, days, evidence.timezone, hazel_dormouse)
    expected = np.array([2.0, 8.0, 14.0])[:, np.newaxis] + hazel_dormouse.nest.box_excess
    np.testing.assert_allclose(boxes, np.broadcast_to(expected, (3, 3)))
    each = torpid_share(expected, animals[0].body_mass_g, [314, 315, 316], hazel_dormouse)
    np.testing.assert_allclose(shares, each.mean(axis=0), atol=5e-4)
    assert each.max() - each.min() > 0.5


def test_hardly_anyone_about_is_no_number(seen):
    few, _, _, _ = seen(share=0.05)
    some, _, _, _ = seen(share=0.25)
    assert few == (None, None, None)
    assert None not in some


def test_gone_from_the_day_of_its_onset_on(seen):
    shares, _, _, _ = seen(number=5, day="2025-11-13")
    assert [share is None for share in shares] == [False, False, False, True, True]


def test_in_spring_those_that_came_out_count(seen, hazel_dormouse):
    """Emergence on 10 April: no one before, then all, at the reference mass."""
    shares, _, _, _ = seen(first="2026-04-08", number=4)
    assert shares[:2] == (None, None)
    spring = torpid_share(
        6.0 + hazel_dormouse.nest.box_excess,
        hazel_dormouse.daytime.reference_mass,
        100,
        hazel_dormouse,
    )
    assert shares[2] == pytest.approx(float(spring), abs=5e-4)


def test_without_animals_the_reference_animal_stands_for_all(make_evidence, hazel_dormouse):
    evidence = make_evidence(issued_on=ISSUED)
    onset = np.datetime64("2025-11-12", "ns")
    evidence = replace(evidence, reference_onset=onset)
    shares = torpid_in_box([], evidence, calendar_of(ISSUED, 3), hazel_dormouse)
    by_hand = torpid_share(
        6.0 + hazel_dormouse.nest.box_excess,
        hazel_dormouse.risk.reference_mass,
        [314, 315],
        hazel_dormouse,
    )
    np.testing.assert_allclose(shares[:2], by_hand, atol=5e-4)
    assert shares[2] is None


def test_a_morning_without_weather_says_nothing(make_evidence, hazel_dormouse):
    evidence = make_evidence(issued_on=ISSUED)
    assert torpid_in_box([], evidence, calendar_of("2026-05-30", 5), hazel_dormouse) == ()


def test_young_of_a_litter_are_not_counted(seen, hazel_dormouse):
    shares, animals, evidence, days = seen(mass_g=14.0)
    young = animals[0].model_copy(update={"key": "b", "body_mass_g": 6.0, "litter": True})
    assert torpid_in_box([*animals, young], evidence, days, hazel_dormouse) == shares
    single = young.model_copy(update={"litter": False})
    assert torpid_in_box([*animals, single], evidence, days, hazel_dormouse) != shares
