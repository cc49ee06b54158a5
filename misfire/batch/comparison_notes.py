"""What a reader of a comparison must know besides its word."""

from __future__ import annotations

from misfire.batch.comparison_side import Side


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
