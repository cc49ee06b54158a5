"""From measured firings to a verdict: probabilities, evidence, next tests, pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from misfire.classify.model import Model
from misfire.classify.separability import advise_channels, find_separable
from misfire.diagnosis.enginerivals import list_engine_rivals
from misfire.diagnosis.eventtable import build_events, take_medians
from misfire.diagnosis.firings.explanation import Explanation
from misfire.diagnosis.firings.states import JUDGED_WORK
from misfire.diagnosis.hookuprivals import list_hookup_rivals
from misfire.diagnosis.judging import Judgement, count_cases, judge, name_model
from misfire.diagnosis.otherchannels import describe_other_channels
from misfire.diagnosis.reasons import (
    find_ailing,
    list_addends,
    list_changes,
    list_kinds,
    mark_bad_sparks,
    report_ailing,
)
from misfire.diagnosis.rivals import compete
from misfire.dsp.chances import find_rarest
from misfire.limits import DOUBTFUL, FAULTY
from misfire.measuring.evidence import Evidence
from misfire.measuring.witnesses import find_witnesses
from misfire.records import (
    FAULT_TYPES,
    SPARK_STATES,
    WORK_STATES,
    CylinderResult,
    Fault,
    Finding,
    Firings,
    Reason,
)
from misfire.report.advice import advise_cycle, next_tests
from misfire.report.diagnosis.evidence import write_evidence
from misfire.report.judgedtime import is_only_cranked
from misfire.report.remedies import WORDS
from misfire.report.wording import ONE_FAULT, join_words

if TYPE_CHECKING:
    import pandas as pd

LEAST_KNOWN = 0.1  # of a cylinder's power strokes whose torque is known: less shows nothing of it
LEAST_CYCLES = 15  # fewer cycles say nothing about a cylinder


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is said of one recording, and the tables it is said from."""

    verdict: str
    cylinders: tuple[CylinderResult, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    events: pd.DataFrame
    extras: pd.DataFrame
    witnesses: dict[str, Any]
    settings: dict[str, Any]
    reasons: tuple[Reason, ...]


def judge_evidence(evidence: Evidence, *, model: Model | None) -> Judgement:
    """Judge every firing, then every cylinder.

    Parameters
    ----------
    evidence : Evidence
        From `measure`.
    model : Model or None
        None: the physics scores judge alone.

    Returns
    -------
    judgement : Judgement
    """
    return judge(
        model,
        evidence.firing_table,
        evidence.firings.cylinder,
        n_cylinders=evidence.recording.job.engine.cylinders,
        disturbed=evidence.torque.disturbed,
        coils=evidence.recording.job.engine.shared_coils,
        compression=evidence.compression,
    )


def decide(
    evidence: Evidence, judgement: Judgement, quick: Sequence[Finding], *, model: Model | None
) -> Verdict:
    """Judge the recording.

    Parameters
    ----------
    evidence : Evidence
        Of its firing table, DECIDING_COLUMNS are looked at.
    judgement : Judgement
        From `judge_evidence`.
    quick : sequence of Finding
        What the checks of the signals found.
    model : Model or None
        The one that judged.

    Returns
    -------
    verdict : Verdict
    """
    firings = evidence.firings
    witnesses = find_witnesses(evidence)
    probability, explanation = judgement.event, judgement.explanation
    weighed = _weigh_beyond(evidence, judgement, quick)
    events, extras = build_events(evidence, probability, explanation)
    word, notes, findings = _conclude(evidence, weighed, judgement, witnesses)
    if weighed.why_open:
        also = notes if word == "inconclusive" else ()
        word, notes = "inconclusive", (weighed.why_open, *also)
    at_fault = np.maximum(weighed.faulty, weighed.shared) >= FAULTY
    pairs = evidence.recording.job.engine.waste_pairs  # one bad plug strains the sparks of both
    accounted = {c for pair in pairs if any(at_fault[c - 1] for c in pair) for c in pair}
    accounted |= {int(c) for c in np.flatnonzero(at_fault) + 1}
    coils = evidence.recording.job.engine.shared_coils
    ailing = {c: s for c, s in find_ailing(explanation, coils).items() if c not in accounted}
    named = set() if firings.renamings else set(ailing)  # else another may go by that name
    results = _build_results(evidence, judgement, weighed, events, extras, named)
    told = report_ailing(explanation, ailing, renamings=firings.renamings, coils=coils)
    return Verdict(
        verdict=word,
        cylinders=results,
        findings=(*findings, *told),
        notes=notes,
        events=events,
        extras=extras,
        reasons=tuple(sorted(weighed.reasons, key=lambda r: -abs(r.log_odds))),
        witnesses={str(c): sorted(w) for c, w in witnesses.items()},
        settings={
            "model": name_model(model),
            **count_cases(model),
            "phase": "resolved" if firings.resolved else "open",
        },
    )


@dataclass(frozen=True, slots=True)
class _Weighed:
    """What is said of the cylinders once all channels and the whole engine are looked at.

    `faulty` before, `shared` after cylinders that go by one name share; `why_open`: why none is
    named, empty where one may be.
    """

    faulty: NDArray[np.float64]
    shared: NDArray[np.float64]
    faults: NDArray[np.float64]
    reasons: tuple[Reason, ...]
    why_open: str


def _weigh_beyond(evidence: Evidence, judgement: Judgement, quick: Sequence[Finding]) -> _Weighed:
    """Weigh what is not a cylinder's own firings; every step leaves its reason."""
    probability = judgement.event
    reasons = list_addends(judgement)
    faulty, faults = judgement.faulty, judgement.faults
    suspects = [int(c) for c in np.flatnonzero(faulty >= FAULTY) + 1]
    rivals = [
        *list_hookup_rivals(evidence, probability, suspects, quick),
        *list_engine_rivals(
            evidence,
            probability,
            suspects,
            faults,
            judgement.outstanding,
            mark_bad_sparks(judgement.explanation),
            judgement.explanation.spark == SPARK_STATES.index("usual"),
        ),
    ]
    alone = faulty
    faulty, winner = compete(alone, rivals)
    for r in rivals:  # each says what it would mean; most are weighed and found wanting
        sentence = r.text if r is winner or r.log_odds > 0 else f"unlikely here: {r.text}"
        reasons.append(Reason(r.code, r.about, r.log_odds, sentence, {}))
    text = "rival explanations: the whole engine, the sensor, the hook-up or the card"
    reasons += list_changes("rivals", text, alone, faulty)
    why_open = winner.text if winner is not None and (suspects or winner.blinds) else ""
    reasons += list_kinds(faults, faulty, judgement.explanation)
    shared, faults = share_unresolved(evidence.firings, faulty, faults)
    text = "nothing tells the cylinders apart that it may be, so they share the probability"
    reasons += list_changes("shared", text, faulty, shared)
    return _Weighed(faulty, shared, faults, tuple(reasons), why_open)


def _build_results(
    evidence: Evidence,
    judgement: Judgement,
    weighed: _Weighed,
    events: pd.DataFrame,
    extras: pd.DataFrame,
    ailing: set[int],
) -> tuple[CylinderResult, ...]:
    """Build what is said of every cylinder, the most suspect first."""
    engine, firings = evidence.recording.job.engine, evidence.firings
    probability, shared = judgement.event, weighed.shared
    order = sorted(range(engine.cylinders), key=lambda i: (-shared[i], -weighed.faulty[i], i))
    disturbed = float(np.mean(evidence.torque.disturbed)) if firings.cylinder.size else 0.0
    present = sorted({c.role for c in evidence.recording.channels})
    mates = {a: b for p in engine.waste_pairs for a, b in (p, p[::-1]) if firings.resolved}
    results = []
    for rank, i in enumerate(order, start=1):
        cylinder = i + 1
        own = (firings.cylinder == cylinder) & np.isfinite(probability)
        ranked = sorted(zip(FAULT_TYPES, weighed.faults[i], strict=True), key=lambda f: -f[1])
        suspect = shared[i] >= DOUBTFUL
        # a fault shared out over names: its firings are seen, but not whose they are
        nameless = weighed.faulty.max() >= FAULTY > shared[i] != weighed.faulty[i]
        likely = [t for t, p in ranked if p >= 0.25][:2] or [ranked[0][0]]
        tests = [
            test
            for t in likely
            for test in next_tests(
                t,
                ignition=engine.ignition,
                channels_present=present,
                cylinder=cylinder,
                waste_pairs=engine.waste_pairs,
                whole=bool((shared >= FAULTY).all()),
            )
        ]
        results.append(
            CylinderResult(
                cylinder=cylinder,
                rank=rank,
                probability=float(shared[i]),
                cycles=int(own.sum()),
                misfires=int((own & (probability >= 0.5)).sum()),
                faults=tuple(Fault(t, float(p)) for t, p in ranked),
                features=take_medians(events, cylinder),
                evidence=(
                    *write_evidence(
                        events,
                        extras,
                        cylinder,
                        mate=mates.get(cylinder, 0),
                        disturbed_share=disturbed,
                    ),
                    *describe_other_channels(evidence, probability, cylinder),
                )
                if suspect
                else (),
                next_tests=tuple(dict.fromkeys(tests)) if suspect else (),
                state="unseen"
                if nameless
                else _name_state(judgement.explanation, cylinder, shared[i], cylinder in ailing),
                table=_name_counts(judgement.explanation, cylinder),
            )
        )
    return tuple(results)


def _name_state(explanation: Explanation, cylinder: int, faulty: float, ailing: bool) -> str:
    """Say in one word how a cylinder is."""
    if faulty >= FAULTY:
        return "failing"
    if ailing:
        return "ailing"
    if faulty > DOUBTFUL:
        return "unseen"
    table = explanation.table[cylinder - 1]
    seen = table[: SPARK_STATES.index("unseen"), :].sum() + table[:, : len(JUDGED_WORK)].sum()
    return "sound" if seen else "unseen"


def _name_counts(explanation: Explanation, cylinder: int) -> dict[str, dict[str, int]]:
    """Lay out a cylinder's table with names; empty rows and cells are left out."""
    table = explanation.table[cylinder - 1].astype(int)
    named = {
        spark: {work: int(n) for work, n in zip(WORK_STATES, row, strict=True) if n}
        for spark, row in zip(SPARK_STATES, table, strict=True)
    }
    return {spark: row for spark, row in named.items() if row}


def share_unresolved(
    firings: Firings, faulty: NDArray[np.float64], faults: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Share what is said of each firing place among the cylinders it may belong to.

    Parameters
    ----------
    firings : Firings
    faulty : float64 array [shape=(n_cylinders,)]
    faults : float64 array [shape=(n_cylinders, len(FAULT_TYPES))]

    Returns
    -------
    faulty, faults : the same shapes
        Unchanged where the cylinders are resolved; else means over all names that fit.
    """
    if firings.resolved or not firings.renamings:
        return faulty, faults
    cylinders = range(1, faulty.size + 1)
    total, kinds = np.zeros(faulty.size), np.zeros(faults.shape)
    names = ({c: c for c in cylinders}, *firings.renamings)
    for new in names:
        for c in cylinders:
            total[new[c] - 1] += faulty[c - 1]
            kinds[new[c] - 1] += faulty[c - 1] * faults[c - 1]
    n = kinds.sum(axis=1, keepdims=True)
    mixed = np.where(n > 1e-9, kinds / np.maximum(n, 1e-9), faults)
    return np.clip(total / len(names), 0.0, 1.0), mixed


def _conclude(
    evidence: Evidence,
    weighed: _Weighed,
    judgement: Judgement,
    witnesses: dict[int, frozenset[str]],
) -> tuple[str, tuple[str, ...], tuple[Finding, ...]]:
    """Choose the verdict, with its reasons and what the crank sensor itself has."""
    firings, shared, faults = evidence.firings, weighed.shared, weighed.faults
    strongest, table = float(weighed.faulty.max()), judgement.cylinders
    notes: list[str] = []
    findings: list[Finding] = []
    first = int(np.argmax(shared))
    lead = FAULT_TYPES[int(np.argmax(faults[first]))]
    judged = np.expm1(table["firings_log"].to_numpy(float))
    disturbed = int(evidence.torque.disturbed.sum())
    lost_sync = 0.0
    if evidence.track.lost_s is not None and evidence.track.lost_s.size:
        lost_sync = float(np.sum(np.diff(evidence.track.lost_s, axis=1)))
    if evidence.has_crank and (disturbed > 2 or lost_sync > 0.1):
        findings.append(
            Finding(
                "crank_signal",
                "warning",
                f"crank pulses are missing or extra in {disturbed} power strokes"
                + (f", sync was lost for {lost_sync:.1f} s" if lost_sync > 0.1 else "")
                + ": check sensor, air gap, wheel and wiring before you trust misfires counted "
                "from it",
            )
        )
    top = float(shared[first])
    open_ = sorted({new[first + 1] for new in firings.renamings} - {first + 1})
    # where all that it may be are at fault, it need not be told which one it is
    at_fault = all(weighed.faulty[c - 1] >= FAULTY for c in (first + 1, *open_))
    if open_ and strongest >= FAULTY and lead != "crank_signal" and not at_fault:
        if len(open_) == 1:
            notes.append(_describe_pair(evidence, (first + 1, open_[0]), weighed.faulty))
            return "misfire", tuple(notes), tuple(findings)
        if top < FAULTY:
            notes.append(_describe_open(evidence, first + 1, open_))
            return "inconclusive", tuple(notes), tuple(findings)
    if top >= FAULTY and lead != "crank_signal":
        told = find_separable(witnesses[first + 1])
        likely = [t for t, p in zip(FAULT_TYPES, faults[first], strict=True) if p >= 0.15]
        if lead not in told or len(likely) > 1:
            wanted = advise_channels(likely, witnesses[first + 1])
            if wanted:
                notes.append(
                    "the channels of this recording cannot tell all likely causes apart; next "
                    f"time also record {', and '.join(wanted)}"
                )
        return "misfire", tuple(notes), tuple(findings)
    known = np.isfinite(evidence.torque.deficit_z)
    shown = {c: known[firings.cylinder == c] for c in witnesses}
    blind = [
        c
        for c, w in witnesses.items()
        if "burn" not in w and not np.count_nonzero(shown[c]) > LEAST_KNOWN * shown[c].size
    ]
    if blind:
        remedy = "connect the crank sensor or the coil primaries"
        if evidence.has_crank:
            remedy = (
                "the crank signal shows no complete power stroke there; check sensor, wheel and "
                "[crank_wheel], or connect the coil primaries,"
            )
        notes.append(
            f"neither torque nor spark lines were recorded of cylinder{'s' * (len(blind) > 1)} "
            f"{join_words(list(map(str, blind)))}: {remedy} to judge the combustion"
        )
        return "inconclusive", tuple(notes), tuple(findings)
    if float(np.nanmedian(judged)) < LEAST_CYCLES:
        notes.append(
            f"only {int(np.nanmedian(judged))} engine cycles could be judged: record at least a "
            "minute; a fault that comes once in 100 firings needs 299 firings of each cylinder to "
            "be met with 95 % certainty"
        )
        return "inconclusive", tuple(notes), tuple(findings)
    if strongest >= DOUBTFUL and lead != "crank_signal":
        who = f"cylinder {first + 1}" if not open_ else "one of the cylinders"
        notes.append(
            f"{who} is doubtful ({100 * strongest:.0f} %): record for longer, under the "
            "conditions in which the fault is felt"
        )
        return "inconclusive", tuple(notes), tuple(findings)
    if not evidence.has_crank:
        notes.append(
            "without a crank signal only the sparks were judged; a cylinder without fuel or "
            "compression would not show"
        )
    return "no_misfire", (*notes, *_note_rarest(firings, judgement.event)), tuple(findings)


def _note_rarest(firings: Firings, probability: NDArray[np.float64]) -> tuple[str, ...]:
    """Say how rare a fault could have been missed, where no firing was judged lost."""
    known = np.isfinite(probability)
    if is_only_cranked(firings.rpm[known]):
        return ("only the starter turned the engine: nothing is said of its combustion",)
    counts = np.bincount(firings.cylinder[known])
    if not counts.any() or (probability[known] >= 0.5).any():
        return ()
    n = int(counts[counts > 0].min())
    return (
        f"no lost combustion in {n} cycles of each cylinder: a fault rarer than one in "
        f"{find_rarest(n)} firings could still have been missed (95 % certainty)",
    )


def _describe_pair(evidence: Evidence, pair: tuple[int, int], faulty: NDArray[np.float64]) -> str:
    """Say that nothing tells two cylinders apart, and what would."""
    both = float(faulty[[c - 1 for c in pair]].sum()) > ONE_FAULT
    return (
        f"cylinder {pair[0]} or cylinder {pair[1]}{', or both' * both}: nothing recorded tells the "
        "two revolutions of the cycle apart, so "
        f"{'each has the same probability' if both else 'the probability is shared'}. "
        + advise_cycle(evidence.recording.job.engine, evidence.recording.channels, pair)
    )


def _describe_open(evidence: Evidence, cylinder: int, others: list[int]) -> str:
    """Say what is known of a fault whose cylinder is not, and what would tell it."""
    coils = [
        t.channel.name
        for t in evidence.detected.trains
        if t.channel.role != "coil_trigger" and cylinder in t.channel.cylinders
    ]
    there = sorted({cylinder, *others})
    cranked = is_only_cranked(evidence.firings.rpm)
    does = "compresses less than the others" if cranked else "loses combustions"
    text = f"one cylinder {does}, but nothing recorded tells which one it is of "
    text += f"{', '.join(map(str, there[:-1]))} and {there[-1]}"
    if coils and len(evidence.detected.trains) > 1:
        text += f"; it is the one whose coil is on the channel {coils[0]!r}"
    return f"{text}. To find out: {WORDS['cylinders_unknown'][1]}"
