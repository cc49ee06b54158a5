"""Crank angle against time through the teeth: both ways, to a fraction of a tooth."""

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from misfire.records import Ascending, CrankTrack

BATCH_PLACES = 1 << 14  # interpolated at once: some MB


def angle_at(track: CrankTrack, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Crank angle at given instants, by linear interpolation between the teeth.

    Parameters
    ----------
    track : CrankTrack
    time_s : float64 array [shape=(n,), unit=s]

    Returns
    -------
    angle_deg : float64 array [shape=(n,), unit=deg]
        Unwrapped; NaN outside the track, between stretches and where sync was lost.
    """
    time_s = np.asarray(time_s, dtype=float)
    angle_deg = np.empty(time_s.shape)
    for start in range(0, time_s.shape[0] if time_s.ndim else 1, BATCH_PLACES):
        some = slice(start, start + BATCH_PLACES) if time_s.ndim else ...
        known = _is_known(track, track.time_s, time_s[some])
        angle_deg[some] = np.where(known, interpolate_angle(track, time_s[some]), np.nan)
    return angle_deg


def interpolate_angle(track: CrankTrack, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Crank angle at given instants on straight lines through all teeth, lost spans or not.

    Parameters
    ----------
    track : CrankTrack
        With a tooth at least.
    time_s : float64 array [shape=(n,), unit=s]

    Returns
    -------
    angle_deg : float64 array [shape=(n,), unit=deg]
        Before the first tooth its own angle, after the last one that one's.
    """
    x, y = track.time_s, track.angle_deg
    if x.size < 2:
        return np.asarray(np.interp(time_s, x, y[:]))
    # numpy's own would want the angles of all teeth
    at = np.clip(x.searchsorted(time_s, side="right") - 1, 0, x.size - 2)
    begin_s, begin_deg, end_deg = x[at], y[at], y[at + 1]
    angle = (end_deg - begin_deg) / (x[at + 1] - begin_s) * (time_s - begin_s) + begin_deg
    return np.asarray(np.where(time_s < x[0], begin_deg, np.where(time_s >= x[-1], end_deg, angle)))


def time_at(track: CrankTrack, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Instants at which the crank passes given angles, by monotone cubic interpolation.

    Parameters
    ----------
    track : CrankTrack
    angle_deg : float64 array [shape=(n,), unit=deg]
        Unwrapped, as in `track`.

    Returns
    -------
    time_s : float64 array [shape=(n,), unit=s]
        NaN outside the track, between stretches and where sync was lost.

    Notes
    -----
    Across the gap of three pitches a straight line would be off by half a degree where the speed
    swings, hence the cubic. Source: F. N. Fritsch, R. E. Carlson, "Monotone piecewise cubic
    interpolation", SIAM J. Numer. Anal. 17 (1980) 238, with harmonic-mean slopes; a test compares
    it with scipy's PchipInterpolator.
    """
    angle_deg = np.asarray(angle_deg, dtype=float)
    x, y = track.angle_deg, track.time_s
    if x.size < 2:
        return np.where(_is_known(track, x, angle_deg), y[0] if y.size else np.nan, np.nan)
    if angle_deg.size <= BATCH_PLACES:
        return _interpolate(track, angle_deg)
    passed_s = np.empty(angle_deg.shape)
    for start in range(0, len(angle_deg), BATCH_PLACES):
        some = slice(start, start + BATCH_PLACES)
        passed_s[some] = _interpolate(track, angle_deg[some])
    return passed_s


def _interpolate(track: CrankTrack, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Work out `time_at` for not too many places at once."""
    n = track.time_s.size
    left = track.angle_deg.searchsorted(angle_deg, side="right") - 1
    at = np.clip(left, 0, n - 2)
    # only the teeth around each place: a long recording has millions
    around = [np.clip(at + k, 0, n - 1) for k in (-1, 0, 1, 2)]
    x, y, stretch = (
        [of[k] for k in around] for of in (track.angle_deg, track.time_s, track.stretch)
    )
    lost = _find_lost_intervals(track)
    exists = at > 0, np.ones(at.shape, bool), at < n - 2
    known = [there & (stretch[k] == stretch[k + 1]) for k, there in enumerate(exists)]
    if lost.size:
        known = [of & ~np.isin(around[k], lost) for k, of in enumerate(known)]
    widths = [
        np.where(there & (x[k + 1] - x[k] > 0), x[k + 1] - x[k], np.nan)
        for k, there in enumerate(exists)
    ]
    rates = [np.where(known[k], (y[k + 1] - y[k]) / widths[k], np.nan) for k in range(3)]
    before, own, behind = zip(widths, rates, strict=True)
    h = own[0]
    t = (angle_deg - x[1]) / h
    a, b = _harmonic_slope(before, own), _harmonic_slope(own, behind)
    cubic = (
        y[1] * (1 + 2 * t) * (1 - t) ** 2
        + h * a * t * (1 - t) ** 2
        + y[2] * t**2 * (3 - 2 * t)
        + h * b * t**2 * (t - 1)
    )
    linear = y[1] + (y[2] - y[1]) * t
    value = np.where(np.isfinite(cubic), cubic, linear)
    on_tooth = (left >= 0) & (np.where(left > at, x[2], x[1]) == angle_deg)
    return np.where((left == at) & known[1] | on_tooth, value, np.nan)


def list_stretches(track: CrankTrack) -> list[tuple[int, int, int]]:
    """List the stretches in sync.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    stretches : list of (number, first, stop)
        In order of time; `first` to before `stop` are its teeth.
    """
    found, first, n_teeth = [], 0, track.stretch.size
    while first < n_teeth:
        number = int(track.stretch[first])
        # millions of teeth in few stretches: looked up, not compared one by one
        stop = bisect_right(track.stretch, number, first)
        found.append((number, first, stop))
        first = stop
    return found


def find_longest_stretch(track: CrankTrack) -> int:
    """Give the number of the stretch with the most teeth, the first of several."""
    return max(list_stretches(track), key=lambda s: s[2] - s[1])[0]


def find_known_intervals(track: CrankTrack) -> NDArray[np.bool_]:
    """Whether the angle is known between each tooth and the next.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    known : bool array [shape=(n_teeth - 1,)]
    """
    known = np.asarray(track.stretch[1:] == track.stretch[:-1], dtype=bool)
    known[_find_lost_intervals(track)] = False
    return known


def _is_known(track: CrankTrack, axis: Ascending, at: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each place on the axis lies on a tooth or in a known interval."""
    if axis.size == 0:
        return np.zeros(at.shape, bool)
    left = axis.searchsorted(at, side="right") - 1
    on_tooth = (left >= 0) & (axis[np.maximum(left, 0)] == at)
    return np.asarray(_is_interval_known(track, left) | on_tooth)


def _is_interval_known(track: CrankTrack, left: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the angle is known between teeth `left` and the next; False where there are none."""
    n_intervals = track.time_s.size - 1
    if n_intervals < 1:
        return np.zeros(left.shape, bool)
    there = (left >= 0) & (left < n_intervals)
    place = np.clip(left, 0, n_intervals - 1)
    same = track.stretch[place] == track.stretch[place + 1]
    return np.asarray(there & same & ~np.isin(place, _find_lost_intervals(track)))


def _find_lost_intervals(track: CrankTrack) -> NDArray[np.int64]:
    """Teeth behind which sync was lost."""
    if track.lost_s is None or not track.lost_s.size:
        return np.empty(0, np.int64)
    at = np.searchsorted(track.time_s, track.lost_s[:, 0])
    inside = at < track.time_s.size - 1
    at = at[inside]
    return np.asarray(at[track.time_s[at] == track.lost_s[inside, 0]])


def _harmonic_slope(
    before: tuple[NDArray[np.float64], NDArray[np.float64]],
    behind: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Slope at a tooth from widths and rates on its two sides; one side alone if that is all."""
    (h0, left), (h1, right) = before, behind
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    with np.errstate(divide="ignore", invalid="ignore"):
        both = (w0 + w1) / (w0 / left + w1 / right)
    return np.where(np.isfinite(both), both, np.where(np.isfinite(left), left, right))
