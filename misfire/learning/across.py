"""Figures across the simulator's two ways of drawing: fitted on the one, judged on the other.

What a model learned of one way's drawing and not of ignition shows here: it is lost on the way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from misfire.learning.calibration import Figure
from misfire.learning.cases import LabelledCase
from misfire.learning.figures import FigureTables
from misfire.learning.fitting import fit_and_judge
from misfire.learning.judgedcase import JudgedCase
from misfire.simulate.scenario import WAVES

FEWEST = 20  # vehicles of a way that a model is fitted on
SHOWN = {
    "fault_type_top1_own_coil": "fault type first, own coil recorded",
    "fault_type_top2_own_coil": "fault type in the first two, own coil recorded",
    "top1_cylinder": "faulty cylinder ranked first",
    "faulty_found": "faulty vehicles found",
    "healthy_accused": "healthy vehicles accused",
}


def judge_across(
    cases: Sequence[LabelledCase],
    *,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[str, float], None] | None = None,
) -> dict[str, list[JudgedCase]]:
    """Judge the vehicles of each way of drawing by a model fitted on the other way's alone.

    Parameters
    ----------
    cases : sequence of LabelledCase
        Those that are not simulated take no part.
    seed : int
    workers : int [>= 1]
        Processes; the result does not depend on it.
    progress : callable (stage, fraction), optional

    Returns
    -------
    judged : dict way -> list of JudgedCase
        By the way of the vehicles judged; empty where a way has too few vehicles.

    Raises
    ------
    ParameterError
        If the vehicles of a way are all faulty, or none.
    """
    parts = {way: [c for c in cases if c.waves == way] for way in WAVES}
    if any(len({c.group for c in part}) < FEWEST for part in parts.values()):
        return {}
    tasks = [(parts[other], parts[way]) for way, other in zip(WAVES, reversed(WAVES), strict=True)]
    judged: dict[str, list[JudgedCase]] = {}
    answers = fit_and_judge(tasks, seed=seed, workers=workers)
    for way, (_, rows) in zip(WAVES, answers, strict=True):
        judged[way] = rows
        if progress is not None:
            progress("scoring across ways of drawing", len(judged) / len(WAVES))
    return judged


def format_across(held_out: Sequence[JudgedCase], across: dict[str, list[JudgedCase]]) -> list[str]:
    """Write the figures of each way of drawing, within and across, as Markdown.

    Parameters
    ----------
    held_out : sequence of JudgedCase
        Of models fitted on other vehicles of both ways.
    across : dict way -> list of JudgedCase
        As `judge_across` gives it.

    Returns
    -------
    lines : list of str
        Empty where there is nothing across.
    """
    if not across:
        return []
    columns, heads = [], ["figure"]
    for way, other in zip(WAVES, reversed(WAVES), strict=True):
        columns.append([j for j in held_out if j.case.waves == way])
        columns.append(across[way])
        heads += [f"{way}, fitted on both", f"{way}, fitted on {other} alone"]
    tables = [FigureTables(column).shares for column in columns]
    lines = ["| " + " | ".join(heads) + " |", "| --- " * len(heads) + "|"]
    for name, words in SHOWN.items():
        cells = [
            _format(table[name].to_figure(exact=name.endswith("_accused")))
            if name in table
            else "-"
            for table in tables
        ]
        lines.append("| " + " | ".join([words, *cells]) + " |")
    return lines


def _format(figure: Figure) -> str:
    """Write a share with its interval and the number of vehicles."""
    return f"{figure.value:.3f} ({figure.low:.3f} to {figure.high:.3f}; {figure.n})"
