"""What the crank speed's own ripple says of TDC and of the compression revolution."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.track import list_stretches, time_at
from misfire.records import CrankTrack, Engine

STEP_DEG = 4.0
GAS_RPM = 1600.0  # above this the reciprocating masses outweigh the gas in the ripple
LAG_DEG = 8.0  # the speed is lowest a little after TDC: the load has to be met first
JUMP_DEG = 55.0  # combustion gives half of its work by then (Wiebe burn of 50 degrees, arm of D)
MOST_CYCLES = 400


@dataclass(frozen=True, slots=True)
class Ripple:
    """`tdc_deg` [0..720): where compression TDC of firing_order[0] lies by the ripple alone.

    `margin` [0..1]: how much the best place gains over the same place one revolution later;
    `sharpness` [0..1]: how much it gains over the mean of all places. Both 0 if nothing is told.
    """

    tdc_deg: float
    margin: float
    sharpness: float


def find_ripples(track: CrankTrack, *, engine: Engine) -> dict[int, Ripple]:
    """Find for each stretch in sync what its speed says of TDC and of the revolution.

    Parameters
    ----------
    track : CrankTrack
    engine : Engine

    Returns
    -------
    ripples : dict of stretch -> Ripple
        What one stretch says does not hold for another: behind a loss of sync or between parts
        either revolution may follow.
    """
    return {
        number: find_ripple(track, first, stop, engine=engine)
        for number, first, stop in list_stretches(track)
    }


def find_ripple(track: CrankTrack, first_tooth: int, stop_tooth: int, *, engine: Engine) -> Ripple:
    """Find where the power strokes begin: the crank gains most speed after TDC.

    Parameters
    ----------
    track : CrankTrack
    first_tooth, stop_tooth : int
        Of one stretch: its first tooth, and the one behind its last.
    engine : Engine

    Returns
    -------
    ripple : Ripple
        TDC is told modulo the pattern of the engine: an evenly firing engine of four cylinders
        gives it modulo 180 degrees, `margin` is then 0.

    Notes
    -----
    Below some 1600 rev/min gas torque outweighs the reciprocating masses (Heywood, from memory:
    inertia torque grows with speed squared), so the speed is least just after each TDC.
    """
    nothing = Ripple(0.0, 0.0, 0.0)
    if stop_tooth - first_tooth < 2:
        return nothing
    begin_deg, end_deg = track.angle_deg[np.array([first_tooth, stop_tooth - 1])]
    if end_deg - begin_deg < 4 * 720.0:
        return nothing
    first = np.ceil(begin_deg / 720.0) * 720.0
    n_cycles = int((end_deg - first) // 720.0) - 1
    if n_cycles < 2:
        return nothing
    chosen = np.unique(np.linspace(0, n_cycles - 1, min(n_cycles, MOST_CYCLES)).astype(int))
    places = np.arange(0.0, 720.0, STEP_DEG)
    grid = first + 720.0 * chosen[:, None] + np.arange(0.0, 1440.0 + STEP_DEG, STEP_DEG)[None, :]
    passed = time_at(track, grid.ravel()).reshape(grid.shape)
    speed = np.deg2rad(STEP_DEG) / np.diff(passed, axis=1)
    usable = np.isfinite(speed).all(axis=1)
    rpm = 1440.0 / 6.0 / (passed[:, -1] - passed[:, 0])
    if engine.cylinders == 1 and usable.sum() >= 3:
        return _find_single(speed[usable][:, : places.size], places)
    usable &= (rpm < GAS_RPM) & (rpm > 60.0)
    if usable.sum() < 3:
        return nothing
    energy = np.median(_detrend(speed[usable] ** 2 / 2.0), axis=0)[: places.size]
    interval = 720.0 / engine.cylinders
    reach = max(1, int(min(interval / 2, 80.0) / STEP_DEG))
    smooth = max(1, reach // 2)
    kernel = np.ones(smooth) / smooth
    wrapped = np.concatenate((energy, energy))
    mean = np.convolve(wrapped, kernel, mode="same")[: places.size * 2]
    gain = mean[(np.arange(places.size) + reach) % places.size] - mean[: places.size]
    # Sum over all cylinders' TDCs, for each place that firing_order[0] could have.
    score = np.zeros(places.size)
    for angle in engine.firing_angles_deg:
        shift = round(angle / STEP_DEG)
        score += np.roll(gain, -shift)
    best = int(np.argmax(score))
    swing = float(np.ptp(gain)) * engine.cylinders
    if swing <= 0:
        return nothing
    opposite = score[(best + places.size // 2) % places.size]
    margin = float(np.clip((score[best] - opposite) / swing, 0.0, 1.0))
    sharpness = float(np.clip((score[best] - score.mean()) / swing, 0.0, 1.0))
    return Ripple(float((places[best] - LAG_DEG) % 720.0), margin, sharpness)


def _find_single(speed: NDArray[np.float64], places: NDArray[np.float64]) -> Ripple:
    """Tell TDC of one cylinder from the half order: one jump of energy in two revolutions.

    Compression and inertia repeat every revolution at any speed, only combustion does not. Between
    two combustions the energy falls in a line, so its half order is that of a sawtooth whose jump
    lies `JUMP_DEG` after TDC: phase of sin((angle - jump) / 2).
    """
    energy = speed**2 / 2.0
    energy = energy - energy.mean(axis=1, keepdims=True)
    turn = np.exp(-1j * np.deg2rad(places + STEP_DEG / 2) / 2.0)
    each = (energy * turn).mean(axis=1)
    whole = np.median(each.real) + 1j * np.median(each.imag)
    jump = np.rad2deg(-2.0 * (np.angle(whole) + np.pi / 2.0))
    agreement = float(np.clip(np.abs(each.mean()) / max(np.abs(each).mean(), 1e-9), 0.0, 1.0))
    return Ripple(float((jump - JUMP_DEG) % 720.0), agreement, agreement)


def _detrend(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take each cycle's own mean and drift out."""
    n = energy.shape[1]
    x = np.linspace(-0.5, 0.5, n)
    half = n // 2
    drift = energy[:, half:].mean(axis=1) - energy[:, :half].mean(axis=1)
    level = energy.mean(axis=1, keepdims=True)
    return np.asarray(energy - level - 2.0 * drift[:, None] * x[None, :])
