"""Waveforms of the firings that a reader may want to see, cut out of the recording."""

import numpy as np
from numpy.typing import NDArray

from misfire.measuring.detection import Detected
from misfire.records import Channel, Firings, FiringWaves, Recording

ALL_FIRINGS = 2600  # a recording with no more of them is kept whole; more fill any page
MOST_LOST = 800  # with their neighbours as many; each costs reading some milliseconds
NEIGHBOURS = 1  # firings before and after a lost one
RUNS = 20  # stretches of good firings, spread over the recording
FEWEST_GOOD = 5
AFTER_MS = 3.5
FINE_MS = (-0.1, 0.3)  # around switch-off things happen within microseconds
CELLS = (70, 80, 120)  # of the grid before, within and after the fine stretch
FLAT_SHARE = 0.02  # a cell that swings less than this share of the usual height shows its mean


def build_waves(
    recording: Recording,
    detected: Detected,
    firings: Firings,
    *,
    probability: NDArray[np.float64],
    dwell_ms: NDArray[np.float64],
) -> tuple[FiringWaves, ...]:
    """Cut out each coil channel's waveforms of the lost firings, their neighbours and good runs.

    Parameters
    ----------
    recording : Recording
    detected : Detected
    firings : Firings
    probability : float64 array [shape=(n_firings,)]
        Of having been lost.
    dwell_ms : float64 array [shape=(n_firings,), unit=ms]

    Returns
    -------
    waves : tuple of FiringWaves
        One for each coil channel that is sampled, primaries first. A firing stands in each channel
        that sees its cylinder.
    """
    rows = choose_rows(probability, firings.cylinder)
    usual = float(np.nanmedian(dwell_ms[dwell_ms > 0])) if (dwell_ms > 0).any() else 3.0
    before_ms = min(12.0, 1.35 * usual + 0.3)
    by_name = {c.name: c for c in recording.channels}
    waves = []
    for train in (*detected.trains, *detected.pickups):
        channel = train.channel
        if channel.role == "coil_trigger" or channel.is_levels:
            continue
        seen = rows
        if channel.cylinders:
            seen = rows[np.isin(firings.cylinder[rows], channel.cylinders)]
        cut = _cut(recording, by_name[channel.name], channel, firings, seen, before_ms)
        if cut is not None:
            waves.append(_compare(channel, cut, firings, probability))
    return tuple(waves)


def choose_rows(probability: NDArray[np.float64], cylinder: NDArray[np.int64]) -> NDArray[np.int64]:
    """Choose the firings whose waveforms are kept, the most telling first.

    Parameters
    ----------
    probability : float64 array [shape=(n_firings,)]
    cylinder : int64 array [shape=(n_firings,)]

    Returns
    -------
    rows : int64 array
        Lost ones, then short runs all over the recording, then neighbours of lost ones: the page
        keeps as many from the front as it has room for. So lost ones stand in an order of which
        any beginning is spread over the recording. Every firing of a short recording is in it.
    """
    n = probability.size
    lost = np.flatnonzero(probability >= 0.5)
    if lost.size > MOST_LOST:
        lost = lost[np.linspace(0, lost.size - 1, MOST_LOST).round().astype(int)]
    lost = lost[_spread_order(lost.size)]
    n_cylinders = int(cylinder.max()) if n else 1
    around = (lost[:, None] + np.array([-1, 1]) * NEIGHBOURS).ravel()
    run = np.arange(max(8, 2 * n_cylinders))
    starts = np.linspace(0, max(0, n - run.size), RUNS).astype(int)
    spread = (starts[:, None] + run).ravel()
    order = np.concatenate((lost, spread, around))
    if n <= ALL_FIRINGS:
        order = np.concatenate((order, np.arange(n)))
    order = order[(order >= 0) & (order < n)]
    _, first = np.unique(order, return_index=True)
    return np.asarray(order[np.sort(first)], dtype=np.int64)


def _spread_order(n: int) -> NDArray[np.int64]:
    """Order 0..n-1 so that any beginning is spread: by their binary digits read backwards."""
    index, place = np.arange(n), np.zeros(n, dtype=np.int64)
    for bit in range(max(1, n - 1).bit_length()):
        place = 2 * place + (index >> bit & 1)
    return np.argsort(place)


def _cut(
    recording: Recording,
    raw: Channel,
    channel: Channel,
    firings: Firings,
    rows: NDArray[np.int64],
    before_ms: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float32]] | None:
    """Cut one channel's waveforms and put them on the uneven grid; None where nothing is whole."""
    rate = channel.rate_hz
    n_before, n_after = int(before_ms * 1e-3 * rate), int(AFTER_MS * 1e-3 * rate)
    if n_before + n_after < 8:
        return None
    edges = _grid(n_before, n_after, rate)
    at = np.round((firings.spark_s[rows] - channel.start_s) * rate)
    whole = np.isfinite(at) & (at - n_before >= 0) & (at + n_after <= raw.n_samples)
    kept, at = rows[whole], at[whole].astype(np.int64)
    if not kept.size:
        return None
    values = np.empty((kept.size, edges.size - 1), dtype=np.float32)
    flat = None
    for k in np.argsort(at, kind="stable").tolist():  # in time order: neighbours share a chunk
        counts = recording.read(raw.name, int(at[k] - n_before), int(at[k] + n_after))
        line = counts.astype(np.float64) * channel.scale + channel.offset
        if flat is None:
            flat = FLAT_SHARE * float(np.ptp(line)) / 2
        values[k] = _fill(line, edges, flat)
    middle = (edges[:-1] + edges[1:] - 1) / 2
    return (middle - n_before) / rate * 1e3, kept, values


def _grid(n_before: int, n_after: int, rate: float) -> NDArray[np.int64]:
    """Edges of the grid's cells in samples: fine around switch-off, never below one sample."""
    fine = [n_before + round(ms * 1e-3 * rate) for ms in FINE_MS]
    places = (0, *fine, n_before + n_after)
    pieces = [
        np.linspace(a, b, max(1, min(n, b - a)) + 1).round().astype(np.int64)
        for a, b, n in zip(places[:-1], places[1:], CELLS, strict=True)
    ]
    return np.unique(np.concatenate(pieces))


def _fill(line: NDArray[np.float64], edges: NDArray[np.int64], flat: float) -> NDArray[np.float64]:
    """One value for each cell: its mean, on a slope its middle, at a peak within it the peak."""
    starts, stops = edges[:-1], edges[1:]
    mean = np.add.reduceat(line, starts) / (stops - starts)
    high, low = np.maximum.reduceat(line, starts), np.minimum.reduceat(line, starts)
    ends = np.maximum(line[starts], line[stops - 1]), np.minimum(line[starts], line[stops - 1])
    peak = np.where(high > ends[0], high, np.where(low < ends[1], low, line[(starts + stops) // 2]))
    both = (high > ends[0]) & (low < ends[1])
    peak[both] = np.where(high - mean >= mean - low, high, low)[both]
    return np.asarray(np.where(high - low > flat, peak, mean))


def _compare(
    channel: Channel,
    cut: tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float32]],
    firings: Firings,
    probability: NDArray[np.float64],
) -> FiringWaves:
    """Add each cylinder's median good firing."""
    time_ms, rows, values = cut
    good = probability[rows] < 0.5
    medians = {}
    for cylinder in np.unique(firings.cylinder[rows]).tolist():
        mine = np.flatnonzero(good & (firings.cylinder[rows] == cylinder))
        if mine.size >= FEWEST_GOOD:
            mine = mine[np.linspace(0, mine.size - 1, min(mine.size, 300)).astype(int)]
            medians[int(cylinder)] = np.median(values[mine], axis=0).astype(np.float64)
    return FiringWaves(
        channel=channel.name,
        role=channel.role,
        unit=channel.unit,
        time_ms=time_ms,
        row=rows,
        values=values,
        good_mid=medians,
    )
