"""The crank wheel as a pattern of steps from tooth to tooth; working an unknown wheel out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.errors import ParameterError
from misfire.records import CrankWheel

MOST_POSITIONS = 400  # no flywheel ring has more teeth
SURVEY_TEETH = 200_000  # enough of a recording to know its wheel
LEAST_TURNS = 2.0  # an unknown wheel must repeat this often to be believed
GAP_STEPS = 6  # the longest gap looked for, in tooth pitches
SPLITS = (2, 3)  # parts of a pitch at which a tooth may stand that is there beside the even ones
SHORT = 0.85  # of the usual pitch: one of the two beside such a tooth
LEAST_MATCH = 0.4  # of the uneven steps that come again: more and it is no chance


@dataclass(frozen=True, slots=True)
class Pattern:
    """A wheel as the sequence its sensor sees.

    `steps` [shape=(n_teeth,), unit=positions]: from each tooth to the next, beginning at the first
    tooth after the first gap. `offsets` [shape=(n_teeth + 1,)]: their running sum from 0 to
    `positions`. A wheel that looks the same after a part of a turn stands here as that part, which
    comes `parts` times in a revolution (1 on a plain wheel, which has no part to tell).
    """

    positions: int
    steps: NDArray[np.int64]
    offsets: NDArray[np.int64]
    parts: int = 1

    @property
    def n_teeth(self) -> int:
        """Teeth that are there."""
        return self.steps.size

    @property
    def plain(self) -> bool:
        """Whether there is no gap."""
        return self.steps.size == self.positions

    @property
    def pitch_deg(self) -> float:
        """Angle from one position to the next."""
        return 360.0 / (self.positions * self.parts)


def make_pattern(wheel: CrankWheel) -> Pattern:
    """Make the sequence of steps of a wheel.

    Parameters
    ----------
    wheel : CrankWheel

    Returns
    -------
    pattern : Pattern

    Raises
    ------
    ParameterError
        If the wheel has no positions or more than 400, gaps outside its positions, or fewer than
        two teeth.

    Examples
    --------
    >>> make_pattern(CrankWheel(positions=6, gaps=((6,),))).steps.tolist()
    [1, 1, 1, 1, 2]
    """
    n = wheel.positions
    if not 2 <= n <= MOST_POSITIONS:
        raise ParameterError(f"crank_wheel.positions must be 2 to {MOST_POSITIONS}, got {n}")
    missing = {position for gap in wheel.gaps for position in gap}
    if not all(1 <= position <= n for position in missing):
        raise ParameterError(f"crank_wheel.gaps must lie in positions 1 to {n}")
    teeth = [position for position in range(1, n + 1) if position not in missing]
    if len(teeth) < 2:
        raise ParameterError("crank_wheel: at least two teeth must be left")
    origin = teeth[0]
    if wheel.gaps and wheel.gaps[0]:
        last_missing = wheel.gaps[0][-1]
        origin = min(teeth, key=lambda position: (position - last_missing - 1) % n)
    offsets = np.array(sorted((position - origin) % n for position in teeth) + [n])
    steps = np.diff(offsets)
    n_teeth = smallest_repeat(steps) if missing else steps.size
    parts = steps.size // n_teeth
    return Pattern(n // parts, steps[:n_teeth], offsets[: n_teeth + 1], parts)


def smallest_repeat(steps: NDArray[np.int64]) -> int:
    """Find after how many steps a closed sequence of steps looks the same again.

    Parameters
    ----------
    steps : int64 array [shape=(n,), n > 0]

    Returns
    -------
    n_steps : int
        A divisor of n; n itself where nothing repeats.
    """
    turns = (k for k in range(1, steps.size + 1) if np.array_equal(np.roll(steps, k), steps))
    return next(turns)


def is_same_wheel(one: Pattern, other: Pattern) -> bool:
    """Tell whether two patterns look alike, wherever they are begun and named.

    Parameters
    ----------
    one, other : Pattern

    Returns
    -------
    same : bool
    """
    if one.steps.size != other.steps.size:
        return False
    turned = (np.roll(one.steps, k) for k in range(one.steps.size))
    return any(np.array_equal(steps, other.steps) for steps in turned)


def describe_wheel(wheel: CrankWheel) -> str:
    """Name a wheel as the trade does.

    Parameters
    ----------
    wheel : CrankWheel

    Returns
    -------
    name : str

    Examples
    --------
    >>> describe_wheel(CrankWheel(positions=36, gaps=((17, 18), (20, 21), (35, 36))))
    '36-2-2-2'
    >>> describe_wheel(CrankWheel(positions=10, gaps=((2,), (4,), (6,), (8,))))
    '5+1'
    """
    if not wheel.gaps:
        return f"{wheel.positions} teeth without a gap"
    steps = make_pattern(wheel).steps
    usual = int(np.median(steps))
    even = wheel.positions // usual
    if usual > 1 and steps.max() == usual and 1 < np.sum(steps < usual) <= even / 2:
        return f"{even}+{steps.size - even}"
    return "-".join(str(n) for n in (wheel.positions, *(len(gap) for gap in wheel.gaps)))


def find_wheel(tooth_s: NDArray[np.float64]) -> tuple[CrankWheel, float] | None:
    """Work out which wheel made a train of teeth.

    Parameters
    ----------
    tooth_s : float64 array [shape=(n,), unit=s, strictly ascending]

    Returns
    -------
    found : (CrankWheel, turns) or None
        `turns`: revolutions that repeat the one before. None where nothing regular with a gap is
        seen. A wheel whose gaps repeat within the revolution is found as its part.
    """
    if tooth_s.size > SURVEY_TEETH:
        middle = (tooth_s.size - SURVEY_TEETH) // 2
        tooth_s = tooth_s[middle : middle + SURVEY_TEETH]
    pitches = _measure_pitches(np.diff(tooth_s))
    found = _find_turn(np.round(pitches).astype(np.int64), usual=1)
    if found is not None and np.any(found[0] > 1):
        return _wheel_of(found[0]), found[1]
    return _find_even_and_more(pitches)


def _find_even_and_more(pitches: NDArray[np.float64]) -> tuple[CrankWheel, float] | None:
    """Work out an even wheel with a tooth more: where two intervals together are a pitch."""
    short = pitches < SHORT
    pairs = np.flatnonzero(short[:-1] & short[1:])
    share = pitches[pairs] / (pitches[pairs] + pitches[pairs + 1])
    best, least = None, np.inf
    for parts in SPLITS:
        steps = parts * np.round(pitches).astype(np.int64)
        first = np.clip(np.round(parts * share).astype(np.int64), 1, parts - 1)
        steps[pairs], steps[pairs + 1] = first, parts - first
        found = _find_turn(steps, usual=parts)
        off = float(np.median(np.abs(share - first / parts))) if share.size else np.inf
        if found is None or found[0].max() > parts or off >= least:
            continue
        if parts * (found[0].size - 1) == found[0].sum():
            best, least = (_wheel_of(found[0]), found[1]), off
    return best


def _find_turn(steps: NDArray[np.int64], *, usual: int) -> tuple[NDArray[np.int64], float] | None:
    """Find the steps of one revolution, whose unusual ones come again, and how many turns do."""
    odd = steps > 1 if usual == 1 else steps != usual
    odd = np.flatnonzero(odd & (steps <= GAP_STEPS * usual))
    longest = min(MOST_POSITIONS, steps.size // 2)
    if odd.size < 3 or longest < 2:
        return None
    match = np.zeros(longest + 1)
    for period in range(2, longest + 1):
        inside = odd[odd + period < steps.size]
        if inside.size >= 2:
            match[period] = np.mean(steps[inside + period] == steps[inside])
    if match.max() < LEAST_MATCH:
        return None
    period = int(np.flatnonzero(match >= 0.9 * match.max())[0])
    same = steps[period:] == steps[:-period]
    start, length = _longest_run(same)
    turns = length / period
    if turns < LEAST_TURNS - 1:  # the first revolution has none before it
        return None
    pattern = steps[start : start + period]
    return pattern[: smallest_repeat(pattern)], turns


def _measure_pitches(pitch_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Measure intervals in the median of nine neighbouring ones."""
    if pitch_s.size < 9:
        return np.ones(0)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(pitch_s, 4, mode="edge"), 9)
    return np.asarray(pitch_s / np.median(windows, axis=1))


def _longest_run(same: NDArray[np.bool_]) -> tuple[int, int]:
    """Start and length of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], same.astype(np.int8), [0]))))
    if not edges.size:
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(edges[2 * best]), int(lengths[best])


def _wheel_of(steps: NDArray[np.int64]) -> CrankWheel:
    """Wheel of one revolution of steps, counted from the longest row of teeth."""
    rows = []  # length of the row of teeth that follows each gap
    gap_at = np.flatnonzero(steps > 1)
    for k, at in enumerate(gap_at):
        following = gap_at[(k + 1) % gap_at.size]
        rows.append(((following - at - 1) % steps.size, at))
    _, before = max(rows, key=lambda row: (row[0], -row[1]))
    turned = np.roll(steps, -(before + 1))
    position, gaps = 1, []
    for step in turned.tolist():
        if step > 1:
            gaps.append(tuple(range(position + 1, position + step)))
        position += step
    return CrankWheel(positions=int(turned.sum()), gaps=tuple(gaps))
