"""A measured case and what a model says of it, as `diagnose` would."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import Model
from misfire.diagnosis.chain import conclude
from misfire.diagnosis.judging import judge
from misfire.learning.cases import LabelledCase
from misfire.records import FAULT_TYPES


@dataclass(frozen=True, slots=True)
class JudgedCase:
    """One case and what a judge says of it.

    `event` [shape=(n_firings,)]; `faulty` [shape=(n_cylinders,)], shared among cylinders that
    cannot be told apart; `faults` [shape=(n_cylinders, len(FAULT_TYPES))]; `verdict` is empty for a
    table without a recording.
    """

    case: LabelledCase
    event: NDArray[np.float64]
    faulty: NDArray[np.float64]
    faults: NDArray[np.float64]
    verdict: str = ""


def judge_case(case: LabelledCase, model: Model | None) -> JudgedCase:
    """Judge a measured case as `diagnose` judges the recording, to the digit.

    Parameters
    ----------
    case : LabelledCase
    model : Model or None
        None: the physics scores judge.

    Returns
    -------
    judged : JudgedCase
    """
    if case.measured is None:
        said = judge(
            model,
            case.table,
            case.cylinder,
            n_cylinders=case.n_cylinders,
            disturbed=case.disturbed,
        )
        return JudgedCase(case, said.event, said.faulty, said.faults)
    verdict = conclude(case.measured, model=model)
    of = sorted(verdict.cylinders, key=lambda c: c.cylinder)
    shares = [dict(c.faults) for c in of]
    return JudgedCase(
        case,
        verdict.events["misfire_probability"].to_numpy(float),
        np.array([c.probability for c in of]),
        np.array([[share[t] for t in FAULT_TYPES] for share in shares]),
        verdict.verdict,
    )
