"""One cylinder on both sides of a comparison: what is known of it, and what is said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

from misfire.comparison.features import FeatureChange
from misfire.comparison.rates import RISK, compute_chance_unseen, is_more_than
from misfire.comparison.signature import Alike
from misfire.comparison.views import Excess, View
from misfire.dsp.chances import Count, compute_fisher
from misfire.limits import DOUBTFUL, FAULTY
from misfire.report.summary import to_plain

Direction = Literal["better", "same", "worse"]

CURED, IMPROVED, UNCHANGED, NOT_COMPARABLE = "cured", "improved", "unchanged", "not comparable"
CHANCE = 0.01  # of calling firings alike to lost ones that are not
USUAL_ALARMS = Count(3, 1000)  # sound firings called lost on simulated vehicles: fewer than this
MANY = 3.0
FEW_LOST = 3  # fewer lost firings before: the fault is judged by what was measured


@dataclass(frozen=True, slots=True)
class Group:
    """All that is known of one cylinder (or of a pair that cannot be told apart) on both sides.

    `matched_*` count firings at speeds that both recordings have; `background` the firings after
    of cylinders that nobody suspects. `views`: what both recordings together show of a suspect;
    `new_views`: the same with before and after exchanged, of one that is none. `is_numbered`:
    whether BEFORE told which cylinder is which. `is_open_after`: whether AFTER settles nothing, and
    not for a doubt about some other cylinder. `is_engine`: whether these are all cylinders, judged
    as one.
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
    views: tuple[View, ...] = ()
    new_views: tuple[View, ...] = ()
    background_before: Count = Count(0, 0)
    is_numbered: bool = True
    is_open_after: bool = False
    is_engine: bool = False

    @property
    def is_accused_after(self) -> bool:
        """Whether the recording after suspects it by itself; a pair's share is not enough."""
        return self.probability_after >= FAULTY and self.verdict_after != "no_misfire"

    @property
    def is_matched_in_part(self) -> bool:
        """Whether some firings were at speeds that the other recording does not have."""
        judged = self.before.judged, self.after.judged
        return judged != (self.matched_before.judged, self.matched_after.judged)

    @property
    def has_risen(self) -> bool:
        """Whether more is judged lost after than before, beyond chance."""
        return compute_fisher(self.matched_after, self.matched_before) <= RISK

    @property
    def seen_by(self) -> str:
        """The quantity by which odd firings before show more than was judged lost; else empty.

        What was judged lost comes first, then the torque, which is what a lost firing lacks; a
        spark unlike the usual one has not always lost its firing. Where the torque plainly shows
        many times as many lost as were judged so, the judgement is not what to count by.
        """
        for view in self.views:
            many = view.before.lost.lost >= MANY * self.matched_before.lost
            if view.quantity == "segment_accel" and view.before.is_plain and many:
                return view.quantity if view.before.lost.lost >= FEW_LOST else ""
        if not is_more_than(self.matched_before, USUAL_ALARMS, risk=RISK):
            for view in self.views:
                if view.is_believed and view.before.lost.lost >= FEW_LOST:
                    return view.quantity
        return ""

    @property
    def seen_before(self) -> Count:
        """Lost firings before: those judged lost, or odd ones in their place."""
        return self._see()[0]

    @property
    def seen_after(self) -> Count:
        """Lost firings after: those judged lost, or odd ones, if more; by torque, or as before."""
        return self._see()[1]

    def _see(self) -> tuple[Count, Count]:
        """Count losses on both sides by the same sign."""
        found = [v.before.lost for v in self.views if v.quantity == self.seen_by]
        before = found[0] if found else self.matched_before
        pairs = [(before, self.matched_after)] + [
            (before, v.like.lost) if v.quantity == self.seen_by else v.count_alike(before)
            for v in self.views
            if v.quantity == self.seen_by
            or (v.quantity in ("segment_accel", "spark_line") and v.is_left)
        ]
        if not found:  # what looks like the lost ones counts on both sides alike
            pairs += [
                (replace(a.own_before, bunching=self.bunching), a.own)
                for a in self.alike
                if is_more_than(a.own, a.others, risk=CHANCE)
            ]
        return max(pairs, key=lambda p: p[1].rate if p[1].judged else -1.0)


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
                "fault": g.fault if g.is_suspect and g.probability_before >= DOUBTFUL else None,
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
                "odd_firings": [_describe_view(v) for v in g.views],
            }
            for cylinder in g.cylinders
        ]


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


def _describe_view(view: View) -> dict[str, Any]:
    """Give the entry of what both recordings together show by one quantity."""

    def tell(odd: Excess) -> dict[str, Any]:
        own, others = odd.own, odd.others
        return {
            "odd": own.lost,
            "judged": own.judged,
            "others_odd": others.lost,
            "others_judged": others.judged,
            "chance": to_plain(odd.chance),
        }

    return {
        "quantity": view.quantity,
        "before": tell(view.before),
        "after": tell(view.after),
        "chance_as_many": to_plain(view.fell),
        "level_before": to_plain(view.step.before),
        "level_after": to_plain(view.step.after),
        "level_chance": to_plain(view.step.chance),
    }


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
