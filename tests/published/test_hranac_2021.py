"""Hranac et al. 2021: fat of a little brown bat going into hibernation, 0.597·M - 2.844 g.

Another order of mammals, so it holds our reserve to the right size and direction only.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import empty_mass

BATS_G = np.array([7.04, 9.14, 12.52])
FAT_G = np.array([1.36, 2.61, 4.63])


def share_of_fat_to_spend(mass_g, sp):
    mass = np.asarray(mass_g, dtype=float)
    return sp.reserve.fat_share_of_loss * (mass - empty_mass(mass, sp)) / mass


def test_the_line_as_printed():
    np.testing.assert_allclose(0.597 * BATS_G - 2.844, FAT_G, rtol=0.01)


def test_a_fat_animal_spends_no_more_than_a_fat_bat_carries(hazel_dormouse):
    """0.35 of the mass of an adult, 0.37 of the heaviest bat's."""
    adult = share_of_fat_to_spend(28.0, hazel_dormouse).item()
    assert adult == pytest.approx(FAT_G[-1] / BATS_G[-1], rel=0.15)


def test_the_share_rises_with_mass(hazel_dormouse):
    assert (np.diff(FAT_G / BATS_G) > 0).all()
    assert (np.diff(share_of_fat_to_spend([11.0, 12.0, 15.0, 17.0], hazel_dormouse)) > 0).all()
