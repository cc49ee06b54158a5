"""One recording measured and checked: all that the judging looks at, made once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from misfire.fitness.checking import check_angles, check_quickly
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
    recording = correct_recording(recording)
    # each stage lets go of what the next ones do not need: in a long recording, most of the memory
    followed = follow(recording, progress=progress)
    give_back()
    quick = check_angles(recording, followed)
    followed = drop_teeth(followed)
    give_back()
    placed = place(followed)
    del followed
    give_back()
    quick += check_quickly(placed)
    strokes = gather(placed)
    placed = drop_strokes(placed)
    give_back()
    evidence = tabulate(placed, strokes)
    del placed, strokes
    give_back()
    return Measured(evidence, tuple(quick))
