"""The driver's end of a coil: what the leakage inductance and the capacity there make of a kick.

Both windings are coupled but for a leakage inductance. With the capacity across the driver
(transistor, winding, suppression) it rings whenever the coupled voltage or the current jumps: at
switch-off, and when the gap breaks down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

REVERSE_V = -25.0  # a driver lets the primary swing this far below earth
STEPS_A_TURN = 30
LONGEST_STEP_S = 0.5e-6
GONE = 6.0  # time constants behind a jump: a four-hundredth of it is left

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Collector:
    """Leakage inductance, capacity across the driver, quality of what they swing, clamp."""

    henry: float
    farad: float
    quality: float
    clamp_v: float

    @property
    def turn_s(self) -> float:
        """One swing."""
        return 2 * math.pi * math.sqrt(self.henry * self.farad)

    @property
    def step_s(self) -> float:
        """Step of time in which it is followed."""
        return min(self.turn_s / STEPS_A_TURN, LONGEST_STEP_S)

    @property
    def lasts_s(self) -> float:
        """How long it rings behind a jump."""
        return GONE * self.quality * self.turn_s / math.pi

    def follow(self, coupled_v: FloatArray, driver_a: FloatArray, low_v: FloatArray) -> FloatArray:
        """Follow the voltage at the driver from switch-off on.

        Parameters
        ----------
        coupled_v : float64 array [shape=(n, n_steps), unit=V]
            What the coupled windings make, supply included.
        driver_a : float64 array [shape=(n, n_steps), unit=A]
            What the driver still lets through; in the first step all of the coil's current.
        low_v : float64 array [shape=(n,), unit=V]
            Across the driver before.

        Returns
        -------
        volts : float64 array [shape=(n, n_steps), unit=V]

        Notes
        -----
        L di/dt = coupled - v, C dv/dt = i - driver - (v - coupled) / R (textbook circuit), between
        the driver's clamp and its reverse voltage.
        """
        volts = np.empty_like(coupled_v)
        volts[:, 0] = now = low_v
        amps = driver_a[:, 0]
        through = math.sqrt(self.farad / self.henry) / self.quality
        for k in range(1, coupled_v.shape[1]):
            pull = coupled_v[:, k] - now
            amps = amps + self.step_s / self.henry * pull
            net = amps - driver_a[:, k] + through * pull
            now = np.clip(now + self.step_s / self.farad * net, REVERSE_V, self.clamp_v)
            volts[:, k] = now
        return volts
