"""Crank angle from the coil strokes themselves, where there is no usable crank channel."""

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.naming import name_by_time
from misfire.cycles.weighing import USUAL_ADVANCE_DEG, cylinder_angles
from misfire.errors import CycleError
from misfire.records import CrankTrack, CrankWheel, Engine, Finding, StrokeTrain

LARGEST_STEP = 1.6  # change of the firing interval from one to the next, at hard acceleration
LOST_CYCLES = 2.5  # without a spark for longer, the count of cycles is not trusted


def track_from_sparks(trains: list[StrokeTrain], *, engine: Engine) -> CrankTrack:
    """Make a crank track with one point for each spark.

    Parameters
    ----------
    trains : list of StrokeTrain
        Channels that see coils switch off; those that name fewer cylinders say more.
    engine : Engine

    Returns
    -------
    track : CrankTrack
        Angle 0 is TDC of firing_order[0]; sparks are taken to fall `USUAL_ADVANCE_DEG` before TDC.
        `wheel.tdc_deg` is 0, or None where no channel names its cylinder: then angle 0 may be TDC
        of any. Speed within a cycle is not shown by it.

    Raises
    ------
    CycleError
        If there are too few sparks, or they do not repeat with the cycle.

    Notes
    -----
    Each spark advances the angle by the step, among those its channel allows, that best fits the
    speed of the sparks before it.
    """
    angles = cylinder_angles(engine)
    sources = []
    known = any(len(t.channel.cylinders) in (1, 2) and t.strokes.size >= 3 for t in trains)
    for train in name_by_time(trains, engine=engine):
        stops = train.strokes["stop_s"]
        seen = train.channel.cylinders or tuple(angles)
        if stops.size >= 3:
            sources.append((len(seen), tuple(angles[c] for c in seen), np.sort(stops)))
    if not sources:
        raise CycleError(
            "no crank signal and no coil channel with at least three sparks: "
            "connect the crank sensor or a coil primary"
        )
    sources.sort(key=lambda s: s[0])
    # Channels of single coils first; a common channel adds nothing that is sure beside them.
    least = sources[0][0]
    used = [s for s in sources if s[0] == least]
    if least == 1 and len(used) < engine.cylinders:
        used += [s for s in sources if s[0] > 1][:1] if engine.cylinders > 1 else []
    time_s = np.concatenate([s[2] for s in used])
    source = np.concatenate([np.full(s[2].size, i) for i, s in enumerate(used)])
    order = np.argsort(time_s, kind="stable")
    time_s, source = time_s[order], source[order]
    distinct = np.concatenate(([True], np.diff(time_s) > 1e-3))
    # The same spark seen twice: keep the one whose channel names fewer cylinders.
    group = np.cumsum(distinct) - 1
    best = np.lexsort((source, group))
    keep = best[np.unique(group[best], return_index=True)[1]]
    time_s, source = time_s[keep], source[keep]
    # The walk starts at a spark that says most: before it, a common channel fits anywhere.
    anchor = int(np.argmax(source == source.min()))
    time_s, source = time_s[anchor:], source[anchor:]
    allowed = [np.sort(np.array(s[1])) for s in used]
    angle, stretch = _walk(time_s, source, allowed, engine)
    if np.unique(stretch).size > max(3, 0.2 * time_s.size):
        raise CycleError(
            "the sparks do not repeat with the engine cycle: check firing_order, the channels' "
            "cylinders and the ignition type"
        )
    wheel = CrankWheel(positions=1, gaps=(), tdc_deg=0.0 if known else None)
    note = Finding(
        "no_crank",
        "info",
        "no crank signal: cylinders and speed come from the sparks alone, and torque lost "
        "without a sign in the spark cannot be seen",
    )
    return CrankTrack(
        time_s=time_s,
        angle_deg=angle - USUAL_ADVANCE_DEG,
        stretch=stretch,
        wheel=wheel,
        revolution_known=True,
        findings=(note,),
    )


def _walk(
    time_s: NDArray[np.float64],
    source: NDArray[np.int64],
    allowed: list[NDArray[np.float64]],
    engine: Engine,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Give each spark its unwrapped TDC angle, following the speed from spark to spark."""
    n = time_s.size
    angle = np.zeros(n)
    stretch = np.zeros(n, np.int32)
    usual = _first_speed(time_s, source, allowed, engine)
    angle[0] = allowed[source[0]][0]
    speed = usual
    for i in range(1, n):
        dt = time_s[i] - time_s[i - 1]
        if dt * speed > LOST_CYCLES * 720.0:
            stretch[i] = stretch[i - 1] + 1
            speed = usual
        else:
            stretch[i] = stretch[i - 1]
        guess = angle[i - 1] + speed * dt
        options = allowed[source[i]]
        turns = np.floor((guess - options) / 720.0)
        candidates = np.concatenate((options + 720.0 * turns, options + 720.0 * (turns + 1)))
        candidates = candidates[candidates > angle[i - 1] + 1.0]
        angle[i] = candidates[np.argmin(np.abs(candidates - guess))]
        measured = (angle[i] - angle[i - 1]) / dt
        if 1 / LARGEST_STEP < measured / speed < LARGEST_STEP:
            speed = 0.5 * (speed + measured)
        else:
            speed = float(np.clip(measured, speed / LARGEST_STEP, speed * LARGEST_STEP))
    return angle, stretch


def _first_speed(
    time_s: NDArray[np.float64],
    source: NDArray[np.int64],
    allowed: list[NDArray[np.float64]],
    engine: Engine,
) -> float:
    """Crank degrees per second at the start, from the channel with the steadiest intervals."""
    speeds = []
    for i, options in enumerate(allowed):
        own = time_s[source == i]
        if own.size >= 3:
            step = 720.0 / options.size
            if engine.ignition == "wasted_spark" and options.size == 1:
                step = 360.0
            speeds.append(step / float(np.median(np.diff(own[:12]))))
    if not speeds:
        raise CycleError("too few sparks to tell the engine's speed: record for longer")
    return float(np.median(speeds))
