"""Waveforms of the suspect's worst firings against good ones, ready to draw."""

import numpy as np
from numpy.typing import NDArray

from misfire.diagnosis.firingwaves import AFTER_MS
from misfire.measuring.detection import Detected
from misfire.records import Channel, Firings, Recording, WaveformPanel

WORST = 8
REFERENCES = 60
LONGEST_SAMPLES = 2400  # a panel is drawn some 700 pixels wide


def build_panels(
    recording: Recording,
    detected: Detected,
    firings: Firings,
    *,
    suspects: tuple[int, ...],
    probability: NDArray[np.float64],
    dwell_ms: NDArray[np.float64],
) -> tuple[WaveformPanel, ...]:
    """Cut the waveforms that show a suspect's fault out of the recording.

    Parameters
    ----------
    recording : Recording
    detected : Detected
    firings : Firings
    suspects : tuple of int
        Cylinders, most likely first.
    probability : float64 array [shape=(n_firings,)]
        Of having been lost.
    dwell_ms : float64 array [shape=(n_firings,), unit=ms]

    Returns
    -------
    panels : tuple of WaveformPanel
        Coil channels that see the suspect, primary first; none where no such channel exists.
    """
    panels = []
    by_name = {c.name: c for c in recording.channels}
    usual_dwell = float(np.nanmedian(dwell_ms[dwell_ms > 0])) if (dwell_ms > 0).any() else 3.0
    before_ms = min(12.0, 1.35 * usual_dwell + 0.3)
    for cylinder in suspects:
        for train in (*detected.trains, *detected.pickups):
            channel = train.channel
            seen = channel.cylinders
            if channel.role == "coil_trigger" or channel.is_levels:
                continue
            if seen and cylinder not in seen:
                continue
            panel = _build(
                recording,
                by_name[channel.name],
                channel,
                firings,
                cylinder,
                probability,
                before_ms,
            )
            if panel is not None:
                panels.append(panel)
    return tuple(panels)


def _build(
    recording: Recording,
    raw: Channel,
    channel: Channel,
    firings: Firings,
    cylinder: int,
    probability: NDArray[np.float64],
    before_ms: float,
) -> WaveformPanel | None:
    """One channel's panel for one cylinder; None where there is nothing to compare."""
    own = firings.cylinder == cylinder
    lost = own & (probability >= 0.5)
    if not lost.any():
        lost = own & np.isfinite(probability)
    seen = np.isin(firings.cylinder, channel.cylinders) if channel.cylinders else own | True
    good_own = own & ~(probability >= 0.5)
    if good_own.sum() >= 10:
        good, words = good_own, f"cylinder {cylinder}'s own good firings"
    else:
        good = seen & ~own & ~(probability >= 0.5)
        words = "the other cylinders on this channel"
    step = max(1, int(np.ceil((before_ms + AFTER_MS) * 1e-3 * channel.rate_hz / LONGEST_SAMPLES)))
    n_before = int(before_ms * 1e-3 * channel.rate_hz)
    n_after = int(AFTER_MS * 1e-3 * channel.rate_hz)

    def cut(rows: NDArray[np.int64]) -> tuple[NDArray[np.float64], list[float]]:
        lines, times = [], []
        for row in rows:
            at = round((firings.spark_s[row] - channel.start_s) * channel.rate_hz)
            if at - n_before < 0 or at + n_after > raw.n_samples:
                continue
            counts = recording.read(raw.name, at - n_before, at + n_after)
            lines.append(counts.astype(float) * channel.scale + channel.offset)
            times.append(float(firings.spark_s[row]))
        return np.array(lines), times

    worst = np.flatnonzero(lost)
    worst = worst[np.argsort(-np.nan_to_num(probability[worst]), kind="stable")][: 4 * WORST]
    worst = np.sort(worst[:: max(1, worst.size // WORST)][:WORST])
    reference = np.flatnonzero(good)
    if reference.size > REFERENCES:
        reference = reference[np.linspace(0, reference.size - 1, REFERENCES).astype(int)]
    suspect, times = cut(worst)
    lines, _ = cut(reference)
    if suspect.size == 0 or len(lines) < 3:
        return None
    low, middle, high = np.quantile(lines, (0.1, 0.5, 0.9), axis=0)
    time_ms = (np.arange(-n_before, n_after) / channel.rate_hz * 1e3)[::step]
    return WaveformPanel(
        channel=channel.name,
        role=channel.role,
        unit=channel.unit,
        cylinder=cylinder,
        time_ms=time_ms,
        suspect=suspect[:, ::step],
        suspect_time_s=tuple(times),
        good_low=low[::step],
        good_mid=middle[::step],
        good_high=high[::step],
        good_from=words,
    )
