"""What the judges say of one recording: firings, cylinders, kinds of fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import (
    Model,
    hold_back,
    judge_cylinders,
    judge_firings,
    speak_up,
)
from misfire.classify.parts import judge_in_parts
from misfire.classify.rules import (
    find_outstanding,
    find_switched_unseen,
    score_cylinders,
    score_firings,
)
from misfire.diagnosis.explanation import Explanation, explain
from misfire.features.cylinders import build_cylinder_table
from misfire.measuring.freeing import give_back
from misfire.report.wording import LEARNED_FROM, list_cases

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the judges say of one recording, before cylinders that go by one name share.

    `event` [shape=(n_firings,)]; `cylinders`: CYLINDER_COLUMNS, as the judges saw them; `faulty`
    [shape=(n_cylinders,)]; `faults` [shape=(n_cylinders, len(FAULT_TYPES))]; `outstanding`
    [shape=(n_firings,)]: whose torque alone stands out.
    """

    event: NDArray[np.float64]
    cylinders: pd.DataFrame
    faulty: NDArray[np.float64]
    faults: NDArray[np.float64]
    outstanding: NDArray[np.bool_]
    explanation: Explanation


def judge(
    model: Model | None,
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    disturbed: NDArray[np.bool_],
    witnesses: dict[int, frozenset[str]],
    hear: Callable[[NDArray[np.float64]], NDArray[np.float64]] = lambda event: event,
) -> Judgement:
    """Judge firings, then cylinders, then the firings once more by what is known of theirs.

    Parameters
    ----------
    model : Model or None
        None: the physics scores judge.
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int
    disturbed : bool array [shape=(n_firings,)]
    witnesses : dict cylinder -> set of str
        From `find_witnesses`.
    hear : callable
        Lets another witness speak on the firings, whenever they were judged.

    Returns
    -------
    judgement : Judgement
    """
    alone = score_firings if model is None else partial(judge_firings, model)
    event = hear(judge_in_parts(alone, table))
    give_back()  # what was laid out meanwhile, here and below
    cylinders = build_cylinder_table(
        table, event, cylinder, n_cylinders=n_cylinders, disturbed=disturbed
    )
    outstanding = find_outstanding(table)
    give_back()
    if model is None:
        pattern, _ = score_cylinders(cylinders)
    else:
        pattern, _ = judge_cylinders(model, cylinders)
        stand_out = np.bincount(cylinder[outstanding], minlength=n_cylinders + 1)
        unseen = find_switched_unseen(table, cylinder, n_cylinders)
        pattern = speak_up(cylinders, hold_back(cylinders, pattern), stand_out[1:], unseen)
    explanation = explain(table, cylinder, faulty=pattern)
    give_back()
    faulty = pattern
    return Judgement(
        hear(explanation.lost), cylinders, faulty, explanation.kinds, outstanding, explanation
    )


def name_model(model: Model | None) -> str:
    """Say which judge it was.

    Parameters
    ----------
    model : Model or None
        None: the physics scores alone.

    Returns
    -------
    name : str
        Of a learned one with what it was trained on, and the hash of that.
    """
    if model is None:
        return "physics scores"
    told, counts = model.manifest, count_cases(model)
    made_of = list_cases(counts) if counts else f"{told.get('vehicles', '?')} vehicles"
    return f"learned, trained on {made_of}, {str(told.get('training_sha256', ''))[:12]}"


def count_cases(model: Model | None) -> dict[str, int]:
    """Count what a learned judge was trained on.

    Parameters
    ----------
    model : Model or None

    Returns
    -------
    counts : dict of name -> int
        By the names of `LEARNED_FROM`; empty for the physics scores, and for a
        bundle from before they were counted apart.
    """
    told = {} if model is None else model.manifest
    names = [name for name, _ in LEARNED_FROM]
    return {n: int(told[n]) for n in names} if all(n in told for n in names) else {}
