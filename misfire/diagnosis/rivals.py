"""Rival explanations: the whole engine, the sensor, the hook-up or the card, and no cylinder.

Each says how much better than faults of the suspect cylinders it explains what was seen, as log
odds. They are weighed against the cylinders once, in `compete`; nothing is capped after that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import expit
from misfire.limits import FAULTY
from misfire.measuring.evidence import Evidence

INDEPENDENT_FAULT = 0.1  # probability of a fault in each further cylinder, if faults are its own
ENGINE_PRIOR = 0.3  # of a cause for the whole engine over a first cylinder's own fault
MOST_ODDS = 9.0
LEAST_LOST, LEAST_CYCLES = 2, 10  # fewer losses, or cycles without one, show no pattern
FELT_Z = 3.5  # spreads of torque: a lack that is felt


@dataclass(frozen=True, slots=True)
class Rival:
    """An explanation beside a fault of the suspect cylinders.

    `log_odds`: over those faults; `about`: "engine", "sensor" or "hook-up"; `blinds`: with it
    nothing can be said of any cylinder, accused or not.
    """

    code: str
    about: str
    log_odds: float
    text: str
    blinds: bool = False


def compete(
    faulty: NDArray[np.float64], rivals: Sequence[Rival]
) -> tuple[NDArray[np.float64], Rival | None]:
    """Weigh faults of cylinders against all rivals, by Bayes' rule.

    Parameters
    ----------
    faulty : float64 array [shape=(n_cylinders,)]
    rivals : sequence of Rival

    Returns
    -------
    faulty : float64 array [shape=(n_cylinders,)]
        What is left to each cylinder.
    winner : Rival or None
        The likeliest one, where the rivals together are likelier than not.
    """
    if not rivals:
        return faulty, None
    odds = np.logaddexp.reduce([r.log_odds for r in rivals])
    chance = float(expit(np.array(min(odds, MOST_ODDS))))
    best = max(rivals, key=lambda r: r.log_odds)
    return faulty * (1.0 - chance), best if chance >= FAULTY else None


def weigh_many(n: int) -> float:
    """Weigh one cause for many cylinders against as many faults, each rare by itself.

    Parameters
    ----------
    n : int
        Cylinders.

    Returns
    -------
    log_odds : float
    """
    return float(np.log(ENGINE_PRIOR) - (n - 1) * np.log(INDEPENDENT_FAULT))


def mark_lost(
    evidence: Evidence, probability: NDArray[np.float64], suspects: list[int]
) -> NDArray[np.bool_]:
    """Mark the firings that the suspects lost.

    Parameters
    ----------
    evidence : Evidence
    probability : float64 array [shape=(n_firings,)]
    suspects : list of int

    Returns
    -------
    lost : bool array [shape=(n_firings,)]
    """
    return (np.nan_to_num(probability) >= 0.5) & np.isin(evidence.firings.cylinder, suspects)
