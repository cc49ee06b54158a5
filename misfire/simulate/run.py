"""The running engine: torque to speed, step by step in crank angle, firing by firing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.cylinder import STEP_DEG, STEPS, Cylinder, make_cylinder
from misfire.simulate.drive import PLAN_HZ, Plan, make_plan
from misfire.simulate.faults import COIL_FAULTS, Changes, FaultClock, find_changes
from misfire.simulate.firing import Firing, PlugState, compute_ecu_dwell, spark
from misfire.simulate.gap import compute_ignition_probability
from misfire.simulate.scenario import Scenario
from misfire.simulate.track import find_instants

HEAT_J = 2250.0  # of the fuel in a litre of stoichiometric charge at 1 bar, less wall losses
EXHAUST_BAR = 1.04
SLOWEST = 3.0  # rad/s; below it the crank stands

FloatArray = NDArray[np.float64]


@dataclass(slots=True)
class Run:
    """What the engine did: instants of the step edges, speed there, and the firings in time order.

    `time_s[k]` is when the crank stood at `first_deg + k * STEP_DEG`; time 0 is the first sample.
    """

    first_deg: float
    time_s: FloatArray
    speed: FloatArray  # rad/s at the step edges
    starter_share: FloatArray  # of the starter's stall torque, at the step edges
    firings: list[Firing]
    cycle_s: FloatArray  # instant of each cycle's angle 0
    coil_of: dict[int, int]  # coil number of each cylinder


@dataclass(slots=True)
class _State:
    """The controls' memory between segments."""

    intake_bar: float
    flow: float
    integral: float = 0.0
    error: float = 0.0
    is_cut: bool = False
    closed_s: float = 0.0
    is_cranking: bool = False
    started: bool = True


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
        self.charge = np.exp(spread * rng.standard_normal(n)).tolist()
        self.fuel = np.exp(spread * rng.standard_normal(n)).tolist()
        self._lay_out_coils(card.waste_pairs)
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
        self.is_cold = scenario.drive.coolant_c < 40.0
        cold = max(0.0, 60.0 - scenario.drive.coolant_c) / 60.0
        self.friction_bar = engine.friction_bar * (1 + 0.9 * cold)
        self.cov = engine.cov * (1 + 1.0 * cold)
        self.intake_k = 340.0 - 30.0 * cold
        self.residual_boost = [0.0] * n
        self.firings: list[Firing] = []

    def _lay_out_coils(self, pairs: tuple[tuple[int, int], ...]) -> None:
        """Number the coils: which coil each entry of the firing order has, and its mate."""
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
        plan, scenario = self.plan, self.scenario
        drive, engine = scenario.drive, scenario.engine
        swept_l = engine.displacement_l
        h = math.radians(STEP_DEG)
        bar_to_nm = swept_l * 1e-3 * 1e5 / (4 * math.pi)
        w_idle = engine.idle_rpm * math.pi / 30
        w = plan.target_rpm[0] * math.pi / 30
        state = _State(intake_bar=0.35, flow=0.35)
        if drive.condition in ("start", "crank"):
            w, state = SLOWEST, _State(0.98, 0.45, started=False)
        w_start = drive.starter_rpm * math.pi / 30
        crank_nm = 0.8 * self.friction_bar * bar_to_nm + 0.25 * bar_to_nm
        starter_top = 1.6 * w_start
        starter_nm = crank_nm * 1.6 / 0.6
        starter_j = 0.35 * math.sqrt(swept_l / 1.6) * 1.0
        inertia = self.inertia
        capacity = STEPS * 64
        work = np.resize(self.case_work, capacity)
        out_t: list[float] = [plan.start_s]
        out_w: list[float] = [w]
        out_i: list[float] = [0.0]
        wheel_w, twist = w, 0.0
        spring = scaled_mass = 0.0
        damping = 0.0
        time, step = plan.start_s, 0
        queue = sorted((b, i) for i, b in enumerate(self.begin))
        queue_at = 0
        cycle_count = 0
        n = engine.cylinders
        sound = 2.0 * math.pi * drive.spring_hz
        last_ratio = 0.0
        while time < plan.stop_s:
            tick = min(len(plan.in_gear) - 1, int((time - plan.start_s) * PLAN_HZ))
            due, which = queue[queue_at]
            due += cycle_count * STEPS
            if due + STEPS + 2 > capacity:
                work = np.concatenate((work, np.resize(self.case_work, capacity)))
                capacity *= 2
            in_gear = plan.in_gear[tick] > 0
            # --- controls -----------------------------------------------------------------
            if due <= step:
                self._fire(which, cycle_count, work, step, w, time, state, tick)
                queue_at += 1
                if queue_at == n:
                    queue_at, cycle_count = 0, cycle_count + 1
                continue
            until = min(due, step + STEPS // 8)
            # --- loads of this segment ----------------------------------------------------
            dt_seg = (until - step) * h / max(w, 5.0)
            self._control(state, tick, w, dt_seg, (until - step) * h)
            rpm = w * 30 / math.pi
            friction = (
                self.friction_bar * (0.8 + 0.2 * w / w_idle) * bar_to_nm
                + drive.accessory_nm * (1 if state.started else 0.2)
                + plan.compressor_nm[tick] * (1.0 if rpm > 400 else 0.0)
            )
            road = plan.road_nm[tick]
            if in_gear:
                ratio = plan.ratio[tick]
                if ratio != last_ratio:
                    scaled_mass = drive.vehicle_kg * 0.31**2 / ratio**2
                    whole = 1 / engine.inertia_kgm2 + 1 / scaled_mass
                    spring = sound * sound / whole
                    damping = 2 * drive.spring_damping * sound / whole
                    wheel_w *= ratio / last_ratio if last_ratio else 1.0
                    last_ratio = ratio
                v = wheel_w / ratio * 0.31
                drag = (drive.vehicle_kg * 9.81 * 0.012 + 0.42 * v * v) * 0.31 / ratio
                road_load = drag + road
                grip = 6.0 * bar_to_nm + 120.0
            else:
                twist, road_load, grip = 0.0, 0.0, 0.0
                friction += 0.35 * road if road else 0.0
                if not last_ratio:
                    wheel_w = w
            extra_j = 0.0
            starter_on = state.is_cranking
            if starter_on:
                extra_j = starter_j
            # --- the steps ------------------------------------------------------------------
            for amount in work[step:until].tolist():
                slip = w - wheel_w
                clutch = 0.0
                if in_gear:
                    clutch = spring * twist + damping * slip
                    if clutch > grip:
                        clutch = grip
                    elif clutch < -grip:
                        clutch = -grip
                    else:
                        twist_rate = slip
                        twist += twist_rate * h / w
                current = 0.0
                torque = -friction - clutch
                if starter_on:
                    push = starter_nm * (1 - w / starter_top)
                    if push > 0:
                        torque += push
                        current = push / starter_nm
                at = step % STEPS
                energy = 0.5 * (inertia[at] + extra_j) * w * w + amount + torque * h
                nxt = inertia[(at + 1) % STEPS] + extra_j
                square = 2 * energy / nxt
                new = math.sqrt(square) if square > SLOWEST * SLOWEST else SLOWEST
                dt = 2 * h / (w + new)
                if in_gear:
                    wheel_w += (clutch - road_load) / scaled_mass * dt
                    if wheel_w < 1.0:
                        wheel_w = 1.0
                w = new
                time += dt
                step += 1
                out_t.append(time)
                out_w.append(w)
                out_i.append(current)
        return self._finish(out_t, out_w, out_i)

    def _control(
        self, state: _State, tick: int, w: float, seconds: float, radians: float
    ) -> None:
        """Set throttle, fuel and starter for the next stretch."""
        plan, engine = self.plan, self.scenario.engine
        w_idle = engine.idle_rpm * math.pi / 30
        if not state.started:
            if plan.starter[tick] and w < 0.55 * w_idle:
                state.is_cranking = True
            elif state.is_cranking and (w > 0.6 * w_idle or not plan.starter[tick]):
                state.is_cranking = False
                state.started = w > 0.5 * w_idle
        elif state.is_cranking:  # someone turns the key again
            state.is_cranking = w < 0.5 * w_idle
        elif w < 0.25 * w_idle:
            state.is_cranking = True
        wanted = plan.target_rpm[tick] * math.pi / 30
        error = (wanted - w) / w_idle
        state.error += (error - state.error) * min(1.0, seconds / 0.06)
        if plan.in_gear[tick]:
            slow = state.error
            state.integral += 0.5 * slow * seconds
            state.integral = min(0.6, max(-0.25, state.integral))
            goal = 0.42 + 0.9 * slow + state.integral
            closed = goal < 0.2
            goal = min(0.97, max(0.2, goal))
            state.closed_s = state.closed_s + seconds if closed else 0.0
            if state.closed_s > 0.25 and w > 1.5 * w_idle:
                state.is_cut = True
            elif not closed or w < 1.25 * w_idle:
                state.is_cut = False
        else:
            state.is_cut = False
            state.integral += 0.35 * state.error * seconds
            state.integral = min(0.5, max(-0.2, state.integral))
            state.flow = min(1.2, max(0.12, 0.33 + 0.35 * state.error + state.integral))
            state.flow += 2.5 * plan.blip[tick]
            goal = min(0.97, max(0.18, state.flow * w_idle / max(w, 0.3 * w_idle)))
        lag = 1 - math.exp(-radians / 7.0)  # the manifold fills within a revolution or two
        if w < 0.4 * w_idle:
            goal = 0.95
        state.intake_bar += (goal - state.intake_bar) * lag

    def _fire(
        self,
        which: int,
        cycle_count: int,
        work: FloatArray,
        step: int,
        w: float,
        time: float,
        state: _State,
        tick: int,
    ) -> None:
        """Decide the coming power stroke of one cylinder and add its work."""
        scenario, rng = self.scenario, self.rng
        engine, drive = scenario.engine, scenario.drive
        rpm = w * 30 / math.pi
        load = state.intake_bar
        cylinder = self.cylinders[which]
        about = {"load": load, "time_s": time, "duration_s": scenario.duration_s}
        own = find_changes(self.plug_clocks[which], rng, **about)
        coil_changes = find_changes(self.coil_clocks[self.coil_of[which]], rng, **about)
        mate_at = self.mate_of[which]
        advance = self._advance(load, rpm, state)
        if rpm < 420:
            advance = 5.0
        cycle = cycle_count + self.first_cycle[which]
        off_deg = self.angles[which] + 720.0 * cycle - advance
        supply = drive.battery_v if state.started else drive.cranking_v
        fuel_off = self.plan.fuel[tick] <= 0
        firing = Firing(
            cycle=cycle,
            cylinder=self.order[which],
            coil=self.coil_of[which],
            off_deg=off_deg,
            rpm=rpm,
            intake_bar=load,
            fuel_cut=state.is_cut or fuel_off,
            fault_active=own.is_active or coil_changes.is_active,
            supply_v=supply + 0.05 * float(rng.standard_normal()),
        )
        normal = rng.standard_normal(8).tolist()
        # a leak has more time at a slow speed
        sealing = 1 - (1 - own.sealing) * math.sqrt(80.0 / (w + 60.0)) if own.sealing < 1 else 1.0
        intake = load * self.charge[which] * sealing
        density = cylinder.compute_density(intake, self.intake_k, -advance)
        mate = None
        if mate_at is not None:
            mate_changes = find_changes(self.plug_clocks[mate_at], rng, **about)
            mate = PlugState(0.36, mate_changes, 0.2)
            firing.fault_active = firing.fault_active or mate_changes.is_open
        flow = rpm / 2500.0 * (0.4 + load)
        interval = self.coil_interval_deg / 6.0 / rpm
        dwell = compute_ecu_dwell(scenario.coil, supply, longest_s=0.7 * interval)
        dwell *= 1 + 0.004 * normal[0]
        spark(
            firing, scenario.coil, PlugState(density, own, flow), mate, coil_changes, rng,
            dwell_s=dwell, longest_s=max(1e-4, 0.97 * interval - dwell),
        )  # fmt: skip
        self.firings.append(firing)
        residual = min(0.4, max(0.04, 0.06 + 0.08 * (EXHAUST_BAR / max(0.15, load) - 1)))
        richness = self.fuel[which] * own.fuel_share
        heat = 0.0
        if not firing.fuel_cut:
            heat, start, length = self._burn(firing, richness, residual, advance, normal, intake, which)
        closed = cylinder.closed_work * intake
        if sealing < 1:  # what leaks out on the way up is missing on the way down
            closed = np.where(cylinder.phase_deg[::2] > 0, closed * (0.75 + 0.25 * sealing), closed)
        total = closed + cylinder.intake_work * load + cylinder.exhaust_work * EXHAUST_BAR
        if heat > 0:
            total += cylinder.compute_combustion(
                heat * sealing, start_deg=start, duration_deg=length
            )
        firing.work_j = float(total.sum())
        if not firing.fuel_cut:  # an injector without its pulse is one way to have no fuel
            firing.fuel_ms = (1.2 + 9.0 * load) * (own.fuel_share if own.fuel_share < 0.5 else 1.0)
        work[step : step + STEPS] += total

    def _advance(self, load: float, rpm: float, state: _State) -> float:
        """Spark advance before TDC [deg]: by load and speed; at idle it steadies the speed."""
        engine = self.scenario.engine
        share = min(1.0, max(0.0, (rpm / engine.idle_rpm - 1.15) / 1.5))
        base = engine.advance_idle_deg + share * (engine.advance_load_deg - engine.advance_idle_deg)
        base -= 14.0 * share * max(0.0, load - 0.6)
        if share < 0.1:
            base += min(7.0, max(-7.0, 60.0 * state.error))
        return base

    def _burn(
        self,
        firing: Firing,
        richness: float,
        residual: float,
        advance: float,
        normal: list[float],
        intake: float,
        which: int,
    ) -> tuple[float, float, float]:
        """Decide heat [J], start and duration [deg after TDC] of the combustion."""
        engine, rng = self.scenario.engine, self.rng
        burn_ms = firing.strikes[0][1].burn_s * 1e3 * len(firing.strikes) if firing.strikes else 0.0
        chance = compute_ignition_probability(
            firing.energy_mj / (1.5 if self.is_cold else 1.0),
            burn_ms,
            richness=richness,
            residual=residual,
        )
        boost, self.residual_boost[which] = self.residual_boost[which], 0.0
        if float(rng.random()) >= chance:
            firing.misfire = True
            self.residual_boost[which] = 0.06
            return 0.0, 0.0, 1.0
        light = min(1.0, max(0.0, (0.65 - firing.intake_bar) / 0.3))
        cov = self.cov * (0.35 + 0.65 * light)
        lean = max(0.0, 1.0 - richness)
        weak = 0.35 * (1.0 - chance)
        share = 1.0
        partial_chance = min(0.5, 0.06 * max(0.0, cov - 0.03) + 1.5 * max(0.0, lean - 0.2) + weak)
        if float(rng.random()) < partial_chance:
            share = float(rng.uniform(0.2, 0.8))
        slow = (
            (1 + 0.25 * firing.rpm / 3000.0)
            * (1 + 0.9 * (residual - 0.15))
            * (1 + 2.2 * lean + 0.4 * max(0.0, richness - 1.2))
        )
        length = engine.burn_deg * slow * math.exp((0.04 + 1.6 * cov) * normal[1])
        start = -advance + 0.16 * length * math.exp(0.25 * normal[2])
        fuel = richness if richness <= 1 else max(0.3, 1 - 0.3 * (richness - 1))
        heat = HEAT_J * intake * (1 - residual) * fuel * engine.displacement_l / engine.cylinders
        heat *= share * max(0.3, 1 + 0.6 * cov * normal[3]) * (1 + boost)
        firing.burned = share
        firing.partial = share < 0.7
        return heat, start, min(160.0, length)

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
        )
