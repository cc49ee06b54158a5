"""Where a simulated mechanic clips on, and with what: channels and instruments at random."""

from __future__ import annotations

import numpy as np

from misfire.simulate.dice import Dice
from misfire.simulate.scenario import (
    ChannelModel,
    CoilModel,
    DriveModel,
    EngineModel,
    FaultModel,
    InstrumentModel,
    WheelModel,
)

RANGES = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 400.0, 500.0, 1000.0)
Plan = tuple[tuple[str, tuple[int, ...]], ...]


def draw_channels(
    dice: Dice,
    engine: EngineModel,
    drive: DriveModel,
    wheel: WheelModel,
    coil: CoilModel,
    faults: tuple[FaultModel, ...],
) -> tuple[tuple[InstrumentModel, ...], tuple[ChannelModel, ...]]:
    """Draw a hook-up.

    Parameters
    ----------
    dice : Dice
    engine, drive, wheel, coil, faults
        The vehicle; the suspect cylinder is often, not always, the one clipped on.

    Returns
    -------
    instruments, channels : tuples of InstrumentModel and ChannelModel
    """
    named = [f.cylinder for f in faults if f.cylinder]
    suspect = (
        named[0] if named and dice.chance(0.7) else int(dice.rng.integers(1, engine.cylinders + 1))
    )
    plan = tuple(dict.fromkeys(draw_plan(dice, engine, drive, suspect)))  # each place once
    rate = dice.pick((50e3, 100e3, 200e3, 250e3, 500e3, 1e6), (5, 22, 42, 12, 16, 3))
    first = InstrumentModel(
        rate_hz=rate,
        bits=dice.pick((8, 10, 12, 14, 16), (15, 5, 50, 15, 15)),
        clock_ppm=dice.flat(-30.0, 30.0) if dice.chance(0.5) else 0.0,
    )
    instruments = [first]
    apart: set[str] = set()
    if len(plan) >= 3 and drive.condition != "crank" and dice.chance(0.12):
        apart = {"coil_current"} if any(r == "coil_current" for r, _ in plan) else {"crank"}
        standing = drive.condition == "start"
        instruments.append(
            InstrumentModel(
                rate_hz=dice.pick((50e3, 100e3, 200e3, 250e3)),
                bits=dice.pick((8, 12, 16)),
                clock_ppm=dice.flat(-120.0, 120.0),
                start_s=dice.flat(0.0 if standing else -1.5, 0.6),
            )
        )
    channels = tuple(
        _draw_channel(dice, role, cylinders, int(role in apart), drive, wheel, coil, instruments)
        for role, cylinders in plan
    )
    return tuple(instruments), channels


def draw_plan(dice: Dice, engine: EngineModel, drive: DriveModel, suspect: int) -> Plan:
    """Draw which channel goes where."""
    n = engine.cylinders
    one: tuple[int, ...] = (1,)
    sus: tuple[int, ...] = (suspect,)
    crank: tuple[str, tuple[int, ...]] = ("crank", ())
    feed: tuple[str, tuple[int, ...]] = ("coil_current", ())
    all_of: list[tuple[int, ...]] = [(c,) for c in range(1, n + 1)]
    if drive.condition == "crank" or (drive.condition == "start" and dice.chance(0.5)):
        pair = _coil_cylinders(engine, 1)
        return (("coil_primary", pair), crank, ("starter_current", ()))
    plans: tuple[tuple[float, Plan], ...]
    if engine.ignition == "coil_on_plug":
        every = tuple(("coil_primary", c) for c in all_of[:8])
        plans = (
            (34, (("coil_primary", one), crank, feed)),
            (7, (*every, crank)),
            (5 if n <= 6 else 0, every),
            (8, (("coil_primary", one), ("coil_primary", sus), crank, feed)),
            (8, (("coil_primary", one), crank)),
            (8, (crank, ("cam", ()), feed)),
            (8, (("coil_primary", one), crank, ("coil_current", sus))),
            (6, (("coil_secondary", sus), ("coil_primary", one), crank)),
            (4, (*(("coil_trigger", c) for c in all_of[:6]), crank) if n <= 6 else (crank, feed)),
            (4, (crank, ("cam", ()))),
            (4, (("coil_primary", one), crank, ("injector_voltage", sus))),
            (2, (("coil_primary", one), crank, ("injector_current", sus), feed)),
            (2, (("coil_primary", one), crank, ("battery_voltage", ()), feed)),
        )
    elif engine.ignition == "wasted_spark":
        pairs = tuple(sorted({_coil_cylinders(engine, c) for c in range(1, n + 1)}))
        every = tuple(("coil_primary", p) for p in pairs)
        own = _coil_cylinders(engine, suspect)
        plans = (
            (30, (*every, crank)),
            (16, (*every, crank, ("coil_secondary", one))),
            (10, (*every, crank, ("cam", ()))),
            (14, (("coil_primary", pairs[0]), crank, feed)),
            (10, (("coil_primary", pairs[0]), crank, feed, ("coil_secondary", sus))),
            (8, (("coil_primary", own), crank, ("cam", ()), feed)),
            (6, (*every, feed)),
            (6, (*every, crank, ("injector_voltage", one))),
        )
    else:
        coil = ("coil_primary", tuple(range(1, n + 1)))
        plans = (
            (40, (coil, crank, ("coil_secondary", one))),
            (20, (coil, feed, crank, ("coil_secondary", one))),
            (12, (coil, feed, ("coil_secondary", one))),
            (10, (coil, crank, ("cam", ()))),
            (8, (coil, ("coil_trigger", ()), crank, ("coil_secondary", one))),
            (6, (coil, crank, ("injector_voltage", one))),
        )
    weights = np.array([w for w, _ in plans], float)
    return plans[int(dice.rng.choice(len(plans), p=weights / weights.sum()))][1]


def _coil_cylinders(engine: EngineModel, cylinder: int) -> tuple[int, ...]:
    """List the cylinders of the coil that serves one."""
    if engine.ignition == "distributor":
        return tuple(range(1, engine.cylinders + 1))
    for pair in engine.to_engine().waste_pairs:
        if cylinder in pair:
            return tuple(sorted(pair))
    return (cylinder,)


def _range_above(value: float) -> float:
    """Take the next range of an instrument."""
    return next((r for r in RANGES if r >= value), RANGES[-1])


def _draw_channel(
    dice: Dice,
    role: str,
    cylinders: tuple[int, ...],
    instrument: int,
    drive: DriveModel,
    wheel: WheelModel,
    coil: CoilModel,
    instruments: list[InstrumentModel],
) -> ChannelModel:
    """Choose range, noise and faults of one channel."""
    if drive.condition in ("cruise", "drive", "overrun"):
        fastest = 1.7 * drive.cruise_rpm
    else:
        fastest = 1800.0 if drive.blip_s == 0 else 4000.0
    bandwidth, gain, crosstalk = 0.0, 1.0, 0.0
    match role:
        case "coil_primary":
            full = 400.0 if coil.clamp_v < 400 else 500.0
            full = dice.pick((full, 100.0, 200.0), (0.86, 0.06, 0.08))
            crosstalk = dice.flat(0.0, 0.05) if dice.chance(0.3) else 0.0
        case "coil_current":
            peak = min(coil.limit_a, coil.target_a) * (1.0 if cylinders else 1.3)
            full = _range_above(1.5 * peak)
            bandwidth = dice.log(10e3, 100e3)
            crosstalk = dice.flat(0.0, 0.05) if dice.chance(0.3) else 0.0
        case "coil_secondary":
            gain = dice.log(0.05, 0.6)
            full = _range_above(gain * 22.0)
            crosstalk = dice.log(0.01, 0.12)
        case "crank":
            top = wheel.volts_per_krpm * fastest / 1000 if wheel.sensor == "vr" else wheel.high_v
            full = _range_above(top * dice.pick((1.3, 0.55), (0.92, 0.08)))
            crosstalk = dice.flat(0.0, 0.1) if dice.chance(0.3) else 0.0
        case "starter_current":
            full, bandwidth = 1000.0, dice.log(2e3, 20e3)
        case "injector_current":
            full, bandwidth = 2.0, dice.log(10e3, 50e3)
        case "injector_voltage":
            full = 100.0
        case "battery_voltage":
            full = 20.0
        case _:
            full = 20.0
    clamp = bandwidth > 0
    rate = instruments[instrument].rate_hz
    name = {1: f"{role} {cylinders[0]}"}.get(len(cylinders), role) if cylinders else role
    if len(cylinders) == 2:
        name = f"{role} {cylinders[0]}+{cylinders[1]}"
    return ChannelModel(
        role=role,
        cylinders=cylinders,
        name=name.replace("_", " "),
        instrument=instrument,
        range=full,
        noise=dice.log(0.001, 0.006 if clamp else 0.003),
        hum=dice.log(0.0005, 0.006) if dice.chance(0.4) else 0.0,
        bandwidth_hz=round(min(bandwidth, 0.4 * rate), 1),
        zero=round(float(dice.rng.normal(0, 0.008 if clamp else 0.002)), 5),
        drift=round(float(dice.rng.normal(0, 0.006)), 5) if clamp and dice.chance(0.3) else 0.0,
        reversed=dice.chance(0.15) if clamp or role == "coil_secondary" else False,
        crosstalk=crosstalk,
        earth_v=dice.flat(-0.8, 0.8) if role == "coil_primary" and dice.chance(0.06) else 0.0,
        droop_ms=dice.log(3.0, 60.0),
        gain=gain,
    )
