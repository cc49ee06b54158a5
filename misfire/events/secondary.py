"""Secondary pick-ups: relative height and burn time; uncalibrated and of either polarity."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.levels import survey_counts
from misfire.dsp.strokes import make_strokes
from misfire.dsp.windows import cut_windows
from misfire.records import STROKE_FIELDS, Channel

BATCH = 256
HOLD_S = 2.5e-3  # shorter than the least time between two firings: 12 cylinders at 4000 rpm
LONGEST_BURN_S = 5e-3
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
) -> NDArray[np.void]:
    """Find the firings in a pick-up alone, where no primary or current channel shows them.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
    block : int [unit=samples]

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
        step = np.abs(counts[lag:].astype(np.int32) - counts[:-lag])
        hot = np.flatnonzero(step > threshold)
        if hot.size == 0:
            continue
        # Switch-on and the end of burn jump too, but less: the kick is the highest jump of a group.
        group = np.concatenate(([0], np.cumsum(np.diff(hot) > hold)))
        order = np.lexsort((-step[hot], group))
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
) -> NDArray[np.void]:
    """Measure the pick-up's kick and burn at known switch-off instants.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
    stop_s : float64 array [shape=(n,), unit=s, ascending]
        Switch-off instants on the channel's clock.

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
    for from_ in range(0, index.size, BATCH):
        rows = index[from_ : from_ + BATCH]
        window = np.empty((rows.size, before + after))
        for i, centre in enumerate(at[rows]):
            counts = read(int(centre) - before, int(centre) + after)
            window[i] = cut_windows(counts, np.array([before]), before=before, after=after)[0]
        _fill(strokes, rows, window * channel.scale, before, rate)
    return strokes


def _fill(
    strokes: NDArray[np.void],
    rows: NDArray[np.int64],
    window: NDArray[np.float64],
    before: int,
    rate: float,
) -> None:
    """Fill kick, level and end of burn from windows in the channel's unit."""
    n = rows.size
    rest = window[:, : before - max(2, before // 8)]
    base = np.median(rest, axis=1)
    noise = np.maximum(1.4826 * np.median(np.abs(rest - base[:, None]), axis=1), 1e-12)
    y = window - base[:, None]
    kick_part = y[:, before - 2 : before + max(4, int(0.12e-3 * rate))]
    at = np.argmax(np.abs(kick_part), axis=1)
    kick = kick_part[np.arange(n), at]
    strokes["firing_v"][rows] = kick
    line_from, line_to = before + int(0.15e-3 * rate), before + int(0.3e-3 * rate) + 2
    level = np.median(y[:, line_from:line_to], axis=1)
    strokes["burn_level_v"][rows] = level
    # The kick is highest as the gap breaks down; burning begins there, not at switch-off.
    spike = np.abs(kick) > 1.5 * np.abs(level)
    delay_ms = np.where(spike, np.maximum(at - 2, 0), 0) / rate * 1e3
    burn_ms = _find_burn_time(y, before, rate, kick, noise)
    strokes["burn_time_ms"][rows] = np.maximum(burn_ms - delay_ms, 0.0)


def _find_burn_time(
    y: NDArray[np.float64],
    before: int,
    rate: float,
    kick: NDArray[np.float64],
    noise: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Time to where the spark line falls for good [ms]; 0 where it never stood, NaN if not seen.

    The line is followed by the mean of a short stretch behind each sample, so that a slow droop of
    the probe does not matter. A restrike or a climb before the end comes back, or goes up.
    """
    n, width = y.shape
    back, gap = max(3, round(LINE_S * rate)), max(1, round(GAP_S * rate))
    ahead = max(3, round(AHEAD_S * rate))
    first = before + round(SPIKE_S * rate) + gap + back
    places = np.arange(first, width - ahead)
    if not places.size:
        return np.full(n, np.nan)
    sums = np.zeros((n, width + 1))
    np.cumsum(y, axis=1, out=sums[:, 1:])
    line = (sums[:, places - gap] - sums[:, places - gap - back]) / back
    mean = (sums[:, places + ahead] - sums[:, places]) / ahead
    after = np.median(y[:, -(width - before) // 4 :], axis=1)[:, None]
    sign = np.sign(kick)[:, None]
    swing = (line - after) * sign
    least = 6 * noise[:, None]
    fell = (line - y[:, places]) * sign > np.maximum(least, FALL_SHARE * swing)
    stays = (line - mean) * sign > np.maximum(least / 2, STAY_SHARE * swing)
    hot = fell & stays & (swing > least)
    time_ms = (places[np.argmax(hot, axis=1)] - before) / rate * 1e3
    # An open circuit swings through at once: there is no line to fall from.
    early = y[:, before + round(0.5 * SPIKE_S * rate) : first + 1]
    opposite = (-(early - after) * sign).max(axis=1)
    dark = opposite > OPEN_SHARE * np.abs(kick)
    found = np.where(hot.any(axis=1), time_ms, np.nan)
    return np.asarray(np.where(dark, 0.0, found))
