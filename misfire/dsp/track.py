"""Crank angle against time through the teeth: both ways, to a fraction of a tooth."""

import numpy as np
from numpy.typing import NDArray

from misfire.records import CrankTrack


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
    known = find_known_intervals(track)
    width = np.diff(x)
    width = np.where(width > 0, width, np.nan)
    rate = np.where(known, np.diff(y) / width, np.nan)
    slope = _harmonic_slopes(width, rate)
    at = np.clip(np.searchsorted(x, angle_deg, side="right") - 1, 0, x.size - 2)
    h = width[at]
    t = (angle_deg - x[at]) / h
    a, b = slope[at], slope[at + 1]
    cubic = (
        y[at] * (1 + 2 * t) * (1 - t) ** 2
        + h * a * t * (1 - t) ** 2
        + y[at + 1] * t**2 * (3 - 2 * t)
        + h * b * t**2 * (t - 1)
    )
    linear = y[at] + (y[at + 1] - y[at]) * t
    value = np.where(np.isfinite(cubic), cubic, linear)
    return np.where(_is_known(track, x, angle_deg), value, np.nan)


def find_known_intervals(track: CrankTrack) -> NDArray[np.bool_]:
    """Whether the angle is known between each tooth and the next.

    Parameters
    ----------
    track : CrankTrack

    Returns
    -------
    known : bool array [shape=(n_teeth - 1,)]
    """
    known: NDArray[np.bool_] = np.diff(track.stretch) == 0
    if track.lost_s is not None and track.lost_s.size:
        at = np.searchsorted(track.time_s, track.lost_s[:, 0])
        inside = at < track.time_s.size - 1
        at = at[inside]
        starts_here = track.time_s[at] == track.lost_s[inside, 0]
        known[at[starts_here]] = False
    return known


def _is_known(
    track: CrankTrack, axis: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether each place on the axis lies on a tooth or in a known interval."""
    known = find_known_intervals(track)
    if axis.size == 0:
        return np.zeros(at.shape, bool)
    left = np.searchsorted(axis, at, side="right") - 1
    on_tooth = (left >= 0) & (axis[np.maximum(left, 0)] == at)
    if known.size == 0:
        return np.asarray(on_tooth)
    inside = (left >= 0) & (left < known.size) & known[np.clip(left, 0, known.size - 1)]
    return np.asarray(inside | on_tooth)


def _harmonic_slopes(width: NDArray[np.float64], rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slope at every tooth from the rates on its two sides; one side alone where that is all."""
    left = np.concatenate(([np.nan], rate))
    right = np.concatenate((rate, [np.nan]))
    h0, h1 = np.concatenate(([np.nan], width)), np.concatenate((width, [np.nan]))
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    with np.errstate(divide="ignore", invalid="ignore"):
        both = (w0 + w1) / (w0 / left + w1 / right)
    return np.where(np.isfinite(both), both, np.where(np.isfinite(left), left, right))
