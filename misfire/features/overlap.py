"""Work of one combustion seen in the strokes after it: shared out, and gathered again."""

import numpy as np
from numpy.typing import NDArray

WORK_DEG = 150.0  # by then a combustion has done its work; later angles only add the road's
# Share of a combustion's work done so far after TDC: slider-crank and a Wiebe burn of 40 to 65
# degrees, as in the simulator; the closed form of an instant burn gives 0.65 at 60 degrees and
# 0.84 at 90 (compression ratio 10, exponent 1.3).
DONE_DEG = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0)
DONE_SHARE = (0.0, 0.12, 0.52, 0.80, 0.95, 1.0)
LEAST_SHARE = 0.03  # of a combustion's work in a later stroke, below which that is left out
OUTSTANDING = 3.0  # spreads: a loss that certainly marks the strokes beside it
MUCH = 0.15  # share of a combustion's work in a later stroke that spoils it as a measure


def share_work(
    tdc_deg: NDArray[np.float64], followed_deg: NDArray[np.float64], half_deg: float
) -> NDArray[np.float64]:
    """Share out each combustion's work to its own stroke and to those after.

    Parameters
    ----------
    tdc_deg : float64 array [shape=(n_firings,), unit=deg, ascending]
    followed_deg : float64 array [shape=(n_firings,), unit=deg]
        How far each stroke is followed from its TDC.
    half_deg : float [unit=deg]
        Half of the window over which the speed is taken.

    Returns
    -------
    shares : float64 array [shape=(n_firings, n_strokes)]
        0 where the row that follows is not the next stroke.
    """
    within = np.linspace(-half_deg, half_deg, 31)  # the speed is a mean over the window
    at_deg = np.arange(0.0, 2.0 * WORK_DEG)
    seen = np.interp(at_deg[:, None] + within, DONE_DEG, DONE_SHARE).mean(axis=1)
    shortest = float(followed_deg.min(initial=WORK_DEG))
    n_strokes = int(np.ceil(WORK_DEG / shortest - 1e-9))
    shares = np.zeros((tdc_deg.size, n_strokes))
    for number in range(min(n_strokes, tdc_deg.size)):
        n = tdc_deg.size - number
        start = tdc_deg[number:] - tdc_deg[:n]
        stop = start + followed_deg[number:]
        share = np.interp(stop, at_deg, seen) - np.interp(start, at_deg, seen)
        shares[:n, number] = np.where((start >= 0) & (start < WORK_DEG), share, 0.0)
    shares[:, 1:][shares[:, 1:] < LEAST_SHARE] = 0.0
    return shares


def gather(
    missing: NDArray[np.float64], shares: NDArray[np.float64], *, spreads: bool = False
) -> NDArray[np.float64]:
    """Estimate the work lost by each firing from the strokes it spreads over, by least squares.

    Parameters
    ----------
    missing : float64 array [shape=(n_firings,)]
        What each stroke lacks.
    shares : float64 array [shape=(n_firings, n_strokes)]
        From `share_work`.
    spreads : bool
        Whether the values are standard deviations: they come out as that of the estimate.

    Returns
    -------
    lost : float64 array [shape=(n_firings,)]
        NaN where nothing is known of the firing's own stroke.
    """
    total = np.zeros(missing.size)
    weight = np.zeros(missing.size)
    for number in range(shares.shape[1]):
        share = shares[:, number]
        value = np.concatenate((missing[number:], np.full(number, np.nan)))[: missing.size]
        used = (share > 0) & np.isfinite(value)
        total += np.where(used, (share * value) ** 2 if spreads else share * value, 0.0)
        weight += np.where(used, share**2, 0.0)
    known = np.isfinite(missing) & (weight > 0)
    safe = np.where(known, weight, np.nan)
    return np.asarray((np.sqrt(total) if spreads else total) / safe)


def take_out_larger(
    missing: NDArray[np.float64], shares: NDArray[np.float64], noise: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Take from each firing what a larger loss beside it leaves in its strokes.

    Parameters
    ----------
    missing, noise : float64 array [shape=(n_firings,)]
        What each firing lacks, and its standard deviation.
    shares : float64 array [shape=(n_firings, n_strokes)]

    Returns
    -------
    cleaned : float64 array [shape=(n_firings,)]

    Notes
    -----
    Source: one step of the method by which J. A. Hogbom, Astron. Astrophys. Suppl. 15 (1974) 417
    (from memory), takes the side lobes of the strongest source out of a map.
    """
    cleaned = missing.copy()
    n, n_strokes = shares.shape
    weight = np.sum(shares**2, axis=1)
    explained = missing * np.sqrt(weight)  # how well a loss there fits what the strokes lack
    for apart in range(1, min(n_strokes, n)):
        early, late = slice(0, n - apart), slice(apart, n)
        common = np.sum(shares[early, apart:] * shares[late, : n_strokes - apart], axis=1)
        for own, other in ((early, late), (late, early)):
            larger = missing[other] > OUTSTANDING * noise[other]
            larger &= ~(explained[own] > explained[other])
            part = common / np.where(weight[own] > 0, weight[own], np.inf)
            cleaned[own] -= np.where(larger, part * missing[other], 0.0)
    return cleaned


def take_out_next(
    missing: NDArray[np.float64],
    shares: NDArray[np.float64],
    noise: NDArray[np.float64],
    half_deg: float,
) -> NDArray[np.float64]:
    """Take from each firing what a loss in the next stroke leaves in its own.

    The speed at the end of a stroke is a mean over a window that the next combustion reaches into.

    Parameters
    ----------
    missing, noise : float64 array [shape=(n_firings,)]
        What each firing lacks, and its standard deviation.
    shares : float64 array [shape=(n_firings, n_strokes)]
    half_deg : float [unit=deg]
        Half of the window.

    Returns
    -------
    cleaned : float64 array [shape=(n_firings,)]
    """
    ahead = float(np.interp(np.linspace(-half_deg, half_deg, 31), DONE_DEG, DONE_SHARE).mean())
    weight = np.sum(shares**2, axis=1)
    following = np.append(missing[1:], np.nan)[: missing.size]
    larger = following > OUTSTANDING * np.append(noise[1:], np.nan)[: missing.size]
    larger &= ~(missing > following)
    part = ahead * shares[:, 0] / np.where(weight > 0, weight, np.inf)
    return missing - np.where(larger, part * following, 0.0)


def spoil(lost: NDArray[np.bool_], shares: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the strokes that a lost firing spreads over: its own, and those that hold much of it.

    Parameters
    ----------
    lost : bool array [shape=(n_firings,)]
    shares : float64 array [shape=(n_firings, n_strokes)]

    Returns
    -------
    spoiled : bool array [shape=(n_firings,)]
    """
    spoiled = lost.copy()
    for number in range(1, shares.shape[1]):
        spoiled[number:] |= (lost & (shares[:, number] > MUCH))[: lost.size - number]
    return spoiled
