"""What a coil draws beside its magnetising ramp, from switch-on: ringing, shunts, shorted turns.

Referred to the primary: the leakage inductance feeds the secondary's capacitance and whatever
loads it (a shunted plug), and a loop of shorted turns draws its own current beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Inrush:
    """Circuit beside the magnetising inductance, all values referred to the primary."""

    leak_h: float
    series_ohm: float  # in series with the leakage inductance: winding, driver, secondary winding
    farad: float
    load_ohm: float = math.inf  # across the capacitance
    loop_ohm: float = math.inf  # shorted turns
    loop_h: float = 1e-6  # leakage between them and the primary


NONE = Inrush(leak_h=0.0, series_ohm=1.0, farad=0.0)


def compute_steady(circuit: Inrush, *, volts: float) -> float:
    """Compute what the current beside the ramp settles at [A]: the step that the ramp stands on."""
    load = volts / (circuit.load_ohm + circuit.series_ohm)
    return load + volts / circuit.loop_ohm


def compute_inrush(time_s: FloatArray, circuit: Inrush, *, volts: float) -> FloatArray:
    """Compute the current beside the magnetising ramp after switch-on [A].

    Parameters
    ----------
    time_s : float64 array [shape=(n,), unit=s from switch-on, >= 0]
    circuit : Inrush
    volts : float [unit=V]
        Step across the primary.

    Returns
    -------
    current_a : float64 array [shape=(n,), unit=A]

    Notes
    -----
    Series L, R into C with R_load across it, from rest: L i' = V - R i - v, C v' = i - v / R_load;
    its closed form with a = (R/L + 1/(C R_load)) / 2 and w^2 = (1 + R/R_load)/(LC) - a^2. The
    loop: V/R (1 - exp(-t R/L)). Source: linear circuit theory (textbook).

    Examples
    --------
    A load of 12 ohm behind 1 ohm draws 1 A of 13 V in the end:

    >>> c = Inrush(leak_h=1e-4, series_ohm=1.0, farad=5e-7, load_ohm=12.0)
    >>> round(float(compute_inrush(np.array([0.02]), c, volts=13.0)[0]), 6)
    1.0
    """
    current = np.zeros(np.shape(time_s))
    if circuit.farad > 0 and circuit.leak_h > 0:
        henry, ohm, farad = circuit.leak_h, circuit.series_ohm, circuit.farad
        load = 1.0 / circuit.load_ohm
        final = volts * load / (1.0 + ohm * load)
        a = 0.5 * (ohm / henry + load / farad)
        w = complex(np.emath.sqrt(complex((1.0 + ohm * load) / (henry * farad) - a * a)))
        if abs(w) < 1e-6 * a:
            w = complex(1e-6 * a)
        sine = (volts / henry - a * final) / w
        # overdamped: w is imaginary; the two real exponentials keep their products finite
        plus, minus = np.exp((-a + 1j * w) * time_s), np.exp((-a - 1j * w) * time_s)
        swing = -final * 0.5 * (plus + minus) + sine * (plus - minus) / 2j
        current = current + final + swing.real
    if math.isfinite(circuit.loop_ohm):
        lag = circuit.loop_h / circuit.loop_ohm
        current = current + volts / circuit.loop_ohm * (1.0 - np.exp(-time_s / lag))
    return np.asarray(current)
