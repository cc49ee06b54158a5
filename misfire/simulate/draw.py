"""Scenarios at random: engines, wheels, coils, drives, faults and hook-ups of every kind."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from misfire.simulate.dice import Dice
from misfire.simulate.draw_pieces import draw_pieces, draw_probes
from misfire.simulate.engine.faults import COIL_FAULTS
from misfire.simulate.engine.firing import POINTED
from misfire.simulate.engine.gap import compute_breakdown_kv
from misfire.simulate.hookup import draw_channels
from misfire.simulate.pieces_model import PiecesModel
from misfire.simulate.scenario import (
    CamModel,
    CardModel,
    CoilModel,
    DriveModel,
    EngineModel,
    FaultModel,
    Scenario,
    WheelModel,
)

# firing orders: handbook tables; numbering differs by maker, so a share is shuffled
ORDERS: dict[int, tuple[tuple[int, ...], ...]] = {
    1: ((1,),),
    2: ((1, 2),),
    3: ((1, 2, 3), (1, 3, 2)),
    4: ((1, 3, 4, 2), (1, 2, 4, 3), (1, 3, 2, 4)),
    5: ((1, 2, 4, 5, 3),),
    6: ((1, 5, 3, 6, 2, 4), (1, 6, 5, 4, 3, 2), (1, 2, 3, 4, 5, 6), (1, 4, 2, 5, 3, 6)),
    8: ((1, 8, 4, 3, 6, 5, 7, 2), (1, 5, 4, 2, 6, 3, 7, 8), (1, 5, 4, 8, 6, 3, 7, 2)),
    10: ((1, 6, 5, 10, 2, 7, 3, 8, 4, 9),),
    12: ((1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),),
}
SIZES = (4, 3, 6, 5, 8, 2, 1, 10, 12)
SIZE_SHARES = (0.46, 0.12, 0.19, 0.06, 0.08, 0.04, 0.02, 0.01, 0.02)
ODD_FIRE: dict[int, tuple[float, ...]] = {
    2: (0.0, 270.0),
    6: (0.0, 90.0, 240.0, 330.0, 480.0, 570.0),
    10: (0.0, 54.0, 144.0, 198.0, 288.0, 342.0, 432.0, 486.0, 576.0, 630.0),
}
SKETCH, RINGING = 17, 18  # name streams of draws beside the others, which stay as they are


def draw_scenario(rng: np.random.Generator, *, healthy_share: float = 0.35) -> Scenario:
    """Draw one vehicle and its recording.

    Parameters
    ----------
    rng : Generator
        The same state gives the same scenario.
    healthy_share : float [0..1]
        Share of recordings without any fault.

    Returns
    -------
    scenario : Scenario
    """
    dice = Dice(rng)
    engine = draw_engine(dice)
    drive = draw_drive(dice, engine)
    coil = draw_coil(dice, engine)
    wheel = draw_wheel(dice)
    faults = draw_faults(dice, engine, drive, coil, healthy_share)
    instruments, channels = draw_channels(dice, engine, drive, wheel, coil, faults)
    rate = max(i.rate_hz for i in instruments)
    longest = min(60.0, 12e6 / rate)
    duration = dice.flat(min(14.0, 0.8 * longest), longest)
    if drive.condition == "crank":
        duration = dice.flat(6.0, 12.0)
    seed = int(rng.integers(0, 2**31))
    small = duration * rate < 1.5e6
    waves: Literal["circuit", "pieces"] = "circuit"
    pieces = PiecesModel()
    beside = Dice(np.random.default_rng([seed, SKETCH]))
    ringing = Dice(np.random.default_rng([seed, RINGING]))
    coil = draw_ringing(ringing, coil)
    if beside.chance(0.5):
        waves, pieces = "pieces", draw_pieces(beside, engine, coil)
        channels = draw_probes(beside, channels)
    else:
        channels = tuple(
            replace(c, bandwidth_hz=ringing.log(100e3, 5e6)) if c.role == "coil_primary" else c
            for c in channels
        )
    # how short a spark may be is an engine's own: swirl, electrodes and the plug's place decide
    engine = replace(engine, spark_need=ringing.log(0.35, 2.0))
    engine, wheel = draw_torsion(dice, engine, wheel)  # last: nothing else of a seed changes
    return Scenario(
        seed=seed,
        duration_s=round(duration, 2),
        vehicle=f"sim-{seed:08x}",
        format=dice.pick(("wav", "h5", "npz", "csv"), (5, 3, 2, 1 if small else 0)),
        engine=engine,
        crank_wheel=wheel,
        cam=draw_cam(dice),
        coil=coil,
        waves=waves,
        pieces=pieces,
        drive=drive,
        card=CardModel(
            tdc=bool(wheel.gaps) and dice.chance(0.75),
            sensor=dice.chance(0.6),
            turns_ratio=dice.chance(0.5),
            # silent only where silence is the truth (all cylinders) or costs just the phase
            cylinders=sum(bool(c.cylinders) for c in channels) != 1 or dice.chance(0.95),
            wheel=dice.chance(0.92),
            start=dice.chance(0.15),
        ),
        instrument=instruments,
        channel=channels,
        fault=faults,
    )


def draw_engine(dice: Dice) -> EngineModel:
    """Draw an engine of 1 to 12 cylinders, evenly firing or not."""
    n = dice.pick(SIZES, SIZE_SHARES)
    order = dice.pick(ORDERS[n])
    if n > 2 and dice.chance(0.15):
        order = (1, *(int(c) for c in dice.rng.permutation(np.arange(2, n + 1))))
    angles: tuple[float, ...] = ()
    if n in ODD_FIRE and dice.chance(0.2):
        angles = ODD_FIRE[n]
    kinds, shares = ["coil_on_plug", "distributor"], [0.6, 0.14 if n > 1 else 0.0]
    if n % 2 == 0 and not angles:
        kinds.append("wasted_spark")
        shares.append(0.32)
    each = dice.flat(0.24, 0.62) if n > 2 else dice.flat(0.15, 0.5)
    litres = round(each * n, 3)
    flywheel = litres * dice.flat(0.055, 0.13) + 0.02
    return EngineModel(
        cylinders=n,
        firing_order=order,
        firing_angles_deg=angles,
        ignition=dice.pick(tuple(kinds), tuple(shares)),
        displacement_l=litres,
        compression_ratio=dice.flat(8.5, 13.0),
        stroke_bore=dice.flat(0.75, 1.25),
        rod_crank=dice.flat(3.0, 3.9),
        inertia_kgm2=round(flywheel * (1 + 2.5 / n), 4),
        piston_kg=round(each * dice.flat(0.8, 1.5), 3),
        friction_bar=dice.flat(0.65, 1.2),
        burn_deg=dice.flat(42.0, 65.0),
        cov=dice.log(0.02, 0.12),
        idle_rpm=dice.flat(600.0, 950.0) if n > 2 else dice.flat(900.0, 1300.0),
        advance_idle_deg=dice.flat(4.0, 18.0),
        advance_load_deg=dice.flat(18.0, 36.0),
        cylinder_spread=dice.log(0.008, 0.05),
    )


def draw_wheel(dice: Dice) -> WheelModel:
    """Draw a crank wheel with its sensor; now and then a poor one."""
    kind = dice.pick(
        ("60-2", "36-1", "36-2", "small", "irregular", "plain", "fine"), (48, 16, 7, 9, 8, 6, 6)
    )
    gaps: tuple[tuple[int, ...], ...]
    match kind:
        case "60-2":
            positions, gaps = 60, ((59, 60),)
        case "36-1":
            positions, gaps = 36, ((36,),)
        case "36-2":
            positions, gaps = 36, ((35, 36),)
        case "small":
            positions = dice.pick((12, 16, 18, 24, 30))
            gaps = ((positions,),)
        case "irregular":
            positions = dice.pick((36, 48, 60))
            second = int(dice.rng.integers(positions // 5, positions * 2 // 5))
            gaps = ((second, second + 1), (positions - 1, positions))
        case "plain":
            positions, gaps = dice.pick((60, 90, 120, 135)), ()
        case _:
            positions = dice.pick((72, 90, 116, 120))
            gaps = ((positions - 1, positions),)
    poor = dice.chance(0.12)
    pitch = 360.0 / positions
    return WheelModel(
        positions=positions,
        gaps=gaps,
        tdc_deg=dice.flat(50.0, 130.0) if dice.chance(0.7) else dice.flat(0.0, 359.9),
        sensor=dice.pick(("vr", "hall"), (0.68, 0.32)),
        pole_width=dice.flat(0.19, 0.32),
        volts_per_krpm=dice.log(0.8, 16.0),
        runout=dice.flat(0.08, 0.2) if poor else dice.flat(0.0, 0.08),
        pitch_error_deg=dice.flat(0.06, 0.1) if poor else dice.log(0.01, 0.05),
        gap_error_deg=round(float(np.clip(dice.rng.normal(0, 0.03 * pitch), -0.3, 0.3)), 4)
        if poor
        else 0.0,
        inverted=dice.chance(0.4),
        tooth_share=dice.flat(0.25, 0.75),
        high_v=dice.pick((5.0, 5.0, 12.0)),
        jitter_us=dice.log(0.2, 4.0),
    )


def draw_torsion(
    dice: Dice, engine: EngineModel, wheel: WheelModel
) -> tuple[EngineModel, WheelModel]:
    """Draw how a long crank twists, and at which end its sensor stands."""
    if engine.cylinders < 6:
        return engine, wheel
    hertz = dice.log(200.0, 450.0)
    front = engine.inertia_kgm2 * dice.flat(0.08, 0.2)  # what swings against the flywheel
    twist = replace(
        engine,
        torsion_hz=hertz,
        torsion_damping=dice.log(0.03, 0.08),
        twist_deg_100nm=round(float(np.degrees(100.0 / (front * (2 * np.pi * hertz) ** 2))), 5),
    )
    return twist, replace(wheel, end=dice.pick(("flywheel", "front")))


def draw_cam(dice: Dice) -> CamModel:
    """Draw a cam wheel of one to four unequal lobes."""
    lobes = dice.pick((1, 1, 2, 3, 4))
    marks = np.sort(dice.rng.choice(np.arange(10, 710, 20), 2 * lobes, replace=False))
    marks = marks + dice.rng.uniform(-4, 4, marks.size)
    start = int(dice.chance(0.5))
    return CamModel(
        rising_deg=tuple(round(float(a), 1) for a in marks[start::2]),
        falling_deg=tuple(round(float(a), 1) for a in marks[1 - start :: 2]),
        high_v=dice.pick((5.0, 5.0, 12.0)),
    )


def draw_coil(dice: Dice, engine: EngineModel) -> CoilModel:
    """Draw a coil by its inductance and stored energy."""
    shared = engine.ignition != "coil_on_plug"
    henry = dice.log(2.5, 7.0) if engine.ignition == "distributor" else dice.log(1.6, 5.5)
    energy = dice.flat(0.055, 0.12)
    target = min(13.0, max(4.5, (2 * energy / (henry * 1e-3)) ** 0.5))
    plateau = dice.chance(0.2)
    strikes = 1
    if engine.ignition != "distributor" and dice.chance(0.12):
        strikes = dice.pick((2, 3, 4))
    turns = dice.flat(65.0, 110.0)
    clamp = dice.flat(320.0, 480.0)
    rotor = dice.flat(0.8, 3.0) if engine.ignition == "distributor" else 0.0
    farad = dice.flat(70.0, 130.0) if shared else dice.flat(45.0, 90.0)
    efficiency = dice.flat(0.7, 0.95)
    # a sound system has reserve: the widest gap that fires at full load with a quarter to spare
    limit = min(target, (0.85 if plateau else 1.0) * target)
    top_kv = (efficiency * henry * 1e-3 * limit**2 / (farad * 1e-12)) ** 0.5 * 0.85e-3
    spare = 0.8 * min(top_kv, 0.97 * (clamp - 14.0) * turns * 1e-3) - 1.2 * rotor
    if engine.ignition == "wasted_spark":
        spare -= 2.0
    dense = 0.98 / 1.013 * 293 / 310 * (0.75 * engine.compression_ratio)
    gap = dice.flat(0.6, 1.25)
    while gap > 0.45 and POINTED * compute_breakdown_kv(gap, dense) > spare:
        gap = round(gap - 0.05, 4)
    return CoilModel(
        primary_mh=henry,
        primary_ohm=dice.flat(0.3, 0.75),
        turns_ratio=turns,
        leak=dice.log(0.002, 0.06),  # and drawn anew with what rings
        efficiency=efficiency,
        secondary_kohm=dice.flat(8.0, 24.0) if shared else dice.flat(3.0, 14.0),
        secondary_pf=farad,
        saturation_v=dice.flat(0.6, 2.2),
        limit_a=round(target * (dice.flat(0.85, 0.98) if plateau else dice.flat(1.1, 1.7)), 3),
        target_a=round(target, 3),
        clamp_v=clamp,
        clamp_share=dice.log(0.03, 0.8),
        fall_us=dice.flat(15.0, 70.0) if dice.chance(0.12) else dice.flat(1.0, 8.0),
        winding_pf=dice.flat(12.0, 40.0),
        diode=dice.chance({"coil_on_plug": 0.35, "wasted_spark": 0.2}.get(engine.ignition, 0.0)),
        ring_q=dice.log(3.0, 12.0),
        gap_mm=gap,
        rotor_gap_kv=rotor,
        breakdown_spread=dice.flat(0.03, 0.1),
        strikes=strikes,
        strike_rpm=dice.flat(900.0, 1600.0),
        strike_ms=dice.flat(0.3, 0.8),
    )


def draw_ringing(dice: Dice, coil: CoilModel) -> CoilModel:
    """Draw what rings at the driver: tens to hundreds of kilohertz, a few swings long.

    Coupling of 0.96 to 0.99 (common practice) leaves 2 to 8 % of the inductance uncoupled. An
    ignition transistor has 0.1 to 0.2 nF, the winding some tenths, suppression up to 10 nF (from
    memory); eddy currents and the suppression's resistor damp.
    """
    return replace(
        coil,
        leak=dice.log(0.02, 0.08),
        collector_nf=dice.log(0.6, 10.0),
        collector_q=dice.log(2.5, 10.0),
    )


def draw_drive(dice: Dice, engine: EngineModel) -> DriveModel:
    """Draw what the vehicle does."""
    condition = dice.pick(
        ("idle", "cold_idle", "cruise", "drive", "overrun", "start", "crank"),
        (35, 10, 12, 25, 8, 7, 3),
    )
    litres = engine.displacement_l
    in_gear = condition in ("cruise", "drive", "overrun")
    road = litres * dice.flat(0.0, 4.0)
    if in_gear and dice.chance(0.4):  # up to potholes that swing the crank more than a lost firing
        road = min(300.0, litres * dice.log(6.0, 80.0))
    elif not in_gear:
        road = litres * dice.flat(0.0, 0.8)
    return DriveModel(
        condition=condition,
        gear_ratio=dice.log(3.2, 11.0),
        vehicle_kg=round(dice.flat(800.0, 1600.0) + 120.0 * litres)
        if engine.cylinders > 2
        else 350,
        spring_hz=dice.flat(2.0, 8.0),
        spring_damping=dice.flat(0.08, 0.3),
        cruise_rpm=dice.log(1500.0, 3800.0),
        load=dice.flat(0.1, 0.9),
        road_noise_nm=round(road, 3),
        road_low_hz=dice.flat(0.5, 2.0),
        road_high_hz=dice.flat(6.0, 18.0),
        compressor_nm=round(min(30.0, litres * dice.flat(3.0, 8.0)), 2)
        if dice.chance(0.3)
        else 0.0,
        compressor_s=dice.flat(3.0, 12.0),
        blip_s=dice.flat(3.0, 10.0) if condition == "idle" and dice.chance(0.2) else 0.0,
        shift_s=dice.flat(4.0, 12.0) if condition == "drive" and dice.chance(0.5) else 0.0,
        accessory_nm=round(litres * dice.flat(1.0, 4.0), 2),
        coolant_c=dice.flat(-10.0, 30.0) if condition in ("cold_idle", "start") else 88.0,
        battery_v=dice.flat(13.3, 14.7),
        cranking_v=dice.flat(9.0, 11.2),
        starter_rpm=dice.flat(160.0, 290.0),
    )


def draw_faults(
    dice: Dice, engine: EngineModel, drive: DriveModel, coil: CoilModel, healthy_share: float
) -> tuple[FaultModel, ...]:
    """Draw no fault, one, or two."""
    if dice.chance(healthy_share):
        return ()
    if drive.condition == "crank":
        return (_draw_fault(dice, engine, "low_compression"),)
    if dice.chance(0.08):
        return (_draw_fault(dice, engine, "crank_signal"),)
    words = (
        "open_secondary",
        "fouled_plug",
        "weak_coil",
        "no_primary",
        "mixture",
        "low_compression",
    )
    shares = (0.21, 0.26, 0.16, 0.08, 0.19, 0.10)
    faults = [_draw_fault(dice, engine, dice.pick(words, shares))]
    if dice.chance(0.15):
        more = _draw_fault(dice, engine, dice.pick((*words, "crank_signal"), (*shares, 0.2)))
        apart = more.cylinder != faults[0].cylinder
        if apart and (engine.cylinders > 3 or more.type == "crank_signal"):
            faults.append(more)
    return tuple(faults)


def _draw_fault(dice: Dice, engine: EngineModel, word: str) -> FaultModel:
    """Draw kind, cylinder, severity and how often."""
    cylinder = int(dice.rng.integers(1, engine.cylinders + 1))
    kind, low = "", 0.3
    pattern = dice.pick(("always", "random", "bursts", "load", "warm_up"), (30, 30, 20, 12, 8))
    match word:
        case "open_secondary":
            kind, low = dice.pick(("gap", "lead", "resistance", "open"), (3, 4, 2, 3)), 0.45
        case "fouled_plug":
            kind, low = dice.pick(("shunt", "track"), (6, 4)), 0.5
        case "weak_coil":
            kind, low = dice.pick(("shorted", "layers", "feed", "core"), (3, 3, 3, 2)), 0.55
        case "no_primary":
            kind, low = dice.pick(("trigger", "driver"), (1, 1)), 1.0
        case "mixture":
            kind, low = dice.pick(("no_fuel", "lean", "flooded"), (5, 3, 2)), 0.6
        case "low_compression":
            pattern = "always"
        case _:
            kind = dice.pick(("drop_outs", "extra", "damaged", "loss"), (4, 2, 2, 2))
            cylinder, pattern = 0, dice.pick(("random", "bursts"))
    if kind in ("gap", "resistance", "lean", "shunt", "shorted", "layers", "core") and dice.chance(
        0.6
    ):
        pattern = "always"
    rate = dice.flat(0.85, 1.0) if pattern == "always" else dice.log(0.015, 0.6)
    hard = kind in ("open", "no_fuel") or word == "no_primary"
    if engine.cylinders < 3:  # it would stall
        rate, pattern = min(rate, 0.08), "random"
    elif word in COIL_FAULTS and engine.ignition == "distributor":  # all cylinders at once
        rate, pattern = min(rate, dice.flat(0.02, 0.3)), "random"
    elif hard and engine.cylinders == 3 and pattern == "always":
        rate = 0.5
    if word == "low_compression":
        rate = 1.0
    severity = (
        1.0 if low >= 1 or kind == "no_fuel" else low + (1 - low) * dice.flat(0.0, 1.0) ** 0.6
    )
    return FaultModel(
        type=word,
        kind=kind,
        cylinder=cylinder,
        severity=round(severity, 4),
        rate=rate,
        pattern=pattern,
    )
