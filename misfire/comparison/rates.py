"""Counts of lost firings before and after: exact intervals, bouts, and how much more is needed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import Count, compute_tail
from misfire.errors import ParameterError

RISK = 0.05  # of calling a fault gone that would not have shown
RISK_CURED = 0.025  # the same where that is to be called cured: one side of a 95 % interval
LONGEST_LAG = 60  # cycles over which lost firings are looked at for hanging together
MOST_CYCLES = 10_000_000


def compute_bunching(lost: NDArray[np.bool_]) -> float:
    """Factor by which bouts of lost firings reduce the number of independent firings.

    Parameters
    ----------
    lost : bool array [shape=(n,)]
        One cylinder's firings in time order.

    Returns
    -------
    bunching : float [>= 1]
        Variance of the share over that of independent firings: 1 + 2 x the sum of the
        autocorrelations, up to the first that is not positive.

    Notes
    -----
    Source: design effect of correlated trials (L. Kish, Survey Sampling, 1965); the sum is cut
    after C. J. Geyer, Statist. Sci. 7 (1992) 473, initial positive sequence (both from memory).
    For a bout that goes on with probability a and begins rarely it tends to (1 + a) / (1 - a).
    """
    x = lost.astype(float) - lost.mean() if lost.size else np.empty(0)
    power = float(x @ x)
    if x.size < 8 or power <= 0:
        return 1.0
    total = 0.0
    for lag in range(1, min(LONGEST_LAG, x.size // 3) + 1):
        part = float(x[:-lag] @ x[lag:]) / power
        if part <= 0.05:
            break
        total += part
    return 1.0 + 2.0 * total


def compute_chance_unseen(before: Count, judged_after: float) -> float:
    """Chance that `judged_after` firings show no loss, were the fault still as before.

    Parameters
    ----------
    before : Count
    judged_after : float [>= 0]

    Returns
    -------
    chance : float [0..1]

    Notes
    -----
    Were the rate the same, every choice of the lost firings among all firings of both recordings
    would be equally likely; this is the share of the choices in which all fell into the first
    one: R. A. Fisher's exact test (Statistical Methods for Research Workers, section 21.02, from
    memory). Counts are divided by the bunching before: a bout counts about once.

    Examples
    --------
    >>> round(compute_chance_unseen(Count(5, 100), 100), 4)  # C(100, 5) / C(200, 5)
    0.0297
    """
    if judged_after < 0:
        raise ParameterError(f"a number of firings cannot be negative, got {judged_after}")
    if before.lost == 0 or before.judged == 0:
        return 1.0
    lost, judged, more = (x / before.bunching for x in (before.lost, before.judged, judged_after))
    chosen = math.lgamma(judged + 1) - math.lgamma(judged - lost + 1)
    of_all = math.lgamma(judged + more + 1) - math.lgamma(judged + more - lost + 1)
    return math.exp(min(0.0, chosen - of_all))


def compute_cycles_needed(before: Count, judged_after: int, *, risk: float = RISK) -> int | None:
    """How many more firings without a loss would show that the fault is gone.

    Parameters
    ----------
    before : Count
    judged_after : int
    risk : float [0..1]

    Returns
    -------
    more : int or None
        0 when there are enough; None when no sensible number would do.

    Examples
    --------
    >>> compute_cycles_needed(Count(5, 100), 50)  # C(100, 5) / C(181, 5) = 0.0492
    31
    """
    if before.lost == 0:
        return None
    low, high = judged_after, max(judged_after, 1)
    if compute_chance_unseen(before, judged_after) <= risk:
        return 0
    while compute_chance_unseen(before, high) > risk:
        low, high = high, high * 2
        if high > MOST_CYCLES:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        if compute_chance_unseen(before, middle) <= risk:
            high = middle
        else:
            low = middle
    return high - judged_after


def compute_chance_lower(before: Count, after: Count) -> float:
    """Probability that the rate after is below the rate before.

    Parameters
    ----------
    before, after : Count

    Returns
    -------
    chance : float [0..1]
        NaN when nothing was judged on one side.

    Notes
    -----
    Beta posteriors with Jeffreys' prior on counts divided by the greater bunching; the difference
    is summed on a fixed grid of quantiles, so that the answer has no luck in it.
    """
    if not before.judged or not after.judged:
        return math.nan
    from scipy.stats import beta

    bouts = max(before.bunching, after.bunching)  # few losses do not show that they come in bouts

    def law(count: Count) -> tuple[float, float]:
        return count.lost / bouts + 0.5, (count.judged - count.lost) / bouts + 0.5

    grid = (np.arange(400) + 0.5) / 400
    return float(np.mean(beta.cdf(beta.ppf(grid, *law(before)), *law(after))))


def compute_difference_interval(before: Count, after: Count) -> tuple[float, float]:
    """Interval (95 %) of the rate after minus the rate before.

    Parameters
    ----------
    before, after : Count

    Returns
    -------
    low, high : float [-1..1]
        NaN when nothing was judged on one side.

    Notes
    -----
    Source: R. G. Newcombe, Statist. Med. 17 (1998) 873, the score intervals of both shares put
    together as squares (from memory); here with the exact intervals in their place, which are
    wider.
    """
    if not before.judged or not after.judged:
        return math.nan, math.nan
    (low_b, high_b), (low_a, high_a) = before.interval(), after.interval()
    change = after.rate - before.rate
    down = math.hypot(after.rate - low_a, high_b - before.rate)
    up = math.hypot(high_a - after.rate, before.rate - low_b)
    return max(-1.0, change - down), min(1.0, change + up)


def compute_more_than(count: Count, background: Count) -> float:
    """Chance of losing so many by false alarms at the rate of `background`.

    Parameters
    ----------
    count, background : Count
        Firings of a cylinder under suspicion, and of those that are not.

    Returns
    -------
    chance : float [0..1]
        Binomial tail at the rate (lost + 1/2) / (judged + 1); 1 where nothing was lost.
    """
    usual = (background.lost + 0.5) / (background.judged + 1.0)
    return compute_tail(count.lost, count.judged, usual)
