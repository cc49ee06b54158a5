"""Sparks of one firing: a coil that strikes again and again fires once."""

import numpy as np
from numpy.typing import NDArray

STRIKE_S = 5e-3  # a coil that strikes again has recharged by then (docs/sources.md: 1 to 3 ms)
MOST_STRIKES = 8  # a firing
APART = 3.0  # times the time between strikes: firings are at least so far from one another


def list_first_strikes(stop_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Put the times at which a coil channel switches off in order, one for each firing.

    Parameters
    ----------
    stop_s : float64 array [shape=(n,), unit=s]

    Returns
    -------
    first_s : float64 array [shape=(n_firings,), unit=s]
    """
    ordered = np.sort(stop_s)
    return np.asarray(ordered[~find_restrikes(ordered)])


def find_restrikes(stop_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the strikes that follow the first of a firing.

    Parameters
    ----------
    stop_s : float64 array [shape=(n,)]
        Times at which a coil channel switches off, in order.

    Returns
    -------
    again : bool array [shape=(n,)]

    Notes
    -----
    A few sparks in quick succession with long pauses on both sides are one firing; sparks of
    several cylinders follow one another at even distances.

    Examples
    --------
    >>> find_restrikes(np.array([0.0, 0.002, 0.004, 0.1, 0.2, 0.202])).astype(int)
    array([0, 1, 1, 0, 0, 1])
    """
    if stop_s.size < 3:
        return np.zeros(stop_s.size, bool)
    apart_s = np.diff(stop_s)
    first = np.concatenate(([0], np.flatnonzero(apart_s > STRIKE_S) + 1))
    count = np.diff(np.append(first, stop_s.size))
    pause_s = np.concatenate(([np.inf], np.diff(stop_s[first]), [np.inf]))
    longest_s = np.maximum.reduceat(np.append(np.where(apart_s > STRIKE_S, 0, apart_s), 0), first)
    shorter_s = np.minimum(pause_s[:-1], pause_s[1:])
    strikes = (count > 1) & (count <= MOST_STRIKES) & (shorter_s > APART * longest_s)
    again = np.repeat(strikes, count)
    again[first] = False
    return again
