"""`misfire diagnose`: the main job, on one recording."""

from dataclasses import replace
from pathlib import Path

import typer

from misfire.cli.options import Folder, Input, Json, Outside, Paper, PaperSize, Pdf, Quiet
from misfire.cli.output import check_folder, print_json, print_text, print_written
from misfire.cli.progress import show_progress


def diagnose(
    recording: Input,
    out: Folder = None,
    pdf: Pdf = False,
    paper: PaperSize = Paper.A4,
    allow_outside: Outside = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Name the misfiring cylinder of one recording.

    Writes result.json, events.parquet, misfires.csv and report.html into DIR and prints the
    verdict. Without -o nothing is written. The exit status is 0 whatever the verdict.
    """
    if pdf and out is None:
        raise typer.BadParameter("--pdf needs a folder to write to; add -o DIR")
    judge(
        recording,
        out=out,
        paper=paper.value if pdf else None,
        as_json=as_json,
        quiet=quiet,
        allow_outside=allow_outside,
    )


def judge(
    recording: Path,
    *,
    out: Path | None,
    paper: str | None,
    as_json: bool,
    quiet: bool,
    allow_outside: bool = False,
) -> None:
    """Diagnose, write the reports and print the verdict."""
    if out is not None:
        check_folder(out)
    from misfire.report.paper import find_browser, print_page

    if paper is not None:
        find_browser()  # before the work is done
    from misfire.diagnosis.chain import diagnose as compute_diagnosis
    from misfire.publishing import find_today
    from misfire.report.diagnosis.files import REPORT, write_reports
    from misfire.report.diagnosis.table import format_table
    from misfire.report.summary import build_summary

    with show_progress(quiet=quiet) as progress:
        diagnosis = compute_diagnosis(recording, progress=progress, allow_outside=allow_outside)
        diagnosis = replace(diagnosis, reported=find_today())
        written: list[Path] = []
        if out is not None:
            if progress is not None:
                progress("writing the report", 0.0)
            written += write_reports(diagnosis, out)
            if paper is not None:
                if progress is not None:
                    progress("writing the report", 0.5)
                written.append(print_page(out / REPORT, out / "report.pdf", paper=paper))
            if progress is not None:
                progress("writing the report", 1.0)
    if as_json:
        document = build_summary(diagnosis)
        print_json(document | {"files": [str(path) for path in written]} if written else document)
        return
    print_text(format_table(diagnosis))
    print_written(written)
