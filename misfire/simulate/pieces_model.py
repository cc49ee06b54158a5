"""How one vehicle's coil waves are sketched, piece by piece.

Levels and shapes are those of the patterns in ignition handbooks (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from misfire.simulate.fields import check_fields, number

IDLE_DENSITY = 3.0  # of the gas at the spark of an idling engine, relative to open air


@dataclass(frozen=True, slots=True)
class PiecesModel:
    """The pieces of a sound firing's waves, used where a scenario has `waves = "pieces"`."""

    firing_kv: float = number(9.0, 2.0, 25.0)  # a sound plug at idle
    density_power: float = number(0.7, 0.2, 1.2)  # it grows with the gas density to this power
    reach_kv: float = number(32.0, 10.0, 70.0)  # what the coil could reach on its target current
    reach_power: float = number(0.5, 0.2, 1.0)  # it grows with the stored energy to this power
    rise_us: float = number(50.0, 3.0, 300.0)  # switch-off to the top of an unbroken kick
    rise_power: float = number(1.0, 0.4, 3.0)  # 1: a quarter sine; less: steep at first
    spark_kv: float = number(1.1, 0.3, 4.0)  # burning voltage at idle
    spark_power: float = number(0.2, 0.0, 0.8)  # it grows with the gas density to this power
    climb: float = number(0.4, -0.5, 3.0)  # of the spark line over its burn, share of its level
    climb_power: float = number(1.3, 0.5, 4.0)
    hook: float = number(0.15, 0.0, 3.0)  # how far the line begins above its level, share
    hook_us: float = number(60.0, 5.0, 1000.0)
    hump: float = number(0.1, 0.0, 2.0)  # the last rise before the spark goes out, share
    hump_us: float = number(80.0, 5.0, 400.0)
    burn_ms: float = number(1.5, 0.3, 5.0)  # a sound burn at idle
    energy_power: float = number(1.0, 0.4, 2.0)  # it grows with the energy left to this power
    firing_share: float = number(0.08, 0.0, 0.4)  # of the energy, taken by (firing voltage)^2
    line_power: float = number(0.8, 0.0, 2.0)  # it falls with the line's level to this power
    spark_ma: float = number(30.0, 5.0, 150.0)  # mean current in the gap
    teeth: float = number(1.0, 0.0, 12.0)  # on a spark line in a brisk flow, on average
    tooth_us: float = number(50.0, 5.0, 300.0)
    tooth_height: float = number(0.4, 0.0, 3.0)  # share of the line's level
    wobble: float = number(0.02, 0.0, 0.5)  # share of the line's level
    wobble_khz: float = number(4.0, 0.2, 30.0)
    ring_us: float = number(200.0, 20.0, 1200.0)  # one swing of the coil left to itself
    ring_keep: float = number(0.6, 0.05, 0.97)  # share of the height that the next swing has
    ring_swings: float = number(6.0, 0.5, 20.0)  # then it has ended
    ring_start: float = number(0.9, 0.0, 2.0)  # after a burn, share of the line's end
    ring_phase: float = number(0.0, -3.2, 3.2)
    clamp_us: float = number(80.0, 5.0, 600.0)  # how long an unbroken kick stands at the clamp
    on_share: float = number(
        0.75, 0.2, 1.5
    )  # the driver's drop at switch-on, of the one at the end
    bend: float = number(0.0, -0.4, 0.8)  # how far a filling core lifts the ramp's end, share
    on_ring: float = number(0.02, 0.0, 0.5)  # ringing of the current at switch-on, share of target
    on_khz: float = number(20.0, 2.0, 200.0)
    knee_us: float = number(60.0, 2.0, 600.0)  # how fast the driver settles at its current limit
    tail: float = number(0.0, 0.0, 0.6)  # of the current, that a slow driver lets go late
    tail_us: float = number(100.0, 5.0, 800.0)
    feed_ring: float = number(0.6, 0.0, 2.0)  # secondary at switch-on, share of supply x turns

    def __post_init__(self) -> None:
        """Check ranges."""
        check_fields(self, "pieces")
