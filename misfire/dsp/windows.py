"""Cut equal windows around many instants into one array, for work on all of them at once."""

import numpy as np
from numpy.typing import NDArray


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
    sx = (mask * x).sum(axis=1)
    sxx = (mask * (x * x)).sum(axis=1)
    sy = y.sum(axis=1)
    sxy = (y * x).sum(axis=1)
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
    while high - low > 128:
        half = (high - low) // 2
        middle = low + half - half % 8
        if start >= middle:
            low = middle
        elif stop <= middle:
            high = middle
        else:
            break
    return low, high
