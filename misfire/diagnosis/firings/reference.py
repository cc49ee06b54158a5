"""What a sound spark of each cylinder measures at each moment, from the firings believed sound."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import running_quantile

LEAST_SOUND = 5  # firings; fewer make no reference
LEAST_OWN = 4  # sound firings of a cylinder from which its own level is told
HELD_BACK = 4.0  # firings by which a cylinder's level is drawn to that of the others
REACH_CYCLES = 4  # on each side, over which the engine's running condition is followed
LEAST_REACH = 12  # firings
REPEATED = 8  # times that each value comes, in the mean, where a measure is told in steps
LEAST_CYLINDERS = 3  # of which one may be at fault and the middle one is not
APART = (
    2.0  # least scatters by which the levels of sound cylinders differ on like channels, at least
)
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, normal law


def compare_with_sound(
    values: NDArray[np.float64],
    sound: NDArray[np.bool_],
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    least: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set a measure of every firing against what a sound firing would measure there.

    Parameters
    ----------
    values : float64 array [shape=(n_firings,)]
        In time order; NaN where not measured.
    sound : bool array [shape=(n_firings,)]
        Which firings are believed sound: the only ones that make the reference. A median of all
        would follow a fault that is there more often than not.
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int
    least : float [> 0]
        Least scatter of the measure, in its unit.

    Returns
    -------
    apart : float64 array [shape=(n_firings,)]
        Value less reference; NaN where either is missing.
    sigma : float64 array [shape=(n_firings,)]
        Scatter of sound firings about it; wider where the cylinder has no sound firing of its own
        and the others' level stands in for it.

    Notes
    -----
    The reference is a trend that all cylinders share (speed, load, supply) and a level of each.
    """
    missing = np.full(values.size, np.nan)
    use = np.isfinite(values) & sound
    rows = np.flatnonzero(use)
    if rows.size < LEAST_SOUND:
        return missing, missing
    level = np.zeros(n_cylinders + 1)
    count = np.bincount(cylinder[rows], minlength=n_cylinders + 1)
    reach = min(max(REACH_CYCLES * n_cylinders, LEAST_REACH), (rows.size - 1) // 2)
    apart = missing
    for _ in range(2):  # the trend without the levels, the levels without the trend
        trend = running_quantile(values[rows] - level[cylinder[rows]], reach=reach)
        apart = values - np.interp(np.arange(values.size), rows, trend)
        for c in np.flatnonzero(count):
            own = np.median(apart[rows[cylinder[rows] == c]])
            level[c] = own * count[c] / (count[c] + HELD_BACK)
    apart = apart - level[cylinder]
    own_known = count >= LEAST_OWN
    scatter = max(_find_scatter(apart[rows], cylinder[rows]), _find_step(values[rows]))
    levels = level[own_known]
    between = TO_SIGMA * float(np.median(np.abs(levels))) if levels.size >= 3 else 0.0
    stranger = np.hypot(scatter, max(between, APART * least))
    return apart, np.where(own_known[cylinder], scatter, stranger)


def _find_scatter(apart: NDArray[np.float64], cylinder: NDArray[np.int64]) -> float:
    """Find the standard deviation of sound firings, with fat tails, without faults among them.

    90 % of a normal law lie within 1.645 sigma: tails that are fatter count, or they accuse. But a
    fault has tails too. Chance has them in all cylinders: the middle one's count. Of one or two
    cylinders, where that tells nothing, it has them on both sides, and a fault on one.
    """
    tails = []
    for c in np.unique(cylinder):
        own = apart[cylinder == c]
        if own.size >= LEAST_OWN:
            low, high = np.quantile(own, (0.025, 0.975))  # within 1.96 sigma
            tails.append((min(-low, high) / 1.96, np.quantile(np.abs(own), 0.9) / 1.645))
    few = len(tails) < LEAST_CYLINDERS
    sizes = sorted(shorter if few else both for shorter, both in tails)
    middle = sizes[(len(sizes) - 1) // 2] if sizes else 0.0
    return max(TO_SIGMA * float(np.median(np.abs(apart))), middle)


def _find_step(values: NDArray[np.float64]) -> float:
    """Find the step in which a coarse instrument tells a measure; 0 where it is fine enough.

    Most values are then the same and scatter by nothing, and the next step up is no strangeness.
    """
    distinct = np.unique(values)
    if distinct.size < 2 or distinct.size * REPEATED > values.size:
        return 0.0
    return float(np.median(np.diff(distinct)))
