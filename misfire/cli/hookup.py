"""`misfire hookup`: what to clip on where, and for how long to record."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, find_width, print_json
from misfire.cli.progress import show_progress

if TYPE_CHECKING:
    from misfire.records import CrankWheel
    from misfire.report.hookup.plan import HookupPlan

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
        str, typer.Option(help="coil_on_plug, wasted_spark or distributor.")
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
        typer.Option(
            "--one-in", metavar="N", help="The fault comes once in N firings of its cylinder."
        ),
    ] = 200,
    rpm: Annotated[float, typer.Option(help="Speed at which it is felt.")] = 800.0,
    rate: Annotated[float, typer.Option(help="Sampling rate, samples a second.")] = 200e3,
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="DIR", readable=False, help="Folder for page and job card."
        ),
    ] = Path("misfire-hookup"),
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Plan the connections: which channel where, probe, range, rate, length; with a drawing.

    Writes hookup.html (drawing, leads, waveforms to expect, cautions) and job.toml (the job card
    to fill in) into DIR. A job card that is there already is kept.
    """
    from misfire.errors import ParameterError

    if (job is None) == (cylinders is None):
        raise typer.BadParameter("give either a job card or --cylinders")
    check_folder(out)
    from misfire.hookup.plan import HookupWish, make_engine, plan_from_job, plan_hookup
    from misfire.ingest.jobcard import read_job_card
    from misfire.report.hookup.page import format_hookup, format_hookup_text

    wish = HookupWish(inputs=inputs, suspect=suspect, one_in=one_in, rpm=rpm, rate_hz=rate)
    with show_progress(quiet=quiet) as progress:
        if progress is not None:
            progress("simulating", 0.0)
        if job is not None:
            plan = plan_from_job(read_job_card(job), wish)
        else:
            if cylinders is None:
                raise ParameterError("cylinders is missing")
            engine, assumed = make_engine(
                cylinders, ignition=ignition, firing_order=_parse_order(firing_order)
            )
            plan = plan_hookup(engine, wish, wheel=_parse_wheel(wheel), assumed=assumed)
    page, card = out / "hookup.html", out / "job.toml"
    _write(page, format_hookup(plan))
    kept = card.exists()
    if not kept:
        _write(card, plan.card)
    if as_json:
        print_json(_document(plan, page, card))
        return
    typer.echo(format_hookup_text(plan, width=min(find_width() or WIDTH, WIDTH)))
    typer.echo("")
    typer.echo(f"wrote {page}")
    typer.echo(f"{card} is there already and was kept" if kept else f"wrote {card}: to fill in")


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


def _write(path: Path, text: str) -> None:
    """Write a text file under a temporary name, then rename it."""
    from misfire.errors import OutputError
    from misfire.publishing import write_whole

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}); choose another folder with -o"
        ) from error


def _document(plan: HookupPlan, page: Path, card: Path) -> dict[str, Any]:
    """Give the plan for programs."""
    return {
        "schema": "misfire-hookup/1",
        "vehicle": plan.vehicle,
        "engine": {
            "cylinders": plan.engine.cylinders,
            "firing_order": list(plan.engine.firing_order),
            "ignition": plan.engine.ignition,
        },
        "assumed": list(plan.assumed),
        "leads": [{**asdict(lead), "cylinders": list(lead.cylinders)} for lead in plan.leads],
        "reference": "battery negative",
        "free_inputs": plan.free_inputs,
        "rate_hz": plan.rate_hz,
        "rpm": plan.rpm,
        "record_s": plan.chosen.seconds,
        "file_mb": plan.chosen.megabytes,
        "lengths": [asdict(x) for x in plan.lengths],
        "told": [
            {"cylinders": list(t.cylinders), "told": list(t.types), "not_told": list(t.hidden)}
            for t in plan.told
        ],
        "resolved": plan.resolved,
        "page": str(page),
        "job": str(card),
    }
