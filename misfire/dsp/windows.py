"""Cut equal windows around many instants into one array, for work on all of them at once."""

import numpy as np
from numpy.typing import NDArray

SUM_SAMPLES = 128  # numpy adds so many one after the other, more than that in halves
FULL_SHARE = 0.7  # of a sum is not zero: not worth leaving out the rest


def cut_windows(
    counts: NDArray[np.int16], anchors: NDArray[np.int64], *, before: int, after: int
) -> NDArray[np.float64]:
    """Cut windows around anchors out of one block.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
    anchors : int64 array [shape=(n_windows,), unit=samples within `counts`]
    before, after : int [unit=samples, >= 0]
        A window holds samples anchor - before to anchor + after - 1.

    Returns
    -------
    windows : float64 array [shape=(n_windows, before + after), unit=counts]
        NaN where a window reaches beyond the block.

    Examples
    --------
    >>> cut_windows(np.arange(5, dtype=np.int16), np.array([1, 4]), before=2, after=1).tolist()
    [[nan, 0.0, 1.0], [2.0, 3.0, 4.0]]
    """
    width = before + after
    starts = anchors - before
    if anchors.size and width and starts.min() >= 0 and starts.max() + width <= counts.size:
        # whole rows are copied, not sample by sample
        rows = np.lib.stride_tricks.sliding_window_view(counts, width)[starts]
        return np.asarray(rows, dtype=np.float64)
    index = anchors[:, None] + np.arange(-before, after)
    inside = (index >= 0) & (index < counts.size)
    if counts.size == 0:
        return np.full(index.shape, np.nan)
    windows: NDArray[np.float64] = counts[np.clip(index, 0, counts.size - 1)].astype(np.float64)
    windows[~inside] = np.nan
    return windows


def fit_lines(
    windows: NDArray[np.float64],
    mask: NDArray[np.bool_],
    x: NDArray[np.float64],
    *,
    before: int = 0,
    after: int = 0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit one straight line to the masked part of every window.

    Parameters
    ----------
    windows : float64 array [shape=(n_windows, n)]
    mask : bool array [shape=(n_windows, n)]
    x : float64 array [shape=(n,)]
        Common abscissa.
    before, after : int [unit=samples, >= 0]
        Samples of a longer window, masked out, that were not cut out: the result is the longer
        window's to the last bit.

    Returns
    -------
    slope, intercept : float64 arrays [shape=(n_windows,)]
        NaN where fewer than three samples were masked in.

    Notes
    -----
    Source: least squares in closed form.

    Examples
    --------
    >>> x = np.arange(4.0)
    >>> [float(v[0]) for v in fit_lines((2 * x + 1)[None], np.ones((1, 4), bool), x)]
    [2.0, 1.0]
    """
    used = np.flatnonzero(mask.any(axis=0))
    start, stop = 0, 0
    if used.size:
        width = before + x.size + after
        start, stop = find_sum_span(width, before + int(used[0]), before + int(used[-1]) + 1)
        start, stop = start - before, stop - before
    ends = max(0, -start), max(0, stop - x.size)
    start, stop = max(0, start), min(stop, x.size)
    windows, mask, x = windows[:, start:stop], mask[:, start:stop], x[start:stop]
    mask = mask & np.isfinite(windows)
    y = np.where(mask, windows, 0.0)
    if any(ends):
        mask, y = np.pad(mask, ((0, 0), ends)), np.pad(y, ((0, 0), ends))
        x = np.pad(x, ends)
    n = mask.sum(axis=1).astype(float)
    n[n < 3] = np.nan
    # Sums along rows, not matrix products: a row's result must not depend on its neighbours.
    sx, sxx = (mask * x).sum(axis=1), (mask * (x * x)).sum(axis=1)
    return _solve_lines(n, sx, sxx, y.sum(axis=1), (y * x).sum(axis=1))


def fit_spans(
    windows: NDArray[np.float64],
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    x: NDArray[np.float64],
    *,
    before: int = 0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit one straight line to the samples from `start` to `stop` of every window.

    As `fit_lines`, to the last bit, in less than half of its time: windows with the same span
    share what does not depend on their values.

    Parameters
    ----------
    windows : float64 array [shape=(n_windows, n)]
        Finite within the spans, or the result is NaN.
    start, stop : int64 arrays [shape=(n_windows,), unit=samples, 0 <= start, stop <= n]
    x : float64 array [shape=(n,)]
        Common abscissa.
    before : int [unit=samples, >= 0]
        As for `fit_lines`.

    Returns
    -------
    slope, intercept : float64 arrays [shape=(n_windows,)]
        NaN where a span is shorter than three samples.

    Examples
    --------
    >>> x = np.arange(4.0)
    >>> fit = fit_spans((2 * x + 1)[None], np.array([1]), np.array([4]), x)
    >>> [float(v[0]) for v in fit]
    [2.0, 1.0]
    """
    there = stop > start
    if not there.any():
        return np.full(start.size, np.nan), np.full(start.size, np.nan)
    width, start, stop = before + x.size, start + before, stop + before
    used = int(start[there].min()), int(stop[there].max())
    pieces = _list_pieces(0, width, used)
    left, right = pieces[0][0], pieces[-1][1]
    column = np.arange(left, right)
    mask = (column >= start[:, None]) & (column < stop[:, None])
    inside = slice(max(left, before), min(right, width))
    y, all_x = np.zeros(mask.shape), np.zeros(column.size)
    here = slice(inside.start - left, inside.stop - left)
    inner = slice(inside.start - before, inside.stop - before)
    np.copyto(y[:, here], windows[:, inner], where=mask[:, here])
    all_x[here] = x[inner]
    _, first, alike = np.unique(start * (width + 1) + stop, return_index=True, return_inverse=True)

    def add_up(rows: NDArray[np.float64]) -> NDArray[np.float64]:
        return _sum_pieces(rows, left, 0, width, used)

    mask = mask[first]
    n = (stop - start).astype(float)
    n[n < 3] = np.nan
    sx, sxx = add_up(mask * all_x)[alike], add_up(mask * (all_x * all_x))[alike]
    return _solve_lines(n, sx, sxx, add_up(y), add_up(y * all_x))


def _list_pieces(low: int, high: int, used: tuple[int, int]) -> list[tuple[int, int]]:
    """Cut columns `low` to `high` of a row into the pieces that are added apart, zeros left out."""
    low, high, middle = _narrow(low, high, used)
    if middle is None:
        return [(low, high)]
    return _list_pieces(low, middle, used) + _list_pieces(middle, high, used)


def _sum_pieces(
    rows: NDArray[np.float64], at: int, low: int, high: int, used: tuple[int, int]
) -> NDArray[np.float64]:
    """Sum of columns `low` to `high` of rows that begin with column `at`, zero where not used."""
    low, high, middle = _narrow(low, high, used)
    if middle is None:
        return np.asarray(rows[:, low - at : high - at].sum(axis=1))
    return _sum_pieces(rows, at, low, middle, used) + _sum_pieces(rows, at, middle, high, used)


def _narrow(low: int, high: int, used: tuple[int, int]) -> tuple[int, int, int | None]:
    """Leave halves of zeros out; give also where to cut what is left if most of it is zero."""
    start, stop = max(low, used[0]), min(high, used[1])
    first, end = find_sum_span(high - low, start - low, stop - low)
    low, high = low + first, low + end
    if high - low <= SUM_SAMPLES or stop - start > FULL_SHARE * (high - low):
        return low, high, None
    half = (high - low) // 2
    return low, high, low + half - half % 8


def _solve_lines(
    n: NDArray[np.float64],
    sx: NDArray[np.float64],
    sxx: NDArray[np.float64],
    sy: NDArray[np.float64],
    sxy: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slope and intercept of each line from its sums."""
    det = n * sxx - sx * sx
    det[det == 0] = np.nan
    slope = (n * sxy - sx * sy) / det
    return slope, (sy - slope * sx) / n


def find_sum_span(width: int, start: int, stop: int) -> tuple[int, int]:
    """Find the part of a row that can be summed in place of the row, to the last bit.

    Parameters
    ----------
    width : int
        Length of the row.
    start, stop : int [0 <= start < stop <= width]
        All samples outside are zero.

    Returns
    -------
    start, stop : int
        Around the given ones.

    Notes
    -----
    Source: numpy adds a row in halves (a multiple of 8 long) down to 128 samples, "pairwise", as
    the Notes of `numpy.sum` say; a half of zeros can be left out. The lengths: from memory.

    Examples
    --------
    >>> find_sum_span(4096, 3000, 3100)
    (2048, 4096)
    """
    low, high = 0, width
    while high - low > SUM_SAMPLES:
        half = (high - low) // 2
        middle = low + half - half % 8
        if start >= middle:
            low = middle
        elif stop <= middle:
            high = middle
        else:
            break
    return low, high


def average_ahead(total: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Mean of `span` samples from each one on, from running sums; fewer at the end.

    Parameters
    ----------
    total : float64 array [shape=(n_windows, n + 1)]
        Sum of all samples before each; starts with 0.
    span : int [unit=samples, >= 1]

    Returns
    -------
    mean : float64 array [shape=(n_windows, n)]

    Examples
    --------
    >>> average_ahead(np.array([[0.0, 1.0, 3.0, 6.0]]), 2).tolist()
    [[1.5, 2.5, 3.0]]
    """
    width = total.shape[1] - 1
    mean = np.empty((total.shape[0], width))
    whole = max(0, width - span + 1)
    np.subtract(total[:, span:], total[:, :whole], out=mean[:, :whole])
    mean[:, :whole] /= span
    np.subtract(total[:, width:], total[:, whole:width], out=mean[:, whole:])
    mean[:, whole:] /= width - np.arange(whole, width)
    return mean
