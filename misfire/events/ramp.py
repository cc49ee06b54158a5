"""The charging ramp of a coil, looked at backwards from its cut-off."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.windows import fit_spans
from misfire.records import STROKE_FLAGS

RING_SKIP_S, RING_S = 25e-6, 250e-6  # ringing is looked for from here on, for so long
LOWER_PART, UPPER_PART = (0.15, 0.5), (0.6, 0.97)  # of a ramp, where its slopes are taken
LOWER_MIDDLE, UPPER_MIDDLE = 0.325, 0.785  # the middles of the two parts
LIMIT_BEND = 0.25  # the upper half of a ramp flatter than this: the driver limits the current


@dataclass(frozen=True, slots=True)
class RampWindows:
    """Windows of one channel about the cut-offs of strokes, and what is known of each stroke.

    `window` float64 [shape=(n, width), unit=counts]: the current about each cut-off, rising;
    `peak`, `low` float64 [shape=(n,), unit=counts]: step at the cut-off and the level it falls to;
    `shared` bool [shape=(n,)]: another coil charges at the same time; `previous` int64 [shape=(n,),
    unit=samples from the cut-off, < 0]: the cut-off before; `left_out` float64 [shape=(n,)]: sum of
    the samples that were left out.
    """

    window: NDArray[np.float64]
    peak: NDArray[np.float64]
    low: NDArray[np.float64]
    shared: NDArray[np.bool_]
    previous: NDArray[np.int64]
    left_out: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RampScale:
    """How the samples of a channel's windows count.

    `noise` [unit=counts], `rate` [unit=Hz], `size` [unit=A per count]; `zero_at`: column of the
    cut-off in the longest window; means are taken over `smooth` [samples], the foot is searched
    within `reach` [samples] first; `n_cut` samples are left out at the beginning of the longest
    window, and columns count from there all the same.
    """

    noise: float
    rate: float
    size: float
    zero_at: int
    smooth: int
    reach: int
    n_cut: int


def measure_ramp(
    strokes: NDArray[np.void], windows: RampWindows, scale: RampScale
) -> NDArray[np.bool_]:
    """Find where each ramp began, its slopes, the step it starts with and the ringing on its foot.

    Parameters
    ----------
    strokes : STROKE_FIELDS array [shape=(n,)]
        Changed in place; `stop_s` is there, in samples from the cut-off.
    windows : RampWindows
    scale : RampScale

    Returns
    -------
    sure : bool array [shape=(n,)]
        Where the samples left out do not matter.
    """
    window, peak, low, shared = windows.window, windows.peak, windows.low, windows.shared
    rate, size, zero_at, n_cut = scale.rate, scale.size, scale.zero_at, scale.n_cut
    noise, smooth = scale.noise, scale.smooth
    n, width = window.shape[0], window.shape[1] + n_cut
    if np.isnan(window[:, [0, -1]]).any():  # only at the ends of the channel
        window = np.where(np.isnan(window), low[:, None], window)
    filled = window - low[:, None]
    # The ramp begins after the last stretch at the level to which the current falls back.
    foot_level = np.maximum(0.02 * peak, 3.5 * noise / np.sqrt(smooth))
    knee_level = np.maximum(0.10 * peak, 2 * foot_level)
    foot, found, slack = _find_foot(
        filled,
        foot_level,
        knee_level,
        smooth=smooth,
        zero_at=zero_at - n_cut,
        reach=scale.reach,
        left_out=windows.left_out,
        is_whole=n_cut == 0,
    )
    start = foot + n_cut - slack
    length = zero_at - start
    # Another coil's cut-off within the ramp (common feed): only its last part is this coil's own.
    overlap = (
        windows.previous > -np.where(found, length, zero_at) - 2
    )  # no rest in the longest window: a row
    begin = np.where(overlap, windows.previous + zero_at + 2 * smooth, start)
    sure = found & ~overlap & (length > 0.2e-3 * rate)
    t_ms = np.arange(n_cut - zero_at, width - zero_at).astype(float) / rate * 1e3
    lower, lower_at_0 = fit_spans(
        filled, *_find_part(begin, zero_at, n_cut, width, LOWER_PART), t_ms, before=n_cut
    )
    upper, _ = fit_spans(
        filled, *_find_part(begin, zero_at, n_cut, width, UPPER_PART), t_ms, before=n_cut
    )
    strokes["ramp_a_per_ms"] = np.where(shared, np.nan, lower * size)
    own = (lower > 0) & ~shared
    strokes["ramp_bend"] = np.divide(upper, lower, out=np.full(n, np.nan), where=own)
    whole = sure & (strokes["ramp_bend"] >= LIMIT_BEND)  # a plateau is no part of a charge
    start, step = _follow_charge(start, begin, (lower, lower_at_0, upper), whole, scale)
    strokes["start_s"] = np.where(sure, start - zero_at, np.nan)
    strokes["dwell_ms"] = np.where(sure, (strokes["stop_s"] + zero_at - start) / rate * 1e3, np.nan)
    strokes["ramp_step_a"] = np.where(sure & ~shared, step * size, np.nan)
    strokes["ramp_ring_a"] = np.where(
        sure,
        _measure_ringing(filled, begin, length, noise=noise, rate=rate, n_cut=n_cut) * size,
        np.nan,
    )
    strokes["flags"] |= np.where(overlap | shared, STROKE_FLAGS["overlap"], 0).astype(np.uint32)
    limited = strokes["ramp_bend"] < LIMIT_BEND
    strokes["flags"] |= np.where(limited, STROKE_FLAGS["limited"], 0).astype(np.uint32)
    return found if n_cut else np.ones(n, bool)


def _follow_charge(
    start: NDArray[np.float64],
    begin: NDArray[np.float64],
    slopes: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    whole: NDArray[np.bool_],
    scale: RampScale,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the column at which each ramp began, and how high it stood there [counts].

    The switch-on rings and hides the foot of the ramp: where the ramp is `whole`, its own course is
    followed down to zero. A coil with resistance charges as an exponential (closed form of R and L
    in series), whose time constant the two slopes give; a poor feed bends it so much that a
    parabola would see a step. A ramp that does start with a step (loaded or shorted coil) is later
    than that says, and keeps `start`. `slopes`: of the lower part, its value at the cut-off, and of
    the upper part [counts, counts per ms].
    """
    lower, lower_at_0, upper = slopes
    rate, zero_at = scale.rate, scale.zero_at
    dwell_ms = (zero_at - begin) / rate * 1e3
    middle_ms = -(1 - LOWER_MIDDLE) * dwell_ms
    value = lower_at_0 + lower * middle_ms
    with np.errstate(invalid="ignore", divide="ignore"):
        decay = np.log(lower / upper) / ((UPPER_MIDDLE - LOWER_MIDDLE) * dwell_ms)  # 1 / ms
        decay = np.where(np.isfinite(decay) & (np.abs(decay) > 1e-6), decay, 1e-6)
        back = np.log1p(np.maximum(decay * value / lower, -0.9)) / decay
        root = zero_at + (middle_ms - back) * rate / 1e3
        near = np.abs(start - root) < 0.08 * (zero_at - start)
        start = np.where(whole & near, root, start)
        ahead = middle_ms - (start - zero_at) / rate * 1e3
        return start, value - lower * np.expm1(decay * ahead) / decay


def _find_part(
    begin: NDArray[np.float64], zero_at: int, n_cut: int, width: int, part: tuple[float, float]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First column in a part of each ramp and first behind it, of a window without `n_cut`."""
    known = np.isfinite(begin)
    begin = np.where(known, begin, zero_at)
    length = np.maximum(zero_at - begin, 1)
    ends = []
    for share, is_in in zip(part, (np.greater, np.greater_equal), strict=True):
        # the first of some columns about the place that is there, whichever way that was rounded
        near = np.floor(begin + share * length)[:, None] + np.arange(-1, 3)
        there = is_in((near - begin[:, None]) / length[:, None], share)
        ends.append(near[:, 0].astype(np.int64) + np.argmax(there, axis=1) - n_cut)
    first, stop = (np.clip(end, 0, width - n_cut) for end in ends)
    return first, np.where(known, stop, first)


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
    rest = part.copy()
    # row by row: a matrix product rounds by how many rows it is given
    for term in _make_smooth_terms(most):
        rest -= (part * term).sum(axis=1)[:, None] * term
    spread = np.sqrt((rest**2).sum(axis=1) / (most - 3))
    return np.where(usable, np.maximum(spread, noise), np.nan)


@cache
def _make_smooth_terms(n: int) -> NDArray[np.float64]:
    """Orthonormal basis of the parabolas over `n` samples, a row each."""
    return np.asarray(np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, n), 3))[0]).T


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
    inner = total[:, half + 1 : half + 1 + width]
    inner[...] = filled
    inner[:, 0] += left_out
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
        mean = part[:, 2 * half + 1 :] - part[:, : -2 * half - 1]
        mean /= counted[first:]
        at_rest = mean[:, : zero_at - 1 - first] < foot_level[rows, None]
        is_there = np.asarray(at_rest.any(axis=1))
        hit = is_there | (first == 0)
        done = rows[hit]
        if done.size < rows.size:
            mean, at_rest, is_there = mean[hit], at_rest[hit], is_there[hit]
        each = np.arange(done.size)
        found[done] = is_there
        last = np.where(
            is_there, zero_at - 2 - first - np.argmax(at_rest[:, ::-1], axis=1), width - 1 - first
        )
        begin = int(last.min()) if done.size else 0
        above = mean[:, begin:] >= knee_level[done, None]
        above &= np.arange(begin, mean.shape[1]) > last[:, None]
        knee = np.where(above.any(axis=1), np.argmax(above, axis=1) + begin, 0)
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
