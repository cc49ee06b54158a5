"""What a cylinder's firings look like, and which kinds of fault such looks meant in a workshop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.classify.learned import LOOKS, Learned
from misfire.diagnosis.firings.explanation import Explanation, share_causes
from misfire.diagnosis.firings.states import KINDS
from misfire.records import FAULT_TYPES, WORK_STATES

CUT = WORK_STATES.index("cut")


def measure_looks(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Measure which share of each cylinder's fed firings has each state.

    Parameters
    ----------
    table : float64 array [shape=(n_cylinders, len(SPARK_STATES), len(WORK_STATES))]
        Firings by their states, as in `Explanation`.

    Returns
    -------
    looks : float64 array [shape=(n_cylinders, len(LOOKS))]
        0 where a cylinder has no fed firing.
    """
    fed = np.delete(table, CUT, axis=2)
    counts = np.concatenate((fed.sum(axis=2), fed.sum(axis=1)), axis=1)
    return np.asarray(counts / np.maximum(fed.sum(axis=(1, 2)), 1.0)[:, None])


def lean_on_looks(explanation: Explanation, learned: Learned) -> Explanation:
    """Let what looks have meant weigh on the kinds of fault.

    Parameters
    ----------
    explanation : Explanation
    learned : Learned

    Returns
    -------
    explanation : Explanation
        With other `kinds` and `likely`; the same where nothing was learned of looks.
    """
    if not learned.leanings:
        return explanation
    apart = measure_looks(explanation.table)
    apart -= [learned.leanings[look].usual for look in LOOKS]
    towards = [[learned.leanings[look].towards.get(k, 0.0) for k in KINDS] for look in LOOKS]
    likely = explanation.likely + apart @ np.array(towards)
    kinds = explanation.kinds.copy()
    sensor = kinds[:, [FAULT_TYPES.index("crank_signal")]]
    shares = share_causes(likely, learned)
    kinds[:, [FAULT_TYPES.index(kind) for kind in KINDS]] = (1.0 - sensor) * shares
    return replace(explanation, kinds=kinds, likely=likely)
