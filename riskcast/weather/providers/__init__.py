"""What does this service say? One module each: names, request, and how its answer is read."""

from __future__ import annotations

__all__: list[str] = []
