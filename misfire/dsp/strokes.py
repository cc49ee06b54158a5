"""Rows for coil strokes: nothing is measured in them yet, or only what their channel shows."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.records import STROKE_FIELDS

UNSEEN = {  # measures that no channel of a role shows
    "coil_primary": (
        "peak_current_a",
        "ramp_a_per_ms",
        "ramp_bend",
        "ramp_step_a",
        "ramp_ring_a",
        "tail_a",
    ),
    "coil_current": (
        "battery_v",
        "primary_peak_v",
        "firing_v",
        "firing_v_error",
        "breakdown_us",
        "burn_time_ms",
        "burn_level_v",
        "burn_slope_v_per_ms",
        "decay_us",
        "ring_v",
    ),
}


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


def list_shown(role: str) -> list[str]:
    """List the STROKE_FIELDS that a channel of a role may show; the others are left out of strokes.

    Parameters
    ----------
    role : str

    Returns
    -------
    names : list of str
        In order. A long recording has so many strokes that columns without a number cost much.

    Examples
    --------
    >>> "burn_time_ms" in list_shown("coil_current"), "burn_time_ms" in list_shown("coil_primary")
    (False, True)
    """
    unseen = UNSEEN.get(role, ())
    return [name for name, _ in STROKE_FIELDS if name not in unseen]


def make_form(role: str) -> np.dtype[Any]:
    """Give the form of strokes of which only what their channel may show is kept.

    Parameters
    ----------
    role : str

    Returns
    -------
    form : dtype
        Of `list_shown`.
    """
    shown = list_shown(role)
    return np.dtype([field for field in STROKE_FIELDS if field[0] in shown])


def get_measure(strokes: NDArray[np.void], name: str) -> NDArray[np.float64]:
    """Give one measure of each stroke, whether or not the channel may show it.

    Parameters
    ----------
    strokes : array of some of STROKE_FIELDS [shape=(n,)]
    name : str
        A measure of STROKE_FIELDS.

    Returns
    -------
    values : float64 array [shape=(n,)]
        Not to be written to. NaN where `strokes` has no such field.

    Examples
    --------
    >>> bool(np.isnan(get_measure(np.ones(1, make_form("coil_current")), "ring_v")[0]))
    True
    """
    if name in (strokes.dtype.names or ()):
        return np.asarray(strokes[name])
    return np.broadcast_to(np.float64(np.nan), strokes.shape)
