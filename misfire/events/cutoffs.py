"""Cut-offs of a coil current channel: where a driver lets go and the current falls at once."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.crossings import exceeds, find_true
from misfire.events.currentlevels import CurrentLevels

LEVEL_S = 0.2e-3  # over this the current before and behind a cut-off is compared
LEAST_DROP = 0.5  # of the least cut-off, by means over that time: a short ramp has half its peak
CLAMP_S = 0.45e-3  # an open circuit keeps the driver at its clamp for less
SHORTEST_S = 0.15e-3  # no coil is charged in less


@dataclass(frozen=True, slots=True)
class CurrentSettings:
    """Times that bound a ramp; common practice, a clamp of 10 kHz bandwidth still passes."""

    longest_dwell_s: float = 25e-3
    fall_s: float = 50e-6  # within this a cut-off is over, clamp included
    smooth_s: float = 30e-6
    least_part: float = 0.12  # of the usual peak: a smaller cut-off is crosstalk


def find_cut_offs(
    counts: NDArray[np.int16], levels: CurrentLevels, rate: float, settings: CurrentSettings
) -> NDArray[np.int64]:
    """Find the sample of steepest fall of every cut-off.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
    levels : CurrentLevels
    rate : float [unit=Hz, > 0]
    settings : CurrentSettings

    Returns
    -------
    cuts : int64 array [shape=(n_cuts,), unit=samples from counts[0], ascending]
    """
    lag = max(1, round(0.5 * settings.fall_s * rate))
    if counts.size <= 2 * lag + 1:
        return np.empty(0, np.int64)
    threshold = max(settings.least_part * levels.peak, 8 * levels.noise)
    early, late = counts[:-lag], counts[lag:]
    if levels.sign < 0:
        early, late = late, early
    hot = find_true(exceeds(early, late, math.floor(threshold)))
    if hot.size == 0:
        return np.empty(0, np.int64)
    ends = np.flatnonzero(np.diff(hot) > lag)
    first, last = hot[np.append(0, ends + 1)], hot[np.append(ends, hot.size - 1)]
    # the samples of all falls in one line, each fall with what follows it closely
    length = last - first + lag
    begins = np.cumsum(length) - length
    place = np.arange(begins[-1] + length[-1]) + np.repeat(first - begins, length)
    single = (counts[place + 1].astype(np.int32) - counts[place]) * -levels.sign
    steepest = np.maximum.reduceat(single, begins)
    tops = np.flatnonzero(single == np.repeat(steepest, length))
    cuts: NDArray[np.int64] = place[tops[np.searchsorted(tops, begins)]]
    cuts = cuts[_stays_down(counts, cuts, levels, rate, settings)]
    return cuts[_begins_a_fall(counts, cuts, levels, rate, settings)]


def _begins_a_fall(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    levels: CurrentLevels,
    rate: float,
    settings: CurrentSettings,
) -> NDArray[np.bool_]:
    """Whether a coil was charged since the cut-off before: else the driver's clamp lets go only."""
    keep = np.ones(cuts.size, bool)
    least = settings.least_part * levels.peak
    fall = max(1, round(0.5 * settings.fall_s * rate))
    for k in (np.flatnonzero(np.diff(cuts) < CLAMP_S * rate) + 1).tolist():
        between = counts[cuts[k - 1] + 1 : cuts[k] + 1].astype(np.int32) * levels.sign
        settled = between[min(fall, between.size - 1) :]
        rose = int(settled.max()) - int(settled[0]) > least
        keep[k] = rose and between.size > SHORTEST_S * rate
    return keep


def _stays_down(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    levels: CurrentLevels,
    rate: float,
    settings: CurrentSettings,
) -> NDArray[np.bool_]:
    """Whether the current is lower behind each fall than before: ringing at switch-on is not."""
    fall, lead = max(2, round(settings.fall_s * rate)), max(4, round(LEVEL_S * rate))
    down = np.ones(cuts.size, bool)  # those at either end of the block belong to another one
    inner = np.flatnonzero((cuts >= fall + lead) & (cuts + fall + lead <= counts.size))
    if inner.size:
        spans = np.lib.stride_tricks.sliding_window_view(counts, lead)
        before = spans[cuts[inner] - fall // 2 - lead].sum(axis=1, dtype=np.int64) / lead
        behind = spans[cuts[inner] + fall].sum(axis=1, dtype=np.int64) / lead
        drop = (before - behind) * levels.sign
        down[inner] = drop > LEAST_DROP * settings.least_part * levels.peak
    return down
