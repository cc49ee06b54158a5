"""Coil channels: primary voltage, current, secondary voltage and trigger of each stroke."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.coil import Discharge, compute_ramp, compute_secondary
from misfire.simulate.engine.firing import Firing
from misfire.simulate.engine.inrush import compute_inrush
from misfire.simulate.engine.pieces import Sketch
from misfire.simulate.engine.track import Grid
from misfire.simulate.scenario import ChannelModel, CoilModel

REVERSE_V = -25.0  # a driver lets the primary swing this far below earth
Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.floating[Any]]
Strike = TypeVar("Strike", bound=Discharge | Sketch)


@dataclass(frozen=True, slots=True)
class Stroke(Generic[Strike]):
    """One strike as it is to be drawn: `off_s` on the true clock, `next_s` the coil's next on."""

    firing: Firing
    discharge: Strike
    off_s: float
    next_s: float


def list_strokes(firings: list[Firing], kind: type[Strike]) -> list[Stroke[Strike]]:
    """List every strike of every firing in time order; each knows when its coil goes on again."""
    rows = [
        (firing.off_s + delay, firing, discharge)
        for firing in firings
        for delay, discharge in firing.strikes
        if firing.off_s == firing.off_s and isinstance(discharge, kind)
    ]
    rows.sort(key=lambda row: row[0])
    following: dict[int, float] = {}
    strokes: list[Stroke[Strike]] = []
    for off_s, firing, discharge in reversed(rows):
        strokes.append(Stroke(firing, discharge, off_s, following.get(firing.coil, np.inf)))
        following[firing.coil] = off_s - discharge.dwell_s
    return strokes[::-1]


class StrokeSignals(Generic[Strike]):
    """Which strokes each coil channel sees, however they are drawn."""

    def __init__(
        self, coil: CoilModel, strokes: list[Stroke[Strike]], coil_of: dict[int, int]
    ) -> None:
        """Keep what all channels share."""
        self.coil, self.strokes, self.coil_of = coil, strokes, coil_of

    def draw_primary(self, volts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write the strokes of one coil into a channel that holds the supply level; in place."""
        raise NotImplementedError

    def draw_current(self, amps: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Add the coil currents of a feed to a channel of zeros; in place."""
        raise NotImplementedError

    def draw_secondary(self, kilovolts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write what a pick-up on one plug lead sees of the strokes, in kV; in place."""
        raise NotImplementedError

    def list_switch_offs(self) -> FloatArray:
        """All switch-off instants, for interference on other channels [s]."""
        return np.array([s.off_s for s in self.strokes])

    def _select(self, cylinders: tuple[int, ...]) -> list[Stroke[Strike]]:
        """Take the strokes of the coils that serve some cylinders; none named: all."""
        if not cylinders:
            return self.strokes
        coils = {self.coil_of[c] for c in cylinders}
        return [s for s in self.strokes if s.firing.coil in coils]

    def _find_share(self, firing: Firing, channel: ChannelModel) -> float:
        """Find the share of a coil's voltage that a pick-up on one plug lead sees."""
        seen = set(channel.cylinders) or set(self.coil_of)
        coils = {self.coil_of[c] for c in seen}
        if firing.coil not in coils or (
            len(set(self.coil_of.values())) == 1
            and len(self.coil_of) > 1
            and firing.cylinder not in seen
        ):
            return channel.crosstalk  # another coil, or the rotor points elsewhere
        if self._is_pair(firing.coil):
            own = firing.firing_kv / firing.coil_kv if firing.sparked else 0.8
            return own if firing.cylinder in seen else 1.05 - own
        return 1.0

    def _is_pair(self, coil: int) -> bool:
        """Whether a coil serves two plugs at once."""
        return sum(1 for c in self.coil_of.values() if c == coil) == 2 and len(self.coil_of) > 2


class CoilSignals(StrokeSignals[Discharge]):
    """Draws coil channels of the circuit onto one instrument's grid."""

    def __init__(
        self,
        coil: CoilModel,
        strokes: list[Stroke[Discharge]],
        coil_of: dict[int, int],
        rng: np.random.Generator,
    ) -> None:
        """Keep what all channels share; prepare the flow's flutter on the spark line."""
        super().__init__(coil, strokes, coil_of)
        self.rng = rng
        rough = rng.standard_normal(1 << 15)
        smooth = np.cumsum(rough - np.convolve(rough, np.ones(64) / 64, "same"))
        self.flutter = smooth / smooth.std()
        self.break_hz = float(rng.uniform(15e3, 60e3))  # leakage ringing when the gap breaks down

    def draw_primary(self, volts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write the strokes of one coil into a channel that holds the supply level; in place."""
        for stroke in self._select(channel.cylinders):
            d = stroke.discharge
            first, off, last = self._span(stroke, grid)
            if last <= first:
                continue
            base = volts[first:last].astype(float)
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = max(0, off - first)
            shape = np.empty(last - first)
            shape[:split] = self._charge_level(stroke, time[:split] + d.dwell_s, base[:split])
            shape[split:] = self._kick_level(stroke, time[split:], base[split:])
            volts[first:last] = shape

    def _span(self, stroke: Stroke[Discharge], grid: Grid) -> tuple[int, int, int]:
        """First, switch-off and last sample of a stroke, within the recording."""
        d = stroke.discharge
        slowest = d.alpha
        if d.alpha > d.omega:
            slowest = d.omega * d.omega / (2 * d.alpha)
        burnt = d.breakdown_s + d.burn_s if d.burn_s > 0 else 0.0
        if d.ceiling_stop_s == d.ceiling_stop_s:
            burnt = d.ceiling_stop_s
        tail = min(burnt + min(6.0 / slowest, 8e-3), stroke.next_s - stroke.off_s)
        edges = stroke.off_s + np.array([-d.dwell_s, 0.0, tail])
        first, off, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        return int(first), int(off), int(last)

    def _charge_level(
        self, stroke: Stroke[Discharge], time: FloatArray, base: FloatArray
    ) -> FloatArray:
        """Primary voltage while the driver is on; `time` counts from switch-on."""
        coil, d = self.coil, stroke.discharge
        level = coil.saturation_v * (0.75 + 0.25 * time / d.dwell_s)
        if d.limited_s > 0:  # the driver holds the current: the rest of the supply falls on it
            held = base - d.peak_a * coil.primary_ohm
            settle = 1 - np.exp(-np.maximum(0.0, time - d.dwell_s + d.limited_s) / 60e-6)
            level = level + np.maximum(0.0, held - level) * settle
        return np.asarray(level)

    def _kick_level(
        self, stroke: Stroke[Discharge], time: FloatArray, base: FloatArray
    ) -> FloatArray:
        """Primary voltage from switch-off on."""
        coil, d = self.coil, stroke.discharge
        volts = base + self._secondary(stroke, time) / coil.turns_ratio
        # leakage energy: up to the clamp at once, for as long as it lasts
        lasts = coil.leak * coil.primary_mh * 1e-3 * d.peak_a / coil.clamp_v
        if lasts > 0:
            height = 0.9 * (coil.clamp_v - 14.0) * np.exp(-coil.fall_us / 15.0)
            since = time - d.kick_s
            spike = height * np.exp(-np.maximum(0.0, since - lasts) / (0.7 * lasts))
            volts += np.where(since >= 0, spike, 0.0)
        if d.burn_s > 0:
            since = time - d.breakdown_s
            stop = int(np.searchsorted(since, 250e-6))
            begin = int(np.searchsorted(since, 0.0))
            if stop > begin:
                s = since[begin:stop]
                volts[begin:stop] += (
                    0.2 * d.breakdown_v / coil.turns_ratio
                    * np.exp(-s / 40e-6) * np.cos(2 * np.pi * self.break_hz * s)
                )  # fmt: skip
        return np.clip(volts, REVERSE_V, coil.clamp_v)

    def _secondary(self, stroke: Stroke[Discharge], time: FloatArray) -> FloatArray:
        """Voltage of the secondary winding from switch-off on, with flutter and restrikes."""
        d = stroke.discharge
        volts = compute_secondary(d, time)
        if d.burn_s > 0 and time.size:
            begin = int(np.searchsorted(time, d.breakdown_s))
            end = int(np.searchsorted(time, d.breakdown_s + d.burn_s))
            n = end - begin
            if n > 1:
                flow = stroke.firing.rpm / 2500.0 * (0.4 + stroke.firing.intake_bar)
                share = (time[begin:end] - d.breakdown_s) / d.burn_s
                at = int(self.rng.integers(0, self.flutter.size - 4096))
                # one entry of the flutter every 4 microseconds
                entry = at + np.minimum(4095, (share * d.burn_s / 4e-6).astype(int))
                volts[begin:end] += (
                    0.05 * d.burn_v * (0.3 + flow) * share * self.flutter[entry] * 0.5
                )
                for _ in range(int(self.rng.poisson(max(0.0, flow - 0.5) * d.burn_s * 1e3 * 0.5))):
                    where = float(self.rng.uniform(0.25, 0.97)) * d.burn_s + d.breakdown_s
                    before = (where - time[begin:end]) / 40e-6
                    climb = np.where((before >= 0) & (before < 1), 1 - before, 0.0)
                    volts[begin:end] += float(self.rng.uniform(0.8, 3.0)) * d.burn_v * climb
        return volts

    def draw_current(self, amps: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Add the coil currents of a feed to a channel of zeros; in place."""
        coil = self.coil
        for stroke in self._select(channel.cylinders):
            d = stroke.discharge
            fall = coil.fall_us * 1e-6
            edges = stroke.off_s + np.array([-d.dwell_s, 0.0, min(8 * fall, 1e-3)])
            first, off, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
            if last <= first:
                continue
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = off - first
            ramp = compute_ramp(
                time[:split] + d.dwell_s, volts=d.ramp_v, ohm=d.ramp_ohm, henry=d.ramp_h,
                start_a=d.start_a,
            )  # fmt: skip
            beside = compute_inrush(time[:split] + d.dwell_s, d.inrush, volts=d.ramp_v)
            amps[first:off] += np.minimum(np.minimum(ramp, d.peak_a) + beside, d.held_a)
            top_a = d.compute_top()
            if coil.fall_us < 30:
                amps[off:last] += top_a * np.maximum(0.0, 1 - time[split:] / fall)
            else:
                amps[off:last] += top_a * np.exp(-time[split:] / (0.5 * fall))
            self._add_clamp_current(amps, stroke, grid)

    def _add_clamp_current(self, amps: Float32Array, stroke: Stroke[Discharge], grid: Grid) -> None:
        """Let the driver conduct what is left in the coil while it stands at its clamp."""
        d = stroke.discharge
        if not math.isfinite(d.ceiling_start_s) or d.ceiling_stop_s <= d.ceiling_start_s:
            return
        edges = stroke.off_s + np.array([d.ceiling_start_s, d.ceiling_stop_s])
        first, last = np.clip(np.ceil(grid.position(edges)), 0, grid.n).astype(int)
        if last <= first:
            return
        # The magnetising current falls in a straight line; part of it charges stray capacitance.
        since = grid.start_s + np.arange(first, last) * grid.period_s - edges[0]
        share = 1.0 - since / (d.ceiling_stop_s - d.ceiling_start_s)
        amps[first:last] += self.coil.clamp_share * d.peak_a * np.clip(share, 0.0, 1.0)

    def draw_secondary(self, kilovolts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write what a pick-up on one plug lead sees of the strokes, in kV; in place."""
        for stroke in self.strokes:
            d, share = stroke.discharge, self._find_share(stroke.firing, channel)
            if share < 1e-3:
                continue
            first, off, last = self._span(stroke, grid)
            if last <= first:
                continue
            time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
            split = max(0, off - first)
            on = time[:split] + d.dwell_s
            drop = d.ramp_v - d.ramp_ohm * compute_ramp(
                on, volts=d.ramp_v, ohm=d.ramp_ohm, henry=d.ramp_h, start_a=d.start_a
            )
            ring = 1 - np.exp(-d.alpha * on) * np.cos(d.omega * on)
            shape = np.empty(last - first)
            shape[:split] = -self.coil.turns_ratio * np.maximum(0.0, drop) * ring
            shape[split:] = self._secondary(stroke, time[split:])
            kilovolts[first:last] += (share * 1e-3) * shape
