"""What probes and sampling instruments do to a signal on its way to a file."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.track import FloatArray, Grid
from misfire.simulate.scenario import ChannelModel, InstrumentModel

Float32Array = NDArray[np.float32]
MAINS_HZ = 50.0


def make_grid(instrument: InstrumentModel, duration_s: float) -> Grid:
    """Place an instrument's samples on the true clock: it starts and runs by its own."""
    period = 1.0 / (instrument.rate_hz * (1 + instrument.clock_ppm * 1e-6))
    return Grid(start_s=instrument.start_s, period_s=period, n=int(duration_s * instrument.rate_hz))


class Digitizer:
    """Turns volts into counts; one for a recording, so that the noise is made once."""

    def __init__(self, rng: np.random.Generator) -> None:
        """Make a stretch of white noise that all channels read from different places."""
        self.rng = rng
        self.noise = rng.standard_normal(1 << 20, dtype=np.float32)

    def digitize(
        self,
        signal: Float32Array,
        channel: ChannelModel,
        instrument: InstrumentModel,
        grid: Grid,
        spikes_s: FloatArray,
    ) -> tuple[NDArray[np.int16], float]:
        """Turn a signal into counts; the signal is changed on the way.

        Parameters
        ----------
        signal : float32 array [shape=(n,), unit of the channel]
        channel : ChannelModel
        instrument : InstrumentModel
        grid : Grid
        spikes_s : float64 array [unit=s]
            Instants at which the ignition disturbs this channel.

        Returns
        -------
        counts : int16 array [shape=(n,)]
        scale : float
            Value of one count.
        """
        if spikes_s.size and channel.crosstalk > 0:
            self._add_spikes(signal, channel, grid, spikes_s)
        if 0 < channel.bandwidth_hz < 0.45 / grid.period_s:
            signal = self._low_pass(signal, channel.bandwidth_hz * grid.period_s)
        top = 1 << (instrument.bits - 1)
        scale = channel.range / top
        n = signal.size
        signal *= np.float32((-1.0 if channel.reversed else 1.0) / scale)
        spread = np.float32(channel.noise * top)
        hum = np.float32(channel.hum * top)
        counts = np.empty(n, np.int16)
        block = 1 << 16
        hum_phase = float(self.rng.uniform(0, 2 * math.pi))
        turn = 2 * math.pi * MAINS_HZ * grid.period_s
        ramp = np.arange(block, dtype=np.float32)
        for start in range(0, n, block):
            part = signal[start : start + block]
            m = part.size
            if spread > 0:
                at = int(self.rng.integers(0, self.noise.size - block))
                part += spread * self.noise[at : at + m]
            if hum > 0:
                angle = ramp[:m] * np.float32(turn)
                angle += np.float32((hum_phase + turn * start) % (2 * math.pi))
                part += hum * np.sin(angle)
            part += np.float32(top * (channel.zero + channel.drift * (start + m / 2) / n))
            np.rint(part, out=part)
            np.clip(part, -top, top - 1, out=part)
            counts[start : start + m] = part
        return counts, scale

    def _low_pass(self, signal: Float32Array, share: float) -> Float32Array:
        """First-order low pass, corner at `share` of the rate."""
        from scipy.signal import lfilter

        keep = math.exp(-2 * math.pi * share)
        gain = np.array([1 - keep], np.float32)
        state = np.array([keep * float(signal[0])], np.float32)
        out, _ = lfilter(gain, np.array([1.0, -keep], np.float32), signal, zi=state)
        return np.asarray(out, np.float32)

    def _add_spikes(
        self, signal: Float32Array, channel: ChannelModel, grid: Grid, spikes_s: FloatArray
    ) -> None:
        """Add short bipolar spikes where coils switch off."""
        length = max(3, int(40e-6 / grid.period_s))
        late = np.arange(length) * grid.period_s
        for instant in spikes_s:
            at = math.ceil(float(grid.position(instant)))
            if not 0 <= at < grid.n - length:
                continue
            shape = np.exp(-late / 8e-6) * np.cos(2 * math.pi * 45e3 * late)
            height = channel.crosstalk * channel.range * 0.3 * float(self.rng.uniform(0.5, 1.5))
            signal[at : at + length] += (height * shape).astype(np.float32)


def high_pass(signal: Float32Array, droop_s: float, period_s: float) -> Float32Array:
    """Let a capacitive pick-up's level droop away with its time constant."""
    from scipy.signal import lfilter

    keep = math.exp(-period_s / droop_s)
    top = np.array([1.0, -1.0], np.float32) * np.float32(0.5 * (1 + keep))
    out = lfilter(top, np.array([1.0, -keep], np.float32), signal)
    return np.asarray(out, np.float32)
