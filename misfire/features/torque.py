"""Torque of each power stroke from crank speed, with wheel errors and trend removed."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.running import nan_quantile, robust_spread, running_quantile
from misfire.dsp.track import time_at
from misfire.dsp.trend import fit_local_trend
from misfire.records import CrankTrack, Engine, Firings

PITCH_PRIOR = 1.5e-3  # usual relative speed error of one window by tooth pitch errors
SPEED_BINS = 8
LEAST_KNOWN = 0.7  # share of the prior's variance that the recording must explain away
LEAST_NEIGHBOURS = 4  # firings on each side against which one is judged
TREND_FIRINGS = 8  # on each side: a driveline swings within some ten firings
WORK_DEG = 150.0  # by then a combustion has done its work; later angles only add the road's
EARLY_DEG = 90.0  # most of it is done by then
# Share of a combustion's work done so far after TDC: slider-crank and a Wiebe burn of 40 to 65
# degrees, as in the simulator; the closed form of an instant burn gives 0.65 at 60 degrees and
# 0.84 at 90 (compression ratio 10, exponent 1.3).
DONE_DEG = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0)
DONE_SHARE = (0.0, 0.12, 0.52, 0.80, 0.95, 1.0)
WIDEST_DEG = 60.0  # a wider window at TDC holds much of the combustion it is to stand before
LEAST_SHARE = 0.03  # of a combustion's work in a later stroke, below which that is left out
OUTSTANDING = 3.0  # spreads: a loss that certainly marks the strokes beside it
LOCAL_FIRINGS = 30  # neighbours from which the local roughness is taken


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """One row per firing; NaN where the crank angle was not known throughout.

    `accel` [unit=1/s^2]: mean crank acceleration from this TDC to the next, corrected. `deficit`,
    `gain_deficit` [unit=1/s^2]: energy (omega^2/2) missing against the trend through the
    neighbours, over the power stroke and over its first half; where the next cylinder fires before
    the work is done, gathered from the strokes it spreads over. `*_z`: the same in spreads of the
    recording's own good firings; `*_own_z`: against the same cylinder's other firings. `step_z`:
    against the firings before or those after, whichever is less: a step of the load or a fuel cut
    is no lost firing. `approach_z`: energy kept too much on the way to this TDC, before anything
    burns: less work of compression. `level`: the neighbours' own gain; `noise`: local spread of
    the deficit. `disturbed`: pulses missing or extra inside.
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
    TDC the speed is taken over a window of half a firing interval (120 degrees at most). A stroke
    is followed for `WORK_DEG` at most: what the driveline does after that is not the cylinder's.
    Pitch errors of the wheel shift the relative speed by the same amount at any speed, torque by
    an amount that goes with 1/omega^2: a regression tells them apart where the speed varies;
    elsewhere nothing is removed (prior `PITCH_PRIOR`).
    Source of the segment method: Plapp, Klenk, Moser, SAE 900232 (from memory).
    """
    next_deg = _intervals(engine)
    span = np.array([next_deg[int(c)] for c in firings.cylinder])
    half = min(min(next_deg.values()) / 4.0, WIDEST_DEG)
    tdc = firings.tdc_angle_deg
    followed = np.minimum(span, WORK_DEG)
    before = _speed_around(track, tdc, half)
    middle = _speed_around(track, tdc + np.minimum(span / 2, EARLY_DEG), half)
    after = _speed_around(track, tdc + followed, half)
    ahead = _speed_around(track, tdc - np.minimum(_turn_back(engine, firings) / 2, EARLY_DEG), half)
    work = (after**2 - before**2) / 2.0
    gain = (middle**2 - before**2) / 2.0
    approach = (before**2 - ahead**2) / 2.0
    speed2 = before**2
    disturbed = _disturbed(track, tdc - half, tdc + span + half)

    def correct(energy: NDArray[np.float64]) -> NDArray[np.float64]:
        energy[disturbed] = np.nan
        return _remove_pitch_error(energy, speed2, firings.cylinder, engine)

    work, gain, approach = correct(work), correct(gain), correct(approach)
    whole = work
    if (span > followed).any():
        whole = correct((_speed_around(track, tdc + span, half) ** 2 - speed2) / 2.0)
    lack = _against_neighbours(approach, firings.cylinder, engine)
    shares = _share_work(tdc, followed, half)
    deficit = _against_neighbours(work, firings.cylinder, engine, shares)
    early = _against_neighbours(gain, firings.cylinder, engine)
    sided = _gather(_against_either_side(work, engine), shares)
    sided = _take_out_larger(sided, shares, deficit.noise)
    return TorqueTable(
        accel=whole / np.deg2rad(span),
        deficit=deficit.missing,
        deficit_z=deficit.missing / deficit.noise,
        deficit_own_z=deficit.own / deficit.noise,
        step_z=sided / deficit.noise,
        gain_deficit=early.missing,
        gain_z=early.missing / early.noise,
        gain_own_z=early.own / early.noise,
        approach_z=-lack.missing / lack.noise,
        level=early.level,
        noise=deficit.noise,
        disturbed=disturbed,
    )


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


def _turn_back(engine: Engine, firings: Firings) -> NDArray[np.float64]:
    """Crank angle from the TDC before to each firing's own."""
    next_deg = _intervals(engine)
    order = engine.firing_order
    since = {c: next_deg[order[i - 1]] for i, c in enumerate(order)}
    return np.array([since[int(c)] for c in firings.cylinder])


def _share_work(
    tdc_deg: NDArray[np.float64], followed_deg: NDArray[np.float64], half_deg: float
) -> NDArray[np.float64]:
    """Share of each combustion's work seen in its own stroke and in the ones after.

    [shape=(n_firings, n_strokes)]; 0 where the row that follows is not the next stroke.
    """
    within = np.linspace(-half_deg, half_deg, 31)  # the speed is a mean over the window
    at_deg = np.arange(0.0, 2.0 * WORK_DEG)
    seen = np.interp(at_deg[:, None] + within, DONE_DEG, DONE_SHARE).mean(axis=1)
    shortest = float(followed_deg.min(initial=WORK_DEG))
    n_strokes = int(np.ceil(WORK_DEG / shortest - 1e-9))
    shares = np.zeros((tdc_deg.size, n_strokes))
    for number in range(min(n_strokes, tdc_deg.size)):
        n = tdc_deg.size - number
        start = tdc_deg[number:] - tdc_deg[:n]
        stop = start + followed_deg[number:]
        share = np.interp(stop, at_deg, seen) - np.interp(start, at_deg, seen)
        shares[:n, number] = np.where((start >= 0) & (start < WORK_DEG), share, 0.0)
    shares[:, 1:][shares[:, 1:] < LEAST_SHARE] = 0.0
    return shares


def _gather(
    missing: NDArray[np.float64], shares: NDArray[np.float64], *, spreads: bool = False
) -> NDArray[np.float64]:
    """Estimate the work lost by each firing from the strokes it spreads over, by least squares.

    With `spreads` the values are standard deviations and come out as that of the estimate.
    """
    total = np.zeros(missing.size)
    weight = np.zeros(missing.size)
    for number in range(shares.shape[1]):
        share = shares[:, number]
        value = np.concatenate((missing[number:], np.full(number, np.nan)))[: missing.size]
        used = (share > 0) & np.isfinite(value)
        total += np.where(used, (share * value) ** 2 if spreads else share * value, 0.0)
        weight += np.where(used, share**2, 0.0)
    known = np.isfinite(missing) & (weight > 0)
    safe = np.where(known, weight, np.nan)
    return np.asarray((np.sqrt(total) if spreads else total) / safe)


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
        # Never more than a few times what wheels have: the rest is torque.
        constants[c] = float(np.clip(constant, -4 * PITCH_PRIOR, 4 * PITCH_PRIOR))
    corrected = energy.copy()
    for c, constant in _share_by_place(constants, engine).items():
        own = cylinder == c
        corrected[own] -= constant * speed2[own]
    return _remove_repeating(corrected, speed2, cylinder, engine)


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
) -> NDArray[np.float64]:
    """Take out what two cylinders 360 degrees apart have in common: the wheel turns twice a cycle.

    One faulty cylinder has no twin. Only as much is taken as a wheel's errors can be.
    """
    reference = running_quantile(energy, reach=engine.cylinders, skip_self=True)
    relative = (energy - reference) / speed2
    usual = {}
    for c in engine.firing_order:
        own = relative[(cylinder == c) & np.isfinite(relative)]
        usual[c] = float(np.median(own)) if own.size >= 5 else np.nan
    corrected = energy.copy()
    for a, b in _list_pairs(engine):
        common = _find_common(usual[a], usual[b])
        common = float(np.clip(common, -4 * PITCH_PRIOR, 4 * PITCH_PRIOR))
        own = (cylinder == a) | (cylinder == b)
        corrected[own] -= common * speed2[own]
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


def _take_out_larger(
    missing: NDArray[np.float64], shares: NDArray[np.float64], noise: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Take from each firing what a larger loss beside it leaves in its strokes.

    Source: one step of the method by which J. A. Hogbom, Astron. Astrophys. Suppl. 15 (1974) 417
    (from memory), takes the side lobes of the strongest source out of a map.
    """
    cleaned = missing.copy()
    n, n_strokes = shares.shape
    weight = np.sum(shares**2, axis=1)
    explained = missing * np.sqrt(weight)  # how well a loss there fits what the strokes lack
    for apart in range(1, min(n_strokes, n)):
        early, late = slice(0, n - apart), slice(apart, n)
        common = np.sum(shares[early, apart:] * shares[late, : n_strokes - apart], axis=1)
        for own, other in ((early, late), (late, early)):
            larger = missing[other] > OUTSTANDING * noise[other]
            larger &= ~(explained[own] > explained[other])
            part = common / np.where(weight[own] > 0, weight[own], np.inf)
            cleaned[own] -= np.where(larger, part * missing[other], 0.0)
    return cleaned


@dataclass(frozen=True, slots=True)
class _Lack:
    """What firings lack: `missing` in all, `own` against the same cylinder's others."""

    missing: NDArray[np.float64]
    own: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]


def _against_neighbours(
    energy: NDArray[np.float64],
    cylinder: NDArray[np.int64],
    engine: Engine,
    shares: NDArray[np.float64] | None = None,
) -> _Lack:
    """Tell what each firing lacks: what its cylinder usually lacks, and what only this one does.

    The first comes from medians over whole cycles; the second is what remains, against the trend
    through the neighbours, in which load and driveline move.
    """
    n_cylinders = engine.cylinders
    # With two cylinders, one of them dead, half of the neighbours are lost firings.
    quantile = 0.7 if n_cylinders == 2 else 0.5
    reach = n_cylinders * -(-LEAST_NEIGHBOURS // n_cylinders)  # whole cycles
    level = running_quantile(energy, reach=reach, quantile=quantile, skip_self=True)
    usual = np.full(energy.size, np.nan)
    for c in engine.firing_order:
        rows = np.flatnonzero(cylinder == c)
        if rows.size:
            usual[rows] = running_quantile((level - energy)[rows], reach=10)
    trend, spread = fit_local_trend(energy + usual, reach=max(TREND_FIRINGS, n_cylinders))
    own = trend - (energy + usual)
    missing = usual + own
    if shares is not None:
        missing, own = _gather(missing, shares), _gather(own, shares)
        spread = _gather(spread, shares, spreads=True)
    overall = robust_spread(own)
    local = 1.4826 * running_quantile(np.abs(own), reach=LOCAL_FIRINGS)
    noise = np.maximum(local, 0.5 * overall) if np.isfinite(overall) else local
    noise = np.fmax(noise, spread)  # where neighbours hardly follow any trend, neither need this
    noise = np.where(noise > 0, noise, np.nan)
    if shares is not None:
        missing, own = (_take_out_larger(m, shares, noise) for m in (missing, own))
    return _Lack(missing, own, level, noise)
