"""Kinds of deception as a stranger who knows the job card's contract would think of them.

On vehicles of the second generator. First count, before anything was mended by them: 2 of 210.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.deception.bench import ORDERS, SUPPLY_V, WHEELS, Bench, Line, Rng
from tests.deception.vehicles import draw_hum

Array = Any
COILS = ("coil_primary", "coil_current")
SHARE_FAULTY = 1 / 3


def draw(rng: Rng, *, faulty: bool = False, **given: Any) -> Bench:
    """Draw a vehicle of the bench; a third have a cylinder that fails in half of its firings."""
    bench = Bench(rng, **given)
    if faulty and rng.random() < SHARE_FAULTY:
        bench.faulty = int(rng.integers(1, bench.cylinders + 1))
        bench.fault = str(rng.choice(("fuel", "open")))
    return bench


def tell_other_count(rng: Rng) -> Bench:
    """Tell another number of cylinders."""
    b = draw(rng, layout=int(rng.choice((1, 3, 5)))).record()
    k = int(rng.choice([k for k in ORDERS if k != b.cylinders]))
    b.card |= {"cylinders": k, "order": list(ORDERS[k])}
    if k % 2 and b.ignition == "wasted_spark":
        b.card["ignition"] = "coil_on_plug"
    for line in b.lines:
        line.cylinders = tuple(c for c in line.cylinders if c <= k)
    return b


def tell_other_wheel(rng: Rng) -> Bench:
    """Tell another wheel."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 3, 5)))).record()
    own = (b.positions, b.missing)
    wheels = [w for w in (*WHEELS, (58, 0), (own[0], own[1] + 1), (own[0], 0)) if w != own]
    b.card["positions"], b.card["missing"] = wheels[int(rng.integers(len(wheels)))]
    return b


def tell_other_tdc(rng: Rng) -> Bench:
    """Put tdc_deg out by 30 to 180 degrees."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 3, 5)))).record()
    b.card["tdc"] = (b.tdc + float(rng.choice((30, 60, 90, 120, 180, 240)))) % 360
    return b


def tell_other_edge(rng: Rng) -> Bench:
    """Tell the other kind of sensor, or turn the signal over."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 3, 5)))).record()
    b.card["sensor"] = "hall" if b.sensor == "vr" else "vr"
    if rng.random() < 0.5:
        b.card["sensor"] = b.sensor
        b.change(lambda line: 5.0 * (b.sensor == "hall") - line.values, b.find("crank"))
    return b


def exchange_names(rng: Rng) -> Bench:
    """Give the coils of two cylinders each other's names."""
    b = draw(rng, faulty=True, layout=int(rng.choice((2, 4)))).record()
    coils = b.find("coil_primary")
    i, k = rng.choice(len(coils), 2, replace=False) if len(coils) > 1 else (0, 0)
    coils[i].cylinders, coils[k].cylinders = coils[k].cylinders, coils[i].cylinders
    return b


def name_one_wrongly(rng: Rng) -> Bench:
    """Give the only coil channel to a cylinder that it is not of."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 5))), ignition="coil_on_plug").record()
    line = b.find("coil_primary")[0]
    others = [c for c in b.order if c not in line.cylinders]
    line.cylinders = (int(rng.choice(others)),)
    return b


def exchange_roles(rng: Rng) -> Bench:
    """Call the current a primary, the primary the crank, and so on."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 3, 5)))).record()
    i, k = rng.choice(len(b.lines), 2, replace=False)
    one, two = b.lines[i], b.lines[k]
    if one.role == two.role:
        one, two = b.lines[0], one if one is not b.lines[0] else two
    for name in ("role", "unit", "cylinders"):
        kept = getattr(one, name)
        setattr(one, name, getattr(two, name))
        setattr(two, name, kept)
    return b


def scale_or_turn(rng: Rng) -> Bench:
    """Tell a scale wrong by 10 or 100, or its sign."""
    b = draw(rng, faulty=True).record()
    for line in b.lines:
        if rng.random() < 0.6:
            line.told_scale = float(rng.choice((-1.0, 0.1, 10.0, -10.0, 0.01, 100.0)))
    return b


def copy_a_channel(rng: Rng) -> Bench:
    """Write one channel under the names of others too."""
    b = draw(rng, faulty=True, layout=int(rng.choice((2, 4)))).record()
    coils = b.find("coil_primary")
    source = coils[int(rng.integers(len(coils)))]
    for line in coils:
        if rng.random() < 0.5:
            line.values = source.values + rng.normal(0, 0.1, source.values.size)
    return b


def quicken_a_clock(rng: Rng) -> Bench:
    """Let one instrument's clock go 0.2 to 2 % fast, with or without a start that is told."""
    b = draw(rng, faulty=True, layout=int(rng.choice((1, 2, 3, 5)))).record()
    for line in b.lines[1:]:
        line.file, line.told_rate = 1, 1 + float(rng.choice((-1, 1)) * rng.uniform(0.002, 0.02))
    share = b.lines[1].told_rate
    for line in b.lines[1:]:
        line.told_rate = share
        line.extra = "start_s = 0.0" if share > 1.0 else ""
    return b


def delay_a_channel(rng: Rng) -> Bench:
    """Let one channel come late by 1 to 300 ms."""
    b = draw(rng, faulty=True).record()
    late = int(10 ** rng.uniform(-3, -0.5) * b.rate)
    return b.change(
        lambda line: np.roll(line.values, late), [b.lines[int(rng.integers(len(b.lines)))]]
    )


def join_another(rng: Rng) -> Bench:
    """Let a faulty vehicle of another order follow a sound one."""
    b = draw(rng)
    b.record()
    other = Bench(rng, cylinders=b.cylinders, layout=b.layout, rate=b.rate, ignition=b.ignition)
    other.order = (1, *map(int, rng.permutation(b.order[1:])))
    other.ignition = b.ignition
    if rng.random() < 0.5:
        other.positions, other.missing = b.positions, b.missing
    other.faulty = int(rng.integers(1, b.cylinders + 1))
    other.record()
    cut = float(rng.uniform(0.3, 0.7))
    for mine, others in zip(b.lines, other.lines, strict=True):
        n = int(cut * mine.values.size)
        mine.values = np.concatenate((mine.values[:n], others.values[n:]))
    b.faulty = other.faulty  # it truly fails there, by the name of its channel
    return b


def add_noise(rng: Rng) -> Bench:
    """Put noise or hum strongly on some channels."""
    b = draw(rng, faulty=True).record()
    share, word = float(rng.choice((0.03, 0.1, 0.3, 1.0))), str(rng.choice(("noise", "hum")))

    def add(line: Line) -> Array:
        peak = float(np.quantile(np.abs(line.values - np.median(line.values)), 0.9995))
        n = line.values.size
        wave = rng.standard_normal(n) if word == "noise" else draw_hum(rng, np.arange(n) / b.rate)
        return line.values + share * peak * wave

    return b.change(add, [line for line in b.lines if rng.random() < 0.6] or b.lines[-1:])


def die_in_the_middle(rng: Rng) -> Bench:
    """Half of the channels go dead in the middle: zero, held, or an open input's noise."""
    b = draw(rng, faulty=True).record()
    chosen = rng.permutation(len(b.lines))[: max(1, len(b.lines) // 2)]
    word, at = int(rng.integers(3)), float(rng.uniform(0.3, 0.7))

    def die(line: Line) -> Array:
        out, n = line.values.copy(), int(at * line.values.size)
        rest = (0.0, float(out[n - 1]), float(np.median(out)))[word]
        out[n:] = rest + (rng.normal(0, 0.002 * line.full, out.size - n) if word == 2 else 0)
        return out

    return b.change(die, [b.lines[i] for i in chosen])


def clip_hard(rng: Rng) -> Bench:
    """Clip to squares."""
    b = draw(rng, faulty=True).record()
    share = float(rng.choice((0.005, 0.03, 0.1, 0.3)))

    def clip(line: Line) -> Array:
        middle = float(np.median(line.values))
        edge = share * float(np.abs(line.values - middle).max())
        return np.clip(line.values, middle - edge, middle + edge)

    return b.change(clip, [line for line in b.lines if rng.random() < 0.7] or b.lines)


def play_quicker(rng: Rng) -> Bench:
    """Tell half, twice, or a tenth of the rate."""
    b = draw(rng, faulty=True).record()
    share = float(rng.choice((0.5, 2.0, 0.1, 0.7, 3.0)))
    for line in b.lines:
        line.told_rate = share
    return b


def drop_samples(rng: Rng) -> Bench:
    """Lose samples: one by one, or in runs, in all channels or in one."""
    b = draw(rng, faulty=True).record()
    run = int(rng.choice((1, 20, 500, 3000)))
    n = min(line.values.size for line in b.lines)
    lost = np.zeros(n, bool)
    for start in rng.integers(0, n - run, max(3, int(0.02 * n / run))):
        lost[start : start + run] = True
    chosen = b.lines if rng.random() < 0.6 else [b.lines[int(rng.integers(len(b.lines)))]]

    def drop(line: Line) -> Array:
        kept = line.values[:n][~lost]
        if len(chosen) == len(b.lines):
            return kept
        return np.concatenate((kept, np.full(n - kept.size, float(np.median(kept)))))

    return b.change(drop, chosen)


def turn_time(rng: Rng) -> Bench:
    """Run the whole recording, or one channel, backwards."""
    b = draw(rng, faulty=True).record()
    chosen = b.lines if rng.random() < 0.5 else [b.lines[int(rng.integers(len(b.lines)))]]
    return b.change(lambda line: line.values[::-1], chosen)


def take_a_diesel(rng: Rng) -> Bench:
    """Record an engine without ignition."""
    b = draw(rng, layout=int(rng.choice((1, 2, 3, 5)))).record()

    def rest(line: Line) -> Array:
        level = SUPPLY_V if line.role == "coil_primary" else 0.0
        return level + rng.normal(0, 0.03, line.values.size)

    return b.change(rest, b.find(*COILS))


def only_crank(rng: Rng) -> Bench:
    """Let the starter turn it; coils fire, nothing burns."""
    b = draw(rng, rpm=float(rng.choice((180, 230, 280))), swing=0.02)
    plan = b.plan()
    plan.energy[:] = 0
    if rng.random() < 0.5:
        plan.spark[:] = -1
    plan.advance -= 8
    return b.record(plan, starter=True)


def stop_engine(rng: Rng) -> Bench:
    """Switch the engine off in the middle: fuel first, sparks go on or stop."""
    b = draw(rng, rpm=float(rng.choice((720, 850, 1100))))
    plan = b.plan()
    at = int(b.n_cycles * rng.uniform(0.3, 0.8))
    plan.energy[at:] = 0
    if rng.random() < 0.5:
        plan.spark[at:] = -1
    return b.record(plan)


def lose_anywhere(rng: Rng) -> Bench:
    """Lose combustions anywhere: too lean or too rich, some cylinders nearer the limit."""
    b = draw(rng)
    plan = b.plan()
    chance = float(rng.uniform(0.02, 0.2)) * rng.lognormal(0, 0.4, b.cylinders)
    plan.energy[rng.random(plan.energy.shape) < chance] = float(rng.choice((0.0, 0.2)))
    return b.record(plan)


def limit_revs(rng: Rng) -> Bench:
    """Cut fuel or sparks of whatever cylinder is next, in stretches."""
    b = draw(rng, rpm=float(rng.choice((1900, 2600, 4500))), seconds=7.0)
    plan = b.plan()
    n = plan.energy.size
    step = int(rng.choice((2, 3, 4, 5)))
    cut = (np.arange(n) % step == 0) & (np.arange(n) // (b.cylinders * 9) % 2 == 1)
    cut = cut.reshape(plan.energy.shape)
    plan.energy[cut] = 0
    if rng.random() < 0.6:
        plan.spark[cut] = -1
    return b.record(plan)


def overrun(rng: Rng) -> Bench:
    """Cut the fuel of all cylinders in stretches, each in turn by its own time."""
    b = draw(rng, rpm=float(rng.choice((1100, 1900, 2600))))
    plan = b.plan()
    period, share = int(rng.integers(15, 50)), float(rng.uniform(0.1, 0.6))
    for k in range(0, b.n_cycles, period):
        for place in range(b.cylinders):  # back one after the other
            plan.energy[k : k + int(share * period) + int(rng.integers(0, 3)), place] = 0
    return b.record(plan)


def traction(rng: Rng) -> Bench:
    """Cut one, two or three firings in a row where the wheels slip, from any cylinder."""
    b = draw(rng, rpm=float(rng.choice((1900, 2600))))
    plan = b.plan()
    flat = plan.energy.ravel()
    for at in rng.integers(0, flat.size - 4, int(flat.size * rng.uniform(0.005, 0.03))):
        run = int(rng.integers(1, 4))
        flat[at : at + run] = 0
    plan.advance[flat.reshape(plan.advance.shape) == 0] -= 6
    return b.record(plan)


def rest_cylinders(rng: Rng) -> Bench:
    """Rest half of the cylinders, or a changing third, on purpose."""
    b = draw(rng, cylinders=int(rng.choice((4, 6, 8))), rpm=float(rng.choice((1100, 1900))))
    plan = b.plan()
    at = np.arange(plan.energy.size)
    if rng.random() < 0.5:
        rested = (at % b.cylinders) % 2 == int(rng.integers(2))
        if rng.random() < 0.5:
            rested &= at > at.size * rng.uniform(0.2, 0.7)
    else:
        rested = at % int(rng.choice((3, 5, 7))) == 0
    rested = rested.reshape(plan.energy.shape)
    plan.energy[rested] = 0
    if rng.random() < 0.5:
        plan.spark[rested] = -1
    return b.record(plan)


def take_pairs_for_plugs(rng: Rng) -> Bench:
    """Tell a waste-spark engine as coil on plug, or the other way round."""
    given = "wasted_spark" if rng.random() < 0.6 else "coil_on_plug"
    b = draw(rng, faulty=True, cylinders=int(rng.choice((4, 6, 8))), ignition=given).record()
    told = "coil_on_plug" if b.ignition == "wasted_spark" else "wasted_spark"
    b.card["ignition"] = told
    half = b.cylinders // 2
    for line in b.find("coil_primary"):
        if told == "coil_on_plug":
            line.cylinders = line.cylinders[:1]
        else:
            i = b.order.index(line.cylinders[0]) % half
            line.cylinders = (b.order[i], b.order[i + half])
    return b


def strike_often(rng: Rng) -> Bench:
    """Several strikes in each firing."""
    return draw(rng, faulty=True, strikes=int(rng.integers(2, 5)), rpm=720.0).record()


def hang_a_lamp(rng: Rng) -> Bench:
    """Hang a test lamp on one coil: its primary swings less and rings no more; it fires."""
    b = draw(rng, layout=int(rng.choice((2, 4)))).record()
    coils = b.find("coil_primary")
    line = coils[int(rng.integers(len(coils)))]
    kept = float(rng.uniform(0.4, 0.8))
    over = line.values - SUPPLY_V
    line.values = SUPPLY_V + np.where(over > 0, kept * over, over)
    return b


def clamp_a_strobe(rng: Rng) -> Bench:
    """Let a strobe on one lead write its bursts into every channel."""
    b = draw(rng, faulty=True)
    plan = b.plan()
    b.record(plan)
    marks = b.list_sparks(plan, (int(rng.choice(b.order)),))[:, 0]
    share = float(10 ** rng.uniform(-1.5, 0.2))

    def burst(line: Line) -> Array:
        out = line.values.copy()
        peak = float(np.quantile(np.abs(out - np.median(out)), 0.9995))
        wave = np.sin(np.arange(60) * rng.uniform(0.3, 2)) * np.exp(-np.arange(60) / 20)
        for at in (marks * b.rate).astype(int):
            if 0 <= at < out.size - 80:
                out[at + 3 : at + 63] += share * peak * wave
        return out

    return b.change(burst)


def shake_a_lead(rng: Rng) -> Bench:
    """Let the contact of one coil's lead open for moments, many times."""
    b = draw(rng, layout=int(rng.choice((1, 2, 4, 5)))).record()
    coils = b.find("coil_primary")
    line = coils[int(rng.integers(len(coils)))]
    length, gap = float(10 ** rng.uniform(-3, -1)), float(10 ** rng.uniform(-2, 0))

    def shake(line: Line) -> Array:
        out, at = line.values.copy(), 0
        while at < out.size:
            at += int(b.rate * rng.exponential(gap)) + 1
            stop = at + int(b.rate * rng.exponential(length)) + 1
            out[at:stop] = rng.choice((0.0, 0.0, SUPPLY_V))
            at = stop
        return out

    return b.change(shake, [line])


def blunt_steps(rng: Rng) -> Bench:
    """Record with a handful of steps over the whole range."""
    b = draw(rng).record()
    steps = int(rng.choice((12, 25, 50, 100)))

    def step(line: Line) -> Array:
        return np.round(line.values / line.full * steps) / steps * line.full

    return b.change(step, b.find(*COILS))


def couple_ac(rng: Rng) -> Bench:
    """Record through AC coupling, or a slow input."""
    from scipy.signal import lfilter

    b = draw(rng).record()
    hertz, high = float(10 ** rng.uniform(0.5, 3)), rng.random() < 0.5
    a = float(np.exp(-2 * np.pi * (hertz if high else 5 * hertz) / b.rate))

    def couple(line: Line) -> Array:
        slow = lfilter([1 - a], [1, -a], line.values - line.values[0]) + line.values[0]
        return line.values - slow if high else slow

    return b.change(couple, [line for line in b.lines if rng.random() < 0.6] or b.lines)


def take_crank_alone(rng: Rng) -> Bench:
    """Keep the crank, put noise or a generator in place of every coil."""
    b = draw(rng, layout=int(rng.choice((1, 2, 3, 5)))).record()
    hertz, word = float(10 ** rng.uniform(0.7, 2.3)), int(rng.integers(3))

    def put(line: Line) -> Array:
        t = np.arange(line.values.size) / b.rate
        noise = rng.standard_normal(t.size)
        if word == 0:
            return noise * line.full * 10 ** rng.uniform(-2.5, -0.5)
        wave = (hertz * (1 + 0.2 * rng.random()) * t + rng.random()) % 1
        square = wave < 0.1
        return line.full * 0.5 * (square if word == 1 else wave) + 0.002 * line.full * noise

    return b.change(put, b.find(*COILS))


def wobble_road(rng: Rng) -> Bench:
    """Let the road swing the crank, at a few hertz or at the cylinders' own half order."""
    b = draw(rng, layout=int(rng.choice((1, 2, 3, 5))))
    b.record()
    size = float(10 ** rng.uniform(-3.5, -2.2))
    order = float(rng.choice((0.5, 0.25, 0.37, 0.52)))
    wave = np.degrees(size) * np.sin(np.radians(b.angle * order))
    b.angle = b.angle + 0.0
    b.time = np.maximum.accumulate(b.time + wave / 360.0 * 60.0 / b.rpm)
    b.lines[0].values = b.draw_crank()
    return b


HOSTILE: dict[str, Callable[[Rng], Bench]] = {
    "b: other count told": tell_other_count,
    "b: other wheel told": tell_other_wheel,
    "b: other tdc told": tell_other_tdc,
    "b: other edge told": tell_other_edge,
    "b: names exchanged": exchange_names,
    "b: one named wrongly": name_one_wrongly,
    "b: roles exchanged": exchange_roles,
    "b: scale or sign": scale_or_turn,
    "b: channel copied": copy_a_channel,
    "b: clock too quick": quicken_a_clock,
    "b: channel late": delay_a_channel,
    "b: another joined": join_another,
    "b: noise or hum": add_noise,
    "b: dead from the middle": die_in_the_middle,
    "b: clipped": clip_hard,
    "b: played quicker": play_quicker,
    "b: samples dropped": drop_samples,
    "b: backwards": turn_time,
    "b: diesel": take_a_diesel,
    "b: cranked only": only_crank,
    "b: engine stops": stop_engine,
    "b: losses anywhere": lose_anywhere,
    "b: rev limiter": limit_revs,
    "b: overrun": overrun,
    "b: traction cut": traction,
    "b: cylinders rested": rest_cylinders,
    "b: pairs for plugs": take_pairs_for_plugs,
    "b: several strikes": strike_often,
    "b: test lamp": hang_a_lamp,
    "b: strobe": clamp_a_strobe,
    "b: loose lead": shake_a_lead,
    "b: few steps": blunt_steps,
    "b: coupling": couple_ac,
    "b: crank alone": take_crank_alone,
    "b: road": wobble_road,
}
