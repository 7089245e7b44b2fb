"""Forsythe et al. 1995, Ecological Modelling 80:87-95: day length by the CBM model, p = 0.8333.

Hours computed independently from eq. 1–3; beside them astronomical day length of 2023 from two
ephemeris libraries that agree with each other (skyfield, ephem).
"""

import pytest

from riskcast.base.daylight import day_length

LATITUDE = 51.75
DAYS = {
    15: (8.2738, 8.3088),
    46: (9.9304, 9.9814),
    79: (12.0987, 12.1508),
    105: (13.8171, 13.8673),
    172: (16.6870, 16.6867),
    266: (12.2225, 12.1619),
    288: (10.7782, 10.7217),
    319: (8.9045, 8.8630),
    355: (7.7828, 7.7860),
}


@pytest.mark.parametrize(("day", "hours"), [(d, cbm) for d, (cbm, _) in DAYS.items()])
def test_cbm(day, hours):
    assert day_length(LATITUDE, day) == pytest.approx(hours, abs=1e-4)


@pytest.mark.parametrize(("day", "hours"), [(d, sky) for d, (_, sky) in DAYS.items()])
def test_within_six_minutes_of_the_sky(day, hours):
    assert day_length(LATITUDE, day) == pytest.approx(hours, abs=0.1)


@pytest.mark.parametrize(("latitude", "day", "hours"), [(45.0, 1, 8.82600), (-25.0, 283, 12.51875)])
def test_elsewhere(latitude, day, hours):
    assert day_length(latitude, day) == pytest.approx(hours, abs=1e-5)


def test_polar_day_and_night():
    assert day_length([70.0, 70.0, 90.0, 90.0], [172, 355, 172, 355]) == pytest.approx(
        [24.0, 0.0, 24.0, 0.0]
    )


def test_latitude_out_of_range():
    with pytest.raises(ValueError, match="-90 to 90"):
        day_length(95.0, 1)
