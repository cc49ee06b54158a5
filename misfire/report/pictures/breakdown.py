"""What stands beside the mark of a breakdown: how surely its voltage is known."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BreakdownWords:
    """Pieces of the words at the mark: name, what leads to the voltage, what ends them.

    `sure` is False where the voltage is a lower bound, or open; `timed` where the instant is told.
    """

    name: str
    before_voltage: str
    after: str
    sure: bool
    timed: bool


def word_breakdown(flags: str) -> BreakdownWords:
    """Choose the words by what a firing's flags say of its kick.

    Parameters
    ----------
    flags : str
        Names of STROKE_FLAGS joined by spaces, as in events.parquet.

    Returns
    -------
    words : BreakdownWords

    Examples
    --------
    >>> word_breakdown("").name, word_breakdown("leaking no_breakdown").name
    ('breakdown', 'no spark line: the kick leaks away')
    """
    known = set(flags.split())
    if "leaking" in known:
        return BreakdownWords("no spark line: the kick leaks away", ", reached ", "", False, False)
    if "no_breakdown" in known:
        return BreakdownWords("no breakdown", ", over ", "", False, False)
    if "unresolved" in known:
        # it may be the spike of the leakage inductance that broke off there: no number at all
        return BreakdownWords("breakdown", ", ", ", not resolved", False, False)
    if not known.isdisjoint(("bounded", "clipped")):
        limit = "clamp" if "clamped" in known else "range"
        return BreakdownWords("breakdown", ", at least ", f" ({limit} reached)", False, True)
    return BreakdownWords("breakdown", ", ", "", True, True)


def label_breakdown(flags: str, *, wait_us: float, voltage: str) -> str:
    """Write the words at the mark.

    Parameters
    ----------
    flags : str
        As for `word_breakdown`.
    wait_us : float [unit=us]
        From switch-off to breakdown; NaN where it is not known.
    voltage : str
        With its unit; empty where it is not known.

    Returns
    -------
    label : str

    Examples
    --------
    >>> label_breakdown("", wait_us=18.2, voltage="17.9 kV")
    'breakdown 18 µs, 17.9 kV'
    >>> label_breakdown("unresolved", wait_us=8.0, voltage="")
    'breakdown, not resolved'
    >>> label_breakdown("no_breakdown clamped bounded", wait_us=50.0, voltage="30.9 kV")
    'no breakdown, over 30.9 kV'
    """
    words = word_breakdown(flags)
    instant = f" {wait_us:.0f} µs" if words.timed and math.isfinite(wait_us) else ""
    height = f"{words.before_voltage}{voltage}" if voltage else ""
    return f"{words.name}{instant}{height}{words.after}"
