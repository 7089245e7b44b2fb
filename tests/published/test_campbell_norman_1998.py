"""Campbell & Norman 1998, An Introduction to Environmental Biophysics: waves of soil temperature.

Damping depth, amplitude and lag from the closed form of eq. 2.4, computed independently to the
digits given. For κ = 5e-7 m2 s-1 text books print 11.7 cm for the day, 19.1 times as much for the
year, and 7 °C at the surface leaving 3 °C at 10 cm.
"""

import numpy as np
import pytest

from riskcast.habitat import Column, conduct, damping_depth, temperature_wave

DAY, YEAR = 86400.0, 365 * 86400.0


def test_damping_depth_as_printed():
    day, year = damping_depth(5e-7, DAY), damping_depth(5e-7, YEAR)
    assert round(float(day) * 100, 1) == 11.7
    assert round(float(year / day), 1) == 19.1
    assert day == pytest.approx(0.11726, abs=1e-5)
    assert year == pytest.approx(2.24034, abs=1e-5)


def test_seven_degrees_at_the_surface_leave_three_at_ten_centimetres():
    times = np.arange(0.0, DAY, 60.0)
    at_10_cm = temperature_wave(0.1, times, mean=0.0, amplitude=7.0, diffusivity=5e-7, period_s=DAY)
    assert at_10_cm.max() == pytest.approx(2.98362, abs=1e-4)
    lag_h = (times[at_10_cm.argmax()] - DAY / 4) / 3600
    assert lag_h == pytest.approx(3.2574, abs=1 / 60)


@pytest.mark.parametrize(
    ("diffusivity", "depth", "at_5_cm", "at_10_cm", "lag_5_cm_h"),
    [
        (1.0e-7, 0.05244, 0.38542, 0.14855, 3.6418),
        (1.6e-7, 0.06633, 0.47060, 0.22146, 2.8791),
    ],
)
def test_litter_damps_and_delays_the_day(diffusivity, depth, at_5_cm, at_10_cm, lag_5_cm_h):
    d = damping_depth(diffusivity, DAY)
    assert d == pytest.approx(depth, abs=1e-5)
    quarter = DAY / 4
    lag_s = 0.05 / d * DAY / (2 * np.pi)
    assert lag_s / 3600 == pytest.approx(lag_5_cm_h, abs=1e-4)
    wave = {"mean": 0.0, "amplitude": 1.0, "diffusivity": diffusivity, "period_s": DAY}
    assert temperature_wave(0.05, quarter + lag_s, **wave) == pytest.approx(at_5_cm, abs=1e-4)
    assert temperature_wave(0.10, quarter + 2 * lag_s, **wave) == pytest.approx(at_10_cm, abs=1e-4)


def test_litter_hardly_damps_the_year():
    d = damping_depth(1.6e-7, YEAR)
    peak = YEAR / 4 + 0.1 / d * YEAR / (2 * np.pi)
    wave = {"mean": 0.0, "amplitude": 1.0, "diffusivity": 1.6e-7, "period_s": YEAR}
    assert temperature_wave(0.1, peak, **wave) == pytest.approx(0.92413, abs=1e-4)
    assert (peak - YEAR / 4) / DAY == pytest.approx(4.58, abs=0.005)


def column_error(implicitness):
    """Largest error at 10 cm over ten settled days, hourly steps, 1 cm nodes, κ = 5e-7."""
    depth = np.arange(0.0, 1.0001, 0.01)
    column = Column(depth, np.full(100, 1.0), np.full(100, 2e6))
    times = np.arange(40 * 24 + 1) * 3600.0
    wave = {"mean": 0.0, "amplitude": 7.0, "diffusivity": 5e-7, "period_s": DAY}
    none = np.zeros((times.size, 1))
    kept, _ = conduct(
        column,
        temperature_wave(0.0, times, **wave)[:, np.newaxis],
        none,
        none,
        temperature_wave(depth, 0.0, **wave)[:, np.newaxis],
        output=column.node(0.1),
        implicitness=implicitness,
    )
    settled = slice(-240, None)
    return np.abs(kept[:, 0] - temperature_wave(0.1, times, **wave))[settled].max()


def test_the_column_follows_the_daily_wave():
    assert column_error(0.5) <= 0.0115


def test_the_tolerance_would_catch_backward_euler():
    assert column_error(0.5) < 0.05 < column_error(1.0)
    assert column_error(1.0) == pytest.approx(0.231, abs=0.005)
