"""Share of animals torpid in the box: smooth in the date, bounded, vectorised."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import season_turn, torpid_share

DAYS = np.arange(1.0, 366.0, 0.25)


def test_the_turn_crosses_nought_on_its_dates(hazel_dormouse):
    turn = season_turn([244, 46], hazel_dormouse)  # 1 September, 15 February
    np.testing.assert_allclose(turn, 0.0, atol=1e-12)
    spring, autumn = season_turn([120, 300], hazel_dormouse)
    assert spring < -0.99
    assert autumn > 0.99
    assert (season_turn(np.arange(60, 244), hazel_dormouse) < 0).all()


def test_the_turn_takes_the_days_of_the_file(hazel_dormouse):
    """A smooth step of scale w: (1 + turn)/2 has the slope 1/(4 w) at its middle."""
    before, after = season_turn([243.5, 244.5], hazel_dormouse)
    width = hazel_dormouse.daytime.turn_width
    assert (after - before) / 2 == pytest.approx(1 / (4 * width), rel=0.01)


@pytest.mark.parametrize("mass_g", [14.0, 28.0])
def test_no_jump_in_the_whole_year(hazel_dormouse, mass_g):
    """From quarter day to quarter day, over both turns and over New Year."""
    share = torpid_share(11.0, mass_g, np.append(DAYS, 366.25), hazel_dormouse)
    assert np.abs(np.diff(share)).max() < 0.03
    assert share.max() - share.min() > 0.2
    assert torpid_share(11.0, mass_g, 366.25, hazel_dormouse) == pytest.approx(
        float(torpid_share(11.0, mass_g, 1.0, hazel_dormouse)), abs=1e-9
    )


def test_mass_does_not_matter_on_the_day_of_the_turn(hazel_dormouse):
    share = torpid_share(11.0, [12.0, 20.0, 32.0], 244, hazel_dormouse)
    np.testing.assert_allclose(share, share[0])


def test_by_hand(hazel_dormouse):
    """Deep in spring: 0.93 / (1 + exp(-(1.5·(14 - 12) - 0.1·(16 - 19.9) + 0.63)))."""
    logit = 1.5 * 2.0 + 0.39 + 0.63
    share = torpid_share(12.0, 16.0, 150, hazel_dormouse, sex="male")
    assert share == pytest.approx(0.93 / (1 + np.exp(-logit)), abs=1e-3)


def test_unknown_sex_lies_between_and_sex_is_forgotten_in_autumn(hazel_dormouse):
    sexes = ["female", "unknown", "male"]
    spring = torpid_share(13.0, 20.0, 130, hazel_dormouse, sex=sexes)
    assert (np.diff(spring) > 0.05).all()
    autumn = torpid_share(9.0, 20.0, 300, hazel_dormouse, sex=sexes)
    np.testing.assert_allclose(autumn, autumn[0], atol=2e-3)


def test_it_broadcasts_and_stays_a_share(hazel_dormouse):
    drawn = hazel_dormouse.draw(16, 0).columns()
    share = torpid_share(np.linspace(-20, 40, 7), 20.0, 105, drawn)
    assert share.shape == (16, 7)
    assert ((share >= 0) & (share <= drawn.daytime.most)).all()
    assert np.isnan(torpid_share(np.nan, 20.0, 105, hazel_dormouse))
