"""What driver, road and accessories do, laid out over time before the engine runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.scenario import Scenario

FloatArray = NDArray[np.floating[Any]]

PLAN_HZ = 50.0
LEAD_S = 4.0  # the engine runs this long before the recording, so that it has settled


@dataclass(frozen=True, slots=True)
class Plan:
    """Commands on a grid of `PLAN_HZ`, from `start_s` on; plain lists, for the engine's loop."""

    start_s: float
    stop_s: float
    target_rpm: list[float]  # what the driver, or the idle governor, wants
    in_gear: list[float]  # 1 clutch closed, 0 open or neutral
    ratio: list[float]  # engine turns a wheel turn
    blip: list[float]  # throttle opened in neutral, 0..1
    starter: list[float]  # 1 starter engaged
    fuel: list[float]  # 0: injection switched off
    compressor_nm: list[float]
    road_nm: list[float]


def make_plan(scenario: Scenario, rng: np.random.Generator) -> Plan:
    """Lay out a recording of the scenario's condition.

    Parameters
    ----------
    scenario : Scenario
    rng : Generator

    Returns
    -------
    plan : Plan
    """
    drive, idle = scenario.drive, scenario.engine.idle_rpm
    standing = drive.condition in ("start", "crank")
    start = -0.3 if standing else -LEAD_S
    stop = scenario.duration_s + 1.0
    n = int((stop - start) * PLAN_HZ) + 2
    time: FloatArray = start + np.arange(n) / PLAN_HZ
    ones, zeros = np.ones(n), np.zeros(n)
    target: FloatArray
    gear: FloatArray
    ratio: FloatArray
    target, gear, ratio = ones * idle, zeros.copy(), ones * drive.gear_ratio
    blip, starter, fuel = zeros.copy(), zeros.copy(), ones.copy()
    if drive.condition in ("cruise", "drive", "overrun"):
        gear = ones.copy()
        target = _speed_profile(scenario, time, rng)
        if drive.condition == "drive" and drive.shift_s > 0:
            _add_shifts(scenario, time, target, gear, ratio, rng)
    elif drive.condition == "crank":
        starter, fuel = ones.copy(), zeros.copy()
    elif drive.condition == "start":
        # the key is let go when the engine runs
        begin = float(rng.uniform(0.3, 1.0))
        starter = (time >= begin).astype(float)
        fuel = (time >= begin + float(rng.uniform(0.4, 1.2))).astype(float)
    if drive.blip_s > 0 and not gear.any():
        at = float(rng.uniform(0.5, 1.0)) * drive.blip_s
        while at < stop:
            length = float(rng.uniform(0.25, 0.9))
            blip[(time >= at) & (time < at + length)] = float(rng.uniform(0.2, 0.8))
            at += float(rng.uniform(0.6, 1.4)) * drive.blip_s
    return Plan(
        start_s=start,
        stop_s=stop,
        target_rpm=target.tolist(),
        in_gear=gear.tolist(),
        ratio=ratio.tolist(),
        blip=blip.tolist(),
        starter=starter.tolist(),
        fuel=fuel.tolist(),
        compressor_nm=_compressor(scenario, time, rng).tolist(),
        road_nm=_road(scenario, n, rng).tolist(),
    )


def _speed_profile(scenario: Scenario, time: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw the speed the driver wants while in gear."""
    drive = scenario.drive
    low = max(1.35 * scenario.engine.idle_rpm, 0.55 * drive.cruise_rpm)
    if drive.condition == "cruise":
        wander = np.cumsum(rng.standard_normal(time.size)) / math.sqrt(time.size)
        return np.asarray(np.maximum(low, drive.cruise_rpm * (1 + 0.03 * wander)))
    points_s, points = [float(time[0]), 0.0], [drive.cruise_rpm] * 2
    at, rpm = float(rng.uniform(0.5, 3.0)), drive.cruise_rpm
    points_s.append(at)
    points.append(rpm)
    high = max(1.5 * low, 1.5 * drive.cruise_rpm)
    mass = drive.vehicle_kg * 0.31**2 / drive.gear_ratio**2 + scenario.engine.inertia_kgm2
    full = 70.0 * scenario.engine.displacement_l / mass * 30 / math.pi  # rpm a second, all it has
    rate = min(2500.0, full * (0.08 + 0.7 * drive.load))
    while at < time[-1]:
        if drive.condition == "overrun":
            rpm = high if rpm <= 1.2 * low else low
            pace = rate if rpm == high else 4000.0  # lifts the foot: the engine brakes by itself
        else:
            rpm, pace = float(rng.uniform(low, high)), rate * float(rng.uniform(0.4, 1.1))
            if rpm < points[-1]:  # mostly eases off, now and then lifts the foot
                pace = full * float(rng.choice([0.04, 0.07, 0.3]))
        at += abs(rpm - points[-1]) / pace + 0.05
        points_s.append(at)
        points.append(rpm)
        hold = 3.0 if drive.condition == "overrun" and rpm == low else 0.5
        at += hold + float(rng.uniform(0.0, 2.5))
        points_s.append(at)
        points.append(rpm)
    return np.asarray(np.interp(time, points_s, points))


def _add_shifts(
    scenario: Scenario,
    time: FloatArray,
    target: FloatArray,
    gear: FloatArray,
    ratio: FloatArray,
    rng: np.random.Generator,
) -> None:
    """Open the clutch now and then and go on in a neighbouring gear; changes the arrays."""
    at, step = float(rng.uniform(0.3, 1.0)) * scenario.drive.shift_s, 1.0
    while at < time[-1]:
        open_s = float(rng.uniform(0.35, 0.9))
        gear[(time >= at) & (time < at + open_s)] = 0.0
        change = 1.35 if step <= 1.0 else 1 / 1.35
        step *= change
        later = time >= at + 0.3 * open_s
        ratio[later] /= change
        target[later] = np.maximum(target[later] / change, 1.25 * scenario.engine.idle_rpm)
        at += float(rng.uniform(0.6, 1.4)) * scenario.drive.shift_s


def _compressor(scenario: Scenario, time: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Switch the air-conditioning compressor on and off."""
    drive = scenario.drive
    torque = np.zeros(time.size)
    at, is_on = float(time[0]) + float(rng.uniform(0, drive.compressor_s)), True
    while at < time[-1] and drive.compressor_nm > 0:
        length = drive.compressor_s * float(rng.uniform(0.6, 1.4))
        if is_on:
            torque[(time >= at) & (time < at + length)] = drive.compressor_nm
        at, is_on = at + length, not is_on
    return torque


def _road(scenario: Scenario, n: int, rng: np.random.Generator) -> FloatArray:
    """Make band-limited road torque noise of a given spread, rougher in places."""
    drive = scenario.drive
    spectrum = np.fft.rfft(rng.standard_normal(n))
    hertz = np.fft.rfftfreq(n, 1 / PLAN_HZ)
    band = (hertz >= drive.road_low_hz) & (hertz <= min(drive.road_high_hz, 0.45 * PLAN_HZ))
    noise = np.fft.irfft(np.where(band, spectrum, 0.0), n)
    noise /= float(np.std(noise)) or 1.0
    knots = np.linspace(0, n - 1, max(4, int(n / PLAN_HZ / 1.5)))
    rough = np.interp(np.arange(n), knots, rng.uniform(0.3, 1.6, knots.size))
    return np.asarray(drive.road_noise_nm * noise * rough)
