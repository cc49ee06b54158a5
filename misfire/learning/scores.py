"""How good a model is on labelled cases: figures with intervals, whole vehicles as units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.chances import compute_clopper_pearson
from misfire.errors import ParameterError
from misfire.learning.calibration import (
    Figure,
    Statistic,
    bootstrap,
    resample_groups,
    tabulate_reliability,
    tally_confusion,
)
from misfire.learning.figures import FigureTables
from misfire.learning.judgedcase import JudgedCase
from misfire.records import FAULT_TYPES

KIND_BINS = 20  # the words for a kind of fault change at twentieths
FEWEST_VEHICLES = 8  # fewer carry no comparison of two models
LEAST_PART = 5  # vehicles of one set of channels or kind of engine that stand apart
OF_PARTS = (
    *("top1_cylinder", "faulty_found", "healthy_accused", "event_recall", "event_false_alarms"),
    *("fault_type_top1", "fault_type_log_loss", "fault_type_calibration_error"),
)
BETTER = {
    # Figure -> +1: the more the better, -1: the less, 0: says nothing of the model.
    "top1_cylinder": 1,
    "top2_cylinder": 1,
    "faulty_found": 1,
    "healthy_accused": -1,
    "crank_fault_accused": -1,
    "event_recall": 1,
    "event_false_alarms": -1,
    "event_recall_at_1_in_1000": 1,
    "brier": -1,
    "brier_reliability": -1,
    "brier_resolution": 1,
    "brier_uncertainty": 0,
    "calibration_error": -1,
    "fault_type_top1": 1,
    "fault_type_top2": 1,
    "fault_type_top1_separable": 1,
    "fault_type_top2_separable": 1,
    "fault_type_log_loss": -1,
    "fault_type_log_loss_own_coil": -1,
    "fault_type_calibration_error": -1,
}
"""Every figure, in order, and which way is better."""

CENTRED = (
    "brier_reliability",
    "brier_resolution",
    "calibration_error",
    "fault_type_calibration_error",
)


@dataclass(frozen=True, slots=True)
class Scores:
    """All figures of one judge, the tables behind its calibration, and who was taken for what.

    `reliability` of the cylinders' probabilities, `kind_reliability` of the share of the kind named
    first, `share_reliability` of the shares of all kinds, `firing_reliability` of the firings.
    """

    figures: dict[str, Figure]
    reliability: list[dict[str, float]]
    kind_reliability: list[dict[str, float]]
    share_reliability: list[dict[str, float]]
    firing_reliability: list[dict[str, float]]
    confusion: NDArray[np.int64]
    confusion_separable: NDArray[np.int64]
    vehicles: int
    recordings: int


@dataclass(frozen=True, slots=True)
class ScoreComparison:
    """One figure of two judges on the same vehicles; `word` says which is better."""

    value: float
    other: float
    difference: float
    low: float
    high: float
    word: str


@dataclass(frozen=True, slots=True)
class Point:
    """One figure after learning from so many cases: mean and extremes over the splits."""

    cases: int
    figure: str
    mean: float
    low: float
    high: float
    splits: int


def compute_scores(judged: Sequence[JudgedCase], *, seed: int = 0) -> Scores:
    """Work out every figure with its interval.

    Parameters
    ----------
    judged : sequence of JudgedCase
    seed : int
        Of the resampling of vehicles.

    Returns
    -------
    scores : Scores
        Shares of vehicles have Wilson's interval (Clopper-Pearson's for false accusations), the
        others a bootstrap over vehicles. NaN where no vehicle carries a figure, or one alone.

    Raises
    ------
    ParameterError
        If there is no case.
    """
    tables = FigureTables(judged)
    counts = resample_groups(len(tables.vehicles), seed=seed)
    figures = {}
    for name in BETTER:
        if name in tables.shares:
            figures[name] = tables.shares[name].to_figure(exact=name.endswith("_accused"))
        elif (statistic := tables.statistics.get(name)) is not None:
            found = bootstrap(
                statistic,
                counts,
                n=tables.carriers[name],
                centred=name in CENTRED,
                least=0.0,
            )
            figures[name] = _bound(name, found)
        else:
            figures[name] = Figure(math.nan, math.nan, math.nan, 0)
    return Scores(
        figures=figures,
        reliability=tabulate_reliability(tables.said, tables.so),
        kind_reliability=tabulate_reliability(
            np.array(tables.share),
            np.array(
                [t == c for t, c in zip(tables.truth, tables.called, strict=True)], dtype=bool
            ),
            bins=KIND_BINS,
        ),
        share_reliability=tabulate_reliability(
            np.array(tables.kind_said), np.array(tables.kind_so, dtype=bool)
        ),
        firing_reliability=tabulate_reliability(tables.event_said, tables.event_so),
        confusion=tally_confusion(tables.truth, tables.called, FAULT_TYPES),
        confusion_separable=tally_confusion(
            [t for t, told in zip(tables.truth, tables.told, strict=True) if told],
            [t for t, told in zip(tables.called, tables.told, strict=True) if told],
            FAULT_TYPES,
        ),
        vehicles=len(tables.vehicles),
        recordings=len(judged),
    )


def compute_parts(
    judged: Sequence[JudgedCase], *, seed: int = 0
) -> dict[str, dict[str, dict[str, Figure]]]:
    """Work out some figures apart for each set of channels and each kind of engine.

    Parameters
    ----------
    judged : sequence of JudgedCase
    seed : int
        Of the resampling of vehicles.

    Returns
    -------
    parts : dict of "channels", "engine" -> name -> figure -> Figure
        The largest part first; parts of fewer than `LEAST_PART` vehicles are one, named "other".
    """
    found: dict[str, dict[str, dict[str, Figure]]] = {}
    named = {
        "channels": [j.case.channel_set for j in judged],
        "engine": [j.case.engine_kind for j in judged],
    }
    for way, names in named.items():
        vehicles: dict[str, set[str]] = {}
        for name, j in zip(names, judged, strict=True):
            vehicles.setdefault(name, set()).add(j.case.group)
        kept = {name: n for name, v in vehicles.items() if (n := len(v)) >= LEAST_PART}
        order = sorted(kept, key=lambda name: (-kept[name], name))
        parts = [[j for name, j in zip(names, judged, strict=True) if name == o] for o in order]
        rest = [j for name, j in zip(names, judged, strict=True) if name not in kept]
        found[way] = {}
        for name, part in [*zip(order, parts, strict=True), ("other", rest)]:
            if part:
                figures = compute_scores(part, seed=seed).figures
                found[way][name] = {f: figures[f] for f in OF_PARTS}
    return found


def lay_out_parts(parts: dict[str, dict[str, dict[str, Figure]]]) -> dict[str, Any]:
    """Lay the figures of parts out for JSON."""
    return {
        way: {
            name: {f: _lay_out_figure(figure) for f, figure in figures.items()}
            for name, figures in of.items()
        }
        for way, of in parts.items()
    }


def compare_scores(
    judged: Sequence[JudgedCase], other: Sequence[JudgedCase], *, seed: int = 0
) -> dict[str, ScoreComparison]:
    """Compare two judges of the same cases, figure by figure, on the same resampled vehicles.

    Parameters
    ----------
    judged, other : sequence of JudgedCase
        The same cases in the same order.
    seed : int

    Returns
    -------
    comparisons : dict figure -> ScoreComparison
        `word` of `judged` against `other`: "better" or "worse" if the 95 % interval of the
        difference excludes 0, else "no clear difference"; "too few vehicles" below 8 of them.

    Raises
    ------
    ParameterError
        If the cases are not the same.
    """
    if [j.case.group for j in judged] != [j.case.group for j in other]:
        raise ParameterError("two judges can be compared on the same cases only")
    mine, theirs = FigureTables(judged), FigureTables(other)
    counts = resample_groups(len(mine.vehicles), seed=seed)
    result = {}
    for name, way in BETTER.items():
        a, b = mine.get(name), theirs.get(name)
        if way == 0 or a is None or b is None:
            continue
        found = bootstrap(_subtract(a, b), counts, n=mine.carriers[name], centred=name in CENTRED)
        ones = np.ones(len(mine.vehicles))
        if found.n < FEWEST_VEHICLES:
            word = "too few vehicles"
        elif way * found.low > 0 and way * found.high > 0:
            word = "better"
        elif way * found.low < 0 and way * found.high < 0:
            word = "worse"
        else:
            word = "no clear difference"
        result[name] = ScoreComparison(a(ones), b(ones), found.value, found.low, found.high, word)
    return result


def summarize_comparison(comparisons: dict[str, ScoreComparison], *, new: str, old: str) -> str:
    """Say in one sentence whether the new judge is worse.

    Examples
    --------
    >>> one = ScoreComparison(0.2, 0.1, 0.1, 0.05, 0.15, "worse")
    >>> summarize_comparison({"brier": one}, new="this model", old="the shipped one")
    'this model is WORSE than the shipped one in: brier'
    """
    worse = [n for n, c in comparisons.items() if c.word == "worse"]
    better = [n for n, c in comparisons.items() if c.word == "better"]
    also = f"; better in: {', '.join(better)}" if better else ""
    if worse:
        return f"{new} is WORSE than {old} in: {', '.join(worse)}{also}"
    if better:
        return f"{new} is better than {old} in: {', '.join(better)}; worse in none"
    return f"no clear difference between {new} and {old} on these vehicles"


def lay_out_scores(scores: Scores) -> dict[str, Any]:
    """Lay out figures and tables for JSON; what was not measurable is None."""
    return {
        "vehicles": scores.vehicles,
        "recordings": scores.recordings,
        "figures": {name: _lay_out_figure(f) for name, f in scores.figures.items()},
        "reliability": scores.reliability,
        "kind_reliability": scores.kind_reliability,
        "share_reliability": scores.share_reliability,
        "firing_reliability": scores.firing_reliability,
        "fault_types": list(FAULT_TYPES),
        "confusion": scores.confusion.tolist(),
        "confusion_separable": scores.confusion_separable.tolist(),
    }


def _lay_out_figure(figure: Figure) -> dict[str, Any]:
    """Lay one figure out for JSON."""
    numbers = {name: _number(getattr(figure, name)) for name in ("value", "low", "high")}
    return numbers | {"vehicles": figure.n}


def lay_out_curve(points: Sequence[Point], *, n_splits: int) -> dict[str, Any]:
    """Lay a curve out for JSON."""
    return {
        "splits": n_splits,
        "points": [
            {
                "cases": p.cases,
                "figure": p.figure,
                "mean": p.mean,
                "low": p.low,
                "high": p.high,
                "splits": p.splits,
            }
            for p in points
        ],
    }


def lay_out_comparison(comparisons: dict[str, ScoreComparison]) -> dict[str, dict[str, Any]]:
    """Lay out a comparison for JSON."""
    return {
        name: {
            "value": _number(c.value),
            "other": _number(c.other),
            "difference": _number(c.difference),
            "low": _number(c.low),
            "high": _number(c.high),
            "word": c.word,
        }
        for name, c in comparisons.items()
    }


def _bound(name: str, figure: Figure) -> Figure:
    """Where all vehicles are alike, resampling shows no spread: bound it by their number."""
    if figure.n < 2:
        return Figure(figure.value, math.nan, math.nan, figure.n)
    if name.startswith("event_") and figure.value in (0.0, 1.0):
        low, high = compute_clopper_pearson(figure.value * figure.n, figure.n)
        return Figure(figure.value, low, high, figure.n)
    return figure


def _subtract(a: Statistic, b: Statistic) -> Statistic:
    """Difference of two figures for the same weights."""
    return lambda weight: a(weight) - b(weight)


def _number(value: float) -> float | None:
    """JSON has no NaN."""
    return float(value) if math.isfinite(value) else None
