"""What may still come? Past winters joined to a forecast, with honest spread."""

from __future__ import annotations

__all__: list[str] = []
