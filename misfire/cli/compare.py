"""`misfire compare`: did the repair cure it."""

from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Folder, Json, Quiet
from misfire.cli.output import check_folder, print_json, print_text, print_written
from misfire.cli.progress import show_progress


def compare(
    before: Annotated[
        Path,
        typer.Argument(
            metavar="BEFORE",
            readable=False,
            help="Recording, job card or result folder from before the repair.",
        ),
    ],
    after: Annotated[
        Path, typer.Argument(metavar="AFTER", readable=False, help="The same from after it.")
    ],
    out: Folder = None,
    cylinder: Annotated[
        int | None,
        typer.Option(
            "--cylinder",
            "-c",
            metavar="N",
            min=1,
            help="The repaired cylinder; default: the accused.",
        ),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say whether a repair cured the fault.

    The word is cured, improved, worse, unchanged, not settled (yet) or not comparable. Writes
    compare.json and compare.html into DIR and prints the rates of every cylinder. Without -o
    nothing is written. The exit status is 0 whatever the word.
    """
    if out is not None:
        check_folder(out)
    from misfire.comparison.comparing import compare as compare_recordings
    from misfire.report.comparison.files import format_comparison_table, write_comparison

    with show_progress(quiet=quiet) as progress:
        document = compare_recordings(before, after, cylinder=cylinder, progress=progress)
        written = () if out is None else write_comparison(document, out)
    if as_json:
        print_json(document)
        return
    print_text(format_comparison_table(document))
    print_written(written)
