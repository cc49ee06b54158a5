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
    [[nan, 0.0], [2.0, 3.0]]
    """
    index = anchors[:, None] + np.arange(-before, after)
    inside = (index >= 0) & (index < counts.size)
    if counts.size == 0:
        return np.full(index.shape, np.nan)
    if inside.all():
        return np.asarray(counts[index], dtype=np.float64)
    windows: NDArray[np.float64] = counts[np.clip(index, 0, counts.size - 1)].astype(np.float64)
    windows[~inside] = np.nan
    return windows


def fit_lines(
    windows: NDArray[np.float64], mask: NDArray[np.bool_], x: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit one straight line to the masked part of every window.

    Parameters
    ----------
    windows : float64 array [shape=(n_windows, n)]
    mask : bool array [shape=(n_windows, n)]
    x : float64 array [shape=(n,)]
        Common abscissa.

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
    mask = mask & np.isfinite(windows)
    y = np.where(mask, windows, 0.0)
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
