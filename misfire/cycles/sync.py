"""Tooth by tooth through irregular places: missing and extra pulses, start, stop, loss of sync."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import Pattern

STEADY_LOG = 0.35  # neighbouring pitches of a turning engine differ less: ln 1.42
PULSE_COST = 0.35  # price of believing in one missing or extra pulse, in log pitch
MOST_COST = 0.95  # an interval that cannot be explained for less is a loss of sync
LOOK_AHEAD_COST = 0.5  # what comes next counts at most this much: it may be faulty itself
MOST_MISSING = 4  # pulses missing in one place that are counted across
MOST_PENDING = 4  # faulty pulses since the last gap on count
PLAIN_CONFIRM = 8  # teeth on count that take the place of a gap, on a plain wheel


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
    tooth: int,
    pitch_s: float,
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
    tooth : int
    pitch_s : float [unit=s per position]
        Of the interval before that pulse.
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
    plain = max(steps) == 1
    at, position, pending, steady = start, 0, 0, 0
    safe = walk.mark()  # state before the first faulty pulse that is not confirmed yet
    while at + 1 < len(time_s):
        step = steps[tooth]
        ratio = (time_s[at + 1] - time_s[at]) / (pitch_s * step)
        wide = (0.72, 1.4) if step == 1 else (0.88, 1.15)
        n_missing = n_extra = 0
        if not wide[0] < ratio < wide[1]:
            choice = _explain(time_s, at, steps, tooth, pitch_s)
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
        total = sum(steps[(tooth + k) % n] for k in range(n_missing + 1))
        pitch_s = (time_s[landing] - time_s[at]) / total
        passed = 0
        for k in range(n_missing):
            passed += steps[(tooth + k) % n]
            walk.missing_s.append(time_s[at] + pitch_s * passed)
        position += total
        tooth = (tooth + n_missing + 1) % n
        at = landing
        walk.index.append(at)
        walk.position.append(position)
        steady = 0 if fault else steady + 1
        on_count = step > 1 and not fault and abs(math.log(ratio)) < STEADY_LOG
        if on_count:
            walk.n_gaps += 1
        if on_count or (plain and steady >= PLAIN_CONFIRM):
            pending = 0
        if goal is not None and at >= goal:
            if at == goal and tooth == goal_tooth:
                walk.confirmed = True
                return walk
            break
    if pending:
        walk.cut(safe)
    return walk


def _explain(
    time_s: list[float], at: int, steps: list[int], tooth: int, pitch_s: float
) -> tuple[int, int] | None:
    """Cheapest reading of an odd interval as (missing, extra) pulses; None if none is credible."""
    best, choice = MOST_COST, None
    n = len(steps)
    options = [(0, 0), (0, 1), (0, 2)] + [(m, 0) for m in range(1, MOST_MISSING + 1)]
    for n_missing, n_extra in options:
        landing = at + 1 + n_extra
        if landing >= len(time_s):
            continue
        total = sum(steps[(tooth + k) % n] for k in range(n_missing + 1))
        pitch = (time_s[landing] - time_s[at]) / total
        cost = PULSE_COST * (n_missing + n_extra) + abs(math.log(pitch / pitch_s))
        if landing + 1 < len(time_s):
            following = (time_s[landing + 1] - time_s[landing]) / steps[(tooth + n_missing + 1) % n]
            cost += min(abs(math.log(following / pitch)), LOOK_AHEAD_COST)
        if cost < best:
            best, choice = cost, (n_missing, n_extra)
    return choice


def find_regular_turns(log_pitch: NDArray[np.float64], pattern: Pattern) -> NDArray[np.int64]:
    """Find teeth at which a revolution without any fault begins.

    Parameters
    ----------
    log_pitch : float64 array [shape=(n_teeth - 1,)]
        Logarithm of the intervals between pulses.
    pattern : Pattern
        With at least one gap.

    Returns
    -------
    starts : int64 array [unit=tooth index, ascending]
        Pulses that are the first tooth after the first gap, with a whole revolution behind them
        that has the right number of teeth, the gaps in their places, and a steady speed.
    """
    n, log_steps = pattern.n_teeth, np.log(pattern.steps)
    candidates = find_gap_ends(log_pitch, pattern)
    candidates = candidates[candidates + n < log_pitch.size + 1]
    starts = [np.empty(0, np.int64)]
    # intervals from the gap before to the first one of the next revolution, where it exists
    columns = np.arange(-1, n + 1)
    expected = log_steps[columns % n]
    for group in np.array_split(candidates, max(1, candidates.size * (n + 2) // (1 << 21))):
        rows = np.minimum(group[:, None] + columns, log_pitch.size - 1)
        speed = log_pitch[rows] - expected
        change = np.abs(np.diff(speed, axis=1))
        change[group + n >= log_pitch.size, -1] = 0.0  # the recording ends with the gap
        starts.append(group[np.all(change < STEADY_LOG, axis=1)])
    return np.concatenate(starts)


def find_gap_ends(log_pitch: NDArray[np.float64], pattern: Pattern) -> NDArray[np.int64]:
    """Find pulses that look like the first tooth after the first gap, by their neighbourhood.

    Parameters
    ----------
    log_pitch : float64 array [shape=(n_teeth - 1,)]
    pattern : Pattern

    Returns
    -------
    candidates : int64 array [unit=tooth index, ascending]
    """
    log_steps = np.log(pattern.steps)
    before = log_pitch[:-2] - log_steps[-2]
    gap = log_pitch[1:-1] - log_steps[-1]
    after = log_pitch[2:] - log_steps[0]
    steady = (np.abs(gap - before) < STEADY_LOG) & (np.abs(after - gap) < STEADY_LOG)
    return np.flatnonzero(steady) + 2


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
