"""One recording measured and checked: all that the judging looks at, made once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from misfire.errors import ChannelError, CycleError
from misfire.fitness.checking import check_angles, check_quickly, check_roles_in_doubt
from misfire.fitness.engine import check_roles
from misfire.fitness.scale import correct_recording
from misfire.measuring.evidence import (
    Evidence,
    drop_strokes,
    drop_teeth,
    follow,
    gather,
    place,
    tabulate,
)
from misfire.measuring.freeing import give_back
from misfire.records import Finding, Recording

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Measured:
    """One recording, measured and checked: `quick` is what the checks of the signals found."""

    evidence: Evidence
    quick: tuple[Finding, ...]


def measure_whole(recording: Recording, *, progress: Progress | None = None) -> Measured:
    """Measure and check an open recording; nothing is judged yet.

    Parameters
    ----------
    recording : Recording
    progress : callable (stage, fraction), optional

    Returns
    -------
    measured : Measured

    Raises
    ------
    ChannelError, CycleError
        If no channel shows sparks or crank angle, or they do not make engine cycles.
    """
    as_named, recording = recording, correct_recording(recording)
    # each stage lets go of what the next ones do not need: in a long recording, most of the memory
    try:
        followed = follow(recording, progress=progress)
    except (ChannelError, CycleError) as error:
        wrong = check_roles(as_named)
        if not wrong:
            raise
        named = "; ".join(f"channel {f.channel!r}: {f.message}" for f, _ in wrong)
        raise type(error)(f"{error}; {named}") from error
    give_back()
    quick = check_angles(recording, followed)
    followed = drop_teeth(followed)
    give_back()
    placed = place(followed)
    del followed
    give_back()
    quick += check_quickly(placed)
    quick = (*check_roles_in_doubt(as_named, (*placed.findings, *quick)), *quick)
    strokes = gather(placed)
    placed = drop_strokes(placed)
    give_back()
    evidence = tabulate(placed, strokes)
    del placed, strokes
    give_back()
    return Measured(evidence, tuple(quick))
