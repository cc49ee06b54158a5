"""Running robust statistics over rows in time order."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

BATCH_WINDOWS = 1 << 14  # reduced at once: some MB
BATCH_VALUES = 1 << 17  # in the windows sorted at once: 1 MB


def running_quantile(
    values: NDArray[np.float64], *, reach: int, quantile: float = 0.5, skip_self: bool = False
) -> NDArray[np.float64]:
    """Quantile of the neighbours within `reach` rows on each side, NaN left out.

    Parameters
    ----------
    values : float64 array [shape=(n,)]
    reach : int [>= 1]
        At the ends the window is moved inwards, so it always holds as many rows.
    quantile : float [0..1]
    skip_self : bool
        Leave the row itself out.

    Returns
    -------
    quantiles : float64 array [shape=(n,)]
        NaN where all neighbours are NaN.

    Examples
    --------
    >>> running_quantile(np.array([1.0, 9.0, 2.0, 3.0, 2.0]), reach=1).tolist()
    [2.0, 2.0, 3.0, 2.0, 2.0]
    """
    n = values.size
    width = 2 * reach + 1
    if n == 0:
        return values.copy()
    leave_out = skip_self and min(n, width) > 1
    has_holes = leave_out or bool(np.isnan(values).any())

    def compute(window: NDArray[np.float64], own: NDArray[np.int64]) -> NDArray[np.float64]:
        if leave_out:
            window = window.copy()
            window[np.arange(own.size), own] = np.nan
        if has_holes:
            return nan_quantile(window, quantile)
        return _quantile_of_rows(window, quantile)

    if n < width:
        return compute(np.tile(values, (n, 1)), np.arange(n))
    windows = np.lib.stride_tricks.sliding_window_view(values, width)
    batch = max(1, BATCH_VALUES // width)
    quantiles = np.empty(n)
    for at in range(0, n, batch):
        rows = np.arange(at, min(n, at + batch))
        start = np.clip(rows - reach, 0, n - width)
        quantiles[at : at + batch] = compute(windows[start], rows - start)
    return quantiles


def _quantile_of_rows(window: NDArray[np.float64], quantile: float) -> NDArray[np.float64]:
    """Quantile along rows of numbers, bit for bit numpy's, in a fifth of its time."""
    ordered = np.sort(window, axis=1)
    last = window.shape[1] - 1
    rank = int(np.floor(last * quantile))
    part = last * quantile - rank
    low, high = ordered[:, rank], ordered[:, min(rank + 1, last)]
    step = high - low
    return np.asarray(high - step * (1 - part) if part >= 0.5 else low + step * part)


def nan_quantile(window: NDArray[np.float64], quantile: float) -> NDArray[np.float64]:
    """Quantile along rows without NaN; sorts once (numpy's own loops row by row).

    Parameters
    ----------
    window : float64 array [shape=(n, width)]
    quantile : float [0..1]

    Returns
    -------
    quantiles : float64 array [shape=(n,)]
        NaN where a row holds no number.

    Examples
    --------
    >>> nan_quantile(np.array([[np.nan, 3.0, 1.0], [np.nan] * 3]), 0.5).tolist()
    [2.0, nan]
    """
    ordered = np.sort(window, axis=1)  # NaN go last
    n = np.sum(~np.isnan(window), axis=1)
    at = quantile * np.maximum(n - 1, 0)
    low = np.floor(at).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(n - 1, 0))
    rows = np.arange(window.shape[0])
    a, b = ordered[rows, low], ordered[rows, high]
    return np.where(n > 0, a + (at - low) * (b - a), np.nan)


def reduce_windows(
    values: NDArray[np.float64],
    width: int,
    reduce: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Reduce each window of so many rows to one value, not all of them at once.

    Parameters
    ----------
    values : float64 array [shape=(n,)]
    width : int [1..n]
    reduce : callable
        From windows [shape=(some, width)] to values [shape=(some,)].

    Returns
    -------
    reduced : float64 array [shape=(n - width + 1,)]

    Examples
    --------
    >>> reduce_windows(np.array([1.0, 9.0, 2.0, 3.0]), 3, lambda w: w.max(axis=1)).tolist()
    [9.0, 9.0]
    """
    windows = np.lib.stride_tricks.sliding_window_view(values, width)
    starts = range(0, len(windows), BATCH_WINDOWS)
    return np.concatenate([reduce(windows[s : s + BATCH_WINDOWS]) for s in starts])


def robust_spread(values: NDArray[np.float64]) -> float:
    """Give the normal standard deviation with the same median absolute deviation.

    NaN are left out.

    Notes
    -----
    Source: 1.4826 = 1 / Phi^-1(3/4) for the normal distribution, any statistics handbook.

    Examples
    --------
    >>> round(robust_spread(np.array([1.0, 2.0, 3.0, 100.0])), 4)
    1.4826
    """
    values = values[np.isfinite(values)]
    if values.size == 0:
        return float("nan")
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
