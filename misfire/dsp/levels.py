"""What levels a long channel lives on, from a spread sample of it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SURVEY_SAMPLES = 1 << 21  # enough to meet a dwell of 1 % of the time thousands of times
SURVEY_PIECES = 64


def survey_counts(
    read: Callable[[int, int], NDArray[np.int16]], n_samples: int
) -> NDArray[np.int16]:
    """Read pieces spread evenly over a channel, the whole of it if it is short.

    The pieces depend on the length alone, so the result is the same however the channel is cut.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    n_samples : int [>= 0]

    Returns
    -------
    counts : int16 array [shape=(min(n_samples, SURVEY_SAMPLES),), unit=counts]
    """
    if n_samples <= SURVEY_SAMPLES:
        return read(0, n_samples)
    piece = SURVEY_SAMPLES // SURVEY_PIECES
    starts = np.linspace(0, n_samples - piece, SURVEY_PIECES).astype(np.int64)
    return np.concatenate([read(int(s), int(s) + piece) for s in starts])


@dataclass(frozen=True, slots=True)
class CoilLevels:
    """Levels of a coil primary [unit=counts]: driver on, supply, their noise, highest kick."""

    low: float
    battery: float
    noise: float
    top: float


def find_coil_levels(counts: NDArray[np.int16]) -> CoilLevels | None:
    """Find the two levels between kicks of a coil primary: driver on and supply.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
        A survey of the channel.

    Returns
    -------
    levels : CoilLevels or None
        None if the channel does not rest on two levels with kicks far above them, or the kicks go
        down.

    Notes
    -----
    Source: a primary rests on the supply or, with the driver on, near earth; the kick stands 10 to
    30 times as far above the supply (common practice; ANCHORS C1 gives 400 V clamps at 14 V).
    Levels are searched below a tenth of the kick, so a wrong attenuation does not matter.
    """
    if counts.size < 16:
        return None
    top = float(counts.max())
    middle = float(np.median(counts))
    span = top - middle
    if span < 20 or middle - float(counts.min()) > 2 * span:  # the latter: leads reversed
        return None
    # This window holds both rest levels; the spark line lies above it or is far less frequent.
    window = counts[(counts > middle - 0.30 * span) & (counts < middle + 0.10 * span)]
    values, n = np.unique(window, return_counts=True)
    if values.size < 2:
        return None
    grid = np.arange(values[0], values[-1] + 1)
    density = np.zeros(grid.size)
    density[values.astype(np.int64) - int(values[0])] = n
    width = max(3, int(0.004 * span)) | 1
    smooth = np.convolve(density, np.ones(width) / width, mode="same")
    main = int(np.argmax(smooth))
    gap = max(2 * width, int(0.012 * span), 4)
    below = smooth[: max(0, main - gap)]
    above = smooth[main + gap :]
    below_peak = float(below.max()) if below.size else 0.0
    above_peak = float(above.max()) if above.size else 0.0
    if max(below_peak, above_peak) < 2e-4 * smooth[main]:
        return None
    if below_peak >= above_peak:
        low_at, battery_at = int(np.argmax(below)), main
    else:
        low_at, battery_at = main, main + gap + int(np.argmax(above))
    low, battery = float(grid[low_at]), float(grid[battery_at])
    near = window[np.abs(window - battery) < 0.4 * (battery - low)]
    noise = 1.4826 * float(np.median(np.abs(near - np.median(near))))
    return CoilLevels(low, battery, max(noise, 0.5), top)
