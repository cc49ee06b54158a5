"""The ignition coil as a circuit: charge, kick, breakdown, burn, collapse and ring-down.

All on the secondary side, in closed form. After switch-off the secondary inductance feeds its own
capacitance, with losses and shunts in parallel; at the breakdown the gap takes over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.inrush import NONE, Inrush, compute_inrush, compute_steady

FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Circuit:
    """One coil with its driver and secondary circuit at one firing, faults included."""

    supply_v: float
    primary_h: float
    primary_ohm: float
    turns_ratio: float
    saturation_v: float
    limit_a: float
    clamp_v: float
    fall_s: float  # in which the current goes over to the secondary
    efficiency: float
    capacitance_f: float  # secondary
    series_ohm: float  # secondary winding, lead, resistor
    loss_ohm: float  # core loss and shunts across the secondary, in parallel
    shunt_ohm: float = math.inf  # the part of it that sits at the gap
    inrush: Inrush = NONE


@dataclass(frozen=True, slots=True)
class Gap:
    """What the spark gap (or gaps in series) asks for at one firing."""

    breakdown_v: float  # infinite: an open circuit
    burn_v: float
    slope_v_per_s: float
    hold_a: float = 0.003  # below this current the spark goes out


@dataclass(slots=True)
class Discharge:
    """One strike of a coil: charge from `start_a`, then the secondary from switch-off on.

    Times count from switch-off, in seconds. `breakdown_s` is NaN when the gap never broke down.
    """

    dwell_s: float
    start_a: float
    peak_a: float
    limited_s: float  # how long the current limit held
    kick_s: float  # half the current's fall time: the kick begins here
    drive_a: float  # secondary current at the kick's beginning
    alpha: float  # damping of the open secondary [1/s]
    omega: float  # its undamped angular frequency [rad/s]
    ceiling_v: float  # secondary voltage at the driver's clamp
    ceiling_start_s: float  # NaN: never at the clamp
    ceiling_stop_s: float
    highest_v: float
    breakdown_s: float
    breakdown_v: float
    burn_a: float  # secondary current at breakdown
    burn_v: float
    slope_v_per_s: float
    series_ohm: float
    tau_s: float
    burn_s: float  # 0: no breakdown
    end_v: float
    end_a: float
    gap_energy_j: float
    ramp_v: float
    ramp_ohm: float
    ramp_h: float
    inrush: Inrush = NONE
    held_a: float = math.inf  # the driver lets no more current through

    def compute_top(self) -> float:
        """Compute the current at switch-off as a clamp sees it, loads of the coil included [A]."""
        at = np.array([self.dwell_s])
        beside = float(compute_inrush(at, self.inrush, volts=self.ramp_v)[0])
        return min(self.peak_a + beside, self.held_a)


def compute_ramp(
    time_s: FloatArray | float, *, volts: float, ohm: float, henry: float, start_a: float = 0.0
) -> FloatArray:
    """Compute the current of an inductance with resistance after its voltage is switched on [A].

    Source: RL circuit, V/R (1 - exp(-t R/L)).

    Examples
    --------
    >>> round(float(compute_ramp(2e-3, volts=14, ohm=0.5, henry=3e-3)), 3)
    7.937
    """
    final = volts / ohm
    return np.asarray(final + (start_a - final) * np.exp(-np.asarray(time_s) * ohm / henry))


def compute_dwell(current_a: float, *, volts: float, ohm: float, henry: float) -> float:
    """Compute the time to reach a current [s]; infinite where it is never reached.

    Examples
    --------
    >>> round(compute_dwell(7.5, volts=14, ohm=0.5, henry=3e-3) * 1e3, 3)
    1.871
    """
    share = current_a * ohm / volts
    return -henry / ohm * math.log(1 - share) if share < 1 else math.inf


def compute_burn_time(
    current_a: float,
    *,
    volts: float,
    ohm: float,
    henry: float,
    slope_v_per_s: float = 0.0,
    end_a: float = 0.0,
    shunt_ohm: float = math.inf,
) -> float:
    """Compute how long a gap burns on the current of an inductance [s].

    Parameters
    ----------
    current_a : float [unit=A]
        Secondary current at the breakdown.
    volts : float [unit=V]
        Burning voltage of the gap at first; it climbs by `slope_v_per_s`.
    ohm, henry : float
        Series resistance and inductance of the secondary.
    end_a : float [unit=A]
        Gap current at which the spark goes out.
    shunt_ohm : float
        Resistance across the gap.

    Notes
    -----
    From L dI/dt = -(V + s t) - R I. With s = 0, end 0: t = (L/R) ln(1 + I R / V).

    Examples
    --------
    >>> round(compute_burn_time(0.09375, volts=1000, ohm=10e3, henry=19.2) * 1e3, 3)
    1.27
    """
    tau = henry / ohm
    b = -slope_v_per_s / ohm
    a = -volts / ohm + slope_v_per_s * tau / ohm
    lead = current_a - a
    time = 0.0
    for _ in range(40):  # Newton; the function falls and is convex, so it comes from the left
        decay = lead * math.exp(-time / tau)
        value = a + b * time + decay - end_a - (volts + slope_v_per_s * time) / shunt_ohm
        slope = b - decay / tau - slope_v_per_s / shunt_ohm
        if value <= 0:
            break
        step = -value / slope
        time += step
        if step < 1e-9:
            break
    return time


def compute_swing(
    time_s: FloatArray, *, start_v: float, rate_v_per_s: float, alpha: float, omega: float
) -> FloatArray:
    """Compute the free voltage of a parallel RLC circuit from its start value and slope [V]."""
    if alpha < omega:
        w = math.sqrt(omega * omega - alpha * alpha)
        sine = (rate_v_per_s + alpha * start_v) / w
        angle = w * time_s
        return np.asarray(
            np.exp(-alpha * time_s) * (start_v * np.cos(angle) + sine * np.sin(angle))
        )
    s = math.sqrt(alpha * alpha - omega * omega) or 1.0
    slow = (rate_v_per_s + (alpha + s) * start_v) / (2 * s)
    return np.asarray(
        slow * np.exp(-(alpha - s) * time_s) + (start_v - slow) * np.exp(-(alpha + s) * time_s)
    )


def _kick(time_s: float, drive: float, alpha: float, omega: float) -> tuple[float, float]:
    """Voltage per (current / capacitance) of the kick and its rate, from rest."""
    if alpha < omega:
        w = math.sqrt(omega * omega - alpha * alpha)
        decay = math.exp(-alpha * time_s)
        s, c = math.sin(w * time_s), math.cos(w * time_s)
        return drive * decay * s / w, drive * decay * (c - alpha / w * s)
    w = math.sqrt(alpha * alpha - omega * omega) or 1.0
    fast, slow = math.exp(-(alpha + w) * time_s), math.exp(-(alpha - w) * time_s)
    return drive * (slow - fast) / (2 * w), drive * ((alpha + w) * fast - (alpha - w) * slow) / (
        2 * w
    )


def _top_time(alpha: float, omega: float) -> float:
    """Time of the kick's highest point."""
    if alpha < omega:
        w = math.sqrt(omega * omega - alpha * alpha)
        return math.atan2(w, alpha) / w
    w = math.sqrt(alpha * alpha - omega * omega)
    return math.atanh(w / alpha) / w if w > 1e-6 * alpha else 1 / alpha


def _crossing_time(level: float, top_s: float, drive: float, alpha: float, omega: float) -> float:
    """Time at which the rising kick reaches a level that it does reach."""
    low, high = 0.0, top_s
    time = min(level / drive, 0.9 * top_s)
    for _ in range(30):
        value, rate = _kick(time, drive, alpha, omega)
        if value < level:
            low = time
        else:
            high = time
        guess = time + (level - value) / rate if rate > 0 else 0.5 * (low + high)
        if not low < guess < high:
            guess = 0.5 * (low + high)
        if abs(guess - time) < 1e-9:
            return guess
        time = guess
    return time


def solve_discharge(
    circuit: Circuit, gap: Gap, *, dwell_s: float, start_a: float = 0.0, cut_s: float = math.inf
) -> Discharge:
    """Follow one strike from switch-on to the end of the burn.

    Parameters
    ----------
    circuit, gap : Circuit, Gap
    dwell_s : float [unit=s, > 0]
    start_a : float [unit=A]
        Primary current that switch-on finds (a strike cut short leaves some).
    cut_s : float [unit=s]
        Switch-on of the next charge, counted from switch-off; the burn cannot outlast it.

    Returns
    -------
    discharge : Discharge
    """
    volts = circuit.supply_v - circuit.saturation_v
    ohm, henry = circuit.primary_ohm, circuit.primary_h
    peak = float(compute_ramp(dwell_s, volts=volts, ohm=ohm, henry=henry, start_a=start_a))
    limited = 0.0
    # what loads the coil takes its part of the limit
    most = max(0.2 * circuit.limit_a, circuit.limit_a - compute_steady(circuit.inrush, volts=volts))
    if peak > most:
        final = volts / ohm
        reached = henry / ohm * math.log((final - start_a) / max(1e-9, final - most))
        limited, peak = dwell_s - max(0.0, reached), most
    ratio, farad = circuit.turns_ratio, circuit.capacitance_f
    inductance = henry * ratio * ratio
    current = peak / ratio * math.sqrt(circuit.efficiency)
    alpha = 1 / (2 * circuit.loss_ohm * farad)
    omega = 1 / math.sqrt(inductance * farad)
    ceiling = (circuit.clamp_v - circuit.supply_v) * ratio
    drive = current / farad
    top_s = _top_time(alpha, omega)
    top_v = _kick(top_s, drive, alpha, omega)[0]
    kick = circuit.fall_s / 2
    out = Discharge(
        dwell_s=dwell_s, start_a=start_a, peak_a=peak, limited_s=limited, kick_s=kick,
        drive_a=current, alpha=alpha, omega=omega, ceiling_v=ceiling, ceiling_start_s=math.nan,
        ceiling_stop_s=math.nan, highest_v=min(top_v, ceiling), breakdown_s=math.nan,
        breakdown_v=math.nan, burn_a=0.0, burn_v=gap.burn_v, slope_v_per_s=gap.slope_v_per_s,
        series_ohm=circuit.series_ohm, tau_s=inductance / circuit.series_ohm, burn_s=0.0,
        end_v=0.0, end_a=0.0, gap_energy_j=0.0, ramp_v=volts, ramp_ohm=ohm, ramp_h=henry,
        inrush=circuit.inrush, held_a=circuit.limit_a,
    )  # fmt: skip
    if gap.breakdown_v >= min(top_v, ceiling):
        if top_v > ceiling:  # the driver takes the rest: current falls by ceiling / inductance
            at = _crossing_time(ceiling, top_s, drive, alpha, omega)
            left = farad * _kick(at, drive, alpha, omega)[1]
            out.ceiling_start_s = kick + at
            out.ceiling_stop_s = kick + at + max(0.0, inductance * left / ceiling)
        return out
    at = _crossing_time(gap.breakdown_v, top_s, drive, alpha, omega)
    if kick + at >= cut_s:
        return out
    value, rate = _kick(at, drive, alpha, omega)
    out.breakdown_s, out.breakdown_v = kick + at, value
    out.burn_a = farad * rate + value / circuit.loss_ohm
    out.highest_v = value
    burn = compute_burn_time(
        out.burn_a, volts=gap.burn_v, ohm=circuit.series_ohm, henry=inductance,
        slope_v_per_s=gap.slope_v_per_s, end_a=gap.hold_a, shunt_ohm=circuit.shunt_ohm,
    )  # fmt: skip
    out.burn_s = min(burn, cut_s - out.breakdown_s)
    ends = np.linspace(0.0, out.burn_s, 5)
    amps = compute_burn_current(out, ends)
    gap_v = out.burn_v + out.slope_v_per_s * ends
    power = gap_v * np.maximum(0.0, amps - gap_v / circuit.shunt_ohm)
    simpson = power @ np.array([1.0, 4.0, 2.0, 4.0, 1.0]) / 12.0
    # of the capacitive energy little gets through a high series resistance
    through = 0.1 * min(1.0, 20e3 / circuit.series_ohm)
    out.gap_energy_j = float(simpson) * out.burn_s + through * farad * value * value
    out.end_v, out.end_a = float(gap_v[-1]), float(amps[-1])
    return out


def compute_burn_current(discharge: Discharge, time_s: FloatArray) -> FloatArray:
    """Compute the secondary current after the breakdown [A]; `time_s` counts from there."""
    d = discharge
    b = -d.slope_v_per_s / d.series_ohm
    a = -d.burn_v / d.series_ohm - b * d.tau_s
    return np.asarray(a + b * time_s + (d.burn_a - a) * np.exp(-time_s / d.tau_s))


def compute_secondary(discharge: Discharge, time_s: FloatArray) -> FloatArray:
    """Compute the voltage that the secondary winding makes, from switch-off on [V].

    Parameters
    ----------
    discharge : Discharge
    time_s : float64 array [shape=(n,), ascending, unit=s from switch-off]

    Returns
    -------
    secondary_v : float64 array [shape=(n,), unit=V]
        Positive in the direction of the spark. The primary sees supply + this / turns ratio.
    """
    d = discharge
    volts = np.zeros(time_s.size)
    first = int(np.searchsorted(time_s, d.kick_s))
    farad = 1 / (d.omega * d.omega * d.tau_s * d.series_ohm)
    rate = d.drive_a / farad
    fired = d.burn_s > 0
    if fired:
        stop = int(np.searchsorted(time_s, d.breakdown_s))
    elif d.ceiling_start_s == d.ceiling_start_s:
        stop = int(np.searchsorted(time_s, d.ceiling_stop_s))
    else:
        stop = time_s.size
    volts[first:stop] = compute_swing(
        time_s[first:stop] - d.kick_s, start_v=0.0, rate_v_per_s=rate, alpha=d.alpha, omega=d.omega
    )
    if fired:
        end = int(np.searchsorted(time_s, d.breakdown_s + d.burn_s))
        burn = time_s[stop:end] - d.breakdown_s
        volts[stop:end] = (
            d.burn_v
            + d.slope_v_per_s * burn
            + np.minimum(d.series_ohm * compute_burn_current(d, burn), 0.98 * d.breakdown_v)
        )
        start_rate = (d.end_a - d.end_v * 2 * d.alpha * farad) / farad
        volts[end:] = compute_swing(
            time_s[end:] - d.breakdown_s - d.burn_s,
            start_v=d.end_v, rate_v_per_s=start_rate, alpha=d.alpha, omega=d.omega,
        )  # fmt: skip
    elif stop < time_s.size or d.ceiling_start_s == d.ceiling_start_s:
        held = int(np.searchsorted(time_s, d.ceiling_start_s))
        volts[held:stop] = d.ceiling_v
        volts[stop:] = compute_swing(
            time_s[stop:] - d.ceiling_stop_s,
            start_v=d.ceiling_v, rate_v_per_s=-2 * d.alpha * d.ceiling_v,
            alpha=d.alpha, omega=d.omega,
        )  # fmt: skip
    return volts
