"""Walk through a long channel piece by piece."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ParameterError

BLOCK_SAMPLES = 1 << 20  # four storage chunks: fast to decode, 2 MB of counts


def iterate_blocks(
    read: Callable[[int, int], NDArray[np.int16]],
    n_samples: int,
    *,
    size: int = BLOCK_SAMPLES,
    before: int = 0,
    after: int = 0,
) -> Iterator[tuple[int, int, int, NDArray[np.int16]]]:
    """Cut a channel into consecutive blocks, each with some context on both sides.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [shape=(stop - start,), unit=counts]
    n_samples : int [>= 0]
        Length of the channel.
    size : int [unit=samples, > 0]
        Length of a block without its context.
    before, after : int [unit=samples, >= 0]
        Context wanted on each side; cut short at the ends of the channel.

    Yields
    ------
    start, stop : int
        The block proper: these samples belong to this block alone.
    first : int
        Sample number of counts[0], `start - before` or 0.
    counts : int16 array [unit=counts]
        Samples `first` to `min(stop + after, n_samples)`.

    Raises
    ------
    ParameterError
        If `size` is not positive or a context is negative.

    Examples
    --------
    >>> line = np.arange(5, dtype=np.int16)
    >>> [c.tolist() for *_, c in iterate_blocks(lambda a, b: line[a:b], 5, size=2, before=1)]
    [[0, 1], [1, 2, 3], [3, 4]]
    """
    if size <= 0 or before < 0 or after < 0:
        raise ParameterError(f"need size > 0 and context >= 0, got {size}, {before}, {after}")
    for start in range(0, n_samples, size):
        stop = min(start + size, n_samples)
        first = max(0, start - before)
        yield start, stop, first, read(first, min(stop + after, n_samples))
