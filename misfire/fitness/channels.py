"""Fitness of one channel: range, resolution, rate, noise, zero, drop-outs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from misfire.dsp.levels import CoilLevels, find_coil_levels
from misfire.dsp.tally import LOWEST_CODE, ChannelTally, find_mains, find_runs
from misfire.events.crank import survey_levels
from misfire.events.currentlevels import CurrentLevels, find_current_levels
from misfire.numerals import spell
from misfire.records import Channel, Finding

TWO_LEVEL_ROLES = ("cam", "coil_trigger")
PILE = 4.0  # so much more often than the counts beside it: a limit, no peak
LEAST_PILE = 20  # samples
LEAST_CUT_V = 280.0  # a primary cut above this still shows every firing line that matters
MOST_CUT = 0.10  # share of the loud pieces cut
LEAST_RATE_HZ = {
    # a kick lasts some 20 to 60 us, a burn 1 to 2 ms, a ramp 2 to 4 ms (docs/sources.md)
    "coil_primary": 40e3,
    "coil_secondary": 40e3,
    "coil_current": 20e3,
    "coil_trigger": 10e3,
    "injector_voltage": 10e3,
    "injector_current": 10e3,
    "cam": 1e3,
    "starter_current": 500.0,
    "battery_voltage": 200.0,
}
LEAST_STEPS = {"coil_current": 16, "coil_secondary": 16, "starter_current": 12}
MOST_NOISE = {"coil_primary": 0.18, "coil_current": 0.06, "coil_secondary": 0.08, "crank": 0.10}
MOST_HUM = {"coil_primary": 0.25, "coil_current": 0.06, "crank": 0.12, "cam": 0.12}
USUAL_STEP_V = 13.5
MOST_NOISE_OF_KICK = 0.008
MOST_OFFSET_V = 4.0
MOST_ZERO = 0.10  # of the peak
MOST_DRIFT = 0.12  # of the peak
DRIFT_S = 1.0
LEAST_FLAT_S = 10e-3
LEAST_STILL_S = 0.25
LONGEST_DWELL_S = 60e-3  # no coil is charged for longer


class CheckedChannel:
    """What the checks of one channel need to know, worked out once."""

    def __init__(self, channel: Channel, tally: ChannelTally, survey: NDArray[np.int16]) -> None:
        """Find the levels and the swing [counts] that belong to the channel's role."""
        self.channel, self.tally = channel, tally
        self.size = abs(channel.scale)
        self.coil: CoilLevels | None = None
        self.current: CurrentLevels | None = None
        self.two_level = channel.role in TWO_LEVEL_ROLES
        self.low, self.high = tally.quantile(0.002), tally.quantile(0.998)
        swing = self.high - self.low
        self.sure = True
        if channel.role == "coil_primary":
            self.coil = find_coil_levels(survey)
            if self.coil is not None:
                swing = self.coil.battery - self.coil.low
                # After a start two supply levels may pass for the two levels of a coil.
                self.sure = tally.quantile(0.002) > self.coil.low - 0.5 * swing
        elif channel.role == "coil_current":
            self.current = find_current_levels(survey)
            if self.current is not None:
                swing = self.current.peak
        elif channel.role == "crank":
            self.two_level = survey_levels([survey]).two_level
        if channel.role in ("coil_secondary", "starter_current", "injector_voltage"):
            swing = tally.quantile(0.9999) - tally.quantile(0.0001)
        self.swing = float(swing)

    def value(self, counts: float) -> float:
        """Give the value of a count."""
        return counts * self.channel.scale + self.channel.offset

    def make(
        self, code: str, severity: Literal["info", "warning", "error"], message: str
    ) -> Finding:
        """Make a finding of this channel."""
        return Finding(code, severity, message, self.channel.name)


def check_channel(view: CheckedChannel, *, tooth_s: float = np.nan) -> list[Finding]:
    """Judge one channel by itself.

    Parameters
    ----------
    view : CheckedChannel
    tooth_s : float [unit=s]
        Shortest tooth pitch of a crank channel, if known.

    Returns
    -------
    findings : list of Finding
    """
    found = [f for f in (_check_rate(view, tooth_s),) if f is not None]
    dead = _check_dead(view)
    if dead is not None:
        return [*found, dead]
    checks = (
        _check_clipping,
        _check_resolution,
        _check_noise,
        _check_hum,
        _check_offset,
        _check_clamp,
        _check_dropout,
    )
    for check in checks:
        found += check(view)
    if any(f.code == "mains_hum" for f in found):  # levels are looked for where they stand longest
        found = [f for f in found if f.code not in ("earth_offset", "clamp_zero")]
    return found


def _check_rate(view: CheckedChannel, tooth_s: float) -> Finding | None:
    """Is the rate high enough for what this role is to show."""
    channel = view.channel
    if channel.role == "crank":
        per_tooth = tooth_s * channel.rate_hz
        if per_tooth < 6.0:
            return view.make(
                "rate_low",
                "warning",
                f"{spell(channel.rate_hz)} samples/s give {per_tooth:.1f} samples a tooth at the "
                "highest speed; 6 are the least",
            )
        return None
    least = LEAST_RATE_HZ.get(channel.role, 0.0)
    if channel.rate_hz >= least:
        return None
    return view.make(
        "rate_low",
        "warning",
        f"{spell(channel.rate_hz)} samples/s; a {channel.role} channel needs {spell(least)} at "
        "the least",
    )


def _check_dead(view: CheckedChannel) -> Finding | None:
    """Is there anything but noise."""
    tally, role = view.tally, view.channel.role
    top, bottom = tally.quantile(0.9999), tally.quantile(0.0001)
    if role == "starter_current" or not tally.n_samples:
        return None  # rests at zero for all of a recording of the running engine
    if role == "battery_voltage":
        alive = abs(view.value(tally.quantile(0.5))) > 1.0
    else:
        alive = top - bottom > max(3.0, 11.0 * tally.noise)
    if alive:
        return None
    level = view.value(tally.quantile(0.5))
    return view.make(
        "dead_channel",
        "warning",
        f"the channel rests at {spell(level, 3)} {view.channel.unit} and shows nothing but "
        f"{spell(max(tally.noise, 0.3) * view.size, 2)} {view.channel.unit} of noise",
    )


def _find_cut(view: CheckedChannel) -> Iterator[tuple[int, bool]]:
    """Give the counts at which the channel is cut off, and whether it is the upper side."""
    tally, channel = view.tally, view.channel
    used = np.flatnonzero(tally.histogram)
    if used.size < 8:
        return
    for upper in (True, False):
        edge = int(used[-1 if upper else 0])
        beside = used[-7:-1] if upper else used[1:7]
        count = edge + LOWEST_CODE
        at_limit = count >= channel.clip_high if upper else count <= channel.clip_low
        pile = tally.histogram[edge] > PILE * tally.histogram[beside].max()
        # A level without noise piles up too: only where the channel has noise is it a limit.
        if tally.histogram[edge] >= LEAST_PILE and (at_limit or (pile and tally.noise > 0.7)):
            yield count, upper


def _check_clipping(view: CheckedChannel) -> list[Finding]:
    """Tell whether the signal runs into the instrument's limits."""
    channel, tally, role = view.channel, view.tally, view.channel.role
    squared = _check_squared(view)
    if squared or view.two_level:
        return squared
    found = []
    swing = (tally.high - tally.low.astype(np.int32)).astype(np.int32)
    loud = swing > 0.5 * np.quantile(swing, 0.98) if swing.size else np.zeros(0, bool)
    for count, upper in _find_cut(view):
        if role == "coil_primary" and not upper:
            continue  # undershoot after the burn
        if view.current is not None and upper != (view.current.sign > 0):
            continue  # rest level
        cut = tally.high >= count if upper else tally.low <= count
        share = float(cut[loud].mean()) if loud.any() else 0.0
        limit = view.value(float(count))
        serious = share > MOST_CUT
        what = "the signal"
        if role == "coil_primary":
            serious &= limit < LEAST_CUT_V
            what = "the switch-off kick"
        elif role == "injector_voltage":
            serious = False
            what = "the switch-off kick"
        found.append(
            view.make(
                "clipped",
                "warning" if serious else "info",
                f"{what} is cut off at {spell(limit, 4)} {channel.unit} in {100 * share:.0f} % "
                "of the "
                "stretches with a signal",
            )
        )
    return found


def _check_squared(view: CheckedChannel) -> list[Finding]:
    """Tell an inductive crank signal cut off on both sides from one of two levels.

    What is cut has no noise at its limits, lies even about zero, and takes time in between.
    """
    tally = view.tally
    used = np.flatnonzero(tally.histogram)
    if view.channel.role != "crank" or used.size < 8:
        return []
    bottom, top = (
        view.value(float(used[0] + LOWEST_CODE)),
        view.value(float(used[-1] + LOWEST_CODE)),
    )
    at_edges = tally.histogram[[used[0], used[-1]]] / max(1, tally.n_samples)
    even = abs(top + bottom) < 0.1 * abs(top - bottom)
    if not (even and at_edges.min() > 0.1 and at_edges.sum() < 0.97):
        return []
    return [
        view.make(
            "clipped",
            "warning",
            f"the signal is cut off at {spell(bottom, 3)} and {spell(top, 3)} "
            f"{view.channel.unit} for "
            f"{100 * at_edges.sum():.0f} % of the time",
        )
    ]


def _check_resolution(view: CheckedChannel) -> list[Finding]:
    """Tell whether the signal fills enough of the instrument's steps."""
    role, step = view.channel.role, view.tally.code_step
    if role == "coil_primary":
        if view.coil is not None:
            steps, least, what = view.swing / step, 2.5, "the supply voltage"
        else:
            steps, least, what = (
                (view.tally.quantile(0.99999) - view.tally.quantile(0.5)) / step,
                45,
                ("the switch-off kick"),
            )
    elif role == "crank" and not view.two_level:
        swing = view.tally.high.astype(np.int32) - view.tally.low
        steps, least, what = (
            float(np.quantile(swing, 0.2)) / step if swing.size else 99.0,
            12,
            ("the signal at the lowest speed"),
        )
    elif role in LEAST_STEPS:
        steps, least, what = view.swing / step, LEAST_STEPS[role], "the signal"
        if role == "starter_current" and view.swing < 20 * view.tally.noise:
            return []  # the starter never ran
    elif role == "battery_voltage":
        steps, least, what = 1.0 / (step * view.size), 4, "one volt"
    else:
        return []
    if steps >= least:
        return []
    return [
        view.make(
            "low_resolution",
            "warning",
            f"{what} spans {steps:.1f} steps of the instrument (one step is "
            f"{spell(step * view.size, 3)} {view.channel.unit}); {spell(least)} are the least",
        )
    ]


def _check_noise(view: CheckedChannel) -> list[Finding]:
    """Tell whether noise drowns what is to be seen."""
    role, tally = view.channel.role, view.tally
    most = MOST_NOISE.get(role)
    if most is None:
        return []
    swing = view.swing
    if role == "coil_primary" and view.coil is None:  # perhaps for the noise
        kick = tally.quantile(0.9999) - tally.quantile(0.5)
        swing = kick * MOST_NOISE_OF_KICK / most
    if role == "crank":
        pieces = tally.high.astype(np.int32) - tally.low
        swing = float(np.quantile(pieces, 0.5)) / 2 if pieces.size else 0.0
    share = tally.noise / swing if swing > 0 else 0.0
    if share <= most or tally.noise < 0.7 * tally.code_step:
        return []
    against = {"coil_primary": "the supply voltage", "crank": "the amplitude"}.get(
        role, "the swing"
    )
    return [
        view.make(
            "noisy",
            "warning",
            f"noise of {spell(tally.noise * view.size, 3)} {view.channel.unit} (one standard "
            "deviation) "
            f"is {100 * share:.0f} % of {against}; is the reference on battery negative?",
        )
    ]


def _check_hum(view: CheckedChannel) -> list[Finding]:
    """Tell whether mains swings under the signal."""
    role = view.channel.role
    most = MOST_HUM.get(role)
    if most is None:
        return []
    frequency, amplitude = find_mains(view.tally.slow, slow_hz=view.tally.slow_hz)
    swing = view.swing / (2 if role == "crank" else 1)
    if role == "coil_primary":
        swing = min(swing, USUAL_STEP_V / view.size)  # the hum itself widens what looks like a step
    if not frequency or amplitude <= most * swing or amplitude < view.tally.code_step:
        return []
    return [
        view.make(
            "mains_hum",
            "warning",
            f"mains hum of {spell(frequency)} Hz, amplitude {spell(amplitude * view.size, 3)} "
            f"{view.channel.unit}",
        )
    ]


def _check_offset(view: CheckedChannel) -> list[Finding]:
    """Tell whether a primary's switched-on level stands near earth."""
    if view.coil is None or not view.sure:
        return []
    low_v, supply_v = view.value(view.coil.low), view.value(view.coil.battery)
    step_v = supply_v - low_v
    if abs(low_v - 1.0) <= max(MOST_OFFSET_V, 2.0 * view.tally.code_step * view.size):
        return []
    return [
        view.make(
            "earth_offset",
            "warning",
            f"the switched-on level stands at {low_v:.1f} V and the supply at {supply_v:.1f} V, "
            f"though they lie {step_v:.1f} V apart: an offset of about {low_v - 1.0:+.1f} V; is "
            "the reference on battery negative?",
        )
    ]


def _check_clamp(view: CheckedChannel) -> list[Finding]:
    """Is the clamp zeroed, and does it stay so."""
    levels, tally, unit = view.current, view.tally, view.channel.unit
    if levels is None:
        return []
    found = []
    zero = view.value(levels.zero)
    peak = levels.peak * view.size
    if abs(zero) > MOST_ZERO * peak:
        message = (
            f"the clamp shows {zero:+.2f} {unit} where no current flows (peak {peak:.1f} {unit})"
        )
        found.append(view.make("clamp_zero", "warning", message))
    per = max(1, round(DRIFT_S / tally.piece_s))
    n = tally.low.size // per
    if n >= 4:
        edge = tally.low if levels.sign > 0 else tally.high
        rest = np.median(edge[: n * per].reshape(n, per), axis=1)
        smooth = np.array([np.median(rest[max(0, i - 1) : i + 2]) for i in range(n)])
        drift = float(np.ptp(smooth)) * view.size
        if drift > MOST_DRIFT * peak:
            found.append(
                view.make(
                    "clamp_drift",
                    "warning",
                    f"the clamp's zero drifts by {drift:.2f} {unit} in the recording "
                    f"(peak {peak:.1f} {unit})",
                )
            )
    return found


def _check_dropout(view: CheckedChannel) -> list[Finding]:
    """Are there stretches in which the channel stands still or is gone."""
    tally = view.tally
    flat = tally.high == tally.low
    if not flat.size:
        return []
    at_limit = (tally.high >= view.channel.clip_high) | (tally.low <= view.channel.clip_low)
    runs = find_runs(flat & ~at_limit)
    length_s = (runs[:, 1] - runs[:, 0]) * tally.piece_s
    if tally.noise > 0.5:
        found = runs[length_s >= LEAST_FLAT_S]
    elif length_s.size >= 5:
        usual = float(np.quantile(length_s, 0.9))
        inner = (runs[:, 0] > 0) & (runs[:, 1] < flat.size)
        found = runs[inner & (length_s > max(LEAST_STILL_S, 3.0 * usual))]
    else:
        found = runs[:0]
    what = "the channel stands still"
    if not len(found) and view.coil is not None and view.sure:
        # supply gone for longer than any coil is charged
        half = view.coil.low + 0.4 * (view.coil.battery - view.coil.low)
        dark = find_runs(tally.high < half)
        found = dark[(dark[:, 1] - dark[:, 0]) * tally.piece_s > LONGEST_DWELL_S]
        what = "the supply is gone"
    if not len(found):
        return []
    return [
        view.make(
            "dropout", "warning", describe_stretches(what, found.astype(float) * tally.piece_s)
        )
    ]


def describe_stretches(what: str, spans_s: NDArray[np.float64]) -> str:
    """Say how many stretches there are, how long in all, and where the first is.

    Parameters
    ----------
    what : str
    spans_s : float64 array [shape=(n, 2), unit=s]

    Returns
    -------
    text : str
    """
    total = float(np.sum(spans_s[:, 1] - spans_s[:, 0]))
    n = len(spans_s)
    words = "stretch" if n == 1 else "stretches"
    return f"{what} in {n} {words}, {total:.2f} s in all, first at {spans_s[0, 0]:.2f} s"
