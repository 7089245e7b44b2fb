"""What lies below the nest, and what is not known of it: nine years of hourly air at 52° N.

Data: Open-Meteo archive, CC BY 4.0, "Weather data by Open-Meteo.com", file A06 of the folder that
RISKCAST_REAL_DATA names (air only: no soil was measured there). A provider's soil has no litter; a
column of bare mineral soil, 12 m deep, stands for it, and litter over the same 12 m for the truth.
So these figures tell the method's error, not that of the material's numbers.

The last test states how far the season's nest, and with it the days in hand of an animal of 18 g,
move with what is not known of a site's litter. These doubts are not drawn: against the spread
between draws (30 days) they are small, and the days against the normal winter hardly feel them.
"""

from __future__ import annotations

import gzip

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import species
from riskcast.habitat import (
    carried_on,
    conduct,
    litter_column,
    nest_temperature,
    steady_profile,
    surface_in_balance,
)
from riskcast.physiology import winter
from riskcast.site import Habitat

pytestmark = pytest.mark.real_data
SP = species.load("hazel_dormouse")
DEEP = SP.with_values(nest__column_depth=12.0)
LITTER = Habitat(nest_depth_cm=3, litter_depth_cm=6, canopy="open")
WINTERS = range(2015, 2024)
YEAR = 365 * 24
SETTLED = "2016-08-01"


@pytest.fixture(scope="module")
def air(real_data) -> pd.Series:
    path = real_data / "weather" / "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"
    with gzip.open(path, "rt", encoding="utf-8") as file:
        return pd.read_csv(file, skiprows=3, index_col=0, parse_dates=[0])["temperature_2m (°C)"]


@pytest.fixture(scope="module")
def weather(air) -> xr.Dataset:
    return xr.Dataset(
        {"air_temperature": (("member", "time"), air.to_numpy()[None], {"units": "degC"})},
        coords={"member": [0], "time": air.index.to_numpy()},
    )


@pytest.fixture(scope="module")
def bare_soil(air):
    """`bare_soil(depth_m)`: hourly temperature of soil without litter, after a year more."""

    def at(depth_m: float) -> pd.Series:
        column = litter_column(depth_m, 0.0, DEEP)
        above = np.concatenate([air.to_numpy()[:YEAR], air.to_numpy()])[:, None]
        resistance = np.full_like(above, 1.0 / SP.nest.transfer_coefficient)
        base = np.full_like(above, air.mean())
        steady = steady_profile(column, above[:240].mean(axis=0), resistance[0], base[0])
        begin = surface_in_balance(column, steady, above[0], resistance[0])
        kept, _ = conduct(column, above, resistance, base, begin, output=column.node(depth_m))
        return pd.Series(kept[YEAR:, 0], air.index)

    return at


@pytest.fixture(scope="module")
def two_metres_down(bare_soil) -> pd.Series:
    return bare_soil(1.775)


def missed(nest, truth) -> float:
    apart = (nest - truth).isel(member=0).sel(time=slice(SETTLED, None))
    return float(np.sqrt((apart**2).mean()))


def with_soil(weather, soil, depth_m):
    values = soil.to_numpy()[None, :, None]
    return weather.assign_coords(depth=("depth", [depth_m], {"units": "m"})).assign(
        soil_temperature=(("member", "time", "depth"), values, {"units": "degC"})
    )


def test_soil_without_litter_helps_from_a_metre_and_a_half_on(weather, air, bare_soil):
    """Nearer, it is worse than the mean of the year, hence ``nest.boundary_least_depth``."""
    mean = float(air.mean())
    truth = nest_temperature(weather, LITTER, DEEP, deep_temperature_degc=mean)
    yearly = missed(nest_temperature(weather, LITTER, SP, deep_temperature_degc=mean), truth)
    anywhere = SP.with_values(nest__boundary_least_depth=0.1)
    errors = {
        depth: missed(
            nest_temperature(with_soil(weather, bare_soil(depth), depth), LITTER, anywhere), truth
        )
        for depth in (0.64, SP.nest.boundary_least_depth, 1.775)
    }
    print(f"\nerror of the nest, K: mean of the year {yearly:.3f}, soil at {errors}")
    assert errors[0.64] > 2.0 * yearly
    assert errors[SP.nest.boundary_least_depth] == pytest.approx(yearly, rel=0.1)
    assert errors[1.775] < 0.9 * yearly


def test_a_departure_carried_on_beats_both_past_winters_and_standing_still(two_metres_down):
    soil = two_metres_down
    errors: dict[int, dict[str, list[float]]] = {}
    for days in (5, 15, 60):
        rows: dict[str, list[float]] = {"carried": [], "past": [], "held": []}
        for year in range(2016, 2023):
            for begin in ("10-01", "11-20", "02-01"):
                now = pd.Timestamp(f"{year}-{begin}")
                hours = pd.date_range(now, periods=days * 24 + 1, freq="h")
                came = soil[hours].to_numpy()
                for other in range(2016, 2023):
                    if other == year:
                        continue
                    then = pd.date_range(now.replace(year=other), periods=days * 24 + 1, freq="h")
                    lent = soil[then].to_numpy()
                    known = np.concatenate([came[:1], lent[1:]])[None]
                    joined = carried_on(known, hours.to_numpy(), hours.to_numpy()[0], 1.775, SP)
                    rows["carried"].append(joined[0, -1] - came[-1])
                    rows["past"].append(lent[-1] - came[-1])
                    rows["held"].append(came[0] - came[-1])
        errors[days] = {k: float(np.sqrt(np.mean(np.square(v)))) for k, v in rows.items()}
    print(f"\nerror of the soil at 1.8 m after so many days, K: {errors}")
    for days in (5, 15):
        assert errors[days]["carried"] < 0.6 * errors[days]["past"]
        assert errors[days]["carried"] < 0.75 * errors[days]["held"]
    assert errors[60]["carried"] < 1.1 * errors[60]["past"]


# What is not known of a nest: how far its mean moves (K, to mid March) and the days in hand of
# 18 g (median of paired draws, no food, in the nest from 20 November, season terms off).
DOUBTS = {
    "litter 5 cm": ({"litter_depth_cm": 5.0}, {}, 0.0, +0.06, -0.3),
    "litter 10 cm": ({"litter_depth_cm": 10.0}, {}, 0.0, -0.19, +1.2),
    "moisture 0.2": ({}, {"nest__litter_water_content": 0.2}, 0.0, -0.25, +2.4),
    "canopy": ({"canopy": "deciduous"}, {}, 0.0, +0.16, -1.7),
    "1 K deep down": ({}, {}, 1.0, +0.17, -1.9),
    "sandy soil": ({}, {"nest__soil_conductivity": 2.1}, 0.0, +0.31, -3.0),
}


def test_what_is_not_known_of_the_litter_moves_days_in_hand_little(weather, air):
    def nest(place, numbers, base):
        felt = nest_temperature(
            weather,
            LITTER.model_copy(update=place),
            SP.with_values(**numbers),
            deep_temperature_degc=float(air.mean()) + base,
        )
        return [felt.sel(time=slice(f"{y}-11-20", f"{y + 1}-05-31 23:00")) for y in WINTERS]

    def mean(nests):
        return np.mean([float(n.isel(time=slice(116 * 24)).mean()) for n in nests])

    def days(nests):
        kept = [winter(n, [18.0], SP, season_terms=False).days_in_hand.values[0, 0] for n in nests]
        return np.stack(kept)

    plain = nest({}, {}, 0.0)
    before = days(plain)
    normal = np.median(before, axis=0)
    between_draws = before.std(axis=1).mean()
    assert 25.0 < between_draws < 35.0
    squares = 0.0
    for name, (place, numbers, base, moved_k, moved_days) in DOUBTS.items():
        other = nest(place, numbers, base)
        after = days(other)
        assert mean(other) - mean(plain) == pytest.approx(moved_k, abs=0.02), name
        assert np.median(after - before) == pytest.approx(moved_days, abs=0.5), name
        against = np.median(after - np.median(after, axis=0), axis=1)
        assert np.abs(against - np.median(before - normal, axis=1)).max() < 1.5, name
        squares += float(np.median(after - before)) ** 2
    # All of them at once would widen the spread between draws by less than a twentieth.
    assert np.hypot(between_draws, np.sqrt(squares)) < 1.05 * between_draws
    # A whole winter that is 1 K warmer than computed is another matter: a tenth of the days.
    warmer = [n.copy(data=n.values + 1.0) for n in plain]
    assert np.median(days(warmer) - before) == pytest.approx(-10.7, abs=1.0)
