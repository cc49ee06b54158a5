"""Vehicles that play the deceptions: drawn engines of every kind, sound or with one fault."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

import numpy as np

from misfire.simulate import Scenario, simulate
from misfire.simulate.draw import draw_scenario
from misfire.simulate.engine.run import EngineRun
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import FaultModel

FULL = 32767
SHORTEST_S, LONGEST_S = 7.0, 14.0
MOST_SAMPLES = 1.6e6  # of one channel
LOWEST_RATE_HZ = 20e3
FAULTS = ("mixture", "open_secondary", "no_primary", "fouled_plug", "weak_coil")

Rng = np.random.Generator
Want = Callable[[Scenario], bool]


@dataclass(frozen=True)
class Kind:
    """One kind of deception.

    `empty`: nothing is left in it that could show a fault, so that `no_misfire` would be a lie too.
    `faulty`: a third of the vehicles truly have a fault. `want`: which vehicles can play it.
    """

    make: Callable[["Vehicle", Rng], SimulatedRecording]
    empty: bool = False
    faulty: bool = False
    want: Want = lambda scenario: True


class Vehicle:
    """A drawn vehicle and its scenario; `faulty` is the cylinder that truly fails, 0: none."""

    def __init__(self, number: int, kind: Kind) -> None:
        """Draw until the kind of deception can be played on it."""
        self.number = number
        rng = np.random.default_rng([77, number])
        scenario = draw_scenario(rng, healthy_share=1.0)
        while not kind.want(scenario):
            scenario = draw_scenario(rng, healthy_share=1.0)
        if number % 9 == 4:  # a slow instrument
            slow = tuple(replace(i, rate_hz=LOWEST_RATE_HZ) for i in scenario.instrument)
            scenario = replace(scenario, instrument=slow)
        rate = max(i.rate_hz for i in scenario.instrument)
        duration = min(float(rng.uniform(SHORTEST_S, LONGEST_S)), MOST_SAMPLES / rate)
        self.faulty = 0
        n = scenario.engine.cylinders
        standing = scenario.drive.condition in ("start", "crank", "overrun")
        if kind.faulty and number % 3 == 2 and n > 2 and not standing:
            self.faulty = int(rng.integers(1, n + 1))
            word = FAULTS[int(rng.integers(len(FAULTS)))]
            shared = scenario.engine.ignition != "coil_on_plug"
            if shared and word in ("no_primary", "weak_coil"):
                word = "mixture"
            rate = 1.0 if n > 3 else 0.5
            fault = FaultModel(type=word, cylinder=self.faulty, rate=rate, pattern="random")
            scenario = replace(scenario, fault=(fault,))
        self.scenario = replace(scenario, duration_s=round(duration, 2), format="wav")

    def play(self, run: Callable[..., EngineRun] = EngineRun, **changes: Any) -> SimulatedRecording:
        """Simulate the vehicle with some parts of its scenario changed, or an engine of its own."""
        with patch("misfire.simulate.recording.EngineRun", run):
            return simulate(replace(self.scenario, **changes))

    def drive(self, **changes: Any) -> Any:
        """Give the drive with some values changed."""
        return replace(self.scenario.drive, **changes)


Rule = Callable[[int, int, float, float], str]  # place in the order, count, time [s], rev/min


def make_ruled(
    rule: Rule,
    *,
    retard_deg: Callable[[float], float] = lambda time_s: 0.0,
    load_nm: Callable[[int], float] = lambda place: 0.0,
    starts_again: bool = True,
) -> Callable[..., EngineRun]:
    """Make an engine whose control unit drops fuel or sparks by a rule of its own.

    The rule says `fuel` (no injection), `spark` (neither spark nor injection) or nothing.
    `load_nm`: a pump's pulse at the crank in the power stroke of one place in the order.
    """

    class Ruled(EngineRun):
        """An engine with a control unit of its own."""

        _now = 0.0

        def __init__(self, scenario: Scenario, rng: Rng) -> None:
            super().__init__(scenario, rng)
            plain = self.controls.compute_advance
            self.controls.compute_advance = lambda rpm: plain(rpm) - retard_deg(self._now)

        def _starter(self) -> Any:
            starter = super()._starter()
            return starter if starts_again else replace(starter, stall_nm=0.0)

        def _fire(self, which: int, cycle_count: int, w: float, time: float, tick: int) -> Any:
            self._now = time
            word = rule(which, cycle_count, time, w * 30 / math.pi)
            kept = self.controls.is_cut
            self.controls.is_cut = kept or bool(word)
            total = super()._fire(which, cycle_count, w, time, tick)
            self.controls.is_cut = kept
            if word == "spark":
                firing = self.firings[-1]
                firing.strikes.clear()
                firing.no_trigger, firing.commanded_s, firing.sparked = True, 0.0, False
            nm = load_nm(which)
            if nm:
                half = total.size // 2
                pulse = np.hanning(total.size // 6)
                pulse *= nm * math.pi / 2 / pulse.sum()
                total[half : half + pulse.size] -= pulse
            return total

    return Ruled


def change_counts(
    sim: SimulatedRecording, change: Callable[[int, Any], Any], only: Any = None
) -> SimulatedRecording:
    """Give every channel, or some, other counts."""
    chosen = range(len(sim.channels)) if only is None else only
    channels = tuple(
        replace(c, counts=np.clip(np.rint(change(i, c.counts)), -32768, FULL).astype(np.int16))
        if i in chosen
        else c
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=channels)


def change_card(sim: SimulatedRecording, **parts: Any) -> SimulatedRecording:
    """Let the job card tell of something else than was recorded."""
    bare = tuple(replace(c, cylinders=()) for c in sim.scenario.channel)  # the card has sim's own
    coil = replace(sim.scenario.coil, strikes=1)  # played already; no distributor has several
    return replace(sim, scenario=replace(sim.scenario, channel=bare, fault=(), coil=coil, **parts))


def name_cylinders(
    sim: SimulatedRecording, new: Callable[[int, tuple[int, ...]], tuple[int, ...]]
) -> SimulatedRecording:
    """Let the job card say other cylinders of the channels."""
    channels = tuple(
        replace(c, model=replace(c.model, cylinders=new(i, c.model.cylinders)))
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=channels)


def pick_channels(sim: SimulatedRecording, rng: Rng, *, most: int = 99) -> list[int]:
    """Pick at least one channel."""
    n = len(sim.channels)
    return sorted(rng.permutation(n)[: int(rng.integers(1, min(most, n) + 1))].tolist())


def find_role(sim: SimulatedRecording, *roles: str) -> list[int]:
    """List the channels of some roles."""
    return [i for i, c in enumerate(sim.channels) if c.model.role in roles]


def measure_peak(counts: Any) -> float:
    """Give the usual peak of a channel about its middle."""
    some = counts[:: max(1, counts.size // 200_000)].astype(float)
    return float(np.quantile(np.abs(some - np.median(some)), 0.9995)) or 1.0


def has_crank(scenario: Scenario) -> bool:
    """Whether the crank was recorded."""
    return any(c.role == "crank" for c in scenario.channel)


def has_named_coil(scenario: Scenario) -> bool:
    """Whether a channel of some, not all, cylinders was recorded."""
    return any(0 < len(c.cylinders) < scenario.engine.cylinders for c in scenario.channel)


def runs(scenario: Scenario) -> bool:
    """Whether the engine runs in the recording."""
    return scenario.drive.condition not in ("start", "crank")


def draw_pink(rng: Rng, n: int, power: float) -> Any:
    """Draw noise whose power falls with frequency, spread 1."""
    m = 1 << (n - 1).bit_length()
    spectrum = np.fft.rfft(rng.standard_normal(m).astype(np.float32))
    spectrum[1:] *= np.arange(1, spectrum.size) ** (-power / 2)
    spectrum[0] = 0
    wave = np.fft.irfft(spectrum)[:n]
    return wave / (wave.std() or 1.0)


def draw_clicks(rng: Rng, n: int, rate_hz: float, per_s: float) -> Any:
    """Draw clicks at random that ring down, peak about 1."""
    wave = np.zeros(n)
    tau = rate_hz * 10 ** rng.uniform(-4.5, -2.5)
    length = int(min(n, 6 * tau)) + 2
    t = np.arange(length)
    ring = np.exp(-t / tau) * np.cos(t / tau * rng.uniform(0, 6))
    for at in rng.integers(0, n, min(4000, int(per_s * n / rate_hz) + 1)):
        part = wave[at : at + length]
        part += float(rng.choice((-1, 1)) * rng.lognormal(0, 0.6)) * ring[: part.size]
    return wave


def draw_hum(rng: Rng, t: Any, steep: float = 1.0) -> Any:
    """Draw mains hum with its harmonics, peak about 1."""
    mains = float(rng.choice((50.0, 60.0)))
    orders = (1, 2, 3, 4, 5, 6, 7, 9, 11, 13)
    wave = sum(
        rng.uniform(0, 1) / k**steep * np.sin(2 * np.pi * k * mains * t + rng.uniform(0, 6.3))
        for k in orders
    )
    return wave / (np.abs(wave).max() or 1.0)
