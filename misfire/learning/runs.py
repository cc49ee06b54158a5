"""Training runs: the ensembles on simulated vehicles, and what confirmed cases correct."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from misfire.classify.bundle import check_target, save_adapted, save_bundle
from misfire.classify.model import Model
from misfire.diagnosis.shipped import find_shipped, load_shipped
from misfire.errors import FormatError, ModelError, ParameterError
from misfire.learning.adapting import Taught, adapt, teach
from misfire.learning.casefile import open_cases
from misfire.learning.casepool import measure_cases
from misfire.learning.cases import LabelledCase
from misfire.learning.figures import FigureTables
from misfire.learning.fitting import Fitted, fit_and_judge
from misfire.learning.judgedcase import JudgedCase, judge_case
from misfire.learning.modelcard import format_card
from misfire.learning.scores import (
    Point,
    compare_scores,
    compute_parts,
    compute_scores,
    lay_out_comparison,
    lay_out_curve,
    lay_out_scores,
    summarize_comparison,
)
from misfire.report.pictures.learningcurve import draw_curve

Progress = Callable[[str, float], None]

OUTER_FOLDS = 5
GOLDEN_CYLINDERS = 64
CURVE = "curve.svg"  # member of a bundle
SIZES = (0, 5, 10, 20, 50)  # cases that the model of a learning curve learns from
REPEATS = 5  # splits
TEST_SHARE = 1 / 3  # of the vehicles: held apart in each split
LEAST_VEHICLES = 9  # fewer leave none to score on
SHOWN = {
    "fault_type_log_loss": "log loss of the kinds of fault (less is better)",
    "fault_type_top1": "kind of fault named first (share)",
    "top1_cylinder": "faulty cylinder ranked first (share)",
}


@dataclass(frozen=True, slots=True)
class Trained:
    """A fitted model, and what models made the same way say of vehicles they had not seen."""

    fitted: Fitted
    held_out: list[JudgedCase]


def train(
    places: Sequence[Path],
    out: Path,
    *,
    workers: int = 1,
    seed: int = 0,
    with_curve: bool = False,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Let labelled cases correct the shipped model, and write the bundle of the corrected one.

    Parameters
    ----------
    places : sequence of Path
        Folders of labelled cases, and case files.
    out : Path
        The bundle; replaced if it is one already.
    workers : int [>= 1]
        Processes that measure; the model does not depend on it.
    seed : int [>= 0]
        Of what is held out of the training in turn.
    with_curve : bool
        Also find and draw what more cases would bring.
    progress : callable (stage, fraction), optional

    Returns
    -------
    summary : dict
        Scores on held-out vehicles, comparison with the shipped model, `worse` and `verdict`.

    Raises
    ------
    MisfireError
        If there is no shipped model, no case can be used, or a place cannot be used.
    """
    check_target(out)
    if seed < 0:
        raise ParameterError("the seed must not be negative")
    shipped = load_shipped()
    if shipped is None:
        raise ModelError(
            "no model came with this installation, so there is none that cases could correct"
        )
    with open_cases(places) as found:
        cases, failures = measure_cases(found, workers=workers, progress=progress)
    if not cases:
        raise FormatError(f"none of the cases can be used; the first: {failures[0]}")
    taught = teach(shipped, cases, progress=progress)
    adapted = adapt(shipped, taught)
    held_out = hold_out(shipped, taught, seed=seed, progress=progress)
    old = [judge_case(case, shipped) for case in cases]  # it never saw them either
    comparisons = compare_scores(held_out, old, seed=seed)
    verdict = summarize_comparison(comparisons, new="the new model", old="the shipped model")
    scores = compute_scores(held_out, seed=seed)
    curve = find_curve(shipped, taught, seed=seed, progress=progress) if with_curve else None
    card = format_card(
        cases,
        adapted,
        scores,
        tables=compute_parts(held_out, seed=seed),
        failures=failures,
        verdict=verdict,
        curve=curve,
    )
    told = None if curve is None else lay_out_curve(curve, n_splits=REPEATS)
    pictures = {} if told is None else {CURVE: draw_curve(told["points"], SHOWN)}
    save_adapted(adapted, out, source=find_shipped(), card=card, pictures=pictures)
    return {
        "schema": "misfire-train/2",
        "model": str(out),
        "vehicles": len({c.group for c in cases}),
        "recordings": len(cases),
        "not_usable": failures,
        "learned": {
            "kind_odds": dict(adapted.learned.kind_odds),
            "trust": dict(adapted.learned.trust),
            "usual": {name: list(pair) for name, pair in adapted.learned.usual.items()},
            "leanings": {
                look: dict(leaning.towards) for look, leaning in adapted.learned.leanings.items()
            },
        },
        "held_out": lay_out_scores(scores),
        "comparison": lay_out_comparison(comparisons),
        "worse": any(c.word == "worse" for c in comparisons.values()),
        "verdict": verdict,
        "curve": told,
    }


def find_curve(
    model: Model,
    taught: Sequence[Taught],
    *,
    seed: int = 0,
    progress: Progress | None = None,
) -> list[Point]:
    """Learn from more and more cases, and score each model on vehicles it has not seen.

    Parameters
    ----------
    model : Model
        The one that cases correct.
    taught : sequence of Taught
        From `teach` with that model.
    seed : int
        Of the splits.
    progress : callable (stage, fraction), optional

    Returns
    -------
    points : list of Point
        Of the sizes that the vehicles allow.

    Raises
    ------
    ParameterError
        If there are too few vehicles.

    Notes
    -----
    Whole vehicles are learned from or scored on. In a split all sizes are scored on the same
    vehicles and each learns from the cases of the smaller ones and some more, so that the steps
    from size to size are not those of luck.
    """
    groups = sorted({one.case.group for one in taught})
    if len(groups) < LEAST_VEHICLES:
        raise ParameterError(
            f"a learning curve needs at least {LEAST_VEHICLES} vehicles, got {len(groups)}; "
            "confirm more, or leave out --curve"
        )
    n_test = math.ceil(TEST_SHARE * len(groups))
    found: dict[tuple[int, str], list[float]] = {}
    for split in range(REPEATS):
        order = np.random.default_rng((seed, 7, split)).permutation(len(groups))
        test = {groups[i] for i in order[:n_test]}
        place = {groups[i]: k for k, i in enumerate(order[n_test:])}
        known = [one for one in taught if one.case.group in place]
        drawn = np.argsort([place[one.case.group] for one in known], kind="stable")
        known = [known[i] for i in drawn]
        unseen = [one.case for one in taught if one.case.group in test]
        for number, size in enumerate(SIZES):
            if progress is not None:
                progress("learning curve", (split + number / len(SIZES)) / REPEATS)
            if size > len(known):
                break
            corrected = adapt(model, known[:size])
            tables = FigureTables([judge_case(c, corrected) for c in unseen])
            for name in SHOWN:
                statistic = tables.get(name)
                if statistic is not None:
                    value = statistic(np.ones(len(tables.vehicles)))
                    found.setdefault((size, name), []).append(value)
    return [
        Point(size, name, float(np.mean(v)), min(v), max(v), len(v))
        for (size, name), v in sorted(found.items())
    ]


def hold_out(
    model: Model,
    taught: Sequence[Taught],
    *,
    seed: int = 0,
    progress: Progress | None = None,
) -> list[JudgedCase]:
    """Judge every vehicle by the model as the other vehicles correct it.

    Parameters
    ----------
    model : Model
    taught : sequence of Taught
        From `teach`.
    seed : int
    progress : callable (stage, fraction), optional

    Returns
    -------
    judged : list of JudgedCase
        In their order.
    """
    cases = [one.case for one in taught]
    fold_of = deal_out(cases, OUTER_FOLDS, seed=seed)
    judged: dict[int, JudgedCase] = {}
    for fold in range(OUTER_FOLDS):
        if progress is not None:
            progress("scoring on unseen vehicles", fold / OUTER_FOLDS)
        unseen = [i for i, case in enumerate(cases) if fold_of[case.group] == fold]
        if unseen:
            known = [one for one in taught if fold_of[one.case.group] != fold]
            corrected = adapt(model, known)
            judged |= {i: judge_case(cases[i], corrected) for i in unseen}
    return [judged[i] for i in range(len(cases))]


def deal_out(cases: Sequence[LabelledCase], n_folds: int, *, seed: int) -> dict[str, int]:
    """Deal whole vehicles out into folds.

    Parameters
    ----------
    cases : sequence of LabelledCase
    n_folds : int
    seed : int

    Returns
    -------
    folds : dict group -> int [0..n_folds)
    """
    groups = sorted({c.group for c in cases})
    order = np.random.default_rng((seed, 1)).permutation(len(groups))
    return {g: int(i) % n_folds for g, i in zip(groups, order, strict=True)}


def fit_and_hold_out(
    cases: Sequence[LabelledCase],
    *,
    seed: int = 0,
    workers: int = 1,
    progress: Progress | None = None,
) -> Trained:
    """Fit a model on all cases, and five more to judge the vehicles each has not seen.

    Parameters
    ----------
    cases : sequence of LabelledCase
    seed : int
    workers : int [>= 1]
        Processes; the result does not depend on it.
    progress : callable (stage, fraction), optional

    Returns
    -------
    trained : Trained
        `held_out` in the order of `cases`. Everything in fitting, calibration too, is repeated
        without the vehicles held out.
    """
    fold_of = deal_out(cases, OUTER_FOLDS, seed=seed)
    folds = [
        [i for i, case in enumerate(cases) if fold_of[case.group] == k] for k in range(OUTER_FOLDS)
    ]
    tasks = [(list(cases), list[LabelledCase]())]
    tasks += [
        ([c for c in cases if fold_of[c.group] != k], [cases[i] for i in rows])
        for k, rows in enumerate(folds)
    ]
    answers = fit_and_judge(tasks, seed=seed, workers=workers)
    fitted, _ = next(answers)
    held_out: dict[int, JudgedCase] = {}
    for k, (rows, (_, judged)) in enumerate(zip(folds, answers, strict=True)):
        if progress is not None:
            progress("fitting, and scoring on unseen vehicles", (k + 1) / OUTER_FOLDS)
        held_out |= dict(zip(rows, judged, strict=True))
    return Trained(fitted, [held_out[i] for i in range(len(cases))])


def write_model(fitted: Fitted, out: Path, *, card: str) -> None:
    """Write the bundle of a fitted model, with some of its own rows as check rows."""
    rows = fitted.cylinder_rows
    picked = np.unique(np.linspace(0, len(rows) - 1, GOLDEN_CYLINDERS).astype(int))
    save_bundle(
        fitted.model,
        out,
        golden_firings=fitted.golden_firings,
        golden_cylinders=rows.iloc[picked],
        estimators=fitted.estimators,
        card=card,
    )
