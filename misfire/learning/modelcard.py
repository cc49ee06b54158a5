"""The model card: what a model was made of, how good it is, and what it must not be used for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from misfire.learning.cases import LabelledCase
from misfire.learning.scores import BETTER, Scores
from misfire.records import FAULT_TYPES

KIND_TITLE = "Reliability of the share of the fault type named first (of a cylinder at fault):"
ACROSS = (
    "By the way in which the simulator drew the coil channels, solved as a circuit or sketched in",
    "pieces; what a model learned on one way alone is judged on the other. This is what counts for",
    "engines unlike the simulator's (share, 95 % interval; vehicles):",
)
WORDS = {
    "top1_cylinder": "faulty cylinder ranked first",
    "top2_cylinder": "faulty cylinder among the first two",
    "faulty_found": "faulty vehicles with a faulty cylinder at 50 % or more",
    "healthy_accused": "healthy vehicles with any cylinder at 50 % or more",
    "crank_fault_accused": "vehicles with only a crank sensor fault, a cylinder accused",
    "event_recall": "lost firings found",
    "event_false_alarms": "sound firings called lost",
    "event_recall_at_1_in_1000": "lost firings found at 1 false alarm in 1000",
    "brier": "Brier score of the cylinders",
    "brier_reliability": "its reliability (0 is best)",
    "brier_resolution": "its resolution",
    "brier_uncertainty": "its uncertainty (of the data)",
    "calibration_error": "calibration error (10 bins)",
    "fault_type_top1": "fault type named first",
    "fault_type_top2": "fault type among the first two",
    "fault_type_top1_separable": "the same, first, where the channels can tell it",
    "fault_type_top2_separable": "the same, first two, where the channels can tell it",
    "fault_type_log_loss": "log loss of the fault types (less is better)",
    "fault_type_log_loss_own_coil": "the same where the cylinder's own coil was recorded",
}


def format_figures(scores: Scores) -> list[str]:
    """Write a Markdown table of all figures."""
    lines = ["| figure | value | 95 % interval | vehicles |", "| --- | --- | --- | --- |"]
    for name in BETTER:
        f = scores.figures[name]
        cells = ("-", "-") if f.n == 0 else (f"{f.value:.4f}", f"{f.low:.4f} to {f.high:.4f}")
        lines.append(f"| {WORDS[name]} | {cells[0]} | {cells[1]} | {f.n} |")
    return lines


def format_card(
    cases: Sequence[LabelledCase],
    manifest: dict[str, Any],
    scores: Scores,
    *,
    n_real: int,
    failures: Sequence[str] = (),
    real_scores: Scores | None = None,
    verdict: str = "",
    across: Sequence[str] = (),
) -> str:
    """Write the card of a model.

    Parameters
    ----------
    cases : sequence of LabelledCase
        All it was trained on.
    manifest : dict
        The model's own: seed, hash of the training data.
    scores : Scores
        On vehicles that the judging model had not seen.
    n_real : int
        How many of the cases come from the workshop.
    failures : sequence of str
        Cases that could not be used.
    real_scores : Scores, optional
        The same of the workshop's vehicles alone.
    verdict : str
        How it compares with another judge of the same vehicles.
    across : sequence of str
        Table of the figures within and across the ways of drawing.

    Returns
    -------
    card : str
        Markdown.
    """
    faults = Counter(t for c in cases for t in c.faulty.values())
    faults["crank_signal"] += sum(c.crank_fault for c in cases)
    conditions = Counter(c.condition or "not told" for c in cases)
    sizes = Counter(c.n_cylinders for c in cases)
    lines = [
        "# Model card",
        "",
        "What it does: gives each firing of a recording the probability that its combustion was",
        "lost, each cylinder the probability that it is faulty, and each kind of fault its share.",
        "",
        "## Made of",
        "",
        f"- {len(cases)} recordings of {len({c.group for c in cases})} vehicles: {n_real} from the "
        f"workshop, {len(cases) - n_real} simulated; {len(failures)} more could not be measured.",
        f"- {sum(c.healthy for c in cases)} recordings of healthy vehicles. Faults: "
        + ", ".join(f"{t} {faults[t]}" for t in FAULT_TYPES)
        + " (a coil's fault counts for each of its cylinders).",
        "- Cylinders: " + ", ".join(f"{n} ({sizes[n]})" for n in sorted(sizes)) + ".",
        "- Conditions: " + ", ".join(f"{w} ({n})" for w, n in sorted(conditions.items())) + ".",
        f"- Seed {manifest.get('seed')}; training data SHA-256 "
        f"{str(manifest.get('training_sha256'))[:16]}.",
        "",
        "## How good, on vehicles it had not seen",
        "",
        f"{scores.vehicles} vehicles, {scores.recordings} recordings; whole vehicles were kept "
        "apart (five models, each judging",
        "the fifth it had not seen); intervals are over vehicles.",
        "",
        *format_figures(scores),
    ]
    if real_scores is not None:
        lines += [
            "",
            "The workshop's vehicles alone:",
            "",
            *format_figures(real_scores),
        ]
    if verdict:
        lines += ["", f"On the same vehicles: {verdict}."]
    if across:
        lines += ["", *ACROSS, "", *across]
    lines += ["", "Reliability of the cylinders' probabilities:", ""]
    lines += _format_reliability(scores.reliability, "happened", digits=1)
    lines += ["", KIND_TITLE, ""]
    lines += _format_reliability(scores.kind_reliability, "right", digits=2)
    lines += ["", "Fault type, true (rows) against said first (columns):", ""]
    lines += ["| | " + " | ".join(FAULT_TYPES) + " |", "| --- " * (len(FAULT_TYPES) + 1) + "|"]
    lines += [
        f"| {t} | " + " | ".join(str(n) for n in row) + " |"
        for t, row in zip(FAULT_TYPES, scores.confusion.tolist(), strict=True)
    ]
    return "\n".join([*lines, *_format_limits(n_real)])


def _format_limits(n_real: int) -> list[str]:
    """Say what the figures do not tell."""
    return [
        "",
        "## Limits",
        "",
        "- Figures on simulated vehicles say how well the model learned the simulator. They say",
        "  nothing of how far the simulator is from real engines; only labelled recordings of real",
        "  vehicles can. Of those the workshop gave " + (f"{n_real}." if n_real else "none."),
        "- A probability holds for vehicles and recordings like those above. On others it may be",
        "  too sure; `misfire evaluate` measures it on labelled cases of your own.",
        "- Four-stroke petrol engines with inductive ignition only. A likely fault type says where",
        "  to test first; it proves nothing, and no part should be replaced on its word alone.",
        "",
    ]


def _format_reliability(rows: Sequence[dict[str, Any]], word: str, *, digits: int) -> list[str]:
    """Write how often what was said came true, a row for each range of probabilities."""
    return [
        f"| said | n | mean said | {word} | 95 % interval |",
        "| --- | --- | --- | --- | --- |",
        *(
            f"| {r['from']:.{digits}f} to {r['to']:.{digits}f} | {r['n']} | {r['said']:.3f} | "
            f"{r['happened']:.3f} | {r['low']:.3f} to {r['high']:.3f} |"
            for r in rows
        ),
    ]
