"""What was fetched before? Past winters of a cell, and forecasts as they were issued."""

from __future__ import annotations

__all__: list[str] = []
