"""Torque of the firings of two recordings of one engine: single ones that lack it, and levels."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.conditions import Match
from misfire.comparison.lack import LEAST_OTHERS, Lack, find_step
from misfire.comparison.rates import compute_bunching
from misfire.comparison.views import CLEAR, NO_EXCESS, Excess, View, count_beyond
from misfire.dsp.chances import Count, compute_fisher, compute_overdispersed, compute_tail

BOUNDS = (2.0, 3.0, 4.0)  # in spreads: how much a firing must lack to count as weak
LEAN = 2.0  # where they are so many times as frequent
LEAST_TAIL = 200  # firings whose tail can be carried on
BY_ACCIDENT = 0.01  # sound firings of a cylinder beyond its end
AS_MUCH = 1.4  # of what a lost firing lacks: more is no lost one
MOST_LEAN = 0.6  # share of weak ones among weak and strong firings of a sound cylinder


def compare_torque(
    before: Lack | None, after: Lack | None, match: Match, cylinders: tuple[int, ...]
) -> View | None:
    """Say what the torque of both recordings tells of one cylinder or pair.

    Parameters
    ----------
    before, after : Lack or None
    match : Match
    cylinders : tuple of int

    Returns
    -------
    view : View or None
        None where one of them has no torque.
    """
    if before is None or after is None:
        return None
    first, second = before, after
    if len(before.order) < LEAST_OTHERS:  # hardly a sound firing beside it: the calmer one measures
        rough = min(first.rough, second.rough)
        first, second = (replace(x, z=x.z * x.rough / rough) for x in (first, second))
    odd_after = find_excess(second, cylinders)
    reference = second if set(before.order) <= set(cylinders) else None
    odd_before = find_excess(first, cylinders, match.before, beside=reference)
    mine, rest, _ = count_weak(second, cylinders, match.after, bound=odd_after.bound)
    as_before, as_others, _ = count_weak(second, cylinders, match.after, bound=odd_before.bound)
    as_lost = find_usual_loss(first, cylinders, match, odd_before.bound)
    whole = np.ones(second.z.size, bool)
    was, was_rest, _ = _count_lacking(first, cylinders, match.before, as_lost)
    now, now_rest, _ = _count_lacking(second, cylinders, match.after, as_lost)
    any_time, any_rest, each = _count_lacking(second, cylinders, whole, as_lost)
    good = replace(match, before=match.before & first.is_good, after=match.after & second.is_good)
    return View(
        quantity="segment_accel",
        before=odd_before,
        after=odd_after,
        like=Excess(
            mine,
            rest,
            odd_after.bound,
            odd_after.chance,
            count_lost(second, cylinders, match.after),
        ),
        again=as_before,
        step=find_step(first, second, match, cylinders),
        was_lost=count_beyond(was, was_rest),
        again_lost=count_beyond(now, now_rest),
        again_others=as_others,
        residue=(any_time, was_rest + any_rest),
        residue_spread=compute_overdispersed(any_time, each),
        beside=any_rest,
        standing_out=_count_standing_out(second, cylinders, as_lost),
        good_step=find_step(first, second, good, cylinders),
        has_others=reference is None,
    )


def find_usual_loss(lack: Lack, cylinders: tuple[int, ...], match: Match, bound: float) -> float:
    """Give half of what the lost firings of some cylinders lack.

    Parameters
    ----------
    lack : Lack
    cylinders : tuple of int
    match : Match
    bound : float
        In spreads: what a firing must lack to be one of them.

    Returns
    -------
    least : float [parts of omega squared]
        Not in spreads: where many are lost, the spread around them is wide. NaN where none is.
    """
    mine = match.before & np.isin(lack.cylinder, cylinders)
    lost = lack.own[mine & lack.is_weak & (lack.z > max(bound, BOUNDS[0]))]
    return 0.5 * float(np.median(lost)) if lost.size else math.nan


def _count_lacking(
    lack: Lack, cylinders: tuple[int, ...], use: NDArray[np.bool_], least: float
) -> tuple[Count, Count, list[Count]]:
    """Count firings that lack as much as lost ones did: the cylinder's, all others', and each's."""
    judged = use & np.isfinite(lack.z)
    lacking = judged & find_lacking(lack, least)
    mine = np.isin(lack.cylinder, cylinders)
    each = [judged & (lack.cylinder == c) for c in np.unique(lack.cylinder[judged & ~mine])]
    return (
        Count(int((lacking & mine).sum()), int((judged & mine).sum())),
        Count(int((lacking & ~mine).sum()), int((judged & ~mine).sum())),
        [Count(int((lacking & its).sum()), int(its.sum())) for its in each],
    )


def _count_standing_out(lack: Lack, cylinders: tuple[int, ...], least: float) -> int:
    """Count a cylinder's firings that lack what lost ones do, and lie beyond the tail of all.

    The tail is carried on from its last decade as an exponential, which is longer than that of a
    normal law; where another cylinder has one as far out, it is not as short as that. A clutch or
    a gear takes other amounts, and from more than one firing.
    """
    known = np.isfinite(lack.z)
    if known.sum() < LEAST_TAIL:
        return 0
    mine = np.isin(lack.cylinder, cylinders)
    at, far = np.quantile(lack.z[known], (0.9, 0.99))
    decades = math.log10(0.01 * max(int((known & mine).sum()), 1) / BY_ACCIDENT)
    bound = max(far + (far - at) * max(decades, 0.0), CLEAR)
    out = known & find_lacking(lack, least) & (lack.z > bound)
    far_off = np.pad(np.abs(np.nan_to_num(lack.z)) > bound, 1)
    alone = ~(far_off[:-2] | far_off[2:])
    out &= alone & (lack.own < AS_MUCH * 2.0 * least)
    return 0 if (out & ~mine).any() else int((out & mine).sum())


def find_lacking(lack: Lack, least: float) -> NDArray[np.bool_]:
    """Find the firings that lack as much torque as lost ones did.

    Parameters
    ----------
    lack : Lack
    least : float [parts of omega squared]
        From `find_usual_loss`; NaN finds none.

    Returns
    -------
    lacking : bool array [shape=(n_firings,)]
    """
    return np.asarray(lack.is_weak & (lack.own > least) & (lack.z > CLEAR))


def find_excess(
    lack: Lack,
    cylinders: tuple[int, ...],
    own: NDArray[np.bool_] | None = None,
    *,
    beside: Lack | None = None,
) -> Excess:
    """Set the weak firings of one cylinder against those of the others.

    Parameters
    ----------
    lack : Lack
    cylinders : tuple of int
    own : bool array [shape=(n_firings,)], optional
        Firings that count.
    beside : Lack, optional
        Where the cylinder has no others: the recording against which it is set.

    Returns
    -------
    excess : Excess
        At the bound where it is plainest.

    Notes
    -----
    R. A. Fisher's exact test of the shares, times the number of bounds tried (Bonferroni). Some
    cylinders of a sound engine run rougher than others: more than all but one of them is asked
    for, more than their differences explain (negative binomial law), and more weak firings than
    strong ones.
    """
    use = np.ones(lack.z.size, bool) if own is None else own
    best = NO_EXCESS
    for bound in BOUNDS:
        mine, rest, each = count_weak(lack, cylinders, use, bound=bound)
        strong, strong_rest = _count_strong(lack, cylinders, use, bound=bound)
        if beside is not None:
            all_of_it = np.ones(beside.z.size, bool)
            rest = count_weak(beside, cylinders, all_of_it, bound=bound)[0]
            strong_rest, each = 0, [rest]
        if not mine.judged or not rest.judged:
            continue
        rates = sorted(c.rate for c in each)
        usual = rates[-2] if len(rates) > 1 else rates[0]
        chance = max(compute_fisher(mine, rest), compute_overdispersed(mine, each))
        # A rough cylinder has more strong firings as well, a failing one hardly any. (An only
        # cylinder makes up for each lost firing in its next; of two, the other one does as well.)
        if beside is None and (bound < CLEAR or mine.lost < LEAN * strong):
            lean = (rest.lost + 1) / (rest.lost + strong_rest + 2)
            lean = min(max(lean, 0.5), MOST_LEAN)
            askew = compute_tail(mine.lost, mine.lost + strong, lean)
            if len(lack.order) == 2:
                sides = Count(rest.lost, rest.lost + strong_rest)
                askew = min(askew, compute_fisher(Count(mine.lost, mine.lost + strong), sides))
            chance = max(chance, askew)
        chance = min(1.0, len(BOUNDS) * chance)
        if mine.rate <= usual:
            chance = 1.0
        if chance < best.chance or not best.own.judged:
            best = Excess(mine, rest, bound, chance)
    return replace(best, lost=count_lost(lack, cylinders, use))


def count_lost(lack: Lack, cylinders: tuple[int, ...], use: NDArray[np.bool_]) -> Count:
    """Count the weak firings beyond what the others have, at the bound that shows most of them.

    Parameters
    ----------
    lack : Lack
    cylinders : tuple of int
    use : bool array [shape=(n_firings,)]

    Returns
    -------
    lost : Count
        None lost where there is nothing to set it against.
    """
    counts = [count_weak(lack, cylinders, use, bound=bound)[:2] for bound in BOUNDS]
    return max((count_beyond(*c) for c in counts), key=lambda c: c.lost)


def count_weak(
    lack: Lack, cylinders: tuple[int, ...], use: NDArray[np.bool_], *, bound: float
) -> tuple[Count, Count, list[Count]]:
    """Count weak firings: the cylinder's, those of all others, and of each other by itself.

    Parameters
    ----------
    lack : Lack
    cylinders : tuple of int
    use : bool array [shape=(n_firings,)]
    bound : float
        In spreads.

    Returns
    -------
    own, others : Count
    each : list of Count
    """
    judged = use & np.isfinite(lack.z)
    weak = judged & lack.is_weak & (lack.z > bound)
    mine = np.isin(lack.cylinder, cylinders)
    each = []
    for c in np.unique(lack.cylinder[judged & ~mine]):
        its = judged & (lack.cylinder == c)
        each.append(Count(int(weak[its].sum()), int(its.sum())))
    own = weak[judged & mine]
    return (
        Count(int(own.sum()), int(own.size), compute_bunching(own)),
        Count(int((weak & ~mine).sum()), int((judged & ~mine).sum())),
        each,
    )


def _count_strong(
    lack: Lack, cylinders: tuple[int, ...], use: NDArray[np.bool_], *, bound: float
) -> tuple[int, int]:
    """Count firings as far on the other side: the cylinder's and all others'."""
    strong = use & lack.is_strong & (lack.z < -bound)
    mine = np.isin(lack.cylinder, cylinders)
    return int((strong & mine).sum()), int((strong & ~mine).sum())
