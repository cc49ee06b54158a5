"""Nothing of the fault is to be seen after: whether that proves it gone."""

from __future__ import annotations

from dataclasses import replace

from misfire.comparison.features import FeatureChange
from misfire.comparison.group import CURED, IMPROVED, UNCHANGED, Group, Judged
from misfire.comparison.rates import RISK, RISK_CURED, compute_chance_unseen, compute_cycles_needed
from misfire.comparison.sentences import (
    write_left,
    write_rates,
    write_residue,
    write_step,
    write_step_left,
)
from misfire.comparison.views import MOSTLY, PLAIN_STEP, View
from misfire.diagnosis.verdict import LEAST_CYCLES
from misfire.dsp.chances import Count
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.wording import format_percent

FEWEST_CYCLES, BEYOND_DOUBT = 8, 1e-4  # so many do where the chance of seeing nothing is so small
RISK_SEEN = 0.01  # as `RISK_CURED`, where losses were only counted by what is odd
IN_BOUTS = 1.2  # bunching from which losses come in bouts
LIKELY_GONE = 0.2  # chance of a fault in bouts staying unseen, above which nothing is told
OPEN = 0.1  # probability below which an unsettled recording doubts something else
SAME = 0.2  # change of what a firing voltage is off by, below which it is none
NEVER_NONE = 1e-12  # no chance is told as none


def judge_silence(group: Group) -> Judged:
    """Judge a cylinder of whose fault nothing is to be seen after.

    Parameters
    ----------
    group : Group
        Whose losses before are established, without a sign of them after.

    Returns
    -------
    judged : Judged
        `cured` only where the recording after was long enough to have shown it.
    """
    before, after = group.seen_before, group.matched_after
    words = write_rates(before, after, group.seen_by, at_like_speeds=group.is_matched_in_part)
    # Firings odd beyond the others' are a rougher count than those judged lost.
    more = compute_cycles_needed(
        before, after.judged, risk=RISK_SEEN if group.seen_by else RISK_CURED
    )
    chance = max(compute_chance_unseen(before, after.judged), NEVER_NONE)
    least = LEAST_CYCLES if chance > BEYOND_DOUBT else FEWEST_CYCLES
    if after.judged < least:
        more = max(more or 0, least - after.judged)
    back = _write_good_step(group)
    if more and back and after.judged >= LEAST_CYCLES:
        words, more = f"{words}; {back}", 0
    if more == 0:
        return _judge_shown(group, words, chance)
    return _judge_unshown(group, words, chance, more)


def _judge_shown(group: Group, words: str, chance: float) -> Judged:
    """Long enough: nothing may be left but what was there before the fault."""
    before, after = group.seen_before, group.matched_after
    still = [v for v in group.views if v.may_be_as_many and not v.is_back]
    left = [f for f in group.features if f.was_off and f.is_off and not _is_trait(f)]
    # Of a cylinder that lost most of its firings, the level is what they lacked.
    mostly, alone = before.rate >= MOSTLY, len(group.cylinders) == 1
    level = [
        v
        for v in group.views
        if (v.step.is_left and not (alone and v.is_trait))
        or (mostly and v.quantity == "segment_accel" and v.step.is_halfway)
    ]
    seen: tuple[str, ...] = ()
    if not after.lost:
        seen = (
            f"were the fault still there as before, no loss in {after.judged} firings would "
            f"have a chance of {format_percent(chance)}",
        )
    if left:
        return Judged(
            group,
            IMPROVED,
            True,
            "better",
            (words, *seen, *(write_left(f) for f in left)),
        )
    if level:
        lacks = tuple(write_step_left(v.quantity, v.step) for v in level)
        return Judged(group, IMPROVED, True, "better", (words, *seen, *lacks))
    some_left = [v for v in group.views if v.is_of_level(before) and v.may_be_level]
    if some_left:
        lacks = tuple(write_step_left(v.quantity, v.step) for v in some_left)
        return Judged(group, IMPROVED, False, "better", (words, *seen, *lacks), after.judged)
    residue = _find_residue(group)
    if still or residue:
        view = (still or residue)[0]
        some = write_residue(view.quantity, view.again if still else view.residue[0])
        if still and view.fell > RISK:  # fewer by judgement alone
            return Judged(group, UNCHANGED, False, "same", (words, some), after.judged)
        return Judged(group, IMPROVED, False, "better", (words, some), after.judged)
    # A single call that looks nothing like the lost firings before is a false alarm.
    unlike = bool(group.alike) and not any(a.own.lost for a in group.alike)
    if after.lost and not unlike and not group.background.rate >= after.rate / 2:
        some = f"{after.lost} of {after.judged} firings is still judged lost"
        return Judged(group, IMPROVED, False, "better", (words, some), after.judged)
    # A mere suspicion counts only as long as the torque does not speak against it.
    # Where no number is sure, the suspicion may be of this one under another number.
    calm = not after.lost and any(v.after.chance > RISK for v in group.views[:1])
    calm = calm and group.is_numbered
    suspected = group.verdict_after != "no_misfire"
    if suspected and group.probability_after >= (FAULTY if calm else DOUBTFUL):
        doubt = (
            "it is still under suspicion after the repair "
            f"({format_percent(group.probability_after)})"
        )
        return Judged(group, IMPROVED, False, "better", (words, *seen, doubt))
    if group.is_open_after and group.probability_after >= OPEN:
        open_ = "the recording made after the repair does not settle whether anything is wrong"
        return Judged(group, IMPROVED, False, "better", (words, *seen, open_), after.judged)
    return Judged(group, CURED, True, "better", (words, *seen), 0)


def _judge_unshown(group: Group, words: str, chance: float, more: int | None) -> Judged:
    """Too short: the fault may only have stayed away."""
    before, after = group.seen_before, group.matched_after
    short = (
        f"were the fault still there as before, it could have stayed unseen in {after.judged} "
        f"firings with a chance of {format_percent(chance)}"
    )
    once = compute_chance_unseen(Count(before.lost, before.judged), after.judged)
    if after.judged >= LEAST_CYCLES and once <= RISK_CURED and chance <= LIKELY_GONE:
        bouts: tuple[str, ...] = ()
        if before.bunching > IN_BOUTS:
            single = before.lost / before.bunching
            bouts = (f"the losses came in bouts: they tell as little as {single:.0f} single ones",)
        return Judged(group, IMPROVED, False, "better", (words, *bouts, short), more)
    return Judged(group, UNCHANGED, False, "same", (words, short), more)


def _find_residue(group: Group) -> list[View]:
    """Find what single firings after still bear the signature of those lost before.

    Where lost firings lacked the spark as well, one that only lacks torque is none of them.
    """
    marked = [v for v in group.views if v.marks_lost]
    refuted = bool(marked) and not any(v.residue[0].lost for v in marked)
    return [v for v in group.views if v.has_residue and (v.marks_lost or not refuted)]


def _write_good_step(group: Group) -> str:
    """Say that firings which were not lost lacked torque as well before, and no longer do.

    Or that the coil's usual values were off, and have come back. Neither hangs on whether the
    losses came in bouts. Empty where it is not so.
    """
    for view in group.views[:1]:
        step = view.good_step
        back = min(step.chance_here, step.moved) <= PLAIN_STEP
        if view.quantity == "segment_accel" and back and not step.is_left:
            shown = replace(step, chance=min(step.chance, step.moved))
            return "for firings that were not lost as well: " + write_step(view.quantity, shown)
    for view in group.views:
        if view.quantity != "segment_accel" and view.has_step and not view.step.is_left:
            return write_step(view.quantity, view.step)
    return ""


def _is_trait(feature: FeatureChange) -> bool:
    """Whether a firing voltage is as it was: a gap or a lead of its own, as no loss came of it.

    Cylinders differ much in it, and on a waste-spark coil the two plugs do by their polarity.
    """
    same = abs(feature.off_after - feature.off_before) <= SAME * abs(feature.off_before)
    return feature.quantity == "firing_voltage_kv" and same
