"""What compression says of each cylinder's seal: a likelihood of a leak over a sound one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firings.reference import TO_SIGMA
from misfire.diagnosis.firings.states import FREEDOM, TOGETHER
from misfire.dsp.chances import log_student
from misfire.features.compression import CompressionTable

LEAN_APPROACH, LEAN_SPREAD = 2.5, 1.5  # spreads by which a leaking cylinder asks less compression
EVEN = 0.05  # of the others' compression: how much sound cylinders differ (common practice: 10 %)
LEAKY, LEAKY_SPREAD = 0.65, 0.2  # compression of a leaking cylinder over that of the others


def weigh_approach(usual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weigh a leak by how much each cylinder brakes the running engine before its spark.

    Parameters
    ----------
    usual : float64 array [shape=(n_cylinders,)]
        Median of `approach_z`; NaN where not known.

    Returns
    -------
    log_ratio : float64 array [shape=(n_cylinders,)]
        Counted once, however many firings there are.

    Notes
    -----
    How far sound cylinders differ (the wheel's errors, throws and banks) is told by the other
    cylinders of the recording.
    """
    weighed = np.zeros(usual.size)
    for c in np.flatnonzero(np.isfinite(usual)):
        others = np.delete(usual, c)
        others = others[np.isfinite(others)]
        apart = TO_SIGMA * float(np.median(np.abs(others))) if others.size else 0.0
        weighed[c] = _compare(
            usual[c],
            leak=(LEAN_APPROACH, float(np.hypot(LEAN_SPREAD, apart))),
            sound=(0.0, float(np.hypot(1.0, apart))),
        )
    return weighed


def weigh_compression(table: CompressionTable | None, n_cylinders: int) -> NDArray[np.float64]:
    """Weigh a leak by the work of each compression while the starter turns the engine.

    Parameters
    ----------
    table : CompressionTable or None
        None: nothing of it was recorded.
    n_cylinders : int

    Returns
    -------
    log_ratio : float64 array [shape=(n_cylinders,)]
        0 where no witness met the cylinder. Current, voltage and speed see the same compressions:
        their sum counts `TOGETHER`.
    """
    weighed = np.zeros(n_cylinders)
    if table is None:
        return weighed
    for name, shares in table.relative.items():
        for c in np.flatnonzero(np.isfinite(shares) & np.isfinite(table.z[name])):
            lack, z = 1.0 - float(shares[c]), float(table.z[name][c])
            error = lack / z if z * lack > 0.0 else 0.0  # of the mean over the strokes met
            weighed[c] += TOGETHER * _compare(
                1.0 - lack,
                leak=(LEAKY, float(np.hypot(LEAKY_SPREAD, error))),
                sound=(1.0, float(np.hypot(EVEN, error))),
            )
    return weighed


def _compare(value: float, *, leak: tuple[float, float], sound: tuple[float, float]) -> float:
    """Log likelihood ratio of a value under two laws of centre and spread, heavy tailed."""
    parts = [
        log_student(np.array([value - centre]), np.array(spread), freedom=FREEDOM)[0]
        for centre, spread in (leak, sound)
    ]
    return float(parts[0] - parts[1])
