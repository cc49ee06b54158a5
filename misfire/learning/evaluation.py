"""Evaluation runs: labelled cases from disk, judged by a model and by the shipped one."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from misfire.classify.bundle import load_bundle
from misfire.classify.model import Model
from misfire.diagnosis.shipped import load_shipped
from misfire.errors import FormatError, ModelError, OutputError
from misfire.learning.casefile import open_cases
from misfire.learning.casepool import measure_cases
from misfire.learning.judgedcase import JudgedCase, judge_case
from misfire.learning.scores import (
    ScoreComparison,
    Scores,
    compare_scores,
    compute_parts,
    compute_scores,
    lay_out_comparison,
    lay_out_parts,
    lay_out_scores,
    summarize_comparison,
)
from misfire.publishing import guard_cell, write_whole
from misfire.records import FAULT_TYPES
from misfire.report.pictures.reliability import draw_reliability

Progress = Callable[[str, float], None]

SHIPPED, PHYSICS = "shipped", "physics"


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What an evaluation found; `summary` is its JSON document."""

    judged: list[JudgedCase]
    scores: Scores
    comparisons: dict[str, ScoreComparison]
    summary: dict[str, Any]

    def format_rows(self) -> Iterator[tuple[str, ...]]:
        """Give one row of text per figure: name, value, low, high, vehicles, shipped, word."""
        for name, figure in self.scores.figures.items():
            if figure.n == 0:
                yield (name, "", "", "", "0", "", "not measurable on these cases")
                continue
            numbers = (f"{x:.4f}" for x in (figure.value, figure.low, figure.high))
            other = self.comparisons.get(name)
            against = ("", "") if other is None else (f"{other.other:.4f}", other.word)
            yield (name, *numbers, str(figure.n), *against)


def evaluate_folders(
    model: str | Path,
    places: Sequence[Path],
    *,
    workers: int = 1,
    seed: int = 0,
    progress: Progress | None = None,
) -> Evaluation:
    """Measure labelled cases and judge them with a model and with the shipped one.

    Parameters
    ----------
    model : path of a bundle, or "shipped", or "physics"
        "physics": the fixed physics scores.
    places : sequence of Path
    workers : int [>= 1]
    seed : int
        Of the resampling of vehicles.
    progress : callable (stage, fraction), optional

    Returns
    -------
    evaluation : Evaluation

    Raises
    ------
    ModelError
        If the model does not fit, or the shipped one was asked for and there is none.
    FormatError
        If no case could be measured, or a folder is none of cases.
    """
    shipped = load_shipped()
    chosen = choose_model(model, shipped)
    with open_cases(places) as found:
        cases, failures = measure_cases(found, workers=workers, progress=progress)
    if not cases:
        raise FormatError(f"none of the cases can be used; the first: {failures[0]}")
    judged = [judge_case(case, chosen) for case in cases]
    scores = compute_scores(judged, seed=seed)
    same = chosen is shipped
    comparisons = {}
    if not same:
        other = [judge_case(case, shipped) for case in cases]
        comparisons = compare_scores(judged, other, seed=seed)
    old = "the shipped model" if shipped is not None else "the physics scores (no model shipped)"
    verdict = (
        "this is the model that is in use"
        if same
        else summarize_comparison(comparisons, new="this model", old=old)
    )
    summary = {
        "schema": "misfire-evaluate/1",
        "model": str(model),
        "training_sha256": None if chosen is None else chosen.manifest.get("training_sha256"),
        "not_usable": failures,
        **lay_out_scores(scores),
        "parts": lay_out_parts(compute_parts(judged, seed=seed)),
        "shipped": "learned" if shipped is not None else "physics scores",
        "comparison": lay_out_comparison(comparisons),
        "worse": any(c.word == "worse" for c in comparisons.values()),
        "verdict": verdict,
    }
    return Evaluation(judged, scores, comparisons, summary)


def choose_model(model: str | Path, shipped: Model | None) -> Model | None:
    """Find the model that a word or path means.

    Raises
    ------
    ModelError
        If there is no such model.
    """
    if str(model) == PHYSICS:
        return None
    if str(model) == SHIPPED:
        if shipped is None:
            raise ModelError(
                "no model came with this installation; give the folder of one, or `physics`"
            )
        return shipped
    if not Path(model).is_dir():
        raise ModelError(f"{model}: no such folder; give a model bundle, `shipped` or `physics`")
    return load_bundle(Path(model))


def write_evaluation(evaluation: Evaluation, folder: Path) -> list[Path]:
    """Write metrics.json, cases.csv, confusion.csv, parts.csv and three reliability pictures.

    Parameters
    ----------
    evaluation : Evaluation
    folder : Path
        Made if absent.

    Returns
    -------
    written : list of Path

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    scores = evaluation.scores
    texts = {
        "metrics.json": json.dumps(evaluation.summary, indent=1, allow_nan=False) + "\n",
        "cases.csv": _format_csv(_list_cases(evaluation.judged)),
        "confusion.csv": _format_csv(_list_confusion(scores)),
        **{
            f"{name}.svg": draw_reliability(rows, title=f"{title}: said against happened", of=of)
            for name, title, of, rows in (
                ("reliability", "Cylinders", "cylinders", scores.reliability),
                ("reliability_kinds", "Kinds of fault", "shares", scores.share_reliability),
                ("reliability_firings", "Lost firings", "firings", scores.firing_reliability),
            )
        },
        "parts.csv": _format_csv(_list_parts(evaluation.summary["parts"])),
    }
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            write_whole(folder / name, text.encode("utf-8"))
            written.append(folder / name)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror})") from None
    return written


def _list_confusion(scores: Scores) -> Iterator[list[Any]]:
    """List both confusion tables: which, true type, then how often each was said first."""
    yield ["table", "true", *FAULT_TYPES]
    tables = (("all", scores.confusion), ("separable", scores.confusion_separable))
    for word, table in tables:
        for kind, row in zip(FAULT_TYPES, table.tolist(), strict=True):
            yield [word, kind, *row]


def _list_parts(parts: dict[str, Any]) -> Iterator[list[Any]]:
    """List the figures of each set of channels and kind of engine."""
    yield ["by", "part", "figure", "value", "low", "high", "vehicles"]
    for way, of in parts.items():
        for name, figures in of.items():
            for figure, cells in figures.items():
                numbers = ("" if (x := cells[k]) is None else x for k in ("value", "low", "high"))
                yield [way, guard_cell(name), figure, *numbers, cells["vehicles"]]


def _list_cases(judged: Sequence[JudgedCase]) -> Iterator[list[Any]]:
    """List what was so and what was said of each case."""
    yield ["vehicle", "faulty", "types", "resolved", "cylinder", "probability", "type", "share"]
    for j in judged:
        first = int(j.faulty.argmax())
        kind = int(j.faults[first].argmax())
        cylinders = sorted(j.case.faulty)
        yield [
            guard_cell(j.case.group),
            " ".join(map(str, cylinders)),
            " ".join(j.case.faulty[c] for c in cylinders)
            + (" crank_signal" if j.case.crank_fault else ""),
            "yes" if j.case.resolved else "no",
            first + 1,
            f"{j.faulty[first]:.4f}",
            FAULT_TYPES[kind],
            f"{j.faults[first, kind]:.4f}",
        ]


def _format_csv(rows: Iterator[list[Any]]) -> str:
    """Write rows as CSV (RFC 4180)."""
    buffer = io.StringIO()
    csv.writer(buffer).writerows(rows)
    return buffer.getvalue()
