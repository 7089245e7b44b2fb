"""Simple forms of soil temperature and of chilling beside ours, on real air (file A06).

No logger of litter stands by: the column is the yardstick (held to SciPy's BDF in
tests/reference), so the figures tell how far the forms are from it, not which is true. Snow is
left out. Reported, not asserted.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import rival_soil as rival
from rival_chilling import dynamic_portions, utah_units

from riskcast import species
from riskcast.habitat import conduct, litter_column, steady_profile, surface_in_balance

SP = species.load("hazel_dormouse")
FILE = "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"
DEEP_C, RESISTANCE = 11.0, 0.1


def hours(real_data):
    return pd.read_csv(real_data / "weather" / FILE, skiprows=3, index_col=0, parse_dates=[0])[
        "temperature_2m (°C)"
    ]


def test_soil(real_data) -> None:
    air = hours(real_data)["2020-08-01":"2021-05-31"].to_numpy()
    column = litter_column(0.03, 0.06, SP)
    forcing = air[:, None]
    around = np.full_like(forcing, RESISTANCE), np.full_like(forcing, DEEP_C)
    steady = steady_profile(column, forcing[:240].mean(axis=0), RESISTANCE, DEEP_C)
    start = surface_in_balance(column, steady, forcing[0], around[0][0])
    begin = time.perf_counter()
    ours, _ = conduct(column, forcing, *around, start, output=column.node(0.03))
    column_s = time.perf_counter() - begin
    truth, days = rival.daily(ours[:, 0]), rival.daily(air)

    def stepped(step):
        kept, soil = [], truth[0]
        for value in days:
            soil = step(soil, value)
            kept.append(soil)
        return np.array(kept)

    forms = {
        "air itself": lambda: days,
        "force-restore": lambda: rival.daily(rival.force_restore(air[0], air)),
        "Kätterer-Andrén": lambda: stepped(
            lambda s, a: rival.katterer_andren(s, a, leaf_area=0.0, depth_cm=3.0)
        ),
        "Lindström": lambda: stepped(lambda s, a: rival.lindstrom(s, a, DEEP_C)),
        "Rankinen, daily step, 12 cm": lambda: stepped(lambda s, a: rival.rankinen(0.12, s, a)),
        "Rankinen, exact, 3 cm": lambda: stepped(lambda s, a: rival.rankinen_exact(0.03, s, a)),
    }
    print(f"\ncolumn, one member, {air.size} h: {column_s:.3f} s")
    for name, form in forms.items():
        begin = time.perf_counter()
        apart = (form() - truth)[60:]
        took = (time.perf_counter() - begin) / column_s
        print(f"{name}: {np.sqrt((apart**2).mean()):.2f} K from it by the day, {took:.2f} x time")


def test_chilling(real_data) -> None:
    air = hours(real_data)
    print("\nwinter: cold days, Utah units, portions from 1 November to the end of February")
    table = []
    for year in range(2015, 2024):
        cold = air[f"{year}-11-01" : f"{year + 1}-02-28"].to_numpy()
        row = (rival.daily(cold) < 5).sum(), utah_units(cold).sum(), dynamic_portions(cold)
        table.append(row)
        print(f"{year}: {row[0]:.0f}, {row[1]:.0f}, {row[2]:.1f}")
    print(np.round(pd.DataFrame(table).corr("spearman").to_numpy(), 2))
