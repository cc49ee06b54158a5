"""`misfire diagnose`: the main job, on one recording."""

from pathlib import Path

import typer

from misfire.cli.options import Folder, Input, Json, Quiet
from misfire.cli.output import check_folder, print_json
from misfire.cli.progress import show_progress


def diagnose(
    recording: Input,
    out: Folder = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Name the misfiring cylinder of one recording.

    Writes result.json, events.parquet, misfires.csv and report.html into DIR and prints the
    verdict. Without -o nothing is written. The exit status is 0 whatever the verdict.
    """
    judge(recording, out=out, as_json=as_json, quiet=quiet)


def judge(recording: Path, *, out: Path | None, as_json: bool, quiet: bool) -> None:
    """Diagnose, write the reports and print the verdict."""
    if out is not None:
        check_folder(out)
    from misfire.batch.chain import diagnose as compute_diagnosis
    from misfire.report.files import write_reports
    from misfire.report.summary import build_summary
    from misfire.report.table import format_table

    with show_progress(quiet=quiet) as progress:
        diagnosis = compute_diagnosis(recording, progress=progress)
        written = [] if out is None else write_reports(diagnosis, out)
    if as_json:
        print_json(build_summary(diagnosis))
        return
    typer.echo(format_table(diagnosis).rstrip("\n"))
    for path in written:
        typer.echo(f"wrote {path}")
