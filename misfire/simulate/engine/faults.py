"""Faults at work: when each is active, and what it changes in that firing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from misfire.simulate.scenario import FaultModel

COIL_FAULTS = ("weak_coil", "no_primary")  # of the coil: every cylinder on it has them


@dataclass(slots=True)
class Changes:
    """What the active faults change in one cylinder's firing; the defaults are a healthy one."""

    gap_share: float = 1.0
    lead_gap_mm: float = 0.0
    extra_ohm: float = 0.0
    is_open: bool = False
    shunt_ohm: float = math.inf
    breakdown_share: float = 1.0
    burn_share: float = 1.0
    inductance_share: float = 1.0
    efficiency_share: float = 1.0
    damping_share: float = 1.0
    loop_ohm: float = math.inf  # shorted turns while charging, referred to the primary
    kick_loop_ohm: float = math.inf  # and as they load the kick
    feed_ohm: float = 0.0
    feed_v: float = 0.0
    no_trigger: bool = False
    no_current: bool = False
    fuel_share: float = 1.0
    sealing: float = 1.0  # share of the charge that stays at a slow speed
    spark_share: float = 1.0  # of the spark's energy that meets the charge
    is_active: bool = False
    faults: tuple[FaultModel, ...] = ()  # those at work


class FaultClock:
    """Decides firing by firing whether a fault is at work."""

    def __init__(self, fault: FaultModel, rng: np.random.Generator) -> None:
        """Start outside a burst."""
        self.fault = fault
        self._rng = rng
        self._in_burst = False
        self._burst_firings = float(rng.uniform(4, 25))

    def is_active(self, *, load: float, time_s: float, duration_s: float) -> bool:
        """Tell whether the fault works in this firing.

        Parameters
        ----------
        load : float [0..1]
            Intake pressure in bar.
        time_s, duration_s : float [unit=s]
            Time in the recording and its length; the warm-up pattern fades over it.
        """
        fault = self.fault
        draw = float(self._rng.random())
        if fault.pattern in ("always", "random"):
            return draw < fault.rate
        if fault.pattern == "load":
            share = 1 / (1 + math.exp(-(load - 0.55) / 0.08))
            return draw < min(1.0, fault.rate * 2.2 * share + 0.05 * fault.rate)
        if fault.pattern == "warm_up":
            return draw < min(
                1.0, fault.rate * 2.5 * math.exp(-2.5 * max(0.0, time_s) / duration_s)
            )
        if self._in_burst:  # bursts: two states whose long-run share is the rate
            self._in_burst = draw > 1 / self._burst_firings
        elif fault.rate < 1:
            start = fault.rate / ((1 - fault.rate) * self._burst_firings)
            self._in_burst = draw < start
        else:
            self._in_burst = True
        return self._in_burst


def apply_fault(changes: Changes, fault: FaultModel, rng: np.random.Generator) -> None:
    """Add one active fault to the changes of a firing.

    Parameters
    ----------
    changes : Changes
        Changed in place.
    fault : FaultModel
    rng : Generator
        For what differs between the firings of one fault (an arc never jumps the same way twice).

    Notes
    -----
    What each fault does to the signals is the table of the outside contract; sizes are plausible
    values chosen for this model (common practice, no source).
    """
    s = fault.severity
    changes.is_active = True
    changes.faults += (fault,)
    jitter = math.exp(0.15 * float(rng.standard_normal()))
    match fault.type, fault.kind:
        case "open_secondary", "gap":
            changes.gap_share *= 1 + 2.0 * s
            changes.burn_share *= 1 + 0.35 * s
        case "open_secondary", "lead":
            changes.lead_gap_mm += (2.0 + 20.0 * s) * jitter
        case "open_secondary", "resistance":
            changes.extra_ohm += 15e3 * 25.0**s * jitter
            changes.breakdown_share *= 1 + 0.1 * s
        case "open_secondary", _:
            changes.is_open = True
        case "fouled_plug", "shunt":
            changes.shunt_ohm = min(changes.shunt_ohm, 3.0e6 * 0.015**s * jitter)
            changes.breakdown_share *= 1 - 0.25 * s
            changes.burn_share *= 1 - 0.25 * s
            changes.spark_share *= 1 - 0.75 * s
        case "fouled_plug", _:  # the spark creeps along the insulator, away from the charge
            changes.shunt_ohm = min(changes.shunt_ohm, 6.0e6 * 0.1**s * jitter)
            changes.breakdown_share *= 1 - 0.5 * s
            changes.burn_share *= 1 - 0.4 * s
            changes.spark_share *= max(0.02, 1 - 1.05 * s * jitter)
        case "weak_coil", "shorted":
            # a loop of shorted turns loads both the charge and the kick; it also takes turns away
            changes.loop_ohm = min(changes.loop_ohm, 400.0 * 0.008**s)
            changes.kick_loop_ohm = changes.loop_ohm
            changes.inductance_share *= 1 - 0.3 * s
            changes.efficiency_share *= 1 - 0.9 * s
        case "weak_coil", "layers":
            # layers of the winding break down into each other: the charge is loaded, and the kick
            # rises as slowly as ever, but on little energy
            changes.loop_ohm = min(changes.loop_ohm, 200.0 * 0.02**s)
            changes.efficiency_share *= 0.015 + 0.985 * (1 - s) ** 1.3
        case "weak_coil", "feed":
            changes.feed_ohm += 0.3 + 4.5 * s * jitter
            changes.feed_v += 2.0 * s
        case "weak_coil", _:
            changes.inductance_share *= 1 - 0.35 * s
            changes.efficiency_share *= 0.015 + 0.985 * (1 - s) ** 1.5
        case "no_primary", "trigger":
            changes.no_trigger = True
        case "no_primary", _:
            changes.no_current = True
        case "mixture", "no_fuel":
            changes.fuel_share *= max(0.0, 0.35 * (1 - s))
            changes.breakdown_share *= 1.03
            changes.burn_share *= 1.06
        case "mixture", "lean":
            changes.fuel_share *= 1 - 0.45 * s
            changes.breakdown_share *= 1 + 0.06 * s
            changes.burn_share *= 1 + 0.15 * s
        case "mixture", _:  # flooded: far too much, and a wet plug
            changes.fuel_share *= 1 + 1.6 * s
            changes.breakdown_share *= 1 - 0.2 * s
            changes.shunt_ohm = min(changes.shunt_ohm, 20e6 * 0.1**s)
            changes.burn_share *= 1 - 0.1 * s
        case "low_compression", _:
            changes.sealing *= 1 - 0.8 * s


def find_changes(
    clocks: list[FaultClock],
    rng: np.random.Generator,
    load: float,
    time_s: float,
    duration_s: float,
) -> Changes:
    """Ask some faults and gather what they change in this firing; see `FaultClock.is_active`."""
    changes = Changes()
    for clock in clocks:
        if clock.is_active(load=load, time_s=time_s, duration_s=duration_s):
            apply_fault(changes, clock.fault, rng)
    return changes
