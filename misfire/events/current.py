"""Coil strokes from an inductive current clamp: ramp, peak, cut-off; single or common feed."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.gathering import Gatherer
from misfire.dsp.histogram import count_values
from misfire.dsp.levels import survey_counts
from misfire.dsp.strokes import make_strokes
from misfire.dsp.windows import cut_windows, fit_lines
from misfire.events.ramp import measure_ramp
from misfire.records import STROKE_FIELDS, Channel

BATCH_SAMPLES = 1 << 18  # in the windows measured at once: 2 MB as floats
USUAL_RAMP_S = 4e-3  # looked at first; few ramps are longer
LOOK_SHARE, LOOK_FACTOR = 0.95, 1.2  # later: most of the ramps just measured, and some more
TILE_SAMPLES = 440  # of each window, added up at once; rows a power of two apart would be slow
LEVEL_S = 0.2e-3  # over this the current before and behind a cut-off is compared
LEAST_DROP = 0.5  # of the least cut-off, by means over that time: a short ramp has half its peak
REST_WIDTH, LEAST_REST = 0.05, 0.5  # a coil at rest is near one level for so much of the time
REST_PART = 0.3  # else it rests in this part of the range
CLAMP_S = 0.45e-3  # an open circuit keeps the driver at its clamp for less
SHORTEST_S = 0.15e-3  # no coil is charged in less
SHARED_PART = 0.1  # of the peak left behind a cut-off and rising: another coil charges already


@dataclass(frozen=True, slots=True)
class CurrentSettings:
    """Times that bound a ramp; common practice, a clamp of 10 kHz bandwidth still passes."""

    longest_dwell_s: float = 25e-3
    fall_s: float = 50e-6  # within this a cut-off is over, clamp included
    smooth_s: float = 30e-6
    least_part: float = 0.12  # of the usual peak: a smaller cut-off is crosstalk


@dataclass(frozen=True, slots=True)
class CurrentLevels:
    """Levels of a coil current channel [unit=counts]; `sign` is -1 with the clamp reversed."""

    zero: float
    noise: float
    peak: float
    sign: int


def find_current_levels(counts: NDArray[np.int16]) -> CurrentLevels | None:
    """Find the level at rest, its noise and the usual peak of a coil current channel.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
        A survey of the channel.

    Returns
    -------
    levels : CurrentLevels or None
        None if nothing stands out of the noise.
    """
    if counts.size < 16:
        return None
    tally = count_values(counts)
    low, high = tally.quantile(0.002), tally.quantile(0.998)
    middle = tally.quantile(0.5)
    sign = 1 if high - middle >= middle - low else -1
    rest = tally.select(np.abs(tally.values - middle) < 0.5 * max(high - middle, middle - low, 1))
    width = REST_WIDTH * (high - low)
    share = rest.select(np.abs(rest.values - middle) <= width).count_each().sum() / counts.size
    if share < LEAST_REST:  # the feed of many coils: some coil charges most of the time
        # What changes at once is the cut-off: it tells which end of the range is the rest.
        change = counts[1:].astype(np.int64) - counts[:-1]
        sign = 1 if np.sum(change**3) < 0 else -1
        edge = low if sign > 0 else high
        rest = tally.select(np.abs(tally.values - edge) < REST_PART * (high - low))
    if not rest.values.size:
        return None
    # The level at rest is the mode: a ramp passes every level, the coil rests on one.
    width = max(1, int(0.01 * (high - low)))
    density = rest.count_each().astype(float)
    crowd = np.convolve(density, np.ones(2 * width + 1), mode="same")
    zero = float(rest.values[0] + np.argmax(crowd))
    # where all of a quiet level fits into the kernel, its best place is anywhere: take the middle
    zero = rest.select(np.abs(rest.values - zero) <= width).quantile(0.5)
    near = tally.select(np.abs(tally.values - zero) <= 0.1 * (high - low) + 2)
    noise = max(0.5, 1.4826 * near.fold(zero).quantile(0.5))
    peak = (high - zero) if sign > 0 else (zero - low)
    if peak < 6 * noise + 4:
        return None
    return CurrentLevels(zero, noise, peak, sign)


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
    strokes : STROKE_FIELDS array [shape=(n_strokes,), ascending in stop_s]
        Times on the channel's own clock [s]; voltages are NaN. `peak_current_a` is the step at
        cut-off, so clamp offset and another coil's current on a common feed do not enter.

    Notes
    -----
    Source: i(t) = V/R (1 - exp(-t R/L)), textbook RL circuit (ANCHORS C1).
    """
    settings = settings or CurrentSettings()
    levels = find_current_levels(survey_counts(read, channel.n_samples))
    if levels is None or channel.n_samples == 0:
        return np.empty(0, STROKE_FIELDS)
    rate = channel.rate_hz
    before = int(settings.longest_dwell_s * rate) + 64
    after = int(0.5e-3 * rate) + 64
    reach = max(64, int(USUAL_RAMP_S * rate))  # how long a ramp is looked for first
    found = Gatherer(np.dtype(STROKE_FIELDS))
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 4 * before), before=before, after=after
    ):
        cut = _find_cut_offs(counts, levels, rate, settings)
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
            found.add(strokes)
        if on_block is not None:
            on_block(stop / channel.n_samples)
    strokes = found.join()
    usual = np.nanmedian(strokes["peak_current_a"]) if strokes.size else np.nan
    return strokes[strokes["peak_current_a"] > settings.least_part * usual]


def _find_cut_offs(
    counts: NDArray[np.int16], levels: CurrentLevels, rate: float, settings: CurrentSettings
) -> NDArray[np.int64]:
    """Find the sample of steepest fall of every cut-off."""
    lag = max(1, round(0.5 * settings.fall_s * rate))
    if counts.size <= 2 * lag + 1:
        return np.empty(0, np.int64)
    threshold = max(settings.least_part * levels.peak, 8 * levels.noise)
    early, late = counts[:-lag], counts[lag:]
    if levels.sign < 0:
        early, late = late, early
    hot = np.flatnonzero(_exceeds(early, late, math.floor(threshold)))
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


def _exceeds(
    larger: NDArray[np.int16], smaller: NDArray[np.int16], margin: int
) -> NDArray[np.bool_]:
    """Whether `larger - smaller > margin` (>= 0), without leaving int16 and without overflow."""
    if margin >= 65535:
        return np.zeros(larger.size, bool)
    level = np.minimum(smaller, np.int16(32767 - margin))
    level += np.array(margin).astype(np.int16)  # a margin that wraps round wraps the sum back
    return larger > level


def _choose_reach(length: NDArray[np.float64], reach: int) -> int:
    """Give how long to look for the next ramps first, from those just measured [samples].

    That is a matter of time alone: a ramp that is longer is measured anew in the longest window.
    """
    known = length[np.isfinite(length)]
    return max(64, int(LOOK_FACTOR * np.quantile(known, LOOK_SHARE))) if known.size else reach


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
    # An open circuit leaves the driver at its clamp: the current falls for some 100 us more, and
    # the level behind that is the one it falls to. (Another coil's ramp would rise.)
    late_slope, late_base = _fit_between(window, column, 3 * fall, 3 * fall + lead)
    clamped = (slope < -0.02 * high / lead) & np.isfinite(late_base)
    low = np.where(clamped, late_base + late_slope * 0.5, base + slope * 0.5)
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
    sure = measure_ramp(
        strokes,
        window,
        peak,
        floor,
        shared=shared,
        previous=before_cut,
        noise=levels.noise,
        rate=rate,
        size=abs(channel.scale),
        zero_at=int(settings.longest_dwell_s * rate),
        smooth=max(1, round(settings.smooth_s * rate)),
        reach=reach,
        n_cut=n_cut,
        left_out=left_out,
    )
    return strokes, sure


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
    for at in range(-n, 0, TILE_SAMPLES):
        size = min(TILE_SAMPLES, -at)
        values = tile[1 : size + 1]
        views = np.lib.stride_tricks.sliding_window_view(counts, size)  # none past the last count
        beside[:size] = views[stops + at].T
        values[...] = beside[:size]
        values -= levels.zero
        if levels.sign < 0:
            values *= -1
        values -= low
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
