"""How urgent a recording and a vehicle are: lost combustions against the regulation's floors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

CATALYST_FLOOR = 0.05
"""Share lost in 200 revolutions below which no damage to the catalyst need be expected.

Source: 13 CCR 1968.2 (e)(3.2.1), from memory (high confidence). The maker's own threshold depends
on speed and load and may lie above it.
"""
EMISSION_FLOOR = 0.01
"""Share lost in 1000 revolutions that is the least a monitor must find.

Source: 13 CCR 1968.2 (e)(3.2.2), from memory (high confidence).
"""
SURE = 0.9  # probability of a faulty cylinder from which the first class is given; our choice
VISIT = timedelta(days=7)  # recordings so near to the newest count as the same visit; our choice

CLASSES = ("now", "soon", "plan", "watch", "unclear", "none")
"""Classes of urgency, most urgent first."""


@dataclass(frozen=True, slots=True)
class Urgency:
    """How urgent it is: `rank` its class's place in CLASSES, `score` 0..100 within the class.

    `catalyst`: "likely", "possible", "below the floor" or "not known".
    """

    rank: int
    score: int
    catalyst: str
    reason: str

    @property
    def name(self) -> str:
        """The class in one word."""
        return CLASSES[self.rank]


def grade(digest: dict[str, Any]) -> Urgency:
    """Grade one recording.

    Parameters
    ----------
    digest : dict
        As `build_digest` makes it.

    Returns
    -------
    urgency : Urgency
        "now": at least 5 % lost in a window of 200 revolutions, by the whole 95 % interval, and a
        cylinder faulty with a probability of at least 0.9. "soon": 5 % there, or 1 % in 1000
        revolutions, or a cylinder that plainly works less. "plan": a misfire below both floors, or
        a fault of the crank signal alone. "watch": a bad spark that cost no combustion yet.
        "unclear": the recording does not settle it. "none": no misfire. The score is
        100 x certainty x r / (1 + r), r the larger of both shares over its floor.
    """
    verdict, certainty = digest["verdict"], float(digest["probability"] or 0.0)
    if verdict == "no_misfire" and digest["crank_fault"]:
        return Urgency(2, 50, "below the floor", digest["crank_fault"])
    if verdict == "no_misfire" and digest["ailing"]:
        return Urgency(3, 50, "below the floor", digest["ailing"][0])
    if verdict == "no_misfire":
        n = digest["misfires"]
        stray = f", {n} lost {'firing' if n == 1 else 'firings'} not beyond chance" if n else ""
        return Urgency(5, round(100 * certainty / 2), "below the floor", f"no misfire found{stray}")
    if verdict != "misfire":
        why = digest["notes"][0] if digest["notes"] else "the recording gives no clear result"
        return Urgency(4, round(100 * certainty), "not known", why)
    short, long = digest["windows"]["200"], digest["windows"]["1000"]
    share, low = short["share"] or 0.0, short["low"] or 0.0
    ratio = max(share / CATALYST_FLOOR, (long["share"] or 0.0) / EMISSION_FLOOR)
    catalyst = (
        "likely"
        if low >= CATALYST_FLOOR
        else "possible"
        if share >= CATALYST_FLOOR
        else "below the floor"
    )
    where = "in the worst 200 revolutions" if short["whole"] else "in less than 200 revolutions"
    reason = f"{_percent(share)} of the combustions lost {where}"
    if digest["misfires"] == 0:
        ratio = 1.0
        reason = "a cylinder clearly works less than the others; no combustion lost"
        rank = 1
    elif catalyst == "likely" and certainty >= SURE:
        rank = 0
    elif share >= CATALYST_FLOOR or (long["share"] or 0.0) >= EMISSION_FLOOR:
        rank = 1
        if share < CATALYST_FLOOR:
            span = "in the worst 1000" if long["whole"] else "in less than 1000"
            reason = f"{_percent(long['share'])} of the combustions lost {span} revolutions"
    else:
        rank = 2
        reason += ", below both limits"
    return Urgency(rank, round(100 * certainty * ratio / (1 + ratio)), catalyst, reason)


def pick_current(recorded: Sequence[str | None]) -> list[int]:
    """Pick the recordings that speak for a vehicle as it is now.

    Parameters
    ----------
    recorded : sequence of str or None
        Time of each recording (ISO 8601), None where it is not known.

    Returns
    -------
    current : list of int
        Those within seven days before the newest, and all whose time is not known.

    Examples
    --------
    >>> pick_current(["2026-01-01", "2026-03-01", "2026-03-05T08:00:00", None])
    [1, 2, 3]
    """
    times = [None if text is None else parse_time(text) for text in recorded]
    known = [t for t in times if t is not None]
    newest = max(known, default=None)
    return [i for i, t in enumerate(times) if t is None or newest is None or newest - t <= VISIT]


def parse_time(text: str) -> datetime:
    """Give a time of recording as a moment; what tells no zone is taken as it stands.

    Parameters
    ----------
    text : str
        ISO 8601.

    Examples
    --------
    >>> parse_time("2026-03-01T20:00:00+02:00")
    datetime.datetime(2026, 3, 1, 18, 0)
    """
    moment = datetime.fromisoformat(text)
    offset = moment.utcoffset()
    return moment if offset is None else (moment - offset).replace(tzinfo=None)


def _percent(share: float | None) -> str:
    """Write a share in per cent with two digits that count."""
    value = 100 * (share or 0.0)
    return f"{value:.0f} %" if value >= 9.95 else f"{value:.{max(0, 1 - _power(value))}f} %"


def _power(value: float) -> int:
    """Give the power of ten of a number."""
    return math.floor(math.log10(value)) if value > 0 else 0
