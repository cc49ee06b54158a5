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
Folder = Annotated[
    Path | None,
    typer.Option("--out", "-o", metavar="DIR", help="Folder for the results; made if absent."),
]
