"""What levels a long channel lives on, from a spread sample of it.

A survey of the channel gives the two levels on which it rests most, parted by a valley: a wrong
attenuation, 8 bits or a coil that hardly ever fires do not matter. All thresholds of a detector
are parts of that step, in counts.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.histogram import count_values

SURVEY_SAMPLES = 1 << 21  # enough to meet a dwell of 1 % of the time thousands of times
SURVEY_PIECES = 64


def survey_counts(
    read: Callable[[int, int], NDArray[np.int16]], n_samples: int
) -> NDArray[np.int16]:
    """Read pieces spread evenly over a channel, the whole of it if it is short.

    The pieces depend on the length alone, so the result is the same however the channel is cut.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    n_samples : int [>= 0]

    Returns
    -------
    counts : int16 array [shape=(min(n_samples, SURVEY_SAMPLES),), unit=counts]
    """
    if n_samples <= SURVEY_SAMPLES:
        return read(0, n_samples)
    piece = SURVEY_SAMPLES // SURVEY_PIECES
    starts = np.linspace(0, n_samples - piece, SURVEY_PIECES).astype(np.int64)
    return np.concatenate([read(int(s), int(s) + piece) for s in starts])


@dataclass(frozen=True, slots=True)
class CoilLevels:
    """Levels of a coil primary [unit=counts]: driver on, supply, their noise, highest kick."""

    low: float
    battery: float
    noise: float
    top: float


def find_coil_levels(counts: NDArray[np.int16]) -> CoilLevels | None:
    """Find the two levels between kicks of a coil primary: driver on and supply.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
        A survey of the channel.

    Returns
    -------
    levels : CoilLevels or None
        None if the channel does not rest on two levels with kicks far above them, or the kicks go
        down.

    Notes
    -----
    Source: a primary rests on the supply or, with the driver on, near earth; the kick stands 10 to
    30 times as far above the supply (common practice; docs/sources.md gives 400 V clamps at 14 V).
    Levels are searched below a tenth of the kick, so a wrong attenuation does not matter.
    """
    if counts.size < 16:
        return None
    tally = count_values(counts)
    top = float(tally.values[-1])
    middle = tally.quantile(0.5)
    span = top - middle
    if span < 12:
        return None
    if middle - float(tally.values[0]) > 1.5 * span:
        return None  # kicks point downwards: reversed leads, or no primary
    window = tally.select(
        (tally.values > middle - 0.35 * span) & (tally.values < middle + 0.35 * span)
    )
    if not window.values.size:
        return None  # half of it low, half of it high: squares
    first = int(window.values[0])
    density = window.count_each().astype(float)
    width = max(1, round(0.002 * span)) | 1
    wide = np.convolve(density, np.ones(width) / width)
    smooth = wide[width // 2 : width // 2 + density.size]  # "same" gives the longer one's length
    peaks = _find_peaks(smooth, density, width=width, least=LEAST_SHARE * counts.size, span=span)
    # The two levels are those on which the channel rests most, a driver's step apart: the spark
    # line leans and lasts less, a current limit or an undershoot holds for part of a stroke.
    # A supply that sags and recovers (starter, alternator) rests on two levels as well; kicks rise
    # out of the lower of the right ones.
    foot = _choose_kick_foot(counts, peaks, middle=middle, span=span, first=first)
    best = None
    for low in peaks:
        for high in peaks:
            step = high[0] - low[0]
            if low[0] > foot + 0.2 * step:
                continue
            if LEAST_STEP * span <= step <= LARGEST_STEP * span:
                rank = (min(low[2], high[2]), max(low[2], high[2]))
                if best is None or rank > best[0]:
                    best = (rank, low[0], high)
    if best is None:
        return None
    _, low_at, (battery, noise, _) = best
    return CoilLevels(low_at + first, battery + first, max(noise, 0.5), top)


def _choose_kick_foot(
    counts: NDArray[np.int16],
    peaks: list[tuple[float, float, float]],
    *,
    middle: float,
    span: float,
    first: int,
) -> float:
    """Level from which kicks rise, counted from `first`, by those that come high; infinite if none.

    Where most gaps break down far below the highest kick, hardly anything comes so high, or only
    what rings after the burn, out of a trough: then what comes less high tells it, if anything.
    """
    lower, usual = (middle + part * span for part in KICK_PARTS)
    foot = _find_kick_foot(counts, level=usual) - first
    masses = sorted(mass for _, _, mass in peaks)
    # a channel rests on two levels: on what it rests far less than on the second, it does not
    rests = [at for at, _, mass in peaks if mass >= 0.3 * masses[-2:][0]]
    is_trough = bool(rests) and foot < min(rests) - LEAST_STEP * span
    if np.isinf(foot) or is_trough:
        low_foot = _find_kick_foot(counts, level=lower) - first
        return low_foot if np.isfinite(low_foot) else foot
    return foot


def _find_kick_foot(counts: NDArray[np.int16], *, level: float) -> float:
    """Level from which most kicks rise, infinite where too few are to be seen."""
    above = counts > level
    onset = np.flatnonzero(above[1:] & ~above[:-1]) + 1
    if onset.size > 1:  # the first rise of each stroke counts, not the swings that follow it
        gap = np.diff(onset)
        usual = np.sqrt(np.quantile(gap, 0.05) * np.quantile(gap, 0.95))
        onset = onset[np.concatenate(([True], gap >= usual))]
    onset = onset[onset >= FOOT_SAMPLES]
    if onset.size < 5:
        return float("inf")
    # The median: where the spark went out early, that first rise comes after a short trough.
    ahead = np.median(counts[onset[:, None] - np.arange(1, FOOT_SAMPLES + 1)], axis=1)
    return float(np.median(ahead))


KICK_PARTS = (0.12, 0.35)  # of the highest kick: what a kick is known by, the usual one last
FOOT_SAMPLES = 48  # looked at before a kick: longer than a soft one rises at 1 MS/s
LEAST_SHARE = 0.0005  # of the time: a coil of 2 ms dwell that fires once in 4 s
LEAST_STEP = 0.012  # of the kick: 6 V under a kick of 500 V
LARGEST_STEP = 0.4  # 16 V under a kick of 40 V


def _find_peaks(
    smooth: NDArray[np.float64],
    density: NDArray[np.float64],
    *,
    width: int,
    least: float,
    span: float,
) -> list[tuple[float, float, float]]:
    """Take the levels on which a channel rests one after the other: place, noise, mass of each."""
    grid = np.arange(smooth.size)
    free = np.ones(smooth.size, bool)
    peaks: list[tuple[float, float, float]] = []
    for _ in range(60):
        if not free.any() or len(peaks) >= 6:
            break
        at = int(np.argmax(np.where(free, smooth, -1.0)))
        # Smoothing makes a plateau of a sharp level: its middle is where the counts are.
        about = np.abs(grid - at) <= width
        if density[about].sum() > 0:
            at = round(float(np.average(grid[about], weights=density[about])))
        near = np.abs(grid - at) <= max(1.0, 0.015 * span)
        mass = density[near]
        if mass.sum() <= 0:
            free[at] = False
            continue
        centre = float(np.average(grid[near], weights=mass))
        noise = 1.25 * float(np.average(np.abs(grid[near] - centre), weights=mass))
        # A level that sags looks noisy and must not swallow the one beside it.
        steady = min(noise, peaks[0][1]) if peaks else noise
        reach = max(1.2, 4 * steady, 0.6 * LEAST_STEP * span)
        inside = np.abs(grid - at) <= reach
        # A level of its own is parted from those already taken by a valley.
        parted = all(
            smooth[min(at, int(p)) : max(at, int(p)) + 1].min() < 0.6 * smooth[at]
            for p, _, _ in peaks
        )
        sharp = np.abs(grid - at) <= max(1.2, 2.5 * (peaks[0][1] if peaks else noise), width / 2)
        met = float(density[sharp].sum())
        if parted and met >= least:
            peaks.append((float(at), noise, met))
        free &= ~inside
    return peaks
