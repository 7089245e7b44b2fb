"""The version of riskcast, for rooms that must not know the whole house."""

from __future__ import annotations

__all__ = ["VERSION"]

VERSION = "0.1.0"
