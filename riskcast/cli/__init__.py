"""What do I type? Thin commands over the pipeline, one short file per group.

Nothing here computes, and nothing heavy is imported before a command has said that it
started: help and the first line of progress have to be there at once.
"""

from __future__ import annotations

from riskcast.cli.app import main

__all__ = ["main"]
