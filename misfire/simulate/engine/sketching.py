"""One firing in pieces: which of them it has, how large they are, and what reached the charge."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from misfire.simulate.engine.faults import Changes
from misfire.simulate.engine.firing import Firing, PlugState, command
from misfire.simulate.engine.marks import FaultMarks, join_marks
from misfire.simulate.engine.pieces import Line, Ramp, Ring, Rise, Sketch, Tooth
from misfire.simulate.pieces_model import IDLE_DENSITY, PiecesModel
from misfire.simulate.scenario import CoilModel, FaultModel

ROTOR_V = 250.0  # burning voltage of a distributor's rotor gap, common practice
SHORTEST_S = 30e-6  # of a spark on what is stored in the lead alone
MATE_DENSITY = 0.36  # of the gas at a plug that fires on exhaust
MOST_TEETH = 10


@dataclass(frozen=True, slots=True)
class Demand:
    """What one plug asks for [V], and what it does to its coil."""

    firing_v: float
    line_v: float
    marks: FaultMarks
    leaks: bool
    never: bool


class Sketcher:
    """Sketches the firings of one vehicle; `marks` are those of its faults."""

    def __init__(
        self, coil: CoilModel, pieces: PiecesModel, marks: dict[FaultModel, FaultMarks]
    ) -> None:
        """Work out what a sound firing at idle has."""
        self.coil, self.pieces, self.marks = coil, pieces, marks
        self.target_a = min(coil.target_a * (1 + max(0.0, pieces.bend)), coil.limit_a)
        self.ceiling_v = (coil.clamp_v - 14.0) * coil.turns_ratio

    def spark(
        self,
        firing: Firing,
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
        wanted = self._demand(own, changes.faults, rng)
        other = None if mate is None else self._demand(mate, mate.changes.faults, rng)
        pieces = self.pieces
        multiple = self.coil.strikes > 1 and firing.rpm < self.coil.strike_rpm
        cut = self.coil.strike_ms * 1e-3 if multiple else longest_s
        peak, delay, energy = 0.0, 0.0, 0.0
        for number in range(self.coil.strikes if multiple else 1):
            last = not multiple or number == self.coil.strikes - 1
            if last:
                cut = max(1e-4, longest_s - delay)
            ramp = self._ramp(firing.supply_v, wanted.marks, dwell_s=dwell_s, end_a=peak)
            strike = self._strike(ramp, wanted, other, own.flow, cut, rng)
            firing.strikes.append((delay, strike))
            if strike.line is not None:
                middle = strike.line.level_v + 0.5 * strike.line.climb_v
                strength = math.sqrt(self._energy(ramp, wanted.marks))
                energy += middle * pieces.spark_ma * strength * strike.burn_s  # mJ: V x mA x s
            if last:
                break
            peak = ramp.compute_peak()
            dwell_s *= 0.5
            delay += cut + dwell_s
            if delay > 0.6 * longest_s:
                break
        first = firing.strikes[0][1]
        firing.coil_kv = first.highest_v * 1e-3
        bridged = wanted.leaks  # the charge went beside the gap, even if another gap broke down
        if first.burn_s > 0 and not bridged:
            firing.sparked = True
            firing.firing_kv = wanted.firing_v * 1e-3
            total = wanted.line_v + (0.0 if other is None else other.line_v)
            share = wanted.line_v / (total + (ROTOR_V if self.coil.rotor_gap_kv else 0.0))
            firing.energy_mj = energy * share * wanted.marks.useful_share

    def _demand(
        self, plug: PlugState, faults: tuple[FaultModel, ...], rng: np.random.Generator
    ) -> Demand:
        """Draw what a plug asks for in this firing."""
        pieces = self.pieces
        marks = join_marks(self.marks[f] for f in faults)
        dense = plug.density / IDLE_DENSITY
        spread = math.hypot(self.coil.breakdown_spread, marks.firing_spread)
        firing = pieces.firing_kv * 1e3 * dense**pieces.density_power * marks.firing_share
        line = pieces.spark_kv * 1e3 * dense**pieces.spark_power * marks.line_share
        jump, level, chance, other = rng.standard_normal(2).tolist() + rng.random(2).tolist()
        return Demand(
            firing_v=max(400.0, firing * math.exp(spread * jump)),
            line_v=line * math.exp(0.04 * level),
            marks=marks,
            leaks=chance < marks.leaks,
            never=other < marks.never,
        )

    def _ramp(self, supply_v: float, marks: FaultMarks, *, dwell_s: float, end_a: float) -> Ramp:
        """Lay out the current; `end_a` more than 0: a recharge that comes back to it."""
        coil, pieces = self.coil, self.pieces
        volts = max(1.0, supply_v - marks.drop_v - coil.saturation_v)
        final = volts / coil.primary_ohm * marks.final_share
        tau = coil.primary_mh * 1e-3 / coil.primary_ohm * marks.tau_share * marks.final_share
        start = 0.0
        if end_a > 0:
            start = max(0.0, final + (end_a - final) * math.exp(dwell_s / tau))
        return Ramp(
            dwell_s=dwell_s,
            start_a=start,
            final_a=final,
            tau_s=tau,
            held_a=coil.limit_a,
            target_a=self.coil.target_a,
            bend=pieces.bend,
            step_a=marks.step * self.target_a,
        )

    def _energy(self, ramp: Ramp, marks: FaultMarks) -> float:
        """Compute the stored energy that a kick can use, 1 at a sound coil's target current."""
        stored = max(0.0, ramp.compute_peak() - ramp.step_a) / self.target_a
        return max(1e-4, stored * stored * marks.tau_share * marks.energy_share)

    def _strike(
        self,
        ramp: Ramp,
        wanted: Demand,
        mate: Demand | None,
        flow: float,
        cut_s: float,
        rng: np.random.Generator,
    ) -> Sketch:
        """Sketch one strike."""
        coil, pieces, marks = self.coil, self.pieces, wanted.marks
        energy = self._energy(ramp, marks)
        top = pieces.reach_kv * 1e3 * energy**pieces.reach_power
        delay, quarter = coil.handover_us * 0.5e-6, pieces.rise_us * 1e-6 * marks.rise_share
        behind = coil.rotor_gap_kv * 1e3 * math.exp(0.04 * float(rng.standard_normal()))
        level_behind = ROTOR_V if behind else 0.0
        never = wanted.never
        if mate is not None:
            never = never or mate.never
            behind = 0.0 if mate.leaks else mate.firing_v
            level_behind = 0.0 if mate.leaks else mate.line_v
        across = behind if wanted.leaks else behind + wanted.firing_v
        if wanted.leaks:
            top *= min(1.0, marks.leak_share * math.exp(0.1 * float(rng.standard_normal())))
            if not behind:
                top = min(top, 0.92 * wanted.firing_v)
            elif not never:
                top = max(top, 1.1 * behind)
        highest = min(top, self.ceiling_v)
        ring = Ring(
            start_v=highest,
            period_s=pieces.ring_us * 1e-6 * marks.rise_share,
            keep=max(0.02, min(0.97, pieces.ring_keep * marks.keep_share)),
            swings=pieces.ring_swings,
        )
        kick = Rise(delay, quarter, pieces.rise_power, top)
        at = kick.find(across) if across < highest else math.inf
        if never or not across or at >= cut_s:
            held = pieces.clamp_us * 1e-6 * min(1.5, energy) if top > self.ceiling_v else 0.0
            leak = marks.leak_s if wanted.leaks else math.nan
            return Sketch(
                ramp, kick, ring, highest, ramp.final_a * coil.primary_ohm,
                leak_s=leak, held_s=held,
            )  # fmt: skip
        line = self._line(wanted, level_behind, across, energy, flow, rng)
        if mate is not None:  # what stands in the mate's lead takes from the burn of both
            line = replace(line, burn_s=line.burn_s * min(1.0, mate.marks.burn_share))
        burn = min(line.burn_s, cut_s - at)
        if burn < line.burn_s:
            line = replace(line, burn_s=burn, hump_v=0.0)  # the next charge ends it
        end_v = float(line.compute(np.array([burn]))[0]) * pieces.ring_start
        return Sketch(
            ramp, kick,
            Ring(end_v, ring.period_s, ring.keep, ring.swings, pieces.ring_phase),
            highest_v=across, supply_v=ramp.final_a * coil.primary_ohm, breakdown_s=at, line=line,
        )  # fmt: skip

    def _line(
        self,
        wanted: Demand,
        behind_v: float,
        across_v: float,
        energy: float,
        flow: float,
        rng: np.random.Generator,
    ) -> Line:
        """Sketch the spark line: what is left of the energy burns at its level."""
        pieces, marks = self.pieces, wanted.marks
        noise = rng.standard_normal(3).tolist()
        usual_line, usual_firing = pieces.spark_kv * 1e3, pieces.firing_kv * 1e3
        if self.coil.rotor_gap_kv:
            usual_line, usual_firing = (
                usual_line + ROTOR_V,
                usual_firing + self.coil.rotor_gap_kv * 1e3,
            )
        elif behind_v:
            dense = MATE_DENSITY / IDLE_DENSITY
            usual_line *= 1 + dense**pieces.spark_power
            usual_firing *= 1 + dense**pieces.density_power
        level = max(60.0, behind_v if wanted.leaks else behind_v + wanted.line_v)
        left = energy - pieces.firing_share * ((across_v / usual_firing) ** 2 - 1)
        burn = pieces.burn_ms * 1e-3 * max(0.0, left) ** pieces.energy_power
        burn *= (level / usual_line) ** -pieces.line_power
        burn = max(SHORTEST_S, burn * marks.burn_share * math.exp(0.05 * noise[0]))
        climb = (pieces.climb * (0.3 + 0.7 * flow) + marks.climb) * math.exp(0.25 * noise[1])
        hook = level * (pieces.hook * math.exp(0.2 * noise[2]) + marks.hook)
        hook_s = marks.hook_s or pieces.hook_us * 1e-6
        if wanted.leaks:  # behind the gap that broke down the rest leaks away
            hook, hook_s = 0.5 * across_v, marks.leak_s
        most = 0.95 * across_v  # the line stays below the firing line
        return Line(
            burn_s=burn,
            level_v=min(level, most),
            climb_v=max(-0.5, min(3.0, climb)) * min(level, most),
            climb_power=pieces.climb_power,
            hook_v=max(0.0, min(hook, most - level)),
            hook_s=hook_s,
            hump_v=level * pieces.hump,
            hump_s=min(pieces.hump_us * 1e-6, 0.3 * burn),
            wobble_v=level * pieces.wobble,
            wobble_hz=pieces.wobble_khz * 1e3,
            wobble_phase=float(rng.uniform(0, 2 * math.pi)),
            teeth=self._teeth(level, burn, flow, rng),
        )

    def _teeth(
        self, level_v: float, burn_s: float, flow: float, rng: np.random.Generator
    ) -> tuple[Tooth, ...]:
        """Draw the teeth of one spark line: the more the flow blows, the more of them."""
        pieces = self.pieces
        usual = pieces.teeth * min(2.0, flow) * burn_s / (pieces.burn_ms * 1e-3)
        teeth = []
        for _ in range(min(MOST_TEETH, int(rng.poisson(usual)))):
            wide = pieces.tooth_us * 1e-6 * math.exp(0.4 * float(rng.standard_normal()))
            teeth.append(
                Tooth(
                    at_s=burn_s * float(rng.uniform(0.12, 0.97)),
                    rise_s=wide,
                    fall_s=wide * float(rng.uniform(0.02, 1.0)),
                    height_v=level_v * pieces.tooth_height * math.exp(0.4 * rng.standard_normal()),
                )
            )
        return tuple(teeth)
