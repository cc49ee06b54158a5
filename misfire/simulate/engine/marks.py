"""What faults leave on the sketched pieces of a firing, drawn once for each fault of a vehicle.

After what the trade says of patterns (common practice, no source): resistance or a gap too many
raises the firing line and shortens the burn; a fouled plug lets the kick leak away, or breaks down
early and burns low and long; a coil short of energy kicks low and burns short; shorted turns step
the ramp of the current at its start; a poor feed flattens it; a mixture fault leaves the spark
nearly as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

from misfire.simulate.dice import Dice
from misfire.simulate.scenario import FaultModel


@dataclass(frozen=True, slots=True)
class FaultMarks:
    """Changes of a firing's pieces; the defaults change nothing.

    Names in `_share` multiply, all others add; `leak_s` counts where `leaks` is more than 0.
    """

    firing_share: float = 1.0
    firing_spread: float = 0.0  # 1 sigma of its logarithm, firing to firing
    never: float = 0.0  # share of firings in which the gap does not break down at any voltage
    line_share: float = 1.0
    climb: float = 0.0  # of the line's level
    hook: float = 0.0  # of the line's level: a line that begins high and falls
    hook_s: float = 0.0
    burn_share: float = 1.0
    useful_share: float = 1.0  # of the spark's energy that meets the charge
    leaks: float = 0.0  # share of firings whose kick leaks away before a breakdown
    leak_s: float = 0.0
    leak_share: float = 1.0  # of what the coil could reach, while it leaks
    rise_share: float = 1.0  # of the kick's and the ringing's times
    keep_share: float = 1.0  # of the height that each swing of the ringing keeps
    energy_share: float = 1.0
    tau_share: float = 1.0  # of the inductance that the ramp sees
    final_share: float = 1.0  # of the current that the feed could drive at last
    drop_v: float = 0.0
    step: float = 0.0  # beside the ramp, share of the target current


def join_marks(marks: Iterable[FaultMarks]) -> FaultMarks:
    """Join the marks of all faults at work in a firing."""
    joined = {f.name: float(f.default) for f in fields(FaultMarks)}  # type: ignore[arg-type]
    for one in marks:
        for name in joined:
            if name.endswith("_share"):
                joined[name] *= getattr(one, name)
            else:
                joined[name] += getattr(one, name)
    return FaultMarks(**joined)


def draw_marks(fault: FaultModel, dice: Dice) -> FaultMarks:
    """Draw how one fault shows on the pieces.

    Parameters
    ----------
    fault : FaultModel
        The more severe, the plainer its marks; `no_primary`, `low_compression` and `crank_signal`
        leave none of their own: there is no strike, a thinner charge, or nothing at all.
    dice : Dice

    Returns
    -------
    marks : FaultMarks
    """
    draw = {
        "open_secondary": _draw_open,
        "fouled_plug": _draw_fouled,
        "weak_coil": _draw_weak,
        "mixture": _draw_mixture,
    }.get(fault.type)
    return FaultMarks() if draw is None else draw(fault.kind, fault.severity, dice)


def _draw_open(kind: str, s: float, dice: Dice) -> FaultMarks:
    """Draw a high firing line and a short burn, or no breakdown at all."""
    match kind:
        case "gap":
            return FaultMarks(
                firing_share=1 + s * dice.flat(0.6, 1.9),
                firing_spread=dice.flat(0.0, 0.08),
                line_share=1 + s * dice.flat(0.05, 0.6),
                climb=s * dice.flat(0.0, 0.8),
                burn_share=1 - s * dice.flat(0.0, 0.4),
            )
        case "lead":
            return FaultMarks(
                firing_share=1 + s * dice.flat(0.6, 2.6),
                firing_spread=dice.flat(0.08, 0.3),
                never=s**3 * dice.flat(0.0, 0.5),
                line_share=1 + s * dice.flat(0.1, 1.0),
                climb=s * dice.flat(0.0, 0.6),
                burn_share=1 - s * dice.flat(0.1, 0.6),
                useful_share=1 - s * dice.flat(0.2, 0.8),
            )
        case "resistance":
            return FaultMarks(
                firing_share=1 + s * dice.flat(0.0, 0.5),
                firing_spread=dice.flat(0.0, 0.1),
                never=s**4 * dice.flat(0.0, 0.3),
                line_share=1 + s * dice.flat(0.0, 0.5),
                hook=s * dice.flat(0.5, 3.0),
                hook_s=dice.log(100e-6, 800e-6),
                burn_share=1 - s * dice.flat(0.4, 0.9),
                useful_share=1 - s * dice.flat(0.2, 0.9),
            )
    never = 1.0
    if dice.chance(0.25):  # now and then it finds another way, through the air
        never = dice.flat(0.5, 0.98)
    return FaultMarks(
        firing_share=dice.flat(1.8, 3.2),
        firing_spread=dice.flat(0.05, 0.2),
        never=never,
        line_share=dice.flat(1.3, 2.2),
        burn_share=dice.flat(0.2, 0.6),
        useful_share=dice.flat(0.0, 0.2),
        keep_share=dice.flat(0.9, 1.05),
    )


def _draw_fouled(kind: str, s: float, dice: Dice) -> FaultMarks:
    """Draw a kick that leaks away, or breaks down early and burns low and long."""
    track = kind == "track"  # the spark creeps along the insulator
    likely = dice.flat(-0.5, 0.5) + (0.4 if track else 0.9) * s
    return FaultMarks(
        firing_share=1 - s * dice.flat(0.25, 0.65),
        firing_spread=dice.flat(0.02, 0.2),
        line_share=1 - s * dice.flat(0.15, 0.55),
        climb=s * dice.flat(-0.2, 0.1),
        burn_share=1 + s * dice.flat(-0.25, 0.6),
        useful_share=max(0.02, 1 - s * (dice.flat(0.7, 1.1) if track else dice.flat(0.5, 1.0))),
        leaks=min(1.0, max(0.0, likely)),
        leak_s=dice.log(50e-6, 500e-6),
        leak_share=dice.flat(0.1, 0.6),
        rise_share=1 + s * dice.flat(-0.1, 0.5),
        keep_share=1 - s * dice.flat(0.2, 0.8),
        step=s * dice.flat(0.0, 0.06),
    )


def _draw_weak(kind: str, s: float, dice: Dice) -> FaultMarks:
    """Draw little energy: a low kick, a short burn; the ramp says why."""
    starved = 1 - s * dice.flat(0.75, 0.99)
    match kind:
        case "shorted":
            return FaultMarks(
                energy_share=starved,
                step=s * dice.flat(0.08, 0.6),
                tau_share=1 - s * dice.flat(0.1, 0.45),
                rise_share=1 - s * dice.flat(0.0, 0.5),
                keep_share=1 - s * dice.flat(0.3, 0.9),
            )
        case "layers":
            return FaultMarks(
                energy_share=starved,
                step=s * dice.flat(0.0, 0.25),
                keep_share=1 - s * dice.flat(0.2, 0.8),
            )
        case "feed":
            return FaultMarks(
                final_share=1 - s * dice.flat(0.3, 0.85),
                drop_v=s * dice.flat(0.3, 4.0),
            )
    return FaultMarks(
        energy_share=starved,
        tau_share=1 - s * dice.flat(0.1, 0.45),
        keep_share=1 - s * dice.flat(0.0, 0.4),
    )


def _draw_mixture(kind: str, s: float, dice: Dice) -> FaultMarks:
    """Draw a nearly usual spark: a lean charge asks for a little more, a wet plug for less."""
    if kind == "flooded":
        return FaultMarks(
            firing_share=1 - s * dice.flat(0.0, 0.3),
            line_share=1 - s * dice.flat(0.0, 0.2),
            burn_share=1 + s * dice.flat(-0.05, 0.15),
        )
    more = s * dice.flat(-0.03, 0.2)
    return FaultMarks(
        firing_share=1 + more,
        line_share=1 + s * dice.flat(-0.03, 0.22),
        climb=s * dice.flat(-0.1, 0.3),
        burn_share=1 - s * dice.flat(-0.04, 0.12),
    )
