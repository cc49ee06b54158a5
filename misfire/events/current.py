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
from misfire.dsp.windows import cut_windows, find_sum_span, fit_lines
from misfire.records import STROKE_FIELDS, STROKE_FLAGS, Channel

BATCH_SAMPLES = 1 << 18  # in the windows measured at once: 2 MB as floats
USUAL_RAMP_S = 4e-3  # looked at first; few ramps are longer
TILE_SAMPLES = 512  # of each window, added up at once
RING_SKIP_S, RING_S = 25e-6, 250e-6  # ringing is looked for from here on, for so long
LEVEL_S = 0.2e-3  # over this the current before and behind a cut-off is compared
LEAST_DROP = 0.5  # of the least cut-off, by means over that time: a short ramp has half its peak
REST_WIDTH, LEAST_REST = 0.05, 0.5  # a coil at rest is near one level for so much of the time
REST_PART = 0.3  # else it rests in this part of the range
CLAMP_S = 0.45e-3  # an open circuit keeps the driver at its clamp for less
SHORTEST_S = 0.15e-3  # no coil is charged in less
SHARED_PART = 0.1  # of the peak left behind a cut-off and rising: another coil charges already
LIMIT_BEND = 0.25  # the upper half of a ramp flatter than this: the driver limits the current


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
    batch = max(1, BATCH_SAMPLES // (_usual_span(rate, settings) + after))
    found = Gatherer(np.dtype(STROKE_FIELDS))
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 4 * before), before=before, after=after
    ):
        cut = _find_cut_offs(counts, levels, rate, settings)
        mine = np.flatnonzero((cut + first >= start) & (cut + first < stop))
        for at in range(0, mine.size, batch):
            part = mine[at : at + batch]
            strokes = _measure_all(counts, cut, part, levels, channel, settings)
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
    sums = np.concatenate(([0], np.cumsum(counts, dtype=np.int64)))

    def mean(start: NDArray[np.int64]) -> NDArray[np.float64]:
        low, high = (np.clip(v, 0, counts.size) for v in (start, start + lead))
        return np.asarray((sums[high] - sums[low]) / np.maximum(high - low, 1))

    drop = (mean(cuts - fall // 2 - lead) - mean(cuts + fall)) * levels.sign
    near_end = (cuts < fall + lead) | (cuts + fall + lead > counts.size)
    return near_end | (drop > LEAST_DROP * settings.least_part * levels.peak)


def _exceeds(
    larger: NDArray[np.int16], smaller: NDArray[np.int16], margin: int
) -> NDArray[np.bool_]:
    """Whether `larger - smaller > margin` (>= 0), without leaving int16 and without overflow."""
    if margin >= 65535:
        return np.zeros(larger.size, bool)
    level = np.minimum(smaller, np.int16(32767 - margin))
    level += np.array(margin).astype(np.int16)  # a margin that wraps round wraps the sum back
    return larger > level


def _usual_span(rate: float, settings: CurrentSettings) -> int:
    """Give the samples before a cut-off in which a ramp usually begins, the rest before it seen."""
    longest = int(settings.longest_dwell_s * rate)
    usual = _reach(rate) + 5 * max(1, round(settings.smooth_s * rate)) + 8
    return usual if longest - usual > TILE_SAMPLES else longest


def _reach(rate: float) -> int:
    """Give the samples before a cut-off in which the foot of its ramp is searched first."""
    return max(64, int(USUAL_RAMP_S * rate))


def _measure_all(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    part: NDArray[np.int64],
    levels: CurrentLevels,
    channel: Channel,
    settings: CurrentSettings,
) -> NDArray[np.void]:
    """Measure strokes in windows of usual length, those that need it in the longest ones."""
    rate = channel.rate_hz
    longest, usual = int(settings.longest_dwell_s * rate), _usual_span(rate, settings)
    strokes = np.empty(part.size, STROKE_FIELDS)
    inside = cuts[part] >= longest  # the others stand at the beginning of the channel
    sure = inside.copy() & (usual < longest)
    if sure.any():
        short = np.flatnonzero(sure)
        strokes[short], sure[short] = _measure(
            counts, cuts, part[short], levels, channel, settings, n_cut=longest - usual
        )
    rest = np.flatnonzero(~sure)
    size = max(1, BATCH_SAMPLES // longest)
    for at in range(0, rest.size, size):
        some = rest[at : at + size]
        strokes[some], _ = _measure(counts, cuts, part[some], levels, channel, settings, n_cut=0)
    return strokes


def _measure(
    counts: NDArray[np.int16],
    cuts: NDArray[np.int64],
    part: NDArray[np.int64],
    levels: CurrentLevels,
    channel: Channel,
    settings: CurrentSettings,
    *,
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
    strokes = np.zeros(n, STROKE_FIELDS)
    for name, kind in STROKE_FIELDS:
        if kind == "f8":
            strokes[name] = np.nan
    strokes["strikes"] = 1
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
    sure = _measure_ramp(
        strokes,
        window,
        peak,
        floor,
        shared,
        cuts,
        part,
        levels,
        channel,
        settings,
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
    tile = np.empty((TILE_SAMPLES + 1, stops.size))
    for at in range(-n, 0, TILE_SAMPLES):
        size = min(TILE_SAMPLES, -at)
        values = tile[1 : size + 1]
        views = np.lib.stride_tricks.sliding_window_view(counts, size)  # none past the last count
        values[...] = views[stops + at].T
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


def _measure_ramp(
    strokes: NDArray[np.void],
    window: NDArray[np.float64],
    peak: NDArray[np.float64],
    low: NDArray[np.float64],
    shared: NDArray[np.bool_],
    cuts: NDArray[np.int64],
    part: NDArray[np.int64],
    levels: CurrentLevels,
    channel: Channel,
    settings: CurrentSettings,
    *,
    n_cut: int,
    left_out: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Find where the ramp began and its slopes; tells where the samples left out do not matter.

    Columns are counted from the beginning of the longest window.
    """
    rate = channel.rate_hz
    n, width = window.shape[0], window.shape[1] + n_cut
    zero_at = int(settings.longest_dwell_s * rate)
    smooth = max(1, round(settings.smooth_s * rate))
    if np.isnan(window[:, [0, -1]]).any():  # only at the ends of the channel
        window = np.where(np.isnan(window), low[:, None], window)
    filled = window - low[:, None]
    # The ramp begins after the last stretch at the level to which the current falls back.
    foot_level = np.maximum(0.02 * peak, 3.5 * levels.noise / np.sqrt(smooth))
    knee_level = np.maximum(0.10 * peak, 2 * foot_level)
    foot, found, slack = _find_foot(
        filled,
        foot_level,
        knee_level,
        smooth=smooth,
        zero_at=zero_at - n_cut,
        reach=_reach(rate),
        left_out=left_out,
        is_whole=n_cut == 0,
    )
    start = foot + n_cut - slack
    length = zero_at - start
    # Another coil's cut-off within the ramp (common feed): only its last part is this coil's own.
    previous = np.where(part > 0, cuts[np.maximum(part - 1, 0)] - cuts[part], -(10**9))
    overlap = (
        previous > -np.where(found, length, zero_at) - 2
    )  # no rest in the longest window: a row
    begin = np.where(overlap, previous + zero_at + 2 * smooth, start)
    sure = found & ~overlap & (length > 0.2e-3 * rate)
    known = begin[np.isfinite(begin)]
    left = int(np.clip(known.min(initial=width - 1), 0, width - 1))
    right = int(np.clip(known.max(initial=zero_at) + 1, left + 1, width))
    left, right = find_sum_span(width, left, right)
    before, left = max(0, n_cut - left), max(left, n_cut)
    t_ms = np.arange(left - zero_at, right - zero_at).astype(float) / rate * 1e3
    part_of = (np.arange(left, right) - begin[:, None]) / np.maximum(zero_at - begin, 1)[:, None]
    in_lower, in_upper = (part_of > 0.15) & (part_of < 0.5), (part_of > 0.6) & (part_of < 0.97)
    shown = filled[:, left - n_cut : right - n_cut]
    lower, lower_at_0 = fit_lines(shown, in_lower, t_ms, before=before)
    upper, _ = fit_lines(shown, in_upper, t_ms, before=before)
    size = abs(channel.scale)
    strokes["ramp_a_per_ms"] = np.where(shared, np.nan, lower * size)
    own = (lower > 0) & ~shared
    strokes["ramp_bend"] = np.divide(upper, lower, out=np.full(n, np.nan), where=own)
    # The switch-on rings and hides the foot of the ramp: follow the ramp's own parabola down to
    # zero. A ramp that starts with a step (loaded or shorted coil) is later than that says.
    dwell_ms = (zero_at - begin) / rate * 1e3
    middle_ms = -(1 - 0.325) * dwell_ms
    value = lower_at_0 + lower * middle_ms
    bend = (upper - lower) / (0.46 * dwell_ms)
    with np.errstate(invalid="ignore", divide="ignore"):
        back = 2 * value / (lower + np.sqrt(np.maximum(lower**2 - 2 * bend * value, 0)))
        root = zero_at + (middle_ms - back) * rate / 1e3
        late = start - root
        whole = sure & (strokes["ramp_bend"] >= LIMIT_BEND)  # a plateau is no part of a parabola
        start = np.where(whole & (np.abs(late) < 0.08 * length), root, start)
    strokes["start_s"] = np.where(sure, start - zero_at, np.nan)
    strokes["dwell_ms"] = np.where(sure, (strokes["stop_s"] + zero_at - start) / rate * 1e3, np.nan)
    ahead = (start - zero_at) / rate * 1e3 - middle_ms
    strokes["ramp_step_a"] = np.where(
        sure & ~shared, (value + lower * ahead + 0.5 * bend * ahead**2) * size, np.nan
    )
    strokes["ramp_ring_a"] = np.where(
        sure,
        _measure_ringing(filled, begin, length, noise=levels.noise, rate=rate, n_cut=n_cut) * size,
        np.nan,
    )
    strokes["flags"] |= np.where(overlap | shared, STROKE_FLAGS["overlap"], 0).astype(np.uint32)
    limited = strokes["ramp_bend"] < LIMIT_BEND
    strokes["flags"] |= np.where(limited, STROKE_FLAGS["limited"], 0).astype(np.uint32)
    return found if n_cut else np.ones(n, bool)


def _measure_ringing(
    filled: NDArray[np.float64],
    begin: NDArray[np.float64],
    length: NDArray[np.float64],
    *,
    noise: float,
    rate: float,
    n_cut: int,
) -> NDArray[np.float64]:
    """Scatter about a parabola just behind the foot of each ramp [counts], at least the noise."""
    n, width = filled.shape
    skip, most = round(RING_SKIP_S * rate), round(RING_S * rate)
    if most < 8:
        return np.full(n, np.nan)
    # not usable without a length
    at = np.rint(np.nan_to_num(begin)).astype(np.int64) - n_cut + skip
    usable = (length > skip + most) & (at + most < width) & (at >= 0)
    part = filled[np.arange(n)[:, None], np.where(usable, at, 0)[:, None] + np.arange(most)]
    # what two smooth terms leave over, by an orthonormal basis of polynomials
    basis = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, most), 3))[0]
    rest = part.copy()
    for term in basis.T:  # row by row: a matrix product rounds by how many rows it is given
        rest -= (part * term).sum(axis=1)[:, None] * term
    spread = np.sqrt((rest**2).sum(axis=1) / (most - 3))
    return np.where(usable, np.maximum(spread, noise), np.nan)


def _find_foot(
    filled: NDArray[np.float64],
    foot_level: NDArray[np.float64],
    knee_level: NDArray[np.float64],
    *,
    smooth: int,
    zero_at: int,
    reach: int,
    left_out: NDArray[np.float64],
    is_whole: bool,
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.float64]]:
    """Last column at rest, whether there is one, and how far before it the ramp meets the rest.

    Goes back from the cut-off by `reach` columns first: hardly a ramp is longer. No further in
    windows that are not whole; `left_out` is the sum of what was left out of them.
    """
    n, width = filled.shape
    half = smooth // 2
    # running sums, with room on both sides so that a mean at either end needs no special care
    total = np.empty((n, width + 1 + 2 * half))
    total[:, :half] = 0.0
    total[:, half] = left_out
    total[:, half + 1 : half + 1 + width] = filled
    inner = total[:, half : half + 1 + width]
    np.cumsum(inner, axis=1, out=inner)
    total[:, half + 1 + width :] = total[:, half + width, None]
    centre = np.arange(width)
    counted = np.minimum(centre + half + 1, width) - np.maximum(centre - half, 0)
    foot = np.full(n, width - 1)
    found = np.zeros(n, bool)
    slack = np.zeros(n)
    rows = np.arange(n)
    first = max(0, zero_at - reach)
    while rows.size:
        part = total[rows, first:] if rows.size < n else total[:, first:]
        mean = (part[:, 2 * half + 1 :] - part[:, : -2 * half - 1]) / counted[first:]
        at_rest = mean[:, : zero_at - 1 - first] < foot_level[rows, None]
        hit = at_rest.any(axis=1) | (first == 0)
        mean, at_rest, done = mean[hit], at_rest[hit], rows[hit]
        each = np.arange(done.size)
        found[done] = at_rest.any(axis=1)
        last = np.where(
            found[done],
            zero_at - 2 - first - np.argmax(at_rest[:, ::-1], axis=1),
            width - 1 - first,
        )
        above = (mean >= knee_level[done, None]) & (np.arange(mean.shape[1]) > last[:, None])
        knee = np.argmax(above, axis=1)
        y0, y1 = mean[each, last], mean[each, knee]
        run = knee - last
        rise = np.divide(y1 - y0, run, out=np.full(done.size, np.inf), where=run > 0)
        ahead = np.divide(y0, rise, out=np.zeros(done.size), where=rise > 0)
        slack[done] = np.clip(ahead, 0, 4 * smooth)
        foot[done] = last + first
        if not is_whole:
            break
        rows = rows[~hit]
        first = max(0, first - 3 * reach)
    return foot, found, slack
