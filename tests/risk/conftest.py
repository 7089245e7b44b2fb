"""Small, invented evidence: a few members and draws in an even winter, changed as asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import physiology, species
from riskcast.risk import NEXT_DAYS, NEXT_WEEK, REFERENCE, TO_DATE, Evidence

DRAWS, ZONE = 32, "Europe/London"
START, END = np.datetime64("2025-11-10", "ns"), np.datetime64("2026-06-01", "ns")
SP = species.load("hazel_dormouse")


def nest_of(shift: float, members: int) -> xr.DataArray:
    hours = np.arange(START, END, np.timedelta64(1, "h"))
    day = np.arange(hours.size) / 24
    even = 6.0 - 2.5 * np.sin(2 * np.pi * day / 200) + shift
    values = even + np.linspace(-0.3, 0.3, members)[:, np.newaxis]
    return xr.DataArray(
        values,
        dims=("member", "time"),
        coords={"member": np.arange(members), "time": hours},
        attrs={"units": "degC"},
        name="nest_temperature",
    )


def weather_of(members: int) -> xr.Dataset:
    hours = np.arange(START, END, np.timedelta64(1, "h"))
    air = np.full((members, hours.size), 6.0)
    return xr.Dataset(
        {
            "air_temperature": (("member", "time"), air),
            "precipitation": (("member", "time"), np.zeros_like(air)),
        },
        coords={
            "member": np.arange(members),
            "time": hours,
            "provenance": ("time", np.full(hours.size, "forecast")),
        },
    )


@pytest.fixture(scope="session")
def make_evidence() -> Callable[..., Evidence]:
    def make(
        *,
        issued_on: str = "2026-01-12",
        shift: float = 0.0,
        spell: float = 0.0,
        years: int = 6,
        food: str = "2026-04-20",
        emergence: str = "2026-04-10",
        mass_g: float = 14.0,
        **more: Any,
    ) -> Evidence:
        issued_at = np.datetime64(f"{issued_on}T12", "ns")
        nest, past = nest_of(shift, 3), nest_of(0.0, years)
        window = (issued_at, issued_at + np.timedelta64(14, "D"))
        inside = (nest.time >= window[0]) & (nest.time < window[1])
        nest = nest.where(~inside, nest + spell).assign_attrs(nest.attrs)
        masses = xr.DataArray([mass_g, 18.0], dims=("animal",), coords={"animal": ["a", REFERENCE]})
        chance: dict[str, Any] = {"draws": DRAWS, "seed": 0}
        unfed = physiology.winter(nest, masses, SP, issued_at=issued_at, **chance)
        fed = physiology.winter(nest, masses, SP, issued_at=issued_at, feeding="found", **chance)
        normal = (
            physiology.winter(past, masses, SP, issued_at=issued_at, **chance) if years else None
        )
        grid = {"member": np.arange(3), "draw": np.arange(DRAWS)}

        def dates(text: str) -> xr.DataArray:
            moments = np.full((3, DRAWS), np.datetime64(text, "ns"))
            return xr.DataArray(moments, dims=("member", "draw"), coords=grid)

        foods = xr.Dataset({"first_food_date": dates("2026-03-20"), "food_date": dates(food)})
        awake = dates(emergence)
        night = pd.date_range("2025-11-10", "2026-05-31").to_numpy()
        even = np.full((3, night.size), 8.0)
        nights = xr.Dataset(
            {
                "midnight_temperature": (("member", "night"), even),
                "nest_temperature_10d": (("member", "night"), even),
            },
            coords={"member": np.arange(3), "night": night},
        )
        week = (issued_at, issued_at + np.timedelta64(7, "D"))
        stretches = {NEXT_DAYS: window, NEXT_WEEK: week, TO_DATE: (START, issued_at)}
        animals = pd.DataFrame(
            {
                "key": ["a"],
                "label": ["box 1"],
                "box": ["1"],
                "organism_id": [""],
                "sex": ["unknown"],
                "life_stage": ["juvenile"],
                "activity": ["active"],
                "body_mass_g": [mass_g],
                "event_date": [pd.Timestamp("2025-10-18")],
                "age_days": [10],
                "litter": [False],
                "with_mother": [False],
                "ranked": [True],
                "why_not": [""],
                "carried": [True],
            }
        )
        shape = (1, 3, DRAWS)
        onset = np.full(shape, START)
        autumn = xr.Dataset(
            {
                "body_mass_g": (("animal", "member", "draw"), np.full(shape, mass_g)),
                "onset": (("animal", "member", "draw"), onset),
            },
            coords={"animal": ["a"], **grid},
        )
        made = Evidence(
            issued_at=issued_at,
            issued_on=dt.date.fromisoformat(issued_on),
            end=END,
            timezone=ZONE,
            draws=DRAWS,
            seed=0,
            target_mass_g=15.0,
            futures=weather_of(3),
            past=weather_of(years),
            nights=nights,
            animals=animals,
            autumn=autumn,
            winter={"none": unfed, "found": fed},
            normal_winter=normal,
            reference_onset=START,
            food=foods,
            emergence=awake,
            spend={
                k: physiology.expected_spend(nest, SP, w, **chance) for k, w in stretches.items()
            },
            past_spend={
                k: physiology.expected_spend(past, SP, w, **chance) for k, w in stretches.items()
            }
            if years
            else {},
            gap_cost=physiology.gap_cost(
                awake, foods["first_food_date"], foods["food_date"], SP, **chance
            ),
            need_from=max(START, issued_at),
            spent_to_food=physiology.spent_until(
                nest, foods["food_date"], SP, onset=max(START, issued_at), **chance
            ),
            gate_share=0.9,
        )
        return replace(made, **more)

    return make
