"""The options that several commands share."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[
    bool,
    typer.Option("--json", help="Print the result as one JSON document."),
]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="No progress on standard error.", show_default=False)
]
# `readable=False`: what cannot be read is the input's fault (status 1), not wrong usage (2).
Input = Annotated[
    Path, typer.Argument(metavar="INPUT", readable=False, help="Recording or job card.")
]
Outside = Annotated[
    bool,
    typer.Option(
        "--allow-outside",
        help="Let the job card name files outside its own folder; only for cards you trust.",
    ),
]
Pdf = Annotated[
    bool,
    typer.Option(
        "--pdf", help="Also write report.pdf; needs chromium, chrome or edge on this machine."
    ),
]


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "a4"
    LETTER = "letter"


PaperSize = Annotated[Paper, typer.Option("--paper", help="Paper of report.pdf.")]
Folder = Annotated[
    Path | None,
    typer.Option(
        "--out",
        "-o",
        metavar="DIR",
        readable=False,
        help="Folder for the results; made if absent.",
    ),
]
