"""Kinds of deception that the trade knows, written after all that the other parts led to.

Nothing was made with them before their first count.
"""

from typing import Any

import numpy as np

from misfire.simulate.recording import SimulatedRecording
from tests.deception.captured import has_primary
from tests.deception.driven import has_swing, play_long
from tests.deception.vehicles import (
    Kind,
    Rng,
    Vehicle,
    change_counts,
    find_role,
    has_crank,
    make_ruled,
    runs,
)


def slip_off(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let one coil's clip slip off on the way: it hears its coil faintly from then on, or not."""
    sim = v.play()
    chosen = rng.permutation(find_role(sim, "coil_primary", "coil_current"))[:1].tolist()
    share, left = float(rng.uniform(0.2, 0.9)), float(rng.choice((0.0, 0.004, 0.03)))
    hum = float(rng.choice((0.0, 3.0, 40.0)))

    def slip(i: int, counts: Any) -> Any:
        out = counts.astype(float)
        first = int(share * out.size)
        t = np.arange(out.size - first) / sim.channels[i].rate_hz
        away = left * (out[first:] - np.median(out)) + hum * np.sin(2 * np.pi * 50.0 * t)
        out[first:] = away + rng.normal(0, 1.5, away.size)
        return out

    return change_counts(sim, slip, chosen)


def control_traction(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Cut firings one by one in turn while a wheel slips, first few and then more."""
    n = v.scenario.engine.cylinders
    period, share = float(rng.uniform(2.5, 5.0)), float(rng.uniform(0.1, 0.35))
    word = str(rng.choice(("fuel", "spark")))
    every = int(rng.integers(2, n + 3))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        into = time % period
        slips = time > 0 and into < share * period
        step = max(2, every - int(3 * into / (share * period)))
        return word if slips and (count * n + place) % step == 0 else ""

    return play_long(v, make_ruled(rule), drive=v.drive(condition="drive", blip_s=0.0))


def limit_softly(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Hold the speed at a soft limit by cutting one firing after so many, wherever it falls."""
    n = v.scenario.engine.cylinders
    limit = float(rng.uniform(0.8, 1.05)) * v.scenario.drive.cruise_rpm
    gap = int(rng.choice([k for k in range(n - 1, 2 * n + 3) if k > 1]))
    word, last = str(rng.choice(("fuel", "spark"))), [0]

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        index = count * n + place
        if time > 0 and rpm > limit and index - last[0] >= gap:
            last[0] = index
            return word
        return ""

    drive = v.drive(condition=str(rng.choice(("cruise", "drive"))), blip_s=0.0)
    return play_long(v, make_ruled(rule), drive=drive)


def loosen_bracket(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Let the crank sensor swing on a loose bracket: its teeth come early and late."""
    sim = play_long(v, replace_nothing())
    hertz, size_s = float(rng.uniform(15.0, 250.0)), float(10 ** rng.uniform(-5.3, -3.9))
    knocks = float(rng.uniform(0.2, 4.0))

    def swing(i: int, counts: Any) -> Any:
        rate = sim.channels[i].rate_hz
        t = np.arange(counts.size) / rate
        loose = np.zeros(counts.size)
        for at in rng.uniform(0, t[-1], int(knocks * t[-1])):
            first = int(at * rate)
            since = t[first : first + int(0.4 * rate)] - at
            ring = np.exp(-since / 0.08) * np.sin(2 * np.pi * hertz * since)
            loose[first : first + since.size] += ring * rng.uniform(0.3, 1.5)
        return np.interp(t + size_s * loose, t, counts.astype(float))

    return change_counts(sim, swing, find_role(sim, "crank"))


def replace_nothing() -> Any:
    """Make the usual engine."""
    return make_ruled(lambda place, count, time, rpm: "")


def ripple_supply(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Put a failing alternator's ripple on all coil primaries, with one diode of six gone."""
    sim = v.play()
    size_v, hertz = float(rng.uniform(0.5, 4.0)), float(rng.uniform(100.0, 900.0))
    deep = float(rng.uniform(0.3, 1.0))

    def ripple(i: int, counts: Any) -> Any:
        channel = sim.channels[i]
        t = np.arange(counts.size) / channel.rate_hz
        turn = (hertz * t) % 1.0
        wave = np.abs(np.sin(3 * np.pi * turn)) - deep * np.exp(-(((turn - 0.5) / 0.12) ** 2))
        return counts.astype(float) + size_v * wave / abs(channel.scale or 1.0)

    return change_counts(sim, ripple, find_role(sim, "coil_primary"))


def skip_fire(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Fire only a part of the strokes, spread as evenly as they come, in bouts of light load."""
    n = v.scenario.engine.cylinders
    density = float(rng.choice((1 / 2, 2 / 3, 3 / 4, 4 / 5, 5 / 7)))
    period, share, owed = float(rng.uniform(3, 6)), float(rng.uniform(0.2, 0.6)), [0.0]
    first = int(rng.integers(n))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        if time < 0 or time % period > share * period:
            return ""
        owed[0] += density + (1e-9 if place == first else 0.0)
        if owed[0] >= 1.0:
            owed[0] -= 1.0
            return ""
        return "fuel"

    return play_long(v, make_ruled(rule), drive=v.drive(condition="cruise", blip_s=0.0))


def clean_injectors(v: Vehicle, rng: Rng) -> SimulatedRecording:
    """Idle roughly on a cleaner in the fuel: any cylinder may lose a firing, ever fewer do."""
    chance, wears_s = float(rng.uniform(0.01, 0.08)), float(rng.uniform(5.0, 40.0))
    dice = np.random.default_rng(int(rng.integers(1 << 30)))

    def rule(place: int, count: int, time: float, rpm: float) -> str:
        return "fuel" if time > 0 and dice.random() < chance * np.exp(-time / wears_s) else ""

    return play_long(v, make_ruled(rule), drive=v.drive(condition="idle", blip_s=0.0))


TRADE: dict[str, Kind] = {
    "clip slips off": Kind(slip_off, faulty=True, want=lambda s: runs(s) and has_primary(s)),
    "traction control": Kind(control_traction, want=has_swing),
    "soft limiter": Kind(limit_softly, want=has_swing),
    "loose bracket": Kind(loosen_bracket, want=has_swing),
    "ripple of the alternator": Kind(
        ripple_supply, faulty=True, want=lambda s: runs(s) and has_primary(s)
    ),
    "skip fire": Kind(skip_fire, want=lambda s: has_swing(s) and has_crank(s)),
    "cleaner in the fuel": Kind(clean_injectors, want=has_swing),
}
