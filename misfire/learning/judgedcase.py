"""A measured case and what a model says of it, as `diagnose` would."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import Model
from misfire.diagnosis.judging import judge
from misfire.learning.cases import LabelledCase


@dataclass(frozen=True, slots=True)
class JudgedCase:
    """One case and what a judge says of it.

    `event` [shape=(n_firings,)]; `faulty` [shape=(n_cylinders,)], shared within pairs that cannot
    be told apart; `faults` [shape=(n_cylinders, len(FAULT_TYPES))].
    """

    case: LabelledCase
    event: NDArray[np.float64]
    faulty: NDArray[np.float64]
    faults: NDArray[np.float64]


def judge_case(case: LabelledCase, model: Model | None) -> JudgedCase:
    """Judge a measured case as `diagnose` judges the recording.

    Parameters
    ----------
    case : LabelledCase
    model : Model or None
        None: the physics scores judge.

    Returns
    -------
    judged : JudgedCase
    """
    judgement = judge(
        model,
        case.table,
        case.cylinder,
        n_cylinders=case.n_cylinders,
        disturbed=case.disturbed,
        coils=case.coils,
    )
    faulty = judgement.faulty
    if not case.resolved:
        alone = faulty
        faulty = alone.copy()
        for a, b in case.mates.items():
            faulty[a - 1] = 0.5 * (alone[a - 1] + alone[b - 1])
    return JudgedCase(case, judgement.event, faulty, judgement.faults)
