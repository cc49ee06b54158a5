"""The options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[
    bool,
    typer.Option("--json", help="Print the result as one JSON document and nothing else."),
]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="No progress on standard error.", show_default=False)
]
# `readable=False`: what cannot be read is the input's fault (status 1), not wrong usage (2).
Input = Annotated[
    Path, typer.Argument(metavar="INPUT", readable=False, help="Recording or job card.")
]
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
