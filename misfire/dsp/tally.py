"""What a channel's counts look like as a whole: how often each stands, and piece by piece."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks

PIECE_S = 5e-3
SLOW_HZ = 600.0  # shows mains of 50 and 60 Hz with their second harmonic
SLOW_SPAN_S = 60.0  # mains is there from the first minute or not at all
NOISE_SAMPLES = 1 << 16  # of each block
WHITE = 0.6745 * np.sqrt(6.0)  # median |second difference| of white noise of deviation 1
N_CODES = 1 << 16
LOWEST_CODE = -(1 << 15)


@dataclass(frozen=True, slots=True)
class ChannelTally:
    """The counts of one channel, summed up.

    `histogram` [shape=(65536,)]: how often each count stands, from -32768. `low`, `high`
    [shape=(n_pieces,)]: least and greatest count of each piece of `piece_s`. `noise`: white noise,
    one standard deviation [counts]. `slow` [shape=(m,), unit=counts]: medians, `slow_hz` of them a
    second, of the first minute.
    """

    histogram: NDArray[np.int64]
    piece_s: float
    low: NDArray[np.int16]
    high: NDArray[np.int16]
    noise: float
    slow: NDArray[np.float32]
    slow_hz: float
    n_samples: int

    @property
    def code_step(self) -> int:
        """Smallest step between counts that occur [counts]: the resolution of the instrument."""
        used = np.flatnonzero(self.histogram)
        return int(np.gcd.reduce(np.diff(used))) if used.size > 1 else 1

    def quantile(self, share: float) -> float:
        """Count below which a share [0..1] of all samples stands."""
        total = np.cumsum(self.histogram)
        if not total[-1]:
            return 0.0
        return float(np.searchsorted(total, share * total[-1]) + LOWEST_CODE)


def tally_channel(
    read: Callable[[int, int], NDArray[np.int16]],
    n_samples: int,
    *,
    rate_hz: float,
    block: int = BLOCK_SAMPLES,
    on_block: Callable[[float], None] | None = None,
) -> ChannelTally:
    """Walk through a channel once.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    n_samples : int [>= 0]
    rate_hz : float [unit=Hz, > 0]
    block : int [unit=samples]
        All but `noise` is the same however the channel is cut.
    on_block : callable (fraction), optional

    Returns
    -------
    tally : ChannelTally
        Holds some 3 MB an hour; a last piece that is not whole is left out of `low` and `high`.

    Notes
    -----
    White noise from second differences: a signal that is smooth from sample to sample drops out of
    them, and their median leaves edges out; the variance of the second difference of white noise
    is 6 times its own (1 + 4 + 1). The least of the blocks counts: there the signal is smoothest.
    """
    piece = max(8, round(PIECE_S * rate_hz))
    slow = max(1, round(rate_hz / SLOW_HZ))
    size = max(1, block // (piece * slow)) * piece * slow
    histogram = np.zeros(N_CODES, np.int64)
    lows, highs, noises, medians = [], [], [], []
    slow_left = int(SLOW_SPAN_S * rate_hz) // slow
    for _, stop, _, counts in iterate_blocks(read, n_samples, size=size):
        histogram += np.bincount(counts.astype(np.int32) - LOWEST_CODE, minlength=N_CODES)
        whole = counts[: counts.size // piece * piece].reshape(-1, piece)
        lows.append(whole.min(axis=1))
        highs.append(whole.max(axis=1))
        if slow_left > 0:
            rows = counts[: min(counts.size // slow, slow_left) * slow].reshape(-1, slow)
            medians.append(np.median(rows, axis=1).astype(np.float32))
            slow_left -= len(rows)
        bend = np.diff(counts[:NOISE_SAMPLES].astype(np.int32), 2)
        if bend.size > 100:
            noises.append(float(np.median(np.abs(bend))) / WHITE)
        if on_block is not None:
            on_block(stop / n_samples)
    return ChannelTally(
        histogram=histogram,
        piece_s=piece / rate_hz,
        low=np.concatenate(lows) if lows else np.empty(0, np.int16),
        high=np.concatenate(highs) if highs else np.empty(0, np.int16),
        noise=min(noises) if noises else 0.0,
        slow=np.concatenate(medians) if medians else np.empty(0, np.float32),
        slow_hz=rate_hz / slow,
        n_samples=n_samples,
    )


def find_runs(condition: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give start and stop of every run of True.

    Parameters
    ----------
    condition : bool array [shape=(n,)]

    Returns
    -------
    runs : int64 array [shape=(n_runs, 2)]

    Examples
    --------
    >>> find_runs(np.array([True, False, True, True])).tolist()
    [[0, 1], [2, 4]]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], condition.astype(np.int8), [0]))))
    return edges.reshape(-1, 2)


def find_mains(slow: NDArray[np.float32], *, slow_hz: float) -> tuple[float, float]:
    """Find a line at the frequency of a mains supply that stands still over the recording.

    Parameters
    ----------
    slow : float32 array [shape=(n,)]
    slow_hz : float [unit=Hz, > 0]

    Returns
    -------
    frequency_hz, amplitude : float
        0, 0 where no such line stands out. Amplitude in the units of `slow`.

    Notes
    -----
    Mains keeps its frequency within 0.2 Hz (EN 50160: 50 Hz +-1 % for 99.5 % of a year), so its
    energy falls into one line; what belongs to the engine is smeared as the speed wanders. A line
    counts that is 3 times as high as anything from 3 to 12 Hz beside it.
    """
    if slow.size < 3 * slow_hz:
        return 0.0, 0.0
    x = slow.astype(float) - np.median(slow)
    bound = 6 * np.median(np.abs(x)) + 1e-9
    x = np.clip(x, -bound, bound)
    shape = np.hanning(x.size)
    spectrum = 2 * np.abs(np.fft.rfft((x - x.mean()) * shape)) / shape.sum()
    hertz = np.fft.rfftfreq(x.size, 1 / slow_hz)
    best = (0.0, 0.0)
    for nominal in (50.0, 60.0):
        near = np.abs(hertz - nominal) <= 0.6
        beside = (np.abs(hertz - nominal) > 2.5) & (np.abs(hertz - nominal) < 12.0)
        beside &= np.abs(hertz - (110.0 - nominal)) > 1.0  # not the other mains
        if near.any() and beside.any():
            height = float(spectrum[near].max())
            if height > 3 * float(spectrum[beside].max()) and height > best[1]:
                best = (nominal, height)
    return best
