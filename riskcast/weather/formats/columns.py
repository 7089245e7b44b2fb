"""Columns of numbers, one a variable, member and depth, into the arrays of a Table.

Text tables and JSON answers hold the same thing: a heading that names the variable, its
units, and the numbers below it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from riskcast.base.errors import Fault
from riskcast.weather.dataset import REQUIRED, VARIABLES, Values
from riskcast.weather.table import Table
from riskcast.weather.units import UnitError, convert

__all__ = ["Column", "choose", "fill"]


@dataclass(frozen=True)
class Column:
    """What one column holds.

    Attributes
    ----------
    heading : as it stands in the file
    name : ours
    units : as the file states them, None where it does not
    depth : m, of soil temperature
    index : its position in a row of text
    """

    heading: str
    name: str
    member: int
    units: str | None
    model: str = ""
    depth: float | None = None
    index: int = 0


def choose(
    found: Sequence[Column],
    table: Table,
    where: str,
    headings: Sequence[str],
    *,
    needs_air: bool = False,
) -> list[Column]:
    """The columns to be read, one of each kind; mixtures and doubles are faults of the table.

    `needs_air`: nothing else can bring the air temperature, so that its lack is a fault.
    """
    models = sorted({column.model for column in found if column.model})
    if len(models) > 1:
        problem = f"the file mixes {len(models)} models ({', '.join(models)})."
        table.fault(where, problem, remedy="Download one model a file.")
        return []
    if models:
        table.attrs["model"] = models[0]
    seen: dict[tuple[str, int, float | None], Column] = {}
    for column in found:
        other = seen.setdefault((column.name, column.member, column.depth), column)
        if other is not column:
            problem = f"two columns for {column.name}: {other.heading} and {column.heading}."
            table.fault(where, problem, remedy="Leave one of them out.")
    if not any(column.name == "air_temperature" for column in found):
        problem = "no column holds the air temperature. Expected air_temperature or temperature_2m"
        problem += f" (°C); found {', '.join(h for h in headings if h)[:200]}."
        lacking = Fault(table.source, where, problem, "", "Download it too, or rename the column.")
        if found and not needs_air:
            table.lacking = lacking  # another file may hold it
        else:
            table.faults.append(lacking)
    return list(seen.values())


def fill(
    table: Table, columns: Sequence[Column], cells: Values, units_remedy: str | None = None
) -> None:
    """Columns into (member, row[, depth]) arrays of the table, converted by their units.

    Parameters
    ----------
    columns : one of each kind, see `choose`
    cells : (row, column) numbers, NaN where missing
    units_remedy : what to do about units not known here; None = correct the heading
    """
    by_name: dict[str, dict[tuple[int, float | None], Values]] = {}
    refused: set[str] = set()
    for i, column in enumerate(columns):
        quantity = "temperature" if column.name == "dew_point" else VARIABLES[column.name].quantity
        try:
            values, rate = convert(cells[:, i], column.units, quantity)
        except UnitError as error:
            if column.name not in refused:  # members share their units: say it once
                bare = column.heading.split("(")[0].split("[")[0].strip()
                remedy = units_remedy or f'Write the unit behind the name: "{bare} (…)".'
                table.fault(f"heading {column.heading}", str(error), column.units or "", remedy)
            refused.add(column.name)
            continue
        table.rate |= rate
        by_name.setdefault(column.name, {})[(column.member, column.depth)] = values
    leading = [name for name in REQUIRED if name in by_name] or list(by_name)
    have = [{member for member, _ in by_name[name]} for name in leading]
    members = sorted(set.intersection(*have)) if have else []
    table.member = np.array(members, dtype=np.int64)
    for name, parts in by_name.items():
        depths: list[float | None] = [None]
        if name == "soil_temperature":
            stated = sorted({depth for _, depth in parts if depth is not None})
            depths = [d for d in stated if all((m, d) in parts for m in members)]
            table.depth = np.array(depths, dtype=float)
        # Where a member lacks it the variable is absent, and said so when the season is made.
        if members and depths and all((m, d) in parts for m in members for d in depths):
            layers = [np.stack([parts[m, d] for d in depths], axis=-1) for m in members]
            stacked = np.stack(layers)
            table.values[name] = stacked if name == "soil_temperature" else stacked[..., 0]
