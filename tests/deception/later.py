"""Kinds of deception thought of after all fixes: nothing was made with them either."""

from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate.dice import Dice
from misfire.simulate.draw import draw_drive, draw_engine, draw_wheel
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import ChannelModel
from tests.deception.vehicles import (
    Kind,
    Rng,
    Vehicle,
    change_card,
    change_counts,
    find_role,
    has_crank,
    make_ruled,
    pick_channels,
    runs,
)


def clip_on_trigger(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Clip on the coil's command where the card says its primary."""
    own = v.scenario
    chosen = [i for i, c in enumerate(own.channel) if c.role == "coil_primary"]
    chosen = chosen[: int(rng.integers(1, len(chosen) + 1))]
    channels = tuple(
        replace(c, role="coil_trigger", range=20.0) if i in chosen else c
        for i, c in enumerate(own.channel)
    )
    sim = v.play(channel=channels)
    told = tuple(
        replace(c, model=replace(c.model, role="coil_primary")) if i in chosen else c
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=told)


def take_other_crank(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Record the crank of the engine beside, or the sensor of a road wheel."""
    sim = v.play()
    dice = Dice(rng)
    engine = draw_engine(dice)
    while engine.cylinders < 3:
        engine = draw_engine(dice)
    drive = replace(draw_drive(dice, engine), condition=str(rng.choice(("idle", "cruise"))))
    wheel = v.scenario.crank_wheel if rng.random() < 0.6 else draw_wheel(dice)
    crank = ChannelModel(role="crank", range=20.0)
    other = v.play(
        seed=v.scenario.seed + 7,
        engine=engine,
        drive=drive,
        crank_wheel=wheel,
        channel=(replace(crank, instrument=0),),
        fault=(),
    ).channels[0].counts  # fmt: skip

    def put(i: int, counts: Any) -> Any:
        return np.resize(other, counts.size)

    return change_counts(sim, put, find_role(sim, "crank"))


def wobble_clock(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the clock of one channel run fast and slow by turns."""
    sim = v.play()
    size, hertz = float(10 ** rng.uniform(-3.5, -1.3)), float(rng.uniform(0.1, 3))

    def wobble(i: int, counts: Any) -> Any:
        n = counts.size
        t = np.arange(n) / sim.channels[i].rate_hz
        warped = t + size / (2 * np.pi * hertz) * np.sin(2 * np.pi * hertz * t)
        return np.interp(warped, t, counts.astype(float))

    return change_counts(sim, wobble, [int(rng.integers(len(sim.channels)))])


def change_fuel(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Leave the whole engine without fuel for a moment, once or again and again."""
    length, period = float(rng.uniform(0.1, 0.8)), float(rng.uniform(2.0, 6.0))
    return v.play(
        make_ruled(lambda place, count, time, rpm: "fuel" if time % period < length else "")
    )


def starve_all(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let every cylinder lose combustions at random: a mixture too lean for the whole engine."""
    chance = float(rng.uniform(0.03, 0.2))
    dice = np.random.default_rng(int(rng.integers(1 << 30)))
    return v.play(
        make_ruled(lambda place, count, time, rpm: "fuel" if dice.random() < chance else "")
    )


def switch_load(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Switch a compressor on and off all the time."""
    drive = v.drive(
        compressor_nm=min(30.0, 14.0 * v.scenario.engine.displacement_l),
        compressor_s=1.0,
        blip_s=float(rng.choice((0.0, 1.5))),
    )
    return v.play(drive=drive)


def reverse_one(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Run one channel backwards."""
    sim = v.play()
    return change_counts(sim, lambda i, c: c[::-1], pick_channels(sim, rng, most=1))


def count_otherwise(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Count the cylinders of the channels from the other end of the engine."""
    sim = v.play()
    n = sim.scenario.engine.cylinders
    channels = tuple(
        replace(c, model=replace(c.model, cylinders=tuple(n + 1 - k for k in c.model.cylinders)))
        for c in sim.channels
    )
    return replace(change_card(sim), channels=channels)


LATER: dict[str, Kind] = {
    "lead on the trigger": Kind(
        clip_on_trigger,
        want=lambda s: any(c.role == "coil_primary" for c in s.channel) and runs(s),
    ),
    "crank of another engine": Kind(take_other_crank, want=has_crank),
    "clock wobbles": Kind(wobble_clock, want=lambda s: len(s.channel) > 1 and runs(s), faulty=True),
    "fuel gone for a moment": Kind(change_fuel, want=lambda s: runs(s) and has_crank(s)),
    "whole engine too lean": Kind(
        starve_all, want=lambda s: runs(s) and has_crank(s) and s.engine.cylinders > 2
    ),
    "load switched": Kind(switch_load, want=lambda s: runs(s) and has_crank(s)),
    "one channel backwards": Kind(reverse_one, want=lambda s: len(s.channel) > 1, faulty=True),
    "counted from the other end": Kind(
        count_otherwise,
        want=lambda s: s.engine.cylinders > 2 and any(c.cylinders for c in s.channel),
    ),
}
