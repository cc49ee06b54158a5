"""Firings that look like the lost ones: the fault at work where no loss was judged."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from misfire.comparison.side import Side
from misfire.dsp.chances import Count, compute_fisher
from misfire.report.summary import LOST

QUANTITIES = (
    "segment_accel",
    "peak_current_a",
    "burn_time_ms",
    "dwell_ms",
    "firing_voltage_kv",
)
LEAST_LOST, LEAST_GOOD = 3, 10
APART = 6.0  # lost and good firings differ by this many spreads of the good ones
MOST_ODD = 0.04  # share of the other cylinders' firings that may look lost
ODD, ODD_FIRINGS = 0.03, 400  # odd values of a sound cylinder, where none is there to count them
AS_OTHERS = 0.2  # chance above which the others have as many in the same recording
LEAST_ALIKE = 0.6  # share of the lost firings that must


@dataclass(frozen=True, slots=True)
class Alike:
    """Firings after that look like the lost ones before, by one quantity; and those before."""

    quantity: str
    own: Count
    others: Count
    own_before: Count


def find_alike(
    before: Side,
    after: Side,
    cylinders: tuple[int, ...],
    worked: tuple[NDArray[np.bool_], NDArray[np.bool_]],
) -> tuple[Alike, ...]:
    """Count firings after the repair that look like those lost before it.

    Parameters
    ----------
    before, after : Side
    cylinders : tuple of int
        One suspect, or a pair that cannot be told apart.
    worked : two bool arrays [shape=(n_firings,)]
        Firings whose torque shows that they were not lost, whatever their spark looked like: at
        full throttle a sound plug asks for as much voltage as a worn one.

    Returns
    -------
    alike : tuple of Alike
        One for each quantity that parts the lost from the good firings before. `others` counts
        the same in the other cylinders of both recordings: what chance does.
    """
    found = []
    mine = np.isin(before.column("cylinder"), cylinders)
    probability = before.column("misfire_probability")
    for quantity in QUANTITIES:
        values = before.column(quantity)
        usable = np.isfinite(values) & np.isfinite(probability) & ~before.flagged("fuel_cut")
        lost = values[usable & mine & (probability >= LOST)]
        good = values[usable & mine & (probability < LOST)]
        rest = values[usable & ~mine & (probability < LOST)]
        middle = float(np.median(rest)) if rest.size >= LEAST_GOOD else math.nan
        if lost.size < LEAST_LOST:
            continue
        sound = good if good.size >= LEAST_GOOD else rest  # none left: as the others
        if sound.size < LEAST_GOOD:
            continue
        usual = float(np.median(sound))
        step = float(np.median(lost)) - usual
        spread = 1.4826 * float(np.median(np.abs(sound - usual)))
        if quantity == "segment_accel" and step >= 0:
            continue
        if abs(step) < APART * spread or abs(step) < 0.1 * abs(usual):
            continue
        if _count_beyond(lost, usual, step) < LEAST_ALIKE * lost.size:
            continue
        off = usual - middle
        counts = [
            _count(side, quantity, cylinders, step, off, fine)
            for side, fine in zip((before, after), worked, strict=True)
        ]
        (first, usually), (own, other) = counts
        if first.lost < LEAST_ALIKE * lost.size:
            continue  # what does not find the lost ones again is no sign of them
        others = other + usually
        if not others.judged:  # no other cylinder shows it: allow for rare odd values
            strange = _count_beyond(sound, usual, step)
            others = Count(strange + round(ODD * ODD_FIRINGS), sound.size + ODD_FIRINGS)
        if others.lost > MOST_ODD * others.judged:
            continue
        if own.lost and other.judged and compute_fisher(own, other) > AS_OTHERS:
            continue  # all cylinders have them after: another cause
        found.append(Alike(quantity, own, others, first))
    return tuple(found)


def _count(
    side: Side,
    quantity: str,
    cylinders: tuple[int, ...],
    step: float,
    off: float,
    worked: NDArray[np.bool_],
) -> tuple[Count, Count]:
    """Count firings off the usual value like the lost ones were: own, others'.

    The usual value is that of the other cylinders, and `off` what the cylinder's sound firings
    differ from it; its own middle value where no other was measured.
    """
    values, number = side.column(quantity), side.column("cylinder")
    usable = np.isfinite(values) & ~side.flagged("fuel_cut") & ~side.flagged("edge")
    lost, judged = [0, 0], [0, 0]
    rest = values[usable & ~np.isin(number, cylinders)]
    middle = float(np.median(rest)) if rest.size >= LEAST_GOOD else math.nan
    # What is as the other cylinders are is sound, also where the sound firings before were not.
    sound = middle + math.copysign(max(0.0, off * math.copysign(1.0, step)), step)
    for cylinder in side.order:
        its = usable & (number == cylinder)
        part = values[its]
        if part.size < LEAST_GOOD:
            continue
        to = 0 if cylinder in cylinders else 1
        usual = float(np.median(part))
        if to == 0 and math.isfinite(sound):
            usual = sound
        lost[to] += _count_beyond(part[~worked[its]], usual, step)
        judged[to] += int(part.size)
    return Count(lost[0], judged[0]), Count(lost[1], judged[1])


def _count_beyond(values: NDArray[np.float64], usual: float, step: float) -> int:
    """Count values more than half a step off the usual one, to the step's side."""
    return int(np.sum((values - usual) * np.sign(step) > 0.5 * abs(step)))
