"""Losses that no single cylinder's fault explains: the whole engine, or half of it, is cut."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.batch.measuring import Evidence
from misfire.records import FAULT_TYPES, STROKE_FLAGS, Engine

FAULTY = 0.5
ALIKE = 1 / 3  # of the losses of the cylinder that loses most
LEAST_LOST = 2
DARK_SHARE = 0.85  # of a cylinder's firings lost: it is off
TOGETHER = 0.5  # correlation, cycle by cycle, of cylinders that one switch turns off
LEAST_CYCLES = 10
LIKELY = 0.25  # share of the fault types that both plugs of a coil have together
SHARED = ("weak_coil", "no_primary")  # faults of a coil, which all of its cylinders have
OF_PAIR = (*SHARED, "open_secondary", "fouled_plug")  # and of the loop through both plugs


def find_common_cause(
    evidence: Evidence,
    probability: NDArray[np.float64],
    faulty: NDArray[np.float64],
    faults: NDArray[np.float64],
) -> str:
    """Say why the losses are those of the engine, not of a cylinder.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
        That each firing was lost.
    faulty : float64 array [shape=(n_cylinders,)]
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]

    Returns
    -------
    note : str
        Empty where the suspect cylinders may each have a fault of their own.

    Notes
    -----
    Faults of cylinders are independent and rare: that more than half of them have one is far less
    likely than one cause for all (speed limiter, fuel cut, fuel or supply that fails). Every other
    cylinder of the firing order, off together, is how an engine is run on half of its cylinders.
    """
    engine = evidence.recording.job.engine
    n = engine.cylinders
    if n < 2:
        return ""
    lost = _count_lost(evidence, probability, n)
    most = max((lost[i] for i in range(n) if faulty[i] >= FAULTY), default=0.0)
    alike = [c for c in range(1, n + 1) if most and lost[c - 1] >= max(LEAST_LOST, ALIKE * most)]
    if not alike or _share_a_coil(alike, engine, faults):
        return ""
    names = ", ".join(map(str, alike))
    if 2 * len(alike) > n and n > 2:
        return (
            f"cylinders {names} lose combustions alike: that is one cause for the whole engine "
            "(speed limiter or fuel cut, fuel pressure, supply of the coils, crank signal, a job "
            "card of another engine), not faults of so many cylinders"
        )
    if n >= 4 and 2 * len(alike) == n and _is_every_other(alike, engine):
        if not _go_together(evidence, probability, alike):
            return ""
        return (
            f"cylinders {names}, every other one of the firing order, are off together: this is "
            "what an engine that runs on half of its cylinders on purpose looks like, or a job "
            "card with too many cylinders; find out whether this engine does so"
        )
    return ""


def _count_lost(
    evidence: Evidence, probability: NDArray[np.float64], n: int
) -> NDArray[np.float64]:
    """Count each cylinder's firings that were lost, or that its coil was not switched for."""
    flags = evidence.strokes["flags"].astype(np.int64)
    lost = (np.nan_to_num(probability) >= 0.5) | ((flags & STROKE_FLAGS["no_dwell"]) != 0)
    return np.bincount(evidence.firings.cylinder[lost], minlength=n + 1)[1 : n + 1].astype(float)


def _share_a_coil(cylinders: list[int], engine: Engine, faults: NDArray[np.float64]) -> bool:
    """Tell whether one coil's fault, and nothing of the whole engine, has all of them."""
    leads = {FAULT_TYPES[int(np.argmax(faults[c - 1]))] for c in cylinders}
    if engine.ignition == "distributor":
        return leads <= set(SHARED)
    if engine.ignition == "wasted_spark":
        of_pair = [FAULT_TYPES.index(t) for t in OF_PAIR]
        likely = max(float(faults[c - 1, of_pair].sum()) for c in cylinders)
        return likely >= LIKELY and any(set(cylinders) <= set(p) for p in engine.waste_pairs)
    return False


def _is_every_other(cylinders: list[int], engine: Engine) -> bool:
    """Tell whether the firings of these cylinders alternate with those of the others."""
    return len({engine.firing_order.index(c) % 2 for c in cylinders}) == 1


def _go_together(
    evidence: Evidence, probability: NDArray[np.float64], cylinders: list[int]
) -> bool:
    """Tell whether these cylinders are off all the time, or always in the same cycles."""
    firings = evidence.firings
    off = []
    cycles = np.unique(firings.cycle)
    for c in cylinders:
        own = (firings.cylinder == c) & np.isfinite(probability)
        series = np.full(cycles.size, np.nan)
        series[np.searchsorted(cycles, firings.cycle[own])] = probability[own] >= 0.5
        off.append(series)
    table = np.array(off)
    table = table[:, np.isfinite(table).all(axis=0)]
    if table.shape[1] < LEAST_CYCLES:
        return False
    share = table.mean(axis=1)
    if (share >= DARK_SHARE).all():
        return True
    if (share >= DARK_SHARE).any() or (table.std(axis=1) == 0).any():
        return False
    between = np.corrcoef(table)[np.triu_indices(len(cylinders), 1)]
    return bool(np.mean(between) >= TOGETHER)
