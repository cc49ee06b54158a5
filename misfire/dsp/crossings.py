"""Threshold crossings of long raw channels, to a fraction of a sample."""

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.gathering import Gatherer
from misfire.errors import ParameterError
from misfire.records import CROSSING_FIELDS

CROSSING_DTYPE = np.dtype(CROSSING_FIELDS)


def find_crossings(
    chunks: Iterable[NDArray[np.int16]], *, low: float, high: float
) -> NDArray[np.void]:
    """Find where a signal rises to `high` or falls to `low`, with hysteresis.

    Parameters
    ----------
    chunks : iterable of int16 arrays [shape=(n,), n >= 0, unit=counts]
        Consecutive pieces of one channel. Where it is cut does not change the result.
    low, high : float [unit=counts, finite, low < high]
        A fall counts only after a value >= `high`, a rise only after a value <= `low`.

    Returns
    -------
    crossings : structured array [shape=(n_crossings,), dtype=CROSSING_FIELDS, ascending]
        `sample` [unit=samples from the first]: linear interpolation. `edge`: +1 rise, -1 fall.

    Raises
    ------
    ParameterError
        If the levels are not as above, or a chunk is not a one-dimensional signed integer array.

    Notes
    -----
    Source: O. H. Schmitt, "A thermionic trigger", J. Sci. Instrum. 15 (1938) 24.

    Examples
    --------
    >>> ramp = np.array([0, 10, 20, 10, 0], dtype=np.int16)
    >>> find_crossings([ramp], low=5, high=15)["sample"].tolist()
    [1.5, 3.5]
    """
    if not -math.inf < low < high < math.inf:
        raise ParameterError(f"need finite low < high, got low={low} and high={high}")
    low_count, high_count = math.floor(low), math.ceil(high)  # integers: no float copy of a chunk
    found = Gatherer(CROSSING_DTYPE)
    tail: NDArray[np.signedinteger] | None = None
    origin, side = 0, 0  # side: +1 at or above high, -1 at or below low, 0 unknown
    for chunk in chunks:
        check_counts(chunk)
        if chunk.size == 0:
            continue
        counts = chunk if tail is None else np.concatenate((tail, chunk))
        if tail is None:
            side = int(chunk[0] >= high_count) - int(chunk[0] <= low_count)
        at, edges, side = arm(counts, low_count, high_count, side)
        before, after = counts[at - 1].astype(float), counts[at].astype(float)
        crossings = np.empty(at.size, CROSSING_DTYPE)
        level = np.where(edges > 0, high, low)
        crossings["sample"] = origin + at - 1 + (level - before) / (after - before)
        crossings["edge"] = edges
        found.add(crossings)
        tail, origin = counts[-1:], origin + counts.size - 1
    return found.join()


def arm(
    counts: NDArray[np.signedinteger], low: int, high: int, side: int
) -> tuple[NDArray[np.int64], NDArray[np.int8], int]:
    """Find the samples that first reach the other side of a pair of levels.

    Parameters
    ----------
    counts : int array [shape=(n,), unit=counts]
        The first sample is context: it was judged before, `side` holds what came of it.
    low, high : int [unit=counts, low < high]
    side : int
        +1 the signal was last at or above `high`, -1 at or below `low`, 0 neither yet.

    Returns
    -------
    at : int64 array [shape=(n_changes,), unit=samples from counts[0], ascending]
    edges : int8 array [shape=(n_changes,)]
        +1 now at or above `high`, -1 now at or below `low`.
    side : int
        The side after the last sample.
    """
    entered_above, _ = find_zone_ends(counts >= high)
    entered_below, _ = find_zone_ends(counts <= low)
    return order_entries(entered_above, entered_below, side)


def find_zone_ends(zone: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find where a signal enters and leaves a zone.

    Parameters
    ----------
    zone : bool array [shape=(n,), n >= 1]
        Whether each sample is in the zone.

    Returns
    -------
    entries, exits : int64 arrays [unit=samples, ascending]
        First samples in the zone after one outside it; last samples before one outside it.

    Examples
    --------
    >>> [ends.tolist() for ends in find_zone_ends(np.array([True, False, True, True]))]
    [[2], [0]]
    """
    changes = find_true(zone[1:] != zone[:-1])
    begins_inside = int(zone[0])
    return changes[begins_inside::2] + 1, changes[1 - begins_inside :: 2]


def find_true(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """List the few flags that are set, as `flatnonzero` does, in a fraction of its time.

    Parameters
    ----------
    flags : bool array [shape=(n,)]

    Returns
    -------
    places : int64 array [shape=(n_set,), ascending]

    Examples
    --------
    >>> find_true(np.array([False, True, True])).tolist()
    [1, 2]
    """
    whole = flags.size // 8 * 8
    words = flags[:whole].view(np.uint64)
    groups = np.flatnonzero(words != 0)
    if groups.size > whole // 32:  # not few
        return np.flatnonzero(flags)
    inside = np.flatnonzero(words[groups].view(bool))
    found = groups[inside >> 3] * 8 + (inside & 7)
    return np.concatenate((found, whole + np.flatnonzero(flags[whole:])))


def exceeds(
    larger: NDArray[np.int16], smaller: NDArray[np.int16], margin: int
) -> NDArray[np.bool_]:
    """Tell where one count stands above another by more than a margin, without overflow.

    Parameters
    ----------
    larger, smaller : int16 arrays [shape=(n,), unit=counts]
    margin : int [unit=counts, >= 0]

    Returns
    -------
    exceeds : bool array [shape=(n,)]
        Whether `larger - smaller > margin`.

    Examples
    --------
    >>> exceeds(np.array([5, 32767], np.int16), np.array([2, -32768], np.int16), 3).tolist()
    [False, True]
    """
    if margin >= 65535:
        return np.zeros(larger.size, bool)
    # where it is positive, the difference of any two counts fits into 16 bits without a sign
    hot = (larger - smaller).view(np.uint16) > np.uint16(margin)
    hot &= larger > smaller
    return hot


def order_entries(
    entered_above: NDArray[np.int64], entered_below: NDArray[np.int64], side: int
) -> tuple[NDArray[np.int64], NDArray[np.int8], int]:
    """Put entries into two zones in order and keep those that change sides.

    Parameters
    ----------
    entered_above, entered_below : int64 arrays [unit=samples, ascending]
    side : int
        Zone that the signal was in last: +1 the upper, -1 the lower, 0 neither yet.

    Returns
    -------
    at, edges, side : int64 array, int8 array, int
        As `arm` gives them.
    """
    at = np.concatenate((entered_above, entered_below))
    edges = np.ones(at.size, np.int8)
    edges[entered_above.size :] = -1
    order = np.argsort(at, kind="stable")
    at, edges = at[order], edges[order]
    history = np.concatenate((np.array([side], np.int8), edges))
    changed = (history[:-1] != edges) & (history[:-1] != 0)
    return at[changed], edges[changed], int(history[-1])


def iterate_segments(
    blocks: Iterable[NDArray[np.int16]], *, size: int
) -> Iterator[NDArray[np.int16]]:
    """Cut a channel anew into pieces of one size, however it was cut before.

    Parameters
    ----------
    blocks : iterable of int16 arrays [shape=(n,), n >= 0, unit=counts]
        Consecutive pieces of one channel.
    size : int [unit=samples, > 0]

    Yields
    ------
    segment : int16 array [shape=(size,), the last one shorter, unit=counts]

    Raises
    ------
    ParameterError
        If a block is not a one-dimensional signed integer array.

    Examples
    --------
    >>> line = np.arange(5, dtype=np.int16)
    >>> [s.tolist() for s in iterate_segments([line[:1], line[1:]], size=2)]
    [[0, 1], [2, 3], [4]]
    """
    waiting: list[NDArray[np.int16]] = []
    n_waiting = 0
    for block in blocks:
        check_counts(block)
        start = 0
        while block.size - start >= size - n_waiting:
            stop = start + size - n_waiting
            waiting.append(block[start:stop])
            yield waiting[0] if len(waiting) == 1 else np.concatenate(waiting)
            waiting, n_waiting, start = [], 0, stop
        if start < block.size:
            waiting.append(block[start:])
            n_waiting += block.size - start
    if waiting:
        yield np.concatenate(waiting)


def drop_glitches(counts: NDArray[np.int16]) -> NDArray[np.int16]:
    """Take the median of each sample and its two neighbours: single-sample glitches vanish.

    Parameters
    ----------
    counts : int16 array [shape=(n,), n >= 2, unit=counts]

    Returns
    -------
    smoothed : int16 array [shape=(n - 2,), unit=counts]
        Sample i is the median of counts[i : i + 3]. A monotone flank is left as it is.

    Examples
    --------
    >>> drop_glitches(np.array([1, 2, 90, 4, 5], dtype=np.int16)).tolist()
    [2, 4, 5]
    """
    first, second, third = counts[:-2], counts[1:-1], counts[2:]
    smaller = np.minimum(first, second)
    larger = np.maximum(first, second)
    np.minimum(larger, third, out=larger)
    np.maximum(smaller, larger, out=smaller)
    return smaller


def iterate_smoothed(
    blocks: Iterable[NDArray[np.int16]], *, size: int
) -> Iterator[NDArray[np.int16]]:
    """Pass a channel on without its single-sample glitches, in pieces of one size.

    Parameters
    ----------
    blocks : iterable of int16 arrays [shape=(n,), unit=counts]
        Consecutive pieces of one channel. Where it is cut does not change the result.
    size : int [unit=samples, >= 2]

    Yields
    ------
    counts : int16 array [unit=counts]
        Sample numbers stay as they are; the last sample of the channel is left out.

    Raises
    ------
    ParameterError
        If a block is not a one-dimensional signed integer array.
    """
    tail = np.empty(0, np.int16)
    for segment in iterate_segments(blocks, size=size):
        # the first sample stands twice, so that it is its own median and numbers do not shift
        raw = np.concatenate((tail if tail.size else segment[:1], segment))
        if raw.size >= 3:
            yield drop_glitches(raw)
        tail = raw[-2:]


def check_counts(chunk: NDArray[np.signedinteger]) -> None:
    """Refuse a chunk that is not a line of signed integers.

    Raises
    ------
    ParameterError
        If it is not one-dimensional or not of a signed integer type.
    """
    if chunk.ndim != 1 or chunk.dtype.kind != "i":
        raise ParameterError(f"chunk must be 1-D integer, got {chunk.ndim}-D {chunk.dtype}")
