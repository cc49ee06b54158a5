"""Signs of a fault in both recordings: combustions lost, too little work done, bad sparks.

Read from the states of the firings (columns `spark` and `work` of events.parquet), of which the
table of every cylinder is made. No measured quantity is judged again here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.conditions import Match
from misfire.comparison.rates import RISK, compute_bunching, compute_more_than
from misfire.comparison.side import Side
from misfire.dsp.chances import Count, compute_fisher, compute_overdispersed
from misfire.records import BAD_SPARKS
from misfire.report.summary import LOST

COIL_WITNESSES = {"burn", "current", "switching"}
SIGNS = ("lost", "weak", "spark")
WEAK_WORK = ("partial", "lost")
# probability of a bad spark: each recording has its own reference, and mild ones differ
SURE_SPARK = 0.8
USUAL_ALARMS = Count(3, 1000)  # sound firings called lost on simulated vehicles: fewer than this
MOSTLY = 0.5  # share of firings from which a fault is one of every cycle
LEAST_FIRINGS = 3  # fewer before: no rate is made of them
RISKS = {"lost": RISK, "weak": 5e-3, "spark": 5e-3}  # of taking a sound cylinder's for a sign
LEFT_BY_CHANCE = 0.2  # chance above which single firings are as the other cylinders have them
BOTH = 0.025  # chance, in any cylinder, of firings that are odd before and fewer after


@dataclass(frozen=True, slots=True)
class Sign:
    """Firings of one cylinder, or pair, that bear a sign of a fault, on both sides.

    `before`, `after`: firings at speeds that both recordings have; `whole_before`, `whole_after`:
    at any speed. `others_before`, `others_after`: the same of cylinders without suspicion, at any
    speed. `chance_before`, `chance_after`: of so many in a sound cylinder. `tries`: cylinders or
    pairs among which one is looked for.
    """

    name: str
    before: Count
    after: Count
    whole_before: Count
    whole_after: Count
    others_before: Count
    others_after: Count
    chance_before: float
    chance_after: float
    tries: int = 1

    @property
    def is_established(self) -> bool:
        """Whether the cylinder had more before than sound cylinders have."""
        return self.before.lost >= LEAST_FIRINGS and self.chance_before <= RISKS[self.name]

    @property
    def is_left(self) -> bool:
        """Whether the cylinder has more after than sound cylinders have."""
        return self.chance_after <= RISKS[self.name]

    @property
    def fell(self) -> float:
        """Chance that the firings after are only by accident fewer (Fisher's exact test)."""
        return compute_fisher(self.before, self.after)

    @property
    def rose(self) -> float:
        """Chance that the firings after, at any speed, are only by accident more."""
        return compute_fisher(self.whole_after, self.whole_before)

    @property
    def has_fallen(self) -> bool:
        """Whether both recordings together accuse the cylinder, in any of `tries`."""
        chance = max(self.chance_before, self.fell)
        return self.before.lost >= LEAST_FIRINGS and chance * self.tries <= BOTH

    @property
    def has_remnant(self) -> bool:
        """Whether single firings after bear the sign, and are not as other cylinders have them.

        A loss in the very cylinder that failed now and then before is no chance alarm, whatever
        others have. A fault of most firings does not shrink to one in hundreds: there it may be.
        """
        usual = add_counts([self.others_before, self.others_after])
        if self.before.rate >= MOSTLY or not usual.judged:
            usual = _choose_usual(usual)
        elif self.name == "lost":
            return self.whole_after.lost > 0
        return self.whole_after.lost > 0 and compute_fisher(self.whole_after, usual) <= (
            LEFT_BY_CHANCE
        )

    def take_usual(self) -> tuple[Count, Count]:
        """Give the counts before and after less what the other cylinders would have had."""
        return (
            _take_usual(self.before, self.others_before),
            _take_usual(self.after, self.others_after),
        )


def count_signs(
    before: Side,
    after: Side,
    match: Match,
    cylinders: tuple[int, ...],
    sound: tuple[int, ...],
) -> tuple[Sign, ...]:
    """Count the firings of one cylinder, or pair, that bear each sign.

    Parameters
    ----------
    before, after : Side
    match : Match
    cylinders : tuple of int
    sound : tuple of int
        Cylinders that nobody suspects: what they have is no sign.

    Returns
    -------
    signs : tuple of Sign
        In the order of SIGNS.
    """
    return tuple(_count_sign(before, after, match, cylinders, sound, name) for name in SIGNS)


def _count_sign(
    before: Side,
    after: Side,
    match: Match,
    cylinders: tuple[int, ...],
    sound: tuple[int, ...],
    name: str,
) -> Sign:
    """Count one sign on both sides."""
    sides = []
    for side, use in ((before, match.before), (after, match.after)):
        bears, judged = find_bearing(side, name)
        number = side.column("cylinder")
        mine = judged & np.isin(number, cylinders)
        each = [_count(bears, judged & (number == c)) for c in sound]
        sides.append(
            (_count(bears, mine & use), _count(bears, mine), [c for c in each if c.judged])
        )
    (matched, whole, others), (matched_after, whole_after, others_after) = sides
    return Sign(
        name=name,
        before=matched,
        after=matched_after,
        whole_before=whole,
        whole_after=whole_after,
        others_before=add_counts(others),
        others_after=add_counts(others_after),
        chance_before=_compute_chance(matched, others),
        chance_after=_compute_chance(whole_after, others_after),
        tries=len(before.order) // len(cylinders),
    )


def add_counts(counts: list[Count]) -> Count:
    """Put counts of cylinders together, as bunched as the most bunched of them.

    Parameters
    ----------
    counts : list of Count

    Returns
    -------
    total : Count
    """
    return Count(
        sum(c.lost for c in counts),
        sum(c.judged for c in counts),
        max((c.bunching for c in counts), default=1.0),
    )


def find_bearing(side: Side, sign: str) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Find the firings that bear a sign, and those that could show it.

    Parameters
    ----------
    side : Side
    sign : str
        One of SIGNS.

    Returns
    -------
    bears, judged : bool array [shape=(n_firings,)]
    """
    if sign == "lost":
        probability = side.column("misfire_probability")
        return probability >= LOST, np.isfinite(probability)
    if sign == "weak":
        bears = side.is_state("work", WEAK_WORK)
        return bears, bears | side.is_state("work", ("done",))
    bad = side.is_state("spark", BAD_SPARKS)
    sure = side.column("spark_probability") >= SURE_SPARK
    # a coil that is recorded would show a bad spark, also where it cannot call one usual
    watched = [c for c in side.cylinders if side.witnesses.get(c, frozenset()) & COIL_WITNESSES]
    return bad & sure, bad | np.isin(side.column("cylinder"), watched)


def _count(bears: NDArray[np.bool_], use: NDArray[np.bool_]) -> Count:
    """Count the firings among `use` that bear a sign."""
    own = bears[use]
    return Count(int(own.sum()), int(own.size), compute_bunching(own))


def _compute_chance(own: Count, each: list[Count]) -> float:
    """Chance of so many in a sound cylinder, by the others and by what is usual."""
    if not own.lost:
        return 1.0
    usual = _choose_usual(add_counts(each))
    return max(compute_more_than(own, usual), compute_overdispersed(own, each))


def _choose_usual(others: Count) -> Count:
    """Give what a sound cylinder may have: as the others, or as many as alarms by chance."""
    return others if others.judged and others.rate >= USUAL_ALARMS.rate else USUAL_ALARMS


def _take_usual(own: Count, others: Count) -> Count:
    """Take from a count what the others would have in its place."""
    usual = others.rate * own.judged if others.judged else 0.0
    return Count(max(0, round(own.lost - usual)), own.judged, own.bunching)
