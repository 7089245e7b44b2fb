"""No jump where a forecast goes over into a past winter: ten years of real hours, file A06.

Weather: Open-Meteo archive (reanalysis), CC BY 4.0, "Weather data by Open-Meteo.com", a coastal
lowland at 52° N, 2015 to 2024, in the folder that RISKCAST_REAL_DATA names (MANIFEST.md there).
The "forecast" of a date is the ten days that followed; it goes on with every other winter.
The measure is the series itself: its own changes from hour to hour.
"""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.weather.dataset import Course
from riskcast.weather.futures import join
from riskcast.weather.futures.dressing import dress, general_errors

pytestmark = pytest.mark.real_data

WINTERS = list(range(2015, 2024))
NAMES = ["air_temperature", "relative_humidity", "precipitation"]
BLENDED = NAMES[:2]
HOURS = 240


def settings(history):
    """Midnights every four weeks: axis, all other winters on it, the hours of ten days after."""
    for winter in WINTERS:
        first = np.datetime64(f"{winter}-09-01", "ns")
        for moment in first + np.arange(0, 252, 28) * np.timedelta64(24, "h"):
            axis = join.axis_of(moment)
            others = [year for year in WINTERS if year != winter]
            past = join.past_years(history, axis, others, NAMES)
            yield axis, past, axis.now + 1 + np.arange(HOURS)


def course(coming, values, members=1):
    none = np.zeros(HOURS, dtype=np.int8)
    return Course(int(coming[0]), np.arange(members), values, none, none.astype(bool))


def joined(history, dressed):
    """Futures of midnights every four weeks, with the forecast and the past they are made of."""
    out = []
    for axis, past, coming in settings(history):
        one = course(coming, {name: history.reach(name, coming)[None] for name in NAMES})
        head, year = join.so_far(history, one, axis, NAMES), None
        if dressed:
            errors = general_errors(1 + np.arange(HOURS))
            made = dress(one, past, history, coming=coming, errors=errors)
            one, year = made.course, made.year
        found = join.futures(head, one, past, axis, 0, year)
        out.append((found, one, past, len(axis.head) + HOURS))
    return out


def changes(history, name):
    return np.abs(np.diff(history.values[name][0]))


def at_seam(found, name, hours_before):
    """Absolute hourly changes from so many hours before the forecast's end to two beyond it."""
    return np.concatenate(
        [
            np.abs(np.diff(one.course.values[name][:, end - hours_before - 1 : end + 2])).ravel()
            for one, _, _, end in found
        ]
    )


@pytest.fixture(scope="module", params=[False, True], ids=["as it is", "dressed"])
def seams(request, history):
    return joined(history, request.param)


@pytest.mark.parametrize("name", BLENDED)
def test_changes_in_the_fade_are_within_the_series_own(seams, history, name):
    """Figures as found for the temperature, °C an hour: own 90 % 1.0, 99.5 % 2.4, 99.9 % 3.2,
    largest 6.3; in the fade 1.0, 2.3, 2.9, 3.8, dressed 1.02, 2.4, 3.2, 4.5. The series has one
    decimal, its quantiles too: a twentieth more is none.
    """
    own, theirs = changes(history, name), at_seam(seams, name, join.FADE_HOURS)
    for share in (0.9, 0.99, 0.995, 0.999):
        assert np.quantile(theirs, share) <= 1.05 * np.quantile(own, share), share
    assert theirs.max() <= own.max()


def test_without_a_fade_the_seam_would_jump(history, monkeypatch):
    """The measure can fail: joined at once, one change in four or more is a rare one."""
    monkeypatch.setattr(join, "FADE_HOURS", 0)
    own, theirs = changes(history, NAMES[0]), at_seam(joined(history, False), NAMES[0], 0)
    rare = theirs > np.quantile(own, 0.995)
    assert rare.mean() > 0.1
    assert theirs.max() > own.max()


def test_the_fade_keeps_the_spread(history):
    """Members that are other winters of their own: no surer in the fade than before and after.

    Spread of the air temperature in the middle day of the fade, over that of the winters: 0.90.
    An average of the two alone has 0.69 there: half of the variance is gone.
    """
    faded, wanted = [], []
    for axis, past, coming in settings(history):
        turned = np.roll(np.arange(len(past.member)), 3)
        values = {n: past.values[n][turned][:, coming - past.start] for n in NAMES}
        ensemble = course(coming, values, len(turned))
        head = join.so_far(history, ensemble, axis, NAMES)
        end = len(axis.head) + HOURS
        middle = slice(end - 36, end - 12)
        made = join.futures(head, ensemble, past, axis, 0).course.values[NAMES[0]][:, middle]
        faded.append(made.var(axis=0, ddof=1))
        wanted.append(past.values[NAMES[0]][:, middle].var(axis=0, ddof=1))
    assert 0.85 < np.sqrt(np.mean(faded) / np.mean(wanted)) < 1.1


def test_rain_in_the_fade_is_that_of_one_source(seams):
    for found, forecast, past, end in seams[::7]:
        window = slice(end - join.FADE_HOURS, end)
        rain = found.course.values["precipitation"][:, window]
        years = np.searchsorted(past.member, found.past_year)
        theirs = past.values["precipitation"][years][:, window]
        members = np.searchsorted(forecast.member, found.forecast_member)
        own = forecast.values["precipitation"][members][:, -join.FADE_HOURS :]
        assert (rain >= 0.0).all()
        assert ((rain == own) | (rain == theirs)).all()
