"""Soil, litter and snow as other models have it: values each form has to give.

Computed independently from the closed forms, exact to the digits given, unless a test says
otherwise. The forms are own ports (tests/support/rival_soil.py, their papers beside them) and no
part of riskcast: these tests guard what the benchmarks compare with. Where a constant was inferred
from such a value itself (Rankinen's soil and snow, Lindström's snow), its test guards the port and
is no evidence for the constant.
"""

import numpy as np
import pytest
import rival_soil as rival

from riskcast.habitat import litter_conductivity


def test_jordan_1991_snow():
    """Constants from memory: λ of 100, 200 and 300 kg m-3."""
    found = rival.jordan_conductivity([100.0, 200.0, 300.0])
    assert found == pytest.approx([0.06562, 0.15834, 0.30116], abs=1e-5)


def test_our_one_conductivity_of_snow_lies_between_fresh_and_old(hazel_dormouse):
    fresh, old = rival.jordan_conductivity([100.0, 300.0])
    assert fresh < hazel_dormouse.nest.snow_conductivity < old


def test_lpjml_litter():
    """Constants as LPJmL's code has them, after Lawrence & Slater 2008's organic soil."""
    found = rival.lpj_litter_conductivity([0.25, 0.5, 1.0])
    # 0.25 gives 0.250815: the printed 0.25081 is cut off there, hence a digit more.
    assert found == pytest.approx([0.25081, 0.40273, 0.55464], abs=1e-5)
    assert rival.lpj_litter_conductivity(0.5, frozen=True) == pytest.approx(1.07819, abs=1e-5)


def test_lpjml_litter_leaks_more_than_ours_where_it_is_damp(hazel_dormouse):
    """θ 0.1 of a porosity of 0.952 is nearly dry in both; at θ 0.24 theirs conducts 1.7 times."""
    water = np.array([0.05, 0.0952, 0.24])
    ours = litter_conductivity(water, hazel_dormouse)
    ratio = rival.lpj_litter_conductivity(water / 0.952) / ours
    assert ratio == pytest.approx([0.91, 0.65, 1.68], abs=0.01)


@pytest.mark.parametrize(
    ("air", "water_cm", "surface"),
    [(-10.0, 1.0, -4.55), (0.0, 1.0, -2.0), (-10.0, 6.7, -2.0), (-5.0, 2.0, -3.05)],
)
def test_parton_1998_under_snow(air, water_cm, surface):
    """−4.55 and −2.0 at (0, 1) stand in SOILWAT2's unit test; the others are computed."""
    assert rival.parton_under_snow(air, water_cm) == pytest.approx(surface, abs=1e-12)


def test_rankinen_2004_unfrozen_frozen_and_under_snow():
    assert rival.rankinen(0.2, 8.0, 2.0) == pytest.approx(5.93818, abs=1e-5)
    frozen = rival.rankinen(0.2, -2.0, -8.0)
    assert frozen == pytest.approx(-2.29455, abs=1e-5)
    assert rival.rankinen_under_snow(frozen, 0.2) == pytest.approx(-1.53808, abs=1e-5)


def test_rankinen_2004_is_no_model_of_a_nest():
    """The trap: at 10 cm a day's step passes the air it goes to; it holds from 11.7 cm down."""
    assert rival.rankinen_gain(0.10) == pytest.approx(1.3745, abs=1e-4)
    assert rival.rankinen(0.10, 8.0, 2.0) == pytest.approx(-0.247, abs=5e-4)
    assert rival.rankinen_least_depth() == pytest.approx(0.117, abs=5e-4)
    assert rival.rankinen_gain(rival.rankinen_least_depth()) == pytest.approx(1.0)
    assert rival.rankinen_exact(0.10, 8.0, 2.0) == pytest.approx(3.51773, abs=1e-5)


@pytest.mark.parametrize(
    ("air", "surface", "soil"), [(10.0, 11.16006, 6.35794), (-10.0, -2.0, 3.45690)]
)
def test_katterer_andren_2009(air, surface, soil):
    assert rival.katterer_andren_surface(air, 0.0) == pytest.approx(surface, abs=1e-5)
    found = rival.katterer_andren(5.0, air, leaf_area=0.0, depth_cm=5.0)
    assert found == pytest.approx(soil, abs=1e-5)


@pytest.mark.parametrize(("snow", "soil"), [(0.0, 7.40), (20.0, 7.05714)])
def test_lindstrom_2002(snow, soil):
    assert rival.lindstrom(6.0, 12.0, 10.0, snow=snow) == pytest.approx(soil, abs=1e-5)


def test_force_restore_by_the_hour():
    """A day at 15 °C from 5 °C: 24 implicit steps stay 0.075 K behind the exact exponential."""
    found = rival.force_restore(5.0, np.full(24, 15.0))[-1]
    assert found == pytest.approx(11.24587, abs=1e-5)
    fine = rival.force_restore(5.0, np.full(24 * 500, 15.0), hours=24 * 500)[-1]
    assert fine == pytest.approx(15 - 10 * np.exp(-1), abs=2e-4)
