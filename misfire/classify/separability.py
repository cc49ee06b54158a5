"""What can be told from which channels: one explicit table, and what follows from it."""

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from misfire.records import FAULT_TYPES

WITNESSES = ("burn", "current", "switching", "torque", "cranking")
"""burn: a primary or secondary channel of this cylinder's coil; current: a clamp on its feed;
switching: any channel that shows its coil switch off; torque: crank speed in sync;
cranking: crank speed (or starter current) while the starter turns the engine."""

NEEDS: dict[str, tuple[frozenset[str], ...]] = {
    # Each set of witnesses alone is enough to tell the type from the others.
    "open_secondary": (frozenset({"burn"}),),
    "fouled_plug": (frozenset({"burn"}), frozenset({"current"})),
    "weak_coil": (frozenset({"current"}), frozenset({"burn"})),
    "no_primary": (frozenset({"switching"}),),
    "mixture": (frozenset({"burn", "torque"}),),
    "low_compression": (frozenset({"torque", "burn"}), frozenset({"cranking"})),
    "crank_signal": (frozenset({"torque"}),),
}
"""Source: docs/faults.md, what each fault does to the signals; spark and
torque as separate witnesses. A secondary open to the clamp alone looks like a lost mixture."""

PRIOR = {
    # How often workshops meet each as the cause of a misfire (common practice, rough).
    "open_secondary": 0.26,
    "fouled_plug": 0.20,
    "weak_coil": 0.16,
    "no_primary": 0.07,
    "mixture": 0.20,
    "low_compression": 0.09,
    "crank_signal": 0.02,
}

ADVICE = {
    "burn": "the coil primary (through an attenuator) or a secondary pick-up of the suspect",
    "current": "a current clamp around the coil feed",
    "switching": "the coil trigger, primary or current of the suspect",
    "torque": "the crank sensor",
    "cranking": "the crank sensor or the starter current while cranking with the fuel shut off",
}


def find_separable(witnesses: Collection[str]) -> frozenset[str]:
    """Fault types that the given witnesses can tell from all others.

    Parameters
    ----------
    witnesses : collection of str
        Out of WITNESSES.

    Returns
    -------
    types : frozenset of str

    Examples
    --------
    >>> sorted(find_separable({"switching", "torque"}))
    ['crank_signal', 'no_primary']
    """
    have = frozenset(witnesses)
    return frozenset(t for t, ways in NEEDS.items() if any(need <= have for need in ways))


def spread_probability(
    faults: NDArray[np.float64], witnesses: Collection[str]
) -> NDArray[np.float64]:
    """Share out what the channels cannot tell apart, in proportion to how common each type is.

    Parameters
    ----------
    faults : float64 array [shape=(len(FAULT_TYPES),), sum 1]
    witnesses : collection of str

    Returns
    -------
    spread : float64 array [shape=(len(FAULT_TYPES),), sum 1]
        Types that can be told keep their share; the others together keep theirs, and within them
        the model's word and the prior count half each.

    Examples
    --------
    >>> p = np.array([0.8, 0.0, 0.0, 0.1, 0.1, 0.0, 0.0])
    >>> spread_probability(p, {"switching", "torque"}).round(2).tolist()
    [0.53, 0.1, 0.08, 0.1, 0.15, 0.04, 0.0]
    """
    told = find_separable(witnesses)
    hidden = np.array([t not in told for t in FAULT_TYPES])
    mass = float(faults[hidden].sum())
    if hidden.sum() < 2 or mass <= 0:
        return faults.copy()
    prior = np.array([PRIOR[t] for t in FAULT_TYPES])[hidden]
    out = faults.copy()
    out[hidden] = 0.5 * faults[hidden] + 0.5 * mass * prior / prior.sum()
    return np.asarray(out / out.sum())


def advise_channels(fault_types: Collection[str], witnesses: Collection[str]) -> tuple[str, ...]:
    """Say what to connect in the next recording to tell these types apart.

    Parameters
    ----------
    fault_types : collection of str
        Those still likely.
    witnesses : collection of str
        What this recording had.

    Returns
    -------
    channels : tuple of str
        In words, the most telling first.
    """
    have = frozenset(witnesses)
    told = find_separable(have)
    missing: dict[str, int] = {}
    for t in fault_types:
        if t in told:
            continue
        way = min(NEEDS[t], key=lambda need: len(need - have))
        for witness in way - have:
            missing[witness] = missing.get(witness, 0) + 1
    return tuple(ADVICE[w] for w in sorted(missing, key=lambda w: (-missing[w], w)))
