"""Heat conduction down a column of litter and soil, for many courses of weather at once.

c ∂T/∂t = ∂/∂z (λ ∂T/∂z), finite volumes about graded nodes, Crank–Nicolson in time.

The air acts through a resistance (still air, snow) that differs between members and hours,
so the matrix would too. It enters the system in one place only, the flux through the
surface, so the step is split exactly: T' = P·T + w·q + v·T_base, with P, w and v the same
for all (one factorisation), and the flux q solved for each member from its own air and
resistance. This is the Sherman–Morrison formula, with the correction read as a heat flux.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from riskcast.habitat.soil import litter_conductivity, litter_heat_capacity

if TYPE_CHECKING:
    from riskcast.species import Species

__all__ = ["Column", "conduct", "litter_column", "steady_profile", "surface_in_balance"]

FloatArray = npt.NDArray[np.float64]

HOUR_S = 3600.0
# Spacing of nodes down to the nest and through the litter, and its growth below: on a year
# of real hourly air these keep the error of space under 0.01 K, far below that of time.
_FINE_M = 0.005
_GROWTH = 1.2
_ROUNDING_M = 1e-9
_CRANK_NICOLSON = 0.5


@dataclass(frozen=True)
class Column:
    """A column of material between the surface and the lower boundary.

    Attributes
    ----------
    depth : (node,) m, increasing; the first is the surface, the last the lower boundary
    conductivity : (node − 1,) W m-1 K-1, between neighbouring nodes
    heat_capacity : (node − 1,) J m-3 K-1, likewise
    """

    depth: FloatArray
    conductivity: FloatArray
    heat_capacity: FloatArray

    def node(self, depth_m: float) -> int:
        """Number of the node at this depth.

        Raises
        ------
        ValueError
            No node lies there.
        """
        nearest = int(np.argmin(np.abs(self.depth - depth_m)))
        if abs(self.depth[nearest] - depth_m) > _ROUNDING_M:
            raise ValueError(f"column: no node at {depth_m} m, nearest at {self.depth[nearest]} m")
        return nearest


def litter_column(
    nest_depth_m: float, litter_depth_m: float, sp: Species, *, bottom_m: float | None = None
) -> Column:
    """Litter over mineral soil, with nodes at the nest and at the base of the litter.

    Parameters
    ----------
    nest_depth_m, litter_depth_m : m below the litter's surface, 0 or more
    sp : Species
    bottom_m : lower boundary, m; None = ``nest.column_depth``

    Raises
    ------
    ValueError
        A depth below zero, or nest or litter not above the bottom.
    """
    p = sp.nest
    bottom = float(p.column_depth) if bottom_m is None else bottom_m
    fine_to = max(nest_depth_m, litter_depth_m)
    if min(nest_depth_m, litter_depth_m) < 0.0 or fine_to >= bottom:
        raise ValueError(
            f"column: expected nest and litter depth between 0 and {bottom} m, "
            f"found {nest_depth_m} and {litter_depth_m} m"
        )
    stops = np.unique([0.0, nest_depth_m, litter_depth_m])
    fine = [
        np.linspace(upper, lower, 1 + int(np.ceil((lower - upper) / _FINE_M - _ROUNDING_M)))[1:]
        for upper, lower in pairwise(stops)
    ]
    reach = bottom - fine_to
    count = int(np.ceil(np.log1p(reach / _FINE_M * (_GROWTH - 1.0)) / np.log(_GROWTH)))
    graded = np.cumsum(_GROWTH ** np.arange(count))
    depth = np.concatenate([[0.0], *fine, fine_to + reach * graded / graded[-1]])
    litter = depth[1:] <= litter_depth_m + _ROUNDING_M
    water = p.litter_water_content
    return Column(
        depth,
        np.where(litter, litter_conductivity(water, sp), p.soil_conductivity),
        np.where(litter, litter_heat_capacity(water, sp), p.soil_heat_capacity),
    )


def steady_profile(
    column: Column, air: npt.ArrayLike, resistance: npt.ArrayLike, base: npt.ArrayLike
) -> FloatArray:
    """Temperatures at all nodes when nothing changes any more, °C, shape (node, …).

    Parameters
    ----------
    column : Column
    air, resistance, base : °C, m2 K W-1 and °C; floats, or arrays that broadcast together
    """
    layers = np.diff(column.depth) / column.conductivity
    down = np.concatenate([[0.0], np.cumsum(layers)])
    above, top, below = np.broadcast_arrays(
        np.asarray(air, dtype=float), np.asarray(resistance, dtype=float), np.asarray(base)
    )
    down = down.reshape(-1, *(1,) * above.ndim)
    return np.asarray(above + (below - above) * (top + down) / (top + down[-1]))


def surface_in_balance(
    column: Column, profile: FloatArray, air: npt.ArrayLike, resistance: npt.ArrayLike
) -> FloatArray:
    """The profile with its surface between air and the node below, as their conductances ask.

    Parameters
    ----------
    column : Column
    profile : (node, …) °C
    air, resistance : °C and m2 K W-1, of the shape of one node

    Returns
    -------
    ndarray of the profile's shape; a surface without resistance has the air's temperature
    """
    under = float(column.depth[1] - column.depth[0]) / float(column.conductivity[0])
    outer = np.asarray(resistance, dtype=float)
    balanced = np.array(profile, dtype=float)
    balanced[0] = (np.asarray(air) * under + profile[1] * outer) / (under + outer)
    return balanced


def conduct(
    column: Column,
    air: FloatArray,
    resistance: FloatArray,
    base: FloatArray,
    initial: FloatArray,
    *,
    output: int,
    step_s: float = HOUR_S,
    implicitness: float = _CRANK_NICOLSON,
) -> tuple[FloatArray, FloatArray]:
    """Temperature at one node through time.

    Between two stamps air and base go in a straight line, the resistance is the mean of both.

    Parameters
    ----------
    column : Column
    air : (time, member) °C
    resistance : (time, member) m2 K W-1 between the air and the surface; 0 = the surface has
        the temperature of the air
    base : (time, member) °C at the last node
    initial : (node, member) °C at the first stamp, its surface in balance with the air
        (`surface_in_balance`): Crank–Nicolson would carry a surface that starts off it as a
        slow ripple
    output : number of the node that is kept
    step_s : s between stamps
    implicitness : 0.5 = Crank–Nicolson, 1 = backward Euler (for comparison: its error on the
        daily wave is twenty times larger)

    Returns
    -------
    kept : (time, member) °C at the node
    last : (node − 1, member) °C at all nodes but the base, at the last stamp
    """
    theta = implicitness
    spread, by_flux, by_base = _propagators(column, step_s, theta)
    driving = (1.0 - theta) * air[:-1] + theta * air[1:]
    warmth = (1.0 - theta) * base[:-1] + theta * base[1:]
    opposing = (1.0 - theta) * resistance[:-1] + theta * resistance[1:]
    # The surface answers its own flux within the step: a resistance like any other.
    admittance = 1.0 / (opposing + theta * by_flux[0])
    # One product a step: the columns for base and flux ride along with the nodes.
    step = np.column_stack([spread, by_base, by_flux])
    nodes = len(by_flux)
    state = np.empty((nodes + 2, air.shape[1]))
    state[:nodes] = initial[:nodes]
    kept = np.empty_like(air)
    kept[0] = state[output]
    surface_alone = step[0, : nodes + 1]
    for hour in range(len(driving)):
        state[nodes] = warmth[hour]
        surface = surface_alone @ state[: nodes + 1]
        felt = (1.0 - theta) * state[0] + theta * surface
        state[nodes + 1] = (driving[hour] - felt) * admittance[hour]
        state[:nodes] = step @ state
        kept[hour + 1] = state[output]
    return kept, state[:nodes].copy()


def _propagators(
    column: Column, step_s: float, theta: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What one step makes of the profile, of a unit surface flux, and of a unit base."""
    thickness = np.diff(column.depth)
    conductance = column.conductivity / thickness
    stored = np.zeros(len(column.depth))
    stored[:-1] += column.heat_capacity * thickness / 2.0
    stored[1:] += column.heat_capacity * thickness / 2.0
    nodes = len(column.depth) - 1  # the last one is given
    below = conductance
    above = np.concatenate([[0.0], conductance[:-1]])
    exchange = np.diag(above + below) - np.diag(below[:-1], 1) - np.diag(below[:-1], -1)
    inertia = np.diag(stored[:nodes] / step_s)
    right = np.column_stack([inertia - (1.0 - theta) * exchange, np.eye(nodes)[:, [0, -1]]])
    solved = np.asarray(np.linalg.solve(inertia + theta * exchange, right), dtype=np.float64)
    return solved[:, :nodes], solved[:, nodes], solved[:, nodes + 1] * conductance[-1]
