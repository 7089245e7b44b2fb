"""Weights as the tests of this room need them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from riskcast import animals
from riskcast.site import Place, Weights

BOUNDS = {"adult": (10.0, 45.0), "juvenile": (5.0, 30.0), "nestling": (1.0, 12.0)}


@pytest.fixture(scope="session")
def read_file():
    """Read one or more files as a site's weights."""

    def read(*paths: Path, as_of: str = "2025-10-27T23:59:59", live: bool = False, **config):
        return animals.read(
            Weights.model_construct(files=paths, **config),
            Place.model_construct(timezone="Europe/London"),
            as_of=np.datetime64(as_of),
            live=live,
            bounds=BOUNDS,
        )

    return read


@pytest.fixture(scope="session")
def rows_of():
    """Rows as `read` gives them, from dicts that name what matters."""

    def make(*rows: dict) -> pd.DataFrame:
        full = [
            {
                "organism_id": "",
                "box": "",
                "sex": "unknown",
                "life_stage": "juvenile",
                "body_mass_g": np.nan,
                "activity": "unknown",
                "reproductive_condition": "",
                "remarks": "",
                "source_file": "weights.csv",
                "source_row": number,
                **row,
                "event_date": pd.Timestamp(row["event_date"]),
            }
            for number, row in enumerate(rows, start=2)
        ]
        frame = pd.DataFrame(full)
        frame["event_date"] = frame["event_date"].astype("datetime64[ns]")
        return frame.assign(weighed=frame["body_mass_g"].notna())

    return make
