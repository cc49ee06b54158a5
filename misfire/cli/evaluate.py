"""`misfire evaluate`: how good a model is on labelled cases."""

from pathlib import Path
from typing import Annotated

import typer

from misfire.cli.options import Folder, Json, Quiet
from misfire.cli.output import check_folder, print_failure, print_json, print_rows
from misfire.cli.progress import show_progress


def evaluate(
    model: Annotated[
        str,
        typer.Argument(metavar="MODEL", help="A model bundle, or `shipped`, or `physics`."),
    ],
    cases: Annotated[
        list[Path],
        typer.Argument(
            metavar="CASES...", readable=False, help="Folders of labelled cases, and case files."
        ),
    ],
    out: Folder = None,
    workers: Annotated[int, typer.Option(min=1, help="Processes on this machine.")] = 1,
    seed: Annotated[int, typer.Option(min=0, help="Seed for drawing vehicles anew.")] = 0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Judge labelled cases with a model, and compare it with the shipped one.

    `physics` stands for the fixed physics scores, without a learned model. Prints one
    tab-separated line per figure: value, 95 % interval over vehicles, number of vehicles, the
    shipped model's value, and which is better (both empty for itself). With -o writes metrics.json,
    cases.csv, confusion.csv, parts.csv (figures by channels and by engine) and pictures of how
    reliable the probabilities of cylinders, kinds of fault and firings are into DIR.
    """
    if out is not None:
        check_folder(out)
    from misfire.learning.evaluation import evaluate_folders, write_evaluation

    with show_progress(quiet=quiet) as progress:
        result = evaluate_folders(model, cases, workers=workers, seed=seed, progress=progress)
    written = [] if out is None else write_evaluation(result, out)
    if as_json:
        print_json(result.summary)
        return
    head = ("figure", "value", "low", "high", "vehicles", "shipped", "against shipped")
    print_rows([head, *result.format_rows()])
    for failure in result.summary["not_usable"]:
        print_failure(failure)
    print_failure(result.summary["verdict"])
    for path in written:
        print_failure(f"wrote {path}")
