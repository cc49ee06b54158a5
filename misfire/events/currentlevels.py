"""The levels on which a coil current channel lives, from a survey of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.histogram import count_values

REST_WIDTH, LEAST_REST = 0.05, 0.5  # a coil at rest is near one level for so much of the time
REST_PART = 0.3  # else it rests in this part of the range


@dataclass(frozen=True, slots=True)
class CurrentLevels:
    """Levels of a coil current channel [unit=counts]; `sign` is -1 with the clamp reversed."""

    zero: float
    noise: float
    peak: float
    sign: int


def find_current_levels(counts: NDArray[np.int16]) -> CurrentLevels | None:
    """Find the level at rest, its noise and the usual peak of a coil current channel.

    Parameters
    ----------
    counts : int16 array [shape=(n,), unit=counts]
        A survey of the channel.

    Returns
    -------
    levels : CurrentLevels or None
        None if nothing stands out of the noise.
    """
    if counts.size < 16:
        return None
    tally = count_values(counts)
    low, high = tally.quantile(0.002), tally.quantile(0.998)
    middle = tally.quantile(0.5)
    sign = 1 if high - middle >= middle - low else -1
    rest = tally.select(np.abs(tally.values - middle) < 0.5 * max(high - middle, middle - low, 1))
    width = REST_WIDTH * (high - low)
    share = rest.select(np.abs(rest.values - middle) <= width).count_each().sum() / counts.size
    if share < LEAST_REST:  # the feed of many coils: some coil charges most of the time
        # What changes at once is the cut-off: it tells which end of the range is the rest.
        change = counts[1:].astype(np.int64) - counts[:-1]
        sign = 1 if np.sum(change**3) < 0 else -1
        edge = low if sign > 0 else high
        rest = tally.select(np.abs(tally.values - edge) < REST_PART * (high - low))
    if not rest.values.size:
        return None
    # The level at rest is the mode: a ramp passes every level, the coil rests on one.
    width = max(1, int(0.01 * (high - low)))
    density = rest.count_each().astype(float)
    crowd = np.convolve(density, np.ones(2 * width + 1), mode="same")
    zero = float(rest.values[0] + np.argmax(crowd))
    # where all of a quiet level fits into the kernel, its best place is anywhere: take the middle
    zero = rest.select(np.abs(rest.values - zero) <= width).quantile(0.5)
    near = tally.select(np.abs(tally.values - zero) <= 0.1 * (high - low) + 2)
    noise = max(0.5, 1.4826 * near.fold(zero).quantile(0.5))
    peak = (high - zero) if sign > 0 else (zero - low)
    if peak < 6 * noise + 4:
        return None
    return CurrentLevels(zero, noise, peak, sign)
