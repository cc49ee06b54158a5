"""The spark line of a coil primary: how long it lasts, at what level, how it ends."""

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.levels import CoilLevels
from misfire.dsp.windows import fit_lines

SETTLE_S = 40e-6  # from breakdown to a steady spark line
RING_S = 0.6e-3  # behind the spark line the coil rings down


def measure_burn(
    strokes: NDArray[np.void],
    window: NDArray[np.float64],
    fired: NDArray[np.float64],
    levels: CoilLevels,
    *,
    rate: float,
    scale: float,
    n_cut: int,
) -> NDArray[np.bool_]:
    """Find the end of the spark line as a change point and fill the burn fields.

    Parameters
    ----------
    strokes : STROKE_FIELDS array [shape=(n,)]
        Fields `burn_*`, `ring_v` and `restrikes` are written.
    window : float64 array [shape=(n, width), unit=counts above the supply]
        NaN beyond the ends of the channel.
    fired : float64 array [shape=(n,), unit=samples]
        Breakdown, as a place in `window`.
    levels : CoilLevels
    rate : float [unit=Hz]
    scale : float [unit=V]
    n_cut : int [>= 0]
        Samples of the longest window that were left out of `window`.

    Returns
    -------
    sure : bool array [shape=(n,)]
        Whether the samples left out can change nothing; what is not sure is to be measured again.
    """
    n, width = window.shape
    rows = np.arange(n)
    column = np.arange(width)
    peak_at = np.ceil(fired).astype(np.int64)
    step = levels.battery - levels.low
    settle = max(2, round(SETTLE_S * rate))
    lag = max(3, round(70e-6 * rate))
    skip = max(1, round(12e-6 * rate))
    # The leakage inductance rings on for some 100 us after the breakdown: the mean over a ring's
    # period ahead is compared, not single samples.
    look = np.arange(max(2, round(45e-6 * rate)))
    top_span = np.arange(max(2, round(220e-6 * rate)))
    stay_span = 3 * skip + np.arange(2 * lag)
    fade_span = np.arange(0, round(260e-6 * rate), max(1, look.size // 4))
    ring_span = np.arange(int(RING_S * rate))
    # how far behind a change of level its judgement looks
    reach = max(3 * skip + 2 * lag, round(260e-6 * rate) + look.size, ring_span.size)
    reach += look.size + top_span.size + 2

    filled = np.where(np.isnan(window), 0.0, window)
    total = np.zeros((n, width + 1))
    np.cumsum(filled, axis=1, out=total[:, 1:])

    def mean_between(
        row: NDArray[np.int64], left: NDArray[np.int64], right: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        left, right = np.clip(left, 0, width), np.clip(right, 0, width)
        taken = total[row, right] - total[row, left]
        return np.asarray(taken / np.maximum(right - left, 1))

    line_from = peak_at + settle
    base_from = line_from.copy()

    def level_behind(row: NDArray[np.int64], at: NDArray[np.int64]) -> NDArray[np.float64]:
        # Close behind the breakdown the first stretch of the line itself is the reference.
        right = np.maximum(at - skip, base_from[row] + lag)
        return mean_between(row, right - lag, right)

    start_level = mean_between(rows, line_from, line_from + lag)
    lit = start_level > 0.3 * step
    threshold = np.maximum(0.18 * np.maximum(start_level, 0) + 0.12 * step, 6 * levels.noise)
    coarse = np.maximum(
        0.14 * np.maximum(start_level, 0) + 0.08 * step, 6 * levels.noise / np.sqrt(look.size)
    )
    search_from = line_from + skip + max(2, lag // 4)
    ahead_mean = _average_ahead(total, look.size)
    behind_mean = np.zeros((n, width))
    behind_mean[:, skip + lag :] = (total[:, lag:] - total[:, :-lag])[:, : width - skip - lag] / lag

    def find_beyond(row: NDArray[np.int64]) -> NDArray[np.bool_]:
        # where the mean ahead leaves the level behind, as `level_behind` has it
        base = base_from[row]
        own = mean_between(row, base, base + lag)
        slides = column >= (base + lag + skip)[:, None]
        level = np.where(slides, behind_mean[row], own[:, None])
        np.subtract(ahead_mean[row], level, out=level)
        return np.asarray(np.abs(level, out=level) > coarse[row, None])

    sure = np.ones(n, bool)
    burn_end = np.zeros(n, np.int64)
    row = np.flatnonzero(lit)
    beyond = find_beyond(row)
    for _ in range(6):  # restrikes and climbs before the end
        seen = beyond & (column >= search_from[row, None])
        hit = np.argmax(seen, axis=1)
        has = seen[np.arange(row.size), hit]
        if n_cut:
            has &= hit + reach <= width
            sure[row[~has]] = False
        row, beyond, hit = row[has], beyond[has], hit[has]
        if not row.size:
            break
        each = row[:, None]
        # The mean looks ahead: the instant itself is where the line leaves its level.
        level = level_behind(row, hit)
        near = filled[each, np.minimum(hit[:, None] + look, width - 1)]
        off = np.abs(near - level[:, None]) > threshold[each]
        hit = hit + np.where(off.any(axis=1), np.argmax(off, axis=1), look.size // 2)
        hit = np.minimum(hit, width - 1)
        # Towards its end the spark needs more voltage and the line may rise for 100 us; when the
        # spark is out what is left in the coil throws it up: the foot of that throw is the end.
        ahead = filled[each, np.minimum(hit[:, None] + top_span, width - 1)]
        rising = ahead[:, 0] > level
        # the first maximum from which it falls clearly below the spark line
        fallen = ahead < level[:, None] - 0.5 * threshold[each]
        falls = fallen.any(axis=1)
        until = np.where(falls, np.argmax(fallen, axis=1), top_span.size)
        ahead = np.where(top_span < until[:, None], ahead, -np.inf)
        top = np.argmax(ahead, axis=1)
        foot_level = level + 0.3 * (ahead[np.arange(row.size), top] - level)
        below = (ahead < foot_level[:, None]) & (top_span < top[:, None])
        foot = np.where(below.any(axis=1), top_span.size - np.argmax(below[:, ::-1], axis=1), 0)
        hit = np.where(rising, hit + foot, hit)
        # A restrike comes back to the spark line and stays there, the end of burn does not.
        stay = filled[each, np.minimum(hit[:, None] + stay_span, width - 1)]
        again = np.abs(stay - level[:, None]).max(axis=1) < threshold[row]
        # Nor is it the end while the line only climbs: what ends it falls through the line.
        climbing = ~again & ~falls
        ended = ~again & ~climbing
        burn_end[row[ended]] = hit[ended]
        strokes["restrikes"][row] += again
        search_from[row[again]] = hit[again] + 3 * skip + lag // 2
        search_from[row[climbing]] = hit[climbing] + lag
        # what a restrike lifts is not the level of the line behind it
        base_from[row[again]] = hit[again] + 3 * skip
        row, beyond, again = row[~ended], beyond[~ended], again[~ended]
        if again.any():
            beyond[again] = find_beyond(row[again])
    # A spark that goes out lets the voltage collapse and the coil ring; a shunted plug or coil
    # decays on and on: no burn, whatever it looks like at first.
    after = burn_end[:, None] + fade_span
    after_mean = mean_between(rows[:, None], after, after + max(2, look.size // 2))
    before_level = level_behind(rows, np.maximum(burn_end - 1, 0))
    fading = (before_level < 0.3 * start_level) | (after_mean.min(axis=1) > 0.2 * before_level)
    short = burn_end - peak_at < settle + lag // 2
    burned = (burn_end > 0) & ~fading & ~short
    duration = (burn_end - 0.5 - fired) / rate * 1e3
    strokes["burn_time_ms"] = np.where(burned, duration, 0.0)
    length = (burn_end - peak_at).astype(float)
    begin, end = peak_at + np.maximum(settle, 0.15 * length), peak_at + 0.85 * length
    first, last = 0, width  # columns that any line needs
    if burned.any():
        first = max(0, int(begin[burned].min()))
        last = min(width, int(end[burned].max()) + 1)
    inside = (column[first:last] >= begin[:, None]) & (column[first:last] < end[:, None])
    slope, _ = fit_lines(
        window[:, first:last],
        inside & burned[:, None],
        column[first:last] / rate * 1e3,
        before=first,
        after=width - last + n_cut,
    )
    strokes["burn_slope_v_per_ms"] = slope * scale
    middle = (peak_at + 0.5 * length).astype(np.int64)
    span = np.maximum((0.2 * length).astype(np.int64), 1)
    level = mean_between(rows, middle - span, middle + span)
    strokes["burn_level_v"] = np.where(burned, level * scale, np.nan)
    tail = np.where(burned, burn_end, peak_at + settle)
    ring = filled[rows[:, None], np.minimum(tail[:, None] + ring_span, width - 1)]
    swing = ring.max(axis=1, initial=-np.inf) - ring.min(axis=1, initial=np.inf)
    strokes["ring_v"] = np.where(tail < width, swing, -np.inf) * scale
    return sure


def _average_ahead(total: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Mean of `span` samples from each one on, from running sums; fewer at the end."""
    width = total.shape[1] - 1
    mean = np.empty((total.shape[0], width))
    whole = max(0, width - span + 1)
    np.subtract(total[:, span:], total[:, :whole], out=mean[:, :whole])
    mean[:, :whole] /= span
    np.subtract(total[:, width:], total[:, whole:width], out=mean[:, whole:])
    mean[:, whole:] /= width - np.arange(whole, width)
    return mean
