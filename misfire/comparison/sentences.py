"""The sentences of a comparison: what was counted and measured, before and after."""

from __future__ import annotations

import math

from misfire.comparison.features import FeatureChange
from misfire.comparison.side import Side
from misfire.comparison.signs import Sign
from misfire.dsp.chances import Count
from misfire.report.wording import format_percent, format_value

UNITS = {
    "dwell_ms": ("dwell", "ms", 2),
    "peak_current_a": ("peak primary current", "A", 2),
    "firing_voltage_kv": ("firing voltage", "kV", 1),
    "burn_time_ms": ("burn time", "ms", 2),
    "burn_voltage_kv": ("burn voltage", "kV", 2),
    "segment_accel": ("segment acceleration", "1/s²", 0),
}


BEARING = {"lost": "are lost", "weak": "give too little", "spark": "have a bad spark"}
COUNTED = {
    "lost": "lost",
    "weak": "firings that gave too little or nothing:",
    "spark": "firings with a bad spark:",
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


def write_sign_left(sign: Sign, *, plural: bool = False) -> str:
    """Say how many firings after the repair still bear a sign.

    Parameters
    ----------
    sign : Sign
    plural : bool
        Whether several cylinders are judged as one.

    Returns
    -------
    text : str
    """
    own, others = sign.whole_after, sign.others_after
    if sign.name == "lost":
        it_loses = "they still lose" if plural else "it still loses"
        return f"{it_loses} combustions: {own.lost} of {own.judged} after the repair"
    line = f"{own.lost} of {own.judged} firings after the repair {BEARING[sign.name]}"
    return f"{line}, of the other cylinders {others.lost} of {others.judged}"


def write_remnant(sign: Sign) -> str:
    """Say that single firings after still bear a sign of those before.

    Parameters
    ----------
    sign : Sign

    Returns
    -------
    text : str
    """
    own = sign.whole_after
    if sign.name == "lost":
        firings = f"{own.lost} firings" if own.lost > 1 else "one firing"
        return f"{firings} still lost in the very cylinder that failed before: no proof of a cure"
    return f"{own.lost} of {own.judged} firings after the repair still {BEARING[sign.name]}"


def write_rates(
    before: Count, after: Count, sign: str = "lost", *, at_like_speeds: bool = False
) -> str:
    """Say both counts of a sign.

    Parameters
    ----------
    before, after : Count
    sign : str
        A key of COUNTED.
    at_like_speeds : bool
        Whether only some of the firings were counted.

    Returns
    -------
    text : str
    """
    line = (
        f"{COUNTED[sign]} {before.lost} of {before.judged} before ({format_percent(before.rate)}), "
        f"{after.lost} of {after.judged} after ({format_percent(after.rate)})"
    )
    return line + ", of the firings at speeds that both recordings have" * at_like_speeds


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
        f"the recording made before does not accuse cylinder {names} by itself, but does so beside "
        "the one made after (the table counts the firings judged lost in each by itself)"
    ]


def write_together() -> str:
    """Say that all cylinders are judged as one.

    Returns
    -------
    note : str
    """
    return (
        "in the recording made before all cylinders fail alike, as from one cause: they are judged "
        "together, each with the same word; the numbers are each cylinder's own"
    )


def write_cause_open() -> str:
    """Say that what all cylinders lost before need not have been a fault.

    Returns
    -------
    reason : str
    """
    return (
        "what made all cylinders fail before was not established: a rough road or a fuel cut can "
        "do so as well, so record both times under the same conditions"
    )


def write_warnings(before: Side, after: Side) -> list[str]:
    """Say what may make the whole comparison void: another vehicle, or one recording twice.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    warnings : list of str
    """
    warnings = []
    names = [str(side.summary["vehicle"]) for side in (before, after)]
    if names[0] != names[1]:
        warnings.append(
            f"the job cards name two vehicles, {names[0]} before and {names[1]} after: if they are "
            "two, nothing on this page is valid"
        )
    source = before.summary.get("source_sha256", "")
    if source and source == after.summary.get("source_sha256"):
        warnings.append("both are the very same recording: nothing was recorded after the repair")
    return warnings


def write_notes(before: Side, after: Side) -> list[str]:
    """Say what of numbers and conditions a reader must know.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    notes : list of str
    """
    notes = []
    if before.mates or after.mates:
        notes.append(
            "cylinders 360 degrees apart cannot be told apart in one of the recordings: they are "
            "judged as pairs"
        )
    if before.is_unnumbered or after.is_unnumbered:
        notes.append(
            "nothing told which cylinder is which in one of the recordings: its numbers were moved "
            "on to fit the other, so do not rely on any of them"
        )
    notes.append(
        "engine and air temperature, fuel and load are not recorded: repeat the drive or the idle "
        "run in which the fault was felt, as warm or as cold as then"
    )
    return notes
