"""Crank angle from the coil strokes themselves, where there is no usable crank channel.

The sparks are followed one by one: no flywheel lets an engine turn 1.8 times as fast from one
firing to the next, unless it hardly turned, so a spark that asks for it is a stray, or, if it comes
on time and a second one agrees, the count was wrong. Further strikes of a firing are taken out
first (`cycles/restrikes.py`); a pick-up that fires as often as the coil of all names no cylinder.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.naming import name_by_time
from misfire.cycles.restrikes import MOST_STRIKES, find_restrikes
from misfire.cycles.weighing import USUAL_ADVANCE_DEG, cylinder_angles
from misfire.errors import CycleError
from misfire.limits import MOST_RPM
from misfire.records import CrankTrack, CrankWheel, Engine, Finding, StrokeTrain

LARGEST_STEP = 1.6  # change of the firing interval from one to the next, at hard acceleration
LOST_CYCLES = 2.5  # without a spark for longer, the count of cycles is not trusted
JUMP = 1.8  # times as fast as just before: no flywheel lets an engine do so within one firing
# Speed that one combustion gives a crank at rest, sqrt(2 x 2300 1/s^2): the first of a start has a
# full charge, and 350 J (7 bar in 0.5 l) meet 0.15 kg m^2: from 400 to 760 rev/min. A pair of coils
# on each other's leads asks for more.
FIRST_DEG_S = 3900.0
ON_TIME = 1.25  # of a whole number of firing intervals: the spark came when one was due
EVEN, MISPLACED = 0.1, 0.12  # of the speed about a spark; of the time between its neighbours
LEAST_AGAINST = 2  # in a row that contradict the count: one may be heard from another coil
MOST_STRAYS = 3  # in a row, or every other; after more it is the count that went astray
OVERHEARD = 0.6  # of the interval of its own firings: the channel shows those of others as well
FAINT = 0.1  # of a pick-up's usual height: other leads; a fouled plug still asks for a third
FIRST_SPARKS = 12  # tell the speed at the beginning
TRIAL_SPARKS = 120  # by which two speeds at the beginning are compared
LEAST_SPARKS = 3


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
    trains = _drop_overheard([_keep_first_strikes(t) for t in trains], engine)
    sources = []
    known = any(len(t.channel.cylinders) in (1, 2) for t in trains)
    for train in name_by_time(trains, engine=engine):
        seen = train.channel.cylinders or tuple(angles)
        sources.append((len(seen), tuple(angles[c] for c in seen), train.strokes["stop_s"]))
    if not sources:
        raise CycleError(
            "no crank signal and no coil channel with at least three sparks: "
            "connect the crank sensor or a coil primary"
        )
    # Channels of single coils first; a common channel adds nothing that is sure beside them, and
    # of several the one that shows most sparks is the one that was read.
    sources.sort(key=lambda s: (s[0], -s[2].size if s[0] > 1 else 0))
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
    stretch[_find_misplaced(time_s, angle, stretch)] = -1
    kept = stretch >= 0
    if np.unique(stretch).size + np.count_nonzero(~kept) > max(3, 0.2 * time_s.size):
        raise CycleError(
            "the sparks do not repeat with the engine cycle: check firing_order, the channels' "
            "cylinders and the ignition type"
        )
    time_s, angle, stretch = time_s[kept], angle[kept], stretch[kept]
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


def _keep_first_strikes(train: StrokeTrain) -> StrokeTrain:
    """Leave out the strikes that follow the first of a firing, and sort by time."""
    strokes = train.strokes[np.argsort(train.strokes["stop_s"], kind="stable")]
    strokes = strokes[~find_restrikes(strokes["stop_s"])]
    if train.channel.role == "coil_secondary" and len(train.channel.cylinders) == 1:
        strokes = _drop_faint(strokes)
    return StrokeTrain(train.channel, strokes)


def _drop_faint(strokes: NDArray[np.void]) -> NDArray[np.void]:
    """Leave out what a pick-up on one lead hears of other leads."""
    height = np.abs(strokes["firing_v"])
    known = np.isfinite(height)
    usual = float(np.median(height[known])) if known.any() else 0.0
    kept: NDArray[np.void] = strokes[~(known & (height < FAINT * usual))]
    return kept


def _drop_overheard(trains: list[StrokeTrain], engine: Engine) -> list[StrokeTrain]:
    """Take the names from channels of few cylinders that show the firings of others as well.

    They fire more often than a channel of all coils says that those cylinders do, or than any
    engine turns. Channels with hardly a spark are left out.
    """
    trains = [t for t in trains if t.strokes.size >= LEAST_SPARKS]
    usual_s = [float(np.median(np.diff(t.strokes["stop_s"]))) for t in trains]
    n = engine.cylinders
    distributor = engine.ignition == "distributor"
    whole = [
        s
        for s, t in zip(usual_s, trains, strict=True)
        if len(t.channel.cylinders) == n or (distributor and not t.channel.cylinders)
    ]
    cycle_s = max(n * min(whole, default=0.0), 120.0 / MOST_RPM)
    wasted = 2 if engine.ignition == "wasted_spark" else 1
    kept = []
    for own_s, train in zip(usual_s, trains, strict=True):
        seen = len(train.channel.cylinders)
        if 0 < seen < n and own_s < OVERHEARD * cycle_s / max(seen, wasted):
            train = StrokeTrain(replace(train.channel, cylinders=()), train.strokes)
        kept.append(train)
    return kept


def _walk(
    time_s: NDArray[np.float64],
    source: NDArray[np.int64],
    allowed: list[NDArray[np.float64]],
    engine: Engine,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Give each spark its unwrapped TDC angle, following the speed from spark to spark.

    The stretch of a spark that no firing explains is -1.
    """
    speed = _first_speed(time_s, source, allowed, engine)
    if not speed:
        raise CycleError("too few sparks to tell the engine's speed: record for longer")
    step = 720.0 / np.unique(np.concatenate(allowed)).size  # between firings that can be shown
    # While an engine starts its speed is soon another: what leaves fewest firings unseen holds.
    trial = slice(0, TRIAL_SPARKS)
    speeds = [speed, step / float(np.max(np.diff(time_s[:FIRST_SPARKS])))]
    walks = [_follow(time_s[trial], source[trial], allowed, engine, v, step) for v in speeds]
    turned = [float(np.max(a[s >= 0])) + 720.0 * np.count_nonzero(s < 0) for a, s in walks]
    speed = speeds[int(np.argmin(turned))]
    return _follow(time_s, source, allowed, engine, speed, step)


def _follow(
    time_s: NDArray[np.float64],
    source: NDArray[np.int64],
    allowed: list[NDArray[np.float64]],
    engine: Engine,
    speed: float,
    step: float,
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Walk from spark to spark, from a speed [deg/s] at the first; as `_walk`."""
    n = time_s.size
    angle = np.zeros(n)
    stretch = np.full(n, -1, np.int32)
    angle[0], stretch[0] = allowed[source[0]][0], 0
    last, n_strays, n_against = 0, 0.0, 0
    for i in range(1, n):
        dt = time_s[i] - time_s[last]
        anew = dt * speed > LOST_CYCLES * 720.0 or n_strays > MOST_STRAYS
        if anew:
            ahead = slice(i, i + FIRST_SPARKS * MOST_STRIKES)
            speed = _first_speed(time_s[ahead], source[ahead], allowed, engine) or speed
        guess = angle[last] + speed * dt
        options = allowed[source[i]]
        turns = np.floor((guess - options) / 720.0)
        candidates = np.concatenate((options + 720.0 * turns, options + 720.0 * (turns + 1)))
        candidates = candidates[candidates > angle[last] + 1.0]
        angle[i] = candidates[np.argmin(np.abs(candidates - guess))]
        measured = (angle[i] - angle[last]) / dt
        fastest = math.hypot(speed, FIRST_DEG_S)
        if measured > max(JUMP * speed, fastest) and not anew:
            due = np.rint(speed * dt / step)
            on_time = due >= 1 and 1 / ON_TIME < due * step / (speed * dt) < ON_TIME
            n_against += int(on_time)  # sparks of another cylinder than the one whose turn it is
            if not on_time or n_against < LEAST_AGAINST:
                n_strays += 1.0
                continue
            anew, measured = True, due * step / dt  # it was miscounted
        stretch[i] = stretch[last] + anew
        last, n_strays = i, 0.0 if anew else max(0.0, n_strays - 0.5)
        if options.size < engine.cylinders:
            n_against = 0
        if 1 / LARGEST_STEP < measured / speed < LARGEST_STEP:
            speed = 0.5 * (speed + measured)
        elif not anew:
            most = max(speed * LARGEST_STEP, fastest)
            speed = float(np.clip(measured, speed / LARGEST_STEP, most))
    return angle, stretch


def _find_misplaced(
    time_s: NDArray[np.float64], angle: NDArray[np.float64], stretch: NDArray[np.int32]
) -> NDArray[np.int64]:
    """Find single sparks that came early or late between others that keep an even speed."""
    kept = np.flatnonzero(stretch >= 0)
    if kept.size < 5:
        return np.empty(0, np.int64)
    t, a, own = time_s[kept], angle[kept], stretch[kept]
    before, behind = (a[1:-3] - a[:-4]) / (t[1:-3] - t[:-4]), (a[4:] - a[3:-1]) / (t[4:] - t[3:-1])
    across_s, across_deg = t[3:-1] - t[1:-3], a[3:-1] - a[1:-3]
    across = across_deg / across_s
    off = np.abs((t[2:-2] - t[1:-3]) / across_s - (a[2:-2] - a[1:-3]) / across_deg)
    even = (np.abs(before / across - 1.0) < EVEN) & (np.abs(behind / across - 1.0) < EVEN)
    even &= own[:-4] == own[4:]
    return np.asarray(kept[2:-2][even & (off > MISPLACED)])


def _first_speed(
    time_s: NDArray[np.float64],
    source: NDArray[np.int64],
    allowed: list[NDArray[np.float64]],
    engine: Engine,
) -> float:
    """Crank degrees per second at the start, the upper median over the channels; 0 if not known.

    A coil that fails fires less often, and of two one may be it.
    """
    speeds = []
    for i, options in enumerate(allowed):
        own = time_s[source == i][:FIRST_SPARKS]
        if own.size >= LEAST_SPARKS:
            step = 720.0 / options.size
            if engine.ignition == "wasted_spark" and options.size == 1:
                step = 360.0
            speeds.append(step / float(np.median(np.diff(own))))
    return sorted(speeds)[len(speeds) // 2] if speeds else 0.0
