"""Odd firings of one cylinder beside those of the others, before and after: exact chances."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.batch.comparison_rates import Count

PLAIN = 1e-3  # chance below which odd firings are no accident
SURE = 1e-5  # chance below which they need not become fewer to be believed
PLAIN_STEP = 1e-2  # the same of a level, which is asked to be off before and to move
PLAIN_AFTER = 5e-3  # chance below which a fault is still at work
APART = 1e-4  # chance below which another cylinder is at fault as well
LEAST_KEPT = 3  # other cylinders that tell how much sound ones differ
MOST_FELL = 0.05  # chance that odd firings are as many after


@dataclass(frozen=True, slots=True)
class Excess:
    """Odd firings of one cylinder (or pair) beside those of the others.

    `chance`: of so many by accident, from 0 to 1. `lost`: how many are beyond what the others have.
    """

    own: Count
    others: Count
    bound: float
    chance: float
    lost: Count = Count(0, 0)

    @property
    def is_plain(self) -> bool:
        """Whether accident is ruled out."""
        return self.chance <= PLAIN


NO_EXCESS = Excess(Count(0, 0), Count(0, 0), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Step:
    """How far a cylinder stands from the others before and after, to the side of the fault.

    `chance`: of standing out so far before and of coming so far back, by what the others do.
    """

    before: float
    after: float
    chance: float


NO_STEP = Step(math.nan, math.nan, 1.0)


@dataclass(frozen=True, slots=True)
class View:
    """What one quantity of both recordings together tells of one cylinder or pair.

    `after` counts every firing, `like` those at speeds that both recordings have, as `before`
    does; `again` is the own count of `like` at the bound of `before`.
    """

    quantity: str
    before: Excess
    after: Excess
    like: Excess
    again: Count
    step: Step

    @property
    def fell(self) -> float:
        """Chance that odd firings are only by accident fewer after."""
        return compute_fisher(self.before.own, self.again)

    @property
    def shows_change(self) -> bool:
        """Whether a fault is to be seen before that both recordings together prove."""
        return self.has_odd or self.has_step

    @property
    def has_odd(self) -> bool:
        """Whether firings are odd before, and fewer after or beyond any doubt."""
        sure = self.before.chance <= SURE or self.fell <= MOST_FELL
        return self.before.is_plain and sure

    @property
    def has_step(self) -> bool:
        """Whether the cylinder stood apart before, and came back."""
        return self.step.chance <= PLAIN_STEP

    @property
    def is_left(self) -> bool:
        """Whether firings are still odd after."""
        return self.after.chance <= PLAIN_AFTER


def count_beyond(own: Count, others: Count) -> Count:
    """Take from a count what the others would have in its place.

    Parameters
    ----------
    own, others : Count

    Returns
    -------
    lost : Count
    """
    usual = others.rate * own.judged if others.judged else 0.0
    return Count(max(0, round(own.lost - usual)), own.judged, own.bunching)


def compute_fisher(count: Count, other: Count) -> float:
    """Chance of so many in the first of two counts, were their shares alike.

    Parameters
    ----------
    count, other : Count

    Returns
    -------
    chance : float [0..1]
        R. A. Fisher's exact test, one-sided.

    Examples
    --------
    >>> round(compute_fisher(Count(3, 10), Count(0, 10)), 4)  # C(10, 3) / C(20, 3)
    0.1053
    """
    from scipy.stats import hypergeom

    if not count.judged or not other.judged:
        return 1.0
    total, lost = count.judged + other.judged, count.lost + other.lost
    return float(hypergeom.sf(count.lost - 1, total, lost, count.judged))


def compute_tail(lost: int, judged: int, share: float) -> float:
    """Chance of at least so many of a number, by the binomial law.

    Parameters
    ----------
    lost, judged : int
    share : float [0..1]

    Returns
    -------
    chance : float [0..1]
    """
    from scipy.stats import binom

    return float(binom.sf(lost - 1, judged, share)) if judged else 1.0


def compute_overdispersed(count: Count, each: list[Count]) -> float:
    """Chance of so many in one of several counts whose shares differ more than accident makes them.

    Parameters
    ----------
    count : Count
    each : list of Count
        Those of the others. One that is plainly apart from the rest of them does not count.

    Returns
    -------
    chance : float [0..1]
        Negative binomial law with the mean and the variance of the others; 0 where they are too
        few to tell, or differ no more than by accident.
    """
    from scipy.stats import nbinom

    kept = []
    for i, one in enumerate(each):
        rest = [c for j, c in enumerate(each) if j != i]
        total = Count(sum(c.lost for c in rest), sum(c.judged for c in rest))
        if compute_fisher(one, total) > APART:
            kept.append(one)
    if len(kept) < LEAST_KEPT:
        return 0.0
    scaled = np.array([c.lost * count.judged / c.judged for c in kept])
    mean, variance = float(scaled.mean()), float(scaled.var(ddof=1))
    if variance <= mean:
        return 0.0
    size = mean**2 / (variance - mean)
    return float(nbinom.sf(count.lost - 1, size, size / (size + mean)))


def compute_outlying(
    value: float, others: NDArray[np.float64], error: float, *, usual: float, weight: int
) -> float:
    """Chance of a value so far above the middle of others, which scatter.

    Parameters
    ----------
    value : float
        Less the middle of the others.
    others : float64 array [shape=(n,), n >= 2]
    error : float [> 0]
        Least standard deviation that is believed: the error of measuring them.
    usual : float [> 0]
        Standard deviation that such values have elsewhere.
    weight : int
        Number of values that the knowledge of `usual` counts for.

    Returns
    -------
    chance : float [0..1]
        Student's law of one more value of a normal sample: by the sample alone, and by the sample
        put together with what is usual, the plainer of both, times two.
    """
    from scipy.stats import t

    widen = math.sqrt(1.0 + 1.0 / others.size)
    free = others.size - 1
    own = max(float(np.std(others, ddof=1)), error)
    both = math.sqrt((free * own**2 + weight * usual**2) / (free + weight))
    alone = float(t.sf(value / (own * widen), free))
    together = float(t.sf(value / (both * widen), free + weight))
    return min(1.0, 2.0 * min(alone, together))
