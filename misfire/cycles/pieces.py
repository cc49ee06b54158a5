"""Stretches of teeth in sync: regular revolutions, joined by walks through irregular places."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from misfire.cycles.pattern import Pattern
from misfire.cycles.sync import (
    LogPitches,
    Walk,
    find_gap_ends,
    find_regular_turns,
    find_steady_runs,
    follow,
    learn_lengths,
)

Numbered = tuple[NDArray[np.int64], NDArray[np.int64]]  # tooth numbers, positions of the wheel


@dataclass(frozen=True, slots=True)
class Walked:
    """Teeth that were followed one by one."""

    index: NDArray[np.int64]
    position: NDArray[np.int64]

    @property
    def size(self) -> int:
        """Number of teeth."""
        return self.index.size

    def number(self, start: int, stop: int) -> Numbered:
        """Numbers and positions of some of the teeth."""
        return self.index[start:stop], self.position[start:stop]


@dataclass(frozen=True, slots=True)
class Turns:
    """Regular revolutions behind a tooth, counted out when asked: they may be millions of teeth."""

    index: int
    position: int
    size: int
    pattern: Pattern

    def number(self, start: int, stop: int) -> Numbered:
        """Numbers and positions of some of the teeth."""
        steps = np.arange(start + 1, stop + 1)
        turn, tooth = np.divmod(steps, self.pattern.n_teeth)
        position = self.position + turn * self.pattern.positions + self.pattern.offsets[tooth]
        return self.index + steps, position


@dataclass(slots=True)
class Piece:
    """Consecutive teeth in sync, in parts.

    Positions are a multiple of `pattern.positions` at the first tooth after the first gap.
    """

    parts: list[Walked | Turns]
    missing_s: list[float] = field(default_factory=list)
    extra_s: list[float] = field(default_factory=list)

    @property
    def size(self) -> int:
        """Number of teeth."""
        return sum(part.size for part in self.parts)

    @property
    def first(self) -> tuple[int, int]:
        """Number and position of the first tooth."""
        index, position = self.parts[0].number(0, 1)
        return int(index[0]), int(position[0])

    @property
    def last(self) -> tuple[int, int]:
        """Number and position of the last tooth."""
        index, position = self.number_last(1)
        return int(index[0]), int(position[0])

    def add(self, part: Walked | Turns) -> None:
        """Put teeth behind the last one."""
        if part.size:
            self.parts.append(part)

    def number_last(self, n: int) -> Numbered:
        """Numbers and positions of the last teeth, as many as there are."""
        found: list[Numbered] = []
        for part in reversed(self.parts):
            found.append(part.number(max(0, part.size - n), part.size))
            n -= found[-1][0].size
            if n <= 0:
                break
        index, position = zip(*reversed(found), strict=True)
        return np.concatenate(index), np.concatenate(position)

    def number_first(self, n: int) -> Numbered:
        """Numbers and positions of the first teeth, as many as there are."""
        found: list[Numbered] = []
        for part in self.parts:
            found.append(part.number(0, min(n, part.size)))
            n -= found[-1][0].size
            if n <= 0:
                break
        index, position = zip(*found, strict=True)
        return np.concatenate(index), np.concatenate(position)


@dataclass(frozen=True, slots=True)
class Rail:
    """What every walk needs: the pulses, the wheel, and how long its steps are seen to be."""

    tooth_s: NDArray[np.float64]
    pattern: Pattern
    lengths: NDArray[np.float64]


def find_pieces(tooth_s: NDArray[np.float64], pattern: Pattern) -> list[Piece]:
    """Synchronise all that can be synchronised.

    Parameters
    ----------
    tooth_s : float64 array [shape=(n,), unit=s, strictly ascending]
    pattern : Pattern

    Returns
    -------
    pieces : list of Piece
        In order of time. Between two of them sync was lost.
    """
    if tooth_s.size < max(pattern.n_teeth, 4):
        return []
    log_pitch, pitch_deg = LogPitches(tooth_s), pattern.pitch_deg
    if pattern.plain:
        lengths, ends = pattern.steps.astype(float), np.empty(0, np.int64)
        runs = find_steady_runs(log_pitch[:])
    else:
        lengths = learn_lengths(log_pitch, pattern)
        runs = _chain(find_regular_turns(log_pitch, lengths, pitch_deg=pitch_deg), pattern.n_teeth)
        ends = find_gap_ends(log_pitch, lengths, pitch_deg=pitch_deg)
    rail = Rail(tooth_s, pattern, lengths)
    pieces: list[Piece] = []
    for first, last in runs.tolist():
        if _reach(rail, ends, pieces, first):
            begin = pieces[-1].last[1]
        else:
            piece = _begin(first)
            pitch_s = (tooth_s[first + 1] - tooth_s[first]) / lengths[0]
            floor = pieces[-1].last[0] + 1 if pieces else 0
            _walk_back(rail, piece, pitch_s, floor)
            pieces.append(piece)
            begin = 0
        pieces[-1].add(Turns(first, begin, last - first, pattern))
    _reach(rail, ends, pieces, None)
    return pieces


def _chain(starts: NDArray[np.int64], n_teeth: int) -> NDArray[np.int64]:
    """First and last tooth of each run of regular revolutions that follow one another."""
    if not starts.size:
        return np.empty((0, 2), np.int64)
    breaks = np.flatnonzero(np.diff(starts) != n_teeth)
    first = starts[np.concatenate(([0], breaks + 1))]
    last = starts[np.concatenate((breaks, [starts.size - 1]))] + n_teeth
    runs: list[tuple[int, int]] = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        if not runs or a > runs[-1][1]:
            runs.append((a, b))
    return np.array(runs, np.int64)


def _reach(rail: Rail, ends: NDArray[np.int64], pieces: list[Piece], goal: int | None) -> bool:
    """Go from the last piece towards the tooth `goal`; True if it was reached in phase."""
    tooth_s, pattern = rail.tooth_s, rail.pattern
    stop = tooth_s.size - 1 if goal is None else goal
    begin = pieces[-1].last[0] if pieces else 0
    time_s = tooth_s[begin : stop + 2].tolist()  # one more, to look ahead from the goal
    target = None if goal is None else goal - begin
    steps, lengths = pattern.steps.tolist(), rail.lengths.tolist()
    if pieces:
        tooth, pitch_s = _state(pieces[-1], rail)
        walk = follow(
            time_s,
            steps=steps,
            lengths=lengths,
            tooth=tooth,
            pitch_s=pitch_s,
            goal=target,
            pitch_deg=pattern.pitch_deg,
        )
        _append(pieces[-1], walk, begin)
        if walk.confirmed:
            return True
    # try each gap that follows: one that leads to the next on count is a new beginning
    looked = pieces[-1].last[0] if pieces else -1
    for end in ends[np.searchsorted(ends, [looked, stop])[0] :].tolist():
        if end >= stop:
            break
        if end <= looked:
            continue
        pitch_s = (tooth_s[end] - tooth_s[end - 1]) / lengths[-1]
        walk = follow(
            time_s,
            start=end - begin,
            steps=steps,
            lengths=lengths,
            tooth=0,
            pitch_s=pitch_s,
            pitch_deg=pattern.pitch_deg,
            goal=target,
        )
        turns = walk.position[-1] / pattern.positions if walk.position else 0.0
        if turns < 1 or not (walk.confirmed or walk.n_gaps >= np.sum(pattern.steps > 1)):
            continue
        piece = _begin(end)
        _walk_back(rail, piece, pitch_s, looked + 1)
        _append(piece, walk, begin)
        pieces.append(piece)
        if walk.confirmed:
            return True
        looked = piece.last[0]
    return False


def _begin(first: int) -> Piece:
    """Begin a piece with a first tooth after the first gap."""
    return Piece([Walked(np.array([first], np.int64), np.zeros(1, np.int64))])


def _state(piece: Piece, rail: Rail) -> tuple[int, float]:
    """Which tooth a piece ends with, and its last pitch in seconds per position."""
    pattern = rail.pattern
    index, position = piece.number_last(2)
    tooth = int(np.searchsorted(pattern.offsets, position[-1] % pattern.positions))
    last_s = float(np.diff(rail.tooth_s[index])[0])
    span = int(position[1] - position[0])
    if span == pattern.steps[tooth - 1]:
        return tooth, last_s / float(rail.lengths[tooth - 1])
    return tooth, last_s / span


def _append(piece: Piece, walk: Walk, begin: int) -> None:
    """Put the teeth of a walk behind a piece."""
    base = piece.last[1]
    index, position = np.array(walk.index, np.int64), np.array(walk.position, np.int64)
    piece.add(Walked(index + begin, position + base))
    piece.missing_s += walk.missing_s
    piece.extra_s += walk.extra_s


def _walk_back(rail: Rail, piece: Piece, pitch_s: float, floor: int) -> None:
    """Put before a piece, which begins with a first tooth, all that can be followed backwards."""
    first, position = piece.first
    walk = follow(
        (-rail.tooth_s[floor : first + 1][::-1]).tolist(),
        steps=rail.pattern.steps[::-1].tolist(),
        lengths=rail.lengths[::-1].tolist(),
        tooth=0,
        pitch_s=pitch_s,
        pitch_deg=rail.pattern.pitch_deg,
    )
    if not walk.index:
        return
    before = Walked(
        first - np.array(walk.index[::-1], np.int64),
        position - np.array(walk.position[::-1], np.int64),
    )
    piece.parts.insert(0, before)
    piece.missing_s[:0] = [-instant for instant in walk.missing_s[::-1]]
    piece.extra_s[:0] = [-instant for instant in walk.extra_s[::-1]]
