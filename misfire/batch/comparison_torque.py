"""Torque of the firings of two recordings of one engine: single ones that lack it, and levels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.batch.comparison_conditions import Match
from misfire.batch.comparison_excess import (
    CLEAR,
    LEVEL_LEFT,
    NO_EXCESS,
    NO_STEP,
    Excess,
    Step,
    View,
    compute_fisher,
    compute_outlying,
    compute_overdispersed,
    compute_tail,
    count_beyond,
)
from misfire.batch.comparison_rates import Count, compute_bunching
from misfire.batch.comparison_side import Side
from misfire.dsp.running import robust_spread, running_quantile
from misfire.features.torque import LEAST_NEIGHBOURS, LOCAL_FIRINGS
from misfire.report.summary import LOST

LEAST = 10  # firings of a cylinder
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, normal law
BOUNDS = (2.0, 3.0, 4.0)  # in spreads: how much a firing must lack to count as weak
LEAN = 2.0  # where they are so many times as frequent
MOST_LEAN = 0.6  # share of weak ones among weak and strong firings of a sound cylinder
UNEVEN_DEG = 15.0  # more than the advance differs among cylinders
LEAST_LEVEL = 0.2e-3  # parts of omega squared; less is no lack that a firing has
KEPT = 0.1e-3  # usual change of what a sound cylinder lacks, half of the least that is a lack
OTHER_WHEEL = 0.1  # vehicles whose wheel or sensor were moved between two recordings, at most
PITCH = 1.5e-3  # usual relative speed error of one window by tooth pitch errors
WEIGHT = 6  # cylinders for which that knowledge counts
LEAST_OTHERS = 3  # cylinders that tell how much levels scatter


@dataclass(frozen=True, slots=True)
class Lack:
    """What each firing lacks against its neighbours in time.

    `lack` [parts of omega squared]: below the neighbours' acceleration; `own`: over what its
    cylinder usually lacks; `rough`: the spread of that over the whole recording; `z`: the same in
    spreads of the firings around; `is_weak`: more than both firings next to it, which share the
    loss of a lost one; `is_strong`: less than both; `is_good`: not judged lost, nor half so.
    `is_even`: whether the cylinders fire as far apart: else each has a level of its own.
    """

    order: tuple[int, ...]
    cylinder: NDArray[np.int64]
    lack: NDArray[np.float64]
    own: NDArray[np.float64]
    rough: float
    z: NDArray[np.float64]
    is_weak: NDArray[np.bool_]
    is_strong: NDArray[np.bool_]
    is_good: NDArray[np.bool_]
    is_even: bool = True


def measure_lack(side: Side) -> Lack | None:
    """Work out what each firing lacks.

    Parameters
    ----------
    side : Side

    Returns
    -------
    lack : Lack or None
        None without a torque.

    Notes
    -----
    Neighbours over whole cycles, so that every cylinder weighs the same among them. A lost firing
    is felt in the windows of the next firings as well: only the weakest of its neighbours counts.
    """
    n = len(side.order)
    accel, rpm = side.column("segment_accel").copy(), side.column("rpm")
    number = side.column("cylinder").astype(np.int64)
    accel[side.flagged("fuel_cut") | side.flagged("edge") | ~(rpm > 0)] = np.nan
    if np.isfinite(accel).sum() < LEAST * n:
        return None
    reach = n * -(-LEAST_NEIGHBOURS // n)
    level = running_quantile(accel, reach=reach, skip_self=True)
    lack = (level - accel) / np.square(np.where(rpm > 0, rpm, np.nan) * np.pi / 30.0)
    own = np.full(lack.size, np.nan)
    for c in side.order:
        mine = (number == c) & np.isfinite(lack)
        if mine.sum() >= LEAST:
            own[mine] = lack[mine] - float(np.median(lack[mine]))
    if not np.isfinite(own).any():
        return None
    rough = TO_SIGMA * float(np.nanmedian(np.abs(own)))
    noise = TO_SIGMA * running_quantile(np.abs(own), reach=LOCAL_FIRINGS)
    noise = np.maximum(noise, 0.5 * rough)
    z = own / np.where(noise > 0, noise, np.nan)
    good = side.column("misfire_probability") < LOST / 2
    weak, strong = _find_peaks(z), _find_peaks(-z)
    return Lack(side.order, number, lack, own, rough, z, weak, strong, good, _is_even(side))


def _is_even(side: Side) -> bool:
    """Tell whether the cylinders fire as far apart, by where their coils switch off."""
    number, angle = side.column("cylinder"), side.column("crank_deg")
    places = []
    for c in side.order:
        known = angle[(number == c) & np.isfinite(angle)]
        if not known.size:
            return True
        turn = np.exp(1j * np.deg2rad(known) / 2.0).mean()
        places.append(float(np.rad2deg(np.angle(turn)) * 2.0))
    apart = np.diff([*places, places[0]]) % 720.0
    return len(places) < 2 or bool(np.all(np.abs(apart - 720.0 / len(places)) < UNEVEN_DEG))


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
        step=_find_step(first, second, match, cylinders),
        was_lost=count_beyond(was, was_rest),
        again_lost=count_beyond(now, now_rest),
        again_others=as_others,
        residue=(any_time, was_rest + any_rest),
        residue_spread=compute_overdispersed(any_time, each),
        good_step=_find_step(first, second, good, cylinders),
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


def _find_step(before: Lack, after: Lack, match: Match, cylinders: tuple[int, ...]) -> Step:
    """Set the change of a cylinder's level against the changes of the others.

    The wheel of one vehicle has the same errors both times, and where its sensor was moved all
    cylinders show it: how much the others changed tells what is no torque.
    """
    levels = [
        _find_levels(side, use) for side, use in ((before, match.before), (after, match.after))
    ]
    shared = sorted(set(levels[0]) & set(levels[1]))
    mine = [c for c in shared if c in cylinders]
    rest = [c for c in shared if c not in cylinders]
    order = before.order
    after_it = {order[(order.index(c) + 1) % len(order)] for c in cylinders}
    # The next firing feels a lost one as well, and where tooth errors were worked out from both
    # turns of a cycle, half of the lack is found in the firing a turn away, upside down.
    turn = {order[(order.index(c) + len(order) // 2) % len(order)] for c in cylinders}
    for echo in (after_it, turn):
        apart = [c for c in rest if c not in echo]
        rest = apart if len(apart) >= LEAST_OTHERS else rest
    if not mine or not rest or (len(rest) < LEAST_OTHERS and not before.is_even):
        return NO_STEP
    usual = [float(np.median([side[c][0] for c in rest])) for side in levels]
    own = [
        max(side[c][0] for c in mine) - u for side, u in zip(levels, usual, strict=True)
    ]  # of a pair the worse one: which of them it is may change from one recording to the next
    moved = own[0] - own[1]
    if moved < LEAST_LEVEL or own[0] < LEAST_LEVEL:
        return Step(own[0], own[1], 1.0)
    errors = [[side[c][1] for c in shared] for side in levels]
    here, there = (np.array([side[c][0] for c in rest]) for side in levels)
    changes = here - there
    both = np.hypot(np.array(errors[0]), np.array(errors[1]))
    wheel = PITCH * len(order) / (4.0 * math.pi)
    error = float(np.median(both))
    chance = max(
        compute_outlying(moved, changes, error, usual=math.sqrt(2.0) * wheel, weight=WEIGHT),
        compute_outlying(own[0], here, float(np.median(errors[0])), usual=wheel, weight=WEIGHT),
    )
    if own[1] < LEVEL_LEFT * own[0]:
        kept = compute_outlying(moved, changes, error, usual=KEPT, weight=WEIGHT)
        other = _find_other_wheel(changes, error, wheel)
        chance = min(chance, other * chance + (1.0 - other) * kept)
    left = compute_outlying(own[1], there, float(np.median(errors[1])), usual=wheel, weight=WEIGHT)
    alone = 1.0
    if moved >= before.rough:  # less may come of lost firings that were not judged so
        alone = compute_outlying(moved, changes, error, usual=wheel, weight=0)
    return Step(own[0], own[1], min(1.0, len(order) * chance), left, len(order), alone)


def _find_other_wheel(changes: NDArray[np.float64], error: float, wheel: float) -> float:
    """Probability that wheel or sensor were moved, by how much the sound cylinders changed.

    Bayes' rule over two normal laws of their changes, about a middle that is not known.
    """
    off = changes - changes.mean()
    law = []
    for usual in (math.sqrt(2.0) * wheel, KEPT):
        variance = usual**2 + error**2
        law.append(-0.5 * ((off.size - 1) * math.log(variance) + float(off @ off) / variance))
    odds = OTHER_WHEEL / (1.0 - OTHER_WHEEL) * math.exp(min(law[0] - law[1], 500.0))
    return odds / (1.0 + odds)


def _find_levels(lack: Lack, use: NDArray[np.bool_]) -> dict[int, tuple[float, float]]:
    """Give the median lack of each cylinder and its standard error."""
    levels = {}
    for c in np.unique(lack.cylinder):
        values = lack.lack[use & (lack.cylinder == c) & np.isfinite(lack.lack)]
        if values.size >= LEAST:
            middle = float(np.median(values))
            levels[int(c)] = (middle, 1.2533 * robust_spread(values) / math.sqrt(values.size))
    return levels


def _find_peaks(z: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the firings that lack more than the one before and the one after."""
    known = np.where(np.isfinite(z), z, -np.inf)
    left = np.concatenate(([-np.inf], known[:-1]))
    right = np.concatenate((known[1:], [-np.inf]))
    return np.asarray((known > left) & (known >= right))
