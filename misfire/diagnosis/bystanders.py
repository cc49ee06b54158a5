"""What injectors, starter and battery say of the firings and cylinders, beside spark and torque."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.features.compression import POOR_SHARE
from misfire.measuring.evidence import Evidence
from misfire.records import FAULT_TYPES

UNFED = 0.95  # probability that a firing without its injection is lost
LEAST_TORQUE_Z = 2.0  # a lost combustion would show at least this much torque missing
LEAST_LOST = 2
POOR_BY_TWO, POOR_BY_ONE = 0.9, 0.7  # probability of a cylinder with poor compression
ALONE_SHARE, ALONE_Z = 0.7, 5.0  # what one witness has to show by itself
EVEN = (0.92, 1.08)  # compression like the others'
STRONG, FAIR = 4.0, 2.0  # logits


def hear_injections(evidence: Evidence, probability: NDArray[np.float64]) -> NDArray[np.float64]:
    """Count a firing as lost whose injection did not come, unless its torque came all the same.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]

    Returns
    -------
    probability : float64 array [shape=(n_firings,)]
    """
    if evidence.injection is None:
        return probability
    z = evidence.torque.deficit_z
    unfed = (evidence.injection.missing == 1) & ~(z < LEAST_TORQUE_Z)
    unfed &= evidence.firings.resolved
    return np.where(unfed, np.fmax(probability, UNFED), probability)


def weigh_bystanders(
    evidence: Evidence,
    probability: NDArray[np.float64],
    faulty: NDArray[np.float64],
    faults: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Let injectors and compression speak on cylinders and fault types.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing was lost.
    faulty : float64 array [shape=(n_cylinders,)]
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]

    Returns
    -------
    faulty, faults : the same shapes
        Unchanged where neither was recorded.

    Notes
    -----
    An injection that does not come with the lost firings points to the mixture; one that comes as
    always does not clear it, as the fuel itself, its pressure and the air are not seen. Poor
    compression in two witnesses is a fault by itself (CONTRACT: plainly works less).
    """
    faulty, weight = faulty.copy(), np.zeros(faults.shape)
    mixture, leak = (FAULT_TYPES.index(t) for t in ("mixture", "low_compression"))
    for cylinder, (n_failed, n_lost) in _count_failed(evidence, probability).items():
        if n_lost >= LEAST_LOST and n_failed >= 0.2 * n_lost:
            weight[cylinder - 1, mixture] += STRONG if n_failed > 0.5 * n_lost else FAIR
    table = evidence.compression
    if table is not None:
        for cylinder, names in table.find_low().items():
            weight[cylinder - 1, leak] += STRONG if len(names) > 1 else FAIR
            shares = [float(table.relative[name][cylinder - 1]) for name in names]
            z = max(float(table.z[name][cylinder - 1]) for name in names)
            told = 0.0
            if len(names) > 1 and min(shares) < POOR_SHARE:
                told = POOR_BY_TWO
            elif min(shares) < ALONE_SHARE and z > ALONE_Z:
                told = POOR_BY_ONE
            faulty[cylinder - 1] = max(faulty[cylinder - 1], told)
        every = np.stack(list(table.relative.values()))
        even = ((every > EVEN[0]) & (every < EVEN[1])).all(axis=0)
        weight[even, leak] -= FAIR
    if not weight.any():
        return faulty, faults
    heard = faults * np.exp(weight) + 1e-6 * np.exp(weight)
    return faulty, heard / heard.sum(axis=1, keepdims=True)


def describe_bystanders(
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
                "command and coil are sound, fuel pressure and spray are not seen by this"
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
