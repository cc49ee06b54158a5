"""Crank angle against time through the teeth: both ways, to a fraction of a tooth."""

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from misfire.records import CrankTrack

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
    angle = np.interp(time_s, track.time_s, track.angle_deg)
    return np.where(_is_known(track, track.time_s, time_s), angle, np.nan)


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
    x, y = track.angle_deg, track.time_s
    left = np.searchsorted(x, angle_deg, side="right") - 1
    at = np.clip(left, 0, x.size - 2)
    # only the teeth around each place: a long recording has millions
    before, own, behind = (_measure_interval(track, at + k) for k in (-1, 0, 1))
    h = own[0]
    t = (angle_deg - x[at]) / h
    a, b = _harmonic_slope(before, own), _harmonic_slope(own, behind)
    cubic = (
        y[at] * (1 + 2 * t) * (1 - t) ** 2
        + h * a * t * (1 - t) ** 2
        + y[at + 1] * t**2 * (3 - 2 * t)
        + h * b * t**2 * (t - 1)
    )
    linear = y[at] + (y[at + 1] - y[at]) * t
    value = np.where(np.isfinite(cubic), cubic, linear)
    known = _is_interval_known(track, left) | _is_on_tooth(x, angle_deg, left)
    return np.where(known, value, np.nan)


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


def _is_known(
    track: CrankTrack, axis: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether each place on the axis lies on a tooth or in a known interval."""
    if axis.size == 0:
        return np.zeros(at.shape, bool)
    left = np.searchsorted(axis, at, side="right") - 1
    return np.asarray(_is_interval_known(track, left) | _is_on_tooth(axis, at, left))


def _is_on_tooth(
    axis: NDArray[np.float64], at: NDArray[np.float64], left: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether each place is that of the tooth at or before it."""
    return np.asarray((left >= 0) & (axis[np.maximum(left, 0)] == at))


def _is_interval_known(track: CrankTrack, left: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the angle is known between teeth `left` and the next; False where there are none."""
    n_intervals = track.time_s.size - 1
    if n_intervals < 1:
        return np.zeros(left.shape, bool)
    there = (left >= 0) & (left < n_intervals)
    place = np.clip(left, 0, n_intervals - 1)
    known = there & (track.stretch[place] == track.stretch[place + 1])
    lost = _find_lost_intervals(track)
    if lost.size:
        known &= ~np.isin(place, lost)
    return np.asarray(known)


def _find_lost_intervals(track: CrankTrack) -> NDArray[np.int64]:
    """Teeth behind which sync was lost."""
    if track.lost_s is None or not track.lost_s.size:
        return np.empty(0, np.int64)
    at = np.searchsorted(track.time_s, track.lost_s[:, 0])
    inside = at < track.time_s.size - 1
    at = at[inside]
    return np.asarray(at[track.time_s[at] == track.lost_s[inside, 0]])


def _measure_interval(
    track: CrankTrack, left: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Width [deg] between teeth `left` and the next, and the rate [s/deg] there; NaN if none."""
    n_intervals = track.time_s.size - 1
    place = np.clip(left, 0, n_intervals - 1)
    width = track.angle_deg[place + 1] - track.angle_deg[place]
    width = np.where((left >= 0) & (left < n_intervals) & (width > 0), width, np.nan)
    rise = track.time_s[place + 1] - track.time_s[place]
    return width, np.where(_is_interval_known(track, left), rise / width, np.nan)


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
