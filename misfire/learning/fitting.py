"""Fit the model on labelled cases, whole vehicles kept apart, and calibrate it out of fold.

Out of fold, twice: a cylinder's features depend on the event model, so each fold's cylinders are
judged by an event model that has not seen their vehicle; calibration is a line (Platt) on
out-of-fold odds. Scores in a card come from five more models, each fitted, calibration and all,
without the vehicles that it judges. What a workshop's cases correct is `adapting.py`'s.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.familiarity import Familiar, learn_familiar
from misfire.classify.model import (
    Model,
    calibrate,
    expit,
    find_candidates,
    judge_firings,
)
from misfire.classify.trees import compute_raw, export_trees
from misfire.columns import CYLINDER_INPUTS, EVENT_INPUTS
from misfire.diagnosis.firings.explanation import explain
from misfire.diagnosis.judging import compress
from misfire.errors import ParameterError
from misfire.features.cylinders import build_cylinder_table
from misfire.fitness.descriptors import DESCRIPTORS, describe_vehicle
from misfire.learning.casepool import spread
from misfire.learning.cases import LabelledCase
from misfire.learning.judgedcase import JudgedCase, judge_case

if TYPE_CHECKING:
    import pandas as pd


FOLDS = 5
MOST_EXPLAINED = 500  # simulated cases that the three weights are fitted on: explaining takes time
MOST_SOUND = 400  # sound candidate firings of one recording that enter the fit, weighted up


@dataclass(frozen=True, slots=True)
class Fitted:
    """A model with what its bundle needs, and its honest out-of-fold answers.

    `cylinder_rows`: one per cylinder of every case, with its label and what was said of it out of
    fold: `pattern`, log odds of the cylinder ensemble, and `firings`, `compress` of `misfit` (NaN
    where it was not asked).
    """

    model: Model
    estimators: dict[str, Any]
    golden_firings: NDArray[np.float64]
    cylinder_rows: pd.DataFrame
    firing_counts: dict[str, float] = field(default_factory=dict)


def fit_model(
    cases: Sequence[LabelledCase],
    *,
    seed: int = 0,
) -> Fitted:
    """Fit the event and the cylinder ensemble, and the weights of the addends.

    Parameters
    ----------
    cases : sequence of LabelledCase
        At least 20 vehicles, some faulty, some not.
    seed : int
        For the folds and for the sound firings drawn; the same seed gives the same model.

    Returns
    -------
    fitted : Fitted

    Raises
    ------
    ParameterError
        If there are too few vehicles, or all are faulty, or none; or if no lost firing is known.

    Notes
    -----
    Cylinder features depend on the event model, so each fold's cylinders are judged by an event
    model that has not seen their vehicle. Split by vehicle, never by row (docs/sources.md).
    """
    groups = sorted({c.group for c in cases})
    _check_cases(cases, len(groups))
    rng = np.random.default_rng(seed)
    fold_of = dict(zip(groups, rng.permutation(len(groups)) % FOLDS, strict=True))
    data = _gather_firings(cases, rng)
    odds = np.full(len(data.lost), np.nan)
    tables: list[pd.DataFrame] = [None] * len(cases)  # type: ignore[list-item]
    counts = {"lost": 0.0, "found": 0.0, "sound": 0.0, "false": 0.0}
    event_models: dict[int, Model] = {}
    for fold in range(FOLDS):
        train = np.array([fold_of[g] != fold for g in data.group])
        estimator = _fit_event(data, train, seed)
        trees = export_trees(estimator)
        odds[~train] = compute_raw(trees, data.values[~train])[:, 0]
        event_models[fold] = _event_only(trees, _identity())
    knots = _calibrate_weighted(odds, data.lost, data.weight)
    for i, case in enumerate(cases):
        fold = fold_of[case.group]
        probability = judge_firings(_event_only(event_models[fold].event, knots), case.table)
        tables[i] = build_cylinder_table(
            case.table,
            probability,
            case.cylinder,
            n_cylinders=case.n_cylinders,
            disturbed=case.disturbed,
        )
        _count(counts, case, probability)
    event = _fit_event(data, np.ones(len(data.lost), bool), seed)
    rows = _gather_cylinders(cases, tables)
    estimator, cylinder_knots = _fit_cylinders(rows, fold_of, seed)
    rows["firings"] = _weigh_firings(cases, rows, rng)
    model = Model(
        event=export_trees(event),
        event_knots=knots,
        cylinder=export_trees(estimator),
        cylinder_knots=cylinder_knots,
        weights=_fit_weights(rows),
        event_columns=tuple(EVENT_INPUTS),
        cylinder_columns=tuple(CYLINDER_INPUTS),
        familiar=_learn_familiar(cases),
        manifest=_make_manifest(cases, seed),
    )
    pick = rng.choice(len(data.lost), size=min(200, len(data.lost)), replace=False)
    return Fitted(
        model=model,
        estimators={"event": event, "cylinder": estimator},
        golden_firings=data.values[np.sort(pick)],
        cylinder_rows=rows,
        firing_counts=counts,
    )


def fit_and_judge(
    tasks: Sequence[tuple[Sequence[LabelledCase], Sequence[LabelledCase]]],
    *,
    seed: int = 0,
    workers: int = 1,
) -> Iterator[tuple[Fitted, list[JudgedCase]]]:
    """Fit a model on some cases and judge others by it, task by task.

    Parameters
    ----------
    tasks : sequence of (known, unseen)
        Cases to fit on, and cases to judge.
    seed : int
    workers : int [>= 1]
        Processes; the result does not depend on it.

    Yields
    ------
    fitted : Fitted
    judged : list of JudgedCase
        The unseen, in their order.

    Raises
    ------
    MisfireError
        If a worker process was ended from outside, or the cases do not suffice for a model.

    Notes
    -----
    Each fit runs on one thread: sums come out in one order, and threads that wait for each other
    on a busy machine are slower than one.
    """
    calls = [(known, unseen, seed) for known, unseen in tasks]
    return spread(_fit_and_judge, calls, workers=workers)


def _fit_and_judge(
    call: tuple[Sequence[LabelledCase], Sequence[LabelledCase], int],
) -> tuple[Fitted, list[JudgedCase]]:
    """Fit a model on the known cases and judge the unseen."""
    import sklearn.ensemble  # noqa: F401 - its threads can be limited only once it is loaded
    from threadpoolctl import threadpool_limits

    known, unseen, seed = call
    with threadpool_limits(limits=1):
        fitted = fit_model(known, seed=seed)
        return fitted, [judge_case(case, fitted.model) for case in unseen]


def _make_manifest(cases: Sequence[LabelledCase], seed: int) -> dict[str, Any]:
    """Say what a model was trained on."""
    n_vehicles = len({c.group for c in cases})
    return {
        "vehicles": n_vehicles,
        "recordings": len(cases),
        "simulated_vehicles": n_vehicles,
        "confirmed_cases": 0,
        "seed": seed,
        "training_sha256": hash_cases(cases),
    }


def _learn_familiar(cases: Sequence[LabelledCase]) -> Familiar | None:
    """Learn which vehicles are familiar, from cases that have a recording."""
    told = [(c.group, c.measured.evidence) for c in cases if c.measured is not None]
    if not told:
        return None
    values = np.stack([describe_vehicle(evidence) for _, evidence in told])
    return learn_familiar(DESCRIPTORS, values, [group for group, _ in told])


def _check_cases(cases: Sequence[LabelledCase], n_vehicles: int) -> None:
    """Refuse cases that cannot teach both models."""
    if n_vehicles < 20:
        raise ParameterError(f"training needs at least 20 vehicles, got {n_vehicles}")
    if not any(c.faulty for c in cases) or all(c.faulty for c in cases):
        raise ParameterError("training needs faulty and sound vehicles")
    if not any((c.known & c.lost).any() for c in cases if c.resolved):
        raise ParameterError(
            "training needs cases in which single lost firings are known; add simulated ones"
        )


@dataclass(frozen=True, slots=True)
class _Firings:
    """Candidate firings of all cases."""

    values: NDArray[np.float64]
    lost: NDArray[np.bool_]
    weight: NDArray[np.float64]
    group: NDArray[np.object_]


def _gather_firings(cases: Sequence[LabelledCase], rng: np.random.Generator) -> _Firings:
    """Take every lost candidate firing and a weighted draw of the sound ones."""
    values, lost, weight, group = [], [], [], []
    for case in cases:
        if not case.resolved and case.faulty:
            continue  # the lost firings may carry the other cylinder's name
        usable = find_candidates(case.table) & case.known
        bad, good = np.flatnonzero(usable & case.lost), np.flatnonzero(usable & ~case.lost)
        drawn = np.sort(rng.permutation(good)[:MOST_SOUND])
        rows = np.concatenate((bad, drawn))
        if rows.size == 0:
            continue
        up = good.size / drawn.size if drawn.size else 1.0
        values.append(case.table[list(EVENT_INPUTS)].to_numpy(float)[rows])
        lost.append(np.concatenate((np.ones(bad.size, bool), np.zeros(drawn.size, bool))))
        # A dead cylinder gives thousands of lost firings all alike: they share one voice.
        calm = min(1.0, 150.0 / bad.size) if bad.size else 1.0
        weight.append(np.concatenate((np.full(bad.size, calm), np.full(drawn.size, up))))
        group.append(np.full(rows.size, case.group, dtype=object))
    return _Firings(
        np.concatenate(values),
        np.concatenate(lost),
        np.concatenate(weight),
        np.concatenate(group),
    )


def _fit_event(data: _Firings, train: NDArray[np.bool_], seed: int) -> Any:
    """Fit the event ensemble."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    estimator = HistGradientBoostingClassifier(
        max_iter=120,
        learning_rate=0.08,
        max_leaf_nodes=10,
        min_samples_leaf=100,
        l2_regularization=10.0,
        max_features=0.6,
        monotonic_cst=list(EVENT_INPUTS.values()),
        early_stopping=False,
        random_state=seed,
    )
    return estimator.fit(
        _fill_empty(data.values[train]), data.lost[train], sample_weight=data.weight[train]
    )


def _gather_cylinders(
    cases: Sequence[LabelledCase], tables: Sequence[pd.DataFrame]
) -> pd.DataFrame:
    """One row per cylinder with its label; ambiguous ones are left out."""
    import pandas as pd

    parts = []
    for number, (case, table) in enumerate(zip(cases, tables, strict=True)):
        if not case.resolved and case.faulty:
            continue
        part = table.copy()
        part["case"] = number
        part["group"] = case.group
        part["faulty"] = [int(c) in case.faulty for c in part.index]
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _fit_cylinders(
    rows: pd.DataFrame, fold_of: dict[str, int], seed: int
) -> tuple[Any, NDArray[np.float64]]:
    """Fit the cylinder ensemble, and calibrate it on its answers out of fold: `rows["pattern"]`."""
    values = rows[list(CYLINDER_INPUTS)].to_numpy(float)
    label = rows["faulty"].to_numpy(bool)
    weight = np.ones(len(rows))
    fold = np.array([fold_of[g] for g in rows["group"]])
    odds = np.zeros(len(rows))
    for k in range(FOLDS):
        train = fold != k
        estimator = _fit_cylinder(values[train], label[train], weight[train], seed)
        odds[~train] = compute_raw(export_trees(estimator), values[~train])[:, 0]
    knots = _calibrate_weighted(odds, label, weight)
    rows["pattern"] = calibrate(odds, knots)
    return _fit_cylinder(values, label, weight, seed), knots


def _weigh_firings(
    cases: Sequence[LabelledCase], rows: pd.DataFrame, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Explain the firings of cases as `judge` does, by what the pattern said out of fold.

    `MOST_EXPLAINED` of the cases; NaN in the rest.
    """
    weighed = np.full(len(rows), np.nan)
    numbers, pattern = rows["case"].to_numpy(int), rows["pattern"].to_numpy(float)
    for number in np.sort(rng.permutation(np.unique(numbers))[:MOST_EXPLAINED]):
        case, own = cases[number], numbers == number
        explanation = explain(
            case.table, case.cylinder, faulty=expit(pattern[own]), disturbed=case.disturbed
        )
        weighed[own] = compress(explanation.misfit)
    return weighed


def _fit_weights(rows: pd.DataFrame) -> tuple[float, float, float]:
    """Fit how much the addends of a cylinder's log odds count."""
    from sklearn.linear_model import LogisticRegression

    rows = rows[rows["firings"].notna()]
    line = LogisticRegression(tol=1e-8, max_iter=1000)  # L2 of unit weights, as scikit-learn's own
    line.fit(rows[["pattern", "firings"]].to_numpy(float), rows["faulty"].to_numpy(bool))
    pattern, firings = line.coef_[0].tolist()
    return float(line.intercept_[0]), pattern, firings


def _fit_cylinder(
    values: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64], seed: int
) -> Any:
    """Fit the ensemble that says whether a cylinder is faulty."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    return HistGradientBoostingClassifier(
        max_iter=150,
        learning_rate=0.06,
        max_leaf_nodes=6,
        min_samples_leaf=20,
        l2_regularization=5.0,
        max_features=0.6,
        monotonic_cst=list(CYLINDER_INPUTS.values()),
        early_stopping=False,
        random_state=seed,
    ).fit(_fill_empty(values), label, sample_weight=weight)


def _fill_empty(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Make a column that nothing was measured in constant: it cannot be binned, nor split on."""
    empty = ~np.isfinite(values).any(axis=0)
    return np.where(empty, 0.0, values) if empty.any() else values


def _event_only(trees: Any, knots: NDArray[np.float64]) -> Model:
    """Wrap event trees so that `judge_firings` can use them."""
    return Model(
        event=trees,
        event_knots=knots,
        cylinder=trees,
        cylinder_knots=knots,
        weights=(0.0, 1.0, 0.0),
        event_columns=tuple(EVENT_INPUTS),
        cylinder_columns=tuple(CYLINDER_INPUTS),
    )


def _identity() -> NDArray[np.float64]:
    """Knots that change nothing."""
    return np.array([[0.0, 1.0], [0.0, 1.0]])


def _calibrate_weighted(
    odds: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fit a straight line from log odds to log odds (Platt), as two knots.

    Source: J. Platt, "Probabilistic outputs for support vector machines", 1999. A line cannot
    overfit the few faulty vehicles as isotonic steps do.
    """
    from sklearn.linear_model import LogisticRegression

    line = LogisticRegression(C=100.0).fit(odds[:, None], label, sample_weight=weight)
    slope, offset = float(line.coef_[0, 0]), float(line.intercept_[0])
    ends = np.array([-6.0, 6.0])
    return np.array([ends, slope * ends + offset])


def _count(counts: dict[str, float], case: LabelledCase, probability: NDArray[np.float64]) -> None:
    """Add one case's lost firings found and sound firings called lost."""
    if not case.resolved and case.faulty:
        return
    low = {c for c, t in case.faulty.items() if t == "low_compression"}
    judged = case.known & np.isfinite(probability) & ~np.isin(case.cylinder, list(low))
    called = probability >= 0.5
    counts["lost"] += float((judged & case.lost).sum())
    counts["found"] += float((judged & case.lost & called).sum())
    counts["sound"] += float((judged & ~case.lost).sum())
    counts["false"] += float((judged & ~case.lost & called).sum())


def hash_cases(cases: Sequence[LabelledCase]) -> str:
    """Hash all rows and labels of cases.

    Parameters
    ----------
    cases : sequence of LabelledCase

    Returns
    -------
    digest : str
        64 hexadecimal digits (SHA-256).
    """
    digest = hashlib.sha256()
    for case in cases:
        digest.update(case.group.encode())
        digest.update(np.ascontiguousarray(case.table.to_numpy(float)).tobytes())
        digest.update(case.lost.tobytes())
        digest.update(repr(sorted(case.faulty.items())).encode())
    return digest.hexdigest()
