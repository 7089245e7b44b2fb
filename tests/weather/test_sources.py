from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.access import Access
from riskcast.weather.sources import gather

ISSUED = np.datetime64("2025-10-25T22:59:59", "ns")


@pytest.fixture
def access(tmp_path):
    return Access(cache=tmp_path / "cache", offline=True)


def test_files_are_read_as_named(config, place, access):
    found = gather(config(), place, issued_at=ISSUED, access=access, years=6)
    assert found.forecast.reference_time == np.datetime64("2025-10-25T06")
    assert found.history.times[-1] == np.datetime64("2025-10-25T08")
    assert found.notes == ()
    forecast, history = found.reports
    assert (forecast.role, forecast.source, forecast.used) == ("forecast", "forecast.nc", True)
    assert (forecast.first, forecast.hours) == (np.datetime64("2025-10-25T00"), 11 * 24)
    assert (history.role, history.source, history.reached) == ("history", "history.nc", True)
    assert history.last == np.datetime64("2025-10-25T08")
    assert history.cell_distance_km == 0.0


def test_a_history_of_several_members_is_no_history(config, place, access, three_members):
    with pytest.raises(WeatherError, match="3 members"):
        gather(config(history=three_members), place, issued_at=ISSUED, access=access, years=6)
