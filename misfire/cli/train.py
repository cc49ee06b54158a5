"""`misfire train`: a model from labelled cases and simulated ones."""

from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, print_failure, print_json, print_rows
from misfire.cli.progress import show_progress


def train(
    cases: Annotated[
        list[Path],
        typer.Argument(metavar="CASES...", readable=False, help="Folders of labelled cases."),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="MODEL", readable=False, help="Folder of the new model."
        ),
    ],
    simulated: Annotated[
        int, typer.Option(min=0, help="Simulated vehicles to learn from as well.")
    ] = 300,
    workers: Annotated[int, typer.Option(min=1, help="Processes that measure.")] = 1,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same model.")] = 0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Train a model on proven repairs, mixed with simulated vehicles.

    Writes a bundle with its model card (card.md). Says whether the new model is better or worse
    than the shipped one on vehicles that neither has seen; being worse is no failure (exit status
    0), but do not use it then. Of a confirmed case no single firing is known, unless the vehicle
    was sound: it teaches what a faulty cylinder and its fault look like.
    """
    check_folder(out)
    from misfire.learning.runs import train as train_model

    with show_progress(quiet=quiet) as progress:
        result = train_model(
            cases,
            out,
            n_simulated=simulated,
            workers=workers,
            seed=seed,
            progress=progress,
        )
    if as_json:
        print_json(result)
        return
    rows = [("figure", "value", "low", "high", "vehicles")]
    shown = result["held_out_real"] or result["held_out"]
    for name, figure in shown["figures"].items():
        cells = (figure["value"], figure["low"], figure["high"])
        value, low, high = ("" if x is None else f"{x:.4f}" for x in cells)
        rows.append((name, value, low, high, str(figure["vehicles"])))
    print_rows(rows)
    for failure in result["not_usable"]:
        print_failure(failure)
    print_failure(f"on held-out {result['compared_on']}: {result['verdict']}")
    print_failure(f"wrote {out}")
