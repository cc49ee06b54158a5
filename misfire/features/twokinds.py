"""Cylinders whose firings are plainly of two kinds: lost ones and good ones.

A cylinder that fails as often as not has firings of two kinds, and medians that belong to neither:
Otsu's threshold, 4.5 spreads apart, both kinds around. The lost ones are then left out of trend,
noise and wheel errors, and all is measured once more.
"""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import robust_spread

TWO_KINDS, LEAST_OF_KIND = 4.5, 8  # spreads apart; firings
# Share of lost ones around: of fewer the medians know nothing, of more they are the usual firing.
FEWEST_LOST, MOST_LOST, AROUND = 0.15, 0.85, 21
FAR, OTHERS = 3.5, 0.03  # spreads of a cylinder's own; share of the others' firings as far off


def find_two_kinds(
    missing: NDArray[np.float64], noise: NDArray[np.float64], cylinder: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Find the lost firings of cylinders whose firings are plainly of two kinds.

    Parameters
    ----------
    missing, noise : float64 array [shape=(n_firings,), unit=1/s^2]
        Energy that each firing lacks, and its standard deviation: where the driver or the road
        shake all cylinders nothing is far off.
    cylinder : int64 array [shape=(n_firings,)]

    Returns
    -------
    lost : bool array [shape=(n_firings,)]
        False for all of a cylinder whose firings are of one kind, but for a few that are far off,
        close together and of no other cylinder at the time.

    Notes
    -----
    The threshold between both kinds is that of N. Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62
    (from memory); their distance is asked to be `TWO_KINDS` times the spread within. Of one normal
    law cut in half it is 2.65, of an even one 3.46.
    """
    lost = np.zeros(missing.size, bool)
    far = np.zeros(missing.size, bool)
    for c in np.unique(cylinder):
        rows = np.flatnonzero((cylinder == c) & np.isfinite(missing))
        values = missing[rows]
        if values.size < 2 * LEAST_OF_KIND:
            continue
        bound = _part(np.sort(values))
        if np.count_nonzero(values >= bound) >= LEAST_OF_KIND:
            lost[rows] = _keep_mixed(values >= bound)
        else:
            spread = np.fmax(robust_spread(values), noise[rows])
            far[rows] = values > np.median(values) + FAR * spread
    return _drop_runs(lost | _find_clusters(far, cylinder), cylinder)


def _part(values: NDArray[np.float64]) -> float:
    """Give the least value of the upper of two kinds; NaN where sorted values are of one kind."""
    count = np.arange(1, values.size)
    total = np.cumsum(values)
    low, high = total[:-1] / count, (total[-1] - total[:-1]) / (values.size - count)
    between = count * (values.size - count) * (high - low) ** 2
    at = int(np.argmax(between)) + 1
    within = np.concatenate((values[:at] - low[at - 1], values[at:] - high[at - 1]))
    apart = high[at - 1] - low[at - 1] > TWO_KINDS * float(np.std(within))
    return float(values[at]) if apart else np.nan


def _share_around(flags: NDArray[np.bool_], width: int) -> NDArray[np.float64]:
    """Give the share of true ones among `width` rows about each; the ends count on."""
    before, after = width // 2, width - 1 - width // 2
    total = np.cumsum(np.concatenate(([0], np.pad(flags, (before, after), mode="edge"))))
    return np.asarray((total[width:] - total[:-width]) / width)


def _keep_mixed(second: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep those of the second kind that stand among as many of the first."""
    share = _share_around(second, AROUND)
    return np.asarray(second & (share >= FEWEST_LOST) & (share <= MOST_LOST))


def _drop_runs(lost: NDArray[np.bool_], cylinder: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Leave out runs of two cycles and more in which nothing burns: that is the load, or a cut."""
    least = max(2 * np.unique(cylinder).size, LEAST_OF_KIND)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], lost.view(np.int8), [0]))))
    kept = lost.copy()
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start >= least:
            kept[start:stop] = False
    return kept


def _find_clusters(far: NDArray[np.bool_], cylinder: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Keep outliers of one cylinder that cluster in time while no other cylinder has any."""
    n = np.unique(cylinder).size
    if n < 3 or not far.any():
        return np.zeros(far.size, bool)
    around = AROUND * n
    kept = np.zeros(far.size, bool)
    whole = _share_around(far, around) * n
    for c in np.unique(cylinder[far]):
        own = far & (cylinder == c)
        share = _share_around(own, around) * n
        alone = (whole - share) / (n - 1) < OTHERS
        kept |= own & (share >= FEWEST_LOST) & (share <= MOST_LOST) & alone
    return kept
