"""What each firing of a recording lacks of torque against its neighbours in time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.conditions import Match
from misfire.comparison.side import Side
from misfire.comparison.views import LEVEL_LEFT, NO_STEP, Step
from misfire.dsp.chances import compute_outlying
from misfire.dsp.running import robust_spread, running_quantile
from misfire.features.torque import LEAST_NEIGHBOURS, LOCAL_FIRINGS
from misfire.features.wheelerrors import PITCH_PRIOR
from misfire.report.summary import LOST

LEAST = 10  # firings of a cylinder
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation, normal law
PARTED = 0.8  # share of lost and of good firings on their side of half a loss
UNEVEN_DEG = 15.0  # more than the advance differs among cylinders


LEAST_LEVEL = 0.2e-3  # parts of omega squared; less is no lack that a firing has
KEPT = 0.1e-3  # usual change of what a sound cylinder lacks, half of the least that is a lack
OTHER_WHEEL = 0.1  # vehicles whose wheel or sensor were moved between two recordings, at most
WEIGHT = 6  # cylinders for which that knowledge counts
LEAST_OTHERS = 3  # cylinders that tell how much levels scatter


@dataclass(frozen=True, slots=True)
class Lack:
    """What each firing lacks against its neighbours in time.

    `lack` [parts of omega squared]: below the neighbours' acceleration; `square`: omega squared
    [1/s^2]; `own`: over what its
    cylinder usually lacks; `rough`: the spread of that over the whole recording; `z`: the same in
    spreads of the firings around; `is_weak`: more than both firings next to it, which share the
    loss of a lost one; `is_strong`: less than both; `is_good`: not judged lost, nor half so.
    `is_even`: whether the cylinders fire as far apart: else each has a level of its own.
    """

    order: tuple[int, ...]
    cylinder: NDArray[np.int64]
    lack: NDArray[np.float64]
    square: NDArray[np.float64]
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
    square = np.square(np.where(rpm > 0, rpm, np.nan) * np.pi / 30.0)
    lack = (level - accel) / square
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
    return Lack(side.order, number, lack, square, own, rough, z, weak, strong, good, _is_even(side))


def find_worked(
    lacks: tuple[Lack | None, Lack | None], lost: NDArray[np.bool_], cylinders: tuple[int, ...]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Find the firings that gave more than half of what the lost ones before lacked.

    Parameters
    ----------
    lacks : Lack or None before, and after
    lost : bool array [shape=(n_firings before,)]
    cylinders : tuple of int

    Returns
    -------
    worked : two bool arrays [shape=(n_firings,)] or None
        Before, and after. None where torque does not part the lost firings from the others.
    """
    if lacks[0] is None or lacks[1] is None:
        return None
    over = _set_against_good(lacks[0]), _set_against_good(lacks[1])
    known = np.isfinite(over[0]) & np.isin(lacks[0].cylinder, cylinders)
    of_lost, of_good = over[0][known & lost], over[0][known & ~lost & lacks[0].is_good]
    if of_lost.size < LEAST or of_good.size < LEAST:
        return None
    half = 0.5 * float(np.median(of_lost))
    if min(np.mean(of_lost > half), np.mean(of_good < half)) < PARTED:
        return None
    return over[0] < half, over[1] < half


def _set_against_good(lack: Lack) -> NDArray[np.float64]:
    """Give the torque each firing lacks over the good ones of its cylinder; NaN: none is good."""
    over = np.full(lack.own.size, np.nan)
    torque = lack.own * lack.square  # a lost combustion is one at any speed
    for c in lack.order:
        mine = lack.cylinder == c
        good = torque[mine & lack.is_good & np.isfinite(torque)]
        if good.size:
            over[mine] = torque[mine] - float(np.median(good))
    return over


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


def _find_peaks(z: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the firings that lack more than the one before and the one after."""
    known = np.where(np.isfinite(z), z, -np.inf)
    left = np.concatenate(([-np.inf], known[:-1]))
    right = np.concatenate((known[1:], [-np.inf]))
    return np.asarray((known > left) & (known >= right))


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
