"""`misfire simulate`: a labelled recording from the physical model."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, print_json
from misfire.cli.progress import show_progress


class Format(StrEnum):
    """File formats the simulator writes."""

    WAV = "wav"
    H5 = "h5"
    CSV = "csv"
    NPZ = "npz"


def simulate(
    scenario: Annotated[
        Path,
        typer.Argument(metavar="SCENARIO", readable=False, help="What to simulate (TOML)."),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="DIR", readable=False, help="Folder for the recording."
        ),
    ],
    form: Annotated[
        Format | None, typer.Option("--format", help="File format; default: the scenario's.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Simulate a recording whose truth is known.

    Writes the capture files, job.toml and truth.json (what was wrong, and every firing) into DIR.
    """
    check_folder(out)
    from misfire.api import simulate as simulate_and_write

    with show_progress(quiet=quiet) as progress:
        made = simulate_and_write(scenario, out, fmt=form and form.value, progress=progress)
    if as_json:
        print_json(made.to_dict())
        return
    typer.echo(f"wrote {made.job}")
