"""What a firing lacks in combustions: the whole stroke and its first half, and steps of the load.

Both halves of a stroke tell the same work, each with an error of its own, so they are put together
in one unit and by how well each is known. What stays lacking behind a firing is a step of the load.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from misfire.features.overlap import gather, share_work, take_out_larger

MOST_HALF = 0.7  # weight of the first half: it is a part of the whole
ALWAYS_FAILS = 0.03  # of cylinders: give less in all their firings, by anything up to a combustion
UNEVEN = 0.05  # of a combustion: cylinders of one engine are filled and fed so alike (rough)
LOWEST_ORDER = 0.18  # of the twist's spread comes once a cycle: of 20 drawn cranks one has more
LONE = 1.5  # the early half of a stroke may lack this much more than the whole, not more


def gather_half(
    missing: NDArray[np.float64],
    noise: NDArray[np.float64],
    tdc_deg: NDArray[np.float64],
    followed_deg: NDArray[np.float64],
    half_deg: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Estimate the work that each firing lacks from the first half of its stroke alone.

    Parameters
    ----------
    missing, noise : float64 array [shape=(n_firings,), unit=1/s^2]
        What the first half of each stroke lacks, and its standard deviation.
    tdc_deg : float64 array [shape=(n_firings,), unit=deg, ascending]
    followed_deg : float64 array [shape=(n_firings,), unit=deg]
        How far each first half is followed from its TDC.
    half_deg : float [unit=deg]
        Half of the window over which the speed is taken.

    Returns
    -------
    missing, noise : float64 array [shape=(n_firings,), unit=1/s^2]
        Of the whole work of a firing.
    """
    shares = share_work(tdc_deg, followed_deg, half_deg)
    noise = gather(noise, shares, spreads=True)
    return take_out_larger(gather(missing, shares), shares, noise), noise


def find_twist(
    standing: NDArray[np.float64],
    spread: NDArray[np.float64],
    work: NDArray[np.float64],
    n_cylinders: int,
) -> NDArray[np.float64]:
    """Find how much of what a cylinder always lacks is the twist of a long crank.

    Each throw pushes at another distance from the sensor, so that cylinders seem to give more or
    less, up to what a twist can be; beyond that it is the cylinder (Bayes' rule). Within it the
    orders tell: the twist by what comes once a cycle is small and grows with the square of the
    order, uneven charges mark all orders alike and little, a cylinder that fails marks them much
    (least squares over each cycle, then Bayes' rule over its cylinders).

    Parameters
    ----------
    standing, spread : float64 array [shape=(n_firings,), unit=1/s^2]
        What each firing's cylinder always lacks, and the standard deviation that twists make.
    work : float64 array [shape=(n_firings,), unit=1/s^2]
        Of a usual combustion.
    n_cylinders : int [>= 2]

    Returns
    -------
    twist : float64 array [shape=(n_firings,), unit=1/s^2]

    Notes
    -----
    Below its resonance a mass on a spring follows a force at once, so that its speed grows with the
    order, and so does the difference of two places (any handbook of mechanical vibration).
    """
    by_twist = np.exp(-0.5 * (standing / spread) ** 2) / (np.sqrt(2.0 * np.pi) * spread)
    twist = standing * by_twist / (by_twist + ALWAYS_FAILS / work)
    lowest, uneven = (LOWEST_ORDER * spread) ** 2, (UNEVEN * work) ** 2
    known0 = _invert(0, lowest, uneven, n_cylinders)
    told = sum(
        _invert(k, lowest, uneven, n_cylinders) * beside
        for k, beside in _look_beside(np.nan_to_num(twist), n_cylinders)
    )
    own = np.maximum(told, 0.0) / known0
    sigma = 1.0 / np.sqrt(known0)
    odds = np.log(ALWAYS_FAILS / work * np.sqrt(2.0 * np.pi) * sigma) + (own / sigma) ** 2 / 2.0
    odds = np.where((own > 0.0) & np.isfinite(odds), odds, -np.inf)
    most, total = np.zeros(odds.size), np.zeros(odds.size)
    for _, beside in _look_beside(odds, n_cylinders, beyond=-np.inf):
        np.maximum(most, beside, out=most)
    for _, beside in _look_beside(odds, n_cylinders, beyond=-np.inf):
        total += np.exp(beside - most)
    return np.asarray(twist - own * np.exp(odds - most) / (np.exp(-most) + total))


def _invert(
    away: int, lowest: NDArray[np.float64], uneven: NDArray[np.float64], n_cylinders: int
) -> NDArray[np.float64]:
    """Give the inverse covariance, so many places apart in a cycle, of twist and uneven charges.

    By its orders, as both are alike all around the cycle (circulant matrix, any handbook of linear
    algebra). What all cylinders lack is no lack: order 0 is left out.
    """
    inverse = np.zeros(lowest.size)
    for order in range(1, n_cylinders // 2 + 1):
        waves = (
            1 if 2 * order == n_cylinders else 2
        )  # a sine and a cosine of each order but the last
        turn = np.cos(2.0 * np.pi * away * order / n_cylinders)
        inverse += waves * turn / n_cylinders / (lowest * order**4 + uneven)
    return inverse


def _look_beside(
    values: NDArray[np.float64], n_cylinders: int, *, beyond: float = 0.0
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """Give the values so many firings away, for all firings of the cycle about each."""
    for away in range(-(n_cylinders // 2), n_cylinders - n_cylinders // 2):
        moved = np.full(values.size, beyond)
        begin, stop = max(0, -away), min(values.size, values.size - away)
        if begin < stop:
            moved[begin:stop] = values[begin + away : stop + away]
        yield away % n_cylinders, moved


def weigh_half(whole: NDArray[np.float64], half: NDArray[np.float64]) -> float:
    """Weigh the first half of the strokes against the whole: inverse variances.

    Parameters
    ----------
    whole, half : float64 array [shape=(n_firings,)]
        Standard deviations of what each says that a firing lacks.

    Returns
    -------
    weight : float
        Of the first half; one for all firings of a recording, 0 where it is not known.
    """
    known = np.isfinite(whole) & np.isfinite(half) & (half > 0)
    if not known.any():
        return 0.0
    ratio2 = float(np.median(whole[known] / half[known])) ** 2
    return float(min(ratio2 / (1.0 + ratio2), MOST_HALF))


def mix(
    whole: NDArray[np.float64], half: NDArray[np.float64], weight: float
) -> NDArray[np.float64]:
    """Put the whole stroke and its first half together.

    Parameters
    ----------
    whole, half : float64 array [shape=(n_firings,)]
    weight : float
        From `weigh_half`.

    Returns
    -------
    mixed : float64 array [shape=(n_firings,)]
        The whole where the half is not known.
    """
    limited = np.minimum(half, LONE * np.abs(whole))
    mixed = (1.0 - weight) * whole + weight * limited
    return np.where(np.isfinite(half), mixed, whole)


def take_out_step(
    lack: NDArray[np.float64], one_sided: NDArray[np.float64], apart: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Take from each firing what the firings on one side of it lack as well.

    Parameters
    ----------
    lack : float64 array [shape=(n_firings,)]
        Against the trend through both sides.
    one_sided : float64 array [shape=(n_firings,)]
        Against the firings before or those after, whichever is less.
    apart : float64 array [shape=(n_firings,)]
        By how much both sides differ beyond chance: no step is larger.

    Returns
    -------
    lack : float64 array [shape=(n_firings,)]
    """
    step = np.minimum(np.maximum(lack - one_sided, 0.0), apart)
    return np.asarray(lack - np.nan_to_num(np.minimum(step, np.maximum(lack, 0.0))))
