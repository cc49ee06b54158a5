"""Attenuation forgotten, polarity reversed: found in a spread sample, said so and put right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.levels import find_coil_levels
from misfire.events.currentlevels import find_current_levels
from misfire.numerals import spell
from misfire.records import Channel, Finding, Recording

Read = Callable[[int, int], NDArray[np.int16]]

SURVEY_PIECES = 32
SURVEY_PIECE_S = 0.05  # 1.6 s in all: a coil that fires five times a second is met often enough

# Attenuators and clamps of the trade: 1, 2, 5 in each decade (common practice).
FACTORS = tuple(m * 10.0**e for e in range(-3, 4) for m in (1, 2, 5) if m * 10.0**e != 1)
DECADES = (1e-3, 1e-2, 0.1, 10.0, 100.0, 1e3)  # sensitivities of clamps
SUPPLY_V = (6.0, 17.5)  # cranking in the cold to charging, driver's drop taken off
SUPPLY_24_V = (21.0, 31.0)
LIKELY_SUPPLY_V = (9.0, 16.5)
SURELY_SMALL_V = 2.5
KICK_V = (100.0, 700.0)  # docs/sources.md: drivers clamp at some 400 V
COIL_A = (1.0, 40.0)  # what may be the peak of a coil feed, overlapping dwells included
LIKELY_COIL_A = (2.5, 25.0)  # docs/sources.md: 6 to 10 A


@dataclass(frozen=True, slots=True)
class ScaleView:
    """What a channel's levels tell of its scale: true value = shown value x `factor`.

    `factor` is NaN where the scale is wrong and no usual factor puts it right. `turned`: the counts
    point down; `reversed`: so do the values.
    """

    turned: bool
    reversed: bool
    factor: float
    words: str = ""


def read_spread(read: Read, channel: Channel) -> NDArray[np.int16]:
    """Read short pieces spread evenly over a channel, the whole of it if it is short.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel

    Returns
    -------
    counts : int16 array [unit=counts]
    """
    piece = max(64, int(SURVEY_PIECE_S * channel.rate_hz))
    if channel.n_samples <= SURVEY_PIECES * piece:
        return read(0, channel.n_samples)
    starts = np.linspace(0, channel.n_samples - piece, SURVEY_PIECES).astype(np.int64)
    return np.concatenate([read(int(s), int(s) + piece) for s in starts])


def view_primary(counts: NDArray[np.int16], channel: Channel) -> ScaleView | None:
    """Judge scale and polarity of a coil primary by its supply step and its kick.

    Parameters
    ----------
    counts : int16 array [unit=counts]
        A survey of the channel.
    channel : Channel

    Returns
    -------
    view : ScaleView or None
        None if the channel does not look like a primary either way up.
    """
    levels, turned = find_coil_levels(counts), False
    if levels is None:
        counts = negate(counts)
        levels, turned = find_coil_levels(counts), True
    if levels is None:
        return None
    size = abs(channel.scale)
    step_v, kick_v = (levels.battery - levels.low) * size, (levels.top - levels.battery) * size
    cut = levels.top >= (-channel.clip_low if turned else channel.clip_high)
    factor = find_primary_factor(step_v, kick_v, is_cut=cut)
    words = f"supply {spell(step_v, 3)} V above the switched-on level, kick {spell(kick_v, 3)} V"
    return ScaleView(turned, turned != (channel.scale < 0), factor, words)


def find_primary_factor(step_v: float, kick_v: float, *, is_cut: bool = False) -> float:
    """Find what the values of a primary must be multiplied by.

    Parameters
    ----------
    step_v : float [unit=V, > 0]
        From the switched-on level to the supply, as shown.
    kick_v : float [unit=V, > 0]
        Highest kick above the supply, as shown.
    is_cut : bool
        The kick reached the instrument's limit.

    Returns
    -------
    factor : float
        1: believable as it is; NaN: wrong, and no usual factor puts it right.

    Examples
    --------
    >>> find_primary_factor(13.2, 390.0), find_primary_factor(1.32, 39.0)
    (1.0, 10.0)
    >>> find_primary_factor(0.66, 20.0), find_primary_factor(134.0, 4000.0)
    (20.0, 0.1)
    """
    if SUPPLY_V[0] <= step_v <= SUPPLY_V[1]:
        return 1.0
    if SUPPLY_24_V[0] <= step_v <= SUPPLY_24_V[1] and kick_v <= KICK_V[1]:
        return 1.0
    # Step and kick must both speak for it: after a start the step may be that of two supply levels.
    if KICK_V[0] <= kick_v <= KICK_V[1] and not (is_cut and step_v < SURELY_SMALL_V):
        return 1.0
    least = 20.0 if is_cut else KICK_V[0]
    fits = [
        f
        for f in FACTORS
        if LIKELY_SUPPLY_V[0] <= step_v * f <= LIKELY_SUPPLY_V[1]
        and least <= kick_v * f <= KICK_V[1]
    ]
    return fits[0] if len(fits) == 1 else float("nan")


def view_current(counts: NDArray[np.int16], channel: Channel) -> ScaleView | None:
    """Judge scale and polarity of a coil current by its peak.

    Parameters
    ----------
    counts : int16 array [unit=counts]
        A survey of the channel.
    channel : Channel

    Returns
    -------
    view : ScaleView or None
        None if nothing stands out of the noise.
    """
    levels = find_current_levels(counts)
    if levels is None:
        return None
    peak_a = levels.peak * abs(channel.scale)
    factor = 1.0
    if not COIL_A[0] <= peak_a <= COIL_A[1]:
        fits = [f for f in DECADES if LIKELY_COIL_A[0] <= peak_a * f <= LIKELY_COIL_A[1]]
        factor = fits[0] if fits else float("nan")
    turned = levels.sign < 0
    return ScaleView(turned, turned != (channel.scale < 0), factor, f"peak {spell(peak_a, 3)} A")


def negate(counts: NDArray[np.int16]) -> NDArray[np.int16]:
    """Turn counts upside down; the lowest count has no opposite and becomes the highest."""
    return np.negative(np.maximum(counts, np.int16(-32767)))


def correct_recording(recording: Recording) -> Recording:
    """Turn reversed coil channels round and put a plainly wrong scale right.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    recording : Recording
        With a finding for each channel changed, or whose scale is wrong beyond guessing; the same
        object where there is nothing to do. Nothing is changed on disk.
    """
    turned: set[str] = set()
    channels, findings = [], []
    for channel in recording.channels:
        view = None if channel.is_levels else _view(recording, channel)
        if view is not None:
            findings += _report(channel, view)
            # from here on counts and values of a coil both point up
            channel = replace(
                channel,
                scale=abs(channel.scale),
                offset=-channel.offset if view.reversed else channel.offset,
            )
            if view.turned:
                turned.add(channel.name)
                channel = replace(
                    channel,
                    clip_low=max(-32768, -channel.clip_high),
                    clip_high=min(32767, -channel.clip_low),
                )
            if np.isfinite(view.factor) and view.factor != 1:
                channel = replace(
                    channel,
                    scale=channel.scale * view.factor,
                    offset=channel.offset * view.factor,
                )
        channels.append(channel)
    if tuple(channels) == recording.channels and not turned:
        return recording

    def read(name: str, start: int, stop: int) -> NDArray[np.int16]:
        counts = recording.read(name, start, stop)
        return negate(counts) if name in turned else counts

    return replace(
        recording,
        channels=tuple(channels),
        read=read,
        findings=(*recording.findings, *findings),
    )


def _view(recording: Recording, channel: Channel) -> ScaleView | None:
    """Judge a coil channel; None for all others."""
    if channel.role not in ("coil_primary", "coil_current") or not channel.n_samples:
        return None
    counts = read_spread(lambda a, b: recording.read(channel.name, a, b), channel)
    if channel.role == "coil_primary":
        return view_primary(counts, channel)
    return view_current(counts, channel)


def _report(channel: Channel, view: ScaleView) -> list[Finding]:
    """Say what was found and what was done about it."""
    findings = []
    what = "the clamp" if channel.role == "coil_current" else "the primary"
    if view.reversed:
        tail = (
            "turn it so that its arrow points to the coil"
            if channel.role == "coil_current"
            else "measuring lead to the coil's switched terminal, earth lead to battery negative"
        )
        findings.append(
            Finding(
                "polarity_reversed",
                "warning",
                f"{what} is connected the wrong way round: its signal points down; it was inverted "
                f"for reading, so all values are right; {tail}",
                channel.name,
            )
        )
    if view.factor != 1:
        known = np.isfinite(view.factor)
        times = (
            f"{spell(view.factor)} times" if view.factor > 1 else f"1/{spell(1 / view.factor)} of"
        )
        probe = (
            "the sensitivity of the clamp"
            if channel.role == "coil_current"
            else "the attenuation of the probe"
        )
        findings.append(
            Finding(
                "attenuation_wrong",
                "warning",
                f"the values cannot be right ({view.words}): {probe} is missing from `scale`"
                + (
                    f"; the true values are about {times} these and were corrected; multiply "
                    f"the job card's scale by {spell(view.factor)}"
                    if known
                    else "; no usual factor explains them: check `scale` in the job card"
                ),
                channel.name,
            )
        )
    return findings
