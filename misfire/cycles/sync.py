"""Tooth by tooth through irregular places: missing and extra pulses, start, stop, loss of sync."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import Pattern
from misfire.dsp.teeth import Counted

STEADY_LOG = 0.35  # neighbouring pitches of a turning engine differ less: ln 1.42
# Energy that compressions take and give back while the starter turns an engine, per inertia and
# degree [1/s^2]: 475 over 90 degrees, at most half as steep again, where a crank swings between 198
# and 355 rev/min in each firing interval. At idle and above nothing is left of it.
SWING_PER_DEG, MOST_SWING_LOG = 8.0, 1.0
# Of it in a revolution that is to be sure: one tooth in place of a gap is 0.69
SEED_SWING_LOG = 0.2
PULSE_COST = 0.2  # price of believing in one missing or extra pulse, in log pitch
TREND_COST = 0.75  # price of a speed that changes evenly, beside one that bends
MOST_COST = 0.9  # an interval that cannot be explained for less is a loss of sync
LOOK_AHEAD_COST = 0.5  # a next pitch that is odd counts at most this much: it may be the fault
MOST_MISSING = 4  # pulses missing in one place that are counted across
MOST_PENDING = 4  # faulty pulses since the last gap on count
GAP_LOG = 0.5  # a step longer than this is a gap: ln 1.65
LEARN_LOG = 0.5  # neighbouring pitches differ less even where teeth are seen out of place
# Neighbouring pitches of a sound wheel never differ by this in most revolutions; beside a bent
# tooth they do, but by less than where a tooth is missing (ln 2).
BENT_LOG, MOST_BENT_LOG = 0.2, 0.6
MOST_EXCESS = 0.27  # a gap seen longer or shorter than this, in log pitch, is not believed
LEAST_LEARNT = 3  # revolutions needed to learn how long the gaps are seen
MOST_LEARNT = 2000  # revolutions looked at for that
PIECE_TEETH = 1 << 16  # looked at in one go
BATCH_VALUES = 1 << 18  # compared at once: 2 MB
PLAIN_CONFIRM = 8  # teeth on count that take the place of a gap, on a plain wheel


class LogPitches(Counted):
    """Logarithms of the intervals between pulses, worked out where they are looked at."""

    def __init__(self, tooth_s: NDArray[np.float64]) -> None:
        """Take the instants of the pulses, ascending."""
        self.size = max(0, tooth_s.size - 1)
        self._tooth_s = tooth_s

    def count(self, at: NDArray[np.int64]) -> NDArray[np.float64]:
        """Work out the logarithms of some intervals [s]."""
        return np.asarray(np.log(self._tooth_s[at + 1] - self._tooth_s[at]))


Pitches = NDArray[np.float64] | LogPitches


@dataclass(slots=True)
class Walk:
    """Teeth accepted by `follow`, in the order walked; positions are counted from the start.

    `confirmed` is True if it arrived at its goal in phase. `n_gaps` counts gaps met on count.
    """

    index: list[int] = field(default_factory=list)
    position: list[int] = field(default_factory=list)
    missing_s: list[float] = field(default_factory=list)
    extra_s: list[float] = field(default_factory=list)
    confirmed: bool = False
    n_gaps: int = 0

    def cut(self, mark: tuple[int, int, int]) -> None:
        """Take back all that came after a mark."""
        n_teeth, n_missing, n_extra = mark
        del self.index[n_teeth:], self.position[n_teeth:]
        del self.missing_s[n_missing:], self.extra_s[n_extra:]

    def mark(self) -> tuple[int, int, int]:
        """Give the present state a name, to return to."""
        return len(self.index), len(self.missing_s), len(self.extra_s)


def follow(
    time_s: list[float],
    *,
    start: int = 0,
    steps: list[int],
    lengths: list[float],
    tooth: int,
    pitch_s: float,
    pitch_deg: float,
    goal: int | None = None,
    goal_tooth: int = 0,
) -> Walk:
    """Follow the wheel from time_s[start] on until sync is lost or the times end.

    Parameters
    ----------
    time_s : list of float [unit=s, ascending]
        Pulses.
    start : int
        Index of the pulse that is known to be `tooth`.
    steps : list of int
        The wheel's steps in walking direction; steps[tooth] is the first one walked.
    lengths : list of float [unit=pitches]
        How long each step is seen to be (see `learn_lengths`).
    tooth : int
    pitch_s : float [unit=s per position]
        Of the interval before that pulse.
    pitch_deg : float [unit=deg per position]
    goal : int or None
        Index in `time_s` of a pulse known to be `goal_tooth`; arriving there confirms the walk.
    goal_tooth : int

    Returns
    -------
    walk : Walk
        Without the starting pulse itself. What stands behind a faulty pulse is kept only if the
        next gap (or the goal) came on count.
    """
    walk = Walk()
    n = len(steps)
    plain, pitch_rad = max(steps) == 1, math.radians(pitch_deg)
    at, position, pending, steady = start, 0, 0, 0
    safe = walk.mark()  # state before the first faulty pulse that is not confirmed yet
    while at + 1 < len(time_s):
        step = steps[tooth]
        ratio = (time_s[at + 1] - time_s[at]) / (pitch_s * lengths[tooth])
        n_missing = n_extra = 0
        swing = 0.0
        if step > 1 or not 0.72 < ratio < 1.4:  # else steady at any speed
            turned_deg = pitch_deg * (lengths[tooth - 1] + lengths[tooth]) / 2.0
            swing = allow_swing(turned_deg, pitch_rad / pitch_s)
            if step > 1 or abs(math.log(ratio)) > STEADY_LOG + swing:
                choice = _explain(time_s, at, lengths, tooth, pitch_s, swing)
                if choice is None:
                    break
                n_missing, n_extra = choice
        fault = n_missing + n_extra
        if fault and not pending:
            safe = walk.mark()
        pending += fault
        if pending > MOST_PENDING:
            break
        walk.extra_s += time_s[at + 1 : at + 1 + n_extra]
        landing = at + 1 + n_extra
        span = sum(lengths[(tooth + k) % n] for k in range(n_missing + 1))
        pitch_s = (time_s[landing] - time_s[at]) / span
        passed = 0.0
        for k in range(n_missing):
            passed += lengths[(tooth + k) % n]
            walk.missing_s.append(time_s[at] + pitch_s * passed)
        position += sum(steps[(tooth + k) % n] for k in range(n_missing + 1))
        tooth = (tooth + n_missing + 1) % n
        at = landing
        walk.index.append(at)
        walk.position.append(position)
        steady = 0 if fault else steady + 1
        on_count = step > 1 and not fault and abs(math.log(ratio)) < STEADY_LOG + swing
        if on_count:
            walk.n_gaps += 1
        if on_count or (plain and steady >= PLAIN_CONFIRM):
            pending = 0
        if goal is not None and at >= goal:
            if at == goal and (plain or tooth == goal_tooth):
                walk.confirmed = True
                return walk
            break
    if pending:
        walk.cut(safe)
    return walk


def allow_swing(turned_deg: float, speed: float) -> float:
    """Give the change of log speed that compressions alone make while the starter turns the engine.

    Parameters
    ----------
    turned_deg : float [unit=deg]
        Between the middles of two intervals.
    speed : float [unit=rad/s]

    Returns
    -------
    swing : float

    Examples
    --------
    >>> [round(allow_swing(10.0, rpm * math.pi / 30.0), 3) for rpm in (200, 800)]
    [0.182, 0.011]
    """
    return min(MOST_SWING_LOG, SWING_PER_DEG * turned_deg / (speed * speed))


def _explain(
    time_s: list[float], at: int, lengths: list[float], tooth: int, pitch_s: float, swing: float
) -> tuple[int, int] | None:
    """Cheapest reading of an odd interval as (missing, extra) pulses; None if none is credible.

    A change of log speed by `swing` costs half where every pulse is believed.
    """
    best, choice = MOST_COST, None
    n = len(lengths)
    options = [(0, 0), (0, 1), (0, 2)] + [(m, 0) for m in range(1, MOST_MISSING + 1)]
    for n_missing, n_extra in options:
        landing = at + 1 + n_extra
        if landing >= len(time_s):
            continue
        span = sum(lengths[(tooth + k) % n] for k in range(n_missing + 1))
        pitch = (time_s[landing] - time_s[at]) / span
        free = 0.0 if n_missing + n_extra else swing
        change = _halve(math.log(pitch / pitch_s), free)
        cost = 2 * abs(change)
        if landing + 1 < len(time_s):
            following = time_s[landing + 1] - time_s[landing]
            then = math.log(following / lengths[(tooth + n_missing + 1) % n] / pitch)
            then = _halve(then, free)
            # neighbours on both sides: an even trend is cheaper than a bend
            both = abs(change - then) + TREND_COST * abs(change + then)
            cost = min(both, abs(change) + LOOK_AHEAD_COST)
        cost += PULSE_COST * (n_missing + n_extra)
        if cost < best:
            best, choice = cost, (n_missing, n_extra)
    return choice


def _halve(change: float, free: float) -> float:
    """Count a change at half as far as it is free: beside a gap a lost pulse looks like a swing."""
    return change - math.copysign(0.5 * min(abs(change), free), change)


def learn_lengths(log_pitch: Pitches, pattern: Pattern) -> NDArray[np.float64]:
    """Learn how long the gaps, and the pitches beside gaps and bent teeth, are seen to be.

    A sensor often sees a gap some per cent too long, and the teeth beside it out of place; and a
    tooth that is bent stands out of place by itself.

    Parameters
    ----------
    log_pitch : float64 array or LogPitches [shape=(n_teeth - 1,)]
        Logarithm of the intervals between pulses.
    pattern : Pattern
        With at least one gap.

    Returns
    -------
    lengths : float64 array [shape=(pattern.n_teeth,), unit=pitches]
        `pattern.steps`, with the medians of the recording in and beside the gaps.
    """
    n, lengths = pattern.n_teeth, pattern.steps.astype(float)
    log_lengths = np.log(lengths)
    starts = _gap_ends(log_pitch, log_lengths, LEARN_LOG, None)
    starts = starts[starts + 2 * n <= log_pitch.size][:MOST_LEARNT]
    columns = np.arange(2 * n)
    speed = log_pitch[starts[:, None] + columns] - log_lengths[columns % n]
    if len(speed) < LEAST_LEARNT:
        return lengths
    gap = pattern.steps > 1
    beside = gap | np.roll(gap, 1) | np.roll(gap, -1)
    change = np.diff(speed, axis=1)
    own = np.median(change, axis=0)
    own[(np.tile(beside, 2)[:-1] | np.tile(beside, 2)[1:]) | (np.abs(own) > MOST_BENT_LOG)] = 0.0
    speed = speed[np.all(np.abs(change - own) < LEARN_LOG, axis=1)]
    if len(speed) < LEAST_LEARNT:
        return lengths
    bent = np.abs(own[:n]) > BENT_LOG
    bent |= np.roll(bent, 1)  # the pitches on both sides of the tooth
    near = np.tile(beside | bent, 2).astype(np.int8)
    edges = np.flatnonzero(np.diff(near))
    if near[0]:
        edges = edges[1:]  # the group that the first column is in comes again in the second turn
    for before, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=False):
        # against a straight line between the pitches just outside
        inside = np.arange(before + 1, last + 1)
        share = (inside - before) / (last + 1 - before)
        line = speed[:, [before]] * (1 - share) + speed[:, [last + 1]] * share
        excess = np.median(speed[:, inside] - line, axis=0)
        lengths[inside % n] = pattern.steps[inside % n] * np.exp(
            np.clip(excess, -MOST_EXCESS, MOST_EXCESS)
        )
    return lengths


def find_regular_turns(
    log_pitch: Pitches, lengths: NDArray[np.float64], *, pitch_deg: float
) -> NDArray[np.int64]:
    """Find teeth at which a revolution without any fault begins.

    Parameters
    ----------
    log_pitch : float64 array or LogPitches [shape=(n_teeth - 1,)]
        Logarithm of the intervals between pulses.
    lengths : float64 array [shape=(n,), unit=pitches]
        From `learn_lengths`.
    pitch_deg : float [unit=deg per position]

    Returns
    -------
    starts : int64 array [unit=tooth index, ascending]
        Pulses that are the first tooth after the first gap, with a whole revolution behind them
        that has the right number of teeth, the gaps in their places, and a steady speed.
    """
    n, log_lengths = lengths.size, np.log(lengths)
    candidates = _gap_ends(log_pitch, log_lengths, STEADY_LOG, pitch_deg)
    candidates = candidates[candidates + n <= log_pitch.size]
    # intervals from the gap before to the first one of the next revolution, where it exists
    columns = np.arange(-1, n + 1)
    expected = log_lengths[columns % n]
    # one pulse more or less beside a gap must show: half way to that, against both neighbours
    gaps = np.flatnonzero(expected[1:-1] > GAP_LOG) + 1
    margin = np.log1p(np.exp(-expected[gaps])) / 2
    turned_deg = pitch_deg * np.exp((expected[1:] + expected[:-1]) / 2)
    starts = [np.empty(0, np.int64)]
    for group in np.array_split(candidates, max(1, candidates.size * (n + 2) // BATCH_VALUES)):
        rows = np.minimum(group[:, None] + columns, log_pitch.size - 1)
        speed = log_pitch[rows] - expected
        open_end = group + n >= log_pitch.size  # the recording ends with the gap
        speed[open_end, -1] = speed[open_end, -3]
        before, after = speed[:, gaps - 1], speed[:, gaps + 1]
        swing = _allow_swings(speed[:, 1:], turned_deg, pitch_deg)
        beside = np.maximum(swing[:, gaps - 1], swing[:, gaps])
        steady = np.all(np.abs(np.diff(speed, axis=1)) < STEADY_LOG + swing, axis=1)
        bend = np.abs(speed[:, gaps] - (before + after) / 2)
        steady &= np.all(bend < margin + beside / 2, axis=1)
        steady &= np.all(np.abs(after - before) < STEADY_LOG + beside, axis=1)
        starts.append(group[steady])
    return np.concatenate(starts)


def _allow_swings(
    speed: NDArray[np.float64], turned_deg: NDArray[np.float64] | float, pitch_deg: float
) -> NDArray[np.float64]:
    """Give `allow_swing` of many intervals, by the log of their pitch in s; for sure turns."""
    free = SWING_PER_DEG * turned_deg / np.radians(pitch_deg) ** 2 * np.exp(2.0 * speed)
    return np.asarray(np.minimum(SEED_SWING_LOG, free))


def find_gap_ends(
    log_pitch: Pitches, lengths: NDArray[np.float64], *, pitch_deg: float
) -> NDArray[np.int64]:
    """Find pulses that look like the first tooth after the first gap, by their neighbourhood.

    Parameters
    ----------
    log_pitch : float64 array or LogPitches [shape=(n_teeth - 1,)]
    lengths : float64 array [shape=(n,), unit=pitches]
        From `learn_lengths`.
    pitch_deg : float [unit=deg per position]

    Returns
    -------
    candidates : int64 array [unit=tooth index, ascending]
    """
    return _gap_ends(log_pitch, np.log(lengths), STEADY_LOG, pitch_deg)


def _gap_ends(
    log_pitch: Pitches, log_lengths: NDArray[np.float64], most: float, pitch_deg: float | None
) -> NDArray[np.int64]:
    """Find intervals that fit the first gap beside both neighbours; the pulses they end with."""
    found = [np.empty(0, np.int64)]
    for start in range(0, log_pitch.size - 2, PIECE_TEETH):
        piece = log_pitch[start : start + PIECE_TEETH + 2]
        before = piece[:-2] - log_lengths[-2]
        gap = piece[1:-1] - log_lengths[-1]
        after = piece[2:] - log_lengths[0]
        free: NDArray[np.float64] | float = 0.0
        if pitch_deg is not None:
            turned_deg = pitch_deg * float(np.exp(log_lengths[-1]) + 1.0) / 2.0
            free = _allow_swings(gap, turned_deg, pitch_deg)
        steady = (np.abs(gap - before) < most + free) & (np.abs(after - gap) < most + free)
        found.append(np.flatnonzero(steady) + start + 2)
    return np.concatenate(found)


def find_steady_runs(log_pitch: NDArray[np.float64]) -> NDArray[np.int64]:
    """Find runs of even pitch, for a wheel without a gap.

    Parameters
    ----------
    log_pitch : float64 array [shape=(n_teeth - 1,)]

    Returns
    -------
    runs : int64 array [shape=(n_runs, 2), unit=tooth index]
        First and last tooth of each run of at least eight intervals.
    """
    steady = np.abs(np.diff(log_pitch)) < STEADY_LOG
    edges = np.flatnonzero(np.diff(np.concatenate(([0], steady.astype(np.int8), [0]))))
    first, last = edges[::2], edges[1::2]
    long = last - first + 1 >= PLAIN_CONFIRM
    return np.stack((first[long], last[long] + 1), axis=1).reshape(-1, 2)
