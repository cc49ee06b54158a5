"""What the judges say of one recording: firings, cylinders, kinds of fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from misfire.classify.learned import NOTHING
from misfire.classify.model import (
    LEAST_PROBABILITY,
    MOST_PROBABILITY,
    Model,
    expit,
    judge_cylinders,
    judge_firings,
)
from misfire.classify.parts import judge_in_parts
from misfire.classify.rules import score_cylinders, score_firings
from misfire.diagnosis.firings.explanation import Explanation, explain
from misfire.diagnosis.firings.sealwitness import weigh_compression
from misfire.diagnosis.firings.states import KINDS
from misfire.diagnosis.looks import lean_on_looks
from misfire.diagnosis.onecoil import weigh_coils
from misfire.features.compression import CompressionTable
from misfire.features.cylinders import build_cylinder_table, find_outstanding
from misfire.measuring.freeing import give_back
from misfire.records import SPARK_STATES, WORK_STATES
from misfire.report.wording import LEARNED_FROM, list_cases

if TYPE_CHECKING:
    import pandas as pd


MOST_WORTH = 3.0  # log likelihood that all firings together are worth, before its weight is fitted
UNSWITCHED, HALF_SURE = 4.0, 3.0  # log odds of firings without a dwell, and half of it from so many
PHYSICS_WEIGHTS = (0.0, 1.0, 0.5)  # see `Model.weights`; by judgement, where nothing is learned


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the judge says of one recording, before cylinders that go by one name share.

    `event` [shape=(n_firings,)]: probability that the combustion was lost; `cylinders`:
    CYLINDER_COLUMNS; `faulty` [shape=(n_cylinders,)]; `faults` [shape=(n_cylinders,
    len(FAULT_TYPES))]; `outstanding` [shape=(n_firings,)]: whose torque alone stands out. `addends`
    [shape=(n_cylinders, 6)]: what the log odds of `faulty` are the sum of: how common faults are,
    the pattern of the firings in time and strength, the firings explained one by one, those whose
    coil was not switched, compression under the starter, and a fault of a coil that others share.
    """

    event: NDArray[np.float64]
    cylinders: pd.DataFrame
    faulty: NDArray[np.float64]
    faults: NDArray[np.float64]
    outstanding: NDArray[np.bool_]
    explanation: Explanation
    addends: NDArray[np.float64]


def judge(
    model: Model | None,
    table: pd.DataFrame,
    cylinder: NDArray[np.int64],
    *,
    n_cylinders: int,
    disturbed: NDArray[np.bool_],
    coils: Sequence[tuple[int, ...]] = (),
    compression: CompressionTable | None = None,
) -> Judgement:
    """Judge the cylinders, and explain every firing by what is known of its cylinder.

    Parameters
    ----------
    model : Model or None
        None: the physics scores judge the pattern.
    table : DataFrame [columns=FIRING_COLUMNS]
    cylinder : int64 array [shape=(n_firings,)]
    n_cylinders : int
    disturbed : bool array [shape=(n_firings,)]
    coils : sequence of tuples of cylinders
        Of every coil that fires more than one.
    compression : CompressionTable, optional

    Returns
    -------
    judgement : Judgement

    Notes
    -----
    Log odds add up: `addends` are all there is.
    """
    one_by_one = score_firings if model is None else partial(judge_firings, model)
    event = judge_in_parts(one_by_one, table)
    give_back()  # what was laid out meanwhile, here and below
    cylinders = build_cylinder_table(
        table, event, cylinder, n_cylinders=n_cylinders, disturbed=disturbed
    )
    outstanding = find_outstanding(table)
    give_back()
    weights = PHYSICS_WEIGHTS if model is None else model.weights
    pattern = score_cylinders(cylinders) if model is None else judge_cylinders(model, cylinders)
    sealing = weigh_compression(compression, n_cylinders)
    learned = NOTHING if model is None else model.learned
    explanation = explain(
        table,
        cylinder,
        faulty=expit(pattern),
        disturbed=disturbed,
        compression=sealing,
        learned=learned,
    )
    explanation = lean_on_looks(explanation, learned)
    give_back()
    addends = np.stack(
        (
            np.full(n_cylinders, weights[0]),
            weights[1] * pattern,
            weights[2] * compress(explanation.misfit),
            weigh_unswitched(explanation),
            sealing,
        ),
        axis=1,
    )
    alone = addends.sum(axis=1)
    of_coil = explanation.likely + learned.list_odds(KINDS)  # common in a cylinder, so in a coil
    odds, kinds = weigh_coils(alone, explanation.kinds, of_coil, coils)
    addends = np.column_stack((addends, odds - alone))
    faulty = np.clip(expit(odds), LEAST_PROBABILITY, MOST_PROBABILITY)
    return Judgement(
        explanation.lost,
        cylinders,
        faulty,
        kinds,
        outstanding,
        explanation,
        addends,
    )


def compress(log_likelihood: NDArray[np.float64]) -> NDArray[np.float64]:
    """Make of a log likelihood over many firings what it is worth as evidence.

    Parameters
    ----------
    log_likelihood : float64 array

    Returns
    -------
    compressed : float64 array
        As it is where small, at most `MOST_WORTH`: firings of one recording share their errors,
        so a thousand of them are far from a thousand times as telling as one.

    Examples
    --------
    >>> compress(np.array([0.0, -3.0, 6.0])).round(2).tolist()
    [0.0, -1.5, 2.0]
    """
    return np.asarray(log_likelihood / (1.0 + np.abs(log_likelihood) / MOST_WORTH))


def weigh_unswitched(explanation: Explanation) -> NDArray[np.float64]:
    """Weigh that each cylinder's coil was seen not to be switched.

    Parameters
    ----------
    explanation : Explanation

    Returns
    -------
    log_odds : float64 array [shape=(n_cylinders,)]
        0 where it always was; a lead that drops out speaks once, not by the firing.
    """
    row = explanation.table[:, SPARK_STATES.index("not_switched")]
    n = row.sum(axis=1) - row[:, WORK_STATES.index("cut")]
    return np.asarray(UNSWITCHED * n / (n + HALF_SURE))


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
