"""Coil strokes from the trigger line (the control unit's command to the driver)."""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.strokes import make_strokes
from misfire.errors import ParameterError
from misfire.records import STROKE_FIELDS


def pair_edges(
    time_s: NDArray[np.float64], edge: NDArray[np.int8], *, longest_dwell_s: float = 25e-3
) -> NDArray[np.void]:
    """Turn the edges of a trigger line into strokes; which level charges is worked out.

    Parameters
    ----------
    time_s : float64 array [shape=(n,), unit=s, ascending]
    edge : int8 array [shape=(n,)]
        +1 rise, -1 fall.
    longest_dwell_s : float [unit=s, > 0]
        A longer active time is a stuck line, not a dwell.

    Returns
    -------
    strokes : STROKE_FIELDS array [shape=(n_strokes,), ascending in stop_s]
        Only times and dwell are filled. The charging level is the one that holds for the shorter,
        steadier time.

    Raises
    ------
    ParameterError
        If the two arrays differ in length.

    Notes
    -----
    Source: dwell is set in milliseconds and hardly depends on speed (common practice), so the
    active state is the shorter one below the highest speeds.

    Examples
    --------
    >>> s = pair_edges(np.array([0.0, 0.003, 0.1, 0.103]), np.array([1, -1, 1, -1], np.int8))
    >>> [round(float(d), 3) for d in s["dwell_ms"]]
    [3.0, 3.0]
    """
    if time_s.size != edge.size:
        raise ParameterError(f"need as many edges as times, got {edge.size} and {time_s.size}")
    best = np.empty(0, STROKE_FIELDS)
    score = np.inf
    for active in (1, -1):
        first = edge[:-1] == active
        on, off = time_s[:-1][first], time_s[1:][first]
        paired = edge[1:][first] == -active
        on, off = on[paired], off[paired]
        length = off - on
        good = (length > 0.2e-3) & (length < longest_dwell_s)
        if good.sum() < 2:
            continue
        typical = float(np.median(length))
        if typical < score:
            score = typical
            best = make_strokes(int(good.sum()))
            best["start_s"], best["stop_s"] = on[good], off[good]
            best["dwell_ms"] = length[good] * 1e3
    return best
