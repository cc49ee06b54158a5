"""Coil strokes from an inductive current clamp: ramp, peak, cut-off; single or common feed.

A ramp is read from its own parabola, because switch-on rings; one that starts with a step (shunted
plug, shorted turns) is told by that, and which of both by the ringing on its foot: a shunt across
the secondary damps it, shorted turns leave most of it. A lost firing that left the driver at its
clamp had no spark: its tail is told in standard errors. The peak is the step at cut-off, so offset
and other coils on the feed do not enter. How long the usual window is may be learnt from the
strokes just measured; it is a matter of time only.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.gathering import Gatherer
from misfire.dsp.levels import survey_counts
from misfire.dsp.strokes import list_shown, make_form, make_strokes
from misfire.dsp.windows import cut_windows, fit_lines
from misfire.events.currentlevels import CurrentLevels, find_current_levels
from misfire.events.cutoffs import LEVEL_S, CurrentSettings, find_cut_offs
from misfire.events.ramp import RampScale, RampWindows, measure_ramp
from misfire.records import STROKE_FIELDS, Channel

BATCH_SAMPLES = 1 << 18  # in the windows measured at once: 2 MB as floats
USUAL_RAMP_S = 4e-3  # looked at first; few ramps are longer
LOOK_SHARE, LOOK_FACTOR = 0.95, 1.2  # later: most of the ramps just measured, and some more
TILE_SAMPLES = 440  # of each window, added up at once; rows a power of two apart would be slow
SHARED_PART = 0.1  # of the peak left behind a cut-off and rising: another coil charges already


def find_current_strokes(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    *,
    settings: CurrentSettings | None = None,
    block: int = BLOCK_SAMPLES,
    on_block: Callable[[float], None] | None = None,
) -> NDArray[np.void]:
    """Find and measure every charging of a coil that a current clamp sees.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
    settings : CurrentSettings, optional
    block : int [unit=samples]
        How the channel is cut; the result does not depend on it.
    on_block : callable (fraction), optional

    Returns
    -------
    strokes : array of some of STROKE_FIELDS [shape=(n_strokes,), ascending in stop_s]
        Times on the channel's own clock [s]; there are no voltages. `peak_current_a` is the step at
        cut-off, so clamp offset and another coil's current on a common feed do not enter.

    Notes
    -----
    Source: i(t) = V/R (1 - exp(-t R/L)), textbook RL circuit (docs/sources.md).
    """
    settings = settings or CurrentSettings()
    levels = find_current_levels(survey_counts(read, channel.n_samples))
    if levels is None or channel.n_samples == 0:
        return np.empty(0, STROKE_FIELDS)
    rate = channel.rate_hz
    before = int(settings.longest_dwell_s * rate) + 64
    after = int(0.5e-3 * rate) + 64
    reach = max(64, int(USUAL_RAMP_S * rate))  # how long a ramp is looked for first
    shown, found = list_shown("coil_current"), Gatherer(make_form("coil_current"))
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 4 * before), before=before, after=after
    ):
        cut = find_cut_offs(counts, levels, rate, settings)
        mine = np.flatnonzero((cut + first >= start) & (cut + first < stop))
        most = max(1, BATCH_SAMPLES // (_find_span(reach, rate, settings) + after))
        n_parts = -(-mine.size // most)
        for part in np.array_split(mine, n_parts) if n_parts else ():
            strokes = _measure_all(counts, cut, part, levels, channel, settings, reach=reach)
            reach = _choose_reach(-strokes["start_s"], reach)
            on = (cut[part] + first) + strokes["start_s"]
            off = (cut[part] + first) + strokes["stop_s"]
            strokes["start_s"] = channel.start_s + on / rate
            strokes["stop_s"] = channel.start_s + off / rate
            found.add(strokes[shown])
        if on_block is not None:
            on_block(stop / channel.n_samples)
    strokes = found.join()
    usual = np.nanmedian(strokes["peak_current_a"]) if strokes.size else np.nan
    large = strokes["peak_current_a"] > settings.least_part * usual
    return strokes if large.all() else strokes[large]


def _choose_reach(length: NDArray[np.float64], reach: int) -> int:
    """Give how long to look for the next ramps first, from those just measured [samples].

    That is a matter of time alone: a ramp that is longer is measured anew in the longest window.
    """
    known = length[np.isfinite(length)]
    if not known.size:
        return reach
    rank = int(LOOK_SHARE * (known.size - 1))
    return max(64, int(LOOK_FACTOR * np.partition(known, rank)[rank]))


def _find_span(reach: int, rate: float, settings: CurrentSettings) -> int:
    """Give the samples before a cut-off to be looked at first, the rest before a ramp included."""
    longest = int(settings.longest_dwell_s * rate)
    usual = reach + 5 * max(1, round(settings.smooth_s * rate)) + 8
    return usual if longest - usual > TILE_SAMPLES else longest


def _measure_all(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    part: NDArray[np.int64],
    levels: CurrentLevels,
    channel: Channel,
    settings: CurrentSettings,
    *,
    reach: int,
) -> NDArray[np.void]:
    """Measure strokes in windows of usual length, those that need it in the longest ones."""
    rate = channel.rate_hz
    longest, usual = int(settings.longest_dwell_s * rate), _find_span(reach, rate, settings)
    strokes = np.empty(part.size, STROKE_FIELDS)
    inside = cuts[part] >= longest  # the others stand at the beginning of the channel
    sure = inside.copy() & (usual < longest)
    if sure.any():
        short = np.flatnonzero(sure)
        strokes[short], sure[short] = _measure(
            counts,
            cuts,
            part[short],
            levels,
            channel,
            settings,
            reach=reach,
            n_cut=longest - usual,
        )
    rest = np.flatnonzero(~sure)
    size = max(1, BATCH_SAMPLES // longest)
    for at in range(0, rest.size, size):
        some = rest[at : at + size]
        strokes[some], _ = _measure(
            counts, cuts, part[some], levels, channel, settings, reach=reach, n_cut=0
        )
    return strokes


def _measure(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    part: NDArray[np.int64],
    levels: CurrentLevels,
    channel: Channel,
    settings: CurrentSettings,
    *,
    reach: int,
    n_cut: int,
) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Measure strokes; start_s and stop_s come as distances in samples from the cut-off.

    `n_cut` samples of the longest window are left out. Tells for which strokes that changes
    nothing.
    """
    rate = channel.rate_hz
    cut = cuts[part]
    n = cut.size
    rows = np.arange(n)
    strokes = make_strokes(n)
    before, after = int(settings.longest_dwell_s * rate) - n_cut, int(0.4e-3 * rate) + 4
    column = np.arange(-before, after).astype(float)
    window = cut_windows(counts, cut, before=before, after=after)
    window -= levels.zero
    if levels.sign < 0:
        window *= -1
    fall = max(2, round(settings.fall_s * rate))

    # Levels just before and just after the cut-off, each from a line through settled samples.
    lead = max(4, round(LEVEL_S * rate))
    slope, base = _fit_between(window, column, -fall // 2 - lead, -fall // 2)
    high = base + slope * 0.5
    slope, base = _fit_between(window, column, fall, fall + lead)
    # An open circuit leaves the driver at its clamp, and a slow driver lets go slowly: the current
    # falls for some 100 us more, and the level behind that is the one it falls to; where it still
    # falls there, the last one. (Another coil's ramp would rise.)
    late_slope, late_base = _fit_between(window, column, 3 * fall, 3 * fall + lead)
    clamped = (slope < -0.02 * high / lead) & np.isfinite(late_base)
    end = min(3 * fall + lead, after)
    last = window[:, before + min(5 * fall, end - 1) : before + end].mean(axis=1)
    late = np.where(late_slope < 0, last, late_base + late_slope * 0.5)
    low = np.where(clamped, late, base + slope * 0.5)
    peak = high - low
    strokes["peak_current_a"] = peak * abs(channel.scale)
    # Where another coil charges already, the own ramp began lower than where the current falls to.
    shared = ~clamped & (slope > 0) & (low > SHARED_PART * peak + 4 * levels.noise)
    floor = np.where(shared, 0.0, low)

    half = 0.5 * (high + low)
    near = slice(before - fall, before + fall)
    below = (window[:, near] < half[:, None]) & (np.arange(-fall, fall) > -2)
    at = np.clip(np.argmax(below, axis=1) + before - fall, 1, column.size - 1)
    a, b = window[rows, at - 1], window[rows, at]
    strokes["stop_s"] = (
        column[at]
        - 1
        + np.clip(np.divide(a - half, a - b, out=np.full(n, 0.5), where=a != b), 0, 1)
    )

    tail = slice(before + math.ceil(0.4 * fall), before + math.ceil(1.3 * fall))
    rest = slice(before + 2 * fall, before + 2 * fall + lead)
    strokes["tail_a"] = (window[:, tail].mean(axis=1) - window[:, rest].mean(axis=1)) * abs(
        channel.scale
    )
    left_out = _sum_before(counts, cut - before, n_cut, levels, floor)
    before_cut = np.where(part > 0, cuts[np.maximum(part - 1, 0)] - cuts[part], -(10**9))
    scale = RampScale(
        noise=levels.noise,
        rate=rate,
        size=abs(channel.scale),
        zero_at=int(settings.longest_dwell_s * rate),
        smooth=max(1, round(settings.smooth_s * rate)),
        reach=reach,
        n_cut=n_cut,
    )
    windows = RampWindows(window, peak, floor, shared, before_cut, left_out)
    return strokes, measure_ramp(strokes, windows, scale)


def _sum_before(
    counts: NDArray[np.int16],
    stops: NDArray[np.int64],
    n: int,
    levels: CurrentLevels,
    low: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum of the `n` samples before each stop, above `low`, added one after the other.

    In this order the sum is that of a window which begins there, to the last bit. Adding rows
    that stand side by side does the same for all windows at once.
    """
    sums = np.zeros(stops.size)
    if not n or not stops.size:
        return sums
    beside = np.empty((TILE_SAMPLES, stops.size), counts.dtype)
    tile = np.empty((TILE_SAMPLES + 1, stops.size))
    lows = np.tile(low, (min(TILE_SAMPLES, n), 1))  # spread once: short rows are slow to spread
    views = np.lib.stride_tricks.sliding_window_view(counts, min(TILE_SAMPLES, n))
    for at in range(-n, 0, TILE_SAMPLES):
        size = min(TILE_SAMPLES, -at)
        if size < views.shape[1]:  # the last: no view reaches past the last count
            views = np.lib.stride_tricks.sliding_window_view(counts, size)
        values = tile[1 : size + 1]
        beside[:size] = views[stops + at].T
        values[...] = beside[:size]
        values -= levels.zero
        if levels.sign < 0:
            values *= -1
        values -= lows[:size]
        tile[0] = sums
        np.add.reduce(tile[: size + 1], axis=0, out=sums)
    return sums


def _fit_between(
    window: NDArray[np.float64], column: NDArray[np.float64], start: int, stop: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit a line to the samples from `start` to `stop` after the cut-off."""
    low, high = (max(0, int(v - column[0])) for v in (start, stop))
    part = window[:, low:high]
    return fit_lines(part, np.ones(part.shape, bool), column[low:high])
