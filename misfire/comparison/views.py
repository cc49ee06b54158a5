"""Odd firings of one cylinder beside those of the others, before and after: exact chances."""

from __future__ import annotations

import math
from dataclasses import dataclass

from misfire.dsp.chances import Count, compute_fisher

PLAIN = 1e-3  # chance below which odd firings are no accident
SURE = 1e-5  # chance below which they need not become fewer to be believed
LEFT = 0.01  # chance of odd firings being as many after, above which nothing is called cured
PLAIN_STEP = 1e-2  # the same of a level, which is asked to be off before and to move
PLAIN_AFTER = 5e-3  # chance below which a fault is still at work
MOST_FELL = 0.05  # chance that odd firings are as many after
BOTH = 0.025  # chance of odd firings that became fewer, in any cylinder: as for `cured`
CLEAR = 3.0  # spreads from which weak firings need not be weighed against strong ones
PERHAPS_LEFT = 0.05  # chance of standing out so far after, above which it may be an accident
MOSTLY = 0.5  # share lost from which the middle firing is a lost one
BACK = 0.5  # a level has come back that lost this share of its offset
SOME = 0.3  # of a level, that counts as still there
OFTEN = 0.2  # share lost below which the middle firing tells nothing of the lost ones
ALIKE = 0.4  # of a level, within which it is the same one
LEVEL_LEFT = 0.2  # share of what a cylinder lacked that is worth a word when it is still lacking
FEW_ODD = 3  # odd firings before that make a signature
RESIDUE = 0.05  # chance of firings with the signature by accident, above which they are no residue
HARDLY_ANY, RESIDUE_NONE = 1, 0.2  # the same where the others have so few that one is rare
LEAST_SHARE = 0.02  # of how often they came before, below which they are chance
MORE = 1.2
HARDLY = 0.6  # share of what was odd before
RESIDUE_ALONE, RESIDUE_SHARE = 2, 0.05  # firings, share of before: where no sound cylinder tells


@dataclass(frozen=True, slots=True)
class Excess:
    """Odd firings of one cylinder (or pair) beside those of the others.

    `chance`: of so many by accident, from 0 to 1. `lost`: how many are beyond what the others have.
    """

    own: Count
    others: Count
    bound: float
    chance: float
    lost: Count = Count(0, 0)

    @property
    def is_plain(self) -> bool:
        """Whether accident is ruled out."""
        return self.chance <= PLAIN


NO_EXCESS = Excess(Count(0, 0), Count(0, 0), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Step:
    """How far a cylinder stands from the others before and after, to the side of the fault.

    `chance`: of standing out so far before and of coming so far back, by what the others do, in
    any of `tries` cylinders and quantities; `left`: of standing out so far after; `moved`: of so
    far a change by what the others' changes are, whatever is usual. `kept`: share of the offset
    that is still there as a torque, which the speed does not change; NaN where it is none.
    """

    before: float
    after: float
    chance: float
    left: float = 1.0
    tries: int = 1
    moved: float = 1.0
    kept: float = math.nan

    @property
    def chance_here(self) -> float:
        """The same chance where the cylinder was under suspicion already."""
        return self.chance / self.tries if self.chance < 1.0 else 1.0

    @property
    def is_halfway(self) -> bool:
        """Whether more than half of what it stood out by is still there."""
        kept = self.after > BACK * self.before or self.kept > BACK
        return self.before > 0 and kept and self.left <= PERHAPS_LEFT

    @property
    def is_left(self) -> bool:
        """Whether it still stands out, if less, to the side to which it did."""
        return self.after >= LEVEL_LEFT * self.before > 0 and self.left <= PLAIN_STEP


NO_STEP = Step(math.nan, math.nan, 1.0)


@dataclass(frozen=True, slots=True)
class View:
    """What one quantity of both recordings together tells of one cylinder or pair.

    `after` counts every firing, `like` those at speeds that both recordings have, as `before`
    does; `again` and `again_others` are the counts of `like` at the bound of `before`.
    `was_lost`, `again_lost`: firings beyond the others' that are as odd as the lost ones before.
    `residue`: firings of all AFTER as odd as those of BEFORE, the cylinder's and those of the
    others in both recordings; `residue_spread`: the chance of them by how the others differ;
    `beside`: those of the others in AFTER alone, which may have run rougher.
    `has_others`: whether `before` is set against other cylinders, not against AFTER. `tries`:
    cylinders or pairs among which one is looked for. `marks_lost`: whether the firings
    judged lost before are odd by this. `standing_out`: firings of `residue` that are odd beyond
    anything that the tail of all firings leads to. `has_sound`: whether the others of `residue`
    were plainly less odd before. `good_step`: as `step`, of firings that were not judged lost.
    """

    quantity: str
    before: Excess
    after: Excess
    like: Excess
    again: Count
    step: Step
    was_lost: Count = Count(0, 0)
    again_lost: Count = Count(0, 0)
    again_others: Count = Count(0, 0)
    residue: tuple[Count, Count] = (Count(0, 0), Count(0, 0))
    residue_spread: float = 0.0
    beside: Count = Count(0, 0)
    marks_lost: bool = False
    standing_out: int = 0
    has_sound: bool = False
    good_step: Step = NO_STEP
    has_others: bool = False
    tries: int = 1

    @property
    def fell(self) -> float:
        """Chance that odd firings are only by accident fewer after."""
        return compute_fisher(self.before.own, self.again)

    @property
    def shifted(self) -> float:
        """Chance that of all odd firings the cylinder had only by accident more before.

        Neither a cylinder that always runs rougher nor a recording in which all do changes it.
        """
        here, there = (
            Count(own.lost, own.lost + others.lost)
            for own, others in (
                (self.before.own, self.before.others),
                (self.again, self.again_others),
            )
        )
        return compute_fisher(here, there) if self.has_others else 1.0

    @property
    def shows_change(self) -> bool:
        """Whether a fault is to be seen before that both recordings together prove."""
        return self.has_odd or self.has_step

    @property
    def has_odd(self) -> bool:
        """Whether firings are odd before, and fewer after or beyond any doubt.

        Beside the other cylinders it may be a rough one, beside its own firings after the engine
        may have run rougher: both have to be ruled out, in any of the cylinders, and a rougher
        combustion is none that was lost.
        """
        sure = self.before.chance <= SURE or self.fell <= MOST_FELL
        both = max(self.before.chance, self.fell) * self.tries <= BOTH
        return (both and self.is_clear) or (self.before.is_plain and sure)

    @property
    def has_fallen(self) -> bool:
        """Whether firings plainly odd for themselves became fewer, the cylinder's alone."""
        return self.is_clear and max(self.fell, self.shifted) <= LEFT

    @property
    def is_clear(self) -> bool:
        """Whether odd firings are more than a rougher run of the cylinder or the engine."""
        rough = self.quantity == "segment_accel" and self.before.bound < CLEAR
        return self.has_others and not rough

    @property
    def may_be_as_many(self) -> bool:
        """Whether odd firings, plain before, may be no fewer after, and more than the others'."""
        if not (self.before.is_plain and self.again.lost and self.fell > LEFT):
            return False
        if self.shifted <= LEFT:
            return False
        others = self.again_others
        return not others.judged or compute_fisher(self.again, others) <= RESIDUE_NONE

    def count_alike(self, before: Count) -> tuple[Count, Count]:
        """Count odd firings beyond the others', before and after, by the same bound.

        Parameters
        ----------
        before : Count
            Firings judged lost before: where hardly any is odd, they stand in for those that are.

        Returns
        -------
        before, after : Count
        """
        if not self.before.is_plain or not self.again.judged:
            return before, self.like.lost
        odd = count_beyond(self.before.own, self.before.others)
        # Of a cylinder that fails most of the time the usual firing is a lost one, and not odd.
        if before.rate >= MOSTLY and before.lost > odd.lost:
            odd = Count(before.lost, before.judged, odd.bunching)
        return odd, count_beyond(self.again, self.again_others)

    @property
    def is_back(self) -> bool:
        """Whether the level plainly came back: weak firings were the end of its scatter."""
        back = max(self.step.chance_here, self.step.moved) <= PLAIN_STEP
        return self.quantity == "segment_accel" and back and not self.step.is_left

    @property
    def may_be_level(self) -> bool:
        """Whether some of what a cylinder lacked all the time may still be lacking."""
        step = self.step
        kept = step.after > SOME * step.before or step.kept > SOME
        return step.before > 0 and kept and step.left <= RESIDUE_NONE

    def is_of_level(self, judged: Count) -> bool:
        """Whether the firings judged lost before were the cylinder's usual ones, not odd ones.

        Parameters
        ----------
        judged : Count
            Firings judged lost before.

        Returns
        -------
        is_of_level : bool
        """
        odd = self.before.lost.lost < HARDLY * judged.lost
        return self.quantity == "segment_accel" and judged.rate >= OFTEN and odd

    @property
    def is_trait(self) -> bool:
        """Whether what is left of a level is how the firings that were not lost were before."""
        good, now = self.good_step.before, self.step.after
        return now < BACK * self.step.before and abs(good - now) <= ALIKE * now

    @property
    def has_step(self) -> bool:
        """Whether the cylinder stood apart before, and came back."""
        return self.step.chance <= PLAIN_STEP

    @property
    def is_believed(self) -> bool:
        """Whether odd firings before are no accident, by themselves or by having become fewer."""
        return self.before.chance <= PLAIN_AFTER or self.has_odd or self.has_fallen

    @property
    def is_left(self) -> bool:
        """Whether firings are still odd after."""
        return self.after.chance <= PLAIN_AFTER

    @property
    def has_residue(self) -> bool:
        """Whether single firings after bear the signature of those before.

        Sound cylinders tell how often that is an accident. Where none was measured, or all share
        the fault, as on one coil, some of them are enough, if those before were lost by it or have
        become fewer with the fault.
        """
        own, others = self.residue
        before = self.before
        if self.standing_out and self.is_believed:
            return True
        if before.own.lost < FEW_ODD or not own.lost or own.rate < LEAST_SHARE * before.own.rate:
            return False
        if others.judged and (self.is_believed or self.has_sound):
            bound = RESIDUE_NONE if others.lost <= HARDLY_ANY else RESIDUE
            if self.beside.judged and compute_fisher(own, self.beside) > RESIDUE_NONE:
                return False
            return max(compute_fisher(own, others), self.residue_spread) <= bound
        many = own.lost >= RESIDUE_ALONE and own.rate >= RESIDUE_SHARE * before.own.rate
        spark = self.quantity != "segment_accel"  # roughness becomes less for many reasons
        return many and (self.marks_lost or (spark and self.fell <= SURE))

    def disagrees(self, judged: Count) -> bool:
        """Whether firings are hardly less odd after, and more were so before than were judged lost.

        Then fewer judged lost may be a matter of the judgement.

        Parameters
        ----------
        judged : Count
            Firings judged lost before.

        Returns
        -------
        disagrees : bool
        """
        was, now = self.was_lost, self.again_lost
        more = self.before.lost.lost > MORE * judged.lost
        if not (self.before.is_plain and more) or was.lost < FEW_ODD or not now.judged:
            return False
        return now.rate > HARDLY * was.rate


def count_beyond(own: Count, others: Count) -> Count:
    """Take from a count what the others would have in its place.

    Parameters
    ----------
    own, others : Count

    Returns
    -------
    lost : Count
    """
    usual = others.rate * own.judged if others.judged else 0.0
    return Count(max(0, round(own.lost - usual)), own.judged, own.bunching)
