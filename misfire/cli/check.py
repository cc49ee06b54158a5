"""`misfire check`: is a recording fit for a diagnosis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli.options import Input, Json, Outside, Quiet
from misfire.cli.output import find_width, print_json, print_text
from misfire.cli.progress import show_progress

if TYPE_CHECKING:
    from misfire.fitness.checking import Fitness
    from misfire.records import Finding

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
    from misfire.fitness.checking import check_recording
    from misfire.fitness.remedies import explain
    from misfire.measuring.opening import open_recording

    with show_progress(quiet=quiet) as progress:
        opened = open_recording(recording, progress=progress, allow_outside=allow_outside)
        try:
            fitness = check_recording(opened, one_in=one_in, progress=progress)
        finally:
            opened.close()
    if as_json:
        quality = []
        for finding in fitness.findings:
            consequence, remedy = explain(finding)
            quality.append(
                {
                    "channel": finding.channel,
                    "code": finding.code,
                    "severity": finding.severity,
                    "message": finding.message,
                    "consequence": consequence,
                    "remedy": remedy,
                }
            )
        print_json(
            {
                "schema": "misfire-check/1",
                "vehicle": opened.job.vehicle_id,
                "fit": fitness.fit,
                "channels": [channel.name for channel in opened.channels],
                "firings_per_cylinder": fitness.n_firings,
                "shows_faults_of_one_in": fitness.one_in,
                "quality": quality,
            }
        )
        return
    width = find_width()
    print_text(f"{opened.job.vehicle_id}: {_summarise(fitness)}")
    for finding in fitness.findings:
        typer.echo("")
        typer.echo(_format(finding, *explain(finding), width=min(width or WIDTH, WIDTH)))


def _summarise(fitness: Fitness) -> str:
    """Say in one line whether the recording is fit, and for what."""
    worst = {f.severity for f in fitness.findings}
    if "error" in worst:
        words = "not fit for a diagnosis as it is"
    elif "warning" in worst:
        words = "fit for a diagnosis, with reservations"
    else:
        words = "fit for a diagnosis"
    if fitness.n_firings > 1:
        words += (
            f"; {fitness.n_firings} firings a cylinder, enough to catch (with 95 % certainty) a "
            f"fault that comes once in {fitness.one_in}"
        )
    return words


def _format(finding: Finding, consequence: str, remedy: str, *, width: int) -> str:
    """Give one finding as a short paragraph."""
    import textwrap

    place = f"{finding.channel}: " if finding.channel else ""
    lines = textwrap.wrap(
        f"{finding.severity:8s}{place}{finding.message} ({finding.code})",
        width,
        subsequent_indent=" " * 8,
        break_long_words=False,
        break_on_hyphens=False,
    )
    for word, text in (("so:", consequence), ("do:", remedy)):
        if text:
            lines += textwrap.wrap(
                f"{'':8s}{word} {text}",
                width,
                subsequent_indent=" " * 12,
                break_long_words=False,
                break_on_hyphens=False,
            )
    return "\n".join(lines)
