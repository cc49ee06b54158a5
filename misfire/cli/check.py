"""`misfire check`: is a recording fit for a diagnosis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli.options import Input, Json, Outside, Quiet
from misfire.cli.output import find_width, print_json, print_text
from misfire.cli.progress import show_progress

if TYPE_CHECKING:
    from misfire.api import Check, Remark

WIDTH = 96


def check(
    recording: Input,
    one_in: Annotated[
        int | None,
        typer.Option(
            "--one-in",
            metavar="N",
            min=1,
            help="The fault is felt once in N firings of its cylinder: is the recording long "
            "enough for it?",
        ),
    ] = None,
    allow_outside: Outside = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what is wrong with a recording, if anything.

    Prints each finding with what follows from it and what to do. A finding of severity `error`
    means that no diagnosis can be made, or none that could be trusted. The exit status is 0 either
    way.
    """
    from misfire.api import check as check_recording

    with show_progress(quiet=quiet) as progress:
        made = check_recording(
            recording, one_in=one_in, progress=progress, allow_outside=allow_outside
        )
    if as_json:
        print_json(made.to_dict())
        return
    width = find_width()
    print_text(f"{made.vehicle}: {_summarise(made)}")
    for remark in made.quality:
        typer.echo("")
        typer.echo(_format(remark, width=min(width or WIDTH, WIDTH)))


def _summarise(made: Check) -> str:
    """Say in one line whether the recording is fit, and for what."""
    worst = {r.severity for r in made.quality}
    if "error" in worst:
        words = "not fit for a diagnosis as it is"
    elif "warning" in worst:
        words = "fit for a diagnosis, with reservations"
    else:
        words = "fit for a diagnosis"
    if made.firings_per_cylinder > 1:
        words += (
            f"; {made.firings_per_cylinder} firings a cylinder, enough to catch (with 95 % "
            f"certainty) a fault that comes once in {made.shows_faults_of_one_in}"
        )
    return words


def _format(remark: Remark, *, width: int) -> str:
    """Give one finding as a short paragraph."""
    import textwrap

    place = f"{remark.channel}: " if remark.channel else ""
    lines = textwrap.wrap(
        f"{remark.severity:8s}{place}{remark.message} ({remark.code})",
        width,
        subsequent_indent=" " * 8,
        break_long_words=False,
        break_on_hyphens=False,
    )
    for word, text in (("so:", remark.consequence), ("do:", remark.remedy)):
        if text:
            lines += textwrap.wrap(
                f"{'':8s}{word} {text}",
                width,
                subsequent_indent=" " * 12,
                break_long_words=False,
                break_on_hyphens=False,
            )
    return "\n".join(lines)
