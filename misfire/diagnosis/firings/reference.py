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
LEAST_CYLINDERS = 3  # of which one may be at fault and the middle one is not
# Least scatters by which the levels of sound cylinders differ on like channels, at least
APART = 2.0
WITHIN_50, WITHIN_90, WITHIN_95 = 0.741, 2.132, 2.776
"""Scales that hold these shares of Student's law of `FREEDOM` degrees (tables of statistics)."""
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, normal law


def compare_with_sound(
    values: NDArray[np.float64],
    sound: NDArray[np.bool_],
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    least: float,
    moving: NDArray[np.bool_] | None = None,
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
    moving : bool array [shape=(n_firings,)], optional
        Where speed and load change within a cycle: the trend lags behind, so that those firings
        tell their own scatter.

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
    sigma = np.full(values.size, scatter)
    if moving is not None and moving[rows].any():
        at = rows[moving[rows]]
        sigma[moving] = max(scatter, _find_scatter(apart[at], cylinder[at]))
    levels = level[own_known]
    between = TO_SIGMA * float(np.median(np.abs(levels))) if levels.size >= 3 else 0.0
    stranger = np.hypot(sigma, max(between, APART * least))
    return apart, np.where(own_known[cylinder], sigma, stranger)


def _find_scatter(apart: NDArray[np.float64], cylinder: NDArray[np.int64]) -> float:
    """Find the scale of sound firings by Student's law, without faults among them.

    They are weighed by that law: its own tails count once. Fatter ones widen the scale, or they
    accuse. But a fault has tails too. Chance has them in all cylinders: the middle one's count. Of
    one or two cylinders, where that tells nothing, it has them on both sides, and a fault on one.
    """
    tails = []
    for c in np.unique(cylinder):
        own = apart[cylinder == c]
        if own.size >= LEAST_OWN:
            low, high = np.quantile(own, (0.025, 0.975))
            outer, inner = min(-low, high) / WITHIN_95, np.quantile(np.abs(own), 0.9) / WITHIN_90
            tails.append((outer, inner))
    few = len(tails) < LEAST_CYLINDERS
    sizes = sorted(shorter if few else both for shorter, both in tails)
    middle = sizes[(len(sizes) - 1) // 2] if sizes else 0.0
    return max(float(np.median(np.abs(apart))) / WITHIN_50, middle)


def _find_step(values: NDArray[np.float64]) -> float:
    """Find the step in which a coarse instrument tells a measure; next to nothing if fine enough.

    Most values are then the same and scatter by nothing, and the next step up is no strangeness:
    the distance of the middle firing's value to the nearest other one.
    """
    distinct, counts = np.unique(values, return_counts=True)
    if distinct.size < 2:
        return 0.0
    gaps = np.diff(distinct)
    nearest = np.fmin(np.append(gaps, np.nan), np.append(np.nan, gaps))
    return float(np.median(np.repeat(nearest, counts)))
