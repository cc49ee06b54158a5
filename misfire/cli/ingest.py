"""`misfire ingest`: raw files to one aligned recording."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Json, Outside, Quiet
from misfire.cli.output import check_file, print_json
from misfire.cli.progress import show_progress


class Coding(StrEnum):
    """How samples are stored, see `align.store.CODINGS`."""

    DEFLATE = "deflate"
    NONE = "none"


def ingest(
    job: Annotated[Path, typer.Argument(metavar="JOB", readable=False, help="Job card (TOML).")],
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="FILE", readable=False, help="Recording to write (HDF5)."
        ),
    ],
    coding: Annotated[
        Coding,
        typer.Option(help="Small files, or files three times as large that are diagnosed sooner."),
    ] = Coding.DEFLATE,
    allow_outside: Outside = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Put raw files into one aligned recording, without loss.

    Reads the files that the job card names and writes one HDF5 file with all channels on one
    time base. Counts are stored as they were recorded.
    """
    check_file(out)
    from misfire.diagnosis import chain

    with show_progress(quiet=quiet) as progress:
        result = chain.ingest(
            job, out, coding=coding.value, progress=progress, allow_outside=allow_outside
        )
    if as_json:
        print_json(result)
        return
    typer.echo(f"wrote {out}")
