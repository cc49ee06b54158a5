"""Coil strokes from the primary voltage: dwell, switch-off kick, firing, spark line, ring-down.

The end of burn is a change point: the mean over one ring period ahead is compared with the level
behind. A restrike comes back and stays, a climb before the end is no end, a shunted coil decays
and has no burn. Firing voltage: below some 500 kS/s the firing line cannot be seen between the
leakage spike and the breakdown; the circuit that all kicks of the channel follow tells it
(kickfit), or the time to the breakdown.

Short windows first: a stroke is measured in a window of usual length; one whose result the samples
left out could change is measured anew in the longest. Sums are added in the order of the longest
window, so that both give the same bits.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.crossings import find_zone_ends
from misfire.dsp.gathering import Gatherer
from misfire.dsp.levels import CoilLevels, find_coil_levels, survey_counts
from misfire.dsp.strokes import list_shown, make_form, make_strokes
from misfire.dsp.windows import cut_windows
from misfire.events.firingline import SPIKE_US, find_kicks, settle_firing_voltages
from misfire.events.kickfit import cut_heads, make_heads, settle_by_circuit
from misfire.events.sparkline import LEAST_LINE, measure_burn
from misfire.records import STROKE_FIELDS, STROKE_FLAGS, Channel

USUAL_SUPPLY_V = 13.0  # alternator charging, less the driver's own drop (common practice)
USUAL_BURN_S = 3.2e-3  # looked at first, ring-down included; few strokes need a longer look
LEAST_LONG = 256  # samples: a window no longer than that is looked at whole
SEEN_IN_KICK = ("firing_v", "firing_v_error", "burn_time_ms", "decay_us")
LEAST_BURN_MS = 0.1  # what ends sooner is the ringing of a coil whose gap never broke down
LEAST_RISE_SAMPLES = 2.0
SHAPE_SAMPLES = 3.5  # fewer do not show whether a top in the spike's time is the spike itself
LINE_S = (20e-6, 60e-6)  # behind a switch-off: on a spark line, before a limit's kick may come
LEAST_KICK = 1.5  # of the supply: current cut off makes several times that, even into a shunt
# The current that charges the secondary's capacity passes the winding: 7 A over 80 turns through
# 4 to 8 kohm are 350 to 700 V, seen on the primary as 4 to 9 V (docs/sources.md).
WINDING_DROP_V, DROP_ERROR_V = 6.0, 2.0
HIGH_STEP = 0.45  # of the driver's step above the supply: a kick, or a spark line
BATCH = 256  # strokes measured at once: 256 windows of 10 ms at 1 MS/s are 20 MB


@dataclass(frozen=True, slots=True)
class PrimarySettings:
    """Times that bound a stroke; all common practice, wide enough for any inductive ignition."""

    shortest_dwell_s: float = 0.25e-3  # a ring-down dips below half supply for 0.1 ms at most
    longest_dwell_s: float = 25e-3
    longest_limit_s: float = 9e-3  # current limit: the driver lifts the primary off its low level
    longest_burn_s: float = 6e-3
    kick_span_s: float = 0.2e-3


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
    strokes : array of some of STROKE_FIELDS [shape=(n_strokes,), ascending in stop_s]
        Times on the channel's own clock [s]. What no primary shows is left out. Empty if the
        channel does not look like a coil primary.

    Notes
    -----
    Source: order of the parts (dwell, switch-off, firing line, spark line, coil oscillation) from
    ignition textbooks as in docs/sources.md; the limits in `PrimarySettings` are common practice.
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
    shown, found = list_shown("coil_primary"), Gatherer(make_form("coil_primary"))
    heads = Gatherer(make_heads(rate))
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
            rest = (strokes["battery_v"] - channel.offset) / channel.scale
            heads.add(
                cut_heads(counts, end[part], rest, rate_hz=rate, volts_per_count=abs(channel.scale))
            )
            found.add(strokes[shown])
        if on_block is not None:
            on_block(stop / channel.n_samples)
    strokes, kept = found.join(), heads.join()
    switched = _are_switched(strokes)
    strokes, kept = strokes[switched], kept[switched]
    settled = settle_by_circuit(
        strokes, kept, channel=channel, noise_v=levels.noise * abs(channel.scale)
    )
    settle_firing_voltages(strokes, rate_hz=rate, settled=settled)
    return strokes


def _are_switched(strokes: NDArray[np.void]) -> NDArray[np.bool_]:
    """Tell off lows that end without any kick: a coil that carried current kicks as it is cut off.

    An open primary or feed pulls its terminal down too; it must not pass for a long weak charge.
    """
    with np.errstate(invalid="ignore"):
        silent = strokes["primary_peak_v"] < LEAST_KICK * strokes["battery_v"]
        silent &= ~(strokes["burn_time_ms"] > 0)
    return np.asarray(~silent)


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
    if not condition.size:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    entries, exits = find_zone_ends(condition)
    starts = np.concatenate(([0], entries)) if condition[0] else entries
    return starts, np.concatenate((exits + 1, [condition.size])) if condition[-1] else exits + 1


def _find_dwells(
    counts: NDArray[np.int16], levels: CoilLevels, rate: float, settings: PrimarySettings
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Pair each kick with the switch-on before it; also dwells that end without a kick."""
    step = levels.battery - levels.low
    half = int(np.floor(levels.low + 0.5 * step))
    high = int(np.ceil(levels.battery + max(HIGH_STEP * step, 8 * levels.noise)))
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
    reach = 0.35 * step + 3 * levels.noise
    for i in np.flatnonzero(long):
        dip = counts[low_from[i] : low_to[i]][:4096]
        long[i] = _rests_near(dip, levels.low, reach)
    previous = np.searchsorted(high_from, low_from) - 1
    earlier = np.concatenate(([-(10**9)], high_from))  # before the first kick: long ago
    since = low_from - earlier[previous + 1]
    long &= (since > 0.6e-3 * rate) | (low_to - low_from >= 0.45e-3 * rate)
    low_from, low_to = low_from[long], low_to[long]
    if low_from.size == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, bool)
    # a breakdown between two samples: no kick is seen, but the spark line behind it
    line_from, line_to = (round(s * rate) for s in LINE_S)
    # throughout, less some noise: a current limit may stand below the supply until the kick
    lit = np.zeros(low_from.size, bool)
    if line_to > line_from:  # else too few samples to tell a line from a limit
        line = cut_windows(counts, low_to, before=-line_from, after=line_to).min(axis=1)
        lit = line > levels.battery + LEAST_LINE * step - 2.0 * levels.noise
    # A current limit lifts the primary within the dwell: chain low runs up to the next kick.
    next_kick = np.searchsorted(high_from, low_to)
    chain_new = np.ones(low_from.size, bool)
    chain_new[1:] = (next_kick[1:] != next_kick[:-1]) | (
        low_from[1:] - low_to[:-1] > settings.longest_limit_s * rate
    )
    chain_new[1:] |= lit[:-1]
    last = np.concatenate((chain_new[1:], [True]))
    begin, low_end, kick_at = low_from[chain_new], low_to[last], next_kick[last]
    kick = np.append(high_from, np.iinfo(np.int64).max // 2)[kick_at]
    near = kick - low_end <= settings.longest_limit_s * rate
    # Between the end of the low run and the kick the level may rise, but not rest on the supply.
    following = np.append(begin[1:], np.iinfo(np.int64).max // 2)
    near &= kick < following
    prompt = kick - low_end <= max(3, 60e-6 * rate)
    unseen = lit[last] & (kick - low_end > max(3, LINE_S[0] * rate))
    kick = np.where(unseen, low_end, kick)
    prompt |= unseen
    limit = near & ~prompt
    # no coil is charged anew in less than the shortest dwell: what stands between is a limit
    resting = limit & (kick - low_end >= settings.shortest_dwell_s * rate)
    for i in np.flatnonzero(resting):
        between = counts[low_end[i] : kick[i]]
        error = 1.25 * levels.noise / math.sqrt(between.size)  # of a median of normal noise
        limit[i] = np.median(between) < levels.battery - 3 * error - 0.04 * step
    kicked = prompt | limit
    end = np.where(kicked, kick, low_end)
    return begin, end, kicked


def _rests_near(counts: NDArray[np.int16], level: float, reach: float) -> bool:
    """Whether the median is nearer to `level` than `reach`; sorts only where counting fails."""
    low, high = math.ceil(level - 0.999 * reach), math.floor(level + 0.999 * reach)
    if np.count_nonzero((counts >= low) & (counts <= high)) > counts.size // 2:
        return True
    return abs(float(np.median(counts)) - level) < reach


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
    strokes = make_strokes(end.size)
    half = levels.low + 0.5 * (levels.battery - levels.low)
    strokes["start_s"] = _crossing(counts, begin, half)
    # a current limit may hold the primary just below the supply before it lets go
    held = counts[np.maximum(end - max(5, round(20e-6 * rate)), 0)] > half
    off_level = levels.low + np.where(held, 1.25, 0.75) * (levels.battery - levels.low)
    strokes["stop_s"] = np.where(kicked, _last_below(counts, end, off_level), -0.5)
    strokes["dwell_ms"] = ((end - begin) + (strokes["stop_s"] - strokes["start_s"])) / rate * 1e3

    lead = max(4, int(1e-3 * rate))
    supply = cut_windows(counts, begin, before=lead, after=0)[:, : lead - max(1, lead // 8)]
    battery = _median(supply, levels.battery)
    # what stands as high as a kick is another coil's spark line, on a channel that sees many
    at_rest = battery < levels.battery + HIGH_STEP * (levels.battery - levels.low)
    at_rest &= battery > 0.4 * levels.battery
    battery = np.where(at_rest, battery, levels.battery)
    # what drifts slowly (mains, starter) widens the survey's levels, but is no noise of samples
    spread = 1.25 * np.abs(supply - battery[:, None]).mean(axis=1)
    noise = np.fmax(np.fmin(spread, levels.noise), 0.5)
    scale = channel.scale
    strokes["battery_v"] = battery * scale + channel.offset

    longest = int((settings.longest_burn_s + 1e-3) * rate)
    after = int(USUAL_BURN_S * rate) if longest > LEAST_LONG else longest
    window = cut_windows(counts, end, before=2, after=after) - battery[:, None]
    kick_span = 2 + max(4, int(settings.kick_span_s * rate))
    kick = find_kicks(
        window[:, :kick_span],
        2 + strokes["stop_s"],
        rate_hz=rate,
        noise=noise,
        unit_v=abs(scale),
    )
    highest = np.nan_to_num(window[:, :kick_span], nan=-np.inf).max(axis=1) + battery
    top = window[np.arange(end.size), kick.at] + battery
    strokes["primary_peak_v"] = highest * scale + channel.offset
    flags = np.where(highest >= channel.clip_high - 1, STROKE_FLAGS["clipped"], 0)
    flags |= np.where(kick.flat, STROKE_FLAGS["clamped"], 0)
    bounded = (kick.flat | (top >= channel.clip_high - 1)) & ~kick.early
    flags |= np.where(bounded, STROKE_FLAGS["bounded"], 0)
    fired = np.where(kick.early, kick.first_at + 0.5, kick.at + kick.fall)
    step = levels.battery - levels.low
    sure = measure_burn(
        strokes, window, kick.at, fired,
        step=step, noise=noise, rate=rate, scale=scale, n_cut=longest - after,
    )  # fmt: skip
    if not sure.all():  # they burn longer than usual, or never went out
        rest = np.flatnonzero(~sure)
        window_of_rest = cut_windows(counts, end[rest], before=2, after=longest)
        window_of_rest -= battery[rest, None]
        slow = strokes[rest]
        slow["flags"] = 0
        measure_burn(
            slow, window_of_rest, kick.at[rest], fired[rest],
            step=step, noise=noise[rest], rate=rate, scale=scale, n_cut=0,
        )  # fmt: skip
        strokes[rest] = slow
    brief = strokes["burn_time_ms"] < LEAST_BURN_MS
    strokes["burn_time_ms"][brief] = 0.0
    dark = strokes["burn_time_ms"] == 0
    flags |= np.where(dark, STROKE_FLAGS["no_breakdown"], 0)
    # within a sample or two of the switch-off nothing tells a rise from the spike before it
    rise = kick.at + kick.fall - kick.off
    in_spike = kick.at - kick.off < SPIKE_US * 1e-6 * rate
    clipped_on = bounded & kick.slow  # no spike stands so long
    unresolved = (rise < SHAPE_SAMPLES) & in_spike & ~clipped_on
    unresolved |= (rise < LEAST_RISE_SAMPLES) | (kick.slow & ~bounded)
    hidden = (kick.early | unresolved) & ~dark
    broke_at = np.where(dark, kick.at + kick.fall, fired)
    strokes["breakdown_us"] = (broke_at - kick.off) / rate * 1e6
    drop = np.where(dark, 0.0, WINDING_DROP_V / abs(scale))
    height = np.where(kick.early & ~dark, kick.first_height, kick.height) - drop
    strokes["firing_v"] = height * scale
    error = np.hypot(kick.error, np.where(dark, 0.0, DROP_ERROR_V / abs(scale)))
    relative = error / np.maximum(height, 1e-9)
    strokes["firing_v_error"] = np.where(hidden, np.inf, relative)
    strokes["flags"] |= flags.astype(np.uint32)
    no_kick = ~kicked
    for name in (*SEEN_IN_KICK, "burn_level_v", "burn_slope_v_per_ms", "breakdown_us"):
        strokes[name][no_kick] = np.nan
    return strokes


def _median(values: NDArray[np.float64], default: float) -> NDArray[np.float64]:
    """Median along rows; `default` where a row holds no number."""
    half = values.shape[1] // 2
    whole = ~np.isnan(values).any(axis=1)
    medians = np.full(values.shape[0], default)
    if values.shape[1] % 2:
        medians[whole] = np.partition(values[whole], half, axis=1)[:, half]
    elif half:
        middle = np.partition(values[whole], (half - 1, half), axis=1)[:, half - 1 : half + 1]
        medians[whole] = (middle[:, 0] + middle[:, 1]) / 2.0
    for i in np.flatnonzero(~whole):  # only at the ends of the channel
        known = values[i][~np.isnan(values[i])]
        medians[i] = np.median(known) if known.size else default
    return medians


def _crossing(
    counts: NDArray[np.int16], at: NDArray[np.int64], level: float
) -> NDArray[np.float64]:
    """Interpolate where the flank into sample `at` crosses `level`; NaN at the block's edge."""
    inner = np.clip(at, 1, counts.size - 1)
    a, b = counts[inner - 1].astype(float), counts[inner].astype(float)
    fraction = np.divide(level - a, b - a, out=np.full(a.size, 0.5), where=a != b)
    return np.where(at >= 1, np.clip(fraction, 0, 1) - 1, np.nan)


def _last_below(
    counts: NDArray[np.int16], kick: NDArray[np.int64], level: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Go back from the kick to the flank's foot: the instant the driver let go."""
    back = np.arange(-4, 1)
    window = counts[np.clip(kick[:, None] + back, 0, counts.size - 1)].astype(float)
    foot = np.where(window < level[:, None], back, -9).max(axis=1)
    foot = np.where(foot == -9, -1, np.minimum(foot, -1))
    low = counts[np.clip(kick + foot, 0, counts.size - 1)].astype(float)
    high = counts[np.clip(kick + foot + 1, 0, counts.size - 1)].astype(float)
    fraction = np.divide(level - low, high - low, out=np.full(low.size, 0.5), where=high > low)
    return np.asarray(foot + np.clip(fraction, 0, 1))
