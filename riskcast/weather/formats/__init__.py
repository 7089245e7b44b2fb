"""What does this file say? Each kind of weather file, told apart by its content, into a `Table`."""

from __future__ import annotations

__all__: list[str] = []
