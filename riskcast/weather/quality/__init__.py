"""Are these rows fit for use? Order, range, gaps; then the hourly course."""

from __future__ import annotations

__all__: list[str] = []
