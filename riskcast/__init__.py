"""Weather-aware hibernation risk forecasts for the hazel dormouse.

    >>> import riskcast as rc
    >>> sp = rc.species.load("hazel_dormouse")

The rooms (``rc.weather``, ``rc.habitat`` …) and the names below are read when first used,
so that ``import riskcast`` costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from riskcast.base.version import VERSION

if TYPE_CHECKING:
    from riskcast import (
        advice,
        animals,
        archive,
        delivery,
        habitat,
        physiology,
        risk,
        site,
        species,
        weather,
    )
    from riskcast.pipeline.run import Run, run
    from riskcast.site import load_site

__all__ = [
    "Run",
    "__version__",
    "advice",
    "animals",
    "archive",
    "delivery",
    "habitat",
    "load_site",
    "physiology",
    "risk",
    "run",
    "site",
    "species",
    "weather",
]

__version__ = VERSION

_HOMES = {"Run": "pipeline", "run": "pipeline", "load_site": "site"}


def __getattr__(name: str) -> Any:
    value: Any
    if name in _HOMES:
        value = getattr(importlib.import_module(f"riskcast.{_HOMES[name]}"), name)
    elif name in __all__:
        value = importlib.import_module(f"riskcast.{name}")
    else:
        raise AttributeError(f"module 'riskcast' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
