"""What a firing lacks in combustions: the whole stroke and its first half, and steps of the load.

Both halves of a stroke tell the same work, each with an error of its own, so they are put together
in one unit and by how well each is known. What stays lacking behind a firing is a step of the load.
"""

import numpy as np
from numpy.typing import NDArray

from misfire.features.overlap import gather, share_work, take_out_larger

MOST_HALF = 0.7  # weight of the first half: it is a part of the whole
ALWAYS_FAILS = 0.03  # of cylinders: give less in all their firings, by anything up to a combustion
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
    standing: NDArray[np.float64], spread: NDArray[np.float64], work: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Find how much of what a cylinder always lacks is the twist of a long crank.

    Each throw pushes at another distance from the sensor, so that cylinders seem to give more or
    less, up to what a twist can be; beyond that it is the cylinder (Bayes' rule).

    Parameters
    ----------
    standing, spread : float64 array [shape=(n_firings,), unit=1/s^2]
        What each firing's cylinder always lacks, and the standard deviation that twists make.
    work : float64 array [shape=(n_firings,), unit=1/s^2]
        Of a usual combustion.

    Returns
    -------
    twist : float64 array [shape=(n_firings,), unit=1/s^2]
    """
    by_twist = np.exp(-0.5 * (standing / spread) ** 2) / (np.sqrt(2.0 * np.pi) * spread)
    return np.asarray(standing * by_twist / (by_twist + ALWAYS_FAILS / work))


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
