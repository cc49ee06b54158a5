"""`misfire hookup`: what to clip on where, and for how long to record."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, find_width, print_json
from misfire.cli.progress import show_progress

if TYPE_CHECKING:
    from misfire.records import CrankWheel

WIDTH = 96  # columns of a line where the terminal has no fewer


def hookup(
    job: Annotated[
        Path | None,
        typer.Argument(
            metavar="[JOB]", readable=False, help="A job card of this engine; or give --cylinders."
        ),
    ] = None,
    cylinders: Annotated[int | None, typer.Option(metavar="N", help="1 to 12.")] = None,
    ignition: Annotated[
        str,
        typer.Option(
            metavar="KIND",
            show_default=False,
            help="coil_on_plug (usual), wasted_spark or distributor.",
        ),
    ] = "coil_on_plug",
    firing_order: Annotated[
        str, typer.Option(metavar="A-B-C", help="Firing order, as 1-3-4-2.")
    ] = "",
    wheel: Annotated[
        str, typer.Option(metavar="P-M", help="Crank wheel, as 60-2: positions and missing.")
    ] = "",
    inputs: Annotated[int, typer.Option(metavar="N", help="Inputs of the instrument.")] = 4,
    suspect: Annotated[
        int, typer.Option(metavar="N", help="Cylinder under suspicion; 0: none.")
    ] = 0,
    one_in: Annotated[
        int,
        typer.Option("--one-in", metavar="N", help="The fault comes once in N firings."),
    ] = 200,
    rpm: Annotated[float, typer.Option(metavar="RPM", help="Speed at which it is felt.")] = 800.0,
    rate: Annotated[
        float,
        typer.Option(metavar="HZ", show_default=False, help="Samples a second; default 200000."),
    ] = 200e3,
    file: Annotated[
        str,
        typer.Option(
            metavar="NAME", show_default=False, help="File of the instrument; it decides `scale`."
        ),
    ] = "capture.wav",
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over another plan's page and card.")
    ] = False,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            "-o",
            metavar="DIR",
            readable=False,
            show_default=False,
            help="Folder for page and job card.",
        ),
    ] = Path("misfire-hookup"),
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Plan the connections: what to clip on where, with which probe, and for how long.

    Writes hookup.html (drawing, waveforms, cautions) and job.toml (to fill in) into DIR.
    """
    if (job is None) == (cylinders is None):
        raise typer.BadParameter("give either a job card or --cylinders")
    check_folder(out)
    from misfire.api import hookup as plan_and_write
    from misfire.hookup.plan import HookupWish
    from misfire.report.hookup.page import format_hookup_text

    with show_progress(quiet=quiet) as progress:
        if progress is not None:
            progress("simulating", 0.0)
        made = plan_and_write(
            out,
            job=job,
            cylinders=cylinders,
            ignition=ignition,
            firing_order=_parse_order(firing_order),
            wheel=_parse_wheel(wheel),
            wish=HookupWish(inputs, suspect, one_in, rpm, rate, file),
            overwrite=replace,
        )
    if as_json:
        print_json(made.to_dict())
        return
    typer.echo(format_hookup_text(made.plan, width=min(find_width() or WIDTH, WIDTH)))
    typer.echo("")
    typer.echo(f"wrote {made.page}")
    done = f"wrote {made.job}: to fill in" if made.card_written else f"{made.job} is the same"
    typer.echo(done)


def _parse_order(words: str) -> tuple[int, ...]:
    """Read a firing order."""
    from misfire.errors import ParameterError

    if not words:
        return ()
    if not re.fullmatch(r"\s*\d+([-,\s]+\d+)*\s*", words):
        raise ParameterError(f"firing-order: need numbers as 1-3-4-2, got {words!r}")
    return tuple(int(w) for w in re.findall(r"\d+", words))


def _parse_wheel(words: str) -> CrankWheel | None:
    """Read a wheel's name."""
    from misfire.errors import ParameterError
    from misfire.records import CrankWheel

    if not words:
        return None
    found = re.fullmatch(r"(\d{1,3})-(\d{1,2})", words.strip())
    positions, missing = (int(found[1]), int(found[2])) if found else (0, 0)
    if not 4 <= positions <= 720 or missing >= positions - 1:
        raise ParameterError(f"wheel: need positions and missing as 60-2, got {words!r}")
    gap = tuple(range(positions - missing + 1, positions + 1))
    return CrankWheel(positions=positions, gaps=(gap,) if gap else ())
