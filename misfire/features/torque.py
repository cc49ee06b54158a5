"""Torque of each power stroke from crank speed, with wheel errors and trend removed."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import nan_quantile, robust_spread, running_quantile
from misfire.dsp.track import time_at
from misfire.records import CrankTrack, Engine, Firings

PITCH_PRIOR = 1.5e-3  # usual relative speed error of one window by tooth pitch errors
SPEED_BINS = 8
LEAST_KNOWN = 0.7  # share of the prior's variance that the recording must explain away
LEAST_NEIGHBOURS = 4  # firings on each side against which one is judged
WIDEST_DEG = 60.0  # a wider window at TDC holds much of the combustion it is to stand before
LOCAL_FIRINGS = 30  # neighbours from which the local roughness is taken


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """One row per firing; NaN where the crank angle was not known throughout.

    `accel` [unit=1/s^2]: mean crank acceleration from this TDC to the next, corrected.
    `deficit`, `gain_deficit` [unit=1/s^2]: energy (omega^2/2) missing against the neighbours, over
    the whole power stroke and over its first half. `*_z`: the same in spreads of the recording's
    own good firings; `*_own_z`: against the same cylinder's other firings. `step_z`: against the
    firings before or those after, whichever is less: a step of the load or a fuel cut is no lost
    firing. `approach_z`: energy kept too much on the way to this TDC, before anything burns: less
    work of compression. `level`: the neighbours'
    own gain; `noise`: local spread of the deficit. `disturbed`: pulses missing or extra inside.
    """

    accel: NDArray[np.float64]
    deficit: NDArray[np.float64]
    deficit_z: NDArray[np.float64]
    deficit_own_z: NDArray[np.float64]
    step_z: NDArray[np.float64]
    gain_deficit: NDArray[np.float64]
    gain_z: NDArray[np.float64]
    gain_own_z: NDArray[np.float64]
    approach_z: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]
    disturbed: NDArray[np.bool_]


def compute_torque(track: CrankTrack, firings: Firings, *, engine: Engine) -> TorqueTable:
    """Measure what each power stroke added to the crank's energy, against its neighbours.

    Parameters
    ----------
    track : CrankTrack
    firings : Firings
        In time order.
    engine : Engine

    Returns
    -------
    table : TorqueTable [one row per firing]

    Notes
    -----
    Energy gain over the power stroke, (omega_after^2 - omega_before^2) / 2: DESIGN section 4. At
    TDC the speed is taken over a window of half a firing interval (120 degrees at most), so
    compression of this and of the next cylinder weigh the same. Pitch errors of the wheel shift
    the relative speed by the same amount at any speed, torque by an amount that goes with
    1/omega^2: a regression tells them apart where the speed varies; elsewhere nothing is removed
    (prior `PITCH_PRIOR`).
    Source of the segment method: Plapp, Klenk, Moser, SAE 900232 (from memory).
    """
    next_deg = _intervals(engine)
    span = np.array([next_deg[int(c)] for c in firings.cylinder])
    half = min(min(next_deg.values()) / 4.0, WIDEST_DEG)
    tdc = firings.tdc_angle_deg
    before = _speed_around(track, tdc, half)
    middle = _speed_around(track, tdc + span / 2, half)
    after = _speed_around(track, tdc + span, half)
    work = (after**2 - before**2) / 2.0
    gain = (middle**2 - before**2) / 2.0
    speed2 = before**2
    disturbed = _disturbed(track, tdc - half, tdc + span + half)
    approach = _approach(before, middle, tdc, span)
    approach[disturbed] = np.nan
    for values in (work, gain):
        values[disturbed] = np.nan
    work = _remove_pitch_error(work, speed2, firings.cylinder, engine)
    gain = _remove_pitch_error(gain, speed2, firings.cylinder, engine)
    approach = _remove_pitch_error(approach, speed2, firings.cylinder, engine)
    lack = _against_neighbours(approach, firings.cylinder, engine)
    deficit, deficit_z, own_z, _, noise = _against_neighbours(work, firings.cylinder, engine)
    gain_deficit, gain_z, gain_own_z, level, _ = _against_neighbours(gain, firings.cylinder, engine)
    return TorqueTable(
        accel=work / np.deg2rad(span),
        deficit=deficit,
        deficit_z=deficit_z,
        deficit_own_z=own_z,
        step_z=_against_either_side(work, engine) / np.where(noise > 0, noise, np.nan),
        gain_deficit=gain_deficit,
        gain_z=gain_z,
        gain_own_z=gain_own_z,
        approach_z=-lack[1],
        level=level,
        noise=noise,
        disturbed=disturbed,
    )


def _approach(
    at_tdc: NDArray[np.float64],
    middle: NDArray[np.float64],
    tdc_deg: NDArray[np.float64],
    span_deg: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Energy gained from half way between the TDC before and this one, to this one."""
    gained = np.full(at_tdc.size, np.nan)
    follows = np.abs(np.diff(tdc_deg) - span_deg[:-1]) < 1.0
    gained[1:] = np.where(follows, (at_tdc[1:] ** 2 - middle[:-1] ** 2) / 2.0, np.nan)
    return gained


def make_no_torque(n_firings: int) -> TorqueTable:
    """Make the table of a recording without crank speed: NaN throughout.

    Parameters
    ----------
    n_firings : int [>= 0]

    Returns
    -------
    table : TorqueTable
    """
    nothing = np.full(n_firings, np.nan)
    names = [f.name for f in fields(TorqueTable) if f.name != "disturbed"]
    return TorqueTable(**dict.fromkeys(names, nothing), disturbed=np.zeros(n_firings, bool))


def _intervals(engine: Engine) -> dict[int, float]:
    """Crank angle from each cylinder's TDC to the next cylinder's."""
    angles = np.append(np.array(engine.firing_angles_deg), 720.0)
    return {int(c): float(d) for c, d in zip(engine.firing_order, np.diff(angles), strict=True)}


def _speed_around(
    track: CrankTrack, angle_deg: NDArray[np.float64], half_deg: float
) -> NDArray[np.float64]:
    """Mean speed [rad/s] within `half_deg` on both sides of each angle."""
    passed = time_at(track, angle_deg + half_deg) - time_at(track, angle_deg - half_deg)
    return np.asarray(np.deg2rad(2.0 * half_deg) / passed)


def _disturbed(
    track: CrankTrack, start_deg: NDArray[np.float64], stop_deg: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether a pulse was repaired or dropped between two angles."""
    if track.repaired_s is None or track.repaired_s.size == 0:
        return np.zeros(start_deg.size, bool)
    repaired = np.sort(track.repaired_s)
    start_s, stop_s = time_at(track, start_deg), time_at(track, stop_deg)
    n = np.searchsorted(repaired, np.nan_to_num(stop_s, nan=-np.inf), side="right")
    return np.asarray(n > np.searchsorted(repaired, np.nan_to_num(start_s, nan=-np.inf)))


def _remove_pitch_error(
    energy: NDArray[np.float64],
    speed2: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    engine: Engine,
) -> NDArray[np.float64]:
    """Take out of each cylinder what grows with the square of speed: wheel, not torque."""
    if engine.cylinders < 2:
        return energy
    # Whole cycles around each firing, itself left out: every cylinder weighs the same in it.
    reference = running_quantile(energy, reach=engine.cylinders, skip_self=True)
    relative = (energy - reference) / speed2
    relative[: engine.cylinders] = np.nan
    relative[-engine.cylinders :] = np.nan
    inverse = 1.0 / speed2
    corrected = energy.copy()
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
        # Never more than a few times what wheels have: the rest is torque.
        constant = float(np.clip(constant, -4 * PITCH_PRIOR, 4 * PITCH_PRIOR))
        own = cylinder == c
        corrected[own] -= constant * speed2[own]
    return _remove_repeating(corrected, speed2, cylinder, engine)


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
) -> NDArray[np.float64]:
    """Take out what two cylinders 360 degrees apart have in common: the wheel turns twice a cycle.

    One faulty cylinder has no twin. Only as much is taken as a wheel's errors can be.
    """
    angle = dict(zip(engine.firing_order, engine.firing_angles_deg, strict=True))
    reference = running_quantile(energy, reach=engine.cylinders, skip_self=True)
    relative = (energy - reference) / speed2
    usual = {}
    for c in engine.firing_order:
        own = relative[(cylinder == c) & np.isfinite(relative)]
        usual[c] = float(np.median(own)) if own.size >= 5 else np.nan
    corrected = energy.copy()
    for a in engine.firing_order:
        for b in engine.firing_order:
            apart = abs(abs(angle[a] - angle[b]) - 360.0) < 1.0
            if a < b and apart and usual[a] * usual[b] > 0:
                shared = min((usual[a], usual[b]), key=abs)
                shared = float(np.clip(shared, -4 * PITCH_PRIOR, 4 * PITCH_PRIOR))
                own = (cylinder == a) | (cylinder == b)
                corrected[own] -= shared * speed2[own]
    return corrected


def _against_either_side(energy: NDArray[np.float64], engine: Engine) -> NDArray[np.float64]:
    """Energy missing against the firings before and against those after: the lesser of both."""
    reach = max(engine.cylinders, 4)
    width = reach
    if energy.size <= 2 * width:
        return np.full(energy.size, np.nan)
    quantile = 0.7 if engine.cylinders == 2 else 0.5
    padded = np.concatenate((np.full(width, np.nan), energy, np.full(width, np.nan)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    sided = nan_quantile(windows, quantile)
    before, after = sided[: energy.size], sided[width + 1 :]
    return np.asarray(np.fmin(before, after) - energy)


def _against_neighbours(
    energy: NDArray[np.float64], cylinder: NDArray[np.int64], engine: Engine
) -> tuple[
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
]:
    """Deficit, its z, its z against the own cylinder, the neighbours' level, the local noise."""
    n_cylinders = engine.cylinders
    # With two cylinders, one of them dead, half of the neighbours are lost firings.
    quantile = 0.7 if n_cylinders == 2 else 0.5
    reach = n_cylinders * -(-LEAST_NEIGHBOURS // n_cylinders)  # whole cycles
    level = running_quantile(energy, reach=reach, quantile=quantile, skip_self=True)
    deficit = level - energy
    own = np.full(energy.size, np.nan)
    for c in engine.firing_order:
        rows = np.flatnonzero(cylinder == c)
        if rows.size:
            usual = running_quantile(deficit[rows], reach=10)
            own[rows] = deficit[rows] - usual
    overall = robust_spread(own)
    local = 1.4826 * running_quantile(np.abs(own), reach=LOCAL_FIRINGS)
    noise = np.maximum(local, 0.5 * overall) if np.isfinite(overall) else local
    safe = np.where(noise > 0, noise, np.nan)
    return deficit, deficit / safe, own / safe, level, noise
