"""A site's own records of what leafs and flowers when: CSV with plant, stage, date."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from riskcast.base.errors import ConfigError, Fault, InputMissingError

__all__ = ["STAGES", "OwnDates", "read_own_dates"]

# From the first sign of food on.
STAGES = ("catkins", "bud", "flower", "leaf")
# What counts as flower; a plant that has to carry the whole need is not in flower at bud break.
_FLOWER = ("catkins", "flower")
_COLUMNS = ("plant", "stage", "date")
_JULY = 7
# Months in which nothing that is eaten in spring begins (common practice, no source).
_NO_SPRING = (8, 9, 10)
_EXAMPLE = "Write it as 2025-04-19."


@dataclass(frozen=True)
class OwnDates:
    """When one plant was ready at this site.

    Attributes
    ----------
    plant, stage : as recorded
    mean : day of the year; zero or less lies before 1 January
    sd : between years, days; None with fewer than two years
    years : number of springs recorded
    day_by_spring : day of the year of each spring, by its year
    """

    plant: str
    stage: str
    mean: float
    sd: float | None
    years: int
    day_by_spring: Mapping[int, int]


def read_own_dates(
    path: Path, *, full_need_plants: Collection[str], as_of: dt.date | None = None
) -> dict[str, OwnDates]:
    """The mean day of each plant in a file of own records.

    Of several stages of a plant the earliest counts; a plant that meets the whole need
    counts from its flower (or catkins), else from its leaf. Of several records of a stage in
    one spring the first counts.

    Parameters
    ----------
    path : CSV, UTF-8, comma or semicolon, headings plant, stage, date (YYYY-MM-DD)
    full_need_plants : plants that meet the whole need
    as_of : rows dated later are not read

    Returns
    -------
    dict
        By plant, in lower case. A plant without a usable stage is not there.

    Raises
    ------
    InputMissingError
        There is no such file.
    ConfigError
        All faults of the file at once.
    """
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise InputMissingError(f"[habitat] food_dates: cannot read {path.name}: {error}") from None
    except UnicodeDecodeError:
        raise ConfigError(
            faults=[Fault(path.name, "", "not a text file in UTF-8.", "", "Save it as CSV UTF-8.")]
        ) from None
    records, faults = _records(text, path.name, as_of)
    if faults:
        raise ConfigError(faults=faults)
    by_plant: dict[str, dict[str, dict[int, int]]] = {}
    for plant, stage, date in records:
        # A spring begins in the July before: catkins may open before New Year.
        spring = date.year + (date.month >= _JULY)
        day = (date - dt.date(spring, 1, 1)).days + 1
        springs = by_plant.setdefault(plant, {}).setdefault(stage, {})
        springs[spring] = min(day, springs.get(spring, day))
    chosen = {
        plant: _chosen(plant, stages, plant in full_need_plants)
        for plant, stages in by_plant.items()
    }
    return {plant: dates for plant, dates in chosen.items() if dates is not None}


def _records(
    text: str, name: str, as_of: dt.date | None
) -> tuple[list[tuple[str, str, dt.date]], list[Fault]]:
    """Rows as (plant, stage, date), and what is wrong with the others."""
    heading = text.split("\n", 1)[0]
    rows = csv.DictReader(io.StringIO(text), delimiter=";" if ";" in heading else ",")
    found = [(cell or "").strip().lower() for cell in rows.fieldnames or []]
    absent = [column for column in _COLUMNS if column not in found]
    if absent:
        remedy = "The first line has to be: plant,stage,date"
        return [], [
            Fault(name, "row 1", f"no heading {', '.join(absent)}.", heading.strip()[:60], remedy)
        ]
    rows.fieldnames = found
    records: list[tuple[str, str, dt.date]] = []
    faults: list[Fault] = []
    for row in rows:
        cells = {column: (row.get(column) or "").strip() for column in _COLUMNS}
        if not any(cells.values()):
            continue
        where = f"row {rows.line_num}"
        date: dt.date | None = None
        try:
            date = dt.date.fromisoformat(cells["date"])
        except ValueError:
            faults.append(Fault(name, f"{where}, date", "not a date.", cells["date"], _EXAMPLE))
        if date is not None and as_of is not None and date > as_of:
            continue
        if date is not None and date.month in _NO_SPRING:
            problem = "not in spring, nor in the winter before it."
            remedy = "Day and month changed over? Write year-month-day."
            faults.append(Fault(name, f"{where}, date", problem, cells["date"], remedy))
        plant, stage = cells["plant"].lower(), cells["stage"].lower()
        if not plant:
            faults.append(Fault(name, f"{where}, plant", "is empty.", "", "Name the plant."))
        if stage not in STAGES:
            remedy = f"Use one of {', '.join(STAGES)}."
            faults.append(
                Fault(name, f"{where}, stage", "not a known stage.", cells["stage"], remedy)
            )
        if date is not None:
            records.append((plant, stage, date))
    return records, faults


def _chosen(plant: str, stages: dict[str, dict[int, int]], full: bool) -> OwnDates | None:
    """The stage that counts for this plant, over its springs."""
    if full:
        flower = {stage: days for stage, days in stages.items() if stage in _FLOWER}
        usable = flower or {stage: days for stage, days in stages.items() if stage == "leaf"}
    else:
        usable = stages
    if not usable:
        return None
    stage = min(usable, key=lambda key: float(np.mean(list(usable[key].values()))))
    days = np.array(list(usable[stage].values()), dtype=float)
    return OwnDates(
        plant=plant,
        stage=stage,
        mean=float(days.mean()),
        sd=float(days.std(ddof=1)) if days.size > 1 else None,
        years=days.size,
        day_by_spring=dict(sorted(usable[stage].items())),
    )
