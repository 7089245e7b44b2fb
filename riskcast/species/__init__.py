"""Which numbers, and from whom? Parameter files, their loader, draws and the bibliography."""

from __future__ import annotations

from riskcast.species.draw import draw_parameters, uniforms
from riskcast.species.load import Group, Parameter, Source, Species, available, load, sources

__all__ = [
    "Group",
    "Parameter",
    "Source",
    "Species",
    "available",
    "draw_parameters",
    "load",
    "sources",
    "uniforms",
]
