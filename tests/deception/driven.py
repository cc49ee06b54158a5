"""Kinds of deception by driver, control unit and load, made after all that other parts led to.

Nothing was made with them before their first count. What each does is common practice of the trade;
the sizes are drawn wide.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate.engine.drive import PLAN_HZ
from misfire.simulate.engine.run import EngineRun
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import Scenario
from tests.deception.vehicles import (
    Kind,
    Rng,
    Vehicle,
    change_counts,
    find_role,
    has_crank,
    make_ruled,
    runs,
)

LONG_S, SLOW_HZ = 15.0, 100e3  # where the crank decides: more cycles, fewer samples
Timing = Callable[[int, float], float]  # place in the order, time [s] -> retard [deg]


def play_long(v: Vehicle, run: Callable[..., EngineRun], **changes: Any) -> SimulatedRecording:
    """Play a vehicle for longer, at a slower rate."""
    slow = tuple(replace(i, rate_hz=min(i.rate_hz, SLOW_HZ)) for i in v.scenario.instrument)
    return v.play(run, instrument=slow, duration_s=LONG_S, **changes)


def make_timed(retard_deg: Timing) -> Callable[..., EngineRun]:
    """Make an engine whose sparks come later by an angle of each cylinder's own."""

    class Timed(EngineRun):
        """An engine timed by cylinder."""

        _at = (0, 0.0)

        def __init__(self, scenario: Scenario, rng: Rng) -> None:
            super().__init__(scenario, rng)
            plain = self.controls.compute_advance
            self.controls.compute_advance = lambda rpm: plain(rpm) - retard_deg(*self._at)

        def _fire(self, which: int, cycle_count: int, w: float, time: float, tick: int) -> Any:
            self._at = (which, time)
            return super()._fire(which, cycle_count, w, time, tick)

    return Timed


def make_loaded(
    load_nm: Callable[[float], float], base: Callable[..., EngineRun] = EngineRun
) -> Callable[..., EngineRun]:
    """Make an engine that drives something else beside, by time [s]."""

    class Loaded(base):  # type: ignore[valid-type]
        """An engine with another load."""

        def _friction_nm(self, tick: int, w: float) -> float:
            extra = load_nm(self.plan.start_s + tick / PLAN_HZ) if w > 42.0 else 0.0
            return float(super()._friction_nm(tick, w)) + extra

    return Loaded


def strike_in_a_row(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Lift the foot before each gear change: cylinders in a row lose one firing, then it is over.

    All but one of them, so that a count by cylinder looks uneven after a few.
    """
    n = v.scenario.engine.cylinders
    period = float(rng.uniform(2.0, 4.5))
    word, turns = str(rng.choice(("fuel", "spark"))), int(rng.integers(1, 3))
    struck = {"period": -1, "first": 0}

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        index = count * n + place
        if time > 0 and int(time / period) != struck["period"]:
            struck.update(period=int(time / period), first=index)
        begun = struck["period"] > 0 and index - struck["first"] < turns * n - 1
        return word if begun else ""

    drive = v.drive(condition="drive", shift_s=period, blip_s=0.0)
    return play_long(v, make_ruled(rule), drive=drive)


def lose_sync_beside(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Lose the crank for moments in which the control unit fires one coil a little beside."""
    n = v.scenario.engine.cylinders
    chosen, chance = int(rng.integers(n)), float(rng.uniform(0.03, 0.25))
    beside = float(rng.choice((-1, 1)) * rng.uniform(8, 28))
    moments: list[float] = []

    def retard(place: int, time: float) -> float:
        if place == chosen and time > 0 and rng.random() < chance:
            moments.append(time)
            return beside
        return 0.0

    sim = play_long(v, make_timed(retard))
    before, after = (float(x) for x in rng.uniform(0.003, 0.05, 2))
    firings = [f for f in sim.run.firings if f.cylinder == v.scenario.engine.firing_order[chosen]]
    offs = np.array([f.off_s for f in firings])
    hit = [float(offs[np.searchsorted(offs, m)]) for m in moments if m < offs[-1]]

    def lose(i: int, counts: Any) -> Any:
        rate, out = sim.channels[i].rate_hz, counts.astype(float)
        for off in hit:
            a, b = max(0, int((off - before) * rate)), max(0, int((off + after) * rate))
            out[a:b] = np.median(counts) + rng.normal(0, 2, out[a:b].size)
        return out

    return change_counts(sim, lose, find_role(sim, "crank"))


def crank_without_spark(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the starter turn an engine none of whose coils is ever switched."""
    condition = str(rng.choice(("crank", "start")))
    ruled = make_ruled(lambda place, count, time, rpm: "spark")
    return v.play(ruled, drive=v.drive(condition=condition, blip_s=0.0), duration_s=8.0)


def step_the_load(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Turn the steering to its stop and switch the compressor: steps of load with a pump's beat."""
    litres = v.scenario.engine.displacement_l
    size, period = litres * float(rng.uniform(4, 14)), float(rng.uniform(0.6, 3.0))
    beat_hz, deep = float(rng.uniform(3, 14)), float(rng.uniform(0, 0.6))

    def load(time: float) -> float:
        on = (time / period) % 1.0 < 0.45
        return size * (1 + deep * np.sin(2 * np.pi * beat_hz * time)) if on else 0.0

    drive = v.drive(condition="idle", blip_s=0.0)
    return play_long(v, make_loaded(load), drive=drive)


def shudder(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the converter's lock-up clutch grab and slip, often near once a cycle."""
    litres = v.scenario.engine.displacement_l
    drive = v.drive(condition="cruise", blip_s=0.0, cruise_rpm=float(rng.uniform(1100, 2000)))
    cycle_hz = drive.cruise_rpm / 120.0
    hertz = cycle_hz * float(rng.normal(1.0, 0.03)) if rng.random() < 0.6 else rng.uniform(6, 18)
    size, period = litres * float(rng.uniform(5, 30)), float(rng.uniform(2, 5))
    share = float(rng.uniform(0.2, 0.7))

    def load(time: float) -> float:
        on = (time / period) % 1.0 < share
        return size * float(np.sin(2 * np.pi * hertz * time)) if on else 0.0

    return play_long(v, make_loaded(load), drive=drive)


def hunt_at_idle(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the idle control hunt: speed, load and timing swing, deep enough to lose a beat."""
    litres = v.scenario.engine.displacement_l
    hertz, size = float(rng.uniform(0.3, 1.8)), litres * float(rng.uniform(3, 10))
    lean = float(rng.choice((0.0, 0.0, 0.15, 0.4)))  # chance of a lost firing at the lowest speed
    dice = np.random.default_rng(int(rng.integers(1 << 30)))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        low = np.sin(2 * np.pi * hertz * time - 1.0) > 0.7
        return "fuel" if low and dice.random() < lean else ""

    base = make_ruled(rule, retard_deg=lambda time: 6.0 * float(np.sin(2 * np.pi * hertz * time)))
    run = make_loaded(lambda time: size * float(np.sin(2 * np.pi * hertz * time)), base)
    return play_long(v, run, drive=v.drive(condition="idle", blip_s=0.0))


def rest_half_on_overrun(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Switch half of the engine off whenever the foot is lifted; they come back in turn.

    Every other one of the firing order, or a bank by the cylinders' numbers. Never the sparks of a
    coil for two: that its pair of cylinders stops in bouts is what a bad coil looks like.
    """
    engine = v.scenario.engine
    order, n, side = engine.firing_order, engine.cylinders, int(rng.integers(2))
    word = str(rng.choice(("fuel", "spark")))
    if engine.ignition != "coil_on_plug":
        word = "fuel"
    rests = [place % 2 == side for place in range(n)]
    if n >= 6 and rng.random() < 0.5:
        low = bool(rng.integers(2))  # numbered bank by bank, or across
        rests = [(c <= n // 2) == bool(side) if low else c % 2 == side for c in order]
    period, share = float(rng.uniform(2, 6)), float(rng.uniform(0.15, 0.5))
    stagger = float(rng.uniform(0.0, 0.15))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        lasts = share * period + stagger * place
        return word if rests[place] and time > 0 and time % period < lasts else ""

    return play_long(v, make_ruled(rule), drive=v.drive(condition="overrun", blip_s=0.0))


def knock_and_retard(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the knock control retard each cylinder by steps and creep back, some far more often."""
    n = v.scenario.engine.cylinders
    step, back = float(rng.uniform(2, 5)), float(rng.uniform(0.05, 0.4))
    chance = np.clip(0.03 * rng.lognormal(0, 1.2, n), 0, 0.4)
    held = np.zeros(n)

    def retard(place: int, time: float) -> float:
        held[place] = min(14.0, max(0.0, held[place] - back))
        held[place] += step if rng.random() < chance[place] else 0.0
        return float(held[place])

    drive = v.drive(condition=str(rng.choice(("cruise", "drive"))), blip_s=0.0)
    return play_long(v, make_timed(retard), drive=drive)


def has_swing(s: Scenario) -> bool:
    """A recorded crank of an engine that runs and has several cylinders."""
    return runs(s) and has_crank(s) and s.engine.cylinders > 2


DRIVEN: dict[str, Kind] = {
    "struck in a row": Kind(strike_in_a_row, want=has_swing),
    "sync lost, kick beside": Kind(
        lose_sync_beside, want=lambda s: has_swing(s) and s.engine.ignition == "coil_on_plug"
    ),
    "cranks without spark": Kind(
        crank_without_spark,
        empty=True,
        want=lambda s: has_crank(s) and any(c.role == "coil_primary" for c in s.channel),
    ),
    "steering and compressor": Kind(step_the_load, want=has_swing),
    "lock-up shudder": Kind(shudder, want=has_swing),
    "idle hunts": Kind(hunt_at_idle, want=has_swing),
    "half rests on overrun": Kind(
        rest_half_on_overrun, want=lambda s: has_crank(s) and s.engine.cylinders in (4, 6, 8)
    ),
    "knock control": Kind(knock_and_retard, want=has_swing),
}
