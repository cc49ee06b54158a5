"""One firing: coil and plug with their faults, spark, and whether the charge burns."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from misfire.simulate.engine.coil import Circuit, Discharge, Gap, compute_dwell, solve_discharge
from misfire.simulate.engine.faults import Changes
from misfire.simulate.engine.gap import compute_breakdown_kv
from misfire.simulate.engine.inrush import Inrush
from misfire.simulate.engine.pieces import Sketch
from misfire.simulate.scenario import CoilModel

POINTED = 0.85  # a hot, negative, edged electrode breaks down this much lower (handbooks, 15-40 %)


@dataclass(slots=True)
class Firing:
    """One expected power stroke and the coil stroke that serves it."""

    cycle: int
    cylinder: int
    coil: int
    off_deg: float  # crank angle of switch-off, unwrapped
    rpm: float
    intake_bar: float
    fuel_cut: bool
    fault_active: bool
    supply_v: float
    off_s: float = math.nan
    commanded_s: float = 0.0  # dwell of the trigger line
    fuel_ms: float = 0.0  # injection for this firing
    strikes: list[tuple[float, Discharge | Sketch]] = field(
        default_factory=list
    )  # (delay of switch-off, ...)
    no_trigger: bool = False
    sparked: bool = False
    firing_kv: float = math.nan  # this plug's gap
    coil_kv: float = math.nan
    energy_mj: float = 0.0  # in this plug's gap
    burned: float = 0.0  # share of the charge's heat that came
    misfire: bool = False
    partial: bool = False
    work_j: float = 0.0

    @property
    def dwell_s(self) -> float:
        """Dwell of the first strike; 0 where the coil was not switched."""
        return self.strikes[0][1].dwell_s if self.strikes else 0.0

    @property
    def burn_s(self) -> float:
        """First breakdown to last extinction."""
        if not self.strikes or not self.strikes[0][1].burn_s:
            return 0.0
        delay, last = self.strikes[-1]
        first = self.strikes[0][1]
        return delay + last.breakdown_s + last.burn_s - first.breakdown_s


@dataclass(frozen=True, slots=True)
class PlugState:
    """Gas in one plug's gap at the spark, and what faults make of plug and lead."""

    density: float
    changes: Changes
    flow: float  # 0 still .. 1 and more: stretches the spark


def compute_ecu_dwell(coil: CoilModel, supply_v: float, *, longest_s: float) -> float:
    """Compute the dwell that a control unit gives a sound coil at this supply voltage [s]."""
    wanted = compute_dwell(
        coil.target_a,
        volts=max(2.0, supply_v - coil.saturation_v),
        ohm=coil.primary_ohm,
        henry=coil.primary_mh * 1e-3,
    )
    return min(wanted, longest_s)


def make_circuit(coil: CoilModel, supply_v: float, changes: Changes) -> Circuit:
    """Build the circuit of a coil with the coil's own faults.

    Parameters
    ----------
    coil : CoilModel
    supply_v : float [unit=V]
    changes : Changes
        Faults of coil, lead and plug together.
    """
    henry = coil.primary_mh * 1e-3 * changes.inductance_share
    farad = coil.secondary_pf * 1e-12
    impedance = math.sqrt(henry * coil.turns_ratio**2 / farad)
    loss = coil.ring_q * changes.damping_share * impedance
    shunt, squared = changes.shunt_ohm, coil.turns_ratio**2
    # A diode in the secondary keeps lead and plug away while the coil charges.
    behind = math.inf if coil.diode else (shunt + coil.secondary_kohm * 1e3) / squared
    charging_pf = min(coil.winding_pf, coil.secondary_pf) if coil.diode else coil.secondary_pf
    leak_h = max(coil.leak, 0.005) * coil.primary_mh * 1e-3
    inrush = Inrush(
        leak_h=leak_h,
        series_ohm=coil.primary_ohm + 0.4 * coil.secondary_kohm * 1e3 / squared,
        farad=charging_pf * 1e-12 * squared,
        # shorted turns, loosely coupled, damp the ringing by a part of their current
        load_ohm=_join_parallel(behind, changes.loop_ohm / 0.35),
        loop_ohm=changes.loop_ohm / 0.65,
        loop_h=0.5 * leak_h,
    )
    loads = (loss, shunt, changes.kick_loop_ohm * squared)
    return Circuit(
        supply_v=supply_v - changes.feed_v,
        primary_h=henry,
        primary_ohm=coil.primary_ohm + changes.feed_ohm,
        turns_ratio=coil.turns_ratio,
        saturation_v=coil.saturation_v,
        limit_a=coil.limit_a,
        clamp_v=coil.clamp_v,
        fall_s=coil.handover_us * 1e-6,
        efficiency=coil.efficiency * changes.efficiency_share,
        capacitance_f=farad,
        series_ohm=coil.secondary_kohm * 1e3 + changes.extra_ohm,
        loss_ohm=_join_parallel(*loads),
        shunt_ohm=shunt,
        inrush=inrush,
    )


def _join_parallel(*ohms: float) -> float:
    """Resistance of resistances in parallel; infinite ones do not matter."""
    siemens = sum(1.0 / ohm for ohm in ohms)
    return 1.0 / siemens if siemens else math.inf


def compute_demand(
    coil: CoilModel, plug: PlugState, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Compute what one plug with its lead asks for: breakdown, burning [V], and the plug's share.

    Notes
    -----
    Breakdown: uniform field at the gas density, with the spread of successive firings. Burning:
    a glow of some hundred volts plus a column that grows with gap and density; the sizes are
    chosen to meet 0.5 to 2 kV (Heywood ch. 9, from memory).
    """
    change = plug.changes
    gap_mm = coil.gap_mm * change.gap_share
    spread = math.exp(coil.breakdown_spread * float(rng.standard_normal()))
    kilovolts = POINTED * compute_breakdown_kv(gap_mm, plug.density)
    kilovolts *= change.breakdown_share * spread
    burn = (320.0 + 400.0 * gap_mm * plug.density**0.35) * change.burn_share
    burn *= math.exp(0.05 * float(rng.standard_normal()))
    at_plug = burn
    if change.lead_gap_mm > 0:  # an arc through open air between pointed ends, in series
        air = 0.55 * compute_breakdown_kv(change.lead_gap_mm, 1.0)
        kilovolts += air * math.exp(0.12 * float(rng.standard_normal()))
        burn += 250.0 + 60.0 * change.lead_gap_mm
    return (math.inf if change.is_open else kilovolts * 1e3), burn, at_plug / burn


def join_changes(own: Changes, coil: Changes) -> Changes:
    """Put the faults of plug and lead and those of the coil into one."""
    joined = Changes(**{name: getattr(own, name) for name in Changes.__slots__})
    for name in ("inductance_share", "efficiency_share", "damping_share"):
        setattr(joined, name, getattr(own, name) * getattr(coil, name))
    joined.loop_ohm = min(own.loop_ohm, coil.loop_ohm)
    joined.kick_loop_ohm = min(own.kick_loop_ohm, coil.kick_loop_ohm)
    joined.feed_ohm, joined.feed_v = own.feed_ohm + coil.feed_ohm, own.feed_v + coil.feed_v
    joined.no_trigger = own.no_trigger or coil.no_trigger
    joined.no_current = own.no_current or coil.no_current
    joined.is_active = own.is_active or coil.is_active
    joined.faults = own.faults + coil.faults
    return joined


def command(
    firing: Firing, own: PlugState, coil_changes: Changes, dwell_s: float
) -> Changes | None:
    """Note in a firing what the control unit commands, and join what is changed in it.

    Parameters
    ----------
    firing : Firing
        Changed in place.
    own : PlugState
    coil_changes : Changes
        Faults of the coil.
    dwell_s : float [unit=s]

    Returns
    -------
    changes : Changes or None
        None where no current flows: nothing more comes of it.
    """
    changes = join_changes(own.changes, coil_changes)
    firing.no_trigger = changes.no_trigger
    firing.commanded_s = 0.0 if changes.no_trigger else dwell_s
    return None if changes.no_trigger or changes.no_current or dwell_s <= 0 else changes


def spark(
    firing: Firing,
    coil: CoilModel,
    own: PlugState,
    mate: PlugState | None,
    coil_changes: Changes,
    rng: np.random.Generator,
    *,
    dwell_s: float,
    longest_s: float,
) -> None:
    """Fire the coil and write into `firing` what came of it.

    Parameters
    ----------
    firing : Firing
        Changed in place.
    coil : CoilModel
    own, mate : PlugState
        The plug on compression, and on a waste-spark coil the one on exhaust.
    coil_changes : Changes
        Faults of the coil.
    rng : Generator
    dwell_s : float [unit=s]
    longest_s : float [unit=s]
        Switch-off to the next switch-on of this coil.
    """
    changes = command(firing, own, coil_changes, dwell_s)
    if changes is None:
        return
    own_v, own_burn, at_plug = compute_demand(coil, own, rng)
    total_v, total_burn = own_v + coil.rotor_gap_kv * 1e3, own_burn
    if coil.rotor_gap_kv > 0:
        total_v *= math.exp(0.04 * float(rng.standard_normal()))
        total_burn += 250.0
    own_share, bridged = own_burn / total_burn, False
    if coil.rotor_gap_kv > 0 and math.isfinite(changes.shunt_ohm):
        # Nothing loads the coil until the rotor's gap has broken down; then the shunt takes it all
        # unless the current makes enough volts across it for the plug's gap.
        if changes.shunt_ohm * coil.target_a / coil.turns_ratio < own_v:
            changes.extra_ohm += changes.shunt_ohm
            bridged, own_share = True, 0.0
            total_v, total_burn = total_v - own_v, 250.0
        changes.shunt_ohm = math.inf
    if mate is not None:
        total_v, total_burn, own_share, bridged = _add_mate(
            changes, coil, mate, own_v, own_burn, rng
        )
    own_share *= at_plug  # the rest burns in the lead's gap
    circuit = make_circuit(coil, firing.supply_v, changes)
    gap = Gap(
        breakdown_v=total_v,
        burn_v=total_burn,
        slope_v_per_s=1e3 * (60 + 320 * own.flow) * math.exp(0.4 * float(rng.standard_normal())),
        hold_a=0.003 * math.exp(0.2 * float(rng.standard_normal())),
    )
    multiple = coil.strikes > 1 and firing.rpm < coil.strike_rpm
    cut = coil.strike_ms * 1e-3 if multiple else longest_s
    start_a, delay, energy = 0.0, 0.0, 0.0
    for number in range(coil.strikes if multiple else 1):
        if multiple and number == coil.strikes - 1:
            cut = max(1e-4, longest_s - delay)
        strike = solve_discharge(circuit, gap, dwell_s=dwell_s, start_a=start_a, cut_s=cut)
        firing.strikes.append((delay, strike))
        energy += strike.gap_energy_j
        if not multiple or number == coil.strikes - 1:
            break
        start_a = strike.end_a * coil.turns_ratio * 0.9 if strike.burn_s > 0 else 0.0
        dwell_s = _recharge(circuit, strike.peak_a, start_a)
        delay += cut + dwell_s
        if delay > 0.6 * longest_s:
            break
        # the gap is still hot: it breaks down easier
        gap = Gap(0.55 * total_v, gap.burn_v, gap.slope_v_per_s, gap.hold_a)
    first = firing.strikes[0][1]
    firing.coil_kv = first.highest_v * 1e-3
    if first.burn_s > 0:
        firing.sparked = not bridged
        firing.firing_kv = math.nan if bridged else own_v * 1e-3
        firing.energy_mj = 0.0 if bridged else energy * 1e3 * own_share * changes.spark_share


def _recharge(circuit: Circuit, peak_a: float, start_a: float) -> float:
    """Find the dwell that brings a coil back to its peak current [s]."""
    volts = circuit.supply_v - circuit.saturation_v
    whole = compute_dwell(
        0.98 * peak_a, volts=volts, ohm=circuit.primary_ohm, henry=circuit.primary_h
    )
    begun = compute_dwell(start_a, volts=volts, ohm=circuit.primary_ohm, henry=circuit.primary_h)
    return max(1e-4, whole - begun) if math.isfinite(whole - begun) else 2e-3


def _add_mate(
    changes: Changes,
    coil: CoilModel,
    mate: PlugState,
    own_v: float,
    own_burn: float,
    rng: np.random.Generator,
) -> tuple[float, float, float, bool]:
    """Put the exhaust plug in series; gives volts, burning volts, own share, own gap bridged."""
    mate_v, mate_burn, _ = compute_demand(coil, mate, rng)
    changes.extra_ohm += mate.changes.extra_ohm
    drive_a = coil.target_a / coil.turns_ratio
    bridged = False
    for shunt, volts, is_own in (
        (changes.shunt_ohm, own_v, True),
        (mate.changes.shunt_ohm, mate_v, False),
    ):
        # a shunted gap breaks down only if the current makes enough volts across its shunt
        if shunt * drive_a < volts and math.isfinite(shunt):
            changes.extra_ohm += shunt
            if is_own:
                bridged, own_v, own_burn = True, 0.0, 0.0
            else:
                mate_v, mate_burn = 0.0, 0.0
    changes.shunt_ohm = math.inf
    total_burn = max(150.0, own_burn + mate_burn)
    return max(500.0, own_v + mate_v), total_burn, own_burn / total_burn, bridged
