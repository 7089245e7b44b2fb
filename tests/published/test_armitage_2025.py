"""Armitage et al. 2025, Oecologia, doi 10.1007/s00442-025-05730-3 (abstract; 53,953 observations of
adult dormice in nest boxes, 25 years): animals were more often torpid on colder days; lighter ones
were more often torpid from April to August, heavier ones in September and October.

Signs only: the abstract prints no sizes. Rain, which it names too, is not in our share.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.physiology import torpid_share

MASSES_G = np.arange(12.0, 34.0, 2.0)
BOXES = np.array([4.0, 8.0, 11.0, 14.0, 18.0])[:, np.newaxis]


def days(first: str, last: str):
    dates = np.arange(np.datetime64(first), np.datetime64(last) + 1)
    return (dates - dates.astype("datetime64[Y]")).astype(int) + 1


@pytest.fixture(params=["hazel_dormouse", "garden_dormouse"])
def sp(request):
    return request.getfixturevalue(request.param)


def slopes(sp, first, last):
    """Change of the share from mass to mass, (day, box, mass)."""
    on = days(first, last)[:, np.newaxis, np.newaxis]
    return np.diff(torpid_share(BOXES, MASSES_G, on, sp), axis=-1)


def test_lighter_animals_from_april_to_august(sp):
    assert (slopes(sp, "2025-04-01", "2025-08-31") < 0).all()


def test_heavier_animals_in_september_and_october(sp):
    assert (slopes(sp, "2025-09-02", "2025-10-31") > 0).all()


def test_colder_days_find_more_of_them_torpid(sp):
    on = days("2025-04-01", "2025-11-30")[:, np.newaxis, np.newaxis]
    assert (np.diff(torpid_share(BOXES, MASSES_G, on, sp), axis=1) < 0).all()


def test_in_nearly_every_draw(hazel_dormouse):
    """The slopes are held on their side of nought: a draw may tie, never turn round."""
    drawn = hazel_dormouse.draw(512, 0).columns()
    for day, sign in ((105, -1), (180, -1), (237, -1), (260, 1), (290, 1)):
        change = sign * np.diff(torpid_share(12.0, MASSES_G, day, drawn), axis=-1)
        assert (change >= 0).all()
        assert (change > 0).mean() > 0.95
