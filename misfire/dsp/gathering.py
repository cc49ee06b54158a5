"""Many small arrays gathered into one, in one piece of memory that grows."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

PIECE_BYTES = (1 << 25) + (1 << 12)  # so much malloc always takes from the system by itself
STEP_BYTES = 1 << 21  # by which that grows: numpy writes to all that it adds


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
        self._n_piece = max(1, PIECE_BYTES // dtype.itemsize)
        self._n_step = max(1, STEP_BYTES // dtype.itemsize)
        self._rows = np.empty(0, dtype)
        self._n = 0  # of the rows, how many are filled

    def add(self, part: NDArray[Any]) -> None:
        """Put rows behind those gathered before; fields are taken in their order."""
        n = self._n + part.size
        if n > self._rows.size:
            if not self._rows.size:  # what is not filled takes no memory
                self._rows = np.empty(max(n, self._n_piece), self._rows.dtype)
            else:  # the system moves such a piece to other addresses, without a copy
                self._rows.resize(max(n, self._rows.size + self._n_step), refcheck=False)
        self._rows[self._n : n] = part
        self._n = n

    def clear(self) -> None:
        """Forget all rows."""
        self._rows = np.empty(0, self._rows.dtype)
        self._n = 0

    def join(self) -> NDArray[Any]:
        """Give all rows in one array and forget them."""
        rows, n = self._rows, self._n
        self.clear()
        rows.resize(n, refcheck=False)
        return rows
