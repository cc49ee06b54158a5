"""Did the repair cure it: two recordings of one vehicle set against each other."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

from misfire import __version__
from misfire.comparison.conditions import (
    Match,
    find_match,
    find_obstacles,
    get_speed_range,
    write_load_mismatch,
    write_speed_mismatch,
)
from misfire.comparison.cylinder import (
    CURED,
    IMPROVED,
    UNCHANGED,
    WORSE,
    Group,
    Judged,
    judge_group,
)
from misfire.comparison.document import describe_group
from misfire.comparison.features import compute_changes, compute_torque_left
from misfire.comparison.sentences import (
    write_cause_open,
    write_joint,
    write_notes,
    write_together,
    write_warnings,
)
from misfire.comparison.side import Progress, Side, find_most_lost, load_side, match_numbers
from misfire.comparison.signs import LEAST_FIRINGS, count_signs
from misfire.comparison.vehicle import Whole, judge_vehicle
from misfire.errors import ParameterError
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.summary import to_plain

SCHEMA = "misfire-compare/1"
ALIKE = 0.9  # share of the highest probability that is as high


def compare(
    before: Path | str,
    after: Path | str,
    *,
    cylinder: int | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Set a recording made after a repair against the one made before it.

    Parameters
    ----------
    before, after : path
        A recording, a job card, or the folder that an earlier `diagnose` wrote.
    cylinder : int, optional
        The one that was repaired; when left out, those that BEFORE accuses.
    progress : callable (stage, fraction), optional

    Returns
    -------
    document : dict
        The document of compare.json: plain values only, None for what is not known.

    Raises
    ------
    MisfireError
        If one of them cannot be used, or there is no such cylinder.
    """
    sides = [
        load_side(path, name=name, progress=progress)
        for path, name in ((before, "before"), (after, "after"))
    ]
    return compare_sides(*sides, cylinder=cylinder)


def compare_sides(before: Side, after: Side, *, cylinder: int | None = None) -> dict[str, Any]:
    """Compare two diagnosed recordings; see `compare`."""
    if cylinder is not None and cylinder not in before.order:
        raise ParameterError(
            f"cylinder {cylinder}: the engine has cylinders 1 to {len(before.order)}"
        )
    before, after = match_numbers(before, after)
    groups = _group_cylinders(before, after)
    accused = {cylinder} if cylinder is not None else _find_accused(before)
    is_joint = not accused
    if is_joint:
        accused = _find_changed(before, after, groups)
    suspects = tuple(g for g in groups if accused & set(g))
    flat = tuple(c for g in suspects for c in g)
    reasons = find_obstacles(before, after, suspects)
    match: Match | None = None
    if len(before.order) == len(after.order):
        match = find_match(before, after, flat)
        reasons = reasons or write_speed_mismatch(before, after, match)
    judged, whole, is_one = _judge_all(before, after, match, groups, suspects, reasons)
    load = write_load_mismatch(match) if match and not reasons else ()
    if load and whole.word not in (UNCHANGED, WORSE):  # a fault that shows needs no like load
        reasons = load
        judged, whole, is_one = _judge_all(before, after, match, groups, suspects, reasons)
    rpm_after = get_speed_range(after)[1]
    more = whole.cycles_needed
    return {
        "schema": SCHEMA,
        "verdict": whole.word,
        "settled": whole.settled,
        "direction": whole.direction,
        "headline": whole.headline,
        "reasons": [*write_joint(suspects if is_joint else ()), *whole.reasons],
        "cycles_needed": more,
        "seconds_needed": to_plain(more * 120.0 / rpm_after) if more is not None else None,
        "new_fault": [g.group.cylinders[0] for g in judged if g.is_new and not reasons],
        "warnings": write_warnings(before, after),
        "before": _describe_side(before),
        "after": _describe_side(after),
        "conditions": {
            "comparable": not reasons,
            "speed_cover": to_plain(match.speed_cover if match else math.nan),
            "cover": to_plain(match.cover if match else math.nan),
        },
        "cylinders": [entry for g in judged for entry in describe_group(g)],
        "notes": [*([write_together()] if is_one else []), *write_notes(before, after)],
        "tool_version": __version__,
    }


def _judge_all(
    before: Side,
    after: Side,
    match: Match | None,
    groups: list[tuple[int, ...]],
    suspects: tuple[tuple[int, ...], ...],
    reasons: tuple[str, ...],
) -> tuple[list[Judged], Whole, bool]:
    """Judge every cylinder and the vehicle; whether all cylinders were judged as one comes last.

    `reasons`: why nothing can be compared; empty where it can.
    """
    judged = []
    if match is not None:
        judged = [
            judge_group(_measure_group(before, after, match, g, suspects), comparable=not reasons)
            for g in groups
        ]
    together = None
    if match is not None and len(suspects) == len(groups) > 1 and not reasons:
        flat = tuple(c for g in suspects for c in g)
        whole_engine = _measure_group(before, after, match, flat, (flat,))
        together = judge_group(replace(whole_engine, is_engine=True), comparable=True)
        if together.word == CURED and before.summary["verdict"] != "misfire":
            # a rough road or a limiter before would look the same, and is no repair
            why = (*together.reasons, write_cause_open())
            together = replace(together, word=IMPROVED, settled=False, reasons=why)
        judged = [
            replace(j, word=together.word, settled=together.settled, direction=together.direction)
            for j in judged
        ]
    whole = judge_vehicle(
        judged, together, reasons=reasons, before=before.summary, after=after.summary
    )
    return judged, whole, together is not None


def _group_cylinders(before: Side, after: Side) -> list[tuple[int, ...]]:
    """Put cylinders together that one of the recordings cannot tell apart."""
    mates = _find_mates(before, after)
    groups: list[tuple[int, ...]] = []
    for c in before.cylinders:
        mate = mates.get(c)
        if mate is None:
            groups.append((c,))
        elif c < mate:
            groups.append((c, mate))
    return groups


def _find_mates(before: Side, after: Side) -> dict[int, int]:
    """Give the counterpart of each cylinder that one of the recordings cannot tell from it."""
    return before.mates or after.mates or _find_swapped(before, after)


def _find_swapped(before: Side, after: Side) -> dict[int, int]:
    """Pairs 360 degrees apart, if the recordings number their cylinders a revolution apart.

    It shows where the spark lines of cylinders were recorded before, and those of exactly their
    counterparts after: the clamps stayed, so the numbers moved. Empty otherwise.
    """
    n = len(before.order)
    if n % 2 or set(before.order) != set(after.order):
        return {}
    turned = {c: before.order[(i + n // 2) % n] for i, c in enumerate(before.order)}
    burn = [{c for c in s.order if "burn" in s.witnesses.get(c, ())} for s in (before, after)]
    if burn[0] and burn[0] != burn[1] and {turned[c] for c in burn[0]} == burn[1]:
        return turned
    return {}


def _find_accused(before: Side) -> set[int]:
    """Cylinders that BEFORE shows at fault: accused, else the most doubted ones.

    Where none loses a combustion, those whose sparks are bad (`ailing`).
    """
    if before.summary["verdict"] == "no_misfire":
        return {c for c in before.cylinders if before.result_of(c).get("state") == "ailing"}
    if _fails_as_a_whole(before):
        return set(before.cylinders)
    most = set(find_most_lost(before, least=LEAST_FIRINGS))
    if before.is_unnumbered and most:
        return most
    chances = {c: before.probability_with_mate(c) for c in before.cylinders}
    highest = max(chances.values())
    if highest >= FAULTY:
        return {c for c, p in chances.items() if p >= FAULTY}
    if highest >= DOUBTFUL or before.summary["verdict"] == "misfire":
        alike = {c for c, p in chances.items() if p >= ALIKE * highest}
        return (alike & most) or {max(chances, key=lambda c: chances[c])}
    return set()


def _fails_as_a_whole(before: Side) -> bool:
    """Whether BEFORE says of an open verdict that all cylinders fail alike, as of one cause."""
    notes = before.summary.get("notes", ())
    told = [r["text"] for r in before.summary.get("reasons", ()) if r["code"] == "whole_engine"]
    return before.summary["verdict"] == "inconclusive" and any(text in notes for text in told)


def _find_changed(before: Side, after: Side, groups: list[tuple[int, ...]]) -> set[int]:
    """Cylinders that BEFORE alone does not accuse, but both recordings together do."""
    if len(before.order) != len(after.order):
        return set()
    match = find_match(before, after, ())
    changed: set[int] = set()
    for group in groups:
        rest = tuple(c for c in before.cylinders if c not in group)
        signs = count_signs(before, after, match, group, rest)
        if any(s.has_fallen for s in signs[:2]) or signs[0].is_established:
            changed |= set(group)
    return changed


def _is_open(side: Side, cylinders: tuple[int, ...]) -> bool:
    """Whether the recording is inconclusive, and no other cylinder is doubted."""
    others = [float(side.result_of(c)["probability"]) for c in side.cylinders if c not in cylinders]
    return side.summary["verdict"] == "inconclusive" and max(others, default=0.0) < DOUBTFUL


def _measure_group(
    before: Side,
    after: Side,
    match: Match,
    cylinders: tuple[int, ...],
    suspects: tuple[tuple[int, ...], ...],
) -> Group:
    """Gather all that is known of one cylinder, or of a pair."""
    at_fault = {c for g in suspects for c in g} | {
        c for c in after.cylinders if after.probability_with_mate(c) >= FAULTY
    }
    sound = tuple(c for c in before.cylinders if c not in cylinders and c not in at_fault)
    faults = before.result_of(cylinders[0])["faults"]
    return Group(
        cylinders=cylinders,
        is_suspect=cylinders in suspects,
        signs=count_signs(before, after, match, cylinders, sound),
        probability_before=before.probability_of(cylinders),
        probability_after=after.probability_of(cylinders),
        verdict_after=str(after.summary["verdict"]),
        fault=str(faults[0]["type"]) if faults else "",
        features=compute_changes(before, after, match, cylinders),
        torque_left=compute_torque_left(before, after, match, cylinders),
        is_numbered=not before.is_unnumbered,
        is_open_after=_is_open(after, cylinders),
        is_ailing=any(before.result_of(c).get("state") == "ailing" for c in cylinders),
    )


def _describe_side(side: Side) -> dict[str, Any]:
    """Give the facts of one recording."""
    low, middle, high = get_speed_range(side)
    return {
        "vehicle": side.summary["vehicle"],
        "source": side.summary.get("source", ""),
        "source_sha256": side.summary.get("source_sha256", ""),
        "verdict": side.summary["verdict"],
        "duration_s": side.summary["duration_s"],
        "cycles": side.summary["cycles"],
        "rpm": {"p05": to_plain(low), "median": to_plain(middle), "p95": to_plain(high)},
        "kv_estimated": bool(side.summary.get("kv_estimated", True)),
    }
