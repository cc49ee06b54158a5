"""Rows for coil strokes in which nothing is measured yet."""

import numpy as np
from numpy.typing import NDArray

from misfire.records import STROKE_FIELDS


def make_strokes(n: int) -> NDArray[np.void]:
    """Make rows whose measures are all missing, each of one strike.

    Parameters
    ----------
    n : int [>= 0]

    Returns
    -------
    strokes : STROKE_FIELDS array [shape=(n,)]
        Measures NaN, `strikes` 1, flags and restrikes 0: a channel fills in what it shows.

    Examples
    --------
    >>> row = make_strokes(1)[0]
    >>> bool(np.isnan(row["dwell_ms"])), int(row["strikes"]), int(row["flags"])
    (True, 1, 0)
    """
    strokes = np.zeros(n, STROKE_FIELDS)
    for name, kind in STROKE_FIELDS:
        if kind == "f8":
            strokes[name] = np.nan
    strokes["strikes"] = 1
    return strokes
