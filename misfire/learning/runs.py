"""Training runs: fit a model on labelled cases and score it on vehicles it has not seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from misfire.classify.bundle import check_target, save_bundle
from misfire.diagnosis.shipped import load_shipped
from misfire.errors import ParameterError
from misfire.learning.casefolders import find_cases
from misfire.learning.casepool import measure_cases
from misfire.learning.cases import LabelledCase
from misfire.learning.fitting import Fitted, fit_model
from misfire.learning.judgedcase import JudgedCase, judge_case
from misfire.learning.modelcard import format_card
from misfire.learning.scores import (
    compare_scores,
    compute_scores,
    lay_out_comparison,
    lay_out_scores,
    summarize_comparison,
)

Progress = Callable[[str, float], None]

OUTER_FOLDS = 5
GOLDEN_CYLINDERS = 64
REAL_SHARE = 0.5  # the workshop's vehicles together weigh this much of the simulated ones ...
MOST_WEIGHT = 10.0  # ... but none more than this
FIRST_SEED = 2_000_000  # simulated vehicles of `train` start here, times seed + 1


@dataclass(frozen=True, slots=True)
class Trained:
    """A fitted model, and what models made the same way say of vehicles they had not seen."""

    fitted: Fitted
    held_out: list[JudgedCase]


def train(
    places: Sequence[Path],
    out: Path,
    *,
    n_simulated: int = 300,
    workers: int = 1,
    seed: int = 0,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Train a model on labelled cases and simulated ones, and write its bundle.

    Parameters
    ----------
    places : sequence of Path
        Folders of labelled cases; may be empty: simulated vehicles alone.
    out : Path
        The bundle; replaced if it is one.
    n_simulated : int [>= 0]
    workers : int [>= 1]
        Processes that measure; the model does not depend on it.
    seed : int [>= 0]
        Same cases, number and seed: same model.
    cache : Path, optional
        Where measured simulated vehicles are kept.
    progress : callable (stage, fraction), optional

    Returns
    -------
    summary : dict
        Scores on held-out vehicles, comparison with the shipped model, `worse` and `verdict`.

    Raises
    ------
    MisfireError
        If there are too few cases, or a folder cannot be used.
    """
    check_target(out)
    if n_simulated < 0 or seed < 0:
        raise ParameterError("the number of simulated vehicles and the seed must not be negative")
    real, failures = measure_cases(find_cases(places), workers=workers, progress=progress)
    first = FIRST_SEED * (seed + 1)
    simulated, unusable = measure_cases(
        range(first, first + n_simulated),
        workers=workers,
        cache=cache,
        stage="simulating vehicles",
        progress=progress,
    )
    cases = [*real, *simulated]
    weights = weigh_cases(real, simulated)
    trained = fit_and_hold_out(cases, seed=seed, weights=weights, progress=progress)
    scores = compute_scores(trained.held_out, seed=seed)
    # The shipped model never saw these vehicles either: the comparison is fair to both. Where the
    # workshop gave vehicles, they decide; the simulator must not be the judge of itself.
    deciding = trained.held_out[: len(real)] if real else trained.held_out
    shipped = load_shipped()
    old = [judge_case(j.case, shipped) for j in deciding]
    comparisons = compare_scores(deciding, old, seed=seed)
    against = "the shipped model" if shipped is not None else "the physics scores (none shipped)"
    verdict = summarize_comparison(comparisons, new="the new model", old=against)
    real_scores = compute_scores(deciding, seed=seed) if real else None
    model = trained.fitted.model
    card = format_card(
        cases,
        model.manifest,
        scores,
        n_real=len(real),
        failures=[*failures, *unusable],
        real_scores=real_scores,
        verdict=verdict,
    )
    write_model(trained.fitted, out, card=card)
    return {
        "schema": "misfire-train/1",
        "model": str(out),
        "vehicles": model.manifest["vehicles"],
        "real_recordings": len(real),
        "simulated_recordings": len(simulated),
        "not_usable": [*failures, *unusable],
        "held_out": lay_out_scores(scores),
        "held_out_real": None if real_scores is None else lay_out_scores(real_scores),
        "compared_on": "real vehicles" if real else "simulated vehicles",
        "comparison": lay_out_comparison(comparisons),
        "worse": any(c.word == "worse" for c in comparisons.values()),
        "verdict": verdict,
    }


def fit_and_hold_out(
    cases: Sequence[LabelledCase],
    *,
    seed: int = 0,
    weights: dict[str, float] | None = None,
    progress: Progress | None = None,
) -> Trained:
    """Fit a model on all cases, and five more to judge the vehicles each has not seen.

    Parameters
    ----------
    cases : sequence of LabelledCase
    seed : int
    weights : dict group -> float, optional
    progress : callable (stage, fraction), optional

    Returns
    -------
    trained : Trained
        `held_out` in the order of `cases`. Everything in fitting, calibration too, is repeated
        without the vehicles held out.

    Notes
    -----
    Fitting runs on one thread: sums come out in one order, and threads that wait for each other
    on a busy machine are slower than one.
    """
    import sklearn.ensemble  # noqa: F401 - its threads can be limited only once it is loaded
    from threadpoolctl import threadpool_limits

    groups = sorted({c.group for c in cases})
    order = np.random.default_rng((seed, 1)).permutation(len(groups))
    fold_of = {g: int(i) % OUTER_FOLDS for g, i in zip(groups, order, strict=True)}
    n = OUTER_FOLDS + 1
    with threadpool_limits(limits=1):
        fitted = fit_model(
            cases, seed=seed, weights=weights, progress=_narrow(progress, "fitting", 0, n)
        )
        held_out: dict[int, JudgedCase] = {}
        for fold in range(OUTER_FOLDS):
            known = [c for c in cases if fold_of[c.group] != fold]
            inner = _narrow(progress, "scoring on unseen vehicles", fold, OUTER_FOLDS)
            model = fit_model(known, seed=seed, weights=weights, progress=inner).model
            for i, case in enumerate(cases):
                if fold_of[case.group] == fold:
                    held_out[i] = judge_case(case, model)
    return Trained(fitted, [held_out[i] for i in range(len(cases))])


def weigh_cases(
    real: Sequence[LabelledCase], simulated: Sequence[LabelledCase]
) -> dict[str, float]:
    """Weigh the workshop's vehicles up, so that few of them are heard among many simulated ones.

    Parameters
    ----------
    real, simulated : sequences of LabelledCase

    Returns
    -------
    weights : dict group -> float [1..MOST_WEIGHT]
        Of the real vehicles only; the others weigh 1.
    """
    if not real:
        return {}
    weight = REAL_SHARE * len(simulated) / len(real)
    return dict.fromkeys((c.group for c in real), min(MOST_WEIGHT, max(1.0, weight)))


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


def _narrow(progress: Progress | None, stage: str, at: int, n: int) -> Progress | None:
    """Show the stages of one fit as one part of a longer stage."""
    if progress is None:
        return None
    show = progress
    halves = {"fitting firings": 0.0, "fitting cylinders": 0.5}
    if stage == "fitting":
        at, n = 0, 1
    return lambda part, share: show(stage, (at + halves.get(part, 0.0) + 0.5 * share) / n)
