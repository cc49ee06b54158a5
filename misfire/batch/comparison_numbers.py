"""Numbers of cylinders that a recording could not tell: turned to fit those of the other."""

from __future__ import annotations

import numpy as np

from misfire.batch.comparison_side import Side
from misfire.report.summary import LOST

HALF = 0.5  # share of the most losses that counts as losing as much


def find_most_lost(side: Side, *, least: int) -> list[int]:
    """Find the cylinders that lose the most firings.

    Parameters
    ----------
    side : Side
    least : int
        Lost firings that a cylinder must have.

    Returns
    -------
    cylinders : list of int
        That with the most, and those with half as many or more; empty where none has enough.
    """
    lost = _count_lost(side)
    most = max(lost.values())
    return [c for c, k in lost.items() if k >= max(least, HALF * most)]


def number_alike(before: Side, after: Side) -> tuple[Side, Side]:
    """Give cylinders the same numbers in both recordings where one could not tell them.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    before, after : Side
        The one whose cylinders had no sure numbers is turned along the firing order, so that
        losses of the same cylinder fall together as far as they can, else what they lack of
        torque: what is left of a fault must not be taken for another cylinder's.
    """
    if set(before.order) != set(after.order) or not (before.is_unnumbered or after.is_unnumbered):
        return before, after
    turned, kept = (after, before) if after.is_unnumbered else (before, after)
    best = 0
    for find in (_find_shares, _find_lacks):  # losses, and where one has none, the work done
        own, other = find(turned), find(kept)
        order, n = turned.order, len(turned.order)
        fit = [
            sum(own[c] * other[order[(i + steps) % n]] for i, c in enumerate(order))
            for steps in range(n)
        ]
        best = int(np.argmax(fit))  # the first of equals: no turn where none is better
        if fit[best] > 0:
            break
    if best == 0:
        return before, after
    return (before, after.turn(best)) if turned is after else (before.turn(best), after)


def _find_shares(side: Side) -> dict[int, float]:
    """Give the share of firings that each cylinder lost."""
    number = side.column("cylinder")
    return {c: k / max(1, int((number == c).sum())) for c, k in _count_lost(side).items()}


def _find_lacks(side: Side) -> dict[int, float]:
    """Give what each cylinder usually lacks of the torque of all, in parts of omega squared."""
    number = side.column("cylinder")
    work = side.column("segment_accel") / np.square(np.maximum(side.column("rpm"), 1.0))
    middle = {}
    for c in side.cylinders:
        known = work[(number == c) & np.isfinite(work)]
        middle[c] = float(np.median(known)) if known.size else 0.0
    usual = float(np.median(list(middle.values())))
    return {c: usual - x for c, x in middle.items()}


def _count_lost(side: Side) -> dict[int, int]:
    """Count the lost firings of each cylinder."""
    lost = side.column("misfire_probability") >= LOST
    number = side.column("cylinder")
    return {c: int((lost & (number == c)).sum()) for c in side.cylinders}
