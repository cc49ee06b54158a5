"""`misfire train`: the shipped model, corrected by labelled cases."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from misfire.cli.options import Json, Quiet
from misfire.cli.output import check_folder, print_failure, print_json, print_rows
from misfire.cli.progress import show_progress


def train(
    cases: Annotated[
        list[Path],
        typer.Argument(
            metavar="CASES...", readable=False, help="Folders of labelled cases, and case files."
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", "-o", metavar="MODEL", readable=False, help="Folder of the new model."
        ),
    ],
    workers: Annotated[int, typer.Option(min=1, help="Processes on this machine.")] = 1,
    seed: Annotated[int, typer.Option(min=0, help="Seed for what is held out in turn.")] = 0,
    curve: Annotated[
        bool,
        typer.Option("--curve", help="Draw how more cases would help.", show_default=False),
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Correct the shipped model by proven repairs.

    Adapts how common the kinds of fault are, how much each witness of them is trusted, what a
    usual spark is, and how sure a cylinder is called faulty; few cases move it little. Writes a
    bundle with its model card (card.md), and with --curve a picture (curve.svg). Says whether the
    new model is better or worse than the shipped one on vehicles that neither has seen; being worse
    is no failure (exit status 0), but do not use it then.
    """
    check_folder(out)
    from misfire.learning.runs import train as train_model

    with show_progress(quiet=quiet) as progress:
        result = train_model(
            cases,
            out,
            workers=workers,
            seed=seed,
            with_curve=curve,
            progress=progress,
        )
    if as_json:
        print_json(result)
        return
    rows = [("figure", "value", "low", "high", "vehicles")]
    for name, figure in result["held_out"]["figures"].items():
        cells = (figure["value"], figure["low"], figure["high"])
        value, low, high = ("" if x is None else f"{x:.4f}" for x in cells)
        rows.append((name, value, low, high, str(figure["vehicles"])))
    print_rows(rows)
    for failure in result["not_usable"]:
        print_failure(failure)
    if result["curve"] is not None:
        print_rows(
            [("cases", "figure", "mean", "lowest", "highest"), *_list_points(result["curve"])]
        )
    print_failure(f"on held-out vehicles: {result['verdict']}")
    print_failure(f"wrote {out}")


def _list_points(curve: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    """List the points of a learning curve as text."""
    for point in curve["points"]:
        cells = (f"{point[name]:.4f}" for name in ("mean", "low", "high"))
        yield (str(point["cases"]), point["figure"], *cells)
