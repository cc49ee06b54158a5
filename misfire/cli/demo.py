"""`misfire demo`: the main job on the recording that comes with the package."""

from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.diagnose import judge
from misfire.cli.options import Json, Paper, PaperSize, Pdf, Quiet
from misfire.resources import find_resource


def demo(
    out: Annotated[
        Path,
        typer.Option("--out", "-o", metavar="DIR", readable=False, help="Folder for the results."),
    ] = Path("misfire-demo"),
    pdf: Pdf = False,
    paper: PaperSize = Paper.A4,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Diagnose the bundled recording of an invented vehicle.

    Writes result.json, events.parquet, misfires.csv and report.html into DIR.
    """
    judge(
        find_resource("data_demo") / "job.toml",
        out=out,
        paper=paper.value if pdf else None,
        as_json=as_json,
        quiet=quiet,
    )
