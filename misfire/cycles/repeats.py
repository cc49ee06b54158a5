"""A wheel that looks the same several times a turn, worked out as one part of it.

Left out of the card, a wheel that repeats is told from a small one by the sparks or the torque
pulses.
"""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.track import angle_at, time_at
from misfire.records import CrankTrack, CrankWheel, Engine, StrokeTrain

MOST_POSITIONS = 30  # a wheel found with more is taken for a whole one
MOST_PARTS = 4
STEP_FIT = 0.05  # relative: the angle between sparks scatters less, in the median
LEAST_STROKES = 5
PLAIN_POWER = 4.0  # the torque pulses of one count outweigh those of the others by this
LEAST_CYCLES = 3
STEP_DEG = 6.0


def count_parts(track: CrankTrack, trains: list[StrokeTrain], *, engine: Engine) -> int:
    """Count how often a wheel that was worked out repeats in one turn of the crank.

    Parameters
    ----------
    track : CrankTrack
        Decoded as if the part were a whole wheel.
    trains : list of StrokeTrain
        Primary, current and trigger channels.
    engine : Engine

    Returns
    -------
    n_parts : int [1..4]
        1 unless the sparks or the torque pulses of this engine plainly say otherwise.

    Notes
    -----
    Seen as a whole turn, a part makes the crank seem to turn faster: a coil then fires every so
    many turns as there are parts, and the engine gives so many times fewer torque pulses a turn.
    """
    if track.wheel.positions > MOST_POSITIONS or not track.wheel.gaps:
        return 1
    allowed = [_fit_sparks(track, t, engine) for t in trains if t.strokes.size >= LEAST_STROKES]
    told = [a for a in allowed if a]
    fits = set.intersection(*told) if told else set(range(1, MOST_PARTS + 1))
    if not fits:
        return 1
    if 1 not in fits and told:
        return min(fits)
    pulses = _fit_pulses(track, engine)
    return pulses if pulses in fits else 1


def repeat_wheel(wheel: CrankWheel, n_parts: int) -> CrankWheel:
    """Make the whole wheel of which one part is known.

    Parameters
    ----------
    wheel : CrankWheel
    n_parts : int [>= 1]

    Returns
    -------
    wheel : CrankWheel

    Examples
    --------
    >>> repeat_wheel(CrankWheel(12, ((11, 12),)), 3).gaps
    ((11, 12), (23, 24), (35, 36))
    """
    gaps = tuple(
        tuple(position + k * wheel.positions for position in gap)
        for k in range(n_parts)
        for gap in wheel.gaps
    )
    return CrankWheel(wheel.positions * n_parts, gaps, wheel.tdc_deg, wheel.sensor)


def _fit_sparks(track: CrankTrack, train: StrokeTrain, engine: Engine) -> set[int]:
    """List the counts of parts that fit the angle from one stroke of a channel to the next."""
    theta = angle_at(track, train.strokes["stop_s"])
    step = np.diff(theta)
    step = step[np.isfinite(step) & (step > 20.0)]  # nearer: strikes of one firing
    if step.size < LEAST_STROKES - 1:
        return set()
    usual = float(np.median(step))
    n = engine.cylinders
    own = len(train.channel.cylinders)
    one = 720.0 if engine.ignition == "coil_on_plug" else 360.0
    if engine.ignition == "distributor":
        places = {720.0 / n}
    elif own and own < n:
        places = {one / max(1.0, own * one / 720.0)}
    elif train.channel.role == "coil_current":
        places = {one, 720.0 / n}
    else:
        places = {one}
    return {
        parts
        for parts in range(1, MOST_PARTS + 1)
        if any(abs(usual / parts / place - 1.0) < STEP_FIT for place in places)
    }


def _fit_pulses(track: CrankTrack, engine: Engine) -> int:
    """Find the count of parts at which the torque pulses stand out of the speed."""
    power = _measure_orders(track)
    if power is None:
        return 1
    found = {
        parts: float(power[engine.cylinders // parts])
        for parts in range(1, MOST_PARTS + 1)
        if engine.cylinders % parts == 0 and engine.cylinders // parts > 1
    }
    if not found:
        return 1
    best = max(found, key=lambda parts: found[parts])
    rest = max((v for k, v in found.items() if k != best), default=0.0)
    return best if found[best] > PLAIN_POWER * rest else 1


def _measure_orders(track: CrankTrack) -> NDArray[np.float64] | None:
    """Measure the power of the speed swing at 0, 1, 2... waves in 720 degrees."""
    if track.angle_deg.size < 4:
        return None
    first, last = track.angle_deg[0] + 360.0, track.angle_deg[-1]
    n = int((last - first) // 720.0)
    if n < LEAST_CYCLES:
        return None
    grid = first + np.arange(0.0, 720.0 * n + STEP_DEG, STEP_DEG)
    speed = STEP_DEG / np.diff(time_at(track, grid))
    cycles = speed[: int(720.0 / STEP_DEG) * n].reshape(n, -1)
    cycles = cycles[np.isfinite(cycles).all(axis=1)]
    if len(cycles) < LEAST_CYCLES:
        return None
    relative = cycles / cycles.mean(axis=1, keepdims=True) - 1.0
    ramp = np.linspace(-0.5, 0.5, relative.shape[1])
    relative -= (relative @ ramp)[:, None] / (ramp @ ramp) * ramp  # the engine runs up
    spectrum = np.median(np.abs(np.fft.rfft(relative, axis=1)) ** 2, axis=0)
    return np.asarray(spectrum)
