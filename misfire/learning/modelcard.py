"""The model card: what a model was made of, how good it is, and what it must not be used for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from misfire.classify.familiarity import Familiar
from misfire.classify.learned import Learned
from misfire.classify.model import Model
from misfire.learning.calibration import Figure
from misfire.learning.cases import LabelledCase
from misfire.learning.scores import BETTER, Point, Scores
from misfire.records import FAULT_TYPES

KIND_TITLE = "Reliability of the share of the fault type named first (of a cylinder at fault):"
ACROSS = (
    "By the way in which the simulator drew the coil channels, solved as a circuit or sketched in",
    "pieces; what a model learned on one way alone is judged on the other. This is what counts for",
    "engines unlike the simulator's (share, 95 % interval; vehicles):",
)
SHARE_TITLE = "Reliability of the shares of all fault types (of a cylinder at fault):"
FIRING_TITLE = "Reliability of the firings' probabilities:"
SHOWN_LEANINGS = 5  # of what looks of firings meant
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
    "fault_type_calibration_error": "calibration error of the fault types (10 bins)",
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
    model: Model,
    scores: Scores,
    *,
    tables: dict[str, dict[str, dict[str, Figure]]],
    failures: Sequence[str] = (),
    verdict: str = "",
    across: Sequence[str] = (),
    curve: Sequence[Point] | None = None,
) -> str:
    """Write the card of a model.

    Parameters
    ----------
    cases : sequence of LabelledCase
        Those of this training.
    model : Model
        Its manifest tells seed, hash of the training data and what else it was trained on.
    scores : Scores
        On vehicles that the judging model had not seen.
    tables : dict
        From `compute_parts`.
    failures : sequence of str
        Cases that could not be used.
    verdict : str
        How it compares with another judge of the same vehicles.
    across : sequence of str
        Table of the figures within and across the ways of drawing.
    curve : sequence of Point, optional
        What more cases would bring.

    Returns
    -------
    card : str
        Markdown.
    """
    n_real = model.learned.n_cases
    lines = [
        "# Model card",
        "",
        "What it does: gives each firing of a recording the probability that its combustion was",
        "lost, each cylinder the probability that it is faulty, and each kind of fault its share.",
        "",
        *_format_made_of(cases, model.manifest, failures, n_real),
        *_format_familiar(model.familiar),
        *_format_learned(model.learned),
        "",
        "## How good, on vehicles it had not seen",
        "",
        f"{scores.vehicles} vehicles, {scores.recordings} recordings; whole vehicles were kept "
        "apart (five models, each judging",
        "the fifth it had not seen); intervals are over vehicles. All figures are of what",
        "`misfire diagnose` says of these recordings, with every step that it takes.",
        "",
        *format_figures(scores),
    ]
    if verdict:
        lines += ["", f"On the same vehicles: {verdict}."]
    if across:
        lines += ["", *ACROSS, "", *across]
    for way, title in (("channels", "Channels"), ("engine", "Engine")):
        lines += ["", *_format_part(tables[way], title)]
    for title, rows, word, digits in (
        ("Reliability of the cylinders' probabilities:", scores.reliability, "happened", 1),
        (KIND_TITLE, scores.kind_reliability, "right", 2),
        (SHARE_TITLE, scores.share_reliability, "was so", 1),
        (FIRING_TITLE, scores.firing_reliability, "was lost", 1),
    ):
        lines += ["", title, "", *_format_reliability(rows, word, digits=digits)]
    lines += ["", "Fault type, true (rows) against said first (columns):", ""]
    lines += ["| | " + " | ".join(FAULT_TYPES) + " |", "| --- " * (len(FAULT_TYPES) + 1) + "|"]
    lines += [
        f"| {t} | " + " | ".join(str(n) for n in row) + " |"
        for t, row in zip(FAULT_TYPES, scores.confusion.tolist(), strict=True)
    ]
    if curve is not None:
        lines += ["", *_format_curve(curve)]
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


def _format_made_of(
    cases: Sequence[LabelledCase], manifest: dict[str, Any], failures: Sequence[str], n_real: int
) -> list[str]:
    """Say which vehicles, faults, engines, channels and conditions it was trained on."""
    faults = Counter(t for c in cases for t in c.faulty.values())
    faults["crank_signal"] += sum(c.crank_fault for c in cases)

    def count(names: Sequence[str]) -> str:
        told = Counter(names)
        return ", ".join(f"{w} ({n})" for w, n in sorted(told.items(), key=lambda i: (-i[1], i[0])))

    simulated = manifest.get("simulated_vehicles", 0)
    below = f"The ensembles are those of a training on {simulated} simulated vehicles; the cases"
    return [
        "## Made of",
        "",
        *([below, "below, from the workshop, corrected it.", ""] if n_real else []),
        f"- {len(cases)} recordings of {len({c.group for c in cases})} vehicles: {n_real} from the "
        f"workshop, {len(cases) - n_real} simulated; {len(failures)} more could not be measured.",
        f"- {sum(c.healthy for c in cases)} recordings of healthy vehicles. Faults: "
        + ", ".join(f"{t} {faults[t]}" for t in FAULT_TYPES)
        + " (a coil's fault counts for each of its cylinders).",
        "- Engines: " + count([c.engine_kind for c in cases]) + ".",
        "- Channels: " + count([c.channel_set for c in cases]) + ".",
        "- Conditions: " + count([c.condition or "not told" for c in cases]) + ".",
        f"- Seed {manifest.get('seed')}; training data SHA-256 "
        f"{str(manifest.get('training_sha256'))[:16]}.",
    ]


def _format_familiar(familiar: Familiar | None) -> list[str]:
    """Say how far a vehicle may be from these before a diagnosis says so."""
    if familiar is None:
        return ["- How far other vehicles are from these is not measured."]
    return [
        f"- A diagnosis says that no vehicle like it was in training where the nearest of "
        f"{len(familiar.rows)} differs",
        f"  by more than {familiar.limit:.2f} spreads (root mean square over {len(familiar.names)} "
        "descriptors of vehicle,",
        "  channels and conditions); 99 % of the training's own vehicles are nearer to another.",
    ]


def _format_learned(learned: Learned) -> list[str]:
    """Say what confirmed cases corrected."""
    if not learned.n_cases:
        return []
    odds = (f"{k} {v:+.2f}" for k, v in learned.kind_odds.items())
    trust = (f"{k} {v:.2f}" for k, v in learned.trust.items())
    usual = (f"{k} {c:.2f} +- {s:.2f}" for k, (c, s) in learned.usual.items())
    towards = [(v, k, look) for look, of in learned.leanings.items() for k, v in of.towards.items()]
    strongest = sorted(towards, key=lambda one: (-abs(one[0]), one[1:]))[:SHOWN_LEANINGS]
    leanings = (f"{look} towards {k} {v:+.2f}" for v, k, look in strongest)
    return [
        "",
        f"## What {learned.n_cases} confirmed cases corrected",
        "",
        "- Kinds of fault, commoner by (log odds): " + (", ".join(odds) or "nothing") + ".",
        "- Trust in the witnesses of the kinds (1: as written): "
        + (", ".join(trust) or "nothing")
        + ".",
        "- What looks of the firings meant, the strongest (log odds if all look so): "
        + (", ".join(leanings) or "nothing")
        + ".",
        "- Usual spark of sound cylinders (logs, centre and spread): "
        + (", ".join(usual) or "nothing")
        + ".",
    ]


def _format_part(parts: dict[str, dict[str, Figure]], title: str) -> list[str]:
    """Write a table of figures, one row for each set of channels or kind of engine."""
    names = ("top1_cylinder", "faulty_found", "fault_type_top1", "fault_type_log_loss")
    lines = [
        f"| {title} | " + " | ".join(WORDS[n] for n in names) + " |",
        "| --- " * (len(names) + 1) + "|",
    ]
    for part, figures in parts.items():
        cells = []
        for name in names:
            f = figures[name]
            told = f"{f.value:.2f} ({f.low:.2f} to {f.high:.2f}; {f.n})"
            cells.append(told if f.n else "-")
        lines.append(f"| {part} | " + " | ".join(cells) + " |")
    return [*lines, "", "In brackets: 95 % interval; vehicles."]


def _format_curve(curve: Sequence[Point]) -> list[str]:
    """Write what more cases would bring."""
    lines = [
        "What more cases would bring (curve.svg), on vehicles held apart:",
        "",
        "| cases | figure | mean | lowest | highest |",
        "| --- | --- | --- | --- | --- |",
    ]
    for p in curve:
        cells = f"{p.mean:.4f} | {p.low:.4f} | {p.high:.4f}"
        lines.append(f"| {p.cases} | {WORDS[p.figure]} | {cells} |")
    return lines


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
