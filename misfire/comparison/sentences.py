"""The sentences of a comparison: what was counted and measured, before and after."""

from __future__ import annotations

import math

from misfire.comparison.features import FeatureChange
from misfire.comparison.side import Side
from misfire.comparison.views import Excess, Step
from misfire.dsp.chances import Count
from misfire.report.wording import format_percent, format_value

UNITS = {
    "dwell_ms": ("dwell", "ms", 2),
    "peak_current_a": ("peak primary current", "A", 2),
    "firing_voltage_kv": ("firing voltage", "kV", 1),
    "burn_time_ms": ("burn time", "ms", 2),
    "spark_line": ("spark line", "", 0),
    "burn_voltage_kv": ("burn voltage", "kV", 2),
    "segment_accel": ("segment acceleration", "1/s²", 0),
}


def write_feature(feature: FeatureChange) -> str:
    """Say how a quantity changed.

    Parameters
    ----------
    feature : FeatureChange

    Returns
    -------
    text : str
    """
    name, unit, decimals = UNITS[feature.quantity]
    return (
        f"{name} {format_value(feature.before, decimals)} before, "
        f"{format_value(feature.after, decimals)} {unit} after (change at like speeds "
        f"{format_value(feature.low, decimals)} to {format_value(feature.high, decimals)} {unit})"
    )


def write_left(feature: FeatureChange) -> str:
    """Say that a quantity still stands apart.

    Parameters
    ----------
    feature : FeatureChange

    Returns
    -------
    text : str
    """
    name, unit, decimals = UNITS[feature.quantity]
    if feature.quantity == "segment_accel":
        return f"its {name} is still below that of the other cylinders"
    share = 100 * abs(math.expm1(feature.off_after))
    word = "above" if feature.off_after > 0 else "below"
    return (
        f"its {name} is still {share:.0f} % {word} that of the other cylinders "
        f"({format_value(feature.after, decimals)} {unit})"
    )


def write_odd(quantity: str, odd: Excess) -> str:
    """Say how many firings are odd after the repair.

    Parameters
    ----------
    quantity : str
    odd : Excess

    Returns
    -------
    text : str
    """
    line = f"{odd.own.lost} of {odd.own.judged} firings after the repair {_say_odd(quantity)}"
    if quantity == "spark_line":
        return line
    return f"{line}, of the other cylinders {odd.others.lost} of {odd.others.judged}"


def write_residue(quantity: str, own: Count) -> str:
    """Say how many firings after still bear the signature of those before.

    Parameters
    ----------
    quantity : str
    own : Count

    Returns
    -------
    text : str
    """
    return (
        f"{own.lost} of {own.judged} firings after the repair still {_say_odd(quantity)} as those "
        "before did"
    )


def _say_odd(quantity: str) -> str:
    """Say what firings are that are odd by a quantity."""
    return "lack torque" if quantity == "segment_accel" else f"have no usual {UNITS[quantity][0]}"


def write_step_left(quantity: str, step: Step) -> str:
    """Say that a cylinder came back only part of the way to the others.

    Parameters
    ----------
    quantity : str
    step : Step

    Returns
    -------
    text : str
    """
    chance = f"by accident with a chance of {format_percent(step.left)}"
    part = max(step.after / step.before, step.kept if math.isfinite(step.kept) else 0.0)
    share = f"{100 * part:.0f} % of what it did before"
    if quantity == "segment_accel":
        return f"it still lacks torque beside the other cylinders, {share} ({chance})"
    return f"its {UNITS[quantity][0]} still stands apart, or does in some strokes ({chance})"


def write_step(quantity: str, step: Step) -> str:
    """Say that a cylinder stood apart from the others before, and does no longer.

    Parameters
    ----------
    quantity : str
    step : Step

    Returns
    -------
    text : str
    """
    chance = f"by accident with a chance of {format_percent(step.chance)}"
    if quantity == "segment_accel":
        return f"it worked less than the other cylinders before, and no longer does ({chance})"
    share = [f"{100 * math.expm1(abs(x)):.0f} %" for x in (step.before, step.after)]
    return (
        f"its {UNITS[quantity][0]} was {share[0]} off that of the other cylinders before, "
        f"{share[1]} after ({chance})"
    )


def write_rates(
    before: Count,
    after: Count,
    quantity: str = "",
    *,
    at_like_speeds: bool = False,
    is_judged: bool = True,
) -> str:
    """Say both counts.

    Parameters
    ----------
    before, after : Count
    quantity : str
        By what firings were found odd; empty where they were judged lost.
    at_like_speeds : bool
        Whether only some of the firings were counted.
    is_judged : bool
        Whether all that is counted was judged lost, and not only looks like it.

    Returns
    -------
    text : str
    """
    line = (
        f"{before.lost} of {before.judged} before ({format_percent(before.rate)}), "
        f"{after.lost} of {after.judged} after ({format_percent(after.rate)})"
    )
    if at_like_speeds:
        line += ", of the firings at speeds that both recordings have"
    if not quantity:
        return f"lost {line}" if is_judged else f"lost, or like the lost ones: {line}"
    if quantity == "segment_accel":
        return f"firings that lack torque, beyond what the others have: {line}"
    return f"firings without their usual {UNITS[quantity][0]}: {line}"


def write_joint(suspects: tuple[tuple[int, ...], ...]) -> list[str]:
    """Say that the table of one recording at a time does not show what both show together.

    Parameters
    ----------
    suspects : tuple of tuple of int
        Cylinders and pairs that only both recordings together accuse.

    Returns
    -------
    reasons : list of str
        Empty where there are none.
    """
    if not suspects:
        return []
    names = " and ".join(" or ".join(map(str, group)) for group in suspects)
    return [
        f"the recording made before does not accuse cylinder {names} by itself; set beside the one "
        "made after it does (the table counts the firings judged lost in each by itself)"
    ]


def write_together() -> str:
    """Say that all cylinders are judged as one.

    Returns
    -------
    note : str
    """
    return (
        "the recording made before accuses every cylinder, as of one cause that all of them share: "
        "they are judged together, each with the same word; the numbers are each one's own"
    )


def write_notes(before: Side, after: Side) -> list[str]:
    """Say what of vehicle, file and conditions a reader must know.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    notes : list of str
    """
    notes = []
    if before.summary["vehicle"] != after.summary["vehicle"]:
        notes.append(
            f"the job cards name different vehicles ({before.summary['vehicle']} and "
            f"{after.summary['vehicle']}): make sure that it is the same one"
        )
    source = before.summary.get("source_sha256", "")
    if source and source == after.summary.get("source_sha256"):
        notes.append("both are the very same recording")
    if before.mates or after.mates:
        notes.append(
            "cylinders 360 degrees apart cannot be told apart in one of the recordings: they are "
            "judged as pairs"
        )
    if before.is_unnumbered or after.is_unnumbered:
        notes.append(
            "nothing told which cylinder is which in one of the recordings: numbers were turned "
            "to fit the other, and none of them is to be relied on"
        )
    notes.append(
        "engine and air temperature, fuel and load are not recorded: repeat the drive or the idle "
        "run in which the fault was felt, as warm or as cold as then"
    )
    return notes
