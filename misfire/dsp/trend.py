"""Local trend through neighbours, each row left out of its own: robust local regression."""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import nan_quantile

PASSES = 3  # each weighs down what lay off the fit before; the first, what is off the median
# Where the weight of an outlier reaches zero. Cleveland takes 4 (6 median deviations), for few
# outliers; here a quarter of the neighbours may be lost firings.
OUTLIER_SPREADS = 3.0
BATCH_ROWS = 1 << 12  # fitted at once: some MB; whole groups of rows, as products are rounded


def fit_local_trend(
    values: NDArray[np.float64], *, reach: int, degree: int = 2
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit a polynomial through the neighbours of each row, the row itself left out.

    Parameters
    ----------
    values : float64 array [shape=(n,)]
        NaN are left out.
    reach : int [>= 2]
        Rows on each side that are looked at.
    degree : int [>= 0]

    Returns
    -------
    trend : float64 array [shape=(n,)]
        What the neighbours let expect; NaN where fewer than `degree` + 2 are known.
    spread : float64 array [shape=(n,)]
        Robust standard deviation of the neighbours about their own fit.

    Notes
    -----
    Source: W. S. Cleveland, "Robust locally weighted regression and smoothing scatterplots",
    J. Am. Stat. Assoc. 74 (1979) 829: tricube weights by distance, bisquare weights by residual.
    Unlike there the first pass weighs as well, by the distance from the neighbours' median: least
    squares would be drawn to the outliers, and then find none.

    Examples
    --------
    >>> line = np.arange(12.0) ** 2
    >>> line[5] = 1000.0
    >>> trend, _ = fit_local_trend(line, reach=4)
    >>> round(float(trend[5]), 6)
    25.0
    """
    n = values.size
    trend, spread = np.full(n, np.nan), np.full(n, np.nan)
    offsets = np.concatenate((np.arange(-reach, 0), np.arange(1, reach + 1)))
    place = offsets / (reach + 1.0)
    near = (1.0 - np.abs(place) ** 3) ** 3
    powers = place[:, None] ** np.arange(2 * degree + 1)
    shape = np.arange(degree + 1)
    padded = np.concatenate((np.full(reach, np.nan), values, np.full(reach, np.nan)))
    for at in range(0, n, BATCH_ROWS):
        rows = slice(at, min(n, at + BATCH_ROWS))
        span = padded[at : rows.stop + 2 * reach]
        around = np.lib.stride_tricks.sliding_window_view(span, 2 * reach + 1)
        around = np.delete(around, reach, axis=1)
        known = ~np.isnan(around)
        residual = np.where(known, around - nan_quantile(around, 0.5)[:, None], 0.0)
        around = np.where(known, around, 0.0)
        by_distance = known * near
        enough = known.sum(axis=1) >= degree + 2
        for _ in range(PASSES):
            scale = _spread_along(residual, known)
            # a spread of zero leaves no weight to whatever lies off the line
            limit = np.fmax(OUTLIER_SPREADS * scale, np.finfo(float).tiny)[:, None]
            part = np.minimum(np.abs(residual), limit) / limit
            weight = by_distance * (1.0 - part**2) ** 2
            moments = weight @ powers
            matrix = moments[:, shape[:, None] + shape]
            # a trace of the identity: rows with too few neighbours stay solvable, and are dropped
            matrix = matrix + 1e-11 * np.eye(degree + 1)
            right = (weight * around) @ powers[:, : degree + 1]
            fitted = np.linalg.solve(matrix, right[..., None])[..., 0]
            residual = around - fitted @ powers[:, : degree + 1].T
        trend[rows] = np.where(enough, fitted[:, 0], np.nan)
        spread[rows] = np.where(enough, _spread_along(residual, known), np.nan)
    return trend, spread


def find_leverage(known: NDArray[np.bool_], *, reach: int, degree: int = 2) -> NDArray[np.float64]:
    """Find how far the scatter of the neighbours goes into the trend at each row.

    Parameters
    ----------
    known : bool array [shape=(n,)]
        Rows that the trend was fitted to.
    reach, degree : int
        As of `fit_local_trend`.

    Returns
    -------
    leverage : float64 array [shape=(n,)]
        Variance of the trend over that of a single row; NaN where there is no trend.

    Notes
    -----
    Source: variance of a weighted least-squares prediction, any statistics handbook; of Cleveland's
    weights those by distance.

    Examples
    --------
    >>> find_leverage(np.ones(9, bool), reach=4).round(2)[[0, 4]].tolist()
    [8.84, 0.39]
    """
    n = known.size
    offsets = np.concatenate((np.arange(-reach, 0), np.arange(1, reach + 1)))
    place = offsets / (reach + 1.0)
    near = (1.0 - np.abs(place) ** 3) ** 3
    powers = place[:, None] ** np.arange(2 * degree + 1)
    shape = np.arange(degree + 1)
    padded = np.concatenate((np.zeros(reach, bool), known, np.zeros(reach, bool)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    # nearly all rows look alike: each kind is worked out once
    leverage = np.full(n, np.nan)
    whole = windows.all(axis=1) | (np.delete(windows, reach, axis=1).all(axis=1))
    rows = np.flatnonzero(~whole)
    if whole.any():
        rows = np.append(rows, np.flatnonzero(whole)[0])
    for at in range(0, rows.size, BATCH_ROWS):
        some = rows[at : at + BATCH_ROWS]
        around = np.delete(windows[some], reach, axis=1)
        first, second = around * near, around * near**2
        one = (first @ powers)[:, shape[:, None] + shape] + 1e-11 * np.eye(degree + 1)
        two = (second @ powers)[:, shape[:, None] + shape]
        unit = np.zeros((some.size, degree + 1, 1))
        unit[:, 0] = 1.0
        take = np.linalg.solve(one, unit)
        value = (np.swapaxes(take, 1, 2) @ two @ take)[:, 0, 0]
        leverage[some] = np.where(around.sum(axis=1) >= degree + 2, value, np.nan)
    if whole.any():
        leverage[whole] = leverage[rows[-1]]
    return leverage


def _spread_along(residual: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Give the robust standard deviation about zero of each row."""
    return 1.4826 * nan_quantile(np.where(known, np.abs(residual), np.nan), 0.5)
