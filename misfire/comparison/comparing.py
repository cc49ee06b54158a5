"""Did the repair cure it: two recordings of one vehicle set against each other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from misfire import __version__
from misfire.comparison.conditions import (
    Match,
    find_match,
    find_obstacles,
    get_speed_range,
    write_mismatch,
)
from misfire.comparison.cylinder import judge_group
from misfire.comparison.features import compute_changes
from misfire.comparison.group import FEW_LOST, Group
from misfire.comparison.lack import Lack, find_worked, measure_lack
from misfire.comparison.rates import (
    compute_bunching,
    compute_chance_lower,
    compute_difference_interval,
    is_more_than,
)
from misfire.comparison.sentences import write_joint, write_notes, write_together
from misfire.comparison.side import Side, find_most_lost, load_side, number_alike
from misfire.comparison.signature import Alike, find_alike
from misfire.comparison.spark import (
    MARKED,
    SPARK_LINE,
    Odd,
    compare_sparks,
    count_marked,
    find_odd,
)
from misfire.comparison.torque import (
    compare_torque,
    find_lacking,
    find_usual_loss,
)
from misfire.comparison.vehicle import judge_vehicle
from misfire.comparison.views import View
from misfire.dsp.chances import Count
from misfire.errors import ParameterError
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.summary import LOST, to_plain

SCHEMA = "misfire-compare/1"
CLEARLY_MORE = 1e-3
ALIKE = 0.9  # share of the highest probability that is as high

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Looks:
    """Firings of both recordings looked at together, before any cylinder is."""

    lacks: tuple[Lack | None, Lack | None]
    odds: tuple[dict[str, Odd], dict[str, Odd]]

    def turn(self) -> Looks:
        """Exchange before and after."""
        return Looks(self.lacks[::-1], self.odds[::-1])


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
    before, after = number_alike(before, after)
    groups = _group_cylinders(before, after)
    accused = {cylinder} if cylinder is not None else _find_accused(before)
    looks = Looks(
        lacks=(measure_lack(before), measure_lack(after)),
        odds=(find_odd(before, after), find_odd(after, before)),
    )
    joint = not accused
    if joint:
        accused = _find_changed(before, after, looks, groups)
    suspects = tuple(g for g in groups if accused & set(g))
    flat = tuple(c for g in suspects for c in g)
    reasons = find_obstacles(before, after, suspects)
    match: Match | None = None
    if len(before.order) == len(after.order):
        unlit = looks.odds[0][SPARK_LINE]
        match = find_match(before, after, flat, odd=unlit.odd & unlit.judged)
        reasons = reasons or write_mismatch(before, after, match)
    judged = []
    if match is not None:
        judged = [
            judge_group(
                _measure_group(before, after, looks, match, g, suspects), comparable=not reasons
            )
            for g in groups
        ]
    together = None
    if match is not None and len(suspects) == len(groups) > 1 and not reasons:
        whole_engine = _measure_group(before, after, looks, match, flat, (flat,))
        together = judge_group(replace(whole_engine, is_engine=True), comparable=True)
        judged = [
            replace(j, word=together.word, settled=together.settled, direction=together.direction)
            for j in judged
        ]
    whole = judge_vehicle(
        judged, together, reasons=reasons, before=before.summary, after=after.summary
    )
    rpm_after = get_speed_range(after)[1]
    more = whole.cycles_needed
    return {
        "schema": SCHEMA,
        "verdict": whole.word,
        "settled": whole.settled,
        "direction": whole.direction,
        "headline": whole.headline,
        "reasons": [*write_joint(suspects if joint else ()), *whole.reasons],
        "cycles_needed": more,
        "seconds_needed": to_plain(more * 120.0 / rpm_after) if more is not None else None,
        "new_fault": [g.group.cylinders[0] for g in judged if g.is_new and not reasons],
        "before": _describe_side(before),
        "after": _describe_side(after),
        "conditions": {
            "comparable": not reasons,
            "speed_cover": to_plain(match.speed_cover if match else math.nan),
            "cover": to_plain(match.cover if match else math.nan),
        },
        "cylinders": [entry for g in judged for entry in g.describe()],
        "notes": [*([write_together()] if together else []), *write_notes(before, after)],
        "tool_version": __version__,
    }


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
    """Cylinders 360 degrees apart that the two recordings took for one another.

    Nothing but the spark lines' cylinders tells it: seen of one before, of its counterpart after.
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
    """Cylinders that BEFORE shows at fault: accused, or plainly losing more than the others."""
    doubted = before.summary["verdict"] != "no_misfire"
    if doubted and before.is_unnumbered:
        most = find_most_lost(before, least=FEW_LOST)
        if most:
            return set(most)
    accused = {
        int(c["cylinder"])
        for c in before.summary["cylinders"]
        if doubted and c["probability"] * (2 if before.mates else 1) >= FAULTY
    }
    ranked = sorted(before.summary["cylinders"], key=lambda c: -c["probability"])
    if not accused and doubted and ranked:
        doubtful = ranked[0]["probability"] * (2 if before.mates else 1) >= DOUBTFUL
        if doubtful or before.summary["verdict"] == "misfire":
            alike = {
                int(c["cylinder"])
                for c in ranked
                if c["probability"] >= ALIKE * ranked[0]["probability"]
            }
            most = find_most_lost(before, least=FEW_LOST)
            accused = (alike & set(most)) or {int(ranked[0]["cylinder"])}
    if accused:
        return accused
    for c in before.cylinders:
        own = _count(before, (c,))
        rest = _count(before, tuple(k for k in before.cylinders if k != c))
        if own.lost >= FEW_LOST and is_more_than(own, rest, risk=CLEARLY_MORE):
            accused.add(c)
    return accused


def _find_changed(
    before: Side, after: Side, looks: Looks, groups: list[tuple[int, ...]]
) -> set[int]:
    """Cylinders that BEFORE alone does not accuse, but both recordings together do."""
    if len(before.order) != len(after.order):
        return set()
    match = find_match(before, after, ())
    changed = set()
    for group in groups:
        if any(view.shows_change for view in _find_views(before, after, looks, match, group)):
            changed |= set(group)
    return changed


def _find_views(
    before: Side, after: Side, looks: Looks, match: Match, cylinders: tuple[int, ...]
) -> tuple[View, ...]:
    """Look at both recordings together, quantity by quantity."""
    tries = len(before.order) // len(cylinders)
    torque = compare_torque(*looks.lacks, match, cylinders)
    sparks = tuple(
        replace(view, tries=tries)
        for view in compare_sparks(before, after, looks.odds, match, cylinders)
    )
    if torque is None:
        return sparks
    return _join_marks(replace(torque, tries=tries), sparks, looks, match, cylinders)


def _join_marks(
    torque: View, sparks: tuple[View, ...], looks: Looks, match: Match, cylinders: tuple[int, ...]
) -> tuple[View, ...]:
    """Ask for both marks of the lost firings where they had both: no usual spark, and no torque."""
    first, second = looks.lacks
    if first is None or second is None or not any(v.marks_lost for v in sparks):
        return (torque, *sparks)
    least = find_usual_loss(first, cylinders, match, torque.before.bound)
    views = []
    for view in sparks:
        if not view.marks_lost:
            views.append(view)
            continue
        odd, odd_after = (looks.odds[i][view.quantity] for i in (0, 1))
        marked = odd.odd & odd.judged & odd.lost & np.isin(odd.number, cylinders)
        lacked = find_lacking(first, least)
        if lacked[marked].mean() < MARKED:
            views.append(view)
            continue
        own, rest = count_marked(
            odd_after, np.isin(odd_after.number, cylinders), find_lacking(second, least)
        )
        usual = count_marked(odd, np.isin(odd.number, cylinders), lacked)[1]
        both = (own, usual + rest)
        views.append(replace(view, residue=both, beside=rest))
        torque = replace(torque, residue=both, residue_spread=0.0, beside=rest)
    return (torque, *views)


def _is_open(side: Side, cylinders: tuple[int, ...]) -> bool:
    """Tell whether a recording settles nothing, and not for a doubt about some other cylinder."""
    others = [float(side.result_of(c)["probability"]) for c in side.cylinders if c not in cylinders]
    return side.summary["verdict"] == "inconclusive" and max(others, default=0.0) < DOUBTFUL


def _find_alike(
    before: Side, after: Side, looks: Looks, cylinders: tuple[int, ...]
) -> tuple[Alike, ...]:
    """Find firings after that look like the lost ones before, but for those that worked."""
    lost = before.column("misfire_probability") >= LOST
    worked = find_worked(looks.lacks, lost, cylinders)
    if worked is None:
        worked = np.zeros(lost.size, bool), np.zeros(after.column("cylinder").size, bool)
    return find_alike(before, after, cylinders, worked)


def _count(side: Side, cylinders: tuple[int, ...], own: Any = None) -> Count:
    """Count lost firings of some cylinders."""
    probability = side.column("misfire_probability")
    mine = np.isin(side.column("cylinder"), cylinders) & np.isfinite(probability)
    if own is not None:
        mine &= own
    lost = probability[mine] >= LOST
    return Count(int(lost.sum()), int(lost.size), compute_bunching(lost))


def _measure_group(
    before: Side,
    after: Side,
    looks: Looks,
    match: Match,
    cylinders: tuple[int, ...],
    suspects: tuple[tuple[int, ...], ...],
) -> Group:
    """Gather all that is known of one cylinder, or of a pair."""
    sound = tuple(
        c for c in before.cylinders if c not in cylinders and not any(c in g for g in suspects)
    )
    counts = _count(before, cylinders, match.before), _count(after, cylinders, match.after)
    whole = _count(before, cylinders), _count(after, cylinders)
    # Two that cannot be told apart share what is said of them.
    is_pair = len(cylinders) == 2 and cylinders[0] in _find_mates(before, after)
    share = 2.0 if is_pair else 1.0
    probability = [
        min(1.0, max(float(side.result_of(c)["probability"]) for c in cylinders) * share)
        for side in (before, after)
    ]
    faults = before.result_of(cylinders[0])["faults"]
    is_suspect = cylinders in suspects
    views: tuple[View, ...] = ()
    new_views: tuple[View, ...] = ()
    if is_suspect:
        views = _find_views(before, after, looks, match, cylinders)
    else:
        back = replace(match, before=match.after, after=match.before)
        new_views = _find_views(after, before, looks.turn(), back, cylinders)
    made = Group(
        cylinders=cylinders,
        is_suspect=is_suspect,
        before=whole[0],
        after=whole[1],
        matched_before=counts[0],
        matched_after=counts[1],
        bunching=counts[0].bunching,
        background=_count(after, sound) if sound else Count(0, 0),
        probability_before=probability[0],
        probability_after=probability[1],
        verdict_after=str(after.summary["verdict"]),
        fault=str(faults[0]["type"]) if faults else "",
        difference=compute_difference_interval(whole[0], whole[1]),
        chance_lower=compute_chance_lower(*counts),
        features=compute_changes(before, after, match, cylinders),
        alike=_find_alike(before, after, looks, cylinders) if is_suspect else (),
        views=views,
        new_views=new_views,
        background_before=_count(before, sound) if sound else Count(0, 0),
        is_numbered=not before.is_unnumbered,
        is_open_after=_is_open(after, cylinders),
    )
    if not views:
        return made
    return replace(made, chance_lower=compute_chance_lower(made.seen_before, made.seen_after))


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
