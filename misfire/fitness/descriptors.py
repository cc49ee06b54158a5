"""What a vehicle, its channels and the conditions of a recording are, in a few plain numbers."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from misfire.measuring.evidence import Evidence
from misfire.records import IGNITIONS, ROLES

MEASURED = (
    "cylinders_log",
    "watched_share",  # of the cylinders: those that a coil channel names
    "coil_rate_log",
    "teeth_log",
    "duration_log",
    "rpm_log",
    "rpm_spread",
    "torque_noise_log",
    "burn_log",
    "kick_log",
    "current_log",
)
DESCRIPTORS = (
    *MEASURED,
    *(f"ignition_{name}" for name in IGNITIONS),
    *(f"channel_{role}" for role in ROLES),
)


def describe_vehicle(evidence: Evidence) -> NDArray[np.float64]:
    """Describe vehicle, channels and conditions of a recording.

    Parameters
    ----------
    evidence : Evidence
        Its firing table is not looked at.

    Returns
    -------
    values : float64 array [shape=(len(DESCRIPTORS),)]
        Natural logs of quantities, shares, and 1 or 0 for what is there; NaN: not measurable.
    """
    job, firings = evidence.recording.job, evidence.firings
    engine, channels = job.engine, evidence.recording.channels
    coils = [c for c in channels if c.role.startswith("coil_")]
    watched = {c for channel in coils for c in channel.cylinders}
    rpm = firings.rpm[np.isfinite(firings.rpm) & (firings.rpm > 0)]
    wheel = job.wheel
    strokes = evidence.strokes
    noise = evidence.torque.noise / np.maximum((firings.rpm * np.pi / 30.0) ** 2, 1.0)
    values = [
        float(np.log(engine.cylinders)),
        len(watched) / engine.cylinders if coils else 0.0,
        float(np.log(max(c.rate_hz for c in coils))) if coils else np.nan,
        float(np.log(wheel.positions)) if wheel is not None and wheel.positions else np.nan,
        float(np.log(max(evidence.detected.duration_s, 0.1))),
        float(np.log(np.median(rpm))) if rpm.size else np.nan,
        float(np.std(np.log(rpm))) if rpm.size else np.nan,
        _take_log(noise),
        *(_take_log(strokes[n]) for n in ("burn_time_ms", "primary_peak_v", "peak_current_a")),
    ]
    values += [float(engine.ignition == name) for name in IGNITIONS]
    values += [float(any(c.role == role for c in channels)) for role in ROLES]
    return np.array(values)


def _take_log(values: NDArray[np.float64]) -> float:
    """Natural log of the median of what is positive."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        known = np.abs(values[np.isfinite(values) & (values != 0)])
    return float(np.log(np.median(known))) if known.size else np.nan
