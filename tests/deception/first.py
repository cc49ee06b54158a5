# ruff: noqa: E501
"""The first kinds of deception, on twelve short vehicles; many a fix was made with them."""

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate import Scenario, simulate
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import (
    ChannelModel,
    EngineModel,
    FaultModel,
    InstrumentModel,
    WheelModel,
)

RATE_HZ = 50e3
DURATION_S = 5.0

Kind = Callable[[SimulatedRecording, np.random.Generator], SimulatedRecording]


@functools.lru_cache(maxsize=64)
def play_vehicle(number: int, cylinder: int = 0, fault: str = "mixture") -> SimulatedRecording:
    """Simulate one of a few vehicles: sound, or with one cylinder that always fails."""
    order = ((1, 3, 4, 2), (1, 2, 4, 3), (1, 2, 3), (1, 5, 3, 6, 2, 4))[number % 4]
    coils = tuple(
        ChannelModel(role="coil_primary", cylinders=(c,), range=500.0) for c in sorted(order)
    )
    crank = ChannelModel(role="crank", range=20.0)
    current = ChannelModel(role="coil_current", range=20.0)
    channels = ((crank, *coils), (crank, current), (crank, coils[0], current))[number % 3]
    scenario = Scenario(
        seed=100 + number,
        duration_s=DURATION_S,
        vehicle=f"decoy-{number}",
        engine=EngineModel(cylinders=len(order), firing_order=order),
        instrument=(InstrumentModel(rate_hz=RATE_HZ),),
        channel=channels,
        fault=(FaultModel(type=fault, cylinder=cylinder),) if cylinder else (),
    )
    return simulate(scenario)


def change_counts(sim: SimulatedRecording, change: Callable[[int, Any], Any]) -> SimulatedRecording:
    """Give every channel other counts."""
    channels = tuple(
        replace(c, counts=np.clip(np.rint(change(i, c.counts)), -32768, 32767).astype(np.int16))
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=channels)


def change_engine(sim: SimulatedRecording, **values: Any) -> SimulatedRecording:
    """Let the job card tell of another engine than was recorded."""
    engine = replace(sim.scenario.engine, **values)
    bare = tuple(replace(c, cylinders=()) for c in sim.scenario.channel)  # the card has sim's own
    return replace(sim, scenario=replace(sim.scenario, engine=engine, channel=bare, fault=()))


def make_noise(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Nothing was connected: noise, of a level of its own in each channel."""
    return change_counts(sim, lambda i, c: rng.normal(0, 10 ** rng.uniform(0, 3.8), c.size))


def make_hum(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Mains hum with its harmonics."""
    mains = float(rng.choice((50.0, 60.0)))

    def hum(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / RATE_HZ
        parts = zip(range(1, 8), 10 ** rng.uniform(1, 3.5, 7), rng.uniform(0, 6.3, 7), strict=True)
        wave = sum(a / k * np.sin(2 * np.pi * k * mains * t + p) for k, a, p in parts)
        return wave + rng.normal(0, 5, counts.size)

    return change_counts(sim, hum)


def make_generator(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Play a signal generator: steady squares and pulses."""

    def wave(i: int, counts: Any) -> Any:
        phase = np.arange(counts.size) / RATE_HZ * 10 ** rng.uniform(0.5, 3.3) % 1
        return 6000 * (phase < rng.choice((0.02, 0.3, 0.5))) + rng.normal(0, 3, counts.size)

    return change_counts(sim, wave)


def take_other_card(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Take the card of another engine."""
    orders = [(1, 2, 3), (1, 3, 4, 2), (1, 2, 4, 5, 3), (1, 5, 3, 6, 2, 4), (1, 2)]
    n = sim.scenario.engine.cylinders
    order = [o for o in orders if len(o) != n][int(rng.integers(4))]
    other = change_engine(sim, cylinders=len(order), firing_order=order)
    channels = tuple(
        replace(c, model=replace(c.model, cylinders=tuple(k for k in c.model.cylinders if k <= len(order))))
        for c in other.channels
    )  # fmt: skip
    return replace(other, channels=channels)


def take_other_wheel(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Tell of another crank wheel."""
    wheels = (WheelModel(positions=36, gaps=((36,),)), WheelModel(positions=58, gaps=()))
    wheel = wheels[int(rng.integers(2))]
    return replace(sim, scenario=replace(sim.scenario, crank_wheel=wheel))


def take_other_order(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Give a wrong firing order."""
    order = sim.scenario.engine.firing_order
    while True:
        other = (1, *(int(c) for c in rng.permutation(order[1:])))
        if other != order or len(order) < 3:
            return change_engine(sim, firing_order=other)


def join_vehicles(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Let a second vehicle's recording follow the first one's."""
    other = play_vehicle(sim.scenario.seed - 100 + 12)

    def join(i: int, counts: Any) -> Any:
        cut = int(counts.size * rng.uniform(0.3, 0.7)) if i == 0 else join.cut  # type: ignore[attr-defined]
        join.cut = cut  # type: ignore[attr-defined]
        tail = other.channels[i].counts * (other.channels[i].scale / sim.channels[i].scale)
        return np.concatenate([counts[:cut], tail[cut:]])

    return change_counts(sim, join)


def kill_half(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Half of the channels are dead: a constant, or the noise of an open input."""
    n = len(sim.channels)
    dead = set(rng.permutation(n)[: max(1, n // 2)].tolist())
    noisy = bool(rng.integers(2))

    def kill(i: int, counts: Any) -> Any:
        return (rng.normal(0, 2.0, counts.size) if noisy else 0 * counts) if i in dead else counts

    return change_counts(sim, kill)


def clip_to_squares(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Clipped until nothing but two levels is left."""
    share = float(rng.choice((0.002, 0.02, 0.1)))

    def clip(i: int, counts: Any) -> Any:
        middle = float(np.median(counts))
        edge = max(1.0, share * float(np.abs(counts - middle).max()))
        return np.clip(counts, middle - edge, middle + edge)

    return change_counts(sim, clip)


def run_time_otherwise(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Tell another sampling rate than it was taken at."""
    factor = float(rng.choice((0.25, 0.5, 0.8, 1.25, 2.0, 4.0)))
    channels = tuple(replace(c, rate_hz=c.rate_hz * factor) for c in sim.channels)
    return replace(sim, channels=channels)


def reverse_time(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Run the recording backwards."""
    return change_counts(sim, lambda i, c: c[::-1])


def swap_roles(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Exchange the leads: what the card calls the crank is a coil."""
    shift = int(rng.integers(1, len(sim.channels)))
    counts = [c.counts for c in sim.channels]
    return change_counts(sim, lambda i, c: counts[(i + shift) % len(counts)])


def copy_one(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Every coil channel holds the same signal: one lead, split."""
    coil = next(i for i, c in enumerate(sim.channels) if c.model.role != "crank")
    same = sim.channels[coil].counts
    return change_counts(sim, lambda i, c: c if i < coil else same)


def drop_out(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Lose pieces, in all channels at once."""
    n = sim.channels[0].counts.size
    lost = np.zeros(n, bool)
    for start in rng.integers(0, n, int(rng.integers(3, 40))):
        lost[start : start + int(RATE_HZ * 10 ** rng.uniform(-3, -0.7))] = True
    return change_counts(sim, lambda i, c: np.where(lost, 0, c))


def shuffle_pieces(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Pieces in another order, as a broken transfer leaves them."""
    n = sim.channels[0].counts.size
    size = int(RATE_HZ * rng.choice((0.02, 0.1, 0.5)))
    order = rng.permutation(n // size)
    places = (order[:, None] * size + np.arange(size)).ravel()
    return change_counts(sim, lambda i, c: c[places])


def bury_in_noise(sim: SimulatedRecording, rng: np.random.Generator) -> SimulatedRecording:
    """Put the signals under noise of up to nearly their size."""
    share = float(rng.choice((0.05, 0.2, 0.6)))

    def bury(i: int, counts: Any) -> Any:
        return counts + rng.normal(0, share * np.abs(counts.astype(float)).max(), counts.size)

    return change_counts(sim, bury)


FIRST: dict[str, Kind] = {
    "noise": make_noise,
    "mains hum": make_hum,
    "signal generator": make_generator,
    "card of another engine": take_other_card,
    "card of another wheel": take_other_wheel,
    "wrong firing order": take_other_order,
    "two vehicles joined": join_vehicles,
    "half of the channels dead": kill_half,
    "clipped to squares": clip_to_squares,
    "time at another rate": run_time_otherwise,
    "time reversed": reverse_time,
    "leads exchanged": swap_roles,
    "one lead split": copy_one,
    "drop-outs": drop_out,
    "pieces shuffled": shuffle_pieces,
    "buried in noise": bury_in_noise,
}


def make_first(kind: str, number: int) -> tuple[SimulatedRecording, int]:
    """Make one deceiving recording; also give the cylinder that truly fails, 0: none."""
    seed = [sorted(FIRST).index(kind), number]
    rng = np.random.default_rng(seed)
    # Where the engine's own cylinders can still be read, some vehicles are truly faulty.
    honest = ("wrong firing order", "half of the channels dead", "drop-outs", "buried in noise")
    told = kind != "wrong firing order" or number % 3 == 0  # every coil has its own channel
    faulty = int(rng.integers(1, 4)) if kind in honest and number // 3 % 3 == 2 and told else 0
    return FIRST[kind](play_vehicle(number % 12, faulty), rng), faulty
