"""Secondary pick-ups: relative height and burn time; uncalibrated and of either polarity."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.crossings import exceeds, find_true
from misfire.dsp.levels import survey_counts
from misfire.dsp.strokes import make_strokes
from misfire.records import STROKE_FIELDS, Channel

BATCH_SAMPLES = 1 << 17  # in the windows measured at once: they stay in the processor's cache
HOLD_S = 2.5e-3  # shorter than the least time between two firings: 12 cylinders at 4000 rpm
LONGEST_BURN_S, USUAL_BURN_S = 5e-3, 2e-3  # few need to be looked at longer than usual
SPIKE_S = 0.1e-3  # the kick and its ringing are over by then
LINE_S, GAP_S = 80e-6, 30e-6  # the line is the mean of so long, ended so long before a sample
AHEAD_S = 0.25e-3  # longer than one swing of the ring-down
FALL_SHARE, STAY_SHARE = 0.25, 0.4  # of the way from the line to the rest behind it
OPEN_SHARE = 0.3  # of the kick, to the other side


def find_pickup_strokes(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    *,
    block: int = BLOCK_SAMPLES,
    on_block: Callable[[float], None] | None = None,
) -> NDArray[np.void]:
    """Find the firings in a pick-up alone, where no primary or current channel shows them.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
    block : int [unit=samples]
    on_block : callable (fraction), optional
        Told after each block how much of the channel is done.

    Returns
    -------
    strokes : STROKE_FIELDS array [shape=(n_strokes,), ascending in stop_s]
        `stop_s` on the channel's own clock [s]; the rest as `measure_pickup` fills it.
    """
    empty = np.empty(0, STROKE_FIELDS)
    rate = channel.rate_hz
    survey = survey_counts(read, channel.n_samples).astype(np.int32)
    lag = max(1, round(25e-6 * rate))
    if survey.size < 8 * lag:
        return empty
    jump = np.abs(survey[lag:] - survey[:-lag])
    noise = max(1.0, float(np.median(jump)))
    top = float(np.quantile(jump, 0.9998))
    threshold = max(8 * noise, 0.35 * top)
    if top < 15 * noise:
        return empty
    hold = int(HOLD_S * rate)
    times: list[NDArray[np.int64]] = []
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 8 * hold), before=4 * hold, after=4 * hold
    ):
        if on_block is not None:
            on_block(start / channel.n_samples)
        early, late, margin = counts[:-lag], counts[lag:], math.floor(threshold)
        hot = find_true(exceeds(late, early, margin) | exceeds(early, late, margin))
        if hot.size == 0:
            continue
        # Switch-on and the end of burn jump too, but less: the kick is the highest jump of a group.
        group = np.concatenate(([0], np.cumsum(np.diff(hot) > hold)))
        step = np.abs(late[hot].astype(np.int32) - early[hot])
        order = np.lexsort((-step, group))
        kicks = hot[order[np.unique(group[order], return_index=True)[1]]] + lag // 2 + first
        times.append(kicks[(kicks >= start) & (kicks < stop)])
    if not times:
        return empty
    at = np.concatenate(times)
    return measure_pickup(read, channel, channel.start_s + at / rate)


def measure_pickup(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    stop_s: NDArray[np.float64],
    *,
    on_block: Callable[[float], None] | None = None,
) -> NDArray[np.void]:
    """Measure the pick-up's kick and burn at known switch-off instants.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
    stop_s : float64 array [shape=(n,), unit=s, ascending]
        Switch-off instants on the channel's clock.
    on_block : callable (fraction), optional
        Told now and then how much is done.

    Returns
    -------
    strokes : STROKE_FIELDS array [shape=(n,)]
        `firing_v` is the signed kick and `burn_level_v` the signed level of the burn in the
        channel's unit (uncalibrated); `burn_time_ms` is NaN where no end of burn stands out.
    """
    rate = channel.rate_hz
    strokes = make_strokes(stop_s.size)
    strokes["stop_s"] = stop_s
    before, after = max(8, int(0.3e-3 * rate)), int(LONGEST_BURN_S * rate)
    at = np.round((stop_s - channel.start_s) * rate).astype(np.int64)
    usable = (at >= before) & (at + after < channel.n_samples)
    index = np.flatnonzero(usable)
    size = max(1, BATCH_SAMPLES // (before + after))
    windows = np.empty((min(size, index.size), before + after), np.int16)
    for from_ in range(0, index.size, size):
        rows = index[from_ : from_ + size]
        for i, first in enumerate((at[rows] - before).tolist()):
            windows[i] = read(first, first + before + after)
        _fill(strokes, rows, windows[: rows.size], before, channel)
        if on_block is not None:
            on_block((from_ + rows.size) / index.size)
    return strokes


def _fill(
    strokes: NDArray[np.void],
    rows: NDArray[np.int64],
    counts: NDArray[np.int16],
    before: int,
    channel: Channel,
) -> None:
    """Fill kick, level and end of burn from windows of counts."""
    rate, scale = channel.rate_hz, channel.scale
    rest = counts[:, : before - max(2, before // 8)] * scale
    base = np.median(rest, axis=1)
    noise = np.maximum(1.4826 * np.median(np.abs(rest - base[:, None]), axis=1), 1e-12)
    kick_part = counts[:, before - 2 : before + max(4, int(0.12e-3 * rate))] * scale
    kick_part -= base[:, None]
    at = np.argmax(np.abs(kick_part), axis=1)
    kick = kick_part[np.arange(rows.size), at]
    strokes["firing_v"][rows] = kick
    line_from, line_to = before + int(0.15e-3 * rate), before + int(0.3e-3 * rate) + 2
    level = _find_medians(counts[:, line_from:line_to], scale, base)
    strokes["burn_level_v"][rows] = level
    # The kick is highest as the gap breaks down; burning begins there, not at switch-off.
    spike = np.abs(kick) > 1.5 * np.abs(level)
    delay_ms = np.where(spike, np.maximum(at - 2, 0), 0) / rate * 1e3
    burn_ms = _find_burn_time(counts, before, channel, base=base, kick=kick, noise=noise)
    strokes["burn_time_ms"][rows] = np.maximum(burn_ms - delay_ms, 0.0)


def _find_burn_time(
    counts: NDArray[np.int16],
    before: int,
    channel: Channel,
    *,
    base: NDArray[np.float64],
    kick: NDArray[np.float64],
    noise: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Time to where the spark line falls for good [ms]; 0 where it never stood, NaN if not seen."""
    (n, width), rate, scale = counts.shape, channel.rate_hz, channel.scale
    back, gap = max(3, round(LINE_S * rate)), max(1, round(GAP_S * rate))
    ahead = max(3, round(AHEAD_S * rate))
    first = before + round(SPIKE_S * rate) + gap + back
    burn_ms = np.full(n, np.nan)
    if first >= width - ahead:
        return burn_ms
    sign = np.sign(kick)
    after = _find_medians(counts[:, -(width - before) // 4 :], scale, base)
    # An open circuit swings through at once: there is no line to fall from.
    early = counts[:, before + round(0.5 * SPIKE_S * rate) : first + 1] * scale
    early -= base[:, None]
    opposite = (-(early - after[:, None]) * sign[:, None]).max(axis=1)
    dark = opposite > OPEN_SHARE * np.abs(kick)
    burn_ms[dark] = 0.0
    rows = np.flatnonzero(~dark)
    # the first fall counts: most are found without what comes long after
    usual = max(first + ahead + 1, before + int(USUAL_BURN_S * rate))
    for stop in (min(usual, width), width):
        y = counts[rows, :stop].astype(np.float64)
        y *= scale
        y -= base[rows, None]
        y *= sign[rows, None]
        hot = _find_falls(
            y,
            after[rows] * sign[rows],
            6 * noise[rows],
            first=first,
            back=back,
            gap=gap,
            ahead=ahead,
        )
        seen = hot.any(axis=1)
        burn_ms[rows[seen]] = (first + np.argmax(hot[seen], axis=1) - before) / rate * 1e3
        rows = rows[~seen]
    return burn_ms


def _find_falls(
    y: NDArray[np.float64],
    after: NDArray[np.float64],
    least: NDArray[np.float64],
    *,
    first: int,
    back: int,
    gap: int,
    ahead: int,
) -> NDArray[np.bool_]:
    """Tell for each column from `first` on whether the spark line falls there for good.

    The line is followed by the mean of a short stretch behind each sample, so that a slow droop of
    the probe does not matter. A restrike or a climb before the end comes back, or goes up.
    """
    n, width = y.shape
    last = width - ahead
    least = least[:, None]
    sums = np.zeros((n, width + 1))
    np.cumsum(y, axis=1, out=sums[:, 1:])
    line = sums[:, first - gap : last - gap] - sums[:, first - gap - back : last - gap - back]
    line /= back
    mean = sums[:, first + ahead : width] - sums[:, first:last]
    mean /= ahead
    swing = line - after[:, None]
    fell = line - y[:, first:last] > np.maximum(least, FALL_SHARE * swing)
    stays = line - mean > np.maximum(least / 2, STAY_SHARE * swing)
    return np.asarray(fell & stays & (swing > least))


def _find_medians(
    counts: NDArray[np.int16], scale: float, base: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Median of each row above its base: of the counts, as scaling keeps their order."""
    half = counts.shape[1] // 2
    if not counts.size:  # hardly a sample in the time it takes
        return np.full(len(counts), np.nan)
    if counts.shape[1] % 2:
        return np.partition(counts, half, axis=1)[:, half] * scale - base
    middle = np.partition(counts, (half - 1, half), axis=1)[:, half - 1 : half + 1] * scale
    middle -= base[:, None]
    return np.asarray((middle[:, 0] + middle[:, 1]) / 2)
