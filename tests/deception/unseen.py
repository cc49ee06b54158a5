"""Kinds of deception that nothing was made with before they were first counted.

First count: 8 of 210 accused. What was learned from it was mended after that.
"""

from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate.dice import Dice
from misfire.simulate.draw import ODD_FIRE, ORDERS, draw_drive, draw_wheel
from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import ChannelModel
from tests.deception.vehicles import (
    FULL,
    Kind,
    Rng,
    Vehicle,
    change_card,
    change_counts,
    draw_clicks,
    draw_hum,
    has_crank,
    make_ruled,
    measure_peak,
    name_cylinders,
    pick_channels,
    runs,
)


def add_fan_noise(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Write the clicks of a fan motor's brushes, and their ringing, into the channels."""
    sim = v.play()
    share, hertz = float(10 ** rng.uniform(-1.7, 0.3)), float(rng.uniform(150, 2500))

    def brushes(i: int, counts: Any) -> Any:
        rate, n = sim.channels[i].rate_hz, counts.size
        at = np.cumsum(rng.normal(1, 0.06, int(1.3 * n / rate * hertz)) * rate / hertz)
        wave = np.zeros(n)
        at = at[(at > 0) & (at < n - 1)].astype(int)
        wave[at] = rng.lognormal(0, 0.5, at.size) * rng.choice((-1, 1), at.size)
        ring = np.exp(-np.arange(40) / 8) * np.cos(np.arange(40) * rng.uniform(0.2, 2))
        return counts + share * measure_peak(counts) * np.convolve(wave, ring)[:n]

    return change_counts(sim, brushes, pick_channels(sim, rng))


def play_hum_only(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Only mains hum, so strong that the instrument cuts it, with clicks at its peaks."""
    sim = v.play()

    def hum(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        wave = draw_hum(rng, t, steep=rng.uniform(0.3, 1.5))
        limit = rng.uniform(0.3, 1.0)
        clicks = 0.3 * draw_clicks(rng, t.size, sim.channels[i].rate_hz, 100)
        size = 10 ** rng.uniform(2, 4.3)
        return size * (np.clip(wave, -limit, limit) + clicks * (rng.random() < 0.4))

    return change_counts(sim, hum)


def sweep_generator(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Sweep a generator's pulses in all channels, in step with one another."""
    sim = v.play()
    low, high = sorted(10 ** rng.uniform(0.7, 3.2, 2))
    swing = float(rng.uniform(0.5, 6))
    ratios = rng.choice((1, 1, 2, 4, 1 / 2, 30, 60), len(sim.channels))

    def pulses(i: int, counts: Any) -> Any:
        rate = sim.channels[i].rate_hz
        t = np.arange(counts.size) / rate
        hertz = low * (high / low) ** (0.5 - 0.5 * np.cos(2 * np.pi * t / swing))
        phase = np.cumsum(hertz) / rate * ratios[i] % 1
        wave = 5000 * (phase < rng.uniform(0.05, 0.6))
        spikes = np.append(np.diff(wave), 0) * rng.uniform(-4, 4)
        return wave + spikes + rng.normal(0, 3, counts.size)

    return change_counts(sim, pulses)


def join_two(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Another vehicle follows in the same file: the same engine elsewhere, or another engine."""
    sim = v.play()
    own, dice = v.scenario, Dice(rng)
    engine = own.engine
    if rng.random() < 0.5:
        cylinders = engine.cylinders
        order = ORDERS[cylinders][-1]
        wheel = draw_wheel(dice)
        engine = replace(
            engine,
            firing_order=order,
            waste_pairs=(),
            inertia_kgm2=engine.inertia_kgm2 * float(rng.uniform(0.6, 1.6)),
            cov=float(rng.uniform(0.02, 0.1)),
        )
    else:
        wheel = own.crank_wheel
    drive = replace(draw_drive(dice, engine), condition=str(rng.choice(("idle", "drive"))))
    other = v.play(
        seed=own.seed + 1, engine=engine, crank_wheel=wheel, drive=drive, fault=()
    )  # fmt: skip
    at = float(rng.uniform(0.25, 0.75))

    def join(i: int, counts: Any) -> Any:
        cut = int(at * counts.size)
        return np.concatenate([counts[:cut], other.channels[i].counts[cut:]])

    return change_counts(sim, join)


def strike_often(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Several strikes each firing, at all speeds."""
    coil = replace(
        v.scenario.coil,
        strikes=int(rng.integers(2, 9)),
        strike_ms=float(rng.uniform(0.2, 1.5)),
        strike_rpm=float(rng.choice((1000.0, 3000.0))),
    )
    return v.play(coil=coil)


def err_wheel(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Take a wheel made badly: large pitch errors and run-out."""
    wheel = replace(
        v.scenario.crank_wheel,
        pitch_error_deg=float(rng.uniform(0.15, 0.5)),
        gap_error_deg=float(rng.uniform(-1, 1)) if v.scenario.crank_wheel.gaps else 0.0,
        runout=0.3,
    )
    return v.play(crank_wheel=wheel)


def overrun_all(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Overrun with the fuel cut in the whole recording."""
    drive = v.drive(condition="cruise", vehicle_kg=4000.0, blip_s=0.0, cruise_rpm=3500.0)
    return v.play(make_ruled(lambda place, count, time, rpm: "fuel"), drive=drive)


def shift_gears(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Gear shifts with the ignition retarded, and a cut for some firings."""
    period, deep = float(rng.uniform(1.2, 3.5)), float(rng.uniform(10, 35))
    cut = float(rng.choice((0.0, 0.05, 0.12)))
    ruled = make_ruled(
        lambda place, count, time, rpm: "spark" if time > 0 and time % period < cut else "",
        retard_deg=lambda time: deep if time % period < 0.4 else 0.0,
    )
    return v.play(ruled, drive=v.drive(condition="drive", shift_s=period * 1.1, blip_s=0.0))


def idle_roughly(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Idle roughly, all cylinders alike: cold, large valve overlap, slow burning."""
    engine = replace(
        v.scenario.engine,
        cov=float(rng.uniform(0.1, 0.17)),
        cylinder_spread=float(rng.uniform(0.03, 0.07)),
        burn_deg=70.0,
    )
    drive = v.drive(condition=str(rng.choice(("idle", "cold_idle"))), blip_s=0.0)
    return v.play(engine=engine, drive=drive)


def take_other_spark(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell a distributor as coils on plugs, or coils on plugs as a distributor."""
    sim = v.play()
    engine = sim.scenario.engine
    to = "distributor" if engine.ignition == "coil_on_plug" else "coil_on_plug"
    sim = change_card(sim, engine=replace(engine, ignition=to, waste_pairs=()))
    if to == "coil_on_plug" and rng.random() < 0.7:  # and the coil is given to one cylinder
        return name_cylinders(sim, lambda i, c: c[:1])
    return sim


def take_wrong_count(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell the number of cylinders wrong."""
    sim = v.play()
    engine = sim.scenario.engine
    n = engine.cylinders
    counts = [k for k in (n - 1, n + 1, n + 2, n * 2, n // 2) if k in ORDERS and k != n]
    k = int(rng.choice(counts))
    order = ORDERS[k][int(rng.integers(len(ORDERS[k])))]
    ignition = engine.ignition
    if ignition == "wasted_spark" and k % 2:
        ignition = "coil_on_plug"
    engine = replace(
        engine,
        cylinders=k,
        firing_order=order,
        ignition=ignition,
        firing_angles_deg=(),
        waste_pairs=(),
    )
    sim = change_card(sim, engine=engine)
    return name_cylinders(sim, lambda i, c: tuple(x for x in c if x <= k))


def take_wrong_angles(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell an evenly firing engine to fire unevenly, or the other way round."""
    sim = v.play()
    engine = sim.scenario.engine
    angles: tuple[float, ...] = ()
    if not engine.firing_angles_deg:
        n = engine.cylinders
        angles = ODD_FIRE.get(n, ())
        if not angles:
            even = np.arange(n) * 720.0 / n
            shift = float(rng.uniform(20, 50)) * min(1.0, 4 / n)
            angles = tuple(float(a + shift * (i % 2)) for i, a in enumerate(even))
    return change_card(sim, engine=replace(engine, firing_angles_deg=angles))


def scale_wrongly(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell the attenuation of one or more channels wrong."""
    sim = v.play()
    chosen = pick_channels(sim, rng)
    factor = float(rng.choice((0.01, 0.1, 0.1, 10.0, 10.0, 20.0, 100.0)))
    channels = tuple(
        replace(c, scale=c.scale * factor) if i in chosen else c for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=channels)


def lose_buffers(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Lose buffers and join the rest without a mark, in one channel or in all."""
    sim = v.play()
    period, lost = float(rng.uniform(0.3, 2.0)), float(10 ** rng.uniform(-2.3, -0.6))
    chosen = None if rng.random() < 0.6 else pick_channels(sim, rng)

    def lose(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        kept = counts[t % period >= lost]
        out = np.full(counts.size, np.median(counts))
        out[: kept.size] = kept
        return out

    sim = change_counts(sim, lose, chosen)
    if chosen is None:
        n = min(int(c.counts.size * (1 - lost / period)) for c in sim.channels)
        return change_counts(sim, lambda i, c: c[: n - 2])
    return sim


def run_two_stroke(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Run a two-stroke engine, which the card takes for a four-stroke one."""
    own = v.scenario
    n = int(rng.choice((2, 3)))
    order = tuple(range(1, 2 * n + 1))
    pairs = tuple((k, k + n) for k in range(1, n + 1))
    engine = replace(
        own.engine,
        cylinders=2 * n,
        firing_order=order,
        ignition="wasted_spark",
        waste_pairs=pairs,
        firing_angles_deg=(),
    )
    coils = tuple(ChannelModel(role="coil_primary", cylinders=p, range=500.0) for p in pairs)
    crank = ChannelModel(role="crank", range=20.0)
    channels = (crank, *coils) if rng.random() < 0.6 else (crank, coils[0])
    drive = v.drive(condition="idle", blip_s=0.0)
    sim = v.play(engine=engine, channel=channels, drive=drive, instrument=own.instrument[:1])
    if rng.random() < 0.5:  # told as four-stroke with as many cylinders
        told = replace(
            engine, cylinders=n, firing_order=order[:n], ignition="coil_on_plug", waste_pairs=()
        )
        return name_cylinders(change_card(sim, engine=told), lambda i, c: c[:1])
    told = replace(engine, ignition=str(rng.choice(("wasted_spark", "coil_on_plug"))))
    if told.ignition == "coil_on_plug":
        told = replace(told, waste_pairs=())
        return name_cylinders(change_card(sim, engine=told), lambda i, c: c[:1])
    return change_card(sim, engine=told)


def key_on_only(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Key on, engine off: supply, a relay's click, now and then a pulse of a coil."""
    sim = v.play()
    at = rng.uniform(0.2, 0.8, int(rng.integers(1, 5)))

    def rest(i: int, counts: Any) -> Any:
        c = sim.channels[i]
        level = 12.3 / c.scale if c.model.role in ("coil_primary", "battery_voltage") else 0.0
        out = level + rng.normal(0, 2.5, counts.size)
        for share in at:
            k = int(share * counts.size)
            wave = draw_clicks(rng, int(0.01 * c.rate_hz) + 20, c.rate_hz, 100)
            out[k : k + wave.size] += 0.1 * FULL * wave[: out[k : k + wave.size].size]
        return out

    return change_counts(sim, rest)


def delay_one(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """One channel comes late: its first part is missing, and nothing says so."""
    sim = v.play()
    late = float(10 ** rng.uniform(-2.5, 0.3))

    def roll(i: int, counts: Any) -> Any:
        return np.roll(counts, int(late * sim.channels[i].rate_hz))

    return change_counts(sim, roll, [int(rng.integers(len(sim.channels)))])


def take_common_order(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Take the firing order of another maker, counted from another cylinder."""
    sim = v.play()
    engine = sim.scenario.engine
    others = [o for o in ORDERS[engine.cylinders] if o != engine.firing_order]
    base = others[int(rng.integers(len(others)))] if others else engine.firing_order
    k = int(rng.integers(engine.cylinders)) if rng.random() < 0.4 else 0
    order = base[k:] + base[:k]
    pairs = ()
    if engine.ignition == "wasted_spark":
        half = len(order) // 2
        pairs = tuple((order[i], order[i + half]) for i in range(half))
    return change_card(
        sim, engine=replace(engine, firing_order=order, waste_pairs=pairs, firing_angles_deg=())
    )


def clamp_elsewhere(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Put the current clamp round the lead of an injector."""
    own = v.scenario
    one = (int(rng.integers(1, own.engine.cylinders + 1)),)
    clamps = [i for i, c in enumerate(own.channel) if c.role == "coil_current"]
    seen = one if rng.random() < 0.5 else ()
    channels = tuple(
        replace(c, role="injector_current", cylinders=seen, range=5.0) if i in clamps else c
        for i, c in enumerate(own.channel)
    )
    sim = v.play(channel=channels)
    told = {i: own.channel[i] for i in clamps}
    renamed = tuple(
        replace(c, model=replace(told[i], range=5.0)) if i in told else c
        for i, c in enumerate(sim.channels)
    )
    return replace(sim, channels=renamed)


def blunt(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Leave a few steps of resolution, or a filter on that lets only slow changes through."""
    sim = v.play()
    filtered, hertz = bool(rng.integers(2)), float(10 ** rng.uniform(2.0, 3.5))

    def change(i: int, counts: Any) -> Any:
        if filtered:
            from scipy.signal import lfilter

            a = float(np.exp(-2 * np.pi * hertz / sim.channels[i].rate_hz))
            start = [a * float(counts[0])]
            return lfilter([1 - a], [1, -a], counts.astype(float), zi=start)[0]
        step = 2 * measure_peak(counts) / float(rng.integers(3, 17))
        return np.round(counts / step) * step

    return change_counts(sim, change, pick_channels(sim, rng))


def pulse_pump(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let a pump on the camshaft take a pulse of torque in one power stroke of every cycle."""
    litres = v.scenario.engine.displacement_l
    nm = litres * float(rng.uniform(2.0, 10.0))
    at = int(rng.integers(v.scenario.engine.cylinders))
    ruled = make_ruled(
        lambda place, count, time, rpm: "", load_nm=lambda place: nm if place == at else 0.0
    )
    return v.play(ruled)


UNSEEN: dict[str, Kind] = {
    "fan motor": Kind(add_fan_noise, faulty=True),
    "hum only, cut": Kind(play_hum_only, empty=True),
    "generator sweeps": Kind(sweep_generator, empty=True),
    "two vehicles, drawn": Kind(join_two, want=runs),
    "many strikes": Kind(
        strike_often, want=lambda s: s.engine.ignition != "distributor", faulty=True
    ),
    "wheel made badly": Kind(err_wheel, want=has_crank),
    "overrun throughout": Kind(overrun_all),
    "gear shifts": Kind(shift_gears, want=lambda s: s.engine.cylinders > 2),
    "rough idle": Kind(idle_roughly, want=has_crank),
    "distributor or not": Kind(
        take_other_spark,
        want=lambda s: s.engine.ignition != "wasted_spark" and s.engine.cylinders > 1,
        faulty=True,
    ),
    "number of cylinders wrong": Kind(take_wrong_count, want=runs),
    "firing angles wrong": Kind(
        take_wrong_angles,
        want=lambda s: s.engine.cylinders > 1 and s.engine.ignition != "wasted_spark",
        faulty=True,
    ),
    "attenuation wrong": Kind(scale_wrongly, faulty=True),
    "buffers lost": Kind(lose_buffers, faulty=True),
    "two-stroke engine": Kind(run_two_stroke),
    "key on, engine off": Kind(key_on_only, empty=True),
    "one channel late": Kind(delay_one, want=lambda s: len(s.channel) > 1, faulty=True),
    "order of another maker": Kind(
        take_common_order, want=lambda s: s.engine.cylinders > 3, faulty=True
    ),
    "clamp on an injector": Kind(
        clamp_elsewhere, want=lambda s: any(c.role == "coil_current" for c in s.channel)
    ),
    "blunted": Kind(blunt, faulty=True),
    "pump pulses": Kind(pulse_pump, want=has_crank),
}
