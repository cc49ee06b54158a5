"""`misfire confirm`: keep what a repair proved as a labelled case."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Input, Json, Quiet
from misfire.cli.output import check_folder, print_json
from misfire.cli.progress import show_progress


class FaultType(StrEnum):
    """The fault types of the contract."""

    OPEN_SECONDARY = "open_secondary"
    FOULED_PLUG = "fouled_plug"
    WEAK_COIL = "weak_coil"
    NO_PRIMARY = "no_primary"
    MIXTURE = "mixture"
    LOW_COMPRESSION = "low_compression"
    CRANK_SIGNAL = "crank_signal"


def confirm(
    recording: Input,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", metavar="CASES", readable=False, help="Folder of cases; made if absent."
        ),
    ] = None,
    bundle: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", readable=False, help="Write the case as one file without personal data."
        ),
    ] = None,
    cylinder: Annotated[
        list[int] | None,
        typer.Option("--cylinder", metavar="N", help="Cylinder that was at fault; repeatable."),
    ] = None,
    fault: Annotated[
        list[FaultType] | None,
        typer.Option(
            "--fault",
            metavar="TYPE",
            help="What it had, in the order of the cylinders: " + ", ".join(FaultType) + ".",
        ),
    ] = None,
    healthy: Annotated[
        bool, typer.Option("--healthy", help="The vehicle was proven sound.", show_default=False)
    ] = False,
    who: Annotated[str, typer.Option(metavar="TEXT", help="Who proved it.")] = "",
    when: Annotated[
        str | None, typer.Option(metavar="DATE", help="ISO date of the proof; default: today.")
    ] = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="How it was proven.")] = "",
    reference: Annotated[
        bool,
        typer.Option(
            "--reference", help="Refer to the recording where it is; no copy.", show_default=False
        ),
    ] = False,
    with_note: Annotated[
        bool, typer.Option("--with-note", help="Keep --note in FILE.", show_default=False)
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Make a labelled case of a recording, once a repair has proven the fault.

    Writes a folder with the recording and truth.json into CASES, or one FILE that may be given
    away (no names, texts or notes in it). The fault must have been at work in the recording. A
    fault of the crank sensor (crank_signal) has no cylinder.
    """
    faults, crank_fault = _pair_up(cylinder or [], fault or [], healthy)
    if out is None and bundle is None:
        raise typer.BadParameter("give -o CASES, or --bundle FILE")
    if out is not None:
        check_folder(out)
    from misfire.api import confirm as make_case

    with show_progress(quiet=quiet) as progress:
        result = make_case(
            recording,
            out,
            faults=faults,
            crank_fault=crank_fault,
            who=who,
            when=when,
            note=note,
            by_reference=reference,
            bundle=bundle,
            with_note=with_note,
            progress=progress,
        )
    if as_json:
        print_json(result.to_dict())
        return
    for place in (result.case, result.bundle):
        if place is not None:
            typer.echo(f"wrote {place}")


def _pair_up(
    cylinders: list[int], faults: list[FaultType], healthy: bool
) -> tuple[dict[int, str], bool]:
    """Pair each cylinder with its fault; the crank sensor's fault stands without one."""
    of_cylinders = [f.value for f in faults if f.value != "crank_signal"]
    if healthy == bool(faults or cylinders):
        raise typer.BadParameter("give --cylinder and --fault, or --healthy")
    if len(cylinders) != len(of_cylinders):
        raise typer.BadParameter(
            "give one --fault for each --cylinder (crank_signal goes without a cylinder)"
        )
    if len(set(cylinders)) != len(cylinders):
        raise typer.BadParameter("a cylinder is named twice; name its main fault")
    return dict(zip(cylinders, of_cylinders, strict=True)), len(of_cylinders) < len(faults)
