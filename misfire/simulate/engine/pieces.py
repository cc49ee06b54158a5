"""A coil's waves as a practitioner sketches them: ramp, kick, firing line, spark line, ring-down.

Each piece has a shape and sizes of its own; no circuit ties them together. Voltages are those of
the secondary in the direction of the spark; times of a strike count from switch-off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Ramp:
    """The coil current from switch-on: towards `final_a` with `tau_s`, never above `held_a`."""

    dwell_s: float
    start_a: float
    final_a: float
    tau_s: float
    held_a: float = math.inf
    target_a: float = 8.0
    bend: float = 0.0  # how far the core's filling lifts the current at the target, share
    step_a: float = 0.0  # what shorted turns draw beside the ramp
    step_s: float = 20e-6

    def compute(self, time_s: FloatArray) -> FloatArray:
        """Compute the current at times from switch-on [A].

        Examples
        --------
        14 V on 0.5 ohm and 3 mH (V/R (1 - exp(-t R/L)), textbook):

        >>> ramp = Ramp(dwell_s=2e-3, start_a=0.0, final_a=28.0, tau_s=6e-3)
        >>> round(float(ramp.compute(np.array([2e-3]))[0]), 3)
        7.937
        """
        return np.asarray(np.minimum(self._compute_free(np.asarray(time_s)), self.held_a))

    def _compute_free(self, time_s: FloatArray) -> FloatArray:
        """Compute the current that a driver without limit would let through [A]."""
        amps = self.final_a + (self.start_a - self.final_a) * np.exp(-time_s / self.tau_s)
        amps = amps * (1 + self.bend * np.minimum(1.5, amps / self.target_a) ** 2)
        if self.step_a:
            amps = amps + self.step_a * (1 - np.exp(-time_s / self.step_s))
        return np.asarray(amps)

    def compute_peak(self) -> float:
        """Compute the current at switch-off [A]."""
        return float(self.compute(np.array([self.dwell_s]))[0])

    def find_limit(self) -> float:
        """Find when the driver begins to hold the current [s from switch-on]; never: infinite."""
        if not float(self._compute_free(np.array([self.dwell_s]))[0]) > self.held_a:
            return math.inf
        low, high = 0.0, self.dwell_s
        for _ in range(30):
            middle = 0.5 * (low + high)
            if float(self._compute_free(np.array([middle]))[0]) > self.held_a:
                high = middle
            else:
                low = middle
        return high


@dataclass(frozen=True, slots=True)
class Rise:
    """The rise from `delay_s` after switch-off to `top_v`, a quarter sine to a power."""

    delay_s: float
    quarter_s: float
    power: float
    top_v: float

    def compute(self, time_s: FloatArray) -> FloatArray:
        """Compute the voltage of the rise, nothing before it [V]."""
        share = np.clip((time_s - self.delay_s) / self.quarter_s, 0.0, 1.0)
        return np.asarray(self.top_v * np.sin(0.5 * math.pi * share) ** self.power)

    def find(self, level_v: float) -> float:
        """Find when the rise is at a level that it reaches [s from switch-off]."""
        share = max(0.0, min(1.0, level_v / self.top_v)) ** (1 / self.power)
        return self.delay_s + self.quarter_s * 2 / math.pi * math.asin(share)


@dataclass(frozen=True, slots=True)
class Tooth:
    """A place where the spark is blown longer and strikes anew: slow up, at once down."""

    at_s: float  # of the fall, from the breakdown
    rise_s: float
    fall_s: float
    height_v: float


@dataclass(frozen=True, slots=True)
class Line:
    """The spark line, from the breakdown on."""

    burn_s: float
    level_v: float
    climb_v: float = 0.0
    climb_power: float = 1.0
    hook_v: float = 0.0
    hook_s: float = 50e-6
    hump_v: float = 0.0
    hump_s: float = 50e-6
    wobble_v: float = 0.0
    wobble_hz: float = 4e3
    wobble_phase: float = 0.0
    teeth: tuple[Tooth, ...] = ()

    def compute(self, time_s: FloatArray) -> FloatArray:
        """Compute the burning voltage at times from the breakdown [V]."""
        share = np.clip(time_s / self.burn_s, 0.0, 1.0)
        volts = self.level_v + self.climb_v * share**self.climb_power
        volts = volts + self.hook_v * np.exp(-time_s / self.hook_s)
        if self.hump_v:
            volts = volts + self.hump_v * np.exp((time_s - self.burn_s) / self.hump_s)
        if self.wobble_v:
            turn = 2 * math.pi * self.wobble_hz * time_s + self.wobble_phase
            volts = volts + self.wobble_v * np.sin(turn)
        for tooth in self.teeth:
            before = (tooth.at_s - time_s) / tooth.rise_s
            after = (time_s - tooth.at_s) / tooth.fall_s
            volts = volts + tooth.height_v * np.maximum(0.0, 1 - np.maximum(before, after))
        return np.asarray(np.maximum(volts, 0.2 * self.level_v))


@dataclass(frozen=True, slots=True)
class Ring:
    """Swings of a coil left to itself: each `keep` times the one before, ended after `swings`."""

    start_v: float
    period_s: float
    keep: float
    swings: float
    phase: float = 0.0

    @property
    def lasts_s(self) -> float:
        """How long it rings."""
        return self.swings * self.period_s

    def compute(self, time_s: FloatArray) -> FloatArray:
        """Compute the voltage at times from its beginning [V]."""
        turns = time_s / self.period_s
        swing = np.cos(2 * math.pi * turns + self.phase) / math.cos(self.phase)
        fade = np.clip(2 * (self.swings - turns), 0.0, 1.0)
        return np.asarray(self.start_v * self.keep**turns * swing * fade)


@dataclass(frozen=True, slots=True)
class Sketch:
    """One strike of a coil, sketched; times count from switch-off, in seconds.

    `breakdown_s` is NaN and `burn_s` 0 where the gap never broke down; `line` may still be there:
    a leak that decays.
    """

    ramp: Ramp
    kick: Rise
    ring: Ring
    highest_v: float
    supply_v: float  # across the primary while it charges
    breakdown_s: float = math.nan
    line: Line | None = None
    leak_s: float = math.nan  # the kick's charge leaks away with this time constant
    held_s: float = 0.0  # the kick stands at the driver's clamp for so long

    @property
    def dwell_s(self) -> float:
        """Time from switch-on to switch-off."""
        return self.ramp.dwell_s

    @property
    def burn_s(self) -> float:
        """Time from the breakdown to the spark's end; 0: no breakdown."""
        return 0.0 if self.line is None else self.line.burn_s

    @property
    def crest_s(self) -> float:
        """When an unbroken kick is at its highest, or at the clamp."""
        return self.kick.find(self.highest_v)

    @property
    def end_s(self) -> float:
        """When nothing is left of it."""
        if self.line is not None:
            return self.breakdown_s + self.line.burn_s + self.ring.lasts_s
        if math.isfinite(self.leak_s):
            return self.crest_s + 7 * self.leak_s
        return self.crest_s + self.held_s + self.ring.lasts_s

    def compute_top(self) -> float:
        """Compute the current at switch-off as a clamp sees it [A]."""
        return self.ramp.compute_peak()


def compute_sketched(sketch: Sketch, time_s: FloatArray) -> FloatArray:
    """Compute the secondary voltage of a sketched strike from switch-off on [V].

    Parameters
    ----------
    sketch : Sketch
    time_s : float64 array [shape=(n,), ascending, unit=s from switch-off]

    Returns
    -------
    secondary_v : float64 array [shape=(n,), unit=V]
    """
    volts = np.minimum(sketch.kick.compute(time_s), sketch.highest_v)
    line = sketch.line
    if line is not None:
        first = int(np.searchsorted(time_s, sketch.breakdown_s))
        last = int(np.searchsorted(time_s, sketch.breakdown_s + line.burn_s))
        volts[first:last] = line.compute(time_s[first:last] - sketch.breakdown_s)
        volts[last:] = sketch.ring.compute(time_s[last:] - sketch.breakdown_s - line.burn_s)
        return np.asarray(volts)
    crest = sketch.crest_s
    first = int(np.searchsorted(time_s, crest + sketch.held_s))
    since = time_s[first:] - crest - sketch.held_s
    if math.isfinite(sketch.leak_s):
        volts[first:] = sketch.highest_v * np.exp(-since / sketch.leak_s)
    else:
        volts[first:] = sketch.ring.compute(since)
    return np.asarray(volts)
