"""Coil channels: primary voltage, current, secondary voltage and trigger of each stroke."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from misfire.simulate.engine.coil import Discharge, compute_ramp, compute_secondary
from misfire.simulate.engine.collector import REVERSE_V, Collector
from misfire.simulate.engine.firing import Firing
from misfire.simulate.engine.inrush import compute_inrush
from misfire.simulate.engine.pieces import Sketch
from misfire.simulate.engine.track import Grid
from misfire.simulate.scenario import ChannelModel, CoilModel

SOFT_US = 30.0  # a driver this slow lets the current go along an exponential, not a straight line
BATCH = 128  # strokes whose kicks are followed at once
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


def let_go(time: FloatArray, fall_us: float) -> FloatArray:
    """Share of a current that is left as a driver lets it go, from switch-off on."""
    if fall_us < SOFT_US:
        return np.asarray(np.maximum(0.0, 1 - time * 1e6 / fall_us))
    return np.asarray(np.exp(-2e6 * time / fall_us))


class StrokeSignals(Generic[Strike]):
    """Which strokes each coil channel sees, however they are drawn."""

    def __init__(
        self, coil: CoilModel, strokes: list[Stroke[Strike]], coil_of: dict[int, int]
    ) -> None:
        """Keep what all channels share."""
        self.coil, self.strokes, self.coil_of = coil, strokes, coil_of

    def draw_primary(self, volts: Float32Array, channel: ChannelModel, grid: Grid) -> None:
        """Write the strokes of one coil into a channel that holds the supply level; in place."""
        spans = [(stroke, *self._span(stroke, grid)) for stroke in self._select(channel.cylinders)]
        spans = [span for span in spans if span[3] > span[1]]
        for begin in range(0, len(spans), BATCH):
            part = spans[begin : begin + BATCH]
            supply = [float(volts[min(off, grid.n - 1)]) for _, _, off, _ in part]
            heads, time_s = self._follow_heads([s for s, *_ in part], supply, channel, grid)
            for (stroke, first, off, last), supply_v, head in zip(part, supply, heads, strict=True):
                base = volts[first:last].astype(float)
                time = grid.start_s + np.arange(first, last) * grid.period_s - stroke.off_s
                split = max(0, off - first)
                on = time[:split] + stroke.discharge.dwell_s
                volts[first : first + split] = self._charge_level(stroke, on, base[:split])
                late, rest = time[split:], base[split:]
                kick = rest + self._compute_volts(stroke, late) / self.coil.turns_ratio
                kick = np.clip(kick, REVERSE_V, self.coil.clamp_v)
                n = int(np.searchsorted(late, time_s[-1]))
                smooth = self._compute_smooth(stroke, late[:n]) / self.coil.turns_ratio + supply_v
                kick[:n] += np.interp(late[:n], time_s, head) - np.clip(
                    smooth, REVERSE_V, self.coil.clamp_v
                )
                volts[first + split : last] = np.clip(kick, REVERSE_V, self.coil.clamp_v)

    def _follow_heads(
        self,
        strokes: list[Stroke[Strike]],
        supply: list[float],
        channel: ChannelModel,
        grid: Grid,
    ) -> tuple[FloatArray, FloatArray]:
        """Follow the first part of kicks, ringing and all, as the probe shows it; with its times.

        A probe that is slower than the sampling is left to the instrument.
        """
        coil = self.coil
        henry = max(coil.leak, 1e-3) * coil.primary_mh * 1e-3
        collector = Collector(henry, coil.collector_nf * 1e-9, coil.collector_q, coil.clamp_v)
        broke = [s.discharge.breakdown_s for s in strokes]
        reach = max([coil.fall_us * 1e-6, *(at for at in broke if at == at)]) + collector.lasts_s
        time = np.arange(math.ceil(reach / collector.step_s)) * collector.step_s
        coupled = np.stack([self._compute_rise(s, time) for s in strokes]) / coil.turns_ratio
        top = np.array([s.discharge.compute_top() for s in strokes])
        low = [
            self._charge_level(s, np.array([s.discharge.dwell_s]), np.array([v]))[0]
            for s, v in zip(strokes, supply, strict=True)
        ]
        share = self._let_go(time)
        coupled += share * np.array(low)[:, None] + (1 - share) * np.array(supply)[:, None]
        heads = collector.follow(coupled, top[:, None] * share, np.array(low))
        if channel.bandwidth_hz >= 0.45 / grid.period_s:
            from scipy.signal import lfilter

            keep = math.exp(-2 * math.pi * channel.bandwidth_hz * collector.step_s)
            heads, _ = lfilter([1 - keep], [1.0, -keep], heads, zi=keep * heads[:, :1])
        return heads, time

    def _compute_rise(self, stroke: Stroke[Strike], time: FloatArray) -> FloatArray:
        """Compute the secondary's volts as the driver lets go bit by bit, not at once and later.

        Each part of the current that is cut off adds a rise of its own from then on.
        """
        volts = self._compute_smooth(stroke, time)
        broke_s, delay = stroke.discharge.breakdown_s, 0.5e-6 * self.coil.handover_us
        stop = int(np.searchsorted(time, broke_s)) if broke_s == broke_s else time.size
        if not 0 < stop < time.size:
            return volts
        at_once = self._compute_smooth(stroke, np.minimum(time[:stop] + delay, broke_s - 1e-9))
        beyond = np.maximum(1.0, time[:stop] / max(broke_s - delay, 1e-9))  # the rise led on
        cut = -np.diff(let_go(time[:stop], self.coil.handover_us), prepend=1.0)
        rise = np.convolve(cut, at_once * beyond)[:stop]
        if rise[-1] > 0:
            volts[:stop] = rise * (volts[stop - 1] / rise[-1])
        return volts

    def _let_go(self, time: FloatArray) -> FloatArray:
        """Share of the current that the driver still lets through, from switch-off on."""
        return let_go(time, self.coil.fall_us)

    def _span(self, stroke: Stroke[Strike], grid: Grid) -> tuple[int, int, int]:
        """First, switch-off and last sample of a stroke, within the recording."""
        raise NotImplementedError

    def _charge_level(
        self, stroke: Stroke[Strike], time: FloatArray, base: FloatArray
    ) -> FloatArray:
        """Primary voltage while the driver is on; `time` counts from switch-on."""
        raise NotImplementedError

    def _compute_smooth(self, stroke: Stroke[Strike], time: FloatArray) -> FloatArray:
        """Voltage of the secondary winding from switch-off on, with nothing drawn at random."""
        raise NotImplementedError

    def _compute_volts(self, stroke: Stroke[Strike], time: FloatArray) -> FloatArray:
        """Voltage of the secondary winding from switch-off on."""
        return self._compute_smooth(stroke, time)

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

    def _compute_smooth(self, stroke: Stroke[Discharge], time: FloatArray) -> FloatArray:
        """Voltage of the secondary winding from switch-off on, with nothing drawn at random."""
        return compute_secondary(stroke.discharge, time)

    def _compute_volts(self, stroke: Stroke[Discharge], time: FloatArray) -> FloatArray:
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
            amps[off:last] += top_a * self._let_go(time[split:])
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
            shape[split:] = self._compute_volts(stroke, time[split:])
            kilovolts[first:last] += (share * 1e-3) * shape
