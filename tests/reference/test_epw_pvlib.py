"""The same EPW file read by pvlib (BSD-3), an independent implementation of the layout."""

from __future__ import annotations

import epw_file
import numpy as np
import pytest

from riskcast.site import Place
from riskcast.weather.formats import epw

iotools = pytest.importorskip("pvlib.iotools", reason="the extra [reference] is not installed")


def test_values_and_hours(tmp_path):
    """pvlib stamps the beginning of the hour, riskcast its end; pvlib keeps the numbers that
    stand for missing, riskcast does not."""
    rng = np.random.default_rng(1)
    air = np.round(rng.normal(4.0, 6.0, 72), 1)
    rain = np.round(rng.gamma(0.2, 1.0, 72), 1)
    wet = rng.integers(40, 100, 72)
    air[10], wet[20] = 99.9, 999

    def values(k):
        return {
            "air_temperature": air[k],
            "dew_point": 1.0,
            "relative_humidity": wet[k],
            "wind_speed": round(k / 10, 1),
            "snow_depth_cm": k % 7,
            "precipitation": rain[k],
            "collected_h": 1,
        }

    path = tmp_path / "wood.epw"
    path.write_text(
        epw_file.head(offset=2.0, latitude=60.1, longitude=24.5)
        + epw_file.days("2020-02-28", 3, values)
    )
    theirs, about = iotools.read_epw(path)
    place = Place(
        id="wood",
        name="Wood",
        latitude=60.1,
        longitude=24.5,
        elevation_m=120,
        timezone="UTC",
    )
    table = epw.decode(path.read_bytes(), "wood.epw", place, None)
    begin = theirs.index.tz_convert("UTC").tz_localize(None)
    ours = table.time - np.timedelta64(1, "h")
    np.testing.assert_array_equal(ours, begin.to_numpy().astype("datetime64[ns]"))
    assert table.cell == (about["latitude"], about["longitude"])
    assert table.elevation_m == about["altitude"]
    for name, theirs_name, missing, factor in (
        ("air_temperature", "temp_air", 99.9, 1.0),
        ("relative_humidity", "relative_humidity", 999, 1.0),
        ("wind_speed", "wind_speed", 999, 1.0),
        ("snow_depth", "snow_depth", 999, 0.01),
        ("precipitation", "liquid_precipitation_depth", 999, 1.0),
    ):
        known = theirs[theirs_name].where(theirs[theirs_name] < missing) * factor
        np.testing.assert_allclose(table.values[name][0], known.to_numpy(dtype=float))
    assert np.isnan(table.values["air_temperature"][0, 10])
