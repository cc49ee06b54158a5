"""Chances of counts: intervals of shares, binomial tails, counts set against one another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ParameterError

APART = 1e-4  # chance below which another cylinder is at fault as well
LEAST_KEPT = 3  # other cylinders that tell how much sound ones differ


def compute_wilson(k: float, n: float, *, z: float = 1.959963984540054) -> tuple[float, float]:
    """Interval of a share by Wilson's score.

    Parameters
    ----------
    k, n : float [0 <= k <= n]
        Successes and trials. `k` may be a sum of vehicles' shares.
    z : float
        Normal quantile; 1.96 for 95 %.

    Returns
    -------
    low, high : float
        NaN if there were no trials.

    Raises
    ------
    ParameterError
        If `k` is not between 0 and `n`.

    Notes
    -----
    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209, without continuity correction.

    Examples
    --------
    >>> tuple(round(x, 4) for x in compute_wilson(9, 10))
    (0.5958, 0.9821)
    """
    if not 0 <= k <= n * (1 + 1e-9):  # sums of shares may round up
        raise ParameterError(f"need 0 <= k <= n, got {k} of {n}")
    if not n:
        return np.nan, np.nan
    share = k / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low, high = float(middle - half), float(middle + half)
    return (0.0 if k <= 0 else max(0.0, low)), (1.0 if k >= n else min(1.0, high))


def compute_clopper_pearson(k: float, n: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of a share that covers at least as often as it says, for rare events.

    Parameters
    ----------
    k, n : float [0 <= k <= n]
    confidence : float [0..1]

    Returns
    -------
    low, high : float
        NaN if there were no trials.

    Notes
    -----
    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404, by beta quantiles.

    Examples
    --------
    >>> round(compute_clopper_pearson(0, 100)[1], 4)
    0.0362
    """
    from scipy.stats import beta

    if n <= 0:
        return np.nan, np.nan
    tail = (1 - confidence) / 2
    low = 0.0 if k <= 0 else float(beta.ppf(tail, k, n - k + 1))
    high = 1.0 if k >= n else float(beta.ppf(1 - tail, k + 1, n - k))
    return low, high


@dataclass(frozen=True, slots=True)
class Count:
    """Lost firings among those judged; `bunching` >= 1: how much they come in bouts.

    A bunching of 10 means that the firings tell as much as a tenth of them would, did each fail
    by itself.
    """

    lost: int
    judged: int
    bunching: float = 1.0

    def __add__(self, other: Count) -> Count:
        """Put two counts together, each firing by itself."""
        return Count(self.lost + other.lost, self.judged + other.judged)

    @property
    def rate(self) -> float:
        """Share lost; NaN when none was judged."""
        return self.lost / self.judged if self.judged else math.nan

    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of the share (Clopper and Pearson)."""
        return compute_clopper_pearson(self.lost, self.judged)


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


def compute_surprise(
    lost: NDArray[np.float64], expected: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How surprising counts are that exceed what is expected of chance, by Poisson's law.

    Parameters
    ----------
    lost : float64 array [>= 0]
    expected : float64 array [> 0]
        The law's mean.

    Returns
    -------
    surprise : float64 array [unit=nats, >= 0]
        The chance of so many or more is at most exp(-surprise) (Chernoff's bound).

    Examples
    --------
    >>> compute_surprise(np.array([3.0, 1.0]), np.array([3.0 / np.e, 2.0])).round(4).tolist()
    [1.1036, 0.0]
    """
    excess = lost * np.log(np.maximum(lost, 1e-9) / expected) - (lost - expected)
    return np.where(lost > expected, excess, 0.0)


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
    others : float64 array [shape=(n,), n >= 1]
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
    if not free + weight:
        return 1.0
    if not free:  # one other does not tell how they scatter, only how well it was measured
        return min(1.0, 2.0 * float(t.sf(value / (math.hypot(usual, error) * widen), weight)))
    own = max(float(np.std(others, ddof=1)), error)
    both = math.sqrt((free * own**2 + weight * usual**2) / (free + weight))
    alone = float(t.sf(value / (own * widen), free))
    together = float(t.sf(value / (both * widen), free + weight))
    return min(1.0, 2.0 * min(alone, together))


def count_needed(one_in: int, *, certainty: float = 0.95) -> int:
    """Give the firings needed to meet a fault that comes once in `one_in` at least once.

    Parameters
    ----------
    one_in : int [>= 1]
    certainty : float [0..1)

    Returns
    -------
    n : int

    Notes
    -----
    Source: binomial distribution: the chance of no event in n trials is (1 - p)^n <= 0.05, so
    n >= ln 0.05 / ln(1 - p); about 3 / p for rare events (the rule of three).

    Examples
    --------
    >>> count_needed(100), count_needed(1)
    (299, 1)
    """
    if one_in <= 1:
        return 1
    return math.ceil(math.log(1 - certainty) / math.log1p(-1.0 / one_in))


def find_rarest(n_firings: int, *, certainty: float = 0.95) -> int:
    """Give the rarest fault, as once in how many, that n firings would have shown.

    Parameters
    ----------
    n_firings : int [>= 0]
    certainty : float [0..1)

    Returns
    -------
    one_in : int
        The largest for which `count_needed(one_in) <= n_firings`; 0 for no firing.

    Examples
    --------
    >>> find_rarest(299), find_rarest(298), find_rarest(0)
    (100, 99, 0)
    """
    if n_firings < 1:
        return 0
    if n_firings == 1:
        return 1
    return int(1.0 / (1.0 - (1 - certainty) ** (1.0 / n_firings)) + 1e-9)


def log_normal(value: NDArray[np.float64], spread: NDArray[np.float64]) -> NDArray[np.float64]:
    """Natural log of the normal law's density.

    Parameters
    ----------
    value : float64 array
        Distance from the mean.
    spread : float64 array [> 0]
        Standard deviation.

    Returns
    -------
    log_density : float64 array

    Examples
    --------
    >>> round(float(log_normal(np.array(0.0), np.array(1.0))), 4)
    -0.9189
    """
    return np.asarray(-0.5 * (value / spread) ** 2 - np.log(spread) - 0.5 * math.log(2 * math.pi))


def log_student(
    value: NDArray[np.float64], spread: NDArray[np.float64], *, freedom: float
) -> NDArray[np.float64]:
    """Natural log of the density of Student's law, whose tails are heavy.

    Parameters
    ----------
    value : float64 array
        Distance from the centre.
    spread : float64 array [> 0]
        Scale.
    freedom : float [> 0]
        Degrees of freedom.

    Returns
    -------
    log_density : float64 array

    Examples
    --------
    >>> round(float(log_student(np.array(0.0), np.array(1.0), freedom=1.0)), 4)  # 1 / pi
    -1.1447
    """
    constant = math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2)
    constant -= 0.5 * math.log(freedom * math.pi)
    tail = np.log1p((value / spread) ** 2 / freedom)
    return np.asarray(constant - np.log(spread) - 0.5 * (freedom + 1) * tail)
