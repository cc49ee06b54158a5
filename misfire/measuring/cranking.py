"""Starter current and battery voltage of a recording while the starter turns the engine."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from misfire.features.compression import CompressionTable, measure_compression
from misfire.records import Channel, CrankTrack, Engine, Firings, Recording

NAMES = {"starter_current": "starter current", "battery_voltage": "battery voltage"}
SMOOTH_S = 4e-3  # the commutator's ripple is averaged over so much
MOST_SAMPLES = 1 << 18  # read at once


def measure_cranking(
    recording: Recording,
    channels: tuple[Channel, ...],
    track: CrankTrack,
    firings: Firings,
    *,
    engine: Engine,
    has_crank: bool,
) -> CompressionTable | None:
    """Compare the cylinders' compressions by all that was recorded while cranking.

    Parameters
    ----------
    recording : Recording
    channels : tuple of Channel
        The recording's, on the common clock.
    track : CrankTrack
    firings : Firings
    engine : Engine
    has_crank : bool
        Whether the track comes from a crank channel.

    Returns
    -------
    table : CompressionTable or None
    """
    readers = {}
    for channel in channels:
        name = NAMES.get(channel.role)
        if name is not None and name not in readers and not channel.is_levels:
            readers[name] = _make_reader(recording, channel)
    return measure_compression(track, firings, engine=engine, has_speed=has_crank, readers=readers)


def _make_reader(
    recording: Recording, channel: Channel
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Give a channel's values at any instants, each the mean of the samples about it."""
    rate = channel.rate_hz
    half = max(0, int(SMOOTH_S / 2 * rate))

    def read(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        values = np.full(time_s.size, np.nan)
        place = (time_s - channel.start_s) * rate
        at = np.round(np.where(np.isfinite(place), place, -1e9)).astype(np.int64)
        inside = np.flatnonzero((at >= half) & (at + half + 1 <= channel.n_samples))
        inside = inside[np.argsort(at[inside], kind="stable")]
        begin = 0
        while begin < inside.size:
            first = int(at[inside[begin]]) - half
            end = int(np.searchsorted(at[inside], first + MOST_SAMPLES, side="right"))
            end = max(end, begin + 1)
            some = inside[begin:end]
            counts = recording.read(channel.name, first, int(at[some[-1]]) + half + 1)
            sums = np.concatenate(([0], np.cumsum(counts, dtype=np.int64)))
            low, high = at[some] - half - first, at[some] + half + 1 - first
            values[some] = (sums[high] - sums[low]) / (2 * half + 1)
            begin = end
        return values * channel.scale + channel.offset

    return read
