"""Further kinds on vehicles of the second generator, written after the mends that `hostile` led to.

First count, before anything was mended by them: 1 of 110.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.deception.bench import SUPPLY_V, Bench, Line, Rng
from tests.deception.hostile import COILS, draw

Array = Any
WITH_CRANK = (1, 2, 3, 5)


def with_crank(rng: Rng, *, faulty: bool = False, **given: Any) -> Bench:
    """Draw a vehicle whose crank is recorded."""
    return draw(rng, faulty=faulty, layout=int(rng.choice(WITH_CRANK)), **given)


def play_again(b: Bench, rng: Rng, **given: Any) -> Bench:
    """Let the same vehicle run once more, at another speed unless told."""
    other = Bench(rng, cylinders=b.cylinders, layout=b.layout, rate=b.rate, **given)
    for name in ("ignition", "positions", "missing", "tdc", "sensor", "inertia", "faulty", "fault"):
        setattr(other, name, getattr(b, name))
    return other.record()


def reverse_order(rng: Rng) -> Bench:
    """Tell the firing order backwards."""
    named = rng.random() < 0.6  # else nothing recorded can tell, so nothing is faulty
    layout = int(rng.choice((2, 4) if named else (1, 3, 5)))
    b = draw(rng, faulty=named, layout=layout).record()
    b.card["order"] = [b.order[0], *reversed(b.order[1:])]
    return b


def rotate_order(rng: Rng) -> Bench:
    """Tell the order from another cylinder on, with the TDC of the old first one."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 4, 5)))).record()
    k = int(rng.integers(1, b.cylinders))
    b.card["order"] = [*b.order[k:], *b.order[:k]]
    return b


def shift_names(rng: Rng) -> Bench:
    """Give every coil the name of the next cylinder; where nothing tells, all are sound."""
    b = draw(rng, faulty=True, ignition="coil_on_plug", layout=int(rng.choice((2, 4))))
    if b.cylinders == 3 and b.layout == 4:  # the same order, and nothing else to tell
        b.faulty = 0
    b.record()
    for line in b.find("coil_primary"):
        line.cylinders = (line.cylinders[0] % b.cylinders + 1,)
    return b


def call_it_distributor(rng: Rng) -> Bench:
    """Tell a distributor, the coil of cylinder 1 for all."""
    b = with_crank(rng, faulty=True, ignition="coil_on_plug").record()
    b.card["ignition"] = "distributor"
    for line in b.find("coil_primary"):
        line.cylinders = ()
    return b


def mix_two_runs(rng: Rng) -> Bench:
    """Take the crank of one run, the coils of another."""
    b = with_crank(rng, faulty=True).record()
    other = play_again(b, rng, rpm=b.rpm if rng.random() < 0.5 else 0.0)
    for line, theirs in zip(b.lines, other.lines, strict=True):
        if line.role in COILS:
            line.values = theirs.values
    return b


def record_in_turn(rng: Rng) -> Bench:
    """Record the channels one after the other, and put them side by side."""
    b = draw(rng, faulty=True, seconds=14.0).record()
    part = b.n_samples // 2
    for line in b.lines:
        start = int(rng.integers(0, b.n_samples - part))
        line.values = line.values[start : start + part]
    return b


def alternate_vehicles(rng: Rng) -> Bench:
    """Cut pieces of two vehicles into one another."""
    b = draw(rng).record()
    other = Bench(rng, cylinders=b.cylinders, layout=b.layout, rate=b.rate, ignition=b.ignition)
    other.ignition = b.ignition
    other.record()
    period = float(rng.uniform(0.5, 3.0)) * b.rate
    for line, theirs in zip(b.lines, other.lines, strict=True):
        n = min(line.values.size, theirs.values.size)
        mine = np.arange(n) / period % 1 < 0.5
        line.values = np.where(mine, line.values[:n], theirs.values[:n])
    return b


def switch_range(rng: Rng) -> Bench:
    """Switch the range of a channel in the middle, unsaid."""
    b = draw(rng, faulty=True).record()
    line = b.lines[int(rng.integers(len(b.lines)))]
    at, factor = int(rng.uniform(0.2, 0.8) * b.n_samples), float(rng.choice((0.1, 0.5, 2.0, 5.0)))
    line.values = np.concatenate((line.values[:at], factor * line.values[at:]))
    return b


def change_clock(rng: Rng) -> Bench:
    """Let the rate change in the middle, in all channels or in one."""
    b = draw(rng, faulty=True).record()
    at, factor = int(rng.uniform(0.3, 0.7) * b.n_samples), float(rng.choice((0.5, 0.9, 1.1, 2.0)))
    chosen = b.lines if rng.random() < 0.6 else [b.lines[int(rng.integers(len(b.lines)))]]

    def stretch(line: Line) -> Array:
        x = np.arange(at, line.values.size - 1, factor)
        tail = np.interp(x, np.arange(line.values.size), line.values)
        return np.resize(np.concatenate((line.values[:at], tail)), line.values.size)

    return b.change(stretch, chosen)


def disturb_at_one(rng: Rng) -> Bench:
    """Let every spark of one cylinder disturb the crank signal."""
    b = with_crank(rng)
    plan = b.plan()
    b.record(plan)
    marks = b.list_sparks(plan, (int(rng.choice(b.order)),))[:, 0]
    size, line = float(10 ** rng.uniform(-0.5, 1.2)), b.lines[0]
    length = int(10 ** rng.uniform(-4, -3) * b.rate) + 2
    for at in (marks * b.rate).astype(int):
        if 0 <= at < line.values.size - length:
            line.values[at : at + length] += size * rng.choice((-1, 1)) * np.hanning(length)
    return b


def add_a_tooth(rng: Rng) -> Bench:
    """Let a burr make a pulse of its own once a turn, or let one tooth be weak."""
    b = with_crank(rng, faulty=True).record()
    line = b.lines[0]
    t = np.arange(b.n_samples) / b.rate
    angle = (np.interp(t, b.time, b.angle) + float(rng.uniform(0, 360))) % 360
    if rng.random() < 0.5:
        line.values = line.values + float(rng.uniform(1, 4)) * np.sin(np.radians(angle * 120)) * (
            angle < 3
        )
    else:
        middle = float(np.median(line.values))
        line.values = np.where(angle < 5, middle + 0.3 * (line.values - middle), line.values)
    return b


def spark_at_random(rng: Rng) -> Bench:
    """Play strokes of a coil at random instants."""
    b = with_crank(rng).record()
    for line in b.find("coil_primary"):
        line.values = np.full(b.n_samples, SUPPLY_V)
        for at in np.sort(rng.uniform(0.1, 8.5, int(rng.uniform(20, 300)))):
            b.put_stroke(line.values, float(at), 1.0, rng, b.rate, 0)
        line.values = line.values + rng.normal(0, 0.1, b.n_samples)
    return b


def generate_teeth(rng: Rng) -> Bench:
    """Take a steady generator's teeth for the crank, at the engine's own mean speed."""
    b = with_crank(rng, faulty=True).record()
    held = b.angle
    if rng.random() < 0.5:
        b.angle = b.time * (held[-1] / b.time[-1])
    else:
        b.angle = b.time * b.rpm * 6 * float(rng.uniform(0.7, 1.5))
    b.lines[0].values = b.draw_crank()
    b.angle = held
    return b


def fade(rng: Rng) -> Bench:
    """Let a coil channel fade away and come back."""
    b = draw(rng, layout=int(rng.choice((1, 2, 4, 5)))).record()
    hertz = float(rng.uniform(0.1, 2.0))
    for line in b.find("coil_primary")[:2]:
        share = 0.5 + 0.5 * np.cos(2 * np.pi * hertz * np.arange(b.n_samples) / b.rate)
        line.values = line.values * share ** float(rng.uniform(1, 4))
    return b


def flip_bits(rng: Rng) -> Bench:
    """Let single samples be anything."""
    b = draw(rng, faulty=True).record()
    chance = float(10 ** rng.uniform(-5, -2.5))

    def flip(line: Line) -> Array:
        hit = rng.random(line.values.size) < chance
        return np.where(hit, rng.uniform(-1, 1, hit.size) * line.full, line.values)

    return b.change(flip, [line for line in b.lines if rng.random() < 0.6] or b.lines)


def exchange_half_way(rng: Rng) -> Bench:
    """Exchange two leads in the middle of the recording."""
    b = draw(rng).record()
    i, k = rng.choice(len(b.lines), 2, replace=False) if len(b.lines) > 1 else (0, 0)
    at = int(rng.uniform(0.3, 0.7) * b.n_samples)
    one, two = b.lines[i], b.lines[k]
    share = one.full / two.full
    a, c = one.values.copy(), two.values.copy()
    one.values = np.concatenate((a[:at], c[at:] * share))
    two.values = np.concatenate((c[:at], a[at:] / share))
    return b


def rest_a_lead(rng: Rng) -> Bench:
    """Let one coil's lead lie on earth, on the supply, or on another coil; all cylinders work."""
    b = draw(rng, layout=2).record()
    coils = b.find("coil_primary")
    line = coils[int(rng.integers(len(coils)))]
    word = int(rng.integers(3))
    other = coils[int(rng.integers(len(coils)))]
    noise = rng.normal(0, 0.1, b.n_samples)
    line.values = (noise, SUPPLY_V + noise, SUPPLY_V + 0.1 * (other.values - SUPPLY_V) + noise)[
        word
    ]
    return b


def turn_a_pump(rng: Rng) -> Bench:
    """Let a compressor or pump take a pulse of torque once a turn or once in three."""
    b = with_crank(rng).record()
    order = float(rng.choice((1.0, 0.5, 1 / 3, 1.5)))
    size = float(10 ** rng.uniform(-3.3, -2.3))
    wave = np.degrees(size) * np.cos(np.radians(b.angle * order)) ** 9
    b.time = np.maximum.accumulate(b.time + wave / 6.0 / b.rpm)
    b.lines[0].values = b.draw_crank()
    return b


def hunt(rng: Rng) -> Bench:
    """Let the idle hunt, or the driver play with the pedal."""
    b = with_crank(rng, faulty=True, swing=float(rng.uniform(0.25, 0.5)), rpm=1100.0)
    plan = b.plan()
    wave = 1 + 0.6 * np.sin(np.arange(b.n_cycles) * float(rng.uniform(0.2, 1.5)))
    plan.energy *= wave[:, None]
    plan.advance += 6 * wave[:, None]
    return b.record(plan)


def cut_by_the_second(rng: Rng) -> Bench:
    """Blank all channels, or some, for a share of every second."""
    b = draw(rng, faulty=True).record()
    share, period = float(rng.uniform(0.1, 0.6)), float(rng.uniform(0.05, 2.0))
    off = np.arange(b.n_samples) / b.rate / period % 1 < share
    chosen = b.lines if rng.random() < 0.5 else [b.lines[int(rng.integers(len(b.lines)))]]
    return b.change(lambda line: np.where(off, 0.0, line.values), chosen)


def misfire_everywhere_sparks(rng: Rng) -> Bench:
    """Let the supply of all coils fail for moments: no coil is switched, or none breaks down."""
    b = draw(rng)
    plan = b.plan()
    flat, sparks = plan.energy.ravel(), plan.spark.ravel()
    for at in rng.integers(0, flat.size - 20, int(rng.integers(3, 25))):
        run = int(rng.integers(1, 12))
        flat[at : at + run] = 0
        sparks[at : at + run] = rng.choice((-1, 0))
    return b.record(plan)


def enrich_all(rng: Rng) -> Bench:
    """Let all cylinders burn unevenly: one in some of its cycles hardly, the next too."""
    b = with_crank(rng)
    plan = b.plan()
    spread = float(rng.uniform(0.15, 0.35))
    plan.energy = np.clip(1 + spread * rng.standard_normal(plan.energy.shape), 0, 2)
    return b.record(plan)


STRANGER: dict[str, Callable[[Rng], Bench]] = {
    "s: order backwards": reverse_order,
    "s: order rotated": rotate_order,
    "s: names shifted": shift_names,
    "s: called distributor": call_it_distributor,
    "s: crank of another run": mix_two_runs,
    "s: recorded in turn": record_in_turn,
    "s: two vehicles by turns": alternate_vehicles,
    "s: range switched": switch_range,
    "s: clock changes": change_clock,
    "s: crank disturbed at one": disturb_at_one,
    "s: one tooth more or less": add_a_tooth,
    "s: sparks at random": spark_at_random,
    "s: teeth of a generator": generate_teeth,
    "s: fading": fade,
    "s: bits flipped": flip_bits,
    "s: leads exchanged half way": exchange_half_way,
    "s: lead laid aside": rest_a_lead,
    "s: pump": turn_a_pump,
    "s: hunting": hunt,
    "s: blanked by the second": cut_by_the_second,
    "s: supply of all coils": misfire_everywhere_sparks,
    "s: rough all over": enrich_all,
}
