"""Coil channels of sketched strikes: primary voltage, current and secondary voltage."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.coil_signal import Stroke, StrokeSignals
from misfire.simulate.engine.pieces import Sketch, compute_sketched
from misfire.simulate.engine.track import Grid
from misfire.simulate.pieces_model import PiecesModel
from misfire.simulate.scenario import ChannelModel, CoilModel

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.floating[Any]]


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

    def _span(
        self, stroke: Stroke[Sketch], grid: Grid, end_s: float | None = None
    ) -> tuple[int, int, int]:
        """First, switch-off and last sample of a stroke, within the recording."""
        end = stroke.discharge.end_s if end_s is None else end_s
        end = min(end, stroke.next_s - stroke.off_s)
        edges = stroke.off_s + np.array([-stroke.discharge.dwell_s, 0.0, end])
        first, off, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        return int(first), int(off), int(last)

    def _charge_level(
        self, stroke: Stroke[Sketch], time: FloatArray, base: FloatArray
    ) -> FloatArray:
        """Primary voltage while the driver is on; `time` counts from switch-on."""
        sketch = stroke.discharge
        dwell = sketch.dwell_s
        begin = self.pieces.on_share
        level = self.coil.saturation_v * (begin + (1 - begin) * time / dwell)
        limit = sketch.ramp.find_limit()
        if limit < dwell:  # the driver holds the current: the rest of the supply falls on it
            held = base - sketch.ramp.held_a * self.coil.primary_ohm
            knee = self.pieces.knee_us * 1e-6
            settle = 1 - np.exp(-np.maximum(0.0, time - limit) / knee)
            level = level + np.maximum(0.0, held - level) * settle
        return np.asarray(level)

    def _compute_smooth(self, stroke: Stroke[Sketch], time: FloatArray) -> FloatArray:
        """Voltage of the secondary winding from switch-off on."""
        return compute_sketched(stroke.discharge, time)

    def _let_go(self, time: FloatArray) -> FloatArray:
        """Share of the current that the driver still lets through, its tail included."""
        share, pieces = super()._let_go(time), self.pieces
        if pieces.tail > 0:
            share = np.maximum(share, pieces.tail * np.exp(-time * 1e6 / pieces.tail_us))
        return share

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
        top = sketch.compute_top()
        amps = top * self._let_go(time)
        if sketch.line is None and sketch.held_s > 0:
            share = 1 - (time - sketch.crest_s) / sketch.held_s
            inside = (share >= 0) & (share <= 1)
            amps = amps + np.where(inside, self.coil.clamp_share * top * share, 0.0)
        return np.asarray(amps)

    def draw_secondary(self, kilovolts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write what a pick-up on one plug lead sees of the strokes, in kV; in place."""
        pieces = self.pieces
        for stroke in self.strokes:
            sketch, share = stroke.discharge, self._find_share(stroke.firing, channel)
            if share < 1e-3:
                continue
            first, off, last = self._span(stroke, grid)
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
