"""Crank and cam signals: inductive and Hall sensors on toothed wheels, and their faults."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.run import Run
from misfire.simulate.engine.track import FloatArray, Grid, sample_rotation
from misfire.simulate.scenario import CamModel, FaultModel, WheelModel

TABLE = 1 << 17  # entries of a revolution: about 0.003 degrees each
BLOCK = 1 << 17

Float32Array = NDArray[np.float32]


class Wheel:
    """A wheel as made: where each tooth stands, with its errors, and which tooth is damaged."""

    def __init__(
        self, model: WheelModel, faults: tuple[FaultModel, ...], rng: np.random.Generator
    ) -> None:
        """Draw the pitch errors; take the damaged tooth of a fault."""
        self.model = model
        self.pitch_deg = 360.0 / model.positions
        missing = {p for gap in model.gaps for p in gap}
        order = [
            (model.first_position - 1 + i) % model.positions + 1 for i in range(model.positions)
        ]
        self.present = np.array([p not in missing for p in order])
        index = np.flatnonzero(self.present)
        error = model.pitch_error_deg * rng.standard_normal(index.size)
        after_gap = np.diff(np.concatenate(([index[-1] - model.positions], index))) > 1
        error += np.where(after_gap, model.gap_error_deg, 0.0)
        self.height = np.ones(index.size)
        for fault in faults:
            if fault.type == "crank_signal" and fault.kind == "damaged":
                tooth = int(rng.integers(0, index.size))
                self.height[tooth] = 1 - 0.8 * fault.severity
                side = 1.0 if rng.random() < 0.5 else -1.0
                error[tooth] += side * 0.4 * fault.severity * self.pitch_deg
        # crank angle (0..360 from TDC of firing_order[0]) of each tooth, from the first after a gap
        self.tooth_deg = -model.tdc_deg + index * self.pitch_deg + error
        self.runout_at = float(rng.uniform(0, 2 * np.pi))

    def unroll(self, from_deg: float, to_deg: float) -> FloatArray:
        """List the unwrapped angles of all teeth between two crank angles."""
        first = int(np.floor((from_deg + self.model.tdc_deg) / 360.0)) - 1
        last = int(np.ceil((to_deg + self.model.tdc_deg) / 360.0)) + 1
        turns = 360.0 * np.arange(first, last)
        angles = (turns[:, None] + self.tooth_deg[None, :]).ravel()
        return np.asarray(angles[(angles >= from_deg) & (angles <= to_deg)])

    def make_table(self) -> Float32Array:
        """Compute an inductive sensor's voltage per speed over one revolution, peak about 1.

        Each tooth gives a bump of flux, a Gaussian in angle; the voltage is its falling slope, so
        the steep zero crossing stands at the tooth's centre, going from plus to minus.
        """
        model = self.model
        width = model.pole_width * self.pitch_deg
        angle = np.arange(TABLE) * (360.0 / TABLE)
        volts = np.zeros(TABLE)
        reach = int(np.ceil(5 * width / 360.0 * TABLE)) + 1
        around = np.arange(-reach, reach + 1)
        for centre, height in zip(self.tooth_deg % 360.0, self.height, strict=True):
            at = round(centre / 360.0 * TABLE)
            index = (at + around) % TABLE
            off = (angle[index] - centre + 180.0) % 360.0 - 180.0
            np.add.at(volts, index, -height * off / width * np.exp(0.5 - 0.5 * (off / width) ** 2))
        volts *= 1 + model.runout * np.cos(np.radians(angle) + self.runout_at)
        return (-volts if model.inverted else volts).astype(np.float32)


def make_crank(
    wheel: Wheel,
    run: Run,
    grid: Grid,
    faults: tuple[FaultModel, ...],
    rng: np.random.Generator,
) -> Float32Array:
    """Compute the crank channel before the instrument.

    Parameters
    ----------
    wheel : Wheel
    run : Run
    grid : Grid
        Sampling instants on the true clock.
    faults : tuple of FaultModel
        Those of type crank_signal count.
    rng : Generator

    Returns
    -------
    volts : float32 array [shape=(grid.n,), unit=V]
    """
    model = wheel.model
    edge_deg = run.first_deg
    last_deg = edge_deg + 4.0 * (run.time_s.size - 1)
    teeth = wheel.unroll(edge_deg, last_deg)
    instants = run.find(teeth)
    lost, extra = _draw_pulse_faults(teeth, instants, faults, rng)
    if model.sensor == "hall":
        return _make_hall(wheel, run, grid, teeth, lost, extra, rng)
    table = wheel.make_table()
    volts = np.empty(grid.n, np.float32)
    per_speed = np.float32(model.volts_per_krpm * 30 / np.pi / 1000)
    for start in range(0, grid.n, BLOCK):
        stop = min(start + BLOCK, grid.n)
        entry, speed = sample_rotation(
            grid, start, stop, first_deg=edge_deg, time_s=run.time_s, speed=run.speed, entries=TABLE
        )
        part = volts[start:stop]
        np.take(table, entry, out=part, mode="clip")
        speed *= per_speed
        part *= speed
    pitch_s = np.gradient(instants)
    for i in np.flatnonzero(lost):
        begin, end = grid.position(instants[i] + pitch_s[i] * np.array([-0.5, 0.5]))
        volts[max(0, int(begin)) : max(0, int(end))] *= 0.05
    for i in np.flatnonzero(extra):
        middle, half = instants[i] + 0.5 * pitch_s[i], 0.2 * pitch_s[i]
        begin, end = np.clip(grid.position(np.array([middle - half, middle + half])), 0, grid.n)
        sample = np.arange(int(begin), int(end))
        phase = (grid.start_s + sample * grid.period_s - middle) / half
        top = model.volts_per_krpm * np.radians(wheel.pitch_deg) / pitch_s[i] * 30 / np.pi / 1000
        sign = 1.0 if model.inverted else -1.0
        volts[sample] += (sign * 1.2 * top * np.sin(np.pi * phase)).astype(np.float32)
    return volts


def _draw_pulse_faults(
    teeth: FloatArray,
    instants: FloatArray,
    faults: tuple[FaultModel, ...],
    rng: np.random.Generator,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Draw which pulses are lost and after which an extra one comes."""
    lost, extra = np.zeros(teeth.size, bool), np.zeros(teeth.size, bool)
    for fault in faults:
        if fault.type != "crank_signal" or fault.kind == "damaged":
            continue
        each = (0.0005 + 0.02 * fault.severity) * max(0.05, fault.rate)
        if fault.kind == "loss":
            for begin in np.flatnonzero(rng.random(teeth.size) < 0.03 * each):
                length = float(rng.uniform(0.01, 0.15))
                lost |= (instants >= instants[begin]) & (instants < instants[begin] + length)
            continue
        hit = rng.random(teeth.size) < each
        if fault.pattern == "bursts":  # the same number, packed into stretches
            calm = np.repeat(rng.random(teeth.size // 200 + 1) < 0.85, 200)[: teeth.size]
            hit = (rng.random(teeth.size) < min(0.6, each / 0.15)) & ~calm
        if fault.kind == "extra":
            extra |= hit
        else:
            lost |= hit
    return lost, extra


def _make_hall(
    wheel: Wheel,
    run: Run,
    grid: Grid,
    teeth: FloatArray,
    lost: NDArray[np.bool_],
    extra: NDArray[np.bool_],
    rng: np.random.Generator,
) -> Float32Array:
    """Make a Hall sensor's levels; the falling edge stands at the tooth's angle."""
    model = wheel.model
    share = model.tooth_share * wheel.pitch_deg
    falls = teeth[~lost]
    rises = falls - share
    more = teeth[extra] + (wheel.pitch_deg - share) * 0.5
    falls, rises = np.concatenate((falls, more)), np.concatenate((rises, more - 0.06 * share))
    jitter = model.jitter_us * 1e-6
    fall_s = run.find(falls) + jitter * rng.standard_normal(falls.size)
    rise_s = run.find(rises) + jitter * rng.standard_normal(rises.size)
    return make_levels(rise_s, fall_s, grid, low=0.15, high=model.high_v)


def make_levels(
    rise_s: FloatArray, fall_s: FloatArray, grid: Grid, *, low: float, high: float
) -> Float32Array:
    """Make a two-level signal of pulses that rise and fall at given instants.

    A sample in which an edge falls takes a value in between, as an input of just the sampling
    rate's bandwidth would.
    """
    good = np.isfinite(rise_s) & np.isfinite(fall_s)
    steps = np.zeros(grid.n + 2)
    for instants, sign in ((rise_s[good], 1.0), (fall_s[good], -1.0)):
        where = np.clip(grid.position(instants), 0, grid.n)
        whole = np.floor(where).astype(np.int64)
        part = where - whole
        np.add.at(steps, whole, sign * (1 - part))
        np.add.at(steps, whole + 1, sign * part)
    level = np.clip(np.cumsum(steps[: grid.n]), 0.0, 1.0)
    return np.asarray(low + (high - low) * level, np.float32)


def make_cam(cam: CamModel, run: Run, grid: Grid, rng: np.random.Generator) -> Float32Array:
    """Make the cam channel: levels that repeat every 720 degrees."""
    last_deg = run.first_deg + 4.0 * (run.time_s.size - 1)
    cycles = 720.0 * np.arange(np.floor(run.first_deg / 720) - 1, np.ceil(last_deg / 720) + 1)
    rises = np.sort((cycles[:, None] + np.array(cam.rising_deg)).ravel())
    falls = np.sort((cycles[:, None] + np.array(cam.falling_deg)).ravel())
    falls = falls[falls > rises[0]]
    rises = rises[: falls.size]
    jitter = 2e-6
    rise_s = run.find(rises) + jitter * rng.standard_normal(rises.size)
    fall_s = run.find(falls) + jitter * rng.standard_normal(falls.size)
    # a pulse that began before the run: it is high from the start
    rise_s = np.where(np.isnan(rise_s) & (rises < run.first_deg), run.time_s[0], rise_s)
    return make_levels(rise_s, fall_s, grid, low=0.15, high=cam.high_v)
