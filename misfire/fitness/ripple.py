"""Disturbances from elsewhere: the alternator's ripple on the supply, sparks in other channels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.fitness.channels import CheckedChannel
from misfire.fitness.scale import Read
from misfire.numerals import spell
from misfire.records import Finding

WINDOWS = 24
WINDOW_S = 0.1
RIPPLE_HZ = (250.0, 8000.0)  # 6 pulses a turn and pole pair, belt ratio 2 to 3 (common practice)
MOST_RIPPLE_V = 1.0  # peak to peak; sound alternators stay below 0.5 V (common practice)
PROMINENCE = 4.0
ANALYSIS_HZ = 20e3
RING_S = 8e-3  # burn and ring-down
LOOK_S = 60e-6  # a spark's disturbance lasts this long
SOME_CROSSTALK, MUCH_CROSSTALK = 0.25, 0.60  # of the channel's amplitude
SPARKS = 300


def check_ripple(read: Read, view: CheckedChannel) -> list[Finding]:
    """Look for the alternator's ripple where a channel rests on the supply.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    view : CheckedChannel
        Of a coil primary or the battery voltage.

    Returns
    -------
    findings : list of Finding
    """
    channel = view.channel
    if channel.role == "coil_primary" and view.coil is not None:
        middle, reach = view.coil.battery, 0.45 * (view.coil.battery - view.coil.low)
    elif channel.role == "battery_voltage":
        middle, reach = view.tally.quantile(0.5), 6.0 / view.size
    else:
        return []
    n = int(WINDOW_S * channel.rate_hz)
    if channel.n_samples < 2 * n:
        return []
    starts = np.linspace(0, channel.n_samples - n, WINDOWS).astype(np.int64)
    peaks, where = [], []
    for start in starts:
        found = _find_line(read(int(start), int(start) + n), channel.rate_hz, middle, reach)
        peaks.append(found[0])
        where.append(found[1])
    size_v = 2.0 * float(np.median(peaks)) * view.size
    if size_v <= MOST_RIPPLE_V:
        return []
    return [
        view.make(
            "alternator_ripple",
            "warning",
            f"the supply swings by {size_v:.1f} V peak to peak at about "
            f"{float(np.median(where)):.0f} Hz, as an alternator does; below 0.5 V is usual",
        )
    ]


def _find_line(
    counts: NDArray[np.int16], rate_hz: float, middle: float, reach: float
) -> tuple[float, float]:
    """Amplitude [counts] and frequency of the line that stands out; 0, 0 where none does."""
    x = counts.astype(float) - middle
    at_rest = np.abs(x) <= reach
    # A coil rings for some milliseconds after its spark, at the alternator's own frequencies.
    kicks = np.flatnonzero(x > 4 * reach)
    if kicks.size:
        since = (
            np.arange(x.size)
            - kicks[np.maximum(np.searchsorted(kicks, np.arange(x.size), "right") - 1, 0)]
        )
        at_rest &= (since < 0) | (since > RING_S * rate_hz)
    if at_rest.mean() < 0.3:
        return 0.0, 0.0
    x = np.where(at_rest, x - np.mean(x[at_rest]), 0.0)
    take = max(1, int(rate_hz / ANALYSIS_HZ))
    m = x.size // take
    x = x[: m * take].reshape(m, take).mean(axis=1)
    weight = at_rest[: m * take].reshape(m, take).mean(axis=1)
    shape = np.hanning(m)
    spectrum = 2 * np.abs(np.fft.rfft(x * shape)) / max(float(np.sum(shape * weight)), 1.0)
    hertz = np.fft.rfftfreq(m, take / rate_hz)
    band = (hertz > RIPPLE_HZ[0]) & (hertz < min(RIPPLE_HZ[1], 0.4 * rate_hz / take))
    if band.sum() < 20:
        return 0.0, 0.0
    best = int(np.argmax(np.where(band, spectrum, 0.0)))
    if spectrum[best] < PROMINENCE * float(np.median(spectrum[band])):
        return 0.0, 0.0
    return float(spectrum[best]), float(hertz[best])


def check_crosstalk(
    read: Read, view: CheckedChannel, spark_s: NDArray[np.float64], *, n_extra: int = 0
) -> list[Finding]:
    """Look for what sparks write into a channel that should not see them.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    view : CheckedChannel
        Of a crank or cam channel.
    spark_s : float64 array [unit=s]
        Switch-offs on the channel's clock.
    n_extra : int
        Extra crank pulses that were dropped.

    Returns
    -------
    findings : list of Finding

    Notes
    -----
    The greatest second difference within 60 us after a switch-off against the same measure half a
    millisecond earlier, median over the sparks: what the signal itself does is in both.
    """
    channel = view.channel
    look = max(4, int(LOOK_S * channel.rate_hz))
    back = int(0.5e-3 * channel.rate_hz) + look
    if spark_s.size < 5 or channel.n_samples < 4 * back:
        return []
    chosen = spark_s[np.linspace(0, spark_s.size - 1, min(SPARKS, spark_s.size)).astype(int)]
    at = np.round((chosen - channel.start_s) * channel.rate_hz).astype(np.int64)
    at = at[(at > back) & (at < channel.n_samples - 2 * look)]
    heights, before = [], []
    for place in at:
        counts = read(int(place - back), int(place + look)).astype(np.int32)
        bend = np.abs(np.diff(counts, 2))
        heights.append(bend[-look:].max())
        before.append(bend[:look].max())
    if not heights:
        return []
    # the second difference of a lone spike is twice its height
    height = 0.5 * (float(np.median(heights)) - float(np.median(before)))
    pieces = view.tally.high.astype(np.int32) - view.tally.low
    amplitude = float(np.quantile(pieces, 0.3)) / 2 if view.channel.role == "crank" else view.swing
    if amplitude <= 0 or height <= 3 * view.tally.noise or height < SOME_CROSSTALK * amplitude:
        return []
    much = height > MUCH_CROSSTALK * amplitude or n_extra > 0.2 * spark_s.size
    return [
        view.make(
            "ignition_crosstalk",
            "warning" if much else "info",
            f"each spark writes a spike of about {spell(height * view.size, 2)} {channel.unit} "
            "into this "
            f"channel, {100 * height / amplitude:.0f} % of its amplitude",
        )
    ]
