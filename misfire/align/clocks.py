"""Offset and drift between two instruments, from events that both saw."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.errors import AlignError

LARGEST_DRIFT = 500e-6  # two cheap quartz clocks differ by less (common practice: 100 ppm each)
BIN_S = 0.5e-3
WINDOW_EVENTS = 120
LEAST_MATCHES = 8


@dataclass(frozen=True, slots=True)
class ClockFit:
    """common = (1 + drift) x own + offset_s; `uncertainty_s` is one standard error at mid time."""

    offset_s: float
    drift: float
    uncertainty_s: float
    n_matched: int
    share_matched: float


def estimate_clock(reference_s: NDArray[np.float64], own_s: NDArray[np.float64]) -> ClockFit:
    """Fit one instrument's clock to another's from the same physical events.

    Parameters
    ----------
    reference_s : float64 array [shape=(n,), unit=s, ascending]
        Events on the common clock, e.g. inductive kicks of one coil.
    own_s : float64 array [shape=(m,), unit=s, ascending]
        Events on the other clock, e.g. current cut-offs of all coils. Either may hold events that
        the other does not.

    Returns
    -------
    fit : ClockFit

    Raises
    ------
    AlignError
        If no shift brings clearly more events together than any other.

    Notes
    -----
    Firing intervals vary by far more than a bin from cycle to cycle, so only the true shift
    matches many events at once. A line is then fitted outward from the best window, so drift over
    hours is followed. Source: event matching by cross-correlation of point processes; least
    squares with outliers cut at three robust deviations.
    """
    if min(reference_s.size, own_s.size) < LEAST_MATCHES:
        raise AlignError(
            f"too few common events to join two clocks: {reference_s.size} and {own_s.size}, "
            f"need {LEAST_MATCHES}; give start_s in the job card"
        )
    few, many, flip = (
        (reference_s, own_s, False)
        if reference_s.size <= own_s.size
        else (own_s, reference_s, True)
    )
    best: tuple[float, float, float, int] = (-1.0, 0.0, 0.0, 0)
    for start in _window_starts(few.size):
        part = few[start : start + WINDOW_EVENTS]
        shift, n, second = _best_shift(part, many)
        if n - second > best[0]:
            best = (float(n - second), shift, float(n), start)
    margin, shift, n_best, start = best
    if n_best < LEAST_MATCHES or margin < max(3.0, 0.25 * n_best):
        raise AlignError(
            "no shift of the second instrument's clock makes its events fall on those of the "
            "first: the files do not overlap in time or show nothing in common; give start_s"
        )
    slope, offset, few_i, many_i = _follow(few, many, shift, start)
    x, y = few[few_i], many[many_i]
    # many = slope x few + offset; turn it so that the second clock maps onto the first
    if flip:
        drift, offset_s = slope - 1.0, offset
    else:
        drift, offset_s = 1.0 / slope - 1.0, -offset / slope
    residual = y - (slope * x + offset)
    error = float(np.std(residual) / np.sqrt(max(residual.size - 2, 1)))
    return ClockFit(offset_s, drift, error, int(x.size), float(x.size / few.size))


def _window_starts(n: int) -> list[int]:
    """Pick a few windows: where events are missing in one, another serves."""
    if n <= WINDOW_EVENTS:
        return [0]
    return sorted({int(v) for v in np.linspace(0, n - WINDOW_EVENTS, 5)})


def _best_shift(part: NDArray[np.float64], many: NDArray[np.float64]) -> tuple[float, int, int]:
    """Shift that matches most events of `part`, how many, and how many the runner-up matches."""
    difference = (many[None, :] - part[:, None]).ravel()
    low = difference.min()
    index = np.floor((difference - low) / BIN_S).astype(np.int64)
    n = np.bincount(index)
    pair = n.copy()
    pair[:-1] += n[1:]
    at = int(np.argmax(pair))
    top = int(pair[at])
    pair[max(0, at - 3) : at + 4] = 0
    second = int(pair.max()) if pair.size else 0
    near = difference[np.abs(difference - low - (at + 1) * BIN_S) <= BIN_S]
    return float(np.median(near)), top, second


def _follow(
    few: NDArray[np.float64], many: NDArray[np.float64], shift: float, start: int
) -> tuple[float, float, NDArray[np.int64], NDArray[np.int64]]:
    """Grow a line outward from the window that matched best."""
    slope, offset = 1.0, shift
    lo, hi = start, min(few.size, start + WINDOW_EVENTS)
    tolerance = 1e-3
    while True:
        few_i, many_i = _nearest(few[lo:hi], many, slope, offset, tolerance)
        few_i = few_i + lo
        for _ in range(4):
            x, y = few[few_i], many[many_i]
            if x.size < LEAST_MATCHES:
                break
            centre = x.mean()
            dx = x - centre
            gain = float((dx * (y - y.mean())).sum() / max((dx * dx).sum(), 1e-12))
            slope = float(np.clip(gain, 1 - LARGEST_DRIFT, 1 + LARGEST_DRIFT))
            offset = float(y.mean() - slope * centre)
            residual = y - (slope * x + offset)
            limit = max(3 * 1.4826 * float(np.median(np.abs(residual))), 10e-6)
            keep = np.abs(residual) <= limit
            if keep.all():
                break
            few_i, many_i = few_i[keep], many_i[keep]
        if lo == 0 and hi == few.size:
            return slope, offset, few_i, many_i
        width = hi - lo
        lo, hi = max(0, lo - width // 2), min(few.size, hi + width // 2)
        tolerance = 0.4e-3


def _nearest(
    part: NDArray[np.float64],
    many: NDArray[np.float64],
    slope: float,
    offset: float,
    tolerance: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of events within the tolerance after mapping."""
    mapped = slope * part + offset
    at = np.clip(np.searchsorted(many, mapped), 1, many.size - 1)
    near = np.where(np.abs(many[at] - mapped) < np.abs(many[at - 1] - mapped), at, at - 1)
    keep = np.abs(many[near] - mapped) <= tolerance
    return np.flatnonzero(keep), near[keep]
