"""Fit the model on labelled cases, whole vehicles kept apart, and calibrate it out of fold.

Out of fold, twice: a cylinder's features depend on the event model, so each fold's cylinders are
judged by an event model that has not seen their vehicle; calibration is a line (Platt) on
out-of-fold odds. Scores in a card come from five more models, each fitted, calibration and all,
without the vehicles that it judges. The shipped model and `train` draw different simulated
vehicles.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import (
    Model,
    calibrate,
    expit,
    find_candidates,
    gather_fault_inputs,
    judge_firings,
    share_faults,
)
from misfire.classify.trees import compute_raw, export_trees
from misfire.columns import CYLINDER_INPUTS, EVENT_INPUTS, FAULT_INPUTS
from misfire.errors import ParameterError
from misfire.features.cylinders import build_cylinder_table
from misfire.learning.cases import LabelledCase
from misfire.records import FAULT_TYPES

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]

FOLDS = 5
LEAST_REAL = 10  # vehicles of the workshop that may move the calibration
SLOPE_PRIOR, OFFSET_PRIOR = 0.5, 1.5  # see `_adapt`; in log odds
MOST_SOUND = 400  # sound candidate firings of one recording that enter the fit, weighted up


@dataclass(frozen=True, slots=True)
class Fitted:
    """A model with what its bundle needs, and its honest out-of-fold answers.

    `rows`: one per cylinder of every case: group, cylinder, label, probability, fault label and
    the fault shares, all out of fold.
    """

    model: Model
    estimators: dict[str, Any]
    golden_firings: NDArray[np.float64]
    golden_cylinders: NDArray[np.float64]
    golden_faults: NDArray[np.float64]
    cylinder_rows: pd.DataFrame
    firing_counts: dict[str, float] = field(default_factory=dict)


def fit_model(
    cases: Sequence[LabelledCase],
    *,
    seed: int = 0,
    weights: dict[str, float] | None = None,
    progress: Progress | None = None,
) -> Fitted:
    """Fit event, cylinder and fault models.

    Parameters
    ----------
    cases : sequence of LabelledCase
        At least 20 vehicles, some faulty, some not.
    seed : int
        For the folds and for the sound firings drawn; the same seed gives the same model.
    weights : dict group -> float, optional
        Weight of a vehicle's rows; cases from the workshop weigh more than simulated ones.
    progress : callable (stage, fraction), optional

    Returns
    -------
    fitted : Fitted

    Raises
    ------
    ParameterError
        If there are too few vehicles, or all are faulty, or none; if no lost firing is known, or
        the faults are of fewer than three types.

    Notes
    -----
    Cylinder features depend on the event model, so each fold's cylinders are judged by an event
    model that has not seen their vehicle. Split by vehicle, never by row (ANCHORS F).
    """
    groups = sorted({c.group for c in cases})
    _check_cases(cases, len(groups))
    weights = weights or {}
    rng = np.random.default_rng(seed)
    fold_of = dict(zip(groups, rng.permutation(len(groups)) % FOLDS, strict=True))
    data = _gather_firings(cases, weights, rng)
    odds = np.full(len(data.lost), np.nan)
    tables: list[pd.DataFrame] = [None] * len(cases)  # type: ignore[list-item]
    counts = {"lost": 0.0, "found": 0.0, "sound": 0.0, "false": 0.0}
    event_models: dict[int, Model] = {}
    for fold in range(FOLDS):
        if progress is not None:
            progress("fitting firings", fold / (FOLDS + 1))
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
    if progress is not None:
        progress("fitting firings", FOLDS / (FOLDS + 1))
    event = _fit_event(data, np.ones(len(data.lost), bool), seed)
    rows = _gather_cylinders(cases, tables, weights)
    fitted = _fit_cylinders(rows, fold_of, seed, progress)
    model = Model(
        event=export_trees(event),
        event_knots=knots,
        cylinder=export_trees(fitted.cylinder),
        cylinder_knots=fitted.knots,
        fault=export_trees(fitted.fault),
        fault_types=fitted.fault_types,
        temperature=fitted.temperature,
        lost_share=float(data.weight[data.lost].sum() / data.weight.sum()),
        event_columns=tuple(EVENT_INPUTS),
        cylinder_columns=tuple(CYLINDER_INPUTS),
        fault_columns=FAULT_INPUTS,
        manifest=_make_manifest(cases, weights, seed),
    )
    pick = rng.choice(len(data.lost), size=min(200, len(data.lost)), replace=False)
    few = np.sort(rng.choice(len(rows), size=min(200, len(rows)), replace=False))
    return Fitted(
        model=model,
        estimators={"event": event, "cylinder": fitted.cylinder, "fault": fitted.fault},
        golden_firings=data.values[np.sort(pick)],
        golden_cylinders=rows[list(CYLINDER_INPUTS)].to_numpy(float)[few],
        golden_faults=gather_fault_inputs(rows.iloc[few], FAULT_INPUTS),
        cylinder_rows=rows,
        firing_counts=counts,
    )


def _make_manifest(
    cases: Sequence[LabelledCase], weights: dict[str, float], seed: int
) -> dict[str, Any]:
    """Say what a model was trained on."""
    n_vehicles = len({c.group for c in cases})
    confirmed = [c for c in cases if c.group in weights]
    return {
        "vehicles": n_vehicles,
        "recordings": len(cases),
        "simulated_vehicles": n_vehicles - len({c.group for c in confirmed}),
        "confirmed_cases": len(confirmed),
        "seed": seed,
        "training_sha256": _hash(cases),
    }


def _check_cases(cases: Sequence[LabelledCase], n_vehicles: int) -> None:
    """Refuse cases that cannot teach all three models."""
    if n_vehicles < 20:
        raise ParameterError(f"training needs at least 20 vehicles, got {n_vehicles}")
    if not any(c.faulty for c in cases) or all(c.faulty for c in cases):
        raise ParameterError("training needs faulty and sound vehicles")
    if not any((c.known & c.lost).any() for c in cases if c.resolved):
        raise ParameterError(
            "training needs cases in which single lost firings are known; add simulated ones"
        )
    if len({t for c in cases if c.resolved for t in c.faulty.values()}) < 3:
        raise ParameterError("training needs at least three types of fault; add simulated cases")


@dataclass(frozen=True, slots=True)
class _Firings:
    """Candidate firings of all cases."""

    values: NDArray[np.float64]
    lost: NDArray[np.bool_]
    weight: NDArray[np.float64]
    group: NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class _Cylinders:
    """Fitted cylinder and fault estimators."""

    cylinder: Any
    knots: NDArray[np.float64]
    fault: Any
    fault_types: tuple[str, ...]
    temperature: float


def _gather_firings(
    cases: Sequence[LabelledCase], weights: dict[str, float], rng: np.random.Generator
) -> _Firings:
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
        own = weights.get(case.group, 1.0)
        # A dead cylinder gives thousands of lost firings all alike: they share one voice.
        calm = min(1.0, 150.0 / bad.size) if bad.size else 1.0
        weight.append(own * np.concatenate((np.full(bad.size, calm), np.full(drawn.size, up))))
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
    cases: Sequence[LabelledCase], tables: Sequence[pd.DataFrame], weights: dict[str, float]
) -> pd.DataFrame:
    """One row per cylinder with its label; ambiguous ones are left out."""
    import pandas as pd

    parts = []
    for case, table in zip(cases, tables, strict=True):
        if not case.resolved and case.faulty:
            continue
        part = table.copy()
        part["group"] = case.group
        part["cylinder_number"] = part.index
        part["condition"] = case.condition
        part["faulty"] = [int(c) in case.faulty for c in part.index]
        part["fault"] = [case.faulty.get(int(c), "") for c in part.index]
        part["witnesses"] = [" ".join(sorted(case.witnesses[int(c)])) for c in part.index]
        if case.crank_fault and not case.faulty:
            # The cylinder that looks worst stands for the sensor's own fault.
            worst = int(np.nan_to_num(part["torque_median_z"].to_numpy(float), nan=-9).argmax())
            part["fault"] = np.where(np.arange(len(part)) == worst, "crank_signal", part["fault"])
        part["weight"] = weights.get(case.group, 1.0)
        part["real"] = case.group in weights
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def _fit_cylinders(
    rows: pd.DataFrame, fold_of: dict[str, int], seed: int, progress: Progress | None
) -> _Cylinders:
    """Fit cylinder and fault ensembles, and calibrate both on out-of-fold answers."""
    values = rows[list(CYLINDER_INPUTS)].to_numpy(float)
    inputs = gather_fault_inputs(rows, FAULT_INPUTS)
    label = rows["faulty"].to_numpy(bool)
    weight = rows["weight"].to_numpy(float)
    fault = rows["fault"].to_numpy(str)
    typed = fault != ""
    names = tuple(t for t in FAULT_TYPES if (fault == t).any())
    target = np.array([names.index(t) if t else -1 for t in fault])
    fold = np.array([fold_of[g] for g in rows["group"]])
    odds = np.zeros(len(rows))
    raw = np.zeros((len(rows), len(names)))
    for k in range(FOLDS):
        if progress is not None:
            progress("fitting cylinders", k / (FOLDS + 1))
        train = fold != k
        estimator = _fit_cylinder(values[train], label[train], weight[train], seed)
        odds[~train] = compute_raw(export_trees(estimator), values[~train])[:, 0]
        chosen = train & typed
        kinds = np.unique(target[chosen])
        if kinds.size > 1:  # of one kind alone there is nothing to learn
            estimator = _fit_fault(inputs[chosen], target[chosen], weight[chosen], seed)
            part = _as_columns(compute_raw(export_trees(estimator), inputs[~train]))
            raw[np.ix_(~train, kinds)] = part
        raw[np.ix_(~train, np.setdiff1d(np.arange(len(names)), kinds))] = -20.0
    knots = _calibrate_weighted(odds, label, weight)
    real = rows["real"].to_numpy(bool)
    knots = _adapt(knots, odds[real], label[real], n_vehicles=rows.loc[real, "group"].nunique())
    temperature = _find_temperature(raw[typed], inputs[typed], names, target[typed])
    rows["probability"] = expit(calibrate(odds, knots))
    share = share_faults(raw, inputs, names, temperature)
    for t in FAULT_TYPES:
        rows[f"share_{t}"] = share[:, names.index(t)] if t in names else 0.0
    return _Cylinders(
        cylinder=_fit_cylinder(values, label, weight, seed),
        knots=knots,
        fault=_fit_fault(inputs[typed], target[typed], weight[typed], seed),
        fault_types=names,
        temperature=temperature,
    )


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


def _fit_fault(
    values: NDArray[np.float64],
    target: NDArray[np.int64],
    weight: NDArray[np.float64],
    seed: int,
) -> Any:
    """Fit the ensemble that names the fault."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    return HistGradientBoostingClassifier(
        max_iter=120,
        learning_rate=0.06,
        max_leaf_nodes=8,
        min_samples_leaf=8,
        l2_regularization=5.0,
        max_features=0.4,
        early_stopping=False,
        random_state=seed,
    ).fit(_fill_empty(values), target, sample_weight=weight)


def _fill_empty(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Make a column that nothing was measured in constant: it cannot be binned, nor split on."""
    empty = ~np.isfinite(values).any(axis=0)
    return np.where(empty, 0.0, values) if empty.any() else values


def _as_columns(raw: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two classes come as one log odds: make two columns of it."""
    if raw.shape[1] == 1:
        return np.column_stack((-raw[:, 0] / 2, raw[:, 0] / 2))
    return raw


def _event_only(trees: Any, knots: NDArray[np.float64]) -> Model:
    """Wrap event trees so that `judge_firings` can use them."""
    return Model(
        event=trees,
        event_knots=knots,
        cylinder=trees,
        cylinder_knots=knots,
        fault=trees,
        fault_types=(),
        temperature=1.0,
        lost_share=0.1,
        event_columns=tuple(EVENT_INPUTS),
        cylinder_columns=tuple(CYLINDER_INPUTS),
        fault_columns=FAULT_INPUTS,
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


def _adapt(
    knots: NDArray[np.float64],
    odds: NDArray[np.float64],
    label: NDArray[np.bool_],
    *,
    n_vehicles: int,
) -> NDArray[np.float64]:
    """Calibrate once more on the workshop's own vehicles, as far as they are enough to say.

    Simulated vehicles say what evidence means on vehicles as they were drawn; the workshop's are
    others. The most likely line (slope a, offset b) over what the simulated ones gave, with normal
    priors a = 1 +- SLOPE_PRIOR, b = 0 +- OFFSET_PRIOR that a few cases hardly move.
    """
    if n_vehicles < LEAST_REAL or label.all() or not label.any():
        return knots
    from scipy.optimize import minimize

    said = calibrate(odds, knots)

    def loss(line: NDArray[np.float64]) -> float:
        x = line[0] * said + line[1]
        likelihood = np.logaddexp(0.0, np.where(label, -x, x)).sum()
        prior = ((line[0] - 1.0) / SLOPE_PRIOR) ** 2 + (line[1] / OFFSET_PRIOR) ** 2
        return float(likelihood + 0.5 * prior)

    slope, offset = minimize(loss, np.array([1.0, 0.0]), bounds=((0.1, 3.0), (-5.0, 5.0))).x
    return np.array([knots[0], slope * knots[1] + offset])


def _find_temperature(
    raw: NDArray[np.float64],
    inputs: NDArray[np.float64],
    names: tuple[str, ...],
    target: NDArray[np.int64],
) -> float:
    """Temperature that makes the out-of-fold fault shares most likely."""
    grid = np.geomspace(0.5, 8.0, 40)
    rows = np.arange(target.size)
    loss = [
        -np.log(np.maximum(share_faults(raw, inputs, names, t)[rows, target], 1e-9)).mean()
        for t in grid
    ]
    return float(grid[int(np.argmin(loss))])


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


def _hash(cases: Sequence[LabelledCase]) -> str:
    """Hash of all training rows and labels."""
    digest = hashlib.sha256()
    for case in cases:
        digest.update(case.group.encode())
        digest.update(np.ascontiguousarray(case.table.to_numpy(float)).tobytes())
        digest.update(case.lost.tobytes())
        digest.update(repr(sorted(case.faulty.items())).encode())
    return digest.hexdigest()
