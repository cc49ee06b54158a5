"""How often each count stands in a stretch of a channel: order statistics without sorting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ParameterError

_PIECE = 1 << 17  # counted at a time: its copy as wide integers stays in the processor's cache


@dataclass(frozen=True, slots=True)
class Histogram:
    """Values in ascending order and how often each occurs.

    `values` float64 [shape=(n,)]; `numbers` int64 [shape=(n,), > 0].
    """

    values: NDArray[np.float64]
    numbers: NDArray[np.int64]

    @property
    def size(self) -> int:
        """How many there are in all."""
        return int(self.numbers.sum())

    def select(self, chosen: NDArray[np.bool_]) -> Histogram:
        """Keep some of the values [shape=(n,)]."""
        return Histogram(self.values[chosen], self.numbers[chosen])

    def fold(self, centre: float) -> Histogram:
        """Give the distances from `centre`."""
        distance = np.abs(self.values - centre)
        order = np.argsort(distance, kind="stable")
        return Histogram(distance[order], self.numbers[order])

    def count_each(self) -> NDArray[np.int64]:
        """Give the numbers of all integers from the least value to the greatest, 0 included."""
        if not self.values.size:
            return np.empty(0, np.int64)
        place = (self.values - self.values[0]).astype(np.int64)
        dense = np.zeros(int(place[-1]) + 1, np.int64)
        dense[place] = self.numbers
        return dense

    def quantile(self, share: float) -> float:
        """Quantile with linear interpolation, bit for bit that of `numpy.quantile`.

        Raises
        ------
        ParameterError
            If there are no values.

        Examples
        --------
        >>> count_values(np.array([3, 1, 1, 2], np.int16)).quantile(0.5)
        1.5
        """
        if not self.values.size:
            raise ParameterError("no values: they have no quantile")
        until = np.cumsum(self.numbers)
        place = (int(until[-1]) - 1) * share
        rank = int(np.floor(place))
        above = min(rank + 1, int(until[-1]) - 1)
        low, high = (float(v) for v in self.values[np.searchsorted(until, (rank, above), "right")])
        part = place - rank
        return high - (high - low) * (1 - part) if part >= 0.5 else low + (high - low) * part


def count_values(counts: NDArray[np.int16]) -> Histogram:
    """Count how often each value stands in a stretch of a channel.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]

    Returns
    -------
    histogram : Histogram
    """
    if not counts.size:
        return Histogram(np.empty(0), np.empty(0, np.int64))
    least = int(counts.min())
    span = int(counts.max()) - least + 1
    numbers = np.zeros(span, np.int64)
    for start in range(0, counts.size, _PIECE):
        piece = counts[start : start + _PIECE].astype(np.int64) - least
        numbers += np.bincount(piece, minlength=span)
    met = np.flatnonzero(numbers)
    return Histogram((met + least).astype(np.float64), numbers[met])
