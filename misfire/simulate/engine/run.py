"""The running engine: torque to speed, step by step in crank angle, firing by firing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.dice import Dice
from misfire.simulate.engine.combustion import EXHAUST_BAR, Combustion
from misfire.simulate.engine.controls import Controls
from misfire.simulate.engine.cylinder import STEP_DEG, STEPS, Cylinder, make_cylinder
from misfire.simulate.engine.drive import PLAN_HZ, Plan, make_plan
from misfire.simulate.engine.faults import COIL_FAULTS, FaultClock, find_changes
from misfire.simulate.engine.firing import Firing, PlugState, compute_ecu_dwell, spark
from misfire.simulate.engine.marks import draw_marks
from misfire.simulate.engine.sketching import Sketcher
from misfire.simulate.engine.torsion import compute_twist, place_throw
from misfire.simulate.engine.track import find_instants
from misfire.simulate.scenario import Scenario

SLOWEST = 3.0  # rad/s; below it the crank stands
WHEEL_M = 0.31  # rolling radius
EXHAUST_DENSITY = 0.36  # in the gap that fires on exhaust: near 1 bar, hot

FloatArray = NDArray[np.floating[Any]]


@dataclass(slots=True)
class Run:
    """What the engine did: instants of the step edges, speed there, and the firings in time order.

    `time_s[k]` is when the crank stood at `first_deg + k * STEP_DEG`; time 0 is the first sample.
    `twist_rad` is how far its front end was ahead there; None of a stiff crank.
    """

    first_deg: float
    time_s: FloatArray
    speed: FloatArray  # rad/s at the step edges
    starter_share: FloatArray  # of the starter's stall torque, at the step edges
    firings: list[Firing]
    cycle_s: FloatArray  # instant of each cycle's angle 0
    coil_of: dict[int, int]  # coil number of each cylinder
    twist_rad: FloatArray | None = None

    def find(self, angle_deg: FloatArray) -> FloatArray:
        """Find when the crank stood at given unwrapped angles [s]; NaN outside the run."""
        return find_instants(
            angle_deg, first_deg=self.first_deg, time_s=self.time_s, speed=self.speed
        )


@dataclass(frozen=True, slots=True)
class _Starter:
    """Starter at the crank: torque falls evenly to nothing at `top` speed [rad/s]."""

    stall_nm: float
    top: float
    inertia_kgm2: float


@dataclass(frozen=True, slots=True)
class _Driveline:
    """Driveline at the crank."""

    spring: float  # Nm/rad
    damping: float  # Nm s/rad
    mass_kgm2: float


class EngineRun:
    """Runs one scenario's engine; `run()` gives the result."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator) -> None:
        """Lay out tables, faults and controls."""
        self.scenario, self.rng = scenario, rng
        engine = scenario.engine
        card = engine.to_engine()
        self.plan: Plan = make_plan(scenario, rng)
        n = engine.cylinders
        self.first_deg = -180.0 - STEP_DEG * int(rng.integers(0, STEPS))
        self.angles = card.firing_angles_deg
        self.order = card.firing_order
        self.cylinders: list[Cylinder] = []
        self.begin: list[int] = []  # step of each cylinder's first decision
        for angle in self.angles:
            step = math.ceil((angle - 180.0 - self.first_deg) / STEP_DEG - 1e-9)
            offset = self.first_deg + step * STEP_DEG - (angle - 180.0)
            self.cylinders.append(make_cylinder(engine, offset_deg=offset))
            self.begin.append(step % STEPS)
        self.first_cycle = [
            round((self.first_deg + b * STEP_DEG + 180.0 - a) / 720.0)
            for b, a in zip(self.begin, self.angles, strict=True)
        ]
        spread = engine.cylinder_spread
        own = scenario.make_vehicle_rng(1, rng)
        self.charge = np.exp(spread * own.standard_normal(n)).tolist()
        self.fuel = np.exp(spread * own.standard_normal(n)).tolist()
        self._lay_out_coils(card.waste_pairs)
        self.sketcher = None
        if scenario.waves == "pieces":
            dice = Dice(scenario.make_vehicle_rng(3, rng.spawn(1)[0]))
            marks = {fault: draw_marks(fault, dice) for fault in scenario.fault}
            self.sketcher = Sketcher(scenario.coil, scenario.pieces, marks)
        self._lay_out_inertia()
        clocks = [FaultClock(f, rng) for f in scenario.fault if f.cylinder]
        at = {c: i for i, c in enumerate(self.order)}
        self.plug_clocks: list[list[FaultClock]] = [[] for _ in self.order]
        self.coil_clocks: list[list[FaultClock]] = [[] for _ in range(self.n_coils)]
        for clock in clocks:
            where = at[clock.fault.cylinder]
            if clock.fault.type in COIL_FAULTS:
                self.coil_clocks[self.coil_of[where]].append(clock)
            else:
                self.plug_clocks[where].append(clock)
        coolant_c = scenario.drive.coolant_c
        self.combustion = Combustion(engine, coolant_c=coolant_c, rng=rng)
        self.friction_bar = engine.friction_bar * (1 + 0.9 * self.combustion.cold)
        self.intake_k = 340.0 - 30.0 * self.combustion.cold
        self.bar_to_nm = engine.displacement_l * 1e-3 * 1e5 / (4 * math.pi)
        self.grip_nm = 6.0 * self.bar_to_nm + 120.0  # what the clutch carries
        standing = scenario.drive.condition in ("start", "crank")
        self.controls = Controls(self.plan, engine, standing=standing)
        self.firings: list[Firing] = []
        self.pushes: list[tuple[int, float, FloatArray]] = []  # first step, place, work of steps

    def _lay_out_coils(self, pairs: tuple[tuple[int, int], ...]) -> None:
        """Give each coil a number: which coil each entry of the firing order has, and its mate."""
        engine = self.scenario.engine
        n = engine.cylinders
        self.mate_of: list[int | None] = [None] * n
        self.coil_of = list(range(n))
        if engine.ignition == "distributor":
            self.coil_of = [0] * n
        elif engine.ignition == "wasted_spark":
            at = {c: i for i, c in enumerate(self.order)}
            for a, b in pairs:
                i, j = at[a], at[b]
                self.mate_of[i], self.mate_of[j] = j, i
                self.coil_of[j] = self.coil_of[i]
        self.n_coils = max(self.coil_of) + 1
        sparks = {"distributor": n, "wasted_spark": 2}.get(engine.ignition, 1)
        self.coil_interval_deg = 720.0 / sparks

    def _lay_out_inertia(self) -> None:
        """Add up what repeats every cycle: moving masses and the crankcase's air."""
        engine = self.scenario.engine
        inertia, case = np.zeros(STEPS), np.zeros(STEPS)
        for cylinder, begin in zip(self.cylinders, self.begin, strict=True):
            mass = cylinder.inertia_kgm2
            inertia += np.roll(mass, begin)
            case -= np.roll(1e5 * cylinder.dv_m3.reshape(STEPS, 2).sum(axis=1), begin)
        edges = 0.5 * (inertia + np.roll(inertia, 1)) + engine.inertia_kgm2
        self.inertia = edges.tolist()
        self.case_work = case

    def run(self) -> Run:
        """Run from before the recording to after its end.

        Returns
        -------
        run : Run
        """
        plan = self.plan
        controls = self.controls
        h = math.radians(STEP_DEG)
        w = plan.target_rpm[0] * math.pi / 30 if controls.started else SLOWEST
        starter = self._starter()
        inertia = self.inertia
        capacity = STEPS * 64
        work = np.resize(self.case_work, capacity)
        out_t, out_w, out_i = [plan.start_s], [w], [0.0]
        if not controls.started and not plan.starter[0] > 0:  # at rest until the key is turned
            rest_s = plan.starter.index(1.0) / PLAN_HZ
            out_t, out_w, out_i = [plan.start_s, plan.start_s + rest_s], [h / rest_s] * 2, [0.0] * 2
        wheel_w, twist, last_ratio = w, 0.0, 0.0
        line = _Driveline(0.0, 0.0, 1.0)
        time, step, queue_at, cycle_count = out_t[-1], len(out_t) - 1, 0, 0
        queue = sorted((b, i) for i, b in enumerate(self.begin))
        while time < plan.stop_s:
            tick = min(len(plan.in_gear) - 1, int((time - plan.start_s) * PLAN_HZ))
            due, which = queue[queue_at]
            due += cycle_count * STEPS
            if due + STEPS + 2 > capacity:
                work = np.concatenate((work, np.resize(self.case_work, capacity)))
                capacity *= 2
            if due <= step:
                total = self._fire(which, cycle_count, w, time, tick)
                work[due : due + STEPS] += total
                if self.scenario.engine.torsion_hz > 0:
                    far = place_throw(self.order[which], len(self.order))
                    self.pushes.append((due, far, total.astype(np.float32)))
                queue_at += 1
                if queue_at == len(queue):
                    queue_at, cycle_count = 0, cycle_count + 1
                continue
            # a stretch under constant loads, at most an eighth of a cycle
            until = min(due, step + STEPS // 8)
            radians = (until - step) * h
            in_gear = controls.is_in_gear(tick, w, time)
            controls.update(
                tick, w, seconds=radians / max(w, 5.0), radians=radians, in_gear=in_gear
            )
            friction = self._friction_nm(tick, w)
            road_load = 0.0
            if in_gear:
                ratio = plan.ratio[tick] * controls.lower
                if ratio != last_ratio:
                    line = self._driveline(ratio)
                    wheel_w *= ratio / last_ratio if last_ratio else 1.0
                    last_ratio = ratio
                road_load = self._road_load_nm(tick, wheel_w, ratio)
            else:
                twist = 0.0
                friction += 0.35 * plan.road_nm[tick]
                if not last_ratio:
                    wheel_w = w
            starter_on = controls.is_cranking
            extra_j = starter.inertia_kgm2 if starter_on else 0.0
            spring, damping, mass = line.spring, line.damping, line.mass_kgm2
            grip = self.grip_nm
            for amount in work[step:until].tolist():
                clutch = current = 0.0
                if in_gear:
                    slip = w - wheel_w
                    clutch = spring * twist + damping * slip
                    if clutch > grip:
                        clutch = grip
                    elif clutch < -grip:
                        clutch = -grip
                    else:
                        twist += slip * h / w
                torque = -friction - clutch
                if starter_on and w < starter.top:
                    current = 1 - w / starter.top
                    torque += starter.stall_nm * current
                at = step % STEPS
                energy = 0.5 * (inertia[at] + extra_j) * w * w + amount + torque * h
                square = 2 * energy / (inertia[(at + 1) % STEPS] + extra_j)
                new = math.sqrt(square) if square > SLOWEST * SLOWEST else SLOWEST
                dt = 2 * h / (w + new)
                if in_gear:
                    wheel_w += (clutch - road_load) / mass * dt
                    if wheel_w < 1.0:
                        wheel_w = 1.0
                w = new
                time += dt
                step += 1
                out_t.append(time)
                out_w.append(w)
                out_i.append(current)
        return self._finish(out_t, out_w, out_i)

    def _starter(self) -> _Starter:
        """Size the starter so that the crank turns at about the scenario's cranking speed."""
        mean_nm = (0.8 * self.friction_bar + 0.25) * self.bar_to_nm
        top = 1.6 * self.scenario.drive.starter_rpm * math.pi / 30
        litres = self.scenario.engine.displacement_l
        return _Starter(mean_nm * 1.6 / 0.6, top, 0.35 * math.sqrt(litres / 1.6))

    def _friction_nm(self, tick: int, w: float) -> float:
        """Friction and what the belt drives."""
        drive = self.scenario.drive
        share = 0.8 + 0.2 * w / self.controls.w_idle
        torque = self.friction_bar * share * self.bar_to_nm
        torque += drive.accessory_nm * (1.0 if self.controls.started else 0.2)
        return torque + (self.plan.compressor_nm[tick] if w > 42.0 else 0.0)

    def _driveline(self, ratio: float) -> _Driveline:
        """Spring, damping and vehicle mass at the crank, for one torsional mode in this gear."""
        drive = self.scenario.drive
        mass = drive.vehicle_kg * WHEEL_M**2 / ratio**2
        omega = 2 * math.pi * drive.spring_hz
        whole = 1 / self.scenario.engine.inertia_kgm2 + 1 / mass
        return _Driveline(omega**2 / whole, 2 * drive.spring_damping * omega / whole, mass)

    def _road_load_nm(self, tick: int, wheel_w: float, ratio: float) -> float:
        """Add up rolling, air, brake and the road's unevenness, at the crank."""
        drive = self.scenario.drive
        speed = wheel_w / ratio * WHEEL_M
        force = drive.vehicle_kg * 9.81 * 0.012 + 0.42 * speed * speed
        if self.controls.is_cut and self.controls.error < -0.2:
            force += 2.0 * drive.vehicle_kg  # the brake as well: 2 m/s2
        return force * WHEEL_M / ratio + self.plan.road_nm[tick]

    def _fire(self, which: int, cycle_count: int, w: float, time: float, tick: int) -> FloatArray:
        """Decide the coming power stroke of one cylinder; gives the work of its steps."""
        scenario, rng, controls = self.scenario, self.rng, self.controls
        drive = scenario.drive
        rpm, load = w * 30 / math.pi, controls.intake_bar
        cylinder, coil = self.cylinders[which], self.coil_of[which]
        about = (load, time, scenario.duration_s)
        own = find_changes(self.plug_clocks[which], rng, *about)
        coil_changes = find_changes(self.coil_clocks[coil], rng, *about)
        advance = controls.compute_advance(rpm)
        cycle = cycle_count + self.first_cycle[which]
        supply = drive.battery_v if controls.started else drive.cranking_v
        firing = Firing(
            cycle=cycle,
            cylinder=self.order[which],
            coil=coil,
            off_deg=self.angles[which] + 720.0 * cycle - advance,
            rpm=rpm,
            intake_bar=load,
            fuel_cut=controls.is_cut or self.plan.fuel[tick] <= 0,
            fault_active=own.is_active or coil_changes.is_active,
            supply_v=supply + 0.05 * float(rng.standard_normal()),
        )
        # a leak has more time at a slow speed
        sealing = 1 - (1 - own.sealing) * math.sqrt(80.0 / (w + 60.0))
        intake = load * self.charge[which] * sealing
        density = cylinder.compute_density(intake, self.intake_k, -advance)
        mate, mate_at = None, self.mate_of[which]
        if mate_at is not None:
            mate_changes = find_changes(self.plug_clocks[mate_at], rng, *about)
            mate = PlugState(EXHAUST_DENSITY, mate_changes, 0.2)
            if mate_changes.is_open or mate_changes.extra_ohm or mate_changes.lead_gap_mm:
                firing.fault_active = True
        interval = self.coil_interval_deg / 6.0 / rpm
        dwell = compute_ecu_dwell(scenario.coil, supply, longest_s=0.7 * interval)
        dwell *= 1 + 0.004 * float(rng.standard_normal())
        flow = rpm / 2500.0 * (0.4 + load)
        plug, longest = PlugState(density, own, flow), max(1e-4, 0.97 * interval - dwell)
        if self.sketcher is not None:
            self.sketcher.spark(
                firing, plug, mate, coil_changes, rng, dwell_s=dwell, longest_s=longest
            )
        else:
            spark(
                firing, scenario.coil, plug, mate, coil_changes, rng,
                dwell_s=dwell, longest_s=longest,
            )  # fmt: skip
        self.firings.append(firing)
        closed = cylinder.closed_work * intake
        if sealing < 1:  # what leaks out on the way up is missing on the way down
            closed = np.where(cylinder.phase_deg[::2] > 0, closed * (0.75 + 0.25 * sealing), closed)
        total = closed + cylinder.intake_work * load + cylinder.exhaust_work * EXHAUST_BAR
        if not firing.fuel_cut:
            burn = self.combustion.decide(
                firing,
                place=which,
                richness=self.fuel[which] * own.fuel_share,
                intake_bar=intake,
                advance_deg=advance,
            )
            if burn is not None:
                total += cylinder.compute_combustion(
                    burn.heat_j * sealing,
                    start_deg=burn.start_deg,
                    duration_deg=burn.duration_deg,
                )
            # an injector without its pulse is one way to have no fuel
            firing.fuel_ms = (1.2 + 9.0 * load) * (own.fuel_share if own.fuel_share < 0.5 else 1.0)
        firing.work_j = float(total.sum())
        return np.asarray(total)

    def _finish(self, out_t: list[float], out_w: list[float], out_i: list[float]) -> Run:
        """Put instants on the firings."""
        time, speed = np.array(out_t), np.array(out_w)
        edge_deg = self.first_deg + STEP_DEG * np.arange(time.size)
        off = np.array([f.off_deg for f in self.firings])
        instants = find_instants(off, first_deg=self.first_deg, time_s=time, speed=speed)
        for firing, instant in zip(self.firings, instants.tolist(), strict=True):
            firing.off_s = instant
        cycles = np.arange(math.ceil(edge_deg[0] / 720), math.floor(edge_deg[-1] / 720) + 1)
        return Run(
            first_deg=self.first_deg,
            time_s=time,
            speed=speed,
            starter_share=np.array(out_i),
            firings=sorted(self.firings, key=lambda f: f.off_deg),
            coil_of=dict(zip(self.order, self.coil_of, strict=True)),
            cycle_s=np.interp(cycles * 720.0, edge_deg, time),
            twist_rad=self._twist(time),
        )

    def _twist(self, time_s: FloatArray) -> FloatArray | None:
        """Let the cylinders' torque twist the crank."""
        engine = self.scenario.engine
        if not engine.torsion_hz > 0:
            return None
        work = np.zeros(time_s.size + STEPS)
        for due, far, pushed in self.pushes:
            part = work[due : due + STEPS]
            part += far * pushed[: part.size]
        return compute_twist(work[: time_s.size - 1] / math.radians(STEP_DEG), time_s, engine)
