"""A scenario played: the engine run, every channel drawn and sampled, the truth kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.coil_signal import CoilSignals, list_strokes
from misfire.simulate.electrics import (
    draw_injector_current,
    draw_injector_voltage,
    make_starter_current,
    make_supply,
    make_trigger,
)
from misfire.simulate.engine.coil import Discharge
from misfire.simulate.engine.pieces import Sketch
from misfire.simulate.engine.run import EngineRun, Run
from misfire.simulate.engine.torsion import see_from_end
from misfire.simulate.engine.track import FloatArray, Grid
from misfire.simulate.instrument import Digitizer, high_pass, make_grid
from misfire.simulate.piece_signal import PieceSignals
from misfire.simulate.scenario import ChannelModel, Scenario
from misfire.simulate.truth import make_truth
from misfire.simulate.wheel import Wheel, make_cam, make_crank

Float32Array = NDArray[np.float32]
Signals = CoilSignals | PieceSignals


@dataclass(frozen=True, slots=True)
class SimulatedChannel:
    """One sampled channel: value = counts x scale."""

    model: ChannelModel
    name: str
    unit: str
    counts: NDArray[np.int16]
    scale: float
    rate_hz: float
    instrument: int


@dataclass(frozen=True, slots=True)
class SimulatedRecording:
    """All channels of a scenario and the truth (the keys of truth.json)."""

    scenario: Scenario
    channels: tuple[SimulatedChannel, ...]
    truth: dict[str, Any]
    run: Run


UNITS = {
    "coil_current": "A",
    "injector_current": "A",
    "starter_current": "A",
}


def simulate(scenario: Scenario) -> SimulatedRecording:
    """Simulate one recording. The same scenario gives the same counts.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    recording : SimulatedRecording
    """
    streams = np.random.default_rng(scenario.seed).spawn(4)
    run = EngineRun(scenario, streams[0]).run()
    signals = _make_signals(scenario, run, streams[1])
    digitizer = Digitizer(streams[2])
    own = scenario.make_vehicle_rng(2, streams[3])
    wheel = Wheel(scenario.crank_wheel, scenario.fault, own)
    grids = [make_grid(i, scenario.duration_s) for i in scenario.instrument]
    channels = []
    for number, model in enumerate(scenario.channel):
        grid = grids[model.instrument]
        instrument = scenario.instrument[model.instrument]
        signal = _draw(scenario, run, signals, wheel, model, grid, streams[3])
        spikes = (
            np.empty(0)
            if model.role in ("coil_primary", "coil_secondary")
            else signals.list_switch_offs()
        )
        if model.role == "coil_primary" and model.crosstalk > 0:
            spikes = _other_coils(signals, model)
        counts, scale = digitizer.digitize(signal, model, instrument, grid, spikes)
        channels.append(
            SimulatedChannel(
                model=model,
                name=model.name or f"{model.role} {number + 1}",
                unit=UNITS.get(model.role, "V"),
                counts=counts,
                scale=scale,
                rate_hz=instrument.rate_hz,
                instrument=model.instrument,
            )
        )
    return SimulatedRecording(scenario, tuple(channels), make_truth(scenario, run), run)


def _make_signals(scenario: Scenario, run: Run, rng: np.random.Generator) -> Signals:
    """Lay out the coils' strokes for the scenario's way of drawing them."""
    if scenario.waves == "pieces":
        sketches = list_strokes(run.firings, Sketch)
        return PieceSignals(scenario.coil, scenario.pieces, sketches, run.coil_of)
    return CoilSignals(scenario.coil, list_strokes(run.firings, Discharge), run.coil_of, rng)


def _other_coils(signals: Signals, model: ChannelModel) -> FloatArray:
    """List the switch-offs of the coils that a channel does not see."""
    own = {signals.coil_of[c] for c in model.cylinders}
    return np.array([s.off_s for s in signals.strokes if s.firing.coil not in own])


def _draw(
    scenario: Scenario,
    run: Run,
    signals: Signals,
    wheel: Wheel,
    model: ChannelModel,
    grid: Grid,
    rng: np.random.Generator,
) -> Float32Array:
    """Draw one channel before the instrument."""
    match model.role:
        case "crank":
            seen = run
            if run.twist_rad is not None:
                time_s, speed = see_from_end(
                    run.first_deg,
                    run.time_s,
                    run.speed,
                    run.twist_rad,
                    end=scenario.crank_wheel.end,
                )
                seen = replace(run, time_s=time_s, speed=speed)
            return make_crank(wheel, seen, grid, scenario.fault, rng)
        case "cam":
            return make_cam(scenario.cam, run, grid, rng)
        case "coil_current":
            amps = np.zeros(grid.n, np.float32)
            signals.draw_current(amps, model, grid)
            return amps
        case "coil_secondary":
            kilovolts = np.zeros(grid.n, np.float32)
            signals.draw_secondary(kilovolts, model, grid)
            kilovolts *= np.float32(model.gain)
            return high_pass(kilovolts, model.droop_ms * 1e-3, grid.period_s)
        case "coil_trigger":
            return _add_earth(make_trigger(run.firings, model.cylinders, grid), run, model, grid)
        case "starter_current":
            return make_starter_current(scenario, run, grid)
        case "injector_current":
            amps = np.zeros(grid.n, np.float32)
            cylinders = model.cylinders or scenario.engine.firing_order
            draw_injector_current(amps, run, cylinders, grid, scenario.drive.battery_v)
            return amps
    volts = make_supply(scenario, run, grid, rng)
    if model.role == "coil_primary":
        signals.draw_primary(volts, model, grid)
        volts = _add_earth(volts, run, model, grid)
    elif model.role == "injector_voltage":
        cylinders = model.cylinders or scenario.engine.firing_order
        draw_injector_voltage(volts, run, cylinders, grid, 65.0)
    return volts


def _add_earth(volts: Float32Array, run: Run, model: ChannelModel, grid: Grid) -> Float32Array:
    """Add what the coils' current lifts a bad earth by."""
    if model.earth_v:
        for firing in run.firings:
            if firing.strikes and firing.off_s == firing.off_s:
                edges = firing.off_s - np.array([firing.dwell_s, 0.0])
                first, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
                rise = np.linspace(0, model.earth_v, last - first, dtype=np.float32)
                volts[first:last] += rise
    return volts
