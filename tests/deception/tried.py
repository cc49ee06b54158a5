"""Kinds of deception that the causes were looked for with."""

from dataclasses import replace
from typing import Any

import numpy as np

from misfire.simulate.recording import SimulatedRecording
from misfire.simulate.scenario import FaultModel, WheelModel
from tests.deception.vehicles import (
    FULL,
    Kind,
    Rng,
    Vehicle,
    change_card,
    change_counts,
    draw_clicks,
    draw_hum,
    draw_pink,
    find_role,
    has_crank,
    has_named_coil,
    make_ruled,
    measure_peak,
    name_cylinders,
    pick_channels,
    runs,
)


def play_coloured_noise(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Nothing but pink or brown noise, clicks, or a level that jumps at random."""
    sim = v.play()

    def noise(i: int, counts: Any) -> Any:
        n, size = counts.size, 10 ** rng.uniform(1.5, 4.2)
        rate = sim.channels[i].rate_hz
        match int(rng.integers(4)):
            case 0:
                wave = draw_pink(rng, n, 1.0)
            case 1:
                wave = draw_pink(rng, n, 2.0)
            case 2:
                wave = draw_clicks(rng, n, rate, 10 ** rng.uniform(0.5, 2.5))
            case _:
                flips = rng.random(n) < 10 ** rng.uniform(1, 3) / rate
                wave = np.where(np.cumsum(flips) % 2, 1.0, 0.0)
        return size * wave + rng.normal(0, 3, n)

    return change_counts(sim, noise)


def add_hum(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Strong mains hum on one or more channels."""
    sim = v.play()
    share = float(rng.choice((0.05, 0.2, 0.6)))

    def hum(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        return counts + share * measure_peak(counts) * draw_hum(rng, t)

    return change_counts(sim, hum, pick_channels(sim, rng))


def replace_crank(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Put a generator's square, triangle or sine in the place of the crank sensor."""
    sim = v.play()

    def wave(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        phase = 10 ** rng.uniform(1.5, 3.3) * t * (1 + rng.uniform(0, 0.01) * np.sin(t)) % 1
        shapes = (phase < 0.5, 2 * np.abs(phase - 0.5), 0.5 + 0.5 * np.sin(2 * np.pi * phase))
        return 9000 * shapes[int(rng.integers(3))] + rng.normal(0, 3, counts.size)

    return change_counts(sim, wave, find_role(sim, "crank"))


def add_alternator(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Ripple of a bad alternator on every voltage of the supply."""
    sim = v.play()
    hertz = float(rng.uniform(800, 3000)) / 60 * 2.5 * 6 * 6
    volts = float(rng.uniform(0.5, 5.0))
    third = rng.uniform(0.2, 1.0)  # one of three phases is weak

    def ripple(i: int, counts: Any) -> Any:
        t = np.arange(counts.size) / sim.channels[i].rate_hz
        wave = np.abs(np.sin(np.pi * hertz * t)) + third * np.sin(np.pi * hertz / 3 * t)
        return counts + volts / sim.channels[i].scale * wave

    return change_counts(sim, ripple, find_role(sim, "coil_primary", "battery_voltage"))


def cut_out(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """One or some channels are gone for seconds."""
    sim = v.play()

    def cut(i: int, counts: Any) -> Any:
        rate, n = sim.channels[i].rate_hz, counts.size
        out = counts.astype(float)
        for _ in range(int(rng.integers(1, 4))):
            start = int(rng.uniform(0, 0.9) * n)
            stop = n if rng.random() < 0.3 else start + int(rate * rng.uniform(0.5, 4))
            level = (0.0, float(np.median(counts)), float(counts[start]))[int(rng.integers(3))]
            out[start:stop] = level + rng.normal(0, 2, out[start:stop].size)
        return out

    return change_counts(sim, cut, pick_channels(sim, rng))


def drift(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the zero of one or more channels wander far."""
    sim = v.play()

    def wander(i: int, counts: Any) -> Any:
        t = np.linspace(0, 1, counts.size)
        size = rng.uniform(0.1, 1.0) * measure_peak(counts) * rng.choice((-1, 1))
        slow = np.sin(2 * np.pi * rng.uniform(0.3, 6) * t + rng.uniform(0, 6))
        return counts + size * (t if rng.random() < 0.5 else slow)

    return change_counts(sim, wander, pick_channels(sim, rng))


def reverse_some(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Leads of any channels the wrong way round."""
    sim = v.play()
    return change_counts(sim, lambda i, c: -c.astype(float), pick_channels(sim, rng))


def repeat_twice(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Put the same capture into the file twice."""
    sim = v.play()
    n = int(rng.uniform(0.3, 1.0) * min(c.counts.size for c in sim.channels))
    return change_counts(sim, lambda i, c: np.concatenate([c[:n], c[:n]]))


def stretch_one(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """One instrument's card is out by 3 or 30 per cent."""
    sim = v.play()
    factor = float(rng.choice((0.7, 0.97, 1.03, 1.3)))
    apart = [i for i, c in enumerate(sim.channels) if c.instrument == 1]
    if not apart:
        apart = [int(rng.integers(len(sim.channels)))]
    channels = tuple(
        replace(c, instrument=1, rate_hz=float(round(c.rate_hz * factor))) if i in apart else c
        for i, c in enumerate(sim.channels)
    )
    card = replace(sim.scenario.card, start=False)
    return replace(sim, channels=channels, scenario=replace(sim.scenario, card=card))


def take_wrong_rate(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell the rate of all channels wrong, by 2 or 10."""
    sim = v.play()
    factor = float(rng.choice((0.1, 0.5, 2.0, 10.0)))
    return replace(
        sim, channels=tuple(replace(c, rate_hz=c.rate_hz * factor) for c in sim.channels)
    )


def take_wrong_tdc(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Put the card's tdc_deg out by a lot."""
    sim = v.play()
    wheel = sim.scenario.crank_wheel
    wrong = (wheel.tdc_deg + float(rng.choice((60, 90, 120, 180, 240, 270, 300)))) % 360.0
    return change_card(
        sim,
        crank_wheel=replace(wheel, tdc_deg=wrong),
        card=replace(sim.scenario.card, tdc=True, wheel=True),
    )


def swap_coils(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Exchange the leads of two coils, or put the one on another coil than the card says."""
    sim = v.play()
    own = [i for i, c in enumerate(sim.channels) if c.model.cylinders]
    names = [sim.channels[i].model.cylinders for i in own]
    several = {n for n in names if n}
    if len(several) > 1:
        first, second = rng.permutation(len(own))[:2].tolist()
        names[first], names[second] = names[second], names[first]
    else:
        engine = sim.scenario.engine
        others = [(c,) for c in engine.firing_order if (c,) != names[0]]
        if engine.ignition == "wasted_spark":
            pairs = [tuple(sorted(p)) for p in engine.to_engine().waste_pairs]
            others = [p for p in pairs if p != tuple(sorted(names[0]))] or others
        names = [others[int(rng.integers(len(others)))]] * len(own)
    told = dict(zip(own, names, strict=True))
    return name_cylinders(change_card(sim), lambda i, c: told.get(i, c))


def take_wrong_spark(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Coil on plug is told as wasted spark, or the other way round."""
    sim = v.play()
    engine = sim.scenario.engine
    to = "coil_on_plug" if engine.ignition == "wasted_spark" else "wasted_spark"
    return change_card(sim, engine=replace(engine, ignition=to, waste_pairs=()))


def take_wrong_wheel(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Tell of another wheel: other teeth, or the gap in another place."""
    sim = v.play()
    own = sim.scenario.crank_wheel
    n = own.positions
    choices = [
        WheelModel(positions=36, gaps=((36,),)),
        WheelModel(positions=60, gaps=((59, 60),)),
        WheelModel(positions=n, gaps=((n,),)),
        WheelModel(positions=n, gaps=((n // 2, n // 2 + 1),)),
        WheelModel(positions=n, gaps=((n // 3, n // 3 + 1), (n - 1, n))),
        WheelModel(positions=n + 1, gaps=own.gaps),
        WheelModel(positions=n, gaps=()),
    ]
    other = [w for w in choices if (w.positions, w.gaps) != (n, own.gaps)]
    wheel = other[int(rng.integers(len(other)))]
    wheel = replace(own, positions=wheel.positions, gaps=wheel.gaps)
    return change_card(sim, crank_wheel=wheel, card=replace(sim.scenario.card, wheel=True))


def crank_only(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the starter turn an engine that does not start."""
    return v.play(drive=v.drive(condition="crank", blip_s=0.0), duration_s=8.0)


def stall(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Stall the engine in the middle; now and then the starter is tried again."""
    at = float(rng.uniform(0.3, 0.8)) * v.scenario.duration_s
    ruled = make_ruled(
        lambda place, count, time, rpm: "fuel" if time > at else "",
        starts_again=bool(rng.integers(2)),
    )
    return v.play(ruled, drive=v.drive(condition="idle", blip_s=0.0))


def damage_tooth(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """One tooth of the wheel is damaged; the engine is sound."""
    fault = FaultModel(
        type="crank_signal",
        kind="damaged",
        cylinder=0,
        severity=float(rng.uniform(0.2, 1.0)),
        pattern="random",
    )
    return v.play(fault=(fault,))


def shake_on_road(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Drive a rough road in gear."""
    litres = v.scenario.engine.displacement_l
    drive = v.drive(
        condition=str(rng.choice(("drive", "cruise"))),
        road_noise_nm=min(400.0, litres * float(rng.uniform(30, 140))),
        road_low_hz=1.0,
        road_high_hz=float(rng.uniform(8, 22)),
        blip_s=0.0,
    )
    return v.play(drive=drive)


def deactivate_half(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Half of the cylinders are switched off on purpose, all the time or in stretches."""
    period, share = float(rng.uniform(1.5, 5)), float(rng.choice((1.0, 0.5, 0.3)))
    side = int(rng.integers(2))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        return "fuel" if place % 2 == side and (time / period) % 1.0 < share else ""

    drive = v.drive(condition=str(rng.choice(("cruise", "idle"))), blip_s=0.0)
    return v.play(make_ruled(rule), drive=drive)


def limit_speed(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Cut fuel or sparks to hold the speed, now in this cylinder, now in that."""
    n = v.scenario.engine.cylinders
    word = str(rng.choice(("fuel", "spark")))
    step = int(rng.choice([k for k in (3, 5, 7, 11) if np.gcd(k, n) == 1]))
    chance, at_random = float(rng.uniform(0.1, 0.4)), bool(rng.integers(2))
    period = float(rng.uniform(0.5, 3.0))
    dice = np.random.default_rng(int(rng.integers(1 << 30)))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        if (time / period) % 1.0 > 0.6:
            return ""
        hit = dice.random() < chance if at_random else (count * n + place) % step == 0
        return word if hit else ""

    return v.play(make_ruled(rule))


def hear_another_coil(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Hang a lead loose, or on the supply, where it shows the neighbour's coil by cross-talk."""
    sim = v.play()
    coils = find_role(sim, "coil_primary")
    victim, source = rng.permutation(coils)[:2].tolist()
    share = float(10 ** rng.uniform(-2, -0.5))
    rest = 13.0 / sim.channels[victim].scale if rng.random() < 0.5 else 0.0
    wave = sim.channels[source].counts.astype(float)
    wave = share * (wave - np.median(wave)) + rest

    def put(i: int, counts: Any) -> Any:
        return np.clip(wave + rng.normal(0, 3, counts.size), -FULL, FULL)

    return change_counts(sim, put, [victim])


def has_two_primaries(s: Any) -> bool:
    """Two coils of one instrument, beside a crank sensor."""
    return has_crank(s) and sum(c.role == "coil_primary" for c in s.channel) >= 2


TRIED: dict[str, Kind] = {
    "coloured noise": Kind(play_coloured_noise, empty=True),
    "hum added": Kind(add_hum, faulty=True),
    "generator for the crank": Kind(replace_crank, want=has_crank, faulty=True),
    "alternator ripple": Kind(add_alternator, faulty=True),
    "channels cut out": Kind(cut_out, faulty=True),
    "zero wanders": Kind(drift, faulty=True),
    "leads reversed": Kind(reverse_some, faulty=True),
    "capture twice": Kind(repeat_twice, faulty=True),
    "one instrument stretched": Kind(
        stretch_one, want=lambda s: len(s.channel) > 1 and runs(s), faulty=True
    ),
    "rate wrong by 2 or 10": Kind(take_wrong_rate, faulty=True),
    "tdc_deg wrong": Kind(
        take_wrong_tdc,
        want=lambda s: has_crank(s) and bool(s.crank_wheel.gaps) and s.engine.cylinders > 1,
        faulty=True,
    ),
    "coils named wrongly": Kind(
        swap_coils, want=lambda s: has_named_coil(s) and s.engine.cylinders > 2, faulty=True
    ),
    "kind of ignition wrong": Kind(
        take_wrong_spark,
        want=lambda s: (
            s.engine.ignition != "distributor"
            and s.engine.cylinders % 2 == 0
            and not s.engine.firing_angles_deg
        ),
        faulty=True,
    ),
    "wheel wrong": Kind(
        take_wrong_wheel, want=lambda s: has_crank(s) and bool(s.crank_wheel.gaps), faulty=True
    ),
    "cranking only": Kind(crank_only),
    "stall": Kind(stall),
    "damaged tooth": Kind(damage_tooth, want=has_crank),
    "rough road": Kind(shake_on_road, want=lambda s: has_crank(s) and runs(s)),
    "half of the cylinders off": Kind(
        deactivate_half, want=lambda s: s.engine.cylinders in (4, 6, 8, 12) and runs(s)
    ),
    "speed limiter": Kind(limit_speed, want=lambda s: s.engine.cylinders > 2 and runs(s)),
    "cross-talk for a coil": Kind(hear_another_coil, want=has_two_primaries),
}
