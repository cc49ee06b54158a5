"""What injectors, starter and battery showed of the firings and cylinders, in words and columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.measuring.evidence import Evidence

LEAST_LOST = 2


def describe_other_channels(
    evidence: Evidence, probability: NDArray[np.float64], cylinder: int
) -> tuple[str, ...]:
    """Write what injector and compression say of one cylinder.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
    cylinder : int

    Returns
    -------
    sentences : tuple of str
        Empty where nothing of it was recorded.
    """
    sentences = []
    counted = _count_failed(evidence, probability).get(cylinder)
    injection = evidence.injection
    if counted is not None and injection is not None and counted[1] >= LEAST_LOST:
        n_failed, n_lost = counted
        own = evidence.firings.cylinder == cylinder
        usual = float(
            np.nanmedian(np.where(injection.pulse_ms > 0, injection.pulse_ms, np.nan)[own])
        )
        if n_failed:
            sentences.append(
                f"the injector failed in {n_failed} of {n_lost} lost firings (no pulse, a short "
                f"one, or none of its coil's kick); its usual pulse is {usual:.2f} ms"
            )
        else:
            sentences.append(
                f"the injector switched as usual ({usual:.2f} ms) in all {n_lost} lost firings: "
                "command and coil are good; fuel pressure and spray are not measured"
            )
    table = evidence.compression
    if table is not None:
        parts = [
            f"{100 * values[cylinder - 1]:.0f} % by {name}"
            for name, values in table.relative.items()
            if np.isfinite(values[cylinder - 1])
        ]
        if parts:
            sentences.append(
                f"compression while cranking, against the other cylinders: {', '.join(parts)} "
                f"({table.n_strokes[cylinder - 1]} strokes)"
            )
    return tuple(sentences)


def list_columns(evidence: Evidence) -> dict[str, NDArray[np.float64]]:
    """Give further per-firing columns; empty without an injector channel.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    columns : dict of float64 arrays [shape=(n_firings,)]
        injector_pulse_ms, injector_pulses, injector_kick_v, injector_missing, injector_failed.
    """
    found = evidence.injection
    if found is None:
        return {}
    return {
        "injector_pulse_ms": found.pulse_ms,
        "injector_pulses": found.n_pulses,
        "injector_kick_v": found.kick_v,
        "injector_missing": found.missing,
        "injector_failed": np.where(np.isfinite(found.pulse_ms), found.find_fault(), np.nan),
    }


def _count_failed(
    evidence: Evidence, probability: NDArray[np.float64]
) -> dict[int, tuple[int, int]]:
    """Count the lost firings with a failing injector, and all lost ones, of watched cylinders."""
    found = evidence.injection
    if found is None:
        return {}
    failed = found.find_fault()
    lost = (probability >= 0.5) & np.isfinite(found.pulse_ms)
    counts = {}
    for cylinder in found.needle_ms:
        own = evidence.firings.cylinder == cylinder
        counts[cylinder] = (int((own & lost & failed).sum()), int((own & lost).sum()))
    return counts
