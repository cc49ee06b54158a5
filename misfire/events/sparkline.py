"""The spark line of a coil primary: how long it lasts, at what level, how it ends."""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.windows import average_ahead, fit_lines
from misfire.records import STROKE_FLAGS

RING_S = 0.6e-3  # behind the spark line the coil rings down
SETTLE_S = 40e-6  # from breakdown to a steady spark line
GONE_S = 80e-6  # the mean over so long tells that nothing burns: longer than ringing and restrikes
STEADY_S = (80e-6, 200e-6)  # after the top: no coil swings on for so long without a zero
HALF_SWING_S = 40e-6  # averaged then, against noise: less than the time a swing stays below zero
BRIEF_S = 20e-6  # a sample is looked at as the mean over so long
POINTS = 64  # of each burn, evenly spread, from which its level is taken
LEAST_LINE = 0.2  # of the driver's step: 600 V of arc over 100 turns are 6 V, under 14 V
LINE_QUANTILE = 0.2  # of them: saw teeth and restrikes only go up from the line
LEVEL_QUANTILE = 0.35  # of them up to the end: a line climbs, teeth stand on it: below its middle
LEAST_HALF_S, LONGEST_HALF_S = 60e-6, 300e-6  # half a period of a coil's ring-down
KINK_S = 25e-6  # just before the foot of a throw
STRAIGHT, ROUND = 0.5, 0.75  # of a rise, reached in half of its time: by a line, by a cosine
MOST_LOSS = 0.25  # of a swing, in a radian of it: by half from each swing to the next one
THROWN = 1.15  # times the line: what is left in the coil throws the wave up before it falls
TOP_SHARE = 0.75  # a kick that nothing loads stands above that for the first part of its fall
LONGEST_TOP_S = 0.25e-3  # and a clamp no longer: 50 mJ at 400 V and 4 A are gone in 60 us
STEEP_LINE = 0.5  # late level over early level of a spark line: less is steep
SWING_SHARE = 0.06  # of the top, to the other side: a leak that decays does not swing so far
SAME_DECAY = 1.6  # times the ratio that an exponential decay has
TOOTH_SHARE = 0.4  # of the spark line, by which a tooth or a restrike falls back to it


def measure_burn(
    strokes: NDArray[np.void],
    window: NDArray[np.float64],
    kick_at: NDArray[np.int64],
    fired: NDArray[np.float64],
    *,
    step: float | NDArray[np.float64],
    noise: float | NDArray[np.float64],
    rate: float,
    scale: float,
    n_cut: int,
) -> NDArray[np.bool_]:
    """Tell a burn from a leak's decay and from a coil that rings on, and fill the burn fields.

    Parameters
    ----------
    strokes : STROKE_FIELDS array [shape=(n,)]
        Fields `burn_*`, `decay_us`, `ring_v`, `restrikes` and `flags` are written.
    window : float64 array [shape=(n, width), unit=counts above the supply]
        NaN beyond the ends of the channel.
    kick_at : int64 array [shape=(n,), unit=samples]
        Top of the kick, as a place in `window`.
    fired : float64 array [shape=(n,), unit=samples]
        Breakdown, if it was one.
    step : float or float64 array [shape=(n,), unit=counts]
        What spark lines are measured by: of a primary the supply above the driver's low level.
    noise : float or float64 array [shape=(n,), unit=counts]
    rate : float [unit=Hz]
    scale : float [unit=V]
    n_cut : int [>= 0]
        Samples of the longest window that were left out of `window`.

    Returns
    -------
    sure : bool array [shape=(n,)]
        Whether the samples left out can change nothing; what is not sure is to be measured again.

    Notes
    -----
    While a spark burns the primary stands above the supply by the spark's voltage over the turns
    ratio; saw teeth (the flow stretches the spark) and restrikes only lift it. So the spark is out
    where the wave first falls to the supply and stays low over a ringing period, whatever came
    before; the end of the burn is the foot of that last fall. A leak has no plateau to fall from:
    its voltage decays by one time constant from the top on; a coil without load swings through.
    """
    n, width = window.shape
    rows = np.arange(n)
    step, noise = np.broadcast_to(step, n), np.broadcast_to(noise, n)
    settle = max(1, round(SETTLE_S * rate))
    brief = max(1, round(BRIEF_S * rate))
    ring_span = np.arange(int(RING_S * rate))
    filled = np.where(np.isnan(window), 0.0, window)
    known = np.isfinite(window).sum(axis=1)
    total = np.zeros((n, width + 1))
    np.cumsum(filled, axis=1, out=total[:, 1:])

    floor = 0.15 * step + 2 * noise / np.sqrt(brief)
    out, went = _find_out(total, kick_at, step, noise, brief, rate)
    sure = np.ones(n, bool)
    if n_cut:
        reach = max(round(GONE_S * rate), ring_span.size) + brief + 2
        sure = went & (out + reach <= width)
    out = np.where(went, out, width - 1)
    lasted = (out - kick_at).astype(float)
    leaks, rings_on, ratio = _tell_without_line(filled, total, kick_at, out, floor, step, rate)
    burned = went & ~rings_on & ~leaks & (lasted > 1)
    in_channel = out < known - 1

    line, end, level = _find_ends(filled, total, kick_at, out, settle, brief, step, noise, rate)
    burned &= (level > LEAST_LINE * step) & (end > fired)
    duration = (end - fired) / rate * 1e3
    strokes["burn_time_ms"] = np.where(burned, duration, 0.0)
    unknown = ~went | ~in_channel
    strokes["burn_time_ms"][unknown] = np.nan
    leaks &= ~unknown
    tau = 0.5 * lasted / np.log(1 / np.minimum(ratio, 0.99)) / rate * 1e6
    strokes["decay_us"] = np.where(leaks, tau, np.nan)
    strokes["flags"] |= np.where(leaks, STROKE_FLAGS["leaking"], 0).astype(np.uint32)
    strokes["restrikes"] = np.where(
        burned, _count_falls(filled, kick_at + settle, end, line, noise, rate), 0
    )
    slope = _fit_slopes(window, kick_at, end, burned, settle, rate, n_cut)
    strokes["burn_slope_v_per_ms"] = slope * scale
    strokes["burn_level_v"] = np.where(burned, level * scale, np.nan)
    tail = np.where(burned, np.ceil(end).astype(np.int64), kick_at + settle)
    ring = filled[rows[:, None], np.minimum(tail[:, None] + ring_span, width - 1)]
    span = ring.max(axis=1, initial=-np.inf) - ring.min(axis=1, initial=np.inf)
    strokes["ring_v"] = np.where(tail < width, span, -np.inf) * scale
    return sure


def _find_out(
    total: NDArray[np.float64],
    kick_at: NDArray[np.int64],
    step: NDArray[np.float64],
    noise: NDArray[np.float64],
    brief: int,
    rate: float,
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Find where the wave first falls to the supply and stays low, and whether it does at all."""
    n, width = len(total), total.shape[1] - 1
    rows, column = np.arange(n), np.arange(width)
    gone = column > kick_at[:, None]
    for span in (brief, max(2, round(GONE_S * rate))):  # noise of the mean over so many samples
        gone &= average_ahead(total, span) < (0.15 * step + 2 * noise / np.sqrt(span))[:, None]
    # ringing right after a breakdown may look so at a low rate; a line behind it is none
    span = max(1, round(HALF_SWING_S * rate))
    steady = kick_at[:, None] + np.arange(round(STEADY_S[0] * rate), round(STEADY_S[1] * rate))
    begun = np.minimum(steady[:, : 1 - span or None], width - span)
    lit = (total[rows[:, None], begun + span] - total[rows[:, None], begun]).min(axis=1)
    lit = lit / span > 0.15 * step + 2 * noise / np.sqrt(span)
    gone &= ~lit[:, None] | (column >= steady[:, -1:])
    out = np.argmax(gone, axis=1)
    return out, gone[rows, out]


def _tell_without_line(
    filled: NDArray[np.float64],
    total: NDArray[np.float64],
    kick_at: NDArray[np.int64],
    out: NDArray[np.int64],
    floor: NDArray[np.float64],
    step: NDArray[np.float64],
    rate: float,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
    """Tell leaks and coils that ring on by what the wave does between its top and the supply.

    Third comes the late level over the early one.
    """
    n, width = filled.shape
    rows = np.arange(n)
    lasted = (out - kick_at).astype(float)
    early = _mean(total, _part(kick_at, lasted, 0.15), _part(kick_at, lasted, 0.35))
    late = _mean(total, _part(kick_at, lasted, 0.65), _part(kick_at, lasted, 0.85))
    early, late = np.maximum(early, 1e-9), np.maximum(late, 1e-9)
    top = np.maximum(filled[rows, kick_at], early)
    ratio = late / early
    decayed = np.sqrt(np.clip(floor / np.maximum(top, floor), 1e-9, 1.0))
    foreseen = early / np.sqrt(np.minimum(ratio, 1.0))  # the decay led back to its beginning
    swing = np.arange(max(1, round(150e-6 * rate)))
    lowest = filled[rows[:, None], np.minimum(out[:, None] + swing, width - 1)].min(axis=1)
    # a driver's diode may hold the wave up as it swings through: no lower than a volt below earth
    swings = lowest < -np.maximum(np.minimum(SWING_SHARE * top, 0.5 * step), floor)
    rings_on = (early > TOP_SHARE * top) & (lasted < LONGEST_TOP_S * rate)
    # a top that hardly stands above the floor tells little: nearer to a decay than to a plateau
    falls = ratio < np.minimum(SAME_DECAY * decayed, np.sqrt(decayed))
    leaks = ~rings_on & ~swings & falls & (foreseen > 0.5 * top)
    leaks |= rings_on & ~swings & (ratio < STEEP_LINE)
    return leaks, rings_on & ~leaks, ratio


def _fit_slopes(
    window: NDArray[np.float64],
    kick_at: NDArray[np.int64],
    end: NDArray[np.float64],
    burned: NDArray[np.bool_],
    settle: int,
    rate: float,
    n_cut: int,
) -> NDArray[np.float64]:
    """Fit the slope of each spark line, per millisecond."""
    width = window.shape[1]
    column = np.arange(width)
    length = np.where(burned, end - kick_at, 0.0)
    begin, stop = kick_at + np.maximum(settle, 0.15 * length), kick_at + 0.85 * length
    first, last = 0, width  # columns that any line needs
    if burned.any():
        first = max(0, int(begin[burned].min()))
        last = min(width, int(stop[burned].max()) + 1)
    inside = (column[first:last] >= begin[:, None]) & (column[first:last] < stop[:, None])
    slope, _ = fit_lines(
        window[:, first:last],
        inside & burned[:, None],
        column[first:last] / rate * 1e3,
        before=first,
        after=width - last + n_cut,
    )
    return slope


def _part(begin: NDArray[np.int64], length: NDArray[np.float64], share: float) -> NDArray[np.int64]:
    """Place at a share of a stretch."""
    return np.asarray(np.round(begin + share * length).astype(np.int64))


def _find_ends(
    filled: NDArray[np.float64],
    total: NDArray[np.float64],
    kick_at: NDArray[np.int64],
    out: NDArray[np.int64],
    settle: int,
    brief: int,
    step: NDArray[np.float64],
    noise: NDArray[np.float64],
    rate: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Level of the spark line, where it ends [samples], and its middle level.

    The end lies before `out`, where the wave has come down: it is the foot of the last fall or,
    where the coil throws the voltage up first, the foot of that throw.
    """
    n, width = filled.shape
    rows = np.arange(n)[:, None]
    # the mean over some samples about each point keeps noise out of the quantile
    half = max(0, round(4e-6 * rate))
    share = (np.arange(POINTS) + 0.5) / POINTS
    begin = np.minimum(kick_at + settle, kick_at + np.maximum((out - kick_at) // 3, 1))

    def spread(first: NDArray[np.float64], last: NDArray[np.float64]) -> NDArray[np.float64]:
        place = first[:, None] + share * np.maximum(last - first, 0)[:, None]
        at = np.clip(np.round(place).astype(np.int64), half, width - half - 1)
        found = (total[rows, at + half + 1] - total[rows, at - half]) / (2 * half + 1)
        return np.asarray(np.sort(found, axis=1))

    sorted_ = spread(begin.astype(float), out.astype(float))
    line = sorted_[:, int(LINE_QUANTILE * POINTS)]
    # a short burn's fall is a good part of it: the level is that of its upper half then
    line = np.maximum(line, 0.5 * sorted_[:, POINTS // 2])
    end = _find_swing_end(filled, total, begin, out, line, step, noise, brief, rate)
    plain = _find_plain_end(filled, begin, out, line, rate)
    end = np.where(np.isnan(end), plain, end)
    middle = spread(begin.astype(float), np.maximum(end, begin))
    return line, end, middle[:, int(LEVEL_QUANTILE * POINTS)]


def _find_swing_end(
    filled: NDArray[np.float64],
    total: NDArray[np.float64],
    begin: NDArray[np.int64],
    out: NDArray[np.int64],
    line: NDArray[np.float64],
    step: NDArray[np.float64],
    noise: NDArray[np.float64],
    brief: int,
    rate: float,
) -> NDArray[np.float64]:
    """Find where the coil's free swing began, from its own period; NaN where it does not swing.

    From its highest point, where it stands still, to zero it takes a quarter of its period. The
    spark went out there, or at the foot of the throw that led there: E cos + S sin.
    """
    n, width = filled.shape
    rows = np.arange(n)
    early, late = round(LEAST_HALF_S * rate), 2 * brief + 1
    longest = max(2, round(LONGEST_HALF_S * rate))
    offset = np.arange(-early, late + longest)
    wave = filled[rows[:, None], np.clip(out[:, None] + offset, 0, width - 1)]
    down = _find_last((wave > 0) & (offset < late))
    zero = _cross(wave, down, np.zeros(n))
    up = (wave > 0) & (np.arange(offset.size) > down[:, None])
    up_at = np.argmax(up, axis=1)
    back = _cross(-wave, np.maximum(up_at - 1, 0), np.zeros(n))
    deep = np.where(np.arange(offset.size) < up_at[:, None], wave, 0.0).min(axis=1)
    swings = up.any(axis=1) & (wave[rows, down] > 0) & (deep < -np.maximum(0.1 * line, 4 * noise))
    half_swing = np.where(swings, back - zero, 0.0)
    zero = zero + out - early
    few = max(1, round(KINK_S * rate) // 4)

    def mean_about(place: NDArray[np.float64], half: int) -> NDArray[np.float64]:
        at = np.round(place).astype(np.int64)
        return _mean(total, at - half, at + half + 1)

    # A coil without current stands still as the arc goes out: what damps it makes it do so sooner
    # than a quarter before its zero. The dip tells by how much, unless the driver's diode holds it.
    top = np.maximum(mean_about(zero - 0.5 * half_swing, few), line)
    free = swings & (top > -deep) & (-deep < 0.8 * step)
    fades = np.divide(top, -deep, out=np.ones(n), where=free)
    loss = np.minimum(np.log(fades) / np.pi, MOST_LOSS)
    top_at = zero - (0.5 + np.arctan(loss) / np.pi) * half_swing
    top = mean_about(top_at, few)
    # Where the line had climbed, or in a saw tooth, the level at the foot is higher and the foot
    # later than where the line's own level says.
    kink = max(1, round(KINK_S * rate))
    level, foot = line.copy(), top_at.copy()
    for _ in range(4):
        rise = np.sqrt(np.maximum((top / np.maximum(level, 1e-9)) ** 2 - 1.0, 0.0))
        foot = top_at - np.arctan(rise) / np.pi * half_swing
        at_foot = np.round(foot).astype(np.int64)
        level = np.clip(_mean(total, at_foot - kink, at_foot), line, np.maximum(top, line))
    # A throw bulges as a cosine does; a saw tooth that blows the spark out goes straight up.
    bulge = mean_about(0.5 * (foot + top_at), few // 2) - level
    thrown = (top > THROWN * level) & (bulge > 0.5 * (STRAIGHT + ROUND) * (top - level))
    found = np.where(thrown, foot, top_at)
    return np.where(swings & (found > begin), found, np.nan)


def _find_plain_end(
    filled: NDArray[np.float64],
    begin: NDArray[np.int64],
    out: NDArray[np.int64],
    line: NDArray[np.float64],
    rate: float,
) -> NDArray[np.float64]:
    """Find where the last fall through the spark line began, of a coil that does not swing."""
    n, width = filled.shape
    back = max(3, round(2 * LONGEST_HALF_S * rate))
    offset = np.arange(1 - back, 1)
    wave = filled[np.arange(n)[:, None], np.clip(out[:, None] + offset, 0, width - 1)]
    valid = out[:, None] + offset >= begin[:, None]
    at = _find_last(valid & (wave > 0.8 * line[:, None]))
    low_at = np.maximum(_find_last(valid & (wave > 0.4 * line[:, None])), at)
    high, low = _cross(wave, at, 0.8 * line), _cross(wave, low_at, 0.4 * line)
    # an exponential decay takes 0.2 of a time constant to the one, 0.9 to the other
    return np.asarray(high - 0.3 * (low - high) + out + 1 - back)


def _mean(
    total: NDArray[np.float64], left: NDArray[np.int64], right: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Mean of the samples from `left` to `right` of each row, from running sums."""
    width = total.shape[1] - 1
    left = np.clip(left, 0, width - 1)
    right = np.clip(np.maximum(right, left + 1), 0, width)
    rows = np.arange(len(total))
    return np.asarray((total[rows, right] - total[rows, left]) / (right - left))


def _find_last(condition: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Place of the last True of each row; 0 where there is none."""
    width = condition.shape[1]
    last = width - 1 - np.argmax(condition[:, ::-1], axis=1)
    return np.asarray(np.where(condition.any(axis=1), last, 0))


def _cross(
    wave: NDArray[np.float64], at: NDArray[np.int64], level: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Place where a wave falls through a level behind its last sample above it."""
    rows = np.arange(len(wave))
    above, below = wave[rows, at], wave[rows, np.minimum(at + 1, wave.shape[1] - 1)]
    part = np.divide(above - level, above - below, out=np.zeros(rows.size), where=above > below)
    return np.asarray(at + np.clip(part, 0.0, 1.0))


def _count_falls(
    filled: NDArray[np.float64],
    first: NDArray[np.int64],
    end: NDArray[np.float64],
    line: NDArray[np.float64],
    noise: NDArray[np.float64],
    rate: float,
) -> NDArray[np.int64]:
    """Count how often the wave falls back to the spark line at once."""
    lag = max(1, round(8e-6 * rate))
    column = np.arange(filled.shape[1] - lag)
    fell = filled[:, :-lag] - filled[:, lag:] > np.maximum(TOOTH_SHARE * line, 6 * noise)[:, None]
    fell &= (column >= first[:, None]) & (column + lag < end[:, None])
    fell[:, 1:] &= ~fell[:, :-1]
    return np.asarray(fell.sum(axis=1))
