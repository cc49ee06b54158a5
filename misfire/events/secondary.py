"""Secondary pick-ups: relative height and burn time; uncalibrated and of either polarity."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.crossings import find_true
from misfire.dsp.levels import survey_counts
from misfire.dsp.strokes import make_strokes
from misfire.events.firingline import RISEN, find_kicks
from misfire.events.sparkline import measure_burn
from misfire.records import STROKE_FIELDS, STROKE_FLAGS, Channel

BATCH_SAMPLES = 1 << 17  # in the windows measured at once: they stay in the processor's cache
TOP_QUANTILE = 0.9998  # of a channel's samples: the kicks lie beyond
HOLD_S = 2.5e-3  # shorter than the least time between two firings: 12 cylinders at 4000 rpm
LONGEST_BURN_S = 5e-3
RISE_S = 0.2e-3  # a quarter of a slow coil's period and more: the kick is over by then
KICK_SHARE = 0.08  # of the highest kicks; at idle gaps ask for a third of what they do under load
RUN_S = 0.1e-3  # what rises anew after that time is another run: an end of burn, a restrike
LIT_S = (40e-6, 200e-6)  # behind a kick, where a spark line stands and a ring-down swings through
LIT_SHARE, LIT_QUANTILE = 0.02, 0.2  # of the highest kicks: a line of 600 V below kicks of 25 kV
FOOT_SHARE = 0.1  # of a kick, at which its rise is taken to begin
LINE_SHARES = (0.04, 0.6)  # of the kick, between which a spark line lies


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
    survey = survey_counts(read, channel.n_samples)
    if survey.size < 8 * max(1, round(25e-6 * rate)):
        return empty
    # A kick goes farther from the rest than anything else, the coil's switch-on the other way.
    low, rest, high = np.quantile(survey, (1 - TOP_QUANTILE, 0.5, TOP_QUANTILE))
    noise = max(1.0, 1.4826 * float(np.median(np.abs(survey - rest))))
    sign = 1 if high - rest >= rest - low else -1
    top = float(max(high - rest, rest - low))
    if top < 15 * noise:
        return empty
    least = math.ceil(max(8 * noise, KICK_SHARE * top))
    hold, rise = int(HOLD_S * rate), max(2, round(RISE_S * rate))
    times: list[NDArray[np.float64]] = []
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 8 * hold), before=4 * hold, after=4 * hold
    ):
        if on_block is not None:
            on_block(start / channel.n_samples)
        above = counts >= rest + least if sign > 0 else counts <= rest - least
        hot = find_true(above)
        if hot.size == 0:
            continue
        signed = sign * (counts.astype(np.float64) - rest)
        kicks = _choose_kicks(signed, hot, hold, rise, max(3 * noise, LIT_SHARE * top), rate)
        kicks = kicks[(kicks + first >= start) & (kicks + first < stop)]
        # back from there to the foot of the rise: the coil was switched off
        back = np.arange(rise + 1)
        place = np.maximum(kicks[:, None] - back, 0)
        wave = sign * (counts[place].astype(np.float64) - rest)
        below = wave < FOOT_SHARE * wave[:, :1]
        foot = np.where(below.any(axis=1), np.argmax(below, axis=1), 1)
        rows = np.arange(kicks.size)
        under, over = wave[rows, foot], wave[rows, foot - 1]
        part = np.divide(-under, over - under, out=np.zeros(rows.size), where=over > under)
        times.append((kicks - foot + first) + np.clip(part, 0.0, 1.0))
    if not times:
        return empty
    at = np.concatenate(times)
    return measure_pickup(read, channel, channel.start_s + at / rate)


def _choose_kicks(
    wave: NDArray[np.float64],
    hot: NDArray[np.int64],
    hold: int,
    rise: int,
    least_line: float,
    rate: float,
) -> NDArray[np.int64]:
    """Choose the kick of each group of high samples: the first that a spark line follows.

    A coil that is switched on rings before, a spark that goes out is thrown up behind, and where
    samples are few either may stand higher than the kick. Without a line it is the highest.
    """
    group = np.concatenate(([0], np.cumsum(np.diff(hot) > hold)))
    begins = np.concatenate(([True], np.diff(hot) > max(1, int(RUN_S * rate))))
    run, group = hot[begins], group[begins]
    last = wave.size - 1
    near = np.minimum(run[:, None] + np.arange(rise + 1), last)
    top = run + np.argmax(wave[near], axis=1)
    line_from, line_to = (max(1, round(s * rate)) for s in LIT_S)
    behind = wave[np.minimum(top[:, None] + np.arange(line_from, line_to + 1), last)]
    lit = np.quantile(behind, LIT_QUANTILE, axis=1) > least_line
    order = np.lexsort((np.where(lit, run, -wave[np.minimum(top, last)]), ~lit, group))
    chosen = order[np.unique(group[order], return_index=True)[1]]
    kicks = top[chosen]
    # an end of burn whose kick fell between two samples: back to where the line begins
    for i in np.flatnonzero(~lit[chosen]):
        start = max(0, int(kicks[i]) - int(LONGEST_BURN_S * rate))
        before = wave[start : max(0, int(kicks[i]) - line_from)]
        dark = np.flatnonzero(before < 0.5 * least_line)
        begin = start + (int(dark[-1]) + 1 if dark.size else before.size)
        if start + before.size - begin > line_to - line_from:
            kicks[i] = begin + int(np.argmax(wave[begin : begin + line_from + 1]))
    return np.unique(kicks)


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
    width = counts.shape[1]
    wave = counts.astype(np.float64)
    # The rest is what the lead comes back to; before, the coil that charges may hold it off.
    rest = _find_medians(counts[:, -(width - before) // 4 :])
    wave -= rest[:, None]
    noise = 1.4826 * np.median(np.abs(np.diff(counts[:, : before // 2], axis=1)), axis=1)
    noise = np.maximum(noise / math.sqrt(2.0), 0.5)
    span = max(4, round(RISE_S * rate))
    near = wave[:, before + 1 : before + span]  # before, a charging coil stands off the other way
    each = np.arange(rows.size)
    sign = np.sign(near[each, np.argmax(np.abs(near), axis=1)])
    sign[sign == 0] = 1.0
    wave *= sign[:, None]
    wave = wave[:, before - 2 :]
    # the switch-off, between samples, as a place in what is left
    exact = (strokes["stop_s"][rows] - channel.start_s) * rate
    off = 2.0 + exact - np.round(exact)
    kick = find_kicks(wave[:, : 2 + span], off, rate_hz=rate, noise=noise)
    height = kick.height
    line_from, line_to = 2 + round(0.15e-3 * rate), 2 + round(0.3e-3 * rate) + 2
    level = _find_medians(wave[:, line_from:line_to])
    step = 0.8 * np.clip(np.nan_to_num(level), *(share * height for share in LINE_SHARES))
    # a kick that fell between two samples is not seen; the line begins at the switch-off
    with np.errstate(invalid="ignore"):
        unseen = height < RISEN * level
    at = np.where(unseen, np.ceil(off).astype(np.int64), kick.at)
    found = make_strokes(rows.size)
    measure_burn(
        found, wave, at, np.where(unseen, off, kick.at + kick.fall),
        step=step, noise=noise, rate=rate, scale=abs(scale), n_cut=0,
    )  # fmt: skip
    signed = sign * scale
    strokes["firing_v"][rows] = height * signed
    strokes["firing_v_error"][rows] = kick.error / np.maximum(height, 1e-9)
    burned = np.isfinite(found["burn_level_v"])
    strokes["burn_level_v"][rows] = np.where(
        burned, found["burn_level_v"] * np.sign(signed), level * signed
    )
    for name in ("burn_time_ms", "decay_us", "restrikes", "flags"):
        strokes[name][rows] = found[name]
    unseen &= found["burn_time_ms"] > 0
    strokes["firing_v"][rows[unseen]] = strokes["firing_v_error"][rows[unseen]] = np.nan
    top = counts[each, before - 2 + at]
    bounded = (top >= channel.clip_high - 1) | (top <= channel.clip_low + 1)
    dark = strokes["burn_time_ms"][rows] == 0
    flags = np.where(bounded, STROKE_FLAGS["clipped"] | STROKE_FLAGS["bounded"], 0)
    flags |= np.where(dark, STROKE_FLAGS["no_breakdown"], 0)
    flags |= np.where(unseen, STROKE_FLAGS["unresolved"], 0)
    strokes["flags"][rows] |= flags.astype(np.uint32)


def _find_medians(values: NDArray[np.generic]) -> NDArray[np.float64]:
    """Median of each row; NaN where rows are empty."""
    half = values.shape[1] // 2
    if not values.size:  # hardly a sample in the time it takes
        return np.full(len(values), np.nan)
    if values.shape[1] % 2:
        return np.asarray(np.partition(values, half, axis=1)[:, half], np.float64)
    middle = np.partition(values, (half - 1, half), axis=1)[:, half - 1 : half + 1]
    return np.asarray(middle.astype(np.float64).mean(axis=1))
