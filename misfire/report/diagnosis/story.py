"""The sentences of page one: what was found, where, how often, when, why, how certain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from misfire.dsp.chances import compute_wilson, find_rarest
from misfire.records import CylinderResult, Diagnosis
from misfire.report.cardclaims import describe_claims, list_claims
from misfire.report.circumstances import write_when
from misfire.report.judgedtime import describe_unjudged, is_only_cranked
from misfire.report.marks import describe_kind_of_mark, weigh_marks
from misfire.report.pictures.spread import compute_median, split_values
from misfire.report.summary import LOST, choose_recording_dtc, format_dtc
from misfire.report.wording import (
    QUANTITIES,
    begin_sentence,
    caution_kind,
    describe_certainty,
    describe_kind,
    explain_fault,
    format_certainty,
    format_count,
    format_duration,
    format_kind,
    format_percent,
    format_percent_range,
    format_value,
    is_bound,
    join_words,
    may_both_fail,
    name_ailing,
    name_everyone,
    name_fault,
    pick_suspects,
    share_one_fault,
)

SPARK_FAULTS = ("open_secondary", "fouled_plug", "weak_coil", "no_primary")
FEW = 3  # one in fewer than this is told by the share alone

LESS = ("compresses less than the others", "compress less than the others")  # under the starter


@dataclass(frozen=True, slots=True)
class Fact:
    """A question of page one and its answer; in small print its reference, and more of it."""

    question: str
    answer: str
    aside: str = ""
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ValueRow:
    """Medians of one quantity: in the lost firings, the suspect's good ones, the others' good."""

    label: str
    unit: str
    lost: str
    own: str
    others: str


def list_sheet(diagnosis: Diagnosis) -> tuple[str, ...]:
    """List what belongs on the sheet for the file: dates, odometer, who and where."""
    sheet = diagnosis.job.sheet
    recorded = sheet.recorded.replace("T", " ")
    km = "" if sheet.odometer_km is None else format_count(round(sheet.odometer_km))
    rows = (
        ("recorded", recorded),
        ("odometer", f"{km} km" if km else ""),
        ("technician", sheet.technician),
        ("workshop", sheet.workshop),
        ("report of", diagnosis.reported),
    )
    return tuple(f"{name} {text}" for name, text in rows if text)


def write_headline(diagnosis: Diagnosis) -> str:
    """Say the verdict in one plain sentence."""
    if diagnosis.verdict == "no_misfire":
        if is_only_cranked(diagnosis.rpm):
            return "No cylinder compresses less than the others."
        ailing = name_ailing(diagnosis)
        if ailing:
            who = f"Cylinder{'s' * (len(ailing) > 1)} {join_words(ailing)}"
            return f"{who} {'have' if len(ailing) > 1 else 'has'} a bad spark; no misfire yet."
        return "No misfire was found."
    if diagnosis.verdict == "inconclusive":
        return "This recording gives no clear result."
    suspects = pick_suspects(diagnosis)
    cranked = is_only_cranked(diagnosis.rpm)
    if not suspects:
        does = f"A cylinder {LESS[0]}" if cranked else "The engine misfires"
        return f"{does}, but no cylinder can be named."
    numbers = [str(c.cylinder) for c in suspects]
    verb, verbs = LESS if cranked else _say_trouble(suspects)
    if may_both_fail(diagnosis, suspects):
        return f"Cylinder {join_words(numbers, 'or')} {verb}, or both; nothing tells which."
    if share_one_fault(diagnosis, suspects):
        return f"Cylinder {join_words(numbers, 'or')} {verb}; nothing tells which one."
    everyone = name_everyone(diagnosis, suspects)
    if everyone and not cranked:
        return f"{begin_sentence(everyone)} are misfiring."
    if len(suspects) > 1:
        return f"Cylinders {join_words(numbers)} {verbs}."
    return f"Cylinder {numbers[0]} {verb}."


def _say_trouble(suspects: tuple[CylinderResult, ...]) -> tuple[str, str]:
    """Say what suspects do, of one and of several."""
    if any(c.misfires for c in suspects):
        return "is misfiring", "are misfiring"
    if all(c.faults and c.faults[0][0] in SPARK_FAULTS for c in suspects):
        return "has a bad spark", "have bad sparks"
    return "does less work than the others", "do less work than the others"


def write_lead(diagnosis: Diagnosis) -> str:
    """Say under the headline how certain it is and what the likely cause is."""
    if diagnosis.verdict == "no_misfire":
        if is_only_cranked(diagnosis.rpm):
            return "Only the starter turned the engine: nothing is said of its combustion."
        told = [f.message for f in diagnosis.findings if f.code == "ailing_spark"]
        if told:
            return " ".join(f"{begin_sentence(message)}." for message in told)
        if any(c.misfires for c in diagnosis.cylinders):
            return (
                "The recording was good enough to see a misfire; a single lost firing is no fault."
            )
        return "The recording was good enough to see a misfire, and there was none."
    if diagnosis.verdict == "inconclusive":
        return "No cylinder is named. Below it is said why, and what to record next."
    suspects = pick_suspects(diagnosis)
    if not suspects:
        return ""
    first = suspects[0]
    words = f"{begin_sentence(format_certainty(first.probability))}."
    kind, p = max(first.faults, key=lambda item: item[1], default=("", 0.0))
    if p < 0.5:
        return words
    return f"{words} Cause to test first: {name_fault(kind)}."


def write_facts(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer the five questions of page one."""
    if diagnosis.verdict == "misfire":
        facts = _facts_of_misfire(diagnosis)
    elif diagnosis.verdict == "no_misfire":
        facts = _facts_of_none(diagnosis)
    else:
        facts = _facts_of_open(diagnosis)
    if unjudged := describe_unjudged(diagnosis):
        aside = "no firing there could be placed and measured; what happened there is not known"
        facts = (*facts, Fact("Not judged", unjudged, aside))
    kinds = weigh_marks(diagnosis)[1]
    if not kinds:
        return facts
    more = tuple(describe_kind_of_mark(kind) for kind in kinds[1:3])
    return (*facts, Fact("Marks", describe_kind_of_mark(kinds[0]), more=more))


def write_rate(result: CylinderResult) -> str:
    """Say how often a cylinder lost its combustion, with its interval."""
    if not result.cycles:
        return "no firing could be judged"
    low, high = compute_wilson(result.misfires, result.cycles)
    return (
        f"{format_percent(result.misfires / result.cycles)} "
        f"(95 % interval {format_percent_range(low, high)})"
    )


def compare_values(diagnosis: Diagnosis, cylinder: int) -> tuple[ValueRow, ...]:
    """Put the suspect's lost firings beside its good ones and the other cylinders' good ones."""
    rows = []
    for quantity in QUANTITIES:
        spreads = split_values(diagnosis, quantity.column)
        own = next((s for s in spreads if s.cylinder == cylinder), None)
        if own is None or not (own.good.size or own.lost.size):
            continue
        others = [s.good for s in spreads if s.cylinder != cylinder]
        bound = "over " if _is_bound(diagnosis, cylinder, quantity.column) else ""
        texts = [
            format_value(value, quantity.decimals)
            for value in (
                compute_median(own.lost),
                compute_median(own.good),
                compute_median(*others),
            )
        ]
        if own.lost.size:
            texts[0] = bound + texts[0]
        rows.append(ValueRow(quantity.label, quantity.unit, *texts))
    return tuple(rows)


def _is_bound(diagnosis: Diagnosis, cylinder: int, column: str) -> bool:
    """Whether most of a cylinder's lost firings give only the least that a value can be."""
    events = diagnosis.events
    lost = events[(events["cylinder"] == cylinder) & (events["misfire_probability"] >= LOST)]
    bounds = [is_bound(str(flags), column) for flags in lost["flags"]]
    return 2 * sum(bounds) > len(bounds)


def _facts_of_misfire(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for a misfire."""
    suspects = pick_suspects(diagnosis)
    if not suspects:
        return ()
    first = suspects[0]
    code = choose_recording_dtc({c.cylinder: c.misfires for c in diagnosis.cylinders})
    one_of = share_one_fault(diagnosis, suspects) or may_both_fail(diagnosis, suspects)
    which = join_words(
        [f"{c.cylinder} (would be code {format_dtc(c.cylinder)})" for c in suspects],
        "or" if one_of else "and",
    )
    everyone = name_everyone(diagnosis, suspects)
    if everyone:
        which = f"{everyone} (would be code {format_dtc(None)})"
    aside = f"firing order {'-'.join(map(str, diagnosis.job.engine.firing_order))}"
    pairs = [p for p in diagnosis.job.engine.waste_pairs if first.cylinder in p]
    if everyone and diagnosis.job.engine.ignition == "distributor":
        aside += "; one coil with its lead, distributor cap and rotor serves all of them"
    if pairs and not everyone:
        aside += f"; cylinders {pairs[0][0]} and {pairs[0][1]} share one coil"
    if code is not None and code == format_dtc(None) and not everyone:
        aside += "; more than one cylinder lost combustions: code P0300 (random or multiple)"
    alike: dict[tuple[str, ...], list[int]] = {}
    for c in () if one_of else suspects[:3]:
        alike.setdefault(list_claims(diagnosis.job, c.cylinder), []).append(c.cylinder)
    claims = [describe_claims(diagnosis, *cylinders) for cylinders in alike.values()]
    facts = [Fact("Which cylinder", begin_sentence(which), aside, tuple(filter(None, claims)))]
    often, often_aside = [], []
    for c in suspects if everyone else suspects[:3]:
        name = f"cylinder {c.cylinder}: " if len(suspects) > 1 else ""
        often.append(
            f"{name}{c.misfires} of {format_count(c.cycles)} {_name_loss(c, diagnosis)}"
            + (
                f", about 1 in {max(1, round(c.cycles / c.misfires))}"
                if c.misfires and c.cycles >= FEW * c.misfires
                else ""
            )
        )
        often_aside.append(f"{name}{write_rate(c)}")
    others = [c for c in diagnosis.cylinders if c not in suspects]
    lost, judged = sum(c.misfires for c in others), sum(c.cycles for c in others)
    if judged:
        often_aside.append(f"other cylinders together: {lost} of {format_count(judged)}")
    facts.append(
        Fact("How often", begin_sentence("; ".join(often)), begin_sentence("; ".join(often_aside)))
    )
    answer, lines = write_when(diagnosis, suspects)
    facts.append(Fact("When", answer, more=lines))
    facts.append(_why(first, diagnosis.settings))
    certain = join_words(
        [
            f"{format_certainty(c.probability)}"
            + (f" for cylinder {c.cylinder}" if len(suspects) > 1 else "")
            for c in suspects
        ]
    )
    if everyone:
        lowest = min(c.probability for c in suspects)
        certain = f"{format_certainty(lowest)} for each of them"
    rest = max((c.probability for c in others), default=0.0)
    facts.append(
        Fact(
            "How certain",
            begin_sentence(certain),
            "probability that the cylinder is faulty; the most likely of the others has "
            f"{format_percent(rest)}"
            if others
            else "",
        )
    )
    return tuple(facts)


def _name_loss(result: CylinderResult, diagnosis: Diagnosis) -> str:
    """Say what was lost: a charge that leaks away burns, and does too little work."""
    if is_only_cranked(diagnosis.rpm):
        return "compressions weak"
    leaks = bool(result.faults) and result.faults[0][0] == "low_compression"
    return "power strokes lost or far too weak" if leaks else "combustions lost"


def _name_judged(diagnosis: Diagnosis) -> str:
    """Name what the counts of lost firings count."""
    return (
        "compressions judged weak" if is_only_cranked(diagnosis.rpm) else "combustions judged lost"
    )


def _why(result: CylinderResult, settings: Mapping[str, Any]) -> Fact:
    """Say the likeliest fault types of a cylinder with what they mean."""
    faults = sorted(result.faults, key=lambda item: -item[1])
    if not faults or faults[0][1] < 0.25:
        return Fact("Why", "The kind of fault cannot be told from this recording")
    kind, p = faults[0]
    answer = f"{begin_sentence(describe_kind(p))} ({format_kind(p)}): {name_fault(kind)}"
    also = [f"{name_fault(k)} ({format_kind(q)})" for k, q in faults[1:3] if q >= 0.1]
    aside = begin_sentence(explain_fault(kind))
    if also:
        aside += f". Also possible: {join_words(also, 'or')}"
    return Fact("Why", answer, f"{aside}.", (caution_kind(settings),))


def _facts_of_none(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for an engine without a misfire."""
    judged = sum(c.cycles for c in diagnosis.cylinders)
    lost = sum(c.misfires for c in diagnosis.cylinders)
    top = max(diagnosis.cylinders, key=lambda c: c.probability, default=None)
    facts = [
        Fact(
            "How often",
            f"{lost or 'None'} of {format_count(judged)} {_name_judged(diagnosis)}",
            "a few single ones come by chance and belong to no faulty cylinder" if lost else "",
        )
    ]
    if top is not None:
        facts.append(
            Fact(
                "How certain",
                f"No cylinder is more than {format_percent(top.probability)} likely to be faulty",
                f"the highest is cylinder {top.cylinder}: {describe_certainty(top.probability)}",
            )
        )
    fewest = min((c.cycles for c in diagnosis.cylinders), default=0)
    if fewest and not lost and not is_only_cranked(diagnosis.rpm):
        facts.append(
            Fact(
                "What can be missed",
                f"A cylinder that loses fewer than 1 in {format_count(find_rarest(fewest))} "
                "combustions",
                f"95 % bound from {format_count(fewest)} firings without a loss, if each loss "
                "would have been seen",
            )
        )
    facts.append(
        Fact(
            "What it covers",
            _covered(diagnosis),
            "a fault that shows only at another speed, cold or under load is not covered",
        )
    )
    return tuple(facts)


def _facts_of_open(diagnosis: Diagnosis) -> tuple[Fact, ...]:
    """Answer for a recording that settles nothing."""
    top = max(diagnosis.cylinders, key=lambda c: c.probability, default=None)
    facts = []
    alike = [c.cylinder for c in diagnosis.cylinders if top and c.probability == top.probability]
    if top is not None and top.probability >= 0.05 and len(alike) > 1:
        words = f"None can be named; {join_words(list(map(str, sorted(alike))))} are equally likely"
        facts.append(Fact("Which cylinder", words, f"{format_certainty(top.probability)} each"))
    elif top is not None and top.probability >= 0.05:
        facts.append(
            Fact(
                "Which cylinder",
                f"None can be named; the most likely is cylinder {top.cylinder}",
                f"{format_certainty(top.probability)}; {top.misfires} of "
                f"{format_count(top.cycles)} {_name_judged(diagnosis)}",
            )
        )
    else:
        facts.append(Fact("Which cylinder", "None can be named"))
    if diagnosis.notes:
        facts.append(Fact("Why", begin_sentence(diagnosis.notes[0])))
    for note in diagnosis.notes[1:3]:
        facts.append(Fact("What would help", begin_sentence(note)))
    facts.append(Fact("What was recorded", _covered(diagnosis)))
    return tuple(facts)


def _covered(diagnosis: Diagnosis) -> str:
    """Say what the recording covers."""
    import numpy as np

    speed = np.asarray(diagnosis.rpm, dtype=float)
    speed = speed[np.isfinite(speed)]
    words = f"{format_duration(diagnosis.duration_s)}, {format_count(diagnosis.cycles)} cycles"
    if speed.size:
        words += f", {round(float(speed.min()))} to {round(float(speed.max()))} rev/min"
    return words
