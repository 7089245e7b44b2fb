"""``python -m riskcast``."""

from __future__ import annotations

from riskcast.cli import main

if __name__ == "__main__":
    main()
