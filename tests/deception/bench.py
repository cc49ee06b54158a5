"""Vehicles of a second, simple generator that shares nothing with the package.

Angles, torque pulses and coil voltages by closed forms; WAV files and a job card of its own.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.io import wavfile

Rng = np.random.Generator
Array = Any

ORDERS = {
    3: (1, 2, 3),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 4, 3, 6, 2, 5),
    8: (1, 3, 7, 2, 6, 5, 4, 8),
}
WHEELS = ((60, 2), (36, 1), (36, 2), (30, 1), (24, 2))
STEP_DEG = 1.0
SUPPLY_V, CLAMP_V, DWELL_MS = 13.9, 390.0, 2.8


@dataclass
class Line:
    """One channel as it was recorded and as the card tells of it."""

    role: str
    values: Array  # in `unit`
    unit: str
    cylinders: tuple[int, ...] = ()
    full: float = 1.0  # full scale of the instrument
    told_scale: float = 1.0  # of the true one
    file: int = 0
    told_rate: float = 1.0
    extra: str = ""


@dataclass
class Plan:
    """What each firing [shape=(n_cycles, n)] gets, by place in the firing order."""

    energy: Array  # share of the usual heat
    spark: Array  # 1: a spark, 0: no breakdown, -1: coil not switched
    advance: Array  # [deg]


@dataclass
class Bench:
    """A drawn engine on the bench: steady or swinging speed, sound or with one dead cylinder."""

    rng: Rng
    cylinders: int = 0
    ignition: str = "coil_on_plug"
    layout: int = 0
    rpm: float = 0.0
    faulty: int = 0
    fault: str = "fuel"
    strikes: int = 1
    seconds: float = 9.0
    swing: float = 0.0
    order: tuple[int, ...] = ()
    rate: float = 0.0
    card: dict[str, Any] = field(default_factory=dict)
    lines: list[Line] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Draw what was not given."""
        rng = self.rng
        n = self.cylinders or int(rng.choice((3, 4, 4, 4, 5, 6, 6, 8)))
        self.cylinders, self.order = n, ORDERS[n]
        if self.ignition == "coil_on_plug" and n % 2 == 0 and rng.random() < 0.25:
            self.ignition = "wasted_spark"
        self.rpm = self.rpm or float(rng.choice((720, 850, 1100, 1900, 2600)))
        self.rate = self.rate or float(rng.choice((50e3, 100e3)))
        self.layout = self.layout or int(rng.integers(1, 6))
        self.positions, self.missing = WHEELS[int(rng.integers(len(WHEELS)))]
        self.tdc = float(np.round(rng.uniform(60, 120)))
        self.sensor = str(rng.choice(("vr", "hall")))
        self.inertia = 0.05 * n * float(rng.uniform(0.7, 1.4))
        self.swing = self.swing or float(rng.choice((0.0, 0.0, 0.15, 0.3)))
        self.cov = float(rng.uniform(0.03, 0.08))
        self.n_cycles = int(self.seconds * self.rpm / 120) + 2

    def plan(self) -> Plan:
        """Let every firing burn, but those of a faulty cylinder."""
        rng, shape = self.rng, (self.n_cycles, self.cylinders)
        energy = np.clip(1 + self.cov * rng.standard_normal(shape), 0.2, 2)
        plan = Plan(energy, np.ones(shape), 12 + 0.5 * rng.standard_normal(shape))
        if self.faulty:
            place = self.order.index(self.faulty)
            hit = rng.random(self.n_cycles) < 0.5
            if self.fault != "fuel":
                plan.spark[hit, place] = 0
            plan.energy[hit, place] = 0.0
        return plan

    def turn(self, plan: Plan, *, starter: bool = False) -> None:
        """Integrate the crank over its angle; keeps `time` [s] against `angle` [deg]."""
        n, total = self.cylinders, 720 * self.n_cycles
        deg = np.arange(-180, 181)
        motored = 55.0 * np.sin(np.radians(deg)) * np.exp(-((deg / 55.0) ** 2))
        burn_deg = np.arange(150)
        burn = burn_deg * np.exp(-burn_deg / 28.0)
        burn /= burn.sum() * np.radians(STEP_DEG)
        work = 25.0 * 4 * np.pi  # 25 Nm for each litre's worth of four cylinders
        heat = plan.energy * work / 4 * (1 + self.rpm / 4000)
        torque = np.zeros(total + 800)
        for k in range(self.n_cycles):
            for i in range(n):
                at = 720 * k + round(720 * i / n) + 360
                torque[at - 180 : at + 181] += motored
                torque[at : at + 150] += heat[k, i] * burn
        load0 = float(np.median(heat)) * n / (4 * np.pi) if not starter else 0.0
        slow = np.cumsum(self.rng.standard_normal(total // 90 + 2))
        slow -= np.linspace(slow[0], slow[-1], slow.size)
        slow = np.interp(np.arange(total), 90 * np.arange(slow.size), slow)
        slow *= 1.0 / (np.std(slow) or 1)
        target = self.rpm * np.pi / 30
        w2, step, mean = target**2, np.radians(STEP_DEG), target
        times, now = np.zeros(total), 0.0
        swing_deg = 720 * max(8, self.n_cycles // 4)
        gain = 0.6 * self.inertia * target / 30
        for d in range(total):
            w = max(w2, 1.0) ** 0.5
            mean += (w - mean) * 0.002
            want = target * (1 + self.swing * np.sin(2 * np.pi * d / swing_deg))
            load = load0 + (40 if starter else 1) * gain * (mean - want) + 0.8 * slow[d]
            w2 += 2 * (torque[d] - load) * step / self.inertia
            if w2 < 16.0:  # it stands
                times = times[:d]
                break
            now += step / w
            times[d] = now
        self.time, self.angle = times, np.arange(times.size) * STEP_DEG
        self.n_samples = int(self.rate * min(self.seconds, float(times[-1]) - 0.01))

    def record(self, plan: Plan | None = None, *, starter: bool = False) -> "Bench":
        """Turn the engine and fill the channels of the layout."""
        plan = plan or self.plan()
        self.turn(plan, starter=starter)
        names = sorted(self.order)
        pairs = [(c,) for c in names]
        if self.ignition == "wasted_spark":
            half = self.cylinders // 2
            pairs = [(self.order[i], self.order[i + half]) for i in range(half)]
        crank = Line("crank", self.draw_crank(), "V", full=12.0)
        volts = [Line("coil_primary", self.draw_volts(plan, p), "V", p, 420.0) for p in pairs]
        feed = Line("coil_current", self.draw_amps(plan, names), "A", full=20.0)
        match self.layout:
            case 1:
                self.lines = [crank, volts[0]]
            case 2:
                self.lines = [crank, *volts]
            case 3:
                self.lines = [crank, feed]
            case 4:
                self.lines = volts
            case _:
                self.lines = [crank, volts[0], feed]
        return self

    def draw_crank(self) -> Array:
        """Draw the crank sensor."""
        t = np.arange(self.n_samples) / self.rate
        angle = np.interp(t, self.time, self.angle) + self.tdc
        place = angle * self.positions / 360.0 + 0.5
        tooth = np.floor(place).astype(int) % self.positions
        x = place % 1 - 0.5
        there = tooth < self.positions - self.missing
        if self.sensor == "hall":
            level = np.where((x < 0) & there, 5.0, 0.1)
            return level + self.rng.normal(0, 0.02, t.size)
        w = np.gradient(place) * self.rate
        w /= np.median(w)
        wave = np.zeros(t.size)
        for k in (-1, 0, 1):  # the fields of the teeth beside reach over
            near = (tooth + k) % self.positions < self.positions - self.missing
            wave -= np.where(near, (x - k) * np.exp(-(((x - k) / 0.25) ** 2) / 2), 0) / 0.15
        return 4.0 * np.clip(w, 0, 2.5) * wave + self.rng.normal(0, 0.02, t.size)

    def list_sparks(self, plan: Plan, cylinders: Any) -> Array:
        """List the switch-offs of the coil of some cylinders: time [s], spark."""
        found = []
        for k in range(self.n_cycles):
            for i, c in enumerate(self.order):
                if c in cylinders:
                    at = 720 * k + 720 * i / self.cylinders + 360 - plan.advance[k, i]
                    rows = (at,) if self.ignition != "wasted_spark" else (at - 360, at)
                    rows = rows if len(cylinders) <= 2 or self.ignition == "coil_on_plug" else (at,)
                    if self.ignition == "wasted_spark":
                        rows = (at,)  # the mate's own firing is this one's waste spark
                    found += [(a, plan.spark[k, i]) for a in rows]
        rows = np.array(sorted(found))
        rows = rows[(rows[:, 0] > 20) & (rows[:, 0] < self.angle[-1] - 20)]
        rows[:, 0] = np.interp(rows[:, 0], self.angle, self.time)
        return rows

    def draw_volts(self, plan: Plan, cylinders: Any) -> Array:
        """Draw a coil's primary voltage."""
        out = np.full(self.n_samples, SUPPLY_V)
        rng, rate = self.rng, self.rate
        for at, spark in self.list_sparks(plan, cylinders):
            for strike in range(self.strikes):
                self.put_stroke(out, at + 1.4e-3 * strike, spark, rng, rate, strike)
        return out + rng.normal(0, 0.15, out.size)

    def put_stroke(
        self, out: Array, at: float, spark: float, rng: Rng, rate: float, k: int
    ) -> None:
        """Write one charge and discharge."""
        if spark < 0:
            return
        off = round(at * rate)
        on = off - round((DWELL_MS if k == 0 else 0.5) * 1e-3 * rate)
        if on < 0 or off + round(6e-3 * rate) > out.size:
            return
        out[on:off] = 1.1 + 3.0 * np.linspace(0, 1, off - on) * 0.4
        t = np.arange(round(6e-3 * rate)) / rate
        if spark > 0:
            peak = float(np.clip(rng.normal(230, 25), 120, CLAMP_V))
            burn = float(np.clip(rng.normal(1.5, 0.08), 0.7, 2.5)) * 1e-3
            if self.strikes > 1 and k < self.strikes - 1:
                burn = 0.85e-3
            line = SUPPLY_V + 14 + 9 * t / burn
            wave = line + (peak - line) * np.exp(-t / 12e-6) * np.cos(2 * np.pi * 20e3 * t)
            after = t - burn
            ring = 38 * np.exp(-after / 0.35e-3) * np.cos(2 * np.pi * 2.5e3 * after)
            wave = np.where(after < 0, wave, SUPPLY_V + ring)
        else:
            wave = SUPPLY_V + CLAMP_V * 0.97 * np.exp(-t / 0.4e-3) * np.cos(2 * np.pi * 3.1e3 * t)
        out[off : off + t.size] = wave

    def draw_amps(self, plan: Plan, cylinders: Any) -> Array:
        """Draw the current of the coils of some cylinders."""
        out = np.zeros(self.n_samples)
        if self.ignition == "wasted_spark":
            pass
        for at, spark in self.list_sparks(plan, cylinders):
            if spark < 0:
                continue
            off = round(at * self.rate)
            on = off - round(DWELL_MS * 1e-3 * self.rate)
            if on >= 0 and off < out.size:
                ramp = np.arange(off - on) / self.rate * 1e3
                out[on:off] += 10.5 * (1 - np.exp(-ramp / 2.8))
        return out + self.rng.normal(0, 0.03, out.size)

    def find(self, *roles: str) -> list[Line]:
        """List the channels of some roles."""
        return [line for line in self.lines if line.role in roles]

    def change(self, change: Callable[[Line], Array], lines: Any = None) -> "Bench":
        """Give channels other values."""
        for line in self.lines if lines is None else lines:
            line.values = change(line)
        return self

    def write(self, folder: Path) -> Path:
        """Write the WAV files and the job card."""
        folder.mkdir(parents=True, exist_ok=True)
        told = {
            "cylinders": self.cylinders,
            "order": list(self.order),
            "ignition": self.ignition,
            "positions": self.positions,
            "missing": self.missing,
            "tdc": self.tdc,
            "sensor": None,
        } | self.card
        text = [
            '[vehicle]\nid = "bench"\n\n[engine]',
            f"cylinders = {told['cylinders']}\nfiring_order = {told['order']}",
            f'ignition = "{told["ignition"]}"\n',
        ]
        if self.find("crank"):
            text.append(f"[crank_wheel]\npositions = {told['positions']}")
            text.append(f"missing = {told['missing']}")
            text += [f"tdc_deg = {told['tdc']}"] if told["tdc"] is not None else []
            text += [f'sensor = "{told["sensor"]}"'] if told["sensor"] else []
        for file in sorted({line.file for line in self.lines}):
            own = [line for line in self.lines if line.file == file]
            n = min(line.values.size for line in own)
            table = np.stack([line.values[:n] / line.full * 32000 for line in own], axis=1)
            counts = np.clip(np.rint(table), -32768, 32767).astype(np.int16)
            rate = round(self.rate * own[0].told_rate)
            wavfile.write(folder / f"capture{file}.wav", rate, counts)
            for column, line in enumerate(own):
                text.append(f'\n[[channel]]\nrole = "{line.role}"\nfile = "capture{file}.wav"')
                text.append(f'column = {column}\nunit = "{line.unit}"')
                text.append(f"scale = {line.full / 32000 * line.told_scale!r}")
                if line.cylinders:
                    text.append(f"cylinders = {list(line.cylinders)}")
                text += [line.extra] if line.extra else []
        job = folder / "job.toml"
        job.write_text("\n".join(text) + "\n")
        return job
