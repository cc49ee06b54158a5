"""The time column of a text file: its rate, and whether its steps are even."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.errors import FormatError
from misfire.ingest.grid import count_digits
from misfire.ingest.source import READ_SAMPLES
from misfire.numerals import spell

MAX_JITTER_SAMPLES = 0.5
LATEST = 1e15  # in the column's own unit: counts of nanoseconds for eleven days
FINEST_S = 1e-12  # between two samples; no instrument is quicker
MIN_PIECE_SHARE = 0.5  # of the rows, for the longest stretch without a gap to stand for the file


@dataclass(frozen=True, slots=True)
class Timebase:
    """What a time column says: rows `start` to `stop` are even at `rate_hz`.

    `rate_hz` is None for a single row. `resolution_s` is one unit of the last printed digit.
    `is_even` is False where no even stretch is long enough; `trouble` says why, or what was left
    out.
    """

    start: int
    stop: int
    first_s: float
    rate_hz: float | None
    resolution_s: float
    is_even: bool = True
    trouble: str = ""


def fit_timebase(
    time: NDArray[np.float64], *, unit_s: float, place: str, rate_hz: float | None = None
) -> Timebase:
    """Judge a time column.

    Parameters
    ----------
    time : float64 array [shape=(n_rows,), n_rows >= 1, may be mapped from disk]
        In units of `unit_s`.
    unit_s : float [unit=s]
    place : str
        File and column, for messages.
    rate_hz : float, optional [unit=Hz]
        The job card's rate: tells the gaps where it is given.

    Returns
    -------
    timebase : Timebase
        The rate is estimated over the full span, since printed times are rounded.

    Raises
    ------
    FormatError
        If a time is missing or smaller than the one before, or time does not rise at all.
    """
    n = time.size
    if n == 0:
        raise FormatError(f"{place}: holds no times; export the recording again")
    largest_step = _check_rising(time, place)
    decimals, digits = count_digits(np.asarray(time[-4096:]))
    top = max(abs(float(time[0])), abs(float(time[-1])), 1e-300)
    if top > LATEST:
        raise FormatError(
            f"{place}: a time of {spell(top, 4)} cannot be one; export the recording again"
        )
    resolution = max(10.0**-decimals, 10.0 ** (math.floor(math.log10(top)) + 1 - digits))
    resolution_s = max(resolution, 4e-16 * top) * unit_s
    first_s = float(time[0]) * unit_s
    if n == 1:
        return Timebase(0, 1, first_s, None, resolution_s)
    span = float(time[-1] - time[0])
    if span <= 0:
        raise FormatError(f"{place}: the time does not rise; export the recording with its times")
    period = span / (n - 1)
    if period * unit_s < FINEST_S:
        raise FormatError(
            f"{place}: {n} rows within {spell(span * unit_s, 4)} s; export the recording with "
            "its times"
        )
    jitter = _find_jitter(time, 0, n, period)
    if jitter <= MAX_JITTER_SAMPLES * period + resolution:
        rate = _round_rate(1 / (period * unit_s), resolution / span)
        return Timebase(0, n, first_s, rate, resolution_s)
    if rate_hz is not None:
        period = 1 / (rate_hz * unit_s)
    else:
        period = float(np.median(np.diff(np.asarray(time[:READ_SAMPLES]))))
    start, stop, n_gaps = _longest_piece(time, 1.5 * period + resolution)
    if stop - start >= max(2, MIN_PIECE_SHARE * n) and n_gaps:
        span = float(time[stop - 1] - time[start])
        period = span / (stop - start - 1)
        jitter = _find_jitter(time, start, stop, period)
        if period * unit_s >= FINEST_S and jitter <= MAX_JITTER_SAMPLES * period + resolution:
            rate = _round_rate(1 / (period * unit_s), resolution / span)
            trouble = (
                f"the time column has {n_gaps} gap{'s' * (n_gaps > 1)}, the widest of "
                f"{spell(largest_step * unit_s, 4)} s; only the longest stretch without one is "
                "used, "
                f"{spell(time[start] * unit_s, 6)} to {spell(time[stop - 1] * unit_s, 6)} s, "
                f"{stop - start} of {n} rows"
            )
            return Timebase(
                start, stop, float(time[start]) * unit_s, rate, resolution_s, True, trouble
            )
    off = f"{jitter / period:.1f} periods" if period > 0 else f"{spell(jitter * unit_s, 3)} s"
    trouble = (
        f"the steps of the time column are uneven (a sample up to {off} from its place); export "
        "at a fixed sampling rate"
    )
    if n_gaps:
        trouble += f", in one piece (there are {n_gaps} gaps)"
    return Timebase(0, n, first_s, None, resolution_s, False, trouble)


def _check_rising(time: NDArray[np.float64], place: str) -> float:
    """Refuse a missing or falling time; give the largest step."""
    before, largest = -math.inf, 0.0
    for start in range(0, time.size, READ_SAMPLES):
        block = np.asarray(time[start : start + READ_SAMPLES])
        bad = np.flatnonzero(~np.isfinite(block))
        if bad.size:
            raise FormatError(
                f"{place}: row {start + int(bad[0]) + 1} of the numbers has no time; "
                "remove it or export again"
            )
        with np.errstate(over="ignore"):  # of times that cannot be any, refused later
            steps = np.diff(block, prepend=before)
        back = np.flatnonzero(steps < 0)
        if back.size:
            row = start + int(back[0])
            raise FormatError(
                f"{place}: time runs backwards at row {row + 1} of the numbers "
                f"({spell(block[back[0]])}); export one recording into each file"
            )
        later = steps[1:] if start == 0 else steps
        largest = max(largest, float(later.max(initial=0.0)))
        before = float(block[-1])
    return largest


def _find_jitter(time: NDArray[np.float64], start: int, stop: int, period: float) -> float:
    """Find the largest distance of a time from its even place."""
    worst = 0.0
    for low in range(start, stop, READ_SAMPLES):
        block = np.asarray(time[low : min(low + READ_SAMPLES, stop)])
        even = time[start] + period * np.arange(low - start, low - start + block.size)
        worst = max(worst, float(np.abs(block - even).max()))
    return worst


def _longest_piece(time: NDArray[np.float64], limit: float) -> tuple[int, int, int]:
    """Find the longest stretch without a step over `limit`: start, stop, and number of gaps."""
    edges = [0]
    for start in range(0, time.size - 1, READ_SAMPLES):
        block = np.asarray(time[start : start + READ_SAMPLES + 1])
        edges += (start + 1 + np.flatnonzero(np.diff(block) > limit)).tolist()
    edges.append(time.size)
    lengths = np.diff(edges)
    longest = int(np.argmax(lengths))
    return edges[longest], edges[longest + 1], len(edges) - 2


def _round_rate(rate_hz: float, uncertainty: float) -> float:
    """Give the roundest rate within the relative uncertainty that the printed times leave."""
    for digits in range(1, 12):
        rounded = float(f"{rate_hz:.{digits}g}")
        if abs(rounded - rate_hz) <= rate_hz * min(max(uncertainty, 1e-11), 1e-6):
            return rounded
    return rate_hz
