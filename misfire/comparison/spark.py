"""Sparks of two recordings of one engine: strokes unlike the usual ones, and levels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.conditions import Match
from misfire.comparison.features import USUAL, compute_offset
from misfire.comparison.rates import compute_bunching
from misfire.comparison.side import Side
from misfire.comparison.views import BACK, NO_EXCESS, NO_STEP, Excess, Step, View, count_beyond
from misfire.dsp.chances import Count, compute_fisher, compute_outlying, compute_overdispersed
from misfire.dsp.running import robust_spread
from misfire.report.summary import LOST

# Quantity -> the ratio to its usual value, as a log, from which a stroke is odd.
ODD = {"burn_time_ms": 0.5, "dwell_ms": 0.25, "peak_current_a": 0.25}
SPREADS = 6.0  # and by so many spreads
HAVE = 0.6  # share of a cylinder's firings that have the quantity, for one without it to be odd
LEAST = 10
LEAST_OTHERS = 2  # cylinders that tell how much levels scatter
# Usual scatter of levels, as a log: coils and plugs of one engine (common practice).
SCATTER = {"burn_time_ms": 0.08, "dwell_ms": 0.03, "peak_current_a": 0.03}
WEIGHT = 20  # cylinders for which that knowledge counts
MEASURED = 0.02  # least scatter that is believed
SPARK_LINE = "spark_line"
SOUND_LINES = Count(50, 1000)  # strokes without one of a sound coil, under any load: fewer
UNLIT = 0.3  # share of its usual time below which a spark line is none
SURE = 3.0  # errors by which unlit strokes must fall behind
MOSTLY = 0.9  # share of the strokes that have one in one of the recordings
# Usual change of a coil's level against the others' from one recording to the next (common
# practice), and how far, as a log, one must have stood apart to be believed by its change.
AGAIN = {"dwell_ms": 0.01, "peak_current_a": 0.01}
AGAIN_MEASURED, AGAIN_LEAST, AGAIN_BACK, AGAIN_SPREADS = 0.005, 0.04, 0.75, 4.0
PLAIN_LEFT = 0.01  # chance below which strokes still stand apart
ABSENT, BELOW, ABOVE = 0, 1, 2
OF_A_KIND = 0.1  # share of a cylinder's odd firings that are odd in one way, for it to be usual
MARKED = 0.6  # share of the lost firings that are odd, for a quantity to mark them
LEAST_LOST = 3
AS_OFTEN = 0.5  # share of a cylinder's strokes without a value that the others have as well


@dataclass(frozen=True, slots=True)
class Odd:
    """Which firings have a value unlike their cylinder's usual one, and which can be told.

    `lost`: those judged lost; `number`: of the cylinder; `kind`: what is odd, `ABSENT`, `BELOW` or
    `ABOVE` the usual value.
    """

    odd: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    number: NDArray[np.float64]
    kind: NDArray[np.int8]

    def keep_like(self, other: Odd, own: NDArray[np.bool_]) -> Odd:
        """Keep what is odd in a way in which many of the odd firings of one in `other` are."""
        kinds = other.kind[other.odd & other.judged & own]
        if not kinds.size:
            return self
        usual = [k for k in (ABSENT, BELOW, ABOVE) if np.mean(kinds == k) >= OF_A_KIND]
        return replace(self, odd=self.odd & np.isin(self.kind, usual))


def find_odd(side: Side, other: Side) -> dict[str, Odd]:
    """Find the strokes that are unlike the usual ones of their cylinder.

    Parameters
    ----------
    side, other : Side
        The recording, and that with which it is compared.

    Returns
    -------
    odd : dict of Odd
        For each quantity that tells a stroke without a usual spark. A stroke without the quantity
        is odd where most strokes of its cylinder have it, in both recordings.
    """
    number, there = side.column("cylinder"), other.column("cylinder")
    watched = np.isfinite(side.column("dwell_ms")) | np.isfinite(side.column("primary_peak_v"))
    usable = ~side.flagged("fuel_cut") & ~side.flagged("edge")
    gone = side.column("misfire_probability") >= LOST
    found = {}
    for quantity in ODD:
        values, others = side.column(quantity), other.column(quantity)
        odd, judged = np.zeros(values.size, bool), np.zeros(values.size, bool)
        kind = np.full(values.size, ABSENT, np.int8)
        alone = len({int(c) for c in number[np.isfinite(values)]}) == 1
        missing = _find_missing(side, values, usable)
        for c in side.order:
            mine = usable & (number == c)
            have = mine & np.isfinite(values) & (values > 0)
            known = np.isfinite(others[there == c])
            if have.sum() < LEAST or known.sum() < LEAST:
                continue
            logs = np.log(values[have])
            usual = float(np.median(logs))
            spread = robust_spread(logs)
            kind[have] = np.where(logs < usual, BELOW, ABOVE)
            if not alone:  # by itself it may only follow the load
                odd[have] = np.abs(logs - usual) > max(ODD[quantity], SPREADS * spread)
            judged |= have
            beside = [share for k, share in missing.items() if k != c]
            own = not beside or float(np.median(beside)) < AS_OFTEN * missing[c]
            if own and have.sum() >= HAVE * mine.sum() and known.mean() >= HAVE:
                absent = mine & watched & ~np.isfinite(values)
                if not any(_has_worked_without(s, quantity, c) for s in (side, other)):
                    odd |= absent
                judged |= absent
        found[quantity] = Odd(odd, judged, gone, number, kind)
    found[SPARK_LINE] = _find_unlit(side, other, usable & watched)
    return found


def _has_worked_without(side: Side, quantity: str, cylinder: int) -> bool:
    """Tell whether a cylinder's strokes without a quantity worked: it was only not measured."""
    usable = ~side.flagged("fuel_cut") & ~side.flagged("edge")
    absent = usable & (side.column("cylinder") == cylinder) & ~np.isfinite(side.column(quantity))
    return _has_worked(side, absent, usable & ~absent)


def _find_missing(
    side: Side, values: NDArray[np.float64], usable: NDArray[np.bool_]
) -> dict[int, float]:
    """Give each measured cylinder's share of strokes without a value.

    A channel that was not read for a while misses the strokes of all cylinders, but only where
    another channel watches one is it known that there was a stroke.
    """
    number = side.column("cylinder")
    shares = {}
    for c in side.order:
        mine = usable & (number == c)
        if np.isfinite(values[mine]).sum() >= LEAST:
            shares[c] = float(np.mean(~np.isfinite(values[mine])))
    return shares


def _find_unlit(side: Side, other: Side, usable: NDArray[np.bool_]) -> Odd:
    """Find strokes with hardly any spark line, where the cylinder's strokes have one.

    How long one lasts is taken from the recording in which it lasts longer: a coil that fails most
    of the time must not be its own measure.
    """
    values, number = side.column("burn_time_ms"), side.column("cylinder")
    others, there = other.column("burn_time_ms"), other.column("cylinder")
    odd, judged = np.zeros(values.size, bool), np.zeros(values.size, bool)
    few = np.zeros(values.size, bool)
    for c in side.order:
        mine = usable & (number == c)
        sides = values[mine], others[there == c]
        usual = [float(np.nanmedian(v)) for v in sides if np.isfinite(v).sum() >= LEAST]
        most = max(float(np.isfinite(v).mean()) if v.size else 0.0 for v in sides)
        if not usual or most < MOSTLY:
            continue
        short = ~np.isfinite(values) | (values < UNLIT * max(usual))
        judged |= mine
        dark = mine & short
        if not _has_worked(side, dark, usable & ~dark):
            odd |= dark
            if np.count_nonzero(dark) < LEAST:
                few |= dark
    # Where each cylinder has too few to tell, all of them together may.
    if _has_worked(side, few, usable & ~odd):
        odd &= ~few
    lost = side.column("misfire_probability") >= LOST
    kind = np.where(np.isfinite(values), BELOW, ABSENT).astype(np.int8)
    return Odd(odd, judged, lost, number, kind)


def _has_worked(side: Side, unlit: NDArray[np.bool_], rest: NDArray[np.bool_]) -> bool:
    """Tell whether strokes without a spark line did their work: then it was only not measured.

    Against the cylinder's other firings, where it has some, since cylinders differ.
    """
    gained, number = side.column("segment_accel"), side.column("cylinder")
    own = rest & np.isin(number, number[unlit])
    known = np.isfinite(gained)
    beside = own if (own & known).sum() >= LEAST else rest
    here, there = gained[unlit & known], gained[beside & known]
    if here.size < LEAST or there.size < LEAST:
        return False
    error = sum(
        (1.25 * robust_spread(part)) ** 2 / part.size for part in (here, there)
    )  # of medians, normal distribution
    return bool(np.median(there) - np.median(here) < SURE * math.sqrt(error))


def compare_sparks(
    before: Side,
    after: Side,
    odds: tuple[dict[str, Odd], dict[str, Odd]],
    match: Match,
    cylinders: tuple[int, ...],
) -> tuple[View, ...]:
    """Say what dwell, peak current and burn time tell of one cylinder or pair.

    Parameters
    ----------
    before, after : Side
    odds : tuple of dict
        From `find_odd`, of both.
    match : Match
    cylinders : tuple of int

    Returns
    -------
    views : tuple of View
        Only quantities that both recordings have of the cylinder.
    """
    views = []
    own = [np.isin(side.column("cylinder"), cylinders) for side in (before, after)]
    for quantity in ODD:
        odd, odd_after = odds[0][quantity], odds[1][quantity]
        first, first_rest = _count(odd, own[0], match.before)
        second, second_rest = _count(odd_after, own[1])
        like, like_rest = _count(odd_after, own[1], match.after)
        if not first.judged or not second.judged:
            continue
        usual_rest = _count(odd.keep_like(odd, own[0]), own[0], match.before)[1]
        residue, residue_rest = _count(odd_after.keep_like(odd, own[0]), own[1])
        # Where no other cylinder was measured, its own firings of the other recording tell.
        beside = first_rest if first_rest.judged else second
        excess = _make_excess(second, second_rest) if second_rest.judged else NO_EXCESS
        views.append(
            View(
                quantity=quantity,
                before=_spread(_make_excess(first, beside), odd, own[0]),
                after=_spread(excess, odd_after, own[1]),
                like=replace(_make_excess(like, like_rest), chance=excess.chance),
                again=like,
                step=_find_step(before, after, match, cylinders, quantity),
                was_lost=count_beyond(first, beside),
                again_lost=count_beyond(like, like_rest),
                again_others=like_rest,
                residue=(residue, usual_rest + residue_rest),
                beside=residue_rest,
                marks_lost=_is_mark(odd, own[0]),
                has_others=bool(first_rest.judged),
            )
        )
    return (*_look_at_line(odds, own, match), *views)


def _look_at_line(
    odds: tuple[dict[str, Odd], dict[str, Odd]],
    own: list[NDArray[np.bool_]],
    match: Match,
) -> tuple[View, ...]:
    """Say what strokes without a spark line tell.

    Sound coils make next to none: no other cylinder is needed to say so, and where all share one
    coil none could.
    """
    dark, dark_after = odds[0][SPARK_LINE], odds[1][SPARK_LINE]
    second = _count(dark_after, own[1])[0]
    residue, residue_rest = _count(dark_after.keep_like(dark, own[0]), own[1])
    first = _count(dark, own[0])[0]
    before, before_rest = _count(dark, own[0], match.before)
    like = _count(dark_after, own[1], match.after)[0]
    if not first.judged or not second.judged or not before.judged:
        return ()
    left = _make_excess(second, SOUND_LINES)
    # Others that had far fewer before are sound, and under the same load.
    beside = _spread(_make_excess(before, before_rest), dark, own[0])
    return (
        View(
            quantity=SPARK_LINE,
            before=_make_excess(before, SOUND_LINES),
            after=left,
            like=replace(_make_excess(like, SOUND_LINES), chance=left.chance),
            again=like,
            step=NO_STEP,
            was_lost=count_beyond(before, SOUND_LINES),
            again_lost=count_beyond(like, SOUND_LINES),
            residue=(residue, before_rest + residue_rest if beside.is_plain else SOUND_LINES),
            beside=residue_rest if beside.is_plain else Count(0, 0),
            marks_lost=_is_mark(dark, own[0]),
            has_sound=beside.is_plain,
        ),
    )


def _is_mark(odd: Odd, own: NDArray[np.bool_]) -> bool:
    """Tell whether the firings judged lost are odd by a quantity."""
    lost = odd.judged & odd.lost & own
    return bool(lost.sum() >= LEAST_LOST and odd.odd[lost].mean() >= MARKED)


def count_marked(
    odd: Odd, own: NDArray[np.bool_], lacking: NDArray[np.bool_]
) -> tuple[Count, Count]:
    """Count strokes that are odd and lack torque too: the cylinder's and all others'.

    Parameters
    ----------
    odd : Odd
    own, lacking : bool array [shape=(n_firings,)]

    Returns
    -------
    own, others : Count
    """
    return _count(replace(odd, odd=odd.odd & lacking), own)


def _spread(excess: Excess, odd: Odd, own: NDArray[np.bool_]) -> Excess:
    """Allow for sound cylinders that differ more than by accident, where most have odd strokes."""
    each = []
    for c in np.unique(odd.number[odd.judged & ~own]):
        its = odd.judged & (odd.number == c)
        each.append(Count(int(odd.odd[its].sum()), int(its.sum())))
    return replace(excess, chance=max(excess.chance, compute_overdispersed(excess.own, each)))


def _make_excess(own: Count, others: Count) -> Excess:
    """Set a count against that of the others."""
    return Excess(own, others, 0.0, compute_fisher(own, others), count_beyond(own, others))


def _count(
    odd: Odd, own: NDArray[np.bool_], use: NDArray[np.bool_] | None = None
) -> tuple[Count, Count]:
    """Count odd firings: the cylinder's and all others'."""
    judged = odd.judged if use is None else odd.judged & use
    mine, rest = odd.odd[judged & own], odd.odd[judged & ~own]
    return (
        Count(int(mine.sum()), int(mine.size), compute_bunching(mine)),
        Count(int(rest.sum()), int(rest.size)),
    )


def _find_step(
    before: Side, after: Side, match: Match, cylinders: tuple[int, ...], quantity: str
) -> Step:
    """Set how far a cylinder stands from the others against how far they stand from another."""
    was = _find_offset(before, quantity, cylinders, match.before)
    now = _find_offset(after, quantity, cylinders, match.after, side=was)
    if not math.isfinite(was) or not math.isfinite(now):
        return NO_STEP
    sign = math.copysign(1.0, was)
    moved = sign * (was - now)
    tries = len(before.order) * len(ODD)
    again = _find_small_step(before, after, match, cylinders, quantity, (was, now), tries=tries)
    if again is not None:
        return again
    if abs(was) <= USUAL[quantity] or moved < BACK * abs(was) or abs(now) > USUAL[quantity]:
        return Step(sign * was, sign * now, 1.0)
    rest = [c for c in before.cylinders if c not in cylinders]
    others_before, others_after = (
        np.array([compute_offset(side, quantity, (c,), use) for c in rest])
        for side, use in ((before, match.before), (after, match.after))
    )
    known = np.isfinite(others_before) & np.isfinite(others_after)
    if known.sum() < LEAST_OTHERS:
        return Step(sign * was, sign * now, 1.0)
    chance = max(
        compute_outlying(x, sign * others[known], MEASURED, usual=SCATTER[quantity], weight=WEIGHT)
        for x, others in ((abs(was), others_before), (moved, others_before - others_after))
    )
    return Step(sign * was, sign * now, min(1.0, tries * chance), tries=tries)


def _find_offset(
    recording: Side,
    quantity: str,
    cylinders: tuple[int, ...],
    use: NDArray[np.bool_],
    *,
    side: float = 0.0,
) -> float:
    """Give how far a cylinder stands from the others; of a pair the one that does more.

    To the side of `side`, where that is given.
    """
    paired = np.isin(recording.column("cylinder"), cylinders)
    off = []
    for c in cylinders:
        rest = use & (~paired | (recording.column("cylinder") == c))
        off.append(compute_offset(recording, quantity, (c,), rest))
    known = [x for x in off if math.isfinite(x)]
    if not known:
        return math.nan
    return max(known, key=lambda x: x * math.copysign(1.0, side) if side else abs(x))


def _find_small_step(
    before: Side,
    after: Side,
    match: Match,
    cylinders: tuple[int, ...],
    quantity: str,
    off: tuple[float, float],
    *,
    tries: int,
) -> Step | None:
    """Tell a step too small to stand out among coils, by what the others change: next to nothing.

    The same coils on the same channel, twice: what one of them alone has lost was no trait of it.
    Only where the other coils are plainly closer together, and hardly a stroke is left.
    """
    was, now = off
    if quantity not in AGAIN or abs(was) < AGAIN_LEAST or abs(was - now) < AGAIN_BACK * abs(was):
        return None
    rest = [c for c in before.cylinders if c not in cylinders]
    here, there = (
        np.array([compute_offset(side, quantity, (c,), use) for c in rest])
        for side, use in ((before, match.before), (after, match.after))
    )
    known = np.isfinite(here) & np.isfinite(there)
    if known.sum() < LEAST_OTHERS or np.ptp(here[known]) * AGAIN_SPREADS > abs(was):
        return None
    sign = math.copysign(1.0, was)
    changes = sign * (here - there)[known]
    chance = compute_outlying(
        sign * (was - now) - float(np.median(changes)),
        changes,
        AGAIN_MEASURED,
        usual=AGAIN[quantity],
        weight=WEIGHT,
    )
    values, number = after.column(quantity), after.column("cylinder")
    usual = float(np.nanmedian(values[~np.isin(number, cylinders)]))
    halfway = np.isfinite(values) & (sign * np.log(np.maximum(values, 1e-9) / usual) > abs(was) / 2)
    own, others = (
        Count(int((halfway & mine).sum()), int((np.isfinite(values) & mine).sum()))
        for mine in (np.isin(number, cylinders), ~np.isin(number, cylinders))
    )
    left = compute_fisher(own, others)
    # Strokes that still stand apart count as a level of their own, however few they are.
    at = sign * now if left > PLAIN_LEFT else max(sign * now, 0.5 * abs(was))
    return Step(abs(was), at, min(1.0, tries * chance), left, tries)
