"""Cumulated quantities as piecewise linear rows: looked up, and inverted in bulk."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Rows"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class Rows:
    """Piecewise linear, rising rows: value at an hour, and hour of a value.

    With `bins`, a table holds for each row the hour at which it reaches evenly spaced
    values: an inversion then looks between two neighbours of the table only.
    """

    def __init__(self, cumulated: FloatArray, bins: int = 0) -> None:
        self.values = cumulated.reshape(-1)
        self.width = cumulated.shape[1]
        self.last = cumulated[:, -1]
        self.bins = bins
        self.spacing, self.table = 1.0, np.zeros(0, dtype=np.int64)
        if bins:
            self.spacing = float(self.last.max()) / bins or 1.0
            values = np.arange(bins + 2) * self.spacing
            table = np.stack([np.searchsorted(row, values) for row in cumulated])
            self.table = np.minimum(table, self.width - 1).reshape(-1)

    def at(self, row: IntArray, hour: FloatArray) -> FloatArray:
        left = np.minimum(hour.astype(np.int64), self.width - 2)
        start = row * self.width + left
        low = self.values.take(start)
        return np.asarray(low + (hour - left) * (self.values.take(start + 1) - low))

    def invert(
        self,
        row: IntArray,
        value: FloatArray,
        after: FloatArray | None = None,
        before: FloatArray | None = None,
    ) -> FloatArray:
        """Hour at which a row reaches a value; inf where it never does.

        `after` and `before` are hours it is known to lie between; else the table tells.
        """
        beyond = value > self.last.take(row)
        if after is not None and before is not None:
            low, high = after.astype(np.int64), np.ceil(before).astype(np.int64)
        else:
            bin_ = np.minimum((value / self.spacing).astype(np.int64), self.bins)
            place = row * (self.bins + 2) + bin_
            low, high = self.table.take(place), self.table.take(place + 1)
        base = row * self.width
        # Halve until one is left: the first hour boundary at or above the value.
        for _ in range(int(np.max(high - low, initial=0)).bit_length()):
            middle = (low + high) >> 1
            below = self.values.take(base + middle) < value
            low, high = np.where(below, middle + 1, low), np.where(below, high, middle)
        right = np.minimum(np.maximum(low, 1), self.width - 1)
        lower = self.values.take(base + right - 1)
        step = self.values.take(base + right) - lower
        # A row stands still only where nothing is met (a hazard of 0): never on the way to a value.
        with np.errstate(divide="ignore", invalid="ignore"):
            hour = right - 1 + (value - lower) / step
        return np.asarray(np.where(beyond, np.inf, hour))
