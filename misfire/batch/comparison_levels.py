"""Levels of torque before and after: how far a cylinder stood below the others, and came back."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from misfire.batch.comparison_conditions import Match
from misfire.batch.comparison_excess import LEVEL_LEFT, NO_STEP, Step, compute_outlying
from misfire.batch.comparison_lack import LEAST, Lack
from misfire.dsp.running import robust_spread
from misfire.features.wheelerrors import PITCH_PRIOR

LEAST_LEVEL = 0.2e-3  # parts of omega squared; less is no lack that a firing has
KEPT = 0.1e-3  # usual change of what a sound cylinder lacks, half of the least that is a lack
OTHER_WHEEL = 0.1  # vehicles whose wheel or sensor were moved between two recordings, at most
WEIGHT = 6  # cylinders for which that knowledge counts
LEAST_OTHERS = 3  # cylinders that tell how much levels scatter


def find_step(before: Lack, after: Lack, match: Match, cylinders: tuple[int, ...]) -> Step:
    """Set the change of a cylinder's level against the changes of the others.

    Parameters
    ----------
    before, after : Lack
    match : Match
    cylinders : tuple of int
        Of a pair the worse one counts.

    Returns
    -------
    step : Step
        Levels in parts of omega squared; NO_STEP where they cannot be compared.

    Notes
    -----
    The wheel of one vehicle has the same errors both times, and where its sensor was moved all
    cylinders show it: how much the others changed tells what is no torque.
    """
    sides = (before, match.before), (after, match.after)
    levels = [_find_levels(side, use, side.lack) for side, use in sides]
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
    own = [_find_offset(side, mine, rest) for side in levels]
    torques = [_find_levels(side, use, side.lack * side.square) for side, use in sides]
    was, still = (_find_offset(side, mine, rest) for side in torques)
    kept = still / was if was > 0 else math.nan
    moved = own[0] - own[1]
    if moved < LEAST_LEVEL or own[0] < LEAST_LEVEL:
        return Step(own[0], own[1], 1.0, kept=kept)
    errors = [[side[c][1] for c in shared] for side in levels]
    here, there = (np.array([side[c][0] for c in rest]) for side in levels)
    changes = here - there
    both = np.hypot(np.array(errors[0]), np.array(errors[1]))
    wheel = PITCH_PRIOR * len(order) / (4.0 * math.pi)
    error = float(np.median(both))
    chance = max(
        compute_outlying(moved, changes, error, usual=math.sqrt(2.0) * wheel, weight=WEIGHT),
        compute_outlying(own[0], here, float(np.median(errors[0])), usual=wheel, weight=WEIGHT),
    )
    if own[1] < LEVEL_LEFT * own[0]:
        same = compute_outlying(moved, changes, error, usual=KEPT, weight=WEIGHT)
        other = _find_other_wheel(changes, error, wheel)
        chance = min(chance, other * chance + (1.0 - other) * same)
    left = compute_outlying(own[1], there, float(np.median(errors[1])), usual=wheel, weight=WEIGHT)
    alone = 1.0
    if moved >= before.rough:  # less may come of lost firings that were not judged so
        alone = compute_outlying(moved, changes, error, usual=wheel, weight=0)
    return Step(own[0], own[1], min(1.0, len(order) * chance), left, len(order), alone, kept)


def _find_offset(levels: dict[int, tuple[float, float]], mine: list[int], rest: list[int]) -> float:
    """How far a cylinder stands from the usual level of the others.

    Of a pair the worse one: which of them it is may change from one recording to the next.
    """
    return max(levels[c][0] for c in mine) - float(np.median([levels[c][0] for c in rest]))


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


def _find_levels(
    lack: Lack, use: NDArray[np.bool_], measure: NDArray[np.float64]
) -> dict[int, tuple[float, float]]:
    """Give the median of each cylinder in a measure of lack, and its standard error."""
    levels = {}
    for c in np.unique(lack.cylinder):
        values = measure[use & (lack.cylinder == c) & np.isfinite(measure)]
        if values.size >= LEAST:
            middle = float(np.median(values))
            levels[int(c)] = (middle, 1.2533 * robust_spread(values) / math.sqrt(values.size))
    return levels
