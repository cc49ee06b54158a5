"""Many small arrays gathered into one, in few large pieces of memory."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

PIECE_BYTES = (1 << 25) + (1 << 12)  # so much malloc always takes from the system by itself


class Gatherer:
    """Takes arrays one after the other and joins them at the end.

    A list of thousands of small arrays would lie scattered between the blocks of samples that come
    and go, and keep the memory of those from being given back.

    Examples
    --------
    >>> rows = Gatherer(np.dtype(float))
    >>> rows.add(np.array([1.0, 2.0]))
    >>> rows.add(np.array([3.0]))
    >>> rows.join().tolist()
    [1.0, 2.0, 3.0]
    """

    def __init__(self, dtype: np.dtype[Any]) -> None:
        """Gather nothing yet."""
        self._dtype = dtype
        self._n_piece = max(1, PIECE_BYTES // dtype.itemsize)
        self._pieces: list[NDArray[Any]] = []
        self._n_last = self._n_piece  # of the last piece, how much is filled

    def add(self, part: NDArray[Any]) -> None:
        """Put rows behind those gathered before."""
        start = 0
        while start < part.size:
            if self._n_last == self._n_piece:
                self._pieces.append(np.empty(self._n_piece, self._dtype))
                self._n_last = 0
            stop = min(part.size, start + self._n_piece - self._n_last)
            self._pieces[-1][self._n_last : self._n_last + stop - start] = part[start:stop]
            self._n_last += stop - start
            start = stop

    def clear(self) -> None:
        """Forget all rows."""
        self._pieces.clear()
        self._n_last = self._n_piece

    def join(self) -> NDArray[Any]:
        """Give all rows in one array and forget them."""
        n = max(0, (len(self._pieces) - 1) * self._n_piece + self._n_last)
        if not self._pieces:
            return np.empty(0, self._dtype)
        if len(self._pieces) == 1:  # not copied: what was not filled takes no memory
            rows = self._pieces[0][:n]
            self.clear()
            return rows
        rows = np.empty(n, self._dtype)
        for start in range(0, n, self._n_piece):
            piece = self._pieces.pop(0)
            rows[start : start + self._n_piece] = piece[: n - start]
        self.clear()
        return rows
