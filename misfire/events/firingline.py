"""The firing line of a coil primary: how high the kick rose, and when the gap broke down."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.windows import average_ahead
from misfire.records import STROKE_FLAGS

# The collector's own circuit (leakage inductance and transistor) is three decades faster than
# the coil: its spike is over within some microseconds (docs/sources.md, from memory).
SPIKE_US = 12.0  # a first top that comes no later may be the spike of the leakage inductance
DIP_US = 8.0  # the spike falls within that time, the rise of the secondary goes on
RING_SHARE, RING_US = 0.25, 6.0  # of the spike that rings on after it, and how fast that fades
STEEP_SHARE = 0.62  # of the first top, reached in half of its time
RISEN = 2.0  # times the spark line; no gap breaks down below its own arc: textbooks say 4 to 8
FLANK_SHARE = 0.8  # of the sample after it: a first sample below that is on its way up
AHEAD_US = 25.0  # longer than a period of the ringing after a breakdown: it averages out
FALLEN_SHARE = 0.6  # of the top; spark lines stand at an eighth to a half of it
BEND = 0.7  # rad, of the sine's quarter (1.57): most gaps break down before the half of it
CREST_SHARE = 0.7  # of the crest; the ringing after a breakdown stays below
FALL_HALF = 0.55  # delays until a fall's half: ln 2 to the supply, less as it swings below it
OWN_FALL_US = 0.6  # the collector's own circuit swings at 150 to 300 kHz: its fall's half
LEVEL_US = 6.0  # the samples of the rise that are averaged, one period of that ringing
FLAT_US, FLAT_SHARE = 20.0, 0.015  # a quarter of a sine is so flat for 10 us of its 60
SURE_ERROR = 0.15  # a height known so well helps to tell how the rises go
WORST_ERROR = 0.1  # gaps of one cylinder scatter by 5 to 10 %: worse tells no two firings apart
LEAST_RISES = 8
FASTEST_V_PER_US = 40.0  # 9 A over (75 turns)^2 and 40 pF: docs/sources.md and beyond
USUAL_FASTEST_V_PER_US = 15.0  # 7 A over (80 turns)^2 and 70 pF: the least winding and lead
SLOWEST_V_PER_US = 1.0  # 2 A over (100 turns)^2 and 150 pF make 1.3; a spark line climbs at 0.3
LONGEST_FALL_US = 8.0  # of an instrument of 20 kHz; slower shows no firing line
DELAY_US = 0.7  # how well an instrument's delay is known
LEAST_ERROR = 0.03  # leakage, losses and the probe's own error
LEAST_CLAMP_V = 200.0  # drivers clamp at 300 to 450 V: common practice


@dataclass(frozen=True, slots=True)
class Kick:
    """Top of each kick [shape=(n,)], places in samples of the window, heights in its unit.

    `off` is the switch-off as the flank places it, `at` the last sample of the rise, `fall` the
    part of a sample from there to the breakdown.
    `early`: behind a steep first top (`first_at`, `first_height`), which the leakage inductance may
    have made, nothing rose: a gap that broke down did so before.
    `flat`: the top is the driver's clamp. `slow`: it falls as no gap that breaks down does.
    """

    off: NDArray[np.float64]
    at: NDArray[np.int64]
    fall: NDArray[np.float64]
    height: NDArray[np.float64]
    error: NDArray[np.float64]
    early: NDArray[np.bool_]
    first_at: NDArray[np.int64]
    first_height: NDArray[np.float64]
    flat: NDArray[np.bool_]
    slow: NDArray[np.bool_]


def find_kicks(
    window: NDArray[np.float64],
    off: NDArray[np.float64],
    *,
    rate_hz: float,
    noise: float | NDArray[np.float64],
    unit_v: float | None = None,
) -> Kick:
    """Find the top of every kick, which is where its gap broke down if it did.

    Parameters
    ----------
    window : float64 array [shape=(n, width), unit=counts above the supply]
        NaN beyond the channel's ends.
    off : float64 array [shape=(n,), unit=samples]
        Switch-off, as a place in `window`.
    rate_hz : float [unit=Hz]
    noise : float [unit=counts]
    unit_v : float, optional [unit=V]
        Primary volts of one count; left out for a secondary, which has no leakage spike.

    Returns
    -------
    kick : Kick

    Notes
    -----
    The primary follows the secondary's rise, a quarter of a sine, once the spike of the leakage
    inductance has rung down (ODE and netlist of a coil agree in that); the top is where a lasting
    fall begins: the mean over a ringing period ahead is lower, not single samples.
    """
    wave = _prepare(window, off, rate_hz, noise, unit_v or 0.0)
    first = _find_first_top(wave, leaks=unit_v is not None)
    behind = _find_top_behind(wave, first)
    early, sudden = _find_early(wave, first, behind)
    level, ring, took = _average_level(wave, first, behind)
    fall_us = _time_fall(wave, behind.at, behind.peak)
    abrupt = fall_us < LONGEST_FALL_US
    level = np.where(ring > 0.03 * behind.peak, level, behind.peak)
    # a sample later the rise would have gone on by so much; the breakdown lies in between
    bend = BEND * math.cos(BEND) / math.sin(BEND)
    step = np.where(abrupt, level / took / wave.us * bend, 0.0)
    flat = _find_flat(wave, behind)
    step[flat] = 0.0
    delay = np.where(abrupt, np.maximum(fall_us - OWN_FALL_US, 0.0) / FALL_HALF, 0.0)
    lost = np.where(abrupt, step * wave.us * delay, 0.0)
    error = np.sqrt(
        step**2 / 12
        + ring**2
        + wave.noise**2
        + (0.5 * lost) ** 2
        + (step * wave.us * DELAY_US) ** 2
        + (LEAST_ERROR * level) ** 2
    )
    at = np.where(sudden, first.begin, np.where(early, behind.crest_at, behind.at))
    return Kick(
        off=wave.off,
        at=at.astype(np.int64),
        fall=np.where(abrupt & ~early, 0.5, 0.0),
        height=level + 0.5 * step + lost,
        error=error,
        early=early,
        first_at=first.at,
        first_height=first.height,
        flat=flat & ~early,
        slow=~(abrupt | flat),
    )


@dataclass(frozen=True, slots=True)
class _Wave:
    """Windows of many kicks, and what all steps need of them.

    `y` [shape=(n, width)] without NaN; `total` its running sums; `ahead` the mean over AHEAD_US;
    `us` samples of a microsecond; `span` those of AHEAD_US; `unit_v` as given, or 0.
    """

    y: NDArray[np.float64]
    total: NDArray[np.float64]
    ahead: NDArray[np.float64]
    off: NDArray[np.float64]
    noise: NDArray[np.float64]
    us: float
    span: int
    unit_v: float

    @property
    def rows(self) -> NDArray[np.int64]:
        """Number of each row."""
        return np.arange(len(self.y))

    @property
    def column(self) -> NDArray[np.int64]:
        """Number of each column."""
        return np.arange(self.y.shape[1])


@dataclass(frozen=True, slots=True)
class _FirstTop:
    """The first top of each kick, whether it is the leakage spike, and where the rise begins."""

    at: NDArray[np.int64]
    height: NDArray[np.float64]
    spiked: NDArray[np.bool_]
    begin: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _TopBehind:
    """The top behind the spike, the spike's crest that may stand above it, its ringing there."""

    at: NDArray[np.int64]
    crest_at: NDArray[np.int64]
    peak: NDArray[np.float64]
    ring: NDArray[np.float64]


def _prepare(
    window: NDArray[np.float64],
    off: NDArray[np.float64],
    rate_hz: float,
    noise: float | NDArray[np.float64],
    unit_v: float,
) -> _Wave:
    """Take the sums and means that all steps need."""
    n, width = window.shape
    us = rate_hz * 1e-6
    span = max(1, round(AHEAD_US * us))
    ahead = np.full((n, width), np.inf)
    total = np.zeros((n, width + 1))
    np.cumsum(np.nan_to_num(window), axis=1, out=total[:, 1:])
    ahead[:, : width - 1] = average_ahead(total, span)[:, 1:]
    y = np.where(np.isnan(window), -1e9, window)
    off = _place_flank(y, off)
    return _Wave(y, total, ahead, off, np.broadcast_to(noise, n), us, span, unit_v)


def _place_flank(y: NDArray[np.float64], off: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place the switch-off between the last low sample and the first high one.

    Where the wave stands high at once, a straight line through both samples says nothing of the
    time: it is the middle. Where it is on its way up, the next sample leads back to the foot.
    """
    rows, width = np.arange(len(y)), y.shape[1]
    first = np.clip(np.floor(off).astype(np.int64) + 1, 0, width - 2)
    high, higher = y[rows, first], y[rows, first + 1]
    rises = (high > 0) & (high < FLANK_SHARE * higher)
    led_back = np.divide(high, higher - high, out=np.full(len(y), 0.5), where=rises)
    return np.asarray(first - np.minimum(led_back, first - off))


def _find_first_top(wave: _Wave, *, leaks: bool) -> _FirstTop:
    """Find the first top and the dip behind it, and tell the leakage spike from a rise."""
    y, rows, off, us = wave.y, wave.rows, wave.off, wave.us
    n, width = y.shape
    age = (wave.column - off[:, None]) / us
    started = age > 0
    young = started & (age <= SPIKE_US)
    top = np.where(young, y, -np.inf)
    height = np.maximum(top.max(axis=1), 0.0)  # at a low rate no sample may lie within the spike
    tall = young & (y > 0.9 * height[:, None])  # the spike may stand at the clamp for a while
    rose = tall.any(axis=1)  # not where no sample is so young, or none of them above the supply
    begun = np.argmax(started, axis=1)
    first = np.where(rose, width - 1 - np.argmax(tall[:, ::-1], axis=1), begun)
    reach = max(1, round(DIP_US * us))
    dip = first.copy()
    low = height.copy()
    for k in range(1, reach + 1):
        place = np.minimum(first + k, width - 1)
        lower = y[rows, place] < low
        dip, low = np.where(lower, place, dip), np.where(lower, y[rows, place], low)
    # a rise has half of its height after half of its time, a spike nearly all of it
    halfway = 0.5 * (off + first)
    left = np.clip(np.floor(halfway).astype(np.int64), 0, width - 2)
    share = np.clip(halfway - left, 0.0, 1.0)
    between = y[rows, left] * (1 - share) + y[rows, left + 1] * share
    reached = (first - off) / us
    steep = height * wave.unit_v > USUAL_FASTEST_V_PER_US * reached
    steep |= (first - off >= 3.5) & (between > STEEP_SHARE * height)
    spiked = (low < 0.75 * height) & steep & leaks & rose
    begin = np.where(spiked, dip, begun)
    return _FirstTop(first, height, spiked, begin)


def _find_top_behind(wave: _Wave, first: _FirstTop) -> _TopBehind:
    """Find the top behind the spike: up to the first lasting fall."""
    y, rows, us = wave.y, wave.rows, wave.us
    width, begin = y.shape[1], first.begin
    column = wave.column
    behind = column >= begin[:, None]
    highest = np.maximum.accumulate(np.where(behind, y, -np.inf), axis=1)
    fallen = behind & (wave.ahead < FALLEN_SHARE * highest)
    fall_at = np.where(fallen.any(axis=1), np.argmax(fallen, axis=1), width - 1)
    rise = behind & (column <= fall_at[:, None] + wave.span)
    at = np.argmax(np.where(rise, y, -np.inf), axis=1)
    peak = y[rows, at]
    rung = np.where(first.spiked, RING_SHARE * first.height, 0.0)
    ring = rung * np.exp(-np.maximum((at - begin) / us, 0.0) / RING_US)
    # a crest of the spike's ringing may stand above the top that comes after it
    crest = ring > 0.1 * peak
    high = rise & (y > CREST_SHARE * peak[:, None]) & (column <= at[:, None] + DIP_US * us)
    crest_at = at
    at = np.where(crest, width - 1 - np.argmax(high[:, ::-1], axis=1), at)
    peak = y[rows, at]
    ring = rung * np.exp(-np.maximum((at - begin) / us, 0.0) / RING_US)
    return _TopBehind(at, crest_at, peak, ring)


def _find_early(
    wave: _Wave, first: _FirstTop, behind: _TopBehind
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell where nothing rose behind the spike: its ringing or the spark line stands there.

    Second comes where a spark line must have stood before: what stands there came suddenly, as a
    tooth does, or slower than any coil rises.
    """
    total, off, us, span = wave.total, wave.off, wave.us, wave.span
    rows, (n, width) = wave.rows, wave.y.shape
    at, peak = behind.at, behind.peak
    left = np.minimum(at + span, width - 1)
    right = np.minimum(at + 3 * span, width)
    afterwards = (total[rows, right] - total[rows, left]) / np.maximum(right - left, 1)
    # a rise is concave: no tooth on a spark line stands for it
    few = max(1, round(2 * us))
    sudden = np.zeros(n, bool)
    for part_of in (0.3, 0.5, 0.75):
        past = np.round(off + part_of * (at - off)).astype(np.int64)
        left, right = np.maximum(past - few, 0), np.minimum(past + few + 1, width)
        grown = (total[rows, right] - total[rows, left]) / np.maximum(right - left, 1)
        sudden |= (grown < 0.8 * part_of * peak) & (past - first.begin > (DIP_US + RING_US) * us)
    sudden |= first.spiked & (peak * wave.unit_v < SLOWEST_V_PER_US * (at - off) / us)
    early = (first.spiked | sudden) & (
        (peak < 2.0 * behind.ring)
        | sudden
        | (at == first.begin)
        | (peak < RISEN * afterwards + 3 * wave.noise)
    )
    return early, sudden


def _average_level(
    wave: _Wave, first: _FirstTop, behind: _TopBehind
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Level just before the top: the ringing of the spike averaged out, led on along the rise.

    With it the ringing that is left, and the time that the rise took [us].
    """
    us, at = wave.us, behind.at
    took = np.maximum((at - wave.off) / us, 0.5 / us)
    n_level = max(1, round(LEVEL_US * us))
    sum_ratio, used = np.zeros(len(at)), np.zeros(len(at))
    for k in range(n_level):
        place = np.maximum(at - k, 0)
        share = np.maximum((place - wave.off) / us, 0.1)
        good = (place >= first.begin) & (share > 0.4 * took)
        bent = np.sin(BEND * np.minimum(share / took, 1.0)) / math.sin(BEND)
        sum_ratio += np.where(good, wave.y[wave.rows, place] / bent, 0.0)
        used += good
    level = np.where(used > 0, sum_ratio / np.maximum(used, 1), behind.peak)
    return level, behind.ring / np.sqrt(np.maximum(used, 1)), took


def _time_fall(
    wave: _Wave, at: NDArray[np.int64], peak: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Time [us] of the fall behind the top, down to half of it.

    An instrument that follows late shows the top lower by as much as the rise gains meanwhile.
    Its delay shows in the fall, which takes the gap no time: half of it takes 0.7 of the delay.
    """
    y, rows, us = wave.y, wave.rows, wave.us
    width = y.shape[1]
    fallen_to = 0.5 * peak
    until = at.copy()
    for k in range(1, max(2, round(LONGEST_FALL_US * us)) + 1):
        place = np.minimum(at + k, width - 1)
        until = np.where((until == at + k - 1) & (y[rows, place] > fallen_to), place, until)
    beyond = np.minimum(until + 1, width - 1)
    drop = y[rows, until] - y[rows, beyond]
    part = np.clip((y[rows, until] - fallen_to) / np.where(drop > 0, drop, 1.0), 0.0, 1.0)
    return np.asarray(np.maximum(until - at + part - 0.5, 0.0) / us)


def _find_flat(wave: _Wave, behind: _TopBehind) -> NDArray[np.bool_]:
    """Tell the tops that stand at the driver's clamp."""
    at, peak, us = behind.at, behind.peak, wave.us
    near = (wave.column >= at[:, None] - FLAT_US * us) & (wave.column <= at[:, None] + FLAT_US * us)
    level_top = (
        np.abs(wave.y - peak[:, None]) < FLAT_SHARE * peak[:, None] + 2 * wave.noise[:, None]
    )
    return np.asarray(
        ((near & level_top).sum(axis=1) >= FLAT_US * us) & (peak * wave.unit_v > LEAST_CLAMP_V)
    )


def settle_firing_voltages(
    strokes: NDArray[np.void], *, rate_hz: float, settled: NDArray[np.bool_] | None = None
) -> None:
    """Weigh each kick's height against the time its rise took, as the channel's rises go; in place.

    Parameters
    ----------
    strokes : array of some of STROKE_FIELDS [shape=(n,)]
        Of one coil primary. `firing_v_error` is infinite where only the first top is known,
        which the leakage inductance may have made.
    rate_hz : float [unit=Hz]
    settled : bool array [shape=(n,)], optional
        Heights that are known better, and only show how the channel's rises go.

    Notes
    -----
    A gap breaks down above the voltage of its own arc, by a factor of RISEN and more; what is
    lower is no rise. All rises of one coil go alike, in proportion to the current switched off
    (what the supply and the dwell made of it, where that fits better). So the time to the breakdown
    tells the height where ringing or the rate hide it. What fits neither way, or is not known to
    WORST_ERROR, becomes NaN and is flagged `unresolved`.
    """
    height, error, took = (strokes[n] for n in ("firing_v", "firing_v_error", "breakdown_us"))
    open_ = np.ones(len(strokes), bool) if settled is None else ~settled
    with np.errstate(invalid="ignore", divide="ignore"):
        too_fast = height > FASTEST_V_PER_US * took  # no secondary charges so
        error[open_ & too_fast] = np.inf
        error[height < RISEN * strokes["burn_level_v"]] = np.inf
    hidden = np.isinf(error)
    with np.errstate(invalid="ignore"):
        broke = (strokes["burn_time_ms"] > 0) & (took > 0)
        good = broke & (error < SURE_ERROR) & ((strokes["flags"] & STROKE_FLAGS["bounded"]) == 0)
    rise = _fit_rise(strokes, good)
    if rise is None:
        leave_unknown(strokes, hidden | (open_ & broke & (error > WORST_ERROR)))
        return
    per_us, spread = rise
    with np.errstate(invalid="ignore", divide="ignore"):
        by_time = per_us * took
        time_error = np.hypot(spread, (1e6 / rate_hz / math.sqrt(12.0) + 0.3) / took)
        apart = np.abs(np.log(height / by_time))
        # the first top is the rise's own where it stands where a rise would
        plain = open_ & broke & hidden & (apart < 2.0 * time_error + 0.1)
        both = broke & np.isfinite(error) & (took > 0)
        own = np.where(error > 0, error, 1e-6) ** -2.0
        other = time_error**-2.0
        mixed = np.exp((own * np.log(height) + other * np.log(by_time)) / (own + other))
        odd = both & (apart > 4.0 * np.hypot(error, time_error) + 0.1) & (took < 2 * SPIKE_US)
    mend = open_ & both & ~odd & (error > SURE_ERROR / 4)
    height[mend], error[mend] = mixed[mend], (own[mend] + other[mend]) ** -0.5
    height[plain], error[plain] = by_time[plain], time_error[plain]
    with np.errstate(invalid="ignore"):
        vague = broke & ((error > WORST_ERROR) | (height < RISEN * strokes["burn_level_v"]))
    leave_unknown(strokes, (hidden & ~plain) | (open_ & (odd | vague)))


def leave_unknown(strokes: NDArray[np.void], unknown: NDArray[np.bool_]) -> None:
    """Leave the firing voltage open where the rise to it was not seen well enough, and say so.

    Parameters
    ----------
    strokes : array of some of STROKE_FIELDS [shape=(n,)]
    unknown : bool array [shape=(n,)]
    """
    strokes["firing_v"][unknown] = strokes["firing_v_error"][unknown] = np.nan
    strokes["flags"][unknown] |= np.uint32(STROKE_FLAGS["unresolved"])


def _fit_rise(
    strokes: NDArray[np.void], good: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], float] | None:
    """Volts per microsecond of each stroke's rise up to its breakdown, and their usual error."""
    if good.sum() < LEAST_RISES:
        return None
    took = strokes["breakdown_us"]
    fits = []
    charge = strokes["dwell_ms"] * strokes["battery_v"]
    for force in (np.ones(good.size), charge):
        known = good & (force > 0)
        if known.sum() < LEAST_RISES:
            continue
        pace = strokes["firing_v"][known] / took[known] / force[known]
        middle = float(np.median(took[known]))
        low, high = took[known] <= middle, took[known] > middle
        slope = 0.0
        if high.any():
            times = float(np.median(took[known][low])), float(np.median(took[known][high]))
            if times[1] > 1.3 * times[0]:  # the sine's bend shows
                paces = float(np.median(pace[low])), float(np.median(pace[high]))
                slope = min(0.0, (paces[1] - paces[0]) / (times[1] - times[0]))
        level = float(np.median(pace - slope * (took[known] - middle)))
        foreseen = level + slope * (took - middle)
        off = np.log(pace / np.maximum(foreseen[known], 0.1 * level))
        spread = 1.4826 * float(np.median(np.abs(off - np.median(off))))
        fits.append((spread, np.maximum(foreseen, 0.1 * level) * force))
    if not fits:
        return None
    spread, paces_of_all = min(fits, key=lambda fit: fit[0])
    return paces_of_all, max(spread, 0.02)
