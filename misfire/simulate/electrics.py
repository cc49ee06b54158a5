"""The car's other electrics: supply level, starter, trigger lines and injectors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.firing import Firing
from misfire.simulate.engine.run import Run
from misfire.simulate.engine.track import FloatArray, Grid
from misfire.simulate.scenario import Scenario
from misfire.simulate.wheel import make_levels

Float32Array = NDArray[np.float32]
RIPPLE_PER_TURN = 90.0  # 12 poles, six pulses a pole pair, belt 2.5: alternator ripple a crank turn


def compute_starter_a(scenario: Scenario, share: FloatArray) -> FloatArray:
    """Turn the starter's share of its stall torque into current [A]."""
    litres = scenario.engine.displacement_l
    return np.where(share > 0, 45.0 + 420.0 * np.sqrt(litres / 1.6) * share, 0.0)


def make_supply(scenario: Scenario, run: Run, grid: Grid, rng: np.random.Generator) -> Float32Array:
    """Compute the battery voltage: charging level with ripple, dips while the starter turns.

    Parameters
    ----------
    scenario : Scenario
    run : Run
    grid : Grid
    rng : Generator

    Returns
    -------
    volts : float32 array [shape=(grid.n,), unit=V]
    """
    drive = scenario.drive
    ripple_v = float(rng.uniform(0.02, 0.12))
    if not np.any(run.starter_share > 0):
        volts = np.full(grid.n, drive.battery_v, np.float32)
        block = 1 << 15  # the ripple's pitch follows the speed from block to block
        for start in range(0, grid.n, block):
            n = min(block, grid.n - start)
            mid_s = grid.start_s + (start + n / 2) * grid.period_s
            speed = float(np.interp(mid_s, run.time_s, run.speed))
            angle = speed * RIPPLE_PER_TURN * grid.period_s * np.arange(n, dtype=np.float32)
            volts[start : start + n] += np.float32(ripple_v) * np.sin(angle)
        return volts
    amps = compute_starter_a(scenario, run.starter_share)
    mean = float(np.mean(amps[amps > 0]))
    rest = 12.5
    edges = np.where(amps > 0, rest - (rest - drive.cranking_v) * amps / mean, rest)
    ran = run.speed > 0.7 * scenario.engine.idle_rpm * np.pi / 30
    edges = np.where((amps <= 0) & ran, drive.battery_v, edges)
    time = grid.start_s + np.arange(grid.n) * grid.period_s
    return np.asarray(np.interp(time, run.time_s, edges), np.float32)


def make_starter_current(scenario: Scenario, run: Run, grid: Grid) -> Float32Array:
    """Compute the starter's current: one hump for each compression [A]."""
    time = grid.start_s + np.arange(grid.n) * grid.period_s
    amps = compute_starter_a(scenario, run.starter_share)
    begin = np.flatnonzero(np.diff((amps > 0).astype(int)) == 1)
    for edge in run.time_s[begin]:  # inrush of the motor at rest
        late = run.time_s - edge
        amps = amps + np.where(late > 0, 350.0 * np.exp(-late / 0.03), 0.0) * (amps > 0)
    return np.asarray(np.interp(time, run.time_s, amps), np.float32)


def make_trigger(firings: list[Firing], cylinders: tuple[int, ...], grid: Grid) -> Float32Array:
    """Make a coil's trigger line: high for the commanded dwell [V]."""
    coils = {f.coil for f in firings if f.cylinder in cylinders} if cylinders else None
    off, on = [], []
    for firing in firings:
        if firing.commanded_s <= 0 or (coils is not None and firing.coil not in coils):
            continue
        off.append(firing.off_s)
        on.append(firing.off_s - firing.commanded_s)
        for delay, strike in firing.strikes[1:]:
            off.append(firing.off_s + delay)
            on.append(firing.off_s + delay - strike.dwell_s)
    return make_levels(np.array(on), np.array(off), grid, low=0.05, high=5.0)


def _injections(run: Run, cylinders: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Start and length of each injection [s]; it ends before the intake valve opens."""
    chosen = [f for f in run.firings if f.fuel_ms > 0 and f.cylinder in cylinders]
    end_deg = np.array([f.off_deg - 380.0 for f in chosen])
    end_s = run.find(end_deg)
    length = np.array([f.fuel_ms for f in chosen]) * 1e-3
    good = np.isfinite(end_s)
    return end_s[good] - length[good], length[good]


def draw_injector_voltage(
    volts: Float32Array, run: Run, cylinders: tuple[int, ...], grid: Grid, clamp_v: float
) -> None:
    """Pull a supply level low for each injection and add the switch-off kick; in place."""
    for start, length in zip(*_injections(run, cylinders), strict=True):
        edges = np.array([start, start + length, start + length + 2.5e-3])
        first, off, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        volts[first:off] = 0.25
        late = grid.start_s + np.arange(off, last) * grid.period_s - start - length
        kick = (clamp_v - 14.0) * np.exp(-np.maximum(0.0, late - 40e-6) / 200e-6)
        pintle = -1.5 * np.exp(-(((late - 1.0e-3) / 120e-6) ** 2))  # the needle lands
        volts[off:last] += (kick + pintle).astype(np.float32)


def draw_injector_current(
    amps: Float32Array, run: Run, cylinders: tuple[int, ...], grid: Grid, supply_v: float
) -> None:
    """Add the ramps of saturating injectors, with the notch of the opening needle; in place."""
    ohm, henry = 13.0, 16e-3
    for start, length in zip(*_injections(run, cylinders), strict=True):
        edges = np.array([start, start + length])
        first, off = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        on = grid.start_s + np.arange(first, off) * grid.period_s - start
        ramp = supply_v / ohm * (1 - np.exp(-on * ohm / henry))
        ramp -= 0.12 * np.exp(-(((on - 1.3e-3) / 200e-6) ** 2))
        amps[first:off] += ramp.astype(np.float32)
