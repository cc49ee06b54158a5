"""Sketches of a vehicle's coil waves at random, and the probes they are recorded with.

The ranges are wide on purpose: no circuit behind a sketch ties its pieces together.
"""

from __future__ import annotations

import dataclasses

from misfire.simulate.dice import Dice
from misfire.simulate.pieces_model import IDLE_DENSITY, PiecesModel
from misfire.simulate.scenario import ChannelModel, CoilModel, EngineModel


def draw_pieces(dice: Dice, engine: EngineModel, coil: CoilModel) -> PiecesModel:
    """Draw the pieces of one vehicle, with a reserve of voltage as a sound system has.

    Parameters
    ----------
    dice : Dice
    engine : EngineModel
    coil : CoilModel
        Its clamp, turns and rotor gap bound what the coil can reach.

    Returns
    -------
    pieces : PiecesModel
    """
    reach = dice.flat(24.0, 45.0)
    spare = 0.75 * min(reach, 0.95 * (coil.clamp_v - 14.0) * coil.turns_ratio * 1e-3)
    spare -= 1.4 * coil.rotor_gap_kv + (2.5 if engine.ignition == "wasted_spark" else 0.0)
    power = dice.flat(0.4, 0.95)
    densest = 0.7 * engine.compression_ratio / IDLE_DENSITY
    firing = min(dice.flat(5.0, 13.0), spare / densest**power)
    ring_us = dice.log(90.0, 450.0)
    kilovolts, climb = dice.log(0.6, 1.9), dice.flat(-0.1, 1.4)
    secondary_a = min(coil.target_a, coil.limit_a) / coil.turns_ratio
    flux_vs = coil.primary_mh * 1e-3 * coil.turns_ratio**2 * secondary_a
    # t = L I / V: no spark lasts longer than the coil's flux feeds its volts
    level_v = kilovolts * 1e3 * (1 + 0.2 * max(0.0, climb))
    level_v += {"wasted_spark": 0.6 * level_v, "distributor": 250.0}.get(engine.ignition, 0.0)
    burn_ms = 1e3 * flux_vs / level_v * dice.flat(0.45, 0.95)
    lively = dice.chance(0.6)  # teeth and wobble that a hand would draw
    return PiecesModel(
        firing_kv=round(max(2.5, firing), 4),
        density_power=power,
        reach_kv=reach,
        reach_power=dice.flat(0.35, 0.7),
        rise_us=round(min(150.0, ring_us * dice.flat(0.12, 0.35)), 3),
        rise_power=dice.log(0.7, 1.8),
        spark_kv=kilovolts,
        spark_power=dice.flat(0.0, 0.45),
        climb=climb,
        climb_power=dice.log(0.7, 3.0),
        hook=dice.log(0.02, 0.8),
        hook_us=dice.log(15.0, 300.0),
        hump=dice.flat(0.1, 0.9) if dice.chance(0.5) else 0.0,
        hump_us=dice.log(20.0, 200.0),
        burn_ms=round(min(4.0, max(0.6, burn_ms)), 4),
        energy_power=dice.flat(0.6, 1.4),
        firing_share=dice.log(0.01, 0.12),
        line_power=dice.flat(0.4, 1.2),
        spark_ma=round(500.0 * secondary_a * dice.flat(0.5, 0.95), 4),  # half of where it begins
        teeth=dice.log(1.0, 10.0) if lively else 0.0,
        tooth_us=dice.log(10.0, 200.0),
        tooth_height=dice.log(0.1, 1.0),
        wobble=dice.log(0.005, 0.1),
        wobble_khz=dice.log(0.8, 12.0),
        ring_us=ring_us,
        ring_keep=dice.flat(0.3, 0.85),
        ring_swings=dice.flat(2.0, 9.0),
        # what still flows as the spark goes out lifts the voltage first: no steep fall at once
        ring_start=dice.flat(0.7, 1.1),
        ring_phase=dice.flat(-0.9, 0.15),
        clamp_us=dice.log(20.0, 300.0),
        on_share=dice.flat(0.4, 1.1),
        bend=dice.flat(0.05, 0.35) if dice.chance(0.3) else dice.flat(-0.08, 0.05),
        on_ring=dice.log(0.005, 0.12),
        on_khz=dice.log(6.0, 70.0),
        knee_us=dice.log(10.0, 300.0),
        # a longer tail would keep the energy that the kick shows
        tail=dice.flat(0.03, 0.3) if dice.chance(0.25) else 0.0,
        tail_us=dice.log(8.0, 60.0),
        feed_ring=0.0 if coil.diode else dice.flat(0.1, 1.2),
    )


def draw_probes(dice: Dice, channels: tuple[ChannelModel, ...]) -> tuple[ChannelModel, ...]:
    """Give the coil probes of a hook-up a bandwidth, a zero and a polarity of their own.

    Parameters
    ----------
    dice : Dice
    channels : tuple of ChannelModel

    Returns
    -------
    channels : tuple of ChannelModel
    """
    changed = []
    for channel in channels:
        new = channel
        if channel.role == "coil_primary":  # an attenuator of no great quality
            corner, zero = dice.log(20e3, 1e6), dice.flat(-0.01, 0.01)
            new = dataclasses.replace(channel, bandwidth_hz=corner, zero=zero)
        elif channel.role == "coil_secondary":
            new = dataclasses.replace(channel, reversed=dice.chance(0.5))
        changed.append(new)
    return tuple(changed)
