"""Cylinders whose firings are plainly of two kinds: lost ones and good ones."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

TWO_KINDS, LEAST_OF_KIND = 4.5, 8  # spreads apart; firings
# Share of lost ones around: of fewer the medians know nothing, of more they are the usual firing.
FEWEST_LOST, MOST_LOST, AROUND = 0.15, 0.85, 21


def find_two_kinds(missing: NDArray[np.float64], cylinder: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Find the lost firings of cylinders whose firings are plainly of two kinds.

    Parameters
    ----------
    missing : float64 array [shape=(n_firings,), unit=1/s^2]
        Energy that each firing lacks.
    cylinder : int64 array [shape=(n_firings,)]

    Returns
    -------
    lost : bool array [shape=(n_firings,)]
        False for all of a cylinder whose firings are of one kind.

    Notes
    -----
    The threshold between both kinds is that of N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62
    (from memory); their distance is asked to be `TWO_KINDS` times the spread within. Of one normal
    law cut in half it is 2.65, of an even one 3.46.
    """
    lost = np.zeros(missing.size, bool)
    for c in np.unique(cylinder):
        rows = np.flatnonzero((cylinder == c) & np.isfinite(missing))
        values = np.sort(missing[rows])
        if values.size < 2 * LEAST_OF_KIND:
            continue
        count = np.arange(1, values.size)
        total = np.cumsum(values)
        low, high = total[:-1] / count, (total[-1] - total[:-1]) / (values.size - count)
        between = count * (values.size - count) * (high - low) ** 2
        at = int(np.argmax(between)) + 1
        within = np.concatenate((values[:at] - low[at - 1], values[at:] - high[at - 1]))
        if high[at - 1] - low[at - 1] > TWO_KINDS * float(np.std(within)):
            second = missing[rows] >= values[at]
            share = uniform_filter1d(second.astype(float), AROUND, mode="nearest")
            lost[rows[second & (share >= FEWEST_LOST) & (share <= MOST_LOST)]] = True
    return lost
