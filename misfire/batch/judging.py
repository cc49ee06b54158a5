"""A measured case and what a model says of it, as `diagnose` would."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.batch.cases import LabelledCase
from misfire.classify.model import (
    Model,
    hold_back,
    judge_cylinders,
    judge_firings,
    refine_firings,
    speak_up,
)
from misfire.classify.rules import score_cylinders, score_firings
from misfire.classify.separability import spread_probability
from misfire.features.cylinders import build_cylinder_table


@dataclass(frozen=True, slots=True)
class Judged:
    """One case and what a judge says of it.

    `event` [shape=(n_firings,)]; `faulty` [shape=(n_cylinders,)], shared within pairs that cannot
    be told apart; `faults` [shape=(n_cylinders, len(FAULT_TYPES))].
    """

    case: LabelledCase
    event: NDArray[np.float64]
    faulty: NDArray[np.float64]
    faults: NDArray[np.float64]


def judge_case(case: LabelledCase, model: Model | None) -> Judged:
    """Judge a measured case as `diagnose` judges the recording.

    Parameters
    ----------
    case : LabelledCase
    model : Model or None
        None: the physics scores judge.

    Returns
    -------
    judged : Judged
    """
    event = score_firings(case.table) if model is None else judge_firings(model, case.table)
    table = build_cylinder_table(
        case.table,
        event,
        case.cylinder,
        n_cylinders=case.n_cylinders,
        disturbed=case.disturbed,
    )
    if model is None:
        faulty, faults = score_cylinders(table)
        faults = np.stack(
            [spread_probability(faults[i], case.witnesses[i + 1]) for i in range(len(faults))]
        )
    else:
        faulty, faults = judge_cylinders(model, table)
        faulty = hold_back(table, speak_up(table, faulty))
        event = refine_firings(model, case.table, event, case.cylinder, faulty)
    if not case.resolved:
        alone = faulty
        faulty = alone.copy()
        for a, b in case.mates.items():
            faulty[a - 1] = 0.5 * (alone[a - 1] + alone[b - 1])
    return Judged(case, event, faulty, faults)
