"""Errors of the crank wheel's teeth, taken out of the energy of power strokes.

What repeats each turn of the wheel (in a cylinder 360 degrees apart, or with 3 and 5 cylinders at
the place itself, where a turn later nothing fires) and what grows with the square of speed is
wheel, not torque, up to what wheels have. What two cylinders 360 degrees apart lack alike, in both
turns, is weighed by Bayes' rule between a wheel of usual errors and both of them failing: beyond
four times the usual error it is the cylinders.
"""

import math

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import robust_spread, running_quantile
from misfire.records import Engine

PITCH_PRIOR = 1.5e-3  # usual relative speed error of one window by tooth pitch errors
MOST_ERROR = 4 * PITCH_PRIOR  # never more is taken out: the rest is torque
BOTH_FAIL = 0.003  # of engines: two cylinders 360 degrees apart that lose most firings
LARGEST_LOSS = 0.02  # of omega^2, in which what both lack may lie
SPEED_BINS = 8
LEAST_KNOWN = 0.7  # share of the prior's variance that the recording must explain away


def remove_wheel_error(
    energy: NDArray[np.float64],
    speed2: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    *,
    engine: Engine,
    turned: NDArray[np.float64] | None = None,
    lost: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Take out of each cylinder what the wheel puts in: what grows with the square of speed.

    Parameters
    ----------
    energy : float64 array [shape=(n_firings,), unit=1/s^2]
        Gain of omega^2/2 over a part of each power stroke.
    speed2 : float64 array [shape=(n_firings,), unit=1/s^2]
        omega^2 at its beginning.
    cylinder : int64 array [shape=(n_firings,)]
    engine : Engine
    turned : float64 array [shape=(n_firings,), unit=1/s^2], optional
        The same gain one turn later, at the same places of the wheel, if `fires_between`.
    lost : bool array [shape=(n_firings,)], optional
        Firings that are known to be lost: they tell nothing of the wheel.

    Returns
    -------
    corrected : float64 array [shape=(n_firings,), unit=1/s^2]

    Notes
    -----
    Pitch errors shift the relative speed by the same amount at any speed, torque by an amount that
    goes with 1/omega^2: a regression tells them apart where the speed varies. And the wheel turns
    twice a cycle: an error shows in both turns, the work of one cylinder in one of them.
    """
    if engine.cylinders < 2:
        return energy
    sound = energy if lost is None else np.where(lost, np.nan, energy)
    relative = _set_against_others(sound, speed2, engine)
    relative[: engine.cylinders] = np.nan
    relative[-engine.cylinders :] = np.nan
    inverse = 1.0 / speed2
    constants = dict.fromkeys(engine.firing_order, 0.0)
    for c in engine.firing_order:
        rows = np.flatnonzero((cylinder == c) & np.isfinite(relative))
        if rows.size < 3 * SPEED_BINS:
            continue
        by_speed = rows[np.argsort(inverse[rows], kind="stable")]
        x, y, spread = [], [], []
        for part in np.array_split(by_speed, SPEED_BINS):
            x.append(float(np.median(inverse[part])))
            y.append(float(np.median(relative[part])))
            spread.append(max(robust_spread(relative[part]), 1e-6) / np.sqrt(part.size))
        design = np.column_stack((np.ones(SPEED_BINS), np.array(x) / np.mean(x)))
        constant = _fit_constant(design, np.array(y), np.array(spread))
        constants[c] = _clip(constant)
    corrected = energy.copy()
    for c, constant in _share_by_place(constants, engine).items():
        own = cylinder == c
        corrected[own] -= constant * speed2[own]
    if turned is not None:
        turned = turned - np.array([constants[int(c)] for c in cylinder]) * speed2
    return _remove_repeating(corrected, speed2, cylinder, engine, turned, lost)


def fires_between(engine: Engine) -> bool:
    """Tell whether each TDC is, a turn later, midway between two others.

    Parameters
    ----------
    engine : Engine

    Returns
    -------
    between : bool
        So with 3 and 5 cylinders that fire at even distances.
    """
    apart = np.diff(np.append(np.array(engine.firing_angles_deg), 720.0))
    return engine.cylinders % 2 == 1 and engine.cylinders > 1 and bool(np.ptp(apart) < 1.0)


def _set_against_others(
    energy: NDArray[np.float64], speed2: NDArray[np.float64], engine: Engine
) -> NDArray[np.float64]:
    """Energy of each firing beside whole cycles around it, itself left out, over omega^2.

    In whole cycles every cylinder weighs the same.
    """
    reference = running_quantile(energy, reach=engine.cylinders, skip_self=True)
    return np.asarray((energy - reference) / speed2)


def _share_by_place(constants: dict[int, float], engine: Engine) -> dict[int, float]:
    """Leave to cylinders at one place of the wheel, 360 degrees apart, what both show."""
    shared = dict(constants)
    for a, b in _list_pairs(engine):
        shared[a] = shared[b] = _find_common(constants[a], constants[b])
    return shared


def _list_pairs(engine: Engine) -> list[tuple[int, int]]:
    """List the cylinders 360 degrees apart: their TDC are at one place of the wheel."""
    angle = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    return [
        (a, b)
        for a in engine.firing_order
        for b in engine.firing_order
        if a < b and abs(abs(angle[a] - angle[b]) - 360.0) < 1.0
    ]


def _find_common(one: float, other: float) -> float:
    """Give what two numbers have in common; 0 where they differ in sign or one is unknown."""
    return min(one, other, key=abs) if one * other > 0 else 0.0


def _fit_constant(
    design: NDArray[np.float64], y: NDArray[np.float64], spread: NDArray[np.float64]
) -> float:
    """Fit the part that does not go with 1/omega^2; 0 where the speed varied too little for it."""
    rows = design / spread[:, None]
    fit = np.linalg.lstsq(rows, y / spread, rcond=None)[0]
    misfit = float(np.sum(((y - design @ fit) / spread) ** 2)) / (y.size - design.shape[1])
    prior = np.array([[1.0 / PITCH_PRIOR, 0.0]]) * np.sqrt(max(misfit, 1.0))
    stacked = np.vstack((rows, prior))
    known = 1.0 - np.linalg.inv(stacked.T @ stacked)[0, 0] * prior[0, 0] ** 2
    if known < LEAST_KNOWN:
        return 0.0
    return float(np.linalg.lstsq(stacked, np.append(y / spread, 0.0), rcond=None)[0][0])


def _remove_repeating(
    energy: NDArray[np.float64],
    speed2: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    engine: Engine,
    turned: NDArray[np.float64] | None,
    lost: NDArray[np.bool_] | None,
) -> NDArray[np.float64]:
    """Take out what comes back a turn later: the wheel turns twice a cycle.

    One faulty cylinder has no twin, and nothing of it is seen a turn later. Only as much is taken
    as a wheel's errors can be.
    """
    sound = energy if lost is None else np.where(lost, np.nan, energy)
    usual = _find_usual(sound, speed2, cylinder, engine)
    later = usual if turned is None else _find_usual(turned, speed2, cylinder, engine)
    pairs = _list_pairs(engine) if turned is None else [(c, c) for c in engine.firing_order]
    corrected = energy.copy()
    for a, b in pairs:
        common = _find_common(usual[a], later[b])
        # Nothing fires there a turn later; nor does a cylinder give twice its work, so that of
        # three places one that has more is the wheel.
        is_wheel = a == b or (common > 0 and len(pairs) > 2)
        common = _clip(common) if is_wheel else _weigh_error(common)
        own = (cylinder == a) | (cylinder == b)
        corrected[own] -= common * speed2[own]
    return corrected


def _clip(error: float) -> float:
    """Keep an error within what a wheel's can be."""
    return min(max(error, -MOST_ERROR), MOST_ERROR)


def _weigh_error(common: float) -> float:
    """Give what is to be taken out of what comes back a turn later: times the odds of a wheel.

    By Bayes' rule over the normal law of wheels and a flat one of cylinders that fail together.
    """
    wheel = math.exp(-0.5 * (common / PITCH_PRIOR) ** 2) / (math.sqrt(2 * math.pi) * PITCH_PRIOR)
    odds = (1.0 - BOTH_FAIL) / BOTH_FAIL * wheel * LARGEST_LOSS
    return common * odds / (1.0 + odds)


def _find_usual(
    energy: NDArray[np.float64],
    speed2: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    engine: Engine,
) -> dict[int, float]:
    """Give what each cylinder's energy usually is beside the others', relative to omega^2."""
    relative = _set_against_others(energy, speed2, engine)
    usual = {}
    for c in engine.firing_order:
        own = relative[(cylinder == c) & np.isfinite(relative)]
        usual[c] = float(np.median(own)) if own.size >= 5 else np.nan
    return usual
