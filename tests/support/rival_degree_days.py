"""Degree days of a sinusoidal day: the rival of degree days from the daily mean."""

from __future__ import annotations

import numpy as np

__all__ = ["single_sine"]


def single_sine(lowest: float, highest: float, base: float) -> float:
    """°C day above `base` on a day whose temperature is one sine between two extremes.

    Baskerville & Emin 1969, Ecology 50:514-517: the exact integral over the day.
    """
    mean, half = (lowest + highest) / 2, (highest - lowest) / 2
    if base >= highest:
        return 0.0
    if base <= lowest:
        return mean - base
    angle = np.arcsin((base - mean) / half)
    return float(((mean - base) * (np.pi / 2 - angle) + half * np.cos(angle)) / np.pi)
