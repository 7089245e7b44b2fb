"""Ten years of real hours, read once for all who measure futures against them."""

from __future__ import annotations

from pathlib import Path

import pytest

from riskcast.site import Place
from riskcast.weather.dataset import Course
from riskcast.weather.files import load

FILE = "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"


@pytest.fixture(scope="session")
def history(real_data: Path) -> Course:
    """File A06: a coastal lowland at 52° N, 2015 to 2024, at the height of its cell."""
    place = Place(
        id="coast-wood",
        name="Coast Wood (test)",
        latitude=52.13,
        longitude=4.31,
        elevation_m=7,
        timezone="UTC",
    )
    return load([real_data / "weather" / FILE], place, None)
