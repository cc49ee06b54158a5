"""The word for a comparison: cured, improved, unchanged or not comparable, and why."""

from __future__ import annotations

import math

from misfire.comparison.features import FeatureChange
from misfire.comparison.group import (
    CHANCE,
    CURED,
    FEW_LOST,
    IMPROVED,
    NOT_COMPARABLE,
    UNCHANGED,
    USUAL_ALARMS,
    Group,
    Judged,
)
from misfire.comparison.rates import RISK, compute_chance_unseen, is_more_than
from misfire.comparison.sentences import (
    UNITS,
    write_feature,
    write_left,
    write_odd,
    write_rates,
    write_step,
    write_step_left,
)
from misfire.comparison.silence import judge_silence
from misfire.comparison.views import OFTEN, PLAIN, PLAIN_STEP
from misfire.diagnosis.verdict import LEAST_CYCLES
from misfire.dsp.chances import Count
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.wording import format_percent

CERTAIN = 0.8
SURE = 0.975
DROP = 0.4  # a rate or a deviation that fell by less is no improvement worth the word
SOME_CHANCE = 0.25  # of one or two losses before staying unseen
RISE = 1.5
A_FEW = 0.05  # share of the losses counted that were judged lost, below which those tell nothing
MANY_LOST = 10  # of a new fault, from which no doubt of it is listened to
LIFTED = 1.0  # spreads by which a cylinder under suspicion lay below the others


def judge_group(group: Group, *, comparable: bool) -> Judged:
    """Choose the word for one cylinder.

    Parameters
    ----------
    group : Group
    comparable : bool
        Whether conditions and channels allow any word.

    Returns
    -------
    judged : Judged
    """
    if not group.is_suspect:
        return _judge_other(group)
    if not comparable:
        return Judged(group, NOT_COMPARABLE, False, "same", ())
    present = _find_signs(group)
    if group.seen_before.lost >= FEW_LOST and is_established(group):
        if present:
            return _judge_rate(group, present)
        return judge_silence(group)
    return _judge_features(group, present)


def _find_signs(group: Group) -> list[str]:
    """Collect what shows that the fault is still there after."""
    signs = []
    after = group.after
    loses, them = ("they still lose", "them") if group.is_engine else ("it still loses", "it")
    if is_more_than(after, _find_background(group), risk=RISK):
        signs.append(f"{loses} combustions: {after.lost} of {after.judged} after the repair")
    if group.is_accused_after:
        signs.append(
            f"the recording made after the repair accuses {them} again "
            f"({format_percent(group.probability_after)})"
        )
    signs += [write_odd(v.quantity, v.after) for v in group.views if v.is_left]
    for alike in sorted(group.alike, key=lambda a: -a.own.lost)[:1]:
        if is_more_than(alike.own, alike.others, risk=CHANCE):
            name = UNITS[alike.quantity][0]
            signs.append(
                f"{alike.own.lost} of {alike.own.judged} firings after the repair look like the "
                f"lost ones before it (by their {name})"
            )
    return signs


def is_established(group: Group) -> bool:
    """Tell whether the losses before are more than false alarms.

    Parameters
    ----------
    group : Group

    Returns
    -------
    is_established : bool
    """
    if group.seen_by or any(v.before.is_plain for v in group.views):
        return True
    rest = group.background_before
    usual = USUAL_ALARMS if not rest.judged or rest.rate < USUAL_ALARMS.rate else rest
    return is_more_than(group.before, usual, risk=RISK)


def _find_background(group: Group) -> Count:
    """Give the false alarms of unsuspected cylinders; where none is left, what is usual."""
    return group.background if group.background.judged else USUAL_ALARMS


def _judge_rate(group: Group, signs: list[str]) -> Judged:
    """Fault still to be seen: fewer lost firings than before, or not."""
    before, after = group.seen_before, group.seen_after
    words = write_rates(
        before,
        after,
        group.seen_by,
        at_like_speeds=group.is_matched_in_part,
        is_judged=after == group.matched_after,
    )
    fell = after.rate <= (1 - DROP) * before.rate and not _is_hidden(group, after)
    alike = _is_as_weak(group)
    fell = (
        fell
        and not alike
        and not _is_judged_as_many(group)
        and not any(v.disagrees(group.matched_before) for v in group.views[:1])
    )
    if group.chance_lower >= SURE and fell:
        return Judged(group, IMPROVED, True, "better", (*signs, words))
    rose = after.rate >= RISE * before.rate and after.lost >= FEW_LOST and not alike
    if group.chance_lower <= 1 - SURE and rose:
        return Judged(group, UNCHANGED, True, "worse", (*signs, f"it got worse: {words}"))
    return Judged(group, UNCHANGED, True, "same", (*signs, words))


def _is_as_weak(group: Group) -> bool:
    """Tell whether a cylinder that fails often works as little as before.

    Then more or fewer firings judged lost are a matter of the judgement.
    """
    return group.seen_before.rate >= OFTEN and any(
        f.quantity == "segment_accel"
        and f.off_before <= -LIFTED
        and (1 - DROP) * f.off_before >= f.off_after
        and f.off_after >= f.off_before / (1 - DROP)
        for f in group.features
    )


def _is_hidden(group: Group, after: Count) -> bool:
    """Tell whether losses after are only not counted: none to be seen, but accused as before."""
    alike = any(
        f.was_off and f.is_off and abs(f.off_after) >= (1 - DROP) * abs(f.off_before)
        for f in group.features
    )
    weak = any(
        v.quantity == "segment_accel" and v.again.lost and v.fell > RISK for v in group.views
    )
    return after.lost < FEW_LOST and group.is_accused_after and (alike or weak)


def _is_judged_as_many(group: Group) -> bool:
    """Tell whether as many are judged lost as before, whatever else was counted.

    Not where they are only a few of those that were counted.
    """
    before, after = group.matched_before, group.matched_after
    some = before.lost >= A_FEW * group.seen_before.lost
    return some and after.lost >= FEW_LOST and after.rate > (1 - DROP) * before.rate


def _was_so_before(group: Group) -> bool:
    """Tell whether torque refutes a new accusation: it lacked as much in the recording before."""
    torque = [v for v in group.new_views if v.quantity == "segment_accel"]
    if not torque or group.after.lost >= MANY_LOST or any(v.has_odd for v in group.new_views):
        return False
    view = torque[0]
    known = math.isfinite(view.step.before) and view.step.before > 0
    return known and view.step.after >= (1 - DROP) * view.step.before and view.fell > RISK


def _judge_features(group: Group, signs: list[str]) -> Judged:
    """Judge a fault that hardly loses a firing by what was measured."""
    off = sorted((f for f in group.features if f.was_off), key=_weigh, reverse=True)
    mended = [f for f in off if _is_mended(f)]
    lifted = any(_is_lifted(f) for f in group.features)
    left = [f for f in off if f.is_off]
    words = tuple(write_feature(f) for f in (off or group.features)[:3])
    steps = [v for v in group.views if v.step.chance_here <= PLAIN_STEP]
    stepped = bool(steps)
    if stepped:
        words = (*(write_step(v.quantity, v.step) for v in steps), *words)
    level = [v for v in group.views if v.step.is_left]
    enough = group.matched_after.judged >= LEAST_CYCLES
    if signs:
        better = bool(off) and mended[:1] == off[:1]
        word = IMPROVED if better and enough else UNCHANGED
        return Judged(group, word, enough, "better" if better else "same", (*signs, *words))
    # Where both recordings show the way back, the second need not prove by itself that it is sound.
    back = stepped and group.verdict_after != "misfire"
    calm = group.verdict_after == "no_misfire" or (back and group.probability_after < DOUBTFUL)
    if stepped and level and enough:
        lacks = tuple(write_step_left(v.quantity, v.step) for v in level)
        return Judged(group, IMPROVED, True, "better", (*words, *lacks))
    sure = stepped or group.probability_before >= FAULTY
    changed = mended or stepped or lifted or _has_fallen(group)
    if calm and not left and enough and sure and changed:
        gone = (
            "it is no longer under suspicion "
            f"({format_percent(group.probability_before)} before, "
            f"{format_percent(group.probability_after)} after)"
        )
        return Judged(group, CURED, True, "better", (gone, *words), 0)
    more = None if enough else LEAST_CYCLES - group.matched_after.judged
    if calm and mended and enough:
        return Judged(group, IMPROVED, True, "better", (*words, *(write_left(f) for f in left)))
    none = () if words else ("nothing measured in both recordings shows the fault",)
    return Judged(group, UNCHANGED, bool(left), "same", (*words, *none), more)


def _judge_other(group: Group) -> Judged:
    """Say whether a cylinder that nobody suspected before is at fault now."""
    # Without a lost firing a mere suspicion is no new fault: the same vehicle had none before.
    least = FAULTY if group.after.lost >= FEW_LOST and group.has_risen else CERTAIN
    accused = group.verdict_after == "misfire" and group.probability_after >= least
    fell = group.before.lost >= FEW_LOST and group.after.rate < group.before.rate
    words = write_rates(group.before, group.after)
    # One that lost more before is not new, though nobody named it then.
    if accused and not fell and _was_so_before(group):
        why = (
            f"it is under suspicion after the repair ({format_percent(group.probability_after)}), "
            "but lacked as much torque before: that is not new"
        )
        return Judged(group, UNCHANGED, True, "same", (why, words))
    if accused and not fell:
        why = f"new after the repair: it is accused ({format_percent(group.probability_after)})"
        return Judged(group, UNCHANGED, True, "worse", (why, words), is_new=True)
    odd = [v for v in group.new_views if v.has_odd and v.is_clear and v.fell <= PLAIN]
    if odd:  # seen from the other side: before is after, and what is new has become more
        why = f"new after the repair: {write_odd(odd[0].quantity, odd[0].before)}"
        return Judged(group, UNCHANGED, True, "worse", (why,), is_new=True)
    return Judged(group, UNCHANGED, True, "same", ())


def _has_fallen(group: Group) -> bool:
    """Whether suspicion is plainly gone, and with it losses that were no false alarms."""
    gone = group.probability_before >= FAULTY and group.probability_after <= 0.1
    weaker = any(f.quantity == "segment_accel" and f.high < 0 for f in group.features)
    shown = compute_chance_unseen(group.before, group.after.judged) <= SOME_CHANCE
    fewer = group.before.lost > group.after.lost and shown
    return gone and fewer and is_established(group) and not weaker


def _weigh(feature: FeatureChange) -> float:
    """How much a quantity stands out before; spreads of torque weigh like a tenth of a log each."""
    scale = 0.1 if feature.quantity == "segment_accel" else 1.0
    return abs(feature.off_before) * scale


def _is_mended(feature: FeatureChange) -> bool:
    """Whether a quantity went back towards the others, beyond chance."""
    if not (math.isfinite(feature.off_before) and math.isfinite(feature.off_after)):
        return False
    sure = feature.low > 0 or feature.high < 0
    back = feature.off_after * feature.off_before <= 0
    return sure and (back or abs(feature.off_after) <= (1 - DROP) * abs(feature.off_before))


def _is_lifted(feature: FeatureChange) -> bool:
    """Whether a cylinder under suspicion works plainly more than before, and as the others do."""
    return (
        feature.quantity == "segment_accel"
        and feature.off_before <= -LIFTED
        and feature.low > 0
        and abs(feature.off_after) <= (1 - DROP) * abs(feature.off_before)
    )
