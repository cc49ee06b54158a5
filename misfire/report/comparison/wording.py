"""Words and numbers of a comparison."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from misfire.report.wording import format_count, format_duration


def write_needed(document: Mapping[str, Any]) -> str:
    """Say how many more cycles settle the question; empty when they would not matter."""
    more = document["cycles_needed"]
    if not more:
        return ""
    return (
        f"{format_count(more)} more cycles without a lost firing (about "
        f"{format_duration(document['seconds_needed'] or math.nan)} at the speed of the "
        "recording made after the repair)"
    )


def format_word(word: str | None) -> str:
    """Write a verdict as a reader has it: without the line of the file's name for it."""
    return word.replace("_", " ") if word else "–"


def write_speed(side: Mapping[str, Any]) -> str:
    """Write the speed range of one recording."""
    low, high = side["rpm"]["p05"], side["rpm"]["p95"]
    if low is None or high is None:
        return "speed not known"
    return f"{round(low, -1):.0f} to {round(high, -1):.0f} rev/min"


def format_share_count(part: Mapping[str, Any]) -> str:
    """Write a count."""
    if not part["judged"]:
        return "not judged"
    return f"{part['lost']} / {part['judged']}"


def format_points(value: float | None) -> str:
    """Write a change of a share in percentage points; a zero has no sign.

    Examples
    --------
    >>> format_points(-0.194), format_points(0.021), format_points(-0.0004)
    ('−19.4', '+2.1', '0')
    """
    if value is None:
        return "-"
    points = round(100 * value, 1)
    return f"{points:+.1f}".replace("-", "−") if points else "0"


def format_points_range(low: float | None, high: float | None) -> str:
    """Write an interval of a change."""
    if low is None or high is None:
        return "-"
    return f"{format_points(low)} to {format_points(high)}"
