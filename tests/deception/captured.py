"""Kinds of deception by instrument, hook-up and card, made after all that other parts led to.

Nothing was made with them before their first count. A third of the vehicles truly have a fault
where `faulty` says so.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate.dice import Dice
from misfire.simulate.draw import draw_engine
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import ChannelModel, FaultModel, Scenario
from tests.deception.vehicles import (
    FULL,
    Kind,
    Rng,
    Vehicle,
    change_card,
    change_counts,
    draw_hum,
    find_role,
    has_crank,
    has_named_coil,
    measure_peak,
    name_cylinders,
    pick_channels,
    runs,
)


def freeze_blocks(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the instrument give a block twice where it had no new one, in one channel or in all."""
    sim = v.play()
    length = float(10 ** rng.uniform(-2.3, -0.3))
    places = rng.uniform(0.05, 0.9, int(rng.integers(2, 25)))
    chosen = None if rng.random() < 0.5 else pick_channels(sim, rng, most=1)

    def freeze(i: int, counts: Any) -> Any:
        out, n = counts.copy(), int(length * sim.channels[i].rate_hz)
        for at in (places * out.size).astype(int):
            part = out[at : at + n]
            part[:] = out[max(0, at - n) : at][: part.size] if at >= n else part
        return out

    return change_counts(sim, freeze, chosen)


def bridge_gaps(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Lose samples in one channel, which the export bridges by straight lines."""
    sim = v.play()
    mean_s, per_s = float(10 ** rng.uniform(-3.5, -1.2)), float(10 ** rng.uniform(0.0, 1.5))

    def bridge(i: int, counts: Any) -> Any:
        rate, out = sim.channels[i].rate_hz, counts.astype(float)
        for at in rng.integers(0, out.size - 2, int(per_s * out.size / rate)):
            stop = min(out.size - 1, int(at) + 2 + int(rng.exponential(mean_s) * rate))
            out[at:stop] = np.linspace(out[at], out[stop], stop - at, endpoint=False)
        return out

    return change_counts(sim, bridge, pick_channels(sim, rng, most=1))


def hear_mains(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Leave the leads of the coils unplugged beside a mains lead; the crank is as it should."""
    sim = v.play()
    steep, size = float(rng.uniform(0.5, 2.5)), float(10 ** rng.uniform(2.0, 4.3))

    def hum(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        return size * draw_hum(rng, t, steep) + rng.normal(0, 3, counts.size)

    coils = find_role(sim, "coil_primary")
    return change_counts(sim, hum, coils[: int(rng.integers(1, len(coils) + 1))])


def clip_on_injector(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Clip on an injector's wire where the card says a coil's primary."""
    own = v.scenario
    chosen = [i for i, c in enumerate(own.channel) if c.role == "coil_primary"]
    chosen = chosen[: int(rng.integers(1, len(chosen) + 1))]
    one = [c.cylinders[:1] for c in own.channel]
    channels = tuple(
        replace(c, role="injector_voltage", cylinders=one[i], range=100.0) if i in chosen else c
        for i, c in enumerate(own.channel)
    )
    sim = v.play(channel=channels)
    told = tuple(
        replace(c, model=replace(c.model, role="coil_primary", cylinders=own.channel[i].cylinders))
        if i in chosen
        else c
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=told)


def lose_the_crank(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """A cylinder hardly works though its spark is good, and the crank sensor is dead."""
    n = v.scenario.engine.cylinders
    v.faulty = int(rng.integers(1, n + 1))
    word, kind = (("mixture", "no_fuel"), ("low_compression", "leak"))[int(rng.integers(2))]
    fault = FaultModel(type=word, kind=kind, cylinder=v.faulty, rate=1.0)
    left = tuple(c for c in v.scenario.channel if c.role == "crank" or c.role.startswith("coil_"))
    sim = v.play(fault=(fault,), channel=left)
    word = str(rng.choice(("open", "short", "half")))

    def die(i: int, counts: Any) -> Any:
        noise = np.median(counts) + rng.normal(0, 3, counts.size)
        live = int(counts.size * rng.uniform(0.02, 0.1)) if word == "half" else 0
        noise[:live] = counts[:live]
        return np.zeros(counts.size) if word == "short" else noise

    return change_counts(sim, die, find_role(sim, "crank"))


def warm_a_clock(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let one channel's clock drift as its instrument warms up: later and later."""
    sim = v.play()
    late, bend = float(10 ** rng.uniform(-3.3, -1.3)), float(rng.uniform(1.0, 3.0))

    def drift(i: int, counts: Any) -> Any:
        x = np.arange(counts.size) / counts.size
        place = np.arange(counts.size) - late * sim.channels[i].rate_hz * x**bend
        return np.interp(place, np.arange(counts.size), counts.astype(float))

    return change_counts(sim, drift, [int(rng.integers(len(sim.channels)))])


def warm_a_clamp(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the clamp's zero and gain creep with its temperature, into the stop now and then."""
    sim = v.play()
    size, gain = float(rng.choice((-1, 1)) * rng.uniform(0.15, 1.6)), float(rng.uniform(-0.4, 0.2))
    tau = float(rng.uniform(0.1, 1.0))

    def creep(i: int, counts: Any) -> Any:
        warm = 1 - np.exp(-np.linspace(0, 1, counts.size) / tau)
        out = counts * (1 + gain * warm) + size * measure_peak(counts) * warm
        return np.clip(out, -FULL, FULL)

    return change_counts(sim, creep, find_role(sim, "coil_current"))


def attenuate_too_little(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Set an attenuator too low on one coil or all: all above some volts is cut off, one-sided."""
    sim = v.play()
    coils = find_role(sim, "coil_primary")
    chosen = coils if rng.random() < 0.4 else coils[: int(rng.integers(1, len(coils) + 1))]
    top, bottom = float(10 ** rng.uniform(1.25, 2.2)), float(rng.uniform(-10, 1.0))

    def cut(i: int, counts: Any) -> Any:
        scale = sim.channels[i].scale
        return np.clip(counts, bottom / scale, top / scale)

    return change_counts(sim, cut, chosen)


def hear_the_car_beside(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the ignition of the car beside write its spikes into all channels."""
    sim = v.play()
    engine = draw_engine(Dice(rng))
    every = ChannelModel(role="coil_primary", cylinders=engine.firing_order, range=500.0)
    drive = v.drive(condition="idle", blip_s=0.0)
    waves = v.play(
        seed=v.scenario.seed + 11, engine=engine, drive=drive, fault=(), channel=(every,)
    ).channels[0].counts  # fmt: skip
    spikes = np.diff(waves.astype(float), prepend=float(waves[0]))
    spikes /= np.abs(spikes).max() or 1.0
    share = float(10 ** rng.uniform(-2.0, -0.1))

    def hear(i: int, counts: Any) -> Any:
        return counts + share * measure_peak(counts) * np.resize(spikes, counts.size)

    return change_counts(sim, hear)


def take_the_next_coil(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Clip on the coil that fires next, not on the one that the card says."""
    sim = v.play()
    engine = sim.scenario.engine
    order, step = engine.firing_order, int(rng.choice((-1, 1)))
    waste = [tuple(sorted(p)) for p in engine.to_engine().waste_pairs]
    told = {}
    for i, c in enumerate(sim.channels):
        if c.model.role.startswith("coil_") and 0 < len(c.model.cylinders) < engine.cylinders:
            at = order.index(c.model.cylinders[0])
            after = order[(at + step) % len(order)]
            told[i] = next((p for p in waste if after in p), (after,))
    used = [c.model.cylinders for c in sim.channels]
    if len(told) > 1:  # the leads of neighbours changed places
        i = next(iter(told))
        k = next((k for k in told if used[k] == told[i]), i)
        told = {i: used[k], k: used[i]} if k != i else {i: told[i]}
    return name_cylinders(change_card(sim), lambda i, c: told.get(i, c))


def swap_two_in_the_order(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Type two neighbours of the firing order the wrong way round; the named coils contradict."""
    sim = v.play()
    engine = sim.scenario.engine
    order = list(engine.firing_order)
    at = int(rng.integers(1, len(order) - 1)) if len(order) > 2 else 0
    order[at], order[at + 1] = order[at + 1], order[at]
    wrong = replace(engine, firing_order=tuple(order), waste_pairs=engine.waste_pairs)
    return change_card(sim, engine=wrong)


def has_primary(s: Scenario) -> bool:
    """A coil primary and the crank of a running engine."""
    return runs(s) and has_crank(s) and any(c.role == "coil_primary" for c in s.channel)


def has_every_coil(s: Scenario) -> bool:
    """Each coil of one cylinder has a channel of its own."""
    named = [c for c in s.channel if c.role == "coil_primary" and len(c.cylinders) == 1]
    return len(named) == s.engine.cylinders > 2 and runs(s)


def hides_work(s: Scenario) -> bool:
    """Only coils and the crank: nothing else shows what a cylinder's charge did."""
    return has_primary(s) and s.engine.cylinders > 2


CAPTURED: dict[str, Kind] = {
    "blocks frozen": Kind(freeze_blocks, want=runs, faulty=True),
    "gaps bridged": Kind(bridge_gaps, want=runs, faulty=True),
    "mains for a coil": Kind(hear_mains, want=has_primary, faulty=True),
    "injector for a coil": Kind(clip_on_injector, want=has_primary, faulty=True),
    "crank dead, no work": Kind(lose_the_crank, empty=True, want=hides_work),
    "clock warms": Kind(warm_a_clock, want=lambda s: len(s.channel) > 1 and runs(s), faulty=True),
    "clamp warms": Kind(
        warm_a_clamp,
        want=lambda s: runs(s) and any(c.role == "coil_current" for c in s.channel),
        faulty=True,
    ),
    "attenuator too low": Kind(attenuate_too_little, want=has_primary, faulty=True),
    "the car beside": Kind(hear_the_car_beside, want=runs, faulty=True),
    "the next coil": Kind(
        take_the_next_coil,
        # the angle at which the coil fires contradicts its name
        want=lambda s: (
            has_named_coil(s) and hides_work(s) and bool(s.crank_wheel.gaps) and s.card.tdc
        ),
        faulty=True,
    ),
    "two swapped in the order": Kind(swap_two_in_the_order, want=has_every_coil, faulty=True),
}
