"""The word for a comparison: cured, improved, unchanged or not comparable, and why."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from misfire.batch.comparison_features import FeatureChange
from misfire.batch.comparison_rates import (
    RISK,
    Count,
    compute_chance_unseen,
    compute_cycles_needed,
    is_more_than,
)
from misfire.batch.comparison_signature import Alike
from misfire.report.summary import to_plain
from misfire.report.wording import format_percent, format_value

CURED, IMPROVED, UNCHANGED, NOT_COMPARABLE = "cured", "improved", "unchanged", "not comparable"
Direction = Literal["better", "same", "worse"]

FAULTY, DOUBTFUL = 0.5, 0.3  # as in the verdict of one recording
LEAST_CYCLES = 15
FEW_LOST = 3  # fewer lost firings before: the fault is judged by what was measured
SURE = 0.975
DROP = 0.4  # a rate or a deviation that fell by less is no improvement worth the word
RISE = 1.5
USUAL_ALARMS = Count(3, 1000)  # sound firings called lost on simulated vehicles: fewer than this
CHANCE = 0.01  # of calling firings alike to lost ones that are not


@dataclass(frozen=True, slots=True)
class Group:
    """All that is known of one cylinder (or of a pair that cannot be told apart) on both sides.

    `matched_*` count firings at speeds that both recordings have; `background` the firings after
    of cylinders that nobody suspects.
    """

    cylinders: tuple[int, ...]
    is_suspect: bool
    before: Count
    after: Count
    matched_before: Count
    matched_after: Count
    bunching: float
    background: Count
    probability_before: float
    probability_after: float
    verdict_after: str
    fault: str
    difference: tuple[float, float]
    chance_lower: float
    features: tuple[FeatureChange, ...]
    alike: tuple[Alike, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """What is said of one group."""

    group: Group
    word: str
    settled: bool
    direction: Direction
    reasons: tuple[str, ...]
    cycles_needed: int | None = None
    is_new: bool = False

    def describe(self) -> list[dict[str, Any]]:
        """Give the entries of compare.json, one for each cylinder of the group."""
        g = self.group
        return [
            {
                "cylinder": cylinder,
                "pair": list(g.cylinders) if len(g.cylinders) > 1 else None,
                "suspect": g.is_suspect,
                "new_fault": self.is_new,
                "fault": g.fault if g.is_suspect else None,
                "verdict": self.word if g.is_suspect or self.is_new else None,
                "settled": self.settled,
                "direction": self.direction,
                "reasons": list(self.reasons),
                "cycles_needed": self.cycles_needed,
                "before": _describe_count(g.before, g.probability_before),
                "after": _describe_count(g.after, g.probability_after),
                "matched": {
                    "before": _describe_count(g.matched_before, None),
                    "after": _describe_count(g.matched_after, None),
                    "bunching": to_plain(g.bunching),
                    "chance_unseen": to_plain(
                        compute_chance_unseen(g.matched_before, g.matched_after.judged)
                    ),
                    "chance_lower": to_plain(g.chance_lower),
                },
                "rate_change": {
                    "value": to_plain(g.after.rate - g.before.rate),
                    "low": to_plain(g.difference[0]),
                    "high": to_plain(g.difference[1]),
                },
                "features": [_describe_feature(f) for f in g.features],
            }
            for cylinder in g.cylinders
        ]


@dataclass(frozen=True, slots=True)
class Whole:
    """What is said of the vehicle."""

    word: str
    settled: bool
    direction: Direction | None
    headline: str
    reasons: tuple[str, ...]
    cycles_needed: int | None


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
    if group.matched_before.lost >= FEW_LOST:
        if present:
            return _judge_rate(group, present)
        return _judge_silence(group)
    return _judge_features(group, present)


def _find_signs(group: Group) -> list[str]:
    """Collect what shows that the fault is still there after."""
    signs = []
    after = group.after
    if is_more_than(after, _find_background(group), risk=RISK):
        signs.append(f"it still loses combustions: {after.lost} of {after.judged} after the repair")
    if group.probability_after >= FAULTY:
        signs.append(
            "the recording made after the repair accuses it again "
            f"({format_percent(group.probability_after)})"
        )
    for alike in sorted(group.alike, key=lambda a: -a.own.lost)[:1]:
        if is_more_than(alike.own, alike.others, risk=CHANCE):
            name = _UNITS[alike.quantity][0]
            signs.append(
                f"{alike.own.lost} of {alike.own.judged} firings after the repair look like the "
                f"lost ones before it (by their {name})"
            )
    return signs


def _find_background(group: Group) -> Count:
    """Give the false alarms of unsuspected cylinders; where none is left, what is usual."""
    return group.background if group.background.judged else USUAL_ALARMS


def _judge_rate(group: Group, signs: list[str]) -> Judged:
    """Fault still to be seen: fewer lost firings than before, or not."""
    before, after = group.matched_before, group.matched_after
    words = _write_rates(before, after)
    fell = after.rate <= (1 - DROP) * before.rate
    if group.chance_lower >= SURE and fell:
        return Judged(group, IMPROVED, True, "better", (*signs, words))
    rose = after.rate >= RISE * before.rate and after.lost >= FEW_LOST
    if group.chance_lower <= 1 - SURE and rose:
        return Judged(group, UNCHANGED, True, "worse", (*signs, f"it got worse: {words}"))
    return Judged(group, UNCHANGED, True, "same", (*signs, words))


def _judge_silence(group: Group) -> Judged:
    """No sign of the fault after: was the recording long enough to have shown it."""
    before, after = group.matched_before, group.matched_after
    words = _write_rates(before, after)
    more = compute_cycles_needed(before, after.judged)
    if after.judged < LEAST_CYCLES:
        more = max(more or 0, LEAST_CYCLES - after.judged)
    chance = compute_chance_unseen(before, after.judged)
    left = [f for f in group.features if f.was_off and f.is_off]
    if more == 0:
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
                (words, *seen, *(_write_left(f) for f in left)),
            )
        # A single call that looks nothing like the lost firings before is a false alarm.
        unlike = bool(group.alike) and not any(a.own.lost for a in group.alike)
        if after.lost and not unlike and not group.background.rate >= after.rate / 2:
            some = f"{after.lost} of {after.judged} firings is still judged lost"
            return Judged(group, IMPROVED, False, "better", (words, some), after.judged)
        if group.probability_after >= DOUBTFUL:
            doubt = (
                "it is still under suspicion after the repair "
                f"({format_percent(group.probability_after)})"
            )
            return Judged(group, IMPROVED, False, "better", (words, *seen, doubt))
        return Judged(group, CURED, True, "better", (words, *seen), 0)
    short = (
        f"were the fault still there as before, it could have stayed unseen in {after.judged} "
        f"firings with a chance of {format_percent(chance)}"
    )
    once = Count(before.lost, before.judged)
    if after.judged >= LEAST_CYCLES and compute_chance_unseen(once, after.judged) <= RISK:
        bouts = (
            f"the losses came in bouts: they tell as little as {before.lost / group.bunching:.0f} "
            "single ones"
        )
        return Judged(group, IMPROVED, False, "better", (words, bouts, short), more)
    return Judged(group, UNCHANGED, False, "same", (words, short), more)


def _judge_features(group: Group, signs: list[str]) -> Judged:
    """Judge a fault that hardly loses a firing by what was measured."""
    off = sorted((f for f in group.features if f.was_off), key=_weigh, reverse=True)
    mended = [f for f in off if _is_mended(f)]
    left = [f for f in off if f.is_off]
    words = tuple(_write_feature(f) for f in (off or group.features)[:3])
    enough = group.matched_after.judged >= LEAST_CYCLES
    if signs:
        better = bool(off) and mended[:1] == off[:1]
        word = IMPROVED if better and enough else UNCHANGED
        return Judged(group, word, enough, "better" if better else "same", (*signs, *words))
    calm = group.probability_after < DOUBTFUL and group.verdict_after == "no_misfire"
    if calm and not left and enough and (mended or _has_fallen(group)):
        gone = (
            "it is no longer under suspicion "
            f"({format_percent(group.probability_before)} before, "
            f"{format_percent(group.probability_after)} after)"
        )
        return Judged(group, CURED, True, "better", (gone, *words), 0)
    more = None if enough else LEAST_CYCLES - group.matched_after.judged
    if calm and mended and enough:
        return Judged(group, IMPROVED, True, "better", (*words, *(_write_left(f) for f in left)))
    none = () if words else ("nothing measured in both recordings shows the fault",)
    return Judged(group, UNCHANGED, bool(left), "same", (*words, *none), more)


def _judge_other(group: Group) -> Judged:
    """Say whether a cylinder that nobody suspected before is at fault now."""
    accused = group.verdict_after == "misfire" and group.probability_after >= FAULTY
    fell = group.before.lost >= FEW_LOST and group.after.rate < group.before.rate
    if not accused or fell:  # one that lost more before is not new, though nobody named it then
        return Judged(group, UNCHANGED, True, "same", ())
    words = _write_rates(group.before, group.after)
    return Judged(
        group,
        UNCHANGED,
        True,
        "worse",
        (
            f"new after the repair: it is accused ({format_percent(group.probability_after)})",
            words,
        ),
        is_new=True,
    )


def judge_vehicle(
    judged: list[Judged],
    *,
    reasons: tuple[str, ...],
    before: dict[str, Any],
    after: dict[str, Any],
) -> Whole:
    """Choose the word for the vehicle from those of its cylinders.

    Parameters
    ----------
    judged : list of Judged
    reasons : tuple of str
        Why nothing can be compared; empty where it can.
    before, after : dict
        The documents of both results.

    Returns
    -------
    whole : Whole
    """
    suspects = [j for j in judged if j.group.is_suspect]
    new = [j for j in judged if j.is_new]
    if reasons:
        extra = tuple(
            f"{_name(j.group)} is at fault in the recording made after the repair"
            for j in judged
            if j.group.probability_after >= FAULTY and after["verdict"] == "misfire"
        )
        return Whole(
            NOT_COMPARABLE,
            False,
            None,
            "Not comparable: the two recordings do not answer the question",
            (*reasons, *extra),
            None,
        )
    if not suspects:
        return _judge_nothing(new, before, after)
    words = {j.word for j in suspects}
    needed = [j.cycles_needed for j in suspects if j.cycles_needed]
    more = max(needed) if needed else None
    settled = all(j.settled for j in suspects)
    own = tuple(f"{_name(j.group)}: {r}" for j in suspects for r in j.reasons)
    names = " and ".join(_name(j.group) for j in suspects)
    if new:
        return _judge_moved(suspects, new, own)
    if words == {CURED} or _is_cured_together(judged, suspects):
        return Whole(CURED, True, "better", f"Cured: {names} no longer fails", own, 0)
    if words <= {UNCHANGED}:
        if not settled:
            line = f"Not settled: too little was recorded to tell whether {names} still fails"
            return Whole(UNCHANGED, False, "same", line, own, more)
        worse = any(j.direction == "worse" for j in suspects)
        line = f"Worse than before: {names}" if worse else f"Unchanged: {names} still fails"
        return Whole(UNCHANGED, True, "worse" if worse else "same", line, own, more)
    line = f"Improved, not cured: {names}" if settled else f"Improved, not yet proven: {names}"
    return Whole(IMPROVED, settled, "better", line, own, more)


def _is_cured_together(judged: list[Judged], suspects: list[Judged]) -> bool:
    """Tell whether a fault of all cylinders at once, as of a shared coil, is gone.

    Each cylinder by itself may have lost too few to settle it; together they need not.
    """
    silent = all(j.word == CURED or (not j.settled and j.cycles_needed) for j in suspects)
    if len(suspects) < len(judged) or len(judged) < 2 or not silent:
        return False
    total = Count(
        sum(j.group.matched_before.lost for j in suspects),
        sum(j.group.matched_before.judged for j in suspects),
        max(j.group.bunching for j in suspects),
    )
    judged_after = min(j.group.matched_after.judged for j in suspects)
    chance = compute_chance_unseen(total, judged_after * len(suspects))
    return chance <= RISK and judged_after >= LEAST_CYCLES


def _judge_nothing(new: list[Judged], before: dict[str, Any], after: dict[str, Any]) -> Whole:
    """Nobody was at fault before."""
    start = (
        "the recording made before shows no fault"
        if before["verdict"] == "no_misfire"
        else "the recording made before does not settle who is at fault"
    )
    if new:
        names = " and ".join(_name(j.group) for j in new)
        own = tuple(f"{_name(j.group)}: {r}" for j in new for r in j.reasons)
        return Whole(
            UNCHANGED,
            True,
            "worse",
            f"Worse than before: {names} fails now",
            (start, *own),
            None,
        )
    settled = before["verdict"] == "no_misfire" and after["verdict"] == "no_misfire"
    return Whole(
        UNCHANGED,
        settled,
        "same",
        "Unchanged: no fault to be seen before, none after"
        if settled
        else "Not settled: no fault was established before, so none can be called cured",
        (start,),
        None,
    )


def _judge_moved(suspects: list[Judged], new: list[Judged], own: tuple[str, ...]) -> Whole:
    """Another cylinder is at fault now: the vehicle is not cured, whatever became of the first."""
    now = " and ".join(_name(j.group) for j in new)
    reasons = (*own, *(f"{_name(j.group)}: {r}" for j in new for r in j.reasons))
    gone = all(j.word == CURED for j in suspects)
    lost = [sum(getattr(j.group, side).lost for j in (*suspects, *new)) for side in _SIDES]
    of = [sum(getattr(j.group, side).judged for j in (*suspects, *new)) for side in _SIDES]
    rates = [k / n if n else math.nan for k, n in zip(lost, of, strict=True)]
    first = " and ".join(_name(j.group) for j in suspects)
    if gone:
        line = f"{first} no longer fails, but {now} does now: was a part swapped between them?"
    else:
        line = f"{now} fails now, which did not before"
    better = any(j.word in (CURED, IMPROVED) for j in suspects) and rates[1] <= (
        (1 - DROP) * rates[0]
    )
    word = IMPROVED if better else UNCHANGED
    return Whole(
        word, True, "better" if better else "worse", line[:1].upper() + line[1:], reasons, None
    )


_SIDES = ("before", "after")


def _name(group: Group) -> str:
    """Name a cylinder or a pair."""
    if len(group.cylinders) > 1:
        return f"cylinders {group.cylinders[0]} or {group.cylinders[1]}"
    return f"cylinder {group.cylinders[0]}"


def _has_fallen(group: Group) -> bool:
    """Whether suspicion is plainly gone."""
    return group.probability_before >= FAULTY and group.probability_after <= 0.1


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


_UNITS = {
    "dwell_ms": ("dwell", "ms", 2),
    "peak_current_a": ("peak primary current", "A", 2),
    "firing_voltage_kv": ("firing voltage", "kV", 1),
    "burn_time_ms": ("burn time", "ms", 2),
    "burn_voltage_kv": ("burn voltage", "kV", 2),
    "segment_accel": ("segment acceleration", "1/s²", 0),
}


def _write_feature(feature: FeatureChange) -> str:
    """Say how a quantity changed."""
    name, unit, decimals = _UNITS[feature.quantity]
    return (
        f"{name} {format_value(feature.before, decimals)} before, "
        f"{format_value(feature.after, decimals)} {unit} after (change at like speeds "
        f"{format_value(feature.low, decimals)} to {format_value(feature.high, decimals)} {unit})"
    )


def _write_left(feature: FeatureChange) -> str:
    """Say that a quantity still stands apart."""
    name, unit, decimals = _UNITS[feature.quantity]
    if feature.quantity == "segment_accel":
        return f"its {name} is still below that of the other cylinders"
    share = 100 * abs(math.expm1(feature.off_after))
    word = "above" if feature.off_after > 0 else "below"
    return (
        f"its {name} is still {share:.0f} % {word} that of the other cylinders "
        f"({format_value(feature.after, decimals)} {unit})"
    )


def _write_rates(before: Count, after: Count) -> str:
    """Say both counts."""
    return (
        f"lost {before.lost} of {before.judged} before ({format_percent(before.rate)}), "
        f"{after.lost} of {after.judged} after ({format_percent(after.rate)})"
    )


def _describe_count(count: Count, probability: float | None) -> dict[str, Any]:
    """Give a count with its exact interval."""
    low, high = count.interval()
    made = {
        "lost": count.lost,
        "judged": count.judged,
        "rate": to_plain(count.rate),
        "low": to_plain(low),
        "high": to_plain(high),
    }
    return made if probability is None else made | {"probability": to_plain(probability)}


def _describe_feature(feature: FeatureChange) -> dict[str, Any]:
    """Give the entry of one quantity."""
    return {
        "quantity": feature.quantity,
        "before": to_plain(feature.before),
        "after": to_plain(feature.after),
        "change": to_plain(feature.change),
        "low": to_plain(feature.low),
        "high": to_plain(feature.high),
        "n_before": feature.n_before,
        "n_after": feature.n_after,
        "off_before": to_plain(feature.off_before),
        "off_after": to_plain(feature.off_after),
        "was_off": feature.was_off,
        "is_off": feature.is_off,
    }
