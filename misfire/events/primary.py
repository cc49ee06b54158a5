"""Coil strokes from the primary voltage: dwell, switch-off kick, firing, spark line, ring-down."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.levels import CoilLevels, find_coil_levels, survey_counts
from misfire.dsp.windows import cut_windows, fit_lines
from misfire.records import STROKE_FIELDS, STROKE_FLAGS, Channel

USUAL_SUPPLY_V = 13.0  # alternator charging, less the driver's own drop (common practice)
USUAL_RISE_V_PER_US = 5.4  # 7 A / (80 turns)^2 into some 200 pF: coil, boot, plug (ANCHORS C1, C3)
BATCH = 256  # strokes measured at once: 256 windows of 10 ms at 1 MS/s are 20 MB


@dataclass(frozen=True, slots=True)
class PrimarySettings:
    """Times that bound a stroke; all common practice, wide enough for any inductive ignition."""

    shortest_dwell_s: float = 0.25e-3  # a ring-down dips below half supply for 0.1 ms at most
    longest_dwell_s: float = 25e-3
    longest_limit_s: float = 9e-3  # current limit: the driver lifts the primary off its low level
    longest_burn_s: float = 6e-3
    kick_span_s: float = 0.4e-3
    settle_s: float = 40e-6  # from breakdown to a steady spark line


def find_primary_strokes(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    *,
    settings: PrimarySettings | None = None,
    block: int = BLOCK_SAMPLES,
    on_block: Callable[[float], None] | None = None,
) -> NDArray[np.void]:
    """Find and measure every stroke of the coils a primary channel sees.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
        Gives length, rate, scale, clipping counts.
    settings : PrimarySettings, optional
    block : int [unit=samples]
        How the channel is cut; the result does not depend on it.
    on_block : callable (fraction), optional

    Returns
    -------
    strokes : STROKE_FIELDS array [shape=(n_strokes,), ascending in stop_s]
        Times on the channel's own clock [s]. What a primary does not show is NaN. Empty if the
        channel does not look like a coil primary.

    Notes
    -----
    Source: order of the parts (dwell, switch-off, firing line, spark line, coil oscillation) from
    ignition textbooks as in ANCHORS G; the limits in `PrimarySettings` are common practice.
    """
    settings = settings or PrimarySettings()
    survey = survey_counts(read, channel.n_samples)
    levels = find_coil_levels(survey)
    if levels is None or channel.n_samples == 0:
        return np.empty(0, STROKE_FIELDS)
    levels = _without_rest(levels, survey, abs(channel.scale))
    rate = channel.rate_hz
    before = int((settings.longest_dwell_s + settings.longest_limit_s) * rate) + 64
    after = int((settings.longest_burn_s + 2e-3) * rate) + 64
    found = []
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=max(block, 4 * before), before=before, after=after
    ):
        begin, end, kicked = _find_dwells(counts, levels, rate, settings)
        mine = (end + first >= start) & (end + first < stop)
        begin, end, kicked = begin[mine], end[mine], kicked[mine]
        for at in range(0, end.size, BATCH):
            part = slice(at, at + BATCH)
            strokes = _measure(
                counts, begin[part], end[part], kicked[part], levels, channel, settings
            )
            # Whole samples first: the sum is then the same wherever the block began.
            on = (begin[part] + first) + strokes["start_s"]
            off = (end[part] + first) + strokes["stop_s"]
            strokes["start_s"] = channel.start_s + on / rate
            strokes["stop_s"] = channel.start_s + off / rate
            found.append(strokes)
        if on_block is not None:
            on_block(stop / channel.n_samples)
    return np.concatenate(found) if found else np.empty(0, STROKE_FIELDS)


def _without_rest(
    levels: CoilLevels, survey: NDArray[np.int16], volts_per_count: float
) -> CoilLevels:
    """Put the supply back in its place where a coil charges again before it ever rests on it."""
    step_v = (levels.battery - levels.low) * volts_per_count
    if not USUAL_SUPPLY_V + 4.0 < step_v < 60.0:
        return levels
    near = np.abs(survey - levels.battery) <= max(3 * levels.noise, 0.1 * step_v / volts_per_count)
    if near.mean() > 0.5:  # rests there: a supply of 24 V
        return levels
    return replace(levels, battery=levels.low + USUAL_SUPPLY_V / volts_per_count)


def _runs(condition: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give start and stop of every run of True."""
    change = np.flatnonzero(condition[1:] != condition[:-1]) + 1
    if condition.size and condition[0]:
        change = np.concatenate(([0], change))
    if change.size % 2:
        change = np.concatenate((change, [condition.size]))
    return change[::2], change[1::2]


def _find_dwells(
    counts: NDArray[np.int16], levels: CoilLevels, rate: float, settings: PrimarySettings
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Pair each kick with the switch-on before it; also dwells that end without a kick."""
    step = levels.battery - levels.low
    half = int(np.floor(levels.low + 0.5 * step))
    high = int(np.ceil(levels.battery + max(0.45 * step, 8 * levels.noise)))
    low_from, low_to = _runs(counts <= half)
    high_from, _ = _runs(counts >= high)
    if low_from.size == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, bool)
    # One or two samples of noise or crosstalk do not end a dwell: join over such holes.
    hole = max(2, int(15e-6 * rate))
    joined = low_from[1:] - low_to[:-1] <= hole
    kick_between = np.searchsorted(high_from, low_from[1:]) > np.searchsorted(
        high_from, low_to[:-1]
    )
    joined &= ~kick_between
    low_from = low_from[np.concatenate(([True], ~joined))]
    low_to = low_to[np.concatenate((~joined, [True]))]
    long = low_to - low_from >= settings.shortest_dwell_s * rate
    # An open circuit rings down far: such a dip is no switched-on driver.
    for i in np.flatnonzero(long):
        rest = float(np.median(counts[low_from[i] : low_to[i]][:4096]))
        long[i] = abs(rest - levels.low) < 0.35 * step + 3 * levels.noise
    previous = np.searchsorted(high_from, low_from) - 1
    earlier = np.concatenate(([-(10**9)], high_from))  # before the first kick: long ago
    since = low_from - earlier[previous + 1]
    long &= (since > 0.6e-3 * rate) | (low_to - low_from >= 0.45e-3 * rate)
    low_from, low_to = low_from[long], low_to[long]
    if low_from.size == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, bool)
    # A current limit lifts the primary within the dwell: chain low runs up to the next kick.
    next_kick = np.searchsorted(high_from, low_to)
    chain_new = np.ones(low_from.size, bool)
    chain_new[1:] = (next_kick[1:] != next_kick[:-1]) | (
        low_from[1:] - low_to[:-1] > settings.longest_limit_s * rate
    )
    last = np.concatenate((chain_new[1:], [True]))
    begin, low_end, kick_at = low_from[chain_new], low_to[last], next_kick[last]
    kick = np.append(high_from, np.iinfo(np.int64).max // 2)[kick_at]
    near = kick - low_end <= settings.longest_limit_s * rate
    # Between the end of the low run and the kick the level may rise, but not rest on the supply.
    following = np.append(begin[1:], np.iinfo(np.int64).max // 2)
    near &= kick < following
    prompt = kick - low_end <= max(3, 60e-6 * rate)
    limit = near & ~prompt
    for i in np.flatnonzero(limit):
        between = counts[low_end[i] : kick[i]]
        limit[i] = np.median(between) < levels.battery - 3 * levels.noise - 0.04 * step
    kicked = prompt | limit
    end = np.where(kicked, kick, low_end)
    return begin, end, kicked


def _measure(
    counts: NDArray[np.int16],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    kicked: NDArray[np.bool_],
    levels: CoilLevels,
    channel: Channel,
    settings: PrimarySettings,
) -> NDArray[np.void]:
    """Measure strokes; start_s and stop_s come as fractions of a sample from `begin` and `end`."""
    rate = channel.rate_hz
    strokes = np.zeros(end.size, STROKE_FIELDS)
    for name in (
        "peak_current_a",
        "ramp_a_per_ms",
        "ramp_bend",
        "ramp_step_a",
        "ramp_ring_a",
        "tail_a",
    ):
        strokes[name] = np.nan
    strokes["strikes"] = 1
    half = levels.low + 0.5 * (levels.battery - levels.low)
    strokes["start_s"] = _crossing(counts, begin, half)
    off_level = levels.low + 0.75 * (levels.battery - levels.low)
    strokes["stop_s"] = np.where(kicked, _last_below(counts, end, off_level), -0.5)
    strokes["dwell_ms"] = ((end - begin) + (strokes["stop_s"] - strokes["start_s"])) / rate * 1e3

    lead = max(4, int(1e-3 * rate))
    supply = cut_windows(counts, begin, before=lead, after=0)[:, : lead - max(1, lead // 8)]
    battery = _median(supply, levels.battery)
    battery = np.where(
        np.abs(battery - levels.battery) < 0.6 * levels.battery, battery, levels.battery
    )
    scale = channel.scale
    strokes["battery_v"] = battery * scale + channel.offset

    after = int((settings.longest_burn_s + 1e-3) * rate)
    window = cut_windows(counts, end, before=2, after=after) - battery[:, None]
    kick_span = 2 + max(4, int(settings.kick_span_s * rate))
    fired_at, steps = _find_breakdown(window, kick_span, levels, rate)
    column = np.arange(window.shape[1])
    kick = np.where(column <= fired_at[:, None], window, -np.inf)
    peak = kick.max(axis=1)
    clipped = peak + battery >= channel.clip_high - 1
    strokes["primary_peak_v"] = (peak + battery) * scale + channel.offset
    strokes["breakdown_us"] = (fired_at - 2 + steps - strokes["stop_s"]) / rate * 1e6
    # The leakage inductance's own spike comes first and rings for some 10 us; the reflected firing
    # line is what stands just before the gap breaks down. Where the gap breaks down too early for
    # the rate to show that, the time it took tells: the secondary charges at a steady rate.
    late = max(1, round(6e-6 * rate))
    stood = np.where(column >= fired_at[:, None] - late, kick, -np.inf).max(axis=1) * scale
    took = np.maximum(strokes["breakdown_us"], 1.0)
    resolved = took > max(12.0, 5e6 / rate)
    strokes["firing_v"] = np.where(resolved, stood, took * USUAL_RISE_V_PER_US)
    flags = np.where(clipped, STROKE_FLAGS["clipped"], 0)
    _measure_burn(strokes, window, fired_at + steps, levels, rate, scale, settings)
    dark = strokes["burn_time_ms"] == 0
    flags |= np.where(dark, STROKE_FLAGS["no_breakdown"], 0)
    # Nothing broke down: what the coil could reach is the height at which it stood.
    reached = np.where(column < kick_span, window, -np.inf)[:, 2 + late :].max(axis=1) * scale
    strokes["firing_v"] = np.where(dark, reached, strokes["firing_v"])
    strokes["flags"] |= flags.astype(np.uint32)
    no_kick = ~kicked
    for name in ("burn_time_ms", "burn_level_v", "burn_slope_v_per_ms", "breakdown_us"):
        strokes[name][no_kick] = np.nan
    return strokes


def _find_breakdown(
    window: NDArray[np.float64], kick_span: int, levels: CoilLevels, rate: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Last sample of the kick above the spark line, and the part of a sample until it fell."""
    n = window.shape[0]
    rows = np.arange(n)
    line_from = 2 + int(0.15e-3 * rate)
    line = _median(window[:, line_from : line_from + max(4, int(0.2e-3 * rate))], 0.0)
    step = levels.battery - levels.low
    level = np.clip(1.5 * line, 1.0 * step, 8.0 * step) + 2 * levels.noise
    above = np.nan_to_num(window[:, :kick_span], nan=-1e9) > level[:, None]
    # The first fall that lasts: a leakage spike may ring through the level for some 10 us.
    quiet = max(2, round(25e-6 * rate))
    total = np.zeros((n, kick_span + 1), np.int64)
    total[:, 1:] = np.cumsum(above, axis=1)
    column = np.arange(kick_span)
    until = np.minimum(column + 1 + quiet, kick_span)
    last = above & (total[:, until] == total[:, column + 1])
    at = np.where(last.any(axis=1), np.argmax(last, axis=1), np.minimum(2, kick_span - 1))
    before, after = window[rows, at], window[rows, np.minimum(at + 1, window.shape[1] - 1)]
    part = np.divide(before - level, before - after, out=np.full(n, 0.5), where=before > after)
    return at.astype(np.int64), np.clip(part, 0.0, 1.0)


def _measure_burn(
    strokes: NDArray[np.void],
    window: NDArray[np.float64],
    fired: NDArray[np.float64],
    levels: CoilLevels,
    rate: float,
    scale: float,
    settings: PrimarySettings,
) -> None:
    """Find the end of the spark line as a change point and fill the burn fields."""
    n, width = window.shape
    rows = np.arange(n)
    peak_at = np.ceil(fired).astype(np.int64)
    step = levels.battery - levels.low
    settle = max(2, round(settings.settle_s * rate))
    lag = max(3, round(70e-6 * rate))
    skip = max(1, round(12e-6 * rate))
    filled = np.where(np.isnan(window), 0.0, window)
    total = np.concatenate((np.zeros((n, 1)), np.cumsum(filled, axis=1)), axis=1)
    column = np.arange(width)

    def mean_between(left: NDArray[np.int64], right: NDArray[np.int64]) -> NDArray[np.float64]:
        left, right = np.clip(left, 0, width), np.clip(right, 0, width)
        taken = np.take_along_axis(total, right, 1) - np.take_along_axis(total, left, 1)
        return np.asarray(taken / np.maximum(right - left, 1))

    line_from = peak_at + settle
    # Close behind the breakdown the first stretch of the line itself is the reference.

    def level_behind(base: NDArray[np.int64]) -> NDArray[np.float64]:
        # Close behind the breakdown the first stretch of the line itself is the reference.
        right = np.maximum(column[None, :] - skip, (base + lag)[:, None])
        return mean_between(right - lag, right)

    base_from = line_from
    running = level_behind(base_from)
    start_level = mean_between(line_from[:, None], (line_from + lag)[:, None])[:, 0]
    lit = start_level > 0.3 * step
    threshold = np.maximum(0.18 * np.maximum(start_level, 0) + 0.12 * step, 6 * levels.noise)
    burn_end = np.zeros(n, np.int64)
    search_from = line_from + skip + max(2, lag // 4)
    # The leakage inductance rings on for some 100 us after the breakdown: the mean over a ring's
    # period ahead is compared, not single samples.
    look = np.arange(max(2, round(45e-6 * rate)))
    ahead_mean = mean_between(
        np.broadcast_to(column, (n, width)), np.broadcast_to(column + look.size, (n, width))
    )
    coarse = np.maximum(
        0.14 * np.maximum(start_level, 0) + 0.08 * step, 6 * levels.noise / np.sqrt(look.size)
    )
    stay_span = 3 * skip + np.arange(2 * lag)
    open_rows = lit.copy()
    for _ in range(6):  # restrikes and climbs before the end
        beyond = (np.abs(ahead_mean - running) > coarse[:, None]) & (
            column[None, :] >= search_from[:, None]
        )
        hit = np.argmax(beyond, axis=1)
        has = beyond[rows, hit] & open_rows
        # The mean looks ahead: the instant itself is where the line leaves its level.
        level = running[rows, hit]
        near = filled[rows[:, None], np.minimum(hit[:, None] + look, width - 1)]
        off = np.abs(near - level[:, None]) > threshold[:, None]
        hit = hit + np.where(off.any(axis=1), np.argmax(off, axis=1), look.size // 2)
        hit = np.minimum(hit, width - 1)
        # Towards its end the spark needs more voltage and the line may rise for 100 us; when the
        # spark is out what is left in the coil throws it up: the foot of that throw is the end.
        top_span = np.arange(max(2, round(220e-6 * rate)))
        ahead = filled[rows[:, None], np.minimum(hit[:, None] + top_span, width - 1)]
        rising = filled[rows, hit] > level
        # the first maximum from which it falls clearly below the spark line
        fallen = ahead < level[:, None] - 0.5 * threshold[:, None]
        until = np.where(fallen.any(axis=1), np.argmax(fallen, axis=1), top_span.size)
        ahead = np.where(top_span < until[:, None], ahead, -np.inf)
        top = np.argmax(ahead, axis=1)
        foot_level = level + 0.3 * (ahead[rows, top] - level)
        below = (ahead < foot_level[:, None]) & (top_span < top[:, None])
        foot = np.where(below.any(axis=1), top_span.size - np.argmax(below[:, ::-1], axis=1), 0)
        hit = np.where(rising & has, hit + foot, hit)
        # A restrike comes back to the spark line and stays there, the end of burn does not.
        stay = filled[rows[:, None], np.minimum(hit[:, None] + stay_span, width - 1)]
        again = has & (np.abs(stay - level[:, None]).max(axis=1) < threshold)
        # Nor is it the end while the line only climbs: what ends it falls through the line.
        climbing = has & ~again & ~fallen.any(axis=1)
        ended = has & ~again & ~climbing
        burn_end = np.where(ended, hit, burn_end)
        open_rows &= has & ~ended
        strokes["restrikes"] += again
        search_from = np.where(again, hit + 3 * skip + lag // 2, search_from)
        search_from = np.where(climbing, hit + lag, search_from)
        if again.any():  # what a restrike lifts is not the level of the line behind it
            base_from = np.where(again, hit + 3 * skip, base_from)
            running = level_behind(base_from)
    # A spark that goes out lets the voltage collapse and the coil ring; a shunted plug or coil
    # decays on and on: no burn, whatever it looks like at first.
    after = burn_end[:, None] + np.arange(0, round(260e-6 * rate), max(1, look.size // 4))
    after_mean = mean_between(after, after + max(2, look.size // 2))
    before_level = running[rows, np.maximum(burn_end - 1, 0)]
    fading = (before_level < 0.3 * start_level) | (after_mean.min(axis=1) > 0.2 * before_level)
    short = burn_end - peak_at < settle + lag // 2
    burned = (burn_end > 0) & ~fading & ~short
    duration = (burn_end - 0.5 - fired) / rate * 1e3
    strokes["burn_time_ms"] = np.where(burned, duration, 0.0)
    length = (burn_end - peak_at).astype(float)
    inside = (column[None, :] >= (peak_at + np.maximum(settle, 0.15 * length))[:, None]) & (
        column[None, :] < (peak_at + 0.85 * length)[:, None]
    )
    slope, _ = fit_lines(window, inside & burned[:, None], column / rate * 1e3)
    strokes["burn_slope_v_per_ms"] = slope * scale
    middle = (peak_at + 0.5 * length).astype(np.int64)
    span = np.maximum((0.2 * length).astype(np.int64), 1)
    level = mean_between((middle - span)[:, None], (middle + span)[:, None])[:, 0]
    strokes["burn_level_v"] = np.where(burned, level * scale, np.nan)
    tail = np.where(burned, burn_end, peak_at + settle)
    ring = (column[None, :] >= tail[:, None]) & (
        column[None, :] < tail[:, None] + int(0.6e-3 * rate)
    )
    swing = np.where(ring, filled, -np.inf).max(axis=1) - np.where(ring, filled, np.inf).min(axis=1)
    strokes["ring_v"] = swing * scale


def _median(values: NDArray[np.float64], default: float) -> NDArray[np.float64]:
    """Median along rows; `default` where a row holds no number."""
    empty = np.asarray(np.isnan(values).all(axis=1))
    values = np.where(np.repeat(empty[:, None], values.shape[1], axis=1), default, values)
    return np.asarray(np.nanmedian(values, axis=1))


def _crossing(
    counts: NDArray[np.int16], at: NDArray[np.int64], level: float
) -> NDArray[np.float64]:
    """Interpolate where the flank into sample `at` crosses `level`; NaN at the block's edge."""
    inner = np.clip(at, 1, counts.size - 1)
    a, b = counts[inner - 1].astype(float), counts[inner].astype(float)
    fraction = np.divide(level - a, b - a, out=np.full(a.size, 0.5), where=a != b)
    return np.where(at >= 1, np.clip(fraction, 0, 1) - 1, np.nan)


def _last_below(
    counts: NDArray[np.int16], kick: NDArray[np.int64], level: float
) -> NDArray[np.float64]:
    """Go back from the kick to the flank's foot: the instant the driver let go."""
    back = np.arange(-4, 1)
    window = counts[np.clip(kick[:, None] + back, 0, counts.size - 1)].astype(float)
    foot = np.where(window < level, back, -9).max(axis=1)
    foot = np.where(foot == -9, -1, np.minimum(foot, -1))
    low = counts[np.clip(kick + foot, 0, counts.size - 1)].astype(float)
    high = counts[np.clip(kick + foot + 1, 0, counts.size - 1)].astype(float)
    fraction = np.divide(level - low, high - low, out=np.full(low.size, 0.5), where=high > low)
    return np.asarray(foot + np.clip(fraction, 0, 1))
