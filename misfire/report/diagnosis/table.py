"""The verdict as plain text for a terminal, and as JSON."""

from __future__ import annotations

import json

from misfire.dsp.chances import compute_wilson
from misfire.records import CylinderResult, Diagnosis
from misfire.report.advice import cautions
from misfire.report.cardclaims import describe_claims
from misfire.report.circumstances import write_when
from misfire.report.diagnosis.story import list_sheet
from misfire.report.judgedtime import describe_unjudged, is_only_cranked
from misfire.report.marks import describe_kind_of_mark, weigh_marks
from misfire.report.remedies import explain
from misfire.report.summary import build_summary, format_dtc
from misfire.report.wording import (
    describe_kind,
    format_certainty,
    format_duration,
    format_kind,
    format_percent,
    format_percent_range,
    may_both_fail,
    name_ailing,
    name_everyone,
    name_fault,
    pick_suspects,
    share_one_fault,
)


def format_json(diagnosis: Diagnosis) -> str:
    """Give result.json as text.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    text : str
        One JSON document, indented, ending with a line feed.
    """
    return (
        json.dumps(build_summary(diagnosis), indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    )


def format_table(diagnosis: Diagnosis) -> str:
    """Give the verdict and the ranking as a compact plain-text table.

    Parameters
    ----------
    diagnosis : Diagnosis

    Returns
    -------
    text : str
        Lines ending with a line feed; no colours, no control characters.
    """
    ranked = sorted(diagnosis.cylinders, key=lambda c: c.rank)
    lines = [f"{diagnosis.vehicle}: {_verdict_line(diagnosis)}"]
    lines.append(
        f"{format_duration(diagnosis.duration_s)}, {diagnosis.cycles} cycles, "
        f"{len(diagnosis.events)} firings"
    )
    if unjudged := describe_unjudged(diagnosis):
        lines.append(f"not judged: {unjudged}")
    if sheet := list_sheet(diagnosis):
        lines.append(", ".join(sheet))
    lines.append("")
    counted = "weak / judged" if is_only_cranked(diagnosis.rpm) else "lost / judged"
    lines.append(
        f"{'rank':>4}  {'cyl':>3}  {'would be':<8}  {'probability':>11}  {counted:>13}"
        f"  {'share':>7}  likely fault"
    )
    for c in ranked:
        share = format_percent(c.misfires / c.cycles) if c.cycles else "-"
        faults = sorted(c.faults, key=lambda item: -item[1])[:2]
        likely = (
            ", ".join(f"{name} {format_kind(p)}" for name, p in faults if p >= 0.1)
            if c.probability >= 0.2
            else "-"
        )
        lines.append(
            f"{c.rank:>4}  {c.cylinder:>3}  {format_dtc(c.cylinder):<8}"
            f"  {format_percent(c.probability):>11}"
            f"  {f'{c.misfires} / {c.cycles}':>13}  {share:>7}  {likely or '-'}"
        )
    told = pick_suspects(diagnosis) if diagnosis.verdict == "misfire" else ()
    for c in told:
        lines.extend(["", f"Cylinder {c.cylinder}{_likely(c)}:"])
        if c.cycles:
            low, high = compute_wilson(c.misfires, c.cycles)
            did = "weak in" if is_only_cranked(diagnosis.rpm) else "lost"
            lines.append(
                f"  {did} {format_percent_range(low, high)} of its firings (95 % interval)"
            )
            lines.append(f"  when: {write_when(diagnosis, (c,))[0]}")
        in_table = f"{c.misfires} of {c.cycles} "  # stands in the table above
        lines.extend(f"  {text}" for text in c.evidence if not text.startswith(in_table))
        if claims := describe_claims(diagnosis, c.cylinder):
            lines.append(f"  {claims}")
        lines.extend(f"  next: {text}" for text in c.next_tests[:1])
    if kinds := weigh_marks(diagnosis)[1]:
        lines.append("")
        lines.extend(f"mark {describe_kind_of_mark(kind)}" for kind in kinds)
    if told:
        lines.extend(["", f"Before anybody touches the vehicle: {cautions()[0]}"])
    explained = [(finding, explain(finding)) for finding in diagnosis.findings]
    findings = [(f, words[1]) for f, words in explained if f.severity != "info" or any(words)]
    if findings or diagnosis.notes:
        lines.append("")
    for finding, remedy in findings:  # what only informs is on the page and told by `check`
        where = f" [{finding.channel}]" if finding.channel else ""
        lines.append(f"{finding.severity}{where}: {finding.message}")
        if finding.severity != "info" and remedy:
            lines.append(f"  do: {remedy}")
    lines.extend(f"note: {text}" for text in diagnosis.notes)
    return "".join(f"{_printable(line).rstrip()}\n" for line in lines)


def _verdict_line(diagnosis: Diagnosis) -> str:
    """Say the verdict with the cylinders and how certain it is."""
    if diagnosis.verdict == "no_misfire":
        ailing = name_ailing(diagnosis)
        watch = f", WATCH THE SPARK OF CYLINDER {', '.join(ailing).upper()}"
        return "NO MISFIRE FOUND" + watch * bool(ailing)
    if diagnosis.verdict == "inconclusive":
        return "INCONCLUSIVE"
    suspects = pick_suspects(diagnosis)
    named = [
        f"cylinder {c.cylinder} ({format_dtc(c.cylinder)}) {format_certainty(c.probability)}"
        for c in suspects
    ]
    if everyone := name_everyone(diagnosis, suspects):
        lowest = min(c.probability for c in suspects)
        return f"MISFIRE, {everyone} {format_certainty(lowest)}"
    one_of = share_one_fault(diagnosis, suspects) or may_both_fail(diagnosis, suspects)
    return f"MISFIRE, {' or '.join(named) if one_of else ', '.join(named)}"


def _likely(result: CylinderResult) -> str:
    """Name the likeliest fault in plain words, if one stands out."""
    kind, p = max(result.faults, key=lambda item: item[1], default=("", 0.0))
    return f", {name_fault(kind)} ({describe_kind(p)})" if p >= 0.5 else ""


def _printable(line: str) -> str:
    """Drop control characters: a vehicle's name must not steer the terminal."""
    return "".join(ch if ch.isprintable() else " " for ch in line)
