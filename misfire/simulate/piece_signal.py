"""Coil channels of sketched strikes: primary voltage, current and secondary voltage."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.coil_signal import REVERSE_V, Stroke, StrokeSignals
from misfire.simulate.engine.pieces import Sketch, compute_sketched
from misfire.simulate.engine.track import Grid
from misfire.simulate.pieces_model import PiecesModel
from misfire.simulate.scenario import ChannelModel, CoilModel

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.floating[Any]]
SOFT_US = 30.0  # a driver this slow lets the current go along an exponential, not a straight line


class PieceSignals(StrokeSignals[Sketch]):
    """Draws coil channels of sketches onto one instrument's grid."""

    def __init__(
        self,
        coil: CoilModel,
        pieces: PiecesModel,
        strokes: list[Stroke[Sketch]],
        coil_of: dict[int, int],
    ) -> None:
        """Keep what all channels share."""
        super().__init__(coil, strokes, coil_of)
        self.pieces = pieces

    def draw_primary(self, volts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write the strokes of one coil into a channel that holds the supply level; in place."""
        for stroke in self._select(channel.cylinders):
            sketch = stroke.discharge
            first, off, last = self._span(stroke, grid, sketch.end_s)
            if last <= first:
                continue
            base = volts[first:last].astype(float)
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = max(0, off - first)
            volts[first : first + split] = self._charge_level(sketch, time[:split], base[:split])
            volts[first + split : last] = self._kick_level(sketch, time[split:], base[split:])

    def _span(self, stroke: Stroke[Sketch], grid: Grid, end_s: float) -> tuple[int, int, int]:
        """First, switch-off and last sample of a stroke, within the recording."""
        end = min(end_s, stroke.next_s - stroke.off_s)
        edges = stroke.off_s + np.array([-stroke.discharge.dwell_s, 0.0, end])
        first, off, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        return int(first), int(off), int(last)

    def _charge_level(self, sketch: Sketch, time: FloatArray, base: FloatArray) -> FloatArray:
        """Primary voltage while the driver is on; `time` counts from switch-off, so is negative."""
        on, dwell = time + sketch.dwell_s, sketch.dwell_s
        begin = self.pieces.on_share
        level = self.coil.saturation_v * (begin + (1 - begin) * on / dwell)
        limit = sketch.ramp.find_limit()
        if limit < dwell:  # the driver holds the current: the rest of the supply falls on it
            held = base - sketch.ramp.held_a * self.coil.primary_ohm
            knee = self.pieces.knee_us * 1e-6
            settle = 1 - np.exp(-np.maximum(0.0, on - limit) / knee)
            level = level + np.maximum(0.0, held - level) * settle
        return np.asarray(level)

    def _kick_level(self, sketch: Sketch, time: FloatArray, base: FloatArray) -> FloatArray:
        """Primary voltage from switch-off on."""
        coil, pieces = self.coil, self.pieces
        volts = base + compute_sketched(sketch, time) / coil.turns_ratio
        since = time - sketch.kick.delay_s
        strength = min(1.0, sketch.compute_top() / sketch.ramp.target_a)
        spike = pieces.spike * strength * (coil.clamp_v - 14.0)
        spike *= math.exp(-coil.fall_us / 15.0)  # nothing is left of it behind a slow driver
        if spike > 0:
            shape = np.exp(-np.maximum(0.0, since) / (pieces.spike_us * 1e-6))
            volts += np.where(since >= 0, spike * shape, 0.0)
        if sketch.line is not None and pieces.break_share > 0:
            late = time - sketch.breakdown_s
            first = int(np.searchsorted(late, 0.0))
            last = int(np.searchsorted(late, 6e-6 * pieces.break_us))
            swing = np.cos(2e3 * math.pi * pieces.break_khz * late[first:last])
            height = pieces.break_share * sketch.highest_v / coil.turns_ratio
            volts[first:last] += height * swing * np.exp(-late[first:last] * 1e6 / pieces.break_us)
        return np.asarray(np.clip(volts, REVERSE_V, coil.clamp_v))

    def draw_current(self, amps: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Add the coil currents of a feed to a channel of zeros; in place."""
        coil, pieces = self.coil, self.pieces
        fall = coil.fall_us * 1e-6
        for stroke in self._select(channel.cylinders):
            sketch = stroke.discharge
            lasts = max(8 * fall, 5e-6 * pieces.tail_us * (pieces.tail > 0), 100e-6)
            if sketch.held_s:
                lasts = max(lasts, sketch.crest_s + sketch.held_s)
            first, off, last = self._span(stroke, grid, lasts)
            if last <= first:
                continue
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = max(0, off - first)
            on = time[:split] + sketch.dwell_s
            ramp = sketch.ramp.compute(on)
            turn = 2e3 * math.pi * pieces.on_khz
            ring = pieces.on_ring * sketch.ramp.target_a * np.sin(turn * on)
            amps[first : first + split] += ramp + ring * np.exp(-on * turn / 8)
            amps[first + split : last] += self._fall(sketch, time[split:])

    def _fall(self, sketch: Sketch, time: FloatArray) -> FloatArray:
        """Coil current from switch-off on: the fall, its tail, what the clamp lets through."""
        coil, pieces = self.coil, self.pieces
        top, fall = sketch.compute_top(), coil.fall_us * 1e-6
        if coil.fall_us < SOFT_US:
            amps = top * np.maximum(0.0, 1 - time / fall)
        else:
            amps = top * np.exp(-2 * time / fall)
        if pieces.tail > 0:
            late = top * pieces.tail * np.exp(-time * 1e6 / pieces.tail_us)
            amps = np.maximum(amps, late)
        if sketch.line is not None:  # what the breakdown sends back through the windings
            since = (time - sketch.breakdown_s) * 1e6
            ring = np.cos(2e-3 * math.pi * pieces.break_khz * since)
            ring = ring * np.exp(-np.maximum(0.0, since) / pieces.break_us)
            amps = amps + np.where(since >= 0, 0.05 * top * pieces.break_share * ring, 0.0)
        elif sketch.held_s > 0:
            share = 1 - (time - sketch.crest_s) / sketch.held_s
            inside = (share >= 0) & (share <= 1)
            amps = amps + np.where(inside, coil.clamp_share * top * share, 0.0)
        return np.asarray(amps)

    def draw_secondary(self, kilovolts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write what a pick-up on one plug lead sees of the strokes, in kV; in place."""
        pieces = self.pieces
        for stroke in self.strokes:
            sketch, share = stroke.discharge, self._find_share(stroke.firing, channel)
            if share < 1e-3:
                continue
            first, off, last = self._span(stroke, grid, sketch.end_s)
            if last <= first:
                continue
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = max(0, off - first)
            on = time[:split] + sketch.dwell_s
            drop = sketch.supply_v * np.exp(-on / sketch.ramp.tau_s)
            turns = on / sketch.ring.period_s
            ring = 1 - sketch.ring.keep**turns * np.cos(2 * math.pi * turns)
            volts = np.empty(last - first)
            volts[:split] = -pieces.feed_ring * self.coil.turns_ratio * drop * ring
            volts[split:] = compute_sketched(sketch, time[split:])
            kilovolts[first:last] += (share * 1e-3) * volts
