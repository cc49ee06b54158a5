"""The word for one cylinder: cured, improved, worse, unchanged or not settled, and why."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from misfire.comparison.features import FeatureChange
from misfire.comparison.rates import (
    RISK,
    RISK_CURED,
    compute_chance_lower,
    compute_chance_unseen,
    compute_cycles_needed,
)
from misfire.comparison.sentences import (
    write_feature,
    write_left,
    write_rates,
    write_remnant,
    write_sign_left,
)
from misfire.comparison.signs import LEAST_FIRINGS, MOSTLY, Sign
from misfire.diagnosis.verdict import LEAST_CYCLES
from misfire.dsp.chances import Count
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.wording import format_percent

Direction = Literal["better", "same", "worse"]

CURED, IMPROVED, WORSE = "cured", "improved", "worse"
UNCHANGED, NOT_SETTLED, NOT_COMPARABLE = "unchanged", "not_settled", "not_comparable"

SURE = 0.975  # probability of a lower rate: one side of a 95 % interval
DROP = 0.4  # a rate or an offset that fell by less than this share is no improvement
RISE = 1.5  # a rate that rose by less is not worse
MANY_TIMES = 3.0  # as many weak firings as lost ones: the weak ones are counted
FEWEST_CYCLES, BEYOND_DOUBT = 8, 1e-4  # so many do where the chance of seeing nothing is so small
RISK_SIGN = 0.01  # as RISK_CURED, where what was counted are not firings judged lost
SHARE_LEFT, RISK_LEFT = 0.15, 0.05  # of the torque lacking before; of a sound cylinder lacking it
IN_BOUTS = 1.2  # bunching from which losses come in bouts
LIKELY_GONE = 0.2  # chance of a fault in bouts staying unseen, above which nothing is told
OPEN = 0.1  # probability below which an unsettled recording doubts another cylinder
NEVER_NONE = 1e-12  # no chance is told as none


@dataclass(frozen=True, slots=True)
class Group:
    """All that is known of one cylinder (or of a pair that cannot be told apart) on both sides.

    `signs`: what its firings bear, in the order of SIGNS. `probability_*`: that it is faulty; of a
    pair, that one of them is. `torque_left`: share of the torque lacking before that is lacking
    still, and the chance of it in a sound cylinder. `is_numbered`: whether BEFORE told which
    cylinder is which.
    `is_open_after`: whether AFTER settles nothing, and not for a doubt about another cylinder.
    `is_engine`: whether these are all cylinders, judged as one. `is_ailing`: whether BEFORE shows
    bad sparks of it, and no misfire.
    """

    cylinders: tuple[int, ...]
    is_suspect: bool
    signs: tuple[Sign, ...]
    probability_before: float
    probability_after: float
    verdict_after: str
    fault: str
    features: tuple[FeatureChange, ...]
    torque_left: tuple[float, float] = (0.0, 1.0)
    is_numbered: bool = True
    is_open_after: bool = False
    is_engine: bool = False
    is_ailing: bool = False

    @property
    def lost(self) -> Sign:
        """The combustions judged lost."""
        return self.signs[0]

    @property
    def counted(self) -> Sign | None:
        """The sign by which the fault is counted; None where none is established before.

        Lost combustions come first, then weak ones, then bad sparks; where many times as many are
        weak as are lost, weak ones are the fault (a leak).
        """
        lost, weak, _ = self.signs
        if weak.is_established and weak.before.lost >= MANY_TIMES * lost.before.lost:
            return weak
        return next((s for s in self.signs if s.is_established), None)

    @property
    def is_accused_after(self) -> bool:
        """Whether AFTER accuses it by itself."""
        return self.probability_after >= FAULTY and self.verdict_after != "no_misfire"

    @property
    def is_matched_in_part(self) -> bool:
        """Whether some firings were at speeds that the other recording does not have."""
        lost = self.lost
        return (lost.before.judged, lost.after.judged) != (
            lost.whole_before.judged,
            lost.whole_after.judged,
        )


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
    left = _find_left(group)
    if group.counted is None:
        return _judge_features(group, left)
    return _judge_rate(group, group.counted, left) if left else _judge_gone(group, group.counted)


def _find_left(group: Group) -> list[str]:
    """Say what shows that the fault is still there after."""
    lost, weak, _ = group.signs
    told = lost.is_left and weak.whole_after.lost <= RISE * lost.whole_after.lost
    words = [
        write_sign_left(s, plural=group.is_engine)
        for s in group.signs
        if s.is_left and not (s is weak and told)
    ]
    if group.is_accused_after:
        them = "them" if group.is_engine else "it"
        words.append(
            f"the recording made after the repair accuses {them} again "
            f"({format_percent(group.probability_after)})"
        )
    return words


def _judge_rate(group: Group, counted: Sign, left: list[str]) -> Judged:
    """Fault still there: less of it than before, more, or as much."""
    pairs = [s.take_usual() for s in group.signs if s.is_established]
    before, after = (max((p[i] for p in pairs), key=lambda c: c.lost) for i in (0, 1))
    words = write_rates(
        counted.before, counted.after, counted.name, at_like_speeds=group.is_matched_in_part
    )
    if counted is group.lost and not group.is_matched_in_part:
        left = [w for w in left if w != write_sign_left(counted, plural=group.is_engine)]
    lower = compute_chance_lower(before, after)
    if lower >= SURE and after.rate <= (1 - DROP) * before.rate:
        return Judged(group, IMPROVED, True, "better", (words, *left))
    rose = after.lost >= LEAST_FIRINGS and after.rate >= RISE * before.rate
    if rose and lower <= 1 - SURE:
        return Judged(group, WORSE, True, "worse", (words, *left))
    return Judged(group, UNCHANGED, True, "same", (words, *left))


def _judge_gone(group: Group, counted: Sign) -> Judged:
    """No sign of the fault in AFTER: cured if AFTER is long enough to have shown it."""
    before, after = counted.before, counted.after
    words = write_rates(before, after, counted.name, at_like_speeds=group.is_matched_in_part)
    risk = RISK_CURED if counted is group.lost else RISK_SIGN
    more = compute_cycles_needed(before, after.judged, risk=risk)
    chance = max(compute_chance_unseen(before, after.judged), NEVER_NONE)
    least = LEAST_CYCLES if chance > BEYOND_DOUBT else FEWEST_CYCLES
    if after.judged < least:
        more = max(more or 0, least - after.judged)
    if more != 0:
        return _judge_too_short(group, counted, words, chance, more)
    if not after.lost:
        words += (
            f"; if the fault were still there as before, the chance of none in {after.judged} "
            f"firings would be {format_percent(chance)}"
        )
    share, by_chance = group.torque_left
    if before.rate >= MOSTLY and share >= SHARE_LEFT and by_chance <= RISK_LEFT:
        lacks = (
            f"it still lacks torque against the other cylinders, {100 * share:.0f} % of what it "
            f"lacked before (chance of this in a sound cylinder: {format_percent(by_chance)})"
        )
        return Judged(group, IMPROVED, True, "better", (words, lacks))
    lost, weak, _ = group.signs
    more_weak = weak.whole_after.lost > lost.whole_after.lost  # else the lost ones say it all
    remnants = tuple(
        write_remnant(s) for s in group.signs if s.has_remnant and (more_weak or s is not weak)
    )
    if remnants:
        return Judged(group, IMPROVED, False, "better", (words, *remnants), after.judged)
    doubt = _write_doubt(group)
    if doubt:
        return Judged(group, IMPROVED, False, "better", (words, doubt), after.judged)
    if after.lost:
        words += "; sound cylinders have as few by chance"
    return Judged(group, CURED, True, "better", (words,), 0)


def _judge_too_short(
    group: Group, counted: Sign, words: str, chance: float, more: int | None
) -> Judged:
    """No sign of the fault, but it may only have stayed away."""
    before, after = counted.before, counted.after
    short = (
        f"if the fault were still there as before, the chance of not seeing it in {after.judged} "
        f"firings would be {format_percent(chance)}"
    )
    if after.lost:
        short = "what is still lost may be fewer only by chance"
    bouts: tuple[str, ...] = ()
    if before.bunching > IN_BOUTS:
        single = max(1.0, before.lost / before.bunching)
        ones = "one single loss" if single < 1.5 else f"{single:.0f} single losses"
        bouts = (f"those before came in bouts and tell no more than {ones} would",)
    once = compute_chance_unseen(Count(before.lost, before.judged), after.judged)
    if after.judged >= LEAST_CYCLES and once <= RISK_CURED and chance <= LIKELY_GONE:
        return Judged(group, IMPROVED, False, "better", (words, *bouts, short), more)
    return Judged(group, NOT_SETTLED, False, "same", (words, *bouts, short), more)


def _write_doubt(group: Group) -> str:
    """Say that AFTER still doubts the cylinder; empty where it does not."""
    percent = format_percent(group.probability_after)
    if group.verdict_after != "no_misfire" and group.probability_after >= DOUBTFUL:
        return f"it is still under suspicion after the repair ({percent})"
    if group.is_open_after and group.probability_after >= OPEN:
        return "the recording made after the repair does not show whether anything is wrong"
    return ""


def _judge_features(group: Group, left: list[str]) -> Judged:
    """Judge a suspect that hardly bore a sign before by what was measured."""
    off = sorted((f for f in group.features if f.was_off), key=_weigh, reverse=True)
    mended = [f for f in off if _is_mended(f)]
    still = [f for f in off if f.is_off]
    words = tuple(write_feature(f) for f in (off or group.features)[:3])
    judged = group.lost.after.judged
    enough = judged >= LEAST_CYCLES
    if left:
        better = enough and bool(off) and mended[:1] == off[:1]
        word = IMPROVED if better else UNCHANGED if enough else NOT_SETTLED
        return Judged(group, word, enough, "better" if better else "same", (*left, *words))
    calm = group.verdict_after == "no_misfire" or group.probability_after < OPEN
    if calm and enough and not still and mended and group.probability_before >= FAULTY:
        gone = (
            "it is no longer under suspicion "
            f"({format_percent(group.probability_before)} before, "
            f"{format_percent(group.probability_after)} after)"
        )
        return Judged(group, CURED, True, "better", (gone, *words), 0)
    if calm and mended and enough:
        return Judged(group, IMPROVED, True, "better", (*words, *(write_left(f) for f in still)))
    none = () if words else ("nothing measured in both recordings shows the fault",)
    if still:
        return Judged(group, UNCHANGED, enough, "same", words)
    more = None if enough else LEAST_CYCLES - judged
    return Judged(group, NOT_SETTLED, False, "same", (*words, *none), more)


def _judge_other(group: Group) -> Judged:
    """Judge a cylinder that was not under suspicion before: new if accused, with more of a sign."""
    if not group.is_accused_after or group.verdict_after != "misfire":
        return Judged(group, UNCHANGED, True, "same", ())
    if not any(s.is_left for s in group.signs):  # the same vehicle had no fault there before
        return Judged(group, UNCHANGED, True, "same", ())
    percent = format_percent(group.probability_after)
    risen = [s for s in group.signs if s.whole_after.lost >= LEAST_FIRINGS and s.rose <= RISK]
    if risen:
        words = write_rates(risen[0].whole_before, risen[0].whole_after, risen[0].name)
        why = f"new after the repair: it is accused ({percent})"
        return Judged(group, WORSE, True, "worse", (why, words), is_new=True)
    words = write_rates(group.lost.whole_before, group.lost.whole_after, group.lost.name)
    why = f"it is accused after the repair ({percent}), but shows no more than before beyond chance"
    return Judged(group, UNCHANGED, False, "same", (why, words))


def _weigh(feature: FeatureChange) -> float:
    """How much a quantity stands out before; spreads of torque weigh like a tenth of a log each."""
    scale = 0.1 if feature.quantity == "segment_accel" else 1.0
    return abs(feature.off_before) * scale


def _is_mended(feature: FeatureChange) -> bool:
    """Whether a quantity went back towards the other cylinders, beyond chance."""
    if not (math.isfinite(feature.off_before) and math.isfinite(feature.off_after)):
        return False
    sure = feature.low > 0 or feature.high < 0
    back = feature.off_after * feature.off_before <= 0
    return sure and (back or abs(feature.off_after) <= (1 - DROP) * abs(feature.off_before))
