"""Injections from the voltage at an injector or the current through it: pulse, kick, needle."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.blocks import BLOCK_SAMPLES, iterate_blocks
from misfire.dsp.crossings import find_crossings, iterate_smoothed
from misfire.dsp.levels import survey_counts
from misfire.dsp.windows import cut_windows
from misfire.events.crank import find_level_edges
from misfire.events.halfwaves import SEGMENT_SAMPLES
from misfire.records import Channel, Finding

SHORTEST_MS, LONGEST_MS = 0.2, 45.0  # a command outside is a glitch or a stuck line
LEAST_SWING = 12.0  # counts between the two levels
KICK_S = 0.4e-3  # the kick of a low-side driver stands within this after switch-off
NEEDLE_S = 4e-3  # the needle of a solenoid injector has landed by then
DECAY_S = 0.35e-3  # from here on the kick has fallen to an exponential
KICK_SHARE = 0.5  # of the supply step: less above supply is no kick
LEAST_HUMP = 6.0  # standard errors of the mean waveform
MOST_AVERAGED = 300
TAUS_S = np.geomspace(0.05e-3, 3e-3, 60)
REWEIGHTINGS = 8


@dataclass(frozen=True, slots=True)
class InjectionTrain:
    """Injections that one channel saw, ascending in `stop_s`, on the channel's own clock.

    `pulse_ms` is the commanded time; `kick_v` how far the voltage rose above the supply at
    switch-off (NaN on a current channel or a logic capture); `peak_a` the current at switch-off.
    `needle_ms`: where the needle shows in the mean waveform: its landing, from switch-off, on a
    voltage; its opening, from switch-on, on a current; NaN where it does not stand out.
    """

    channel: Channel
    start_s: NDArray[np.float64]
    stop_s: NDArray[np.float64]
    pulse_ms: NDArray[np.float64]
    kick_v: NDArray[np.float64]
    peak_a: NDArray[np.float64]
    needle_ms: float = float("nan")
    findings: tuple[Finding, ...] = ()


def find_injections(
    read: Callable[[int, int], NDArray[np.int16]], channel: Channel
) -> InjectionTrain:
    """Find and measure the injections in a sampled injector channel.

    Parameters
    ----------
    read : callable (start, stop) -> int16 array [unit=counts]
    channel : Channel
        Role injector_voltage or injector_current.

    Returns
    -------
    train : InjectionTrain
        Empty, with a finding, where nothing switches.

    Notes
    -----
    A low-side driver pulls the injector from the supply to earth; at switch-off the coil's
    inductance drives the voltage far above the supply; the needle's landing shows as a hump on
    the decay, its opening as a notch in the current's rise (common practice).
    """
    if channel.role == "injector_current":
        return _find_by_current(read, channel)
    return _find_by_voltage(read, channel)


def find_injections_levels(levels: NDArray[np.void], channel: Channel) -> InjectionTrain:
    """Find the injections in a logic capture of an injector's command.

    Parameters
    ----------
    levels : structured array [dtype=LEVEL_FIELDS, ascending in `time_s`]
    channel : Channel

    Returns
    -------
    train : InjectionTrain
        Which level opens the injector is worked out: the shorter one, as duty is below a half
        at all but full load.
    """
    rise_s, fall_s = find_level_edges(levels)
    return _pair(channel, rise_s, fall_s, None)


def _pair(
    channel: Channel,
    rise_s: NDArray[np.float64],
    fall_s: NDArray[np.float64],
    active: int | None,
) -> InjectionTrain:
    """Make pulses of edges; `active` -1: low injects, +1: high, None: the shorter one."""
    best: tuple[float, NDArray[np.float64], NDArray[np.float64]] | None = None
    for level, on, off in ((-1, fall_s, rise_s), (1, rise_s, fall_s)):
        if active not in (None, level) or not on.size or not off.size:
            continue
        at = np.searchsorted(off, on, side="right")
        on, at = on[at < off.size], at[at < off.size]
        off = off[at]
        length = (off - on) * 1e3
        good = (length > SHORTEST_MS) & (length < LONGEST_MS)
        if good.any() and (best is None or float(np.median(length[good])) < best[0]):
            best = (float(np.median(length[good])), on[good], off[good])
    if best is None:
        note = Finding(
            "no_injections",
            "warning",
            "no injection is to be seen in this channel: check the connection and the range",
            channel.name,
        )
        return _make(channel, np.empty(0), np.empty(0), findings=(note,))
    return _make(channel, best[1], best[2])


def _make(
    channel: Channel,
    start_s: NDArray[np.float64],
    stop_s: NDArray[np.float64],
    *,
    kick_v: NDArray[np.float64] | None = None,
    peak_a: NDArray[np.float64] | None = None,
    needle_ms: float = float("nan"),
    findings: tuple[Finding, ...] = (),
) -> InjectionTrain:
    """Fill what a channel cannot show with NaN."""
    nothing = np.full(start_s.size, np.nan)
    return InjectionTrain(
        channel,
        start_s,
        stop_s,
        (stop_s - start_s) * 1e3,
        nothing if kick_v is None else kick_v,
        nothing if peak_a is None else peak_a,
        needle_ms,
        findings,
    )


def _blocks(
    read: Callable[[int, int], NDArray[np.int16]], channel: Channel
) -> Iterator[NDArray[np.int16]]:
    """All counts in order."""
    for _, _, _, counts in iterate_blocks(read, channel.n_samples):
        yield counts


def _find_by_voltage(
    read: Callable[[int, int], NDArray[np.int16]], channel: Channel
) -> InjectionTrain:
    """Injections as the time the driver holds the line low."""
    survey = survey_counts(read, channel.n_samples).astype(np.int32)
    if survey.size < 16:
        return _pair(channel, np.empty(0), np.empty(0), None)
    low = float(np.quantile(survey, 0.002))
    above = survey[survey > low + 0.25 * (np.quantile(survey, 0.95) - low)]
    rest = float(np.median(above)) if above.size else low
    step = rest - low
    if step < LEAST_SWING:
        return _pair(channel, np.empty(0), np.empty(0), None)
    chunks = iterate_smoothed(_blocks(read, channel), size=SEGMENT_SAMPLES)
    found = find_crossings(chunks, low=low + 0.35 * step, high=low + 0.65 * step)
    time_s = channel.start_s + found["sample"] / channel.rate_hz
    # A kick above the supply tells that it is the low level that injects.
    kicked = float(np.quantile(survey, 0.9995)) > rest + KICK_SHARE * step
    rise_s, fall_s = time_s[found["edge"] > 0], time_s[found["edge"] < 0]
    train = _pair(channel, rise_s, fall_s, -1 if kicked else None)
    if not train.stop_s.size:
        return train
    kick, mean, error = _look_behind(read, channel, train.stop_s, rest)
    size = abs(channel.scale)
    needle = float("nan")
    if kicked and mean is not None:
        needle = _find_needle(mean, error, channel.rate_hz, first_s=DECAY_S)
    return _make(channel, train.start_s, train.stop_s, kick_v=kick * size, needle_ms=needle * 1e3)


def _look_behind(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    stop_s: NDArray[np.float64],
    rest: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None, float]:
    """Kick of every injection [counts], and the mean waveform behind switch-off with its error."""
    rate = channel.rate_hz
    at = np.round((stop_s - channel.start_s) * rate).astype(np.int64)
    short, long_ = max(2, int(KICK_S * rate)), max(4, int(NEEDLE_S * rate))
    kick = np.full(stop_s.size, np.nan)
    chosen = np.zeros(stop_s.size, bool)
    chosen[np.unique(np.linspace(0, stop_s.size - 1, MOST_AVERAGED).astype(int))] = True
    waves: list[NDArray[np.float64]] = []
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=BLOCK_SAMPLES, after=long_ + 2
    ):
        mine = np.flatnonzero((at >= start) & (at < stop) & (at + long_ < channel.n_samples))
        if not mine.size:
            continue
        window = cut_windows(counts, at[mine] - first, before=0, after=short)
        kick[mine] = np.nanmax(window, axis=1) - rest
        some = mine[chosen[mine]]
        if some.size:
            waves.append(cut_windows(counts, at[some] - first, before=0, after=long_))
    if not waves:
        return kick, None, 0.0
    every = np.concatenate(waves)
    mean = np.median(every, axis=0) - rest
    tail = every[:, -max(4, long_ // 8) :]
    error = 1.25 * float(np.std(tail - tail.mean(axis=1, keepdims=True)))
    return kick, mean, max(error, 0.3) / np.sqrt(len(every))


def _find_needle(
    mean: NDArray[np.float64], error: float, rate_hz: float, *, first_s: float
) -> float:
    """Find where a mean waveform leaves its exponential most [s]; NaN where it keeps to it."""
    t = np.arange(mean.size) / rate_hz
    use = t >= first_s
    x, y = t[use], mean[use]
    if x.size < 20:
        return float("nan")
    rest = min((_leave_curve(x - x[0], y, tau, error) for tau in TAUS_S), key=_size)
    spread = max(1.4826 * float(np.median(np.abs(rest))), error)
    keep = np.abs(rest) < 4 * spread
    if keep.sum() < 0.4 * x.size:
        return float("nan")
    width = max(1, round(0.05e-3 * rate_hz))
    smooth = np.convolve(rest, np.ones(width) / width, mode="same")
    at = int(np.argmax(np.abs(smooth)))
    noise = max(1.4826 * float(np.median(np.abs(smooth[keep]))), error)
    edge = round(0.1e-3 * rate_hz)
    if np.abs(smooth[at]) < LEAST_HUMP * noise or at < edge or at > x.size - edge:
        return float("nan")
    return float(x[at])


def _leave_curve(
    x: NDArray[np.float64], y: NDArray[np.float64], tau: float, error: float
) -> NDArray[np.float64]:
    """Take an exponential and a constant out, by least absolute deviations: a hump has no pull."""
    terms = np.stack((np.exp(-x / tau), np.ones(x.size)), axis=1)
    weight = np.ones(x.size)
    rest = y
    for _ in range(REWEIGHTINGS):
        fit = np.linalg.lstsq(terms * weight[:, None], y * weight, rcond=None)[0]
        rest = y - terms @ fit
        weight = 1.0 / np.sqrt(np.maximum(np.abs(rest), error))
    return rest


def _size(rest: NDArray[np.float64]) -> float:
    """Sum of the deviations."""
    return float(np.abs(rest).sum())


def _find_by_current(
    read: Callable[[int, int], NDArray[np.int16]], channel: Channel
) -> InjectionTrain:
    """Injections as the time current flows; its rise is followed down to zero."""
    survey = survey_counts(read, channel.n_samples).astype(np.int32)
    if survey.size < 16:
        return _pair(channel, np.empty(0), np.empty(0), None)
    zero = float(np.median(survey))
    high, low = float(np.quantile(survey, 0.998)) - zero, zero - float(np.quantile(survey, 0.002))
    sign, top = (1, high) if high >= low else (-1, low)
    if top < LEAST_SWING:
        return _pair(channel, np.empty(0), np.empty(0), None)
    turned = (np.negative(c) if sign < 0 else c for c in _blocks(read, channel))
    chunks = iterate_smoothed((c.astype(np.int16) for c in turned), size=SEGMENT_SAMPLES)
    base = sign * zero
    found = find_crossings(chunks, low=base + 0.12 * top, high=base + 0.24 * top)
    time_s = channel.start_s + found["sample"] / channel.rate_hz
    train = _pair(channel, time_s[found["edge"] > 0], time_s[found["edge"] < 0], 1)
    if not train.stop_s.size:
        return train
    start_s, peak, mean, error = _look_at_rise(read, channel, train, zero, sign)
    stop_s = train.stop_s
    needle = float("nan")
    if mean is not None:
        needle = _find_needle(mean, error, channel.rate_hz, first_s=0.1e-3)
    return _make(channel, start_s, stop_s, peak_a=peak * abs(channel.scale), needle_ms=needle * 1e3)


def _look_at_rise(
    read: Callable[[int, int], NDArray[np.int16]],
    channel: Channel,
    train: InjectionTrain,
    zero: float,
    sign: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None, float]:
    """Begin and peak of every injection's current, and the mean waveform from its begin on."""
    rate = channel.rate_hz
    at = np.round((train.start_s - channel.start_s) * rate).astype(np.int64)
    off = np.round((train.stop_s - channel.start_s) * rate).astype(np.int64)
    before = max(8, int(0.6e-3 * rate))
    usual = int(np.median(off - at))
    start_s, peak = train.start_s.copy(), np.full(at.size, np.nan)
    chosen = np.zeros(at.size, bool)
    chosen[np.unique(np.linspace(0, at.size - 1, MOST_AVERAGED).astype(int))] = True
    waves: list[NDArray[np.float64]] = []
    reach = int(LONGEST_MS * 1e-3 * rate) + 2
    for start, stop, first, counts in iterate_blocks(
        read, channel.n_samples, size=BLOCK_SAMPLES, before=before, after=reach
    ):
        for i in np.flatnonzero((at >= start) & (at < stop)).tolist():
            part = (counts[at[i] - first : off[i] - first].astype(float) - zero) * sign
            if part.size < 4:
                continue
            peak[i] = float(part.max())
            # Two levels low on the rise: the line through them meets zero where it began.
            lead = counts[max(0, at[i] - first - before) : at[i] - first + 1].astype(float) - zero
            rise = np.concatenate((lead * sign, part[1:]))
            origin = at[i] - (lead.size - 1)
            marks = [_first_above(rise, share * peak[i], lead.size) for share in (0.1, 0.3)]
            back = 0.5 * (marks[1] - marks[0])
            start_s[i] = channel.start_s + (origin + marks[0] - back) / rate
            begin = round(origin + marks[0] - back) - first
            wave = (counts[max(0, begin) : begin + usual].astype(float) - zero) * sign
            if chosen[i] and wave.size == usual and off[i] - at[i] > 0.9 * usual:
                waves.append(wave)
    if not waves:
        return start_s, peak, None, 0.0
    every = np.stack(waves)[:, : int(0.85 * usual)]
    error = 1.25 * float(np.median(np.std(every - np.median(every, axis=0), axis=0)))
    return start_s, peak, np.median(every, axis=0), max(error, 0.3) / np.sqrt(len(every))


def _first_above(values: NDArray[np.float64], level: float, hint: int) -> float:
    """Place at which a rise passes a level for good, seen from its crossing at `hint`."""
    below = np.flatnonzero(values[: hint + 1] < level)
    if not below.size:
        return 0.0
    k = int(below[-1])
    if k + 1 >= values.size or k == hint:
        later = np.flatnonzero(values[hint:] >= level)
        if not later.size:
            return float(hint)
        k = hint + int(later[0]) - 1
    a, b = values[k], values[min(k + 1, values.size - 1)]
    return k + (level - a) / (b - a) if b > a else float(k)
